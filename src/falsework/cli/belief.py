"""What the ledger has taught, for the commands that predict; its fit is read here, never made."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Callable

    from falsework.droop.belief import Belief
    from falsework.ledger import Ledger
    from falsework.process.settings import Process

F = TypeVar("F", bound="Callable[..., Any]")

NONE = "none"


def ledger_option(command: F) -> F:
    """``--ledger``."""
    return click.option(
        "--ledger",
        "ledger_name",
        metavar="FILE|none",
        help="The ledger whose fit counts; your own if not given, 'none' for common practice alone.",
    )(command)


def printer_option(command: F) -> F:
    """``--printer``."""
    return click.option(
        "--printer",
        metavar="NAME",
        help="The printer as the ledger knows it, or the name of a new one; the process's own if not given.",
    )(command)


def on_printer(process: Process, name: str | None, ledger: Ledger | None) -> Process:
    """The process on the printer of that name: as the ledger describes it, or a new one, built as the
    process's own.

    A new name is no error, for a test piece is how a printer becomes known; but it may be a slip, so where
    the ledger knows others it is said on stderr.
    """
    if name is None or name == process.printer.name:
        return process
    known = {} if ledger is None else ledger.printers()
    if name in known:
        return replace(process, printer=known[name])
    if known:
        click.echo(f"caution: {name} is new to the ledger, which knows {', '.join(known)}", err=True)
    return replace(process, printer=replace(process.printer, name=name))


def ledger_named(name: str | None) -> Ledger | None:
    """The ledger of that file, the user's own for None, none for 'none' or where there is none yet."""
    if name == NONE:
        return None
    from falsework.ledger import Ledger

    if name is None:
        return Ledger.existing()
    ledger = Ledger.existing(Path(name))
    if ledger is None:
        from falsework.errors import LedgerError

        raise LedgerError(name, "there is no such ledger", "Give the file of one, or 'none'")
    return ledger


def chosen_belief(process: Process, ledger_name: str | None) -> Belief:
    """What the ledger's last fit holds of the process's printer and material, seen together, apart or never;
    the prior where there is no fit.

    Says on stderr where readings are newer than the fit, and where a ledger that was named knows nothing of
    the two together.
    """
    from falsework.droop.belief import PRIOR
    from falsework.errors import FalseworkError

    ledger = ledger_named(ledger_name)
    stored = None if ledger is None else ledger.fit()
    if ledger is None or stored is None:
        if ledger_name not in (None, NONE):
            click.echo(f"caution: {ledger_name} holds no fit yet; 'falsework tune' makes one", err=True)
        return PRIOR
    from falsework.tuning.belief import belief_of
    from falsework.tuning.posterior import Posterior

    try:
        posterior = Posterior.from_json(stored.text)
    except FalseworkError:
        click.echo(
            "caution: the ledger's fit was stored by another version and is left aside; "
            "'falsework tune' makes it anew",
            err=True,
        )
        return PRIOR
    pair = (process.printer.name, process.material.name)
    if pair not in posterior.groups and ledger_name is not None:
        known = "; ".join(f"{material} on {printer}" for printer, material in posterior.groups)
        click.echo(
            f"caution: nothing in {ledger_name} was read of {pair[1]} on {pair[0]}; what was read of "
            f"others bears on it from afar ({known})",
            err=True,
        )
    if ledger.readings_digest() != stored.digest:
        click.echo(
            "caution: the ledger has changed since its fit was made; 'falsework tune' takes that in", err=True
        )
    return belief_of(posterior, pair[0], process.material)

"""What the ledger has taught, for the commands that predict; its fit is read here, never made."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from falsework.cli.options import chosen_process

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


@dataclass(frozen=True)
class ChosenProcess:
    """The options that say how and on what it is printed, and whose readings count."""

    process_name: str
    settings: tuple[tuple[str, str], ...] = ()
    printer: str | None = None
    ledger_name: str | None = None

    def plain(self) -> Process:
        """The process of that name or file with the given settings changed."""
        return chosen_process(self.process_name, self.settings)

    def ledger(self) -> Ledger | None:
        """The ledger of that name: see ``ledger_named``."""
        return ledger_named(self.ledger_name)

    def belief(self, process: Process) -> Belief:
        """What that ledger has taught of it."""
        return chosen_belief(process, self.ledger_name)


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
    from falsework.tuning.of_ledger import belief_from_ledger

    ledger = ledger_named(ledger_name)
    held = belief_from_ledger(ledger, process)
    if held.unreadable:
        click.echo(
            f"caution: the ledger's fit {held.unreadable} and is left aside; 'falsework tune' makes it anew",
            err=True,
        )
    elif held.pairs is None:
        if ledger_name not in (None, NONE):
            click.echo(f"caution: {ledger_name} holds no fit yet; 'falsework tune' makes one", err=True)
        return held.belief
    pair = (process.printer.name, process.material.name)
    if held.pairs and pair not in held.pairs and ledger_name is not None:
        known = "; ".join(f"{material} on {printer}" for printer, material in held.pairs)
        click.echo(
            f"caution: nothing in {ledger_name} was read of {pair[1]} on {pair[0]}; what was read of "
            f"others bears on it from afar ({known})",
            err=True,
        )
    if held.stale:
        click.echo(
            "caution: the ledger has changed since its fit was made; 'falsework tune' takes that in", err=True
        )
    return held.belief

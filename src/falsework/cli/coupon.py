"""``falsework coupon``: test pieces for a process, to be printed, read off and recorded."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from falsework.cli.asked import collected
from falsework.cli.belief import ChosenProcess, ledger_option, on_printer, printer_option
from falsework.cli.options import (
    json_option,
    piece_options,
    process_options,
    supports_as_option,
)
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.coupon.value import Coupon, PieceLimits
    from falsework.droop.belief import Belief
    from falsework.files.threemf import SupportsAs
    from falsework.process.settings import Process
    from falsework.watch import Watch

KINDS = ("overhang-fan", "bridge-ladder", "gap-interface", "weave-comb", "confirmation")
_MOST_SEED = 999_999  # of a seed that nobody asked for: short enough to be typed


@dataclass(frozen=True)
class WantedPiece:
    """The options that say which test piece is wanted."""

    kind: str | None
    minutes: float
    grams: float
    seed: int | None

    def limits(self) -> PieceLimits:
        """What it may take."""
        from falsework.coupon import PieceLimits

        return PieceLimits(self.minutes, self.grams)


@click.command("coupon", short_help="Make a test piece for a process, with its recording sheet.")
@click.argument("kind", required=False, type=click.Choice(KINDS), metavar="[KIND]")
@process_options
@piece_options
@click.option(
    "--seed",
    type=click.IntRange(min=0, max=2**63 - 1),
    help="Shuffles the places of the cells; a new one if not given. It is kept in coupon.json.",
)
@printer_option
@ledger_option
@supports_as_option
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write; KIND and the code if not given."
)
@json_option
@click.pass_obj
@collected(ChosenProcess, "chosen")
@collected(WantedPiece, "wanted")
def coupon_command(
    session: Session,
    wanted: WantedPiece,
    chosen: ChosenProcess,
    supports_as: SupportsAs,
    out: Path | None,
    as_json: bool,
) -> None:
    """Make the test piece KIND (overhang-fan, bridge-ladder, gap-interface, weave-comb or confirmation)
    and write it to a folder: coupon.json, print.3mf, piece.stl, supports.stl, readings.csv, sheet.html and
    sheet.pdf. Without KIND list the five, with what each would take.

    Its ranges follow from what the ledger has taught of printer and material, or from common practice. Its
    supports are made as for real parts, its cells lie in random order. Print it, read it off with the sheet,
    and record what you saw.
    """
    session.as_json = as_json
    kind = wanted.kind
    if kind is None and out is not None:
        raise click.UsageError("--out needs a KIND: without one nothing is written")
    process = on_printer(chosen.plain(), chosen.printer, chosen.ledger())
    if out is not None:
        from falsework.files.coupon import check_place

        check_place(out)  # before the work, not after it

    from falsework.cli.compiling import announced

    with announced(), session.progress() as watch:
        make = partial(designed, process=process, belief=chosen.belief(process), limits=wanted.limits())
        if kind is None:
            pieces = [
                make(one, seed=0, watch=watch.part(k / len(KINDS), (k + 1) / len(KINDS)))
                for k, one in enumerate(KINDS)
            ]
        else:
            from secrets import randbelow

            seed = randbelow(_MOST_SEED + 1) if wanted.seed is None else wanted.seed
            piece = make(kind, seed=seed, watch=watch.part(0.0, 0.7))
            folder = out or Path(f"{kind}-{piece.code}")
            written(piece, folder, supports_as, watch.part(0.7, 1.0))
            session.written = folder
    from falsework.cli import say

    if kind is None:
        if as_json:
            click.echo(json.dumps({"pieces": [_figures(one) for one in pieces]}, indent=1))
        else:
            say.coupons(pieces)
        return
    if as_json:
        click.echo(piece.to_json(), nl=False)
        return
    say.coupon(piece)
    say.say(f"Written to {folder}; print {folder / 'sheet.pdf'} and take it to the printer")
    say.letters_lacking(piece.process)


def designed(
    kind: str, process: Process, belief: Belief, seed: int, limits: PieceLimits, watch: Watch
) -> Coupon:
    """The test piece of that kind within the limits."""
    from falsework.coupon import CouponKind, design_coupon

    return design_coupon(
        CouponKind(kind),
        process,
        belief,
        seed=seed,
        limits=limits,
        watch=watch,
    )


def written(piece: Coupon, folder: Path, supports_as: SupportsAs, watch: Watch) -> tuple[Path, ...]:
    """The piece and its recording sheet as files."""
    from falsework.files.coupon import write_coupon
    from falsework.report.coupon import sheet_files

    watch.at("drawing the recording sheet", 0.0)
    extra = sheet_files(piece)
    return write_coupon(piece, folder, supports_as=supports_as, extra=extra, watch=watch.part(0.5, 1.0))


def _figures(piece: Coupon) -> dict[str, Any]:
    return {
        "kind": piece.kind.value,
        "cells": len(piece.cells),
        "left_out": len(piece.left_out),
        "batches": len(piece.batches),
        "minutes": piece.minutes,
        "grams": piece.grams,
    }

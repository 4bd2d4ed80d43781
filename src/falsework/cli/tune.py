"""``falsework tune``: fit the ledger's readings, say what to set and why, and what to test next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.asked import collected
from falsework.cli.belief import ChosenProcess, ledger_option, on_printer, printer_option
from falsework.cli.options import Day, json_option, piece_options, process_options
from falsework.cli.session import Session

if TYPE_CHECKING:
    import datetime

    from falsework.coupon.value import Coupon
    from falsework.ledger import Ledger
    from falsework.tuning.results import Tuned
    from falsework.watch import Watch

PROCESS, PAGE, TUNING = "process.toml", "tuning.html", "tuning.json"


@click.command("tune", short_help="Fit the readings: what to set, how sure that is, what to test next.")
@process_options
@printer_option
@ledger_option
@piece_options
@click.option(
    "--since",
    type=Day(),
    help="Only what was printed from that day on counts; the fit is then not kept for other commands.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help=f"Folder to write: {PROCESS} for 'falsework plan', {PAGE}, {TUNING}, and the next test piece in a "
    "folder of its own.",
)
@json_option
@click.pass_obj
@collected(ChosenProcess, "chosen")
def tune_command(
    session: Session,
    chosen: ChosenProcess,
    minutes: float,
    grams: float,
    since: datetime.date | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Fit everything in the ledger and recommend the settings of the process: limit angle, longest clean
    bridge, air gap, interface layers, spacing and weave, each with an interval, its evidence and the
    probability of being right; then the test piece that is worth printing next, or that none is.

    The fit is stored in the ledger, where plan, inspect and release find it. Without readings it is common
    practice that is recommended, and said so.
    """
    session.as_json = as_json
    process = chosen.plain()
    if out is not None:
        from falsework.files.atomic import check_folder

        check_folder(out, mark=TUNING)
    from falsework.cli.compiling import announced

    with announced(), session.progress() as watch:
        ledger = chosen.ledger()
        process = on_printer(process, chosen.printer, ledger)
        from falsework.tuning.of_ledger import fit_ledger
        from falsework.tuning.results import tune

        fitted = fit_ledger(ledger, process, since=since, watch=watch.part(0.0, 0.3))
        found = tune(
            fitted,
            process,
            most_minutes=minutes,
            most_grams=grams,
            watch=watch.part(0.3, 0.9),
        )
        if out is not None:
            write(found, out, watch.part(0.9, 1.0))
            session.written = out
    if as_json:
        click.echo(found.to_json(), nl=False)
        return
    from falsework.cli import say_tuning

    say_tuning.tuned(found)
    if ledger is not None:
        _say_newcomers(ledger, found)
    if out is not None:
        from falsework.cli.say import letters_lacking, say

        say(f"Written to {out}: {PROCESS}, {PAGE}, {TUNING}")
        if (piece := next_piece(found)) is not None:
            say(f"The piece to print: {out / piece_folder(piece)}")
            letters_lacking(piece.process)
        say(f"To plan with it: falsework plan PART --process {out / PROCESS}")


def write(found: Tuned, out: Path, watch: Watch) -> None:
    """Process file, page, document and the next test piece, all or nothing.

    The piece gets a folder of its own, named after its code. Pieces proposed earlier stay, and the same piece
    is not written again: it may have been printed and read off.
    """
    from falsework.files.atomic import atomic_folder

    piece = next_piece(found)
    there = piece is not None and (out / piece_folder(piece)).exists()
    with atomic_folder(out, mark=TUNING, own=(PROCESS, PAGE, TUNING)) as aside:
        write_into(found, aside, watch, piece=None if there else piece)


def next_piece(found: Tuned) -> Coupon | None:
    """The test piece to print next, if it is worth printing one."""
    first = found.next.proposals[0] if found.next.proposals and not found.next.stop else None
    return None if first is None else first.piece


def piece_folder(piece: Coupon) -> str:
    """Name of the folder of a test piece."""
    return f"{piece.kind.value}-{piece.code}"


def write_into(found: Tuned, folder: Path, watch: Watch, *, piece: Coupon | None) -> None:
    """The same files into a folder that is there, and ``piece`` into one beneath it."""
    from falsework.report.tuning import tuning_html
    from falsework.tuning.process_file import process_file

    texts = {
        PROCESS: process_file(found.recommendation, found.fitted.recorded),
        PAGE: tuning_html(found),
        TUNING: found.to_json(),
    }
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode("utf-8", "replace"))
    if piece is not None:
        from falsework.files.coupon import write_coupon
        from falsework.report.coupon import sheet_files

        write_coupon(piece, folder / piece_folder(piece), extra=sheet_files(piece), watch=watch)


def _say_newcomers(ledger: Ledger, found: Tuned) -> None:
    """Where nothing was read of this pair, say which pairs there are readings of."""
    from falsework.cli.say import say

    if found.recommendation.readings:
        return
    pairs = dict.fromkeys((r.reading.material, r.reading.printer) for r in found.fitted.recorded)
    if pairs:
        some = "; ".join(f"{material} on {printer}" for material, printer in pairs)
        say(f"The ledger holds readings of {some}: choose by --printer NAME and --set material.name=NAME.")

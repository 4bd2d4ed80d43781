"""``falsework record``: what became of test pieces and of everyday prints, into the ledger."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from falsework.cli.ledger_file import place_option
from falsework.cli.options import Day, json_option
from falsework.cli.recording import PIECE, Where, record_piece, record_print, record_table
from falsework.cli.session import Session

F = TypeVar("F", bound=Callable[..., Any])


def print_options(command: F) -> F:
    """What holds for a whole print."""
    for option in (
        json_option,
        place_option,
        click.option("--invented", is_flag=True, help="Made up for a demonstration, never measured."),
        click.option("--again", is_flag=True, help="It was printed once more: a print of its own."),
        click.option("--day", type=Day(), help="Day of the reading, such as 2031-05-04; today if not given."),
        click.option("--alike", is_flag=True, help="A material that is new prints as the planned one does."),
        click.option("--by", default="", metavar="NAME", help="Who judges it; two people differ."),
        click.option("--spool", metavar="LABEL", help="Label of the spool; a new one becomes known."),
        click.option("--material", metavar="NAME", help="The material's name in the ledger."),
        click.option("--printer", metavar="NAME", help="The printer's name in the ledger."),
    ):
        command = option(command)
    return command


def outcome_options(command: F) -> F:
    """One reading by options instead of questions."""
    for option in (
        click.option("--note", default="", help="A note."),
        click.option("--minutes", type=float, help="Minutes of clean-up."),
        click.option("--thickness", type=float, help="Between the jaws, mm; the sag follows from it."),
        click.option("--droop", type=float, help="How far it sagged, mm."),
        click.option("--finish", type=int, help="The underside, 1 (loops) to 5 (as a wall)."),
        click.option("--let-go", help="fused, scraped, tool, hand, touch or fell."),
        click.option("--cell", metavar="LABEL", help="Record this one without asking, by the options below."),
    ):
        command = option(command)
    return command


@click.group(
    "record", invoke_without_command=True, short_help="Record what became of a test piece or a print."
)
@click.option(
    "--csv",
    "table",
    type=click.Path(path_type=Path),
    help=f"Record a table that is filled in, all rows or none; {PIECE} of its piece lies beside it.",
)
@click.option("--dry-run", is_flag=True, help="With --csv: only say what would be recorded.")
@print_options
@click.pass_context
def record_command(
    context: click.Context,
    table: Path | None,
    dry_run: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Record what became of a test piece or an everyday print.

    Without a command it asks for the piece or the plan, then for each cell or underside in turn, and records
    each as soon as it is answered. The usual ledger lies where FALSEWORK_LEDGER says, else in your data
    folder.
    """
    if context.invoked_subcommand is not None:
        if table is not None or dry_run:
            raise click.UsageError("--csv and --dry-run stand alone: leave out the command after them.")
        return
    session: Session = context.obj
    session.as_json = as_json
    where = _where(options)
    if table is not None:
        record_table(session, table, where, dry_run)
        return
    if dry_run:
        raise click.UsageError("--dry-run needs --csv.")
    from falsework.cli.asking import Back, Quit, Skip, answer

    try:
        given = answer("Test piece (its code or folder), or the folder of a plan")
    except (Back, Skip, Quit):
        given = ""
    if not given:
        raise click.Abort
    if (Path(given) / "plan.json").is_file():
        record_print(session, Path(given), where, None, {})
    else:
        record_piece(session, given, where, None, {})


@record_command.command("piece", short_help="A test piece, cell by cell.")
@click.argument("piece", metavar="CODE|FOLDER")
@outcome_options
@print_options
@click.pass_obj
def piece_command(session: Session, piece: str, as_json: bool, **options: Any) -> None:
    """Record a test piece: by the code that stands on it, or by the folder that 'falsework coupon' wrote.

    Cells that are recorded already are passed over; give --again if the piece was printed once more.
    """
    session.as_json = as_json
    where = _where(options)
    record_piece(session, piece, where, options.pop("cell"), options)


@record_command.command("print", short_help="An everyday print, by the folder of its plan.")
@click.argument("folder", type=click.Path(path_type=Path))
@outcome_options
@print_options
@click.pass_obj
def print_command(session: Session, folder: Path, as_json: bool, **options: Any) -> None:
    """Record what became of a print of the plan in FOLDER: its pieces of support and its undersides.

    --cell takes 'underside 3' or 'piece 1', as the questions call them.
    """
    session.as_json = as_json
    where = _where(options)
    record_print(session, folder, where, options.pop("cell"), options)


def _where(options: dict[str, Any]) -> Where:
    names = ("printer", "material", "spool", "day", "again", "invented", "by", "alike")
    return Where(*(options.pop(name) for name in names))

"""``falsework plan``: one part in, one folder out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.asked import BEST, AskedOptions, collected
from falsework.cli.belief import ledger_option
from falsework.cli.options import (
    STANDINGS,
    KeyValue,
    StartOf,
    cores_option,
    json_option,
    marks_options,
    part_options,
    spare_option,
    supports_as_option,
    turn_option,
    weigh_option,
)
from falsework.cli.session import Session
from falsework.wording.heading import UNTITLED, Heading

if TYPE_CHECKING:
    from falsework.files.threemf import SupportsAs
    from falsework.planning.value import Plan
    from falsework.watch import Watch


@click.command("plan", short_help="Plan the supports of a part and write the files.")
@part_options
@ledger_option
@turn_option
@click.option(
    "--lie",
    type=click.Choice(("as-is", "auto")),
    default="as-is",
    show_default=True,
    help="The position on the bed: as it came, or auto, which searches for the best and turns the part (see "
    "'falsework lie').",
)
@marks_options
@spare_option
@click.option(
    "--standing",
    type=StartOf((*STANDINGS, "auto")),
    default="auto",
    show_default=True,
    help="Where supports start: leave all without, from the bed, or from bed and part; auto chooses for each "
    "underside.",
)
@click.option(
    "--overrule",
    "overrules",
    multiple=True,
    type=KeyValue("NUMBER=START"),
    help="Decide one underside yourself, such as 3=bed. Repeatable.",
)
@weigh_option
@supports_as_option
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write; PART's name and '-plan' if not given."
)
@click.option("--title", default="", help="What the work order is called; the part's name if not given.")
@click.option("--note", default="", help="A note to the operator, on report, sheet and in the 3MF file.")
@click.option("--no-report", is_flag=True, help="Write no report.html.")
@cores_option
@json_option
@click.pass_obj
@collected(AskedOptions, "asked")
@collected(Heading, "heading")
def plan_command(
    session: Session,
    asked: AskedOptions,
    heading: Heading,
    supports_as: SupportsAs,
    out: Path | None,
    no_report: bool,
    as_json: bool,
) -> None:
    """Plan the supports of PART (STL, 3MF, OBJ, PLY, OFF, glTF or STEP) and write them to a folder:
    plan.json, print.3mf, part.stl, supports.stl, settings.md and report.html.

    Faces that supports must not touch, in a file beside the part (cowl.stl: cowl.lie.toml), count where
    --spare is not given.
    An earlier plan in the folder is replaced. Nothing is half-written if the work is stopped.
    """
    session.as_json = as_json
    _check_lie(asked)
    from falsework.files.atomic import check_folder

    folder = out or Path(f"{Path(asked.part).stem}-plan")
    asked.check()  # before the work, not after it
    check_folder(folder)

    from falsework.cli.compiling import announced

    with announced(), session.progress(asked.too_large) as watch:
        best = asked.lie == BEST
        request = asked.read(asked.request(searches=best), watch.part(0.0, 0.1), turnable=best)

        from falsework.files.folder import write_plan
        from falsework.memory import given_back
        from falsework.planning import plan_for
        from falsework.request.store import Store

        context = asked.context(watch.part(0.1, 0.8))
        if not best:  # one plan is made: what it came from is given back as soon as it was used
            context = replace(context, store=Store(0))
        result = plan_for(request, context)
        given_back()
        extra = {} if no_report else report_file(result, watch.part(0.8, 0.95), heading=heading)
        given_back()
        written = write_plan(
            result,
            folder,
            supports_as=supports_as,
            extra=extra,
            heading=heading,
            watch=watch.part(0.95, 1.0),
        )
        session.written = folder
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from falsework.cli import say

    say.plan(result)
    say.say()
    say.say(f"Written to {folder}: {', '.join(path.name for path in written)}")
    if not result.pieces:
        say.say("There is no supports.stl: nothing is supported.")


def _check_lie(asked: AskedOptions) -> None:
    """Options that contradict each other are wrong usage."""
    source = click.get_current_context().get_parameter_source("turn_deg")
    if asked.lie == BEST:
        if source is not None and source.name == "COMMANDLINE":
            raise click.UsageError("--lie auto finds the turn itself: leave out --turn, or --lie auto.")
    elif asked.shown or asked.load is not None:
        raise click.UsageError("--show and --load matter to the search for a position: add --lie auto.")


def report_file(result: Plan, watch: Watch, notice: str = "", heading: Heading = UNTITLED) -> dict[str, str]:
    """The report as a file beside the plan: text by name."""
    from falsework.files.folder import REPORT
    from falsework.report import report_html

    return {REPORT: report_html(result, watch, notice, heading)}

"""``falsework redraw``: what to change in a part so that it needs no support."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.asked import AskedOptions, collected
from falsework.cli.belief import ledger_option
from falsework.cli.ledger_file import document
from falsework.cli.options import (
    cores_option,
    json_option,
    marks_options,
    part_options,
    spare_option,
    turn_option,
    weigh_option,
)
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.part.part import Part
    from falsework.request.marks import MarkedFaces


@dataclass(frozen=True)
class Changing:
    """The options that say what may be changed, as given."""

    kinds: tuple[str, ...]
    undersides: tuple[int, ...]
    changes: tuple[str, ...]
    flat_mm: float
    no_split: bool


@click.command("redraw", short_help="Show what to change in a part so that it needs no support.")
@part_options
@ledger_option
@turn_option
@marks_options
@spare_option
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    metavar="KIND",
    help="Only this kind of change: corbel, 'peaked roof', ribs, 'crossed steps', membrane or 'drawn-in "
    "fins'. Repeatable.",
)
@click.option(
    "--underside",
    "undersides",
    multiple=True,
    type=click.IntRange(min=1),
    help="Only this underside, by its number in the plan. Repeatable.",
)
@click.option(
    "--change",
    "changes",
    multiple=True,
    metavar="N=KIND",
    help="What to do about underside N: a kind of change, or leave. Repeatable; the others are done as is "
    "best. A change that would narrow a bore or fill a slot or pocket is made only so.",
)
@click.option(
    "--flat",
    "flat_mm",
    type=click.FloatRange(min=0),
    default=0.0,
    show_default=True,
    metavar="MM",
    help="Width that a peaked roof keeps flat at its top, to be bridged; 0 for a peak.",
)
@click.option("--no-split", is_flag=True, help="Do not look for cuts, which takes the longest.")
@weigh_option
@click.option(
    "--faces", "list_faces", is_flag=True, help="List the faces that can be named to --spare, and stop."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Folder to write; PART's name and '-redrawn' if not given.",
)
@cores_option
@json_option
@click.pass_obj
@collected(AskedOptions, "asked")
@collected(Changing, "changing")
def redraw_command(
    session: Session,
    asked: AskedOptions,
    changing: Changing,
    list_faces: bool,
    out: Path | None,
    as_json: bool,
) -> None:
    """For each underside of PART that needs support, find the changes that make it hold, prove each by
    the layers of the changed part, and write the part with the best of them all to a folder: redrawn.3mf,
    redrawn.stl, changes.3mf (and changes.step for a STEP part), redraw.json and redraw.html.

    Another position on the bed and a cut into pieces are compared with it. Faces named to --spare stay as
    they are: by direction, by face set, or as found in the mesh ('bore 1', see --faces); on a terminal they
    are asked for. Nothing that stays is put into bores, threads, slots or pockets unless --change asks for
    it.
    """
    session.as_json = as_json
    from falsework.cli.compiling import announced

    folder = out or Path(f"{Path(asked.part).stem}-redrawn")
    asked.check()  # before the work, not after it
    if not list_faces:
        from falsework.files.atomic import check_folder

        check_folder(folder, mark="redraw.json")  # before the work, not after it
    request = asked.request(searches=True)

    from falsework.cli import say, say_redraw
    from falsework.planning.pipeline import raw_part
    from falsework.redrawing import Scope, candidates, redraw_for

    with session.progress(asked.too_large) as watch:
        raw = raw_part(request, watch)
    if list_faces:
        found = candidates(raw)
        if as_json:
            document("falsework.faces/1", faces=found)
        else:
            say_redraw.faces(found)
        return
    wish = request.wish
    if wish.spare.empty and not as_json and sys.stdin.isatty() and sys.stderr.isatty():
        wish = replace(wish, spare=_asked(raw))
    with announced(), session.progress(asked.too_large) as watch:
        scope = Scope(
            changing.kinds or None,
            changing.undersides or None,
            split=not changing.no_split,
            flat_mm=changing.flat_mm,
            change=_chosen(changing.changes),
        )
        request = replace(request, part=raw, wish=wish)
        result = redraw_for(request, asked.context(watch.part(0.0, 0.9)), scope)
        from falsework.files.redraw import PAGE, STEP_NAMES, with_step, write_redraw
        from falsework.report.redraw import redraw_html

        step = None
        if asked.part.lower().endswith(STEP_NAMES):
            result, step = with_step(result, Path(asked.part), watch.part(0.9, 0.93))
        page = redraw_html(result, watch.part(0.93, 0.97))
        written = write_redraw(result, folder, step=step, extra={PAGE: page}, watch=watch.part(0.97, 1.0))
        session.written = folder
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    say_redraw.redraw(result)
    say.say()
    say.say(f"Written to {folder}: {', '.join(path.name for path in written)}")


def _chosen(changes: tuple[str, ...]) -> dict[int, str]:
    """Kinds of change by underside, from 'N=KIND'."""
    chosen = {}
    for one in changes:
        number, equals, kind = one.partition("=")
        if not (equals and number.strip().isdecimal() and kind.strip()):
            raise click.BadParameter(f"{one!r} is not N=KIND, as in 1=corbel", param_hint="--change")
        chosen[int(number)] = kind.strip().strip("'\"")
    return chosen


def _asked(raw: Part) -> MarkedFaces:
    """The faces that the person at the terminal says must stay as they are."""
    from falsework.cli import asking, say_redraw
    from falsework.redrawing import candidates
    from falsework.request.marks import MarkedFaces

    found = candidates(raw)
    if not found:
        return MarkedFaces()
    say_redraw.faces(found, err=True)
    known = {one.name: one for one in found}
    while True:
        asking.say()
        line = click.prompt(
            "Which must stay as they are? Names with commas, Enter for none",
            default="",
            show_default=False,
            prompt_suffix=": ",
            err=True,
        )
        names = [name.strip() for name in line.split(",") if name.strip()]
        unknown = [name for name in names if name not in known]
        if not unknown:
            return MarkedFaces(face_sets=tuple(names))
        asking.say(f"There is no {unknown[0]!r} in the list.")

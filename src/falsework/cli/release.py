"""``falsework release``: how the supports of a plan come off, for the person at the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.belief import chosen_belief, ledger_option
from falsework.cli.options import json_option
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.need.underside import Underside
    from falsework.planning.value import Plan
    from falsework.release.value import Remedy
    from falsework.request import Context


@click.command("release", short_help="Show how the supports of a plan come off, piece by piece.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Write the strip, pictures and what to change as one page into this HTML file.",
)
@ledger_option
@json_option
@click.pass_obj
def release_command(
    session: Session, folder: Path, out: Path | None, ledger_name: str | None, as_json: bool
) -> None:
    """Show in which order the supports of the plan in FOLDER come off, how, and what to take care of.

    It is read from plan.json, where the planning judged it. Where a piece fails to come off, changes are
    tried by building the supports anew from part.stl, which takes a while; --json leaves them out.
    """
    session.as_json = as_json
    from falsework.errors import PartError
    from falsework.files.atomic import PAGE_MARK, atomic_file, check_replaceable
    from falsework.files.folder import PLAN

    if out is not None:
        check_replaceable(out, PAGE_MARK, "page")  # before the work, not after it
    path = folder / PLAN
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        cure = "Give the folder that 'falsework plan' wrote"
        raise PartError(str(folder), f"holds no {PLAN} that can be read", cure) from None

    from falsework.cli.compiling import announced
    from falsework.planning.value import Plan, release_json

    plan = Plan.from_json(text, str(path))
    release = plan.release
    if release is None:
        raise PartError(str(path), "does not say how the supports come off", "Make the plan again")
    found: tuple[Remedy, ...] = ()
    untried = ""
    if (release.failing and not as_json) or out is not None:
        with announced(), session.progress() as watch:
            from falsework.request import Context

            belief = chosen_belief(plan.process, ledger_name)
            try:
                again = planned_again(plan, folder, Context(belief, watch=watch.part(0.0, 0.2)))
            except PartError as error:
                if out is not None:
                    raise
                untried = f"What would help could not be tried: {error.subject} {error.wrong}."
            else:
                from falsework.planning.pipeline import remedies

                found = remedies(again, Context(belief, watch=watch.part(0.2, 0.9)))
            if out is not None and again.pieces:
                from falsework.report import release_html

                page = release_html(again, found)
                with atomic_file(out) as aside:
                    aside.write_text(page, "utf-8")
                session.written = out
    if as_json:
        click.echo(release_json(release), nl=False)
        return
    from falsework.cli import say

    say.release(release)
    if untried:
        say.say()
        say.say(untried)
    elif release.failing:
        say.remedies(found)
    if session.written is not None:
        say.say(f"Written to {session.written}")
    elif out is not None:
        say.say("Nothing is supported: there is no page to write.")


def planned_again(plan: Plan, folder: Path, context: Context) -> Plan:
    """The plan with its geometry, which plan.json does not keep: made anew from part.stl with the same
    process, the standings chosen then and the same faces spared."""
    from falsework.errors import PartError
    from falsework.files.folder import PART, PLAN
    from falsework.part import read_part
    from falsework.planning import inspect_for, plan_for
    from falsework.request import NO_FACES, MarkedFaces, Placing, Request, Wish

    spared = None if plan.sparing is None else ("spared", plan.sparing.marked(plan.part.triangles))
    part = read_part(folder / PART, unit="mm", face_set=spared)
    request = Request(part, Placing(), Wish(plan.process, standing="leave"))
    seen = inspect_for(request, context.part(0.0, 0.4))
    now = _numbered_now(plan.undersides, seen.undersides)
    wish = replace(
        request.wish,
        overrules={now[choice.underside]: choice.chosen for choice in plan.choices},
        spare=NO_FACES if spared is None else MarkedFaces(face_sets=("spared",)),
    )
    again = plan_for(replace(request, wish=wish), context.part(0.4, 1.0))
    if len(again.pieces) != len(plan.pieces):
        raise PartError(
            str(folder / PART),
            f"rounded as STL is, gives {len(again.pieces)} pieces of support, not the {len(plan.pieces)} of "
            f"{PLAN}",
            "The plan's own report shows how its supports come off",
        )
    return replace(again, part=replace(again.part, name=plan.part.name))


def _numbered_now(then: Sequence[Underside], now: Sequence[Underside]) -> dict[int, int]:
    """Numbers that undersides had, to those they have now: a rounding may swap two that are nearly alike."""
    from scipy.spatial import cKDTree

    same = {underside.number: underside.number for underside in then}
    if not (then and now):
        return same
    nearest = cKDTree([u.center_mm for u in now]).query([u.center_mm for u in then])[1].tolist()
    if len(set(nearest)) < len(then):
        return same
    return {u.number: now[k].number for u, k in zip(then, nearest, strict=True)}

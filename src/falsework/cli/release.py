"""``falsework release``: how the supports of a plan come off, for the person at the table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.options import json_option
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.planning.value import Plan
    from falsework.release.value import Remedy
    from falsework.watch import Watch


@click.command("release", short_help="Show how the supports of a plan come off, piece by piece.")
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
@click.pass_obj
def release_command(session: Session, folder: Path, as_json: bool) -> None:
    """Show in which order the supports of the plan in FOLDER come off, how, and what to mind.

    It is read from plan.json, where the planning judged it. Where a piece fails to come off, changes are
    tried by building the supports anew from part.stl, which takes a while; --json leaves them out.
    """
    session.as_json = as_json
    from falsework.errors import PartError
    from falsework.files.folder import PLAN

    path = folder / PLAN
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        cure = "Give the folder that 'falsework plan' wrote"
        raise PartError(str(folder), f"holds no {PLAN} that can be read", cure) from None

    from falsework.cli.compiling import announced, choose_cache

    choose_cache()
    from falsework.planning.value import Plan, release_json

    plan = Plan.from_json(text, str(path))
    release = plan.release
    if release is None:
        raise PartError(str(path), "does not say how the supports come off", "Make the plan again")
    if as_json:
        click.echo(release_json(release), nl=False)
        return
    from falsework.cli import say

    say.release(release)
    if release.failing:
        with announced(), session.progress() as watch:
            found = remedies(plan, folder, watch)
        say.remedies(found)


def remedies(plan: Plan, folder: Path, watch: Watch) -> tuple[Remedy, ...]:
    """What to change, best first. The geometry is not kept in plan.json: it is planned again from part.stl
    with the same process and the standings chosen then."""
    from falsework.errors import PartError
    from falsework.files.folder import PART
    from falsework.planning.pipeline import plan as plan_again
    from falsework.release import what_to_change

    again = plan_again(
        folder / PART,
        plan.process,
        standing="none",
        overrules={choice.underside: choice.chosen for choice in plan.choices},
        unit="mm",
        watch=watch.part(0.0, 0.2),
    )
    if again.release is None or again.geometry is None or len(again.pieces) != len(plan.pieces):
        raise PartError(str(folder / PART), "does not give the supports of plan.json", "Make the plan again")
    at_hand = again.geometry
    return what_to_change(
        at_hand.part,
        at_hand.stack,
        at_hand.need,
        at_hand.scheme,
        [choice.chosen for choice in again.choices],
        again.process,
        again.release,
        watch=watch.part(0.2, 1.0),
    )

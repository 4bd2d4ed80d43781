"""``falsework release``: how the supports of a plan come off, for the person at the table."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from falsework.cli.belief import chosen_belief, ledger_option
from falsework.cli.options import json_option
from falsework.cli.session import Session

if TYPE_CHECKING:
    from falsework.droop.belief import Belief
    from falsework.planning.value import Plan
    from falsework.release.value import Remedy
    from falsework.watch import Watch


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
    """Show in which order the supports of the plan in FOLDER come off, how, and what to mind.

    It is read from plan.json, where the planning judged it. Where a piece fails to come off, changes are
    tried by building the supports anew from part.stl, which takes a while; --json leaves them out.
    """
    session.as_json = as_json
    from falsework.errors import PartError
    from falsework.files.atomic import atomic_file, check_file
    from falsework.files.folder import PLAN

    if out is not None:
        check_file(out)  # before the work, not after it
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
    found: tuple[Remedy, ...] = ()
    untried = ""
    if (release.failing and not as_json) or out is not None:
        with announced(), session.progress() as watch:
            belief = chosen_belief(plan.process, ledger_name)
            try:
                again = planned_again(plan, folder, watch.part(0.0, 0.2), belief)
            except PartError as error:
                if out is not None:
                    raise
                untried = f"What would help could not be tried: {error.subject} {error.wrong}."
            else:
                found = remedies(again, watch.part(0.2, 0.9), belief)
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


def planned_again(plan: Plan, folder: Path, watch: Watch, belief: Belief | None = None) -> Plan:
    """The plan with its geometry, which plan.json does not keep: made anew from part.stl with the same
    process and the standings chosen then; ``belief`` None: the prior."""
    from falsework.droop import PRIOR
    from falsework.errors import PartError
    from falsework.files.folder import PART, PLAN
    from falsework.planning.pipeline import plan as plan_again

    again = plan_again(
        folder / PART,
        plan.process,
        standing="none",
        overrules={choice.underside: choice.chosen for choice in plan.choices},
        unit="mm",
        belief=belief or PRIOR,
        watch=watch,
    )
    if len(again.pieces) != len(plan.pieces):
        raise PartError(
            str(folder / PART),
            f"rounded as STL is, gives {len(again.pieces)} pieces of support, not the {len(plan.pieces)} of "
            f"{PLAN}",
            "The plan's own report shows how its supports come off",
        )
    return replace(again, part=replace(again.part, name=plan.part.name))


def remedies(plan: Plan, watch: Watch, belief: Belief) -> tuple[Remedy, ...]:
    """What to change so that all of a plan's supports come off, best first; none where all do."""
    from falsework.release import what_to_change

    assert plan.geometry is not None and plan.release is not None
    at_hand = plan.geometry
    return what_to_change(
        at_hand.part,
        at_hand.stack,
        at_hand.need,
        at_hand.scheme,
        [choice.chosen for choice in plan.choices],
        plan.process,
        plan.release,
        belief=belief,
        watch=watch,
    )

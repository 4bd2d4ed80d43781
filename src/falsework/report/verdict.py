"""What to do with a plan, in plain sentences."""

from __future__ import annotations

from falsework.need.underside import Underside
from falsework.planning.readiness import readiness
from falsework.planning.value import Plan
from falsework.process.forces import LEAST_TOPPLE_SAFETY
from falsework.request.standing import Standing
from falsework.wording.figures import (
    area,
    counted,
    duration,
    interval,
    length,
    listed,
    mass,
    number,
    numbered,
    sentence,
    size,
    with_unit,
)
from falsework.wording.notices import IslandLeft
from falsework.wording.terms import DECISION


def verdict(plan: Plan) -> list[str]:
    """What to do, in plain sentences."""
    turned = any(abs(t) > 1e-9 for t in plan.part.turn_deg)
    lies = "turned as planned" if turned else "as it came"
    if plan.lies is not None:
        lies = "turned into the best position" if turned else "as it came, which is the best position"
    said = [*_not_ready(plan), f"Print it {lies}: {size(plan.part.size_mm)}."]
    total = len(plan.undersides)
    if total == 0:
        said.append("Nothing is printed over air: it needs no support.")
        return said
    said.append(f"{counted(total, 'underside is', 'undersides are')} printed over air.")
    chosen = {c.underside: c.chosen for c in plan.choices}
    carried = [u for u in plan.undersides if chosen.get(u.number, Standing.LEAVE) is not Standing.LEAVE]
    left = [u for u in plan.undersides if u not in carried]
    if not carried:
        said.append("Build no support.")
    else:
        by_standing = [
            (DECISION[s].removeprefix("support "), [u.number for u in carried if chosen[u.number] is s])
            for s in (Standing.BED, Standing.BED_OR_PART)
        ]
        ways = [f"{numbered('number', n)} {words}" for words, n in by_standing if n]
        leave = f"; leave the other {len(left)} as they are" if len(left) > 1 else ""
        if len(left) == 1:
            leave = f"; leave number {left[0].number} as it is"
        said.append(f"Support {listed(ways)}{leave}.")
    if left:
        worst = max(left, key=lambda u: u.droop_mm.value)
        if worst.falls_mm is None:
            middle = worst.droop_mm.value
            most = "less than 0.01\u00a0mm" if middle < 0.005 else f"at most {with_unit(middle, 'mm')}"
            said.append(
                f"What is left is expected to sag by {most} "
                f"(number {worst.number}; 90\u00a0% interval {interval(worst.droop_mm, 'mm')})."
            )
    if plan.pieces:
        extra, own = plan.support_cost, plan.part_cost
        said.append(
            f"The support is {counted(len(plan.pieces), 'piece')}: {mass(extra.mass_g)} of filament and "
            f"{duration(extra.time_s)} on top of the part's {mass(own.mass_g)} and {duration(own.time_s)}."
        )
    return said


def _not_ready(plan: Plan) -> list[str]:
    """Why it must not be printed as it is, with what would help; nothing where it may."""
    found = readiness(plan)
    if found.ready:
        return []
    reasons = []
    for reason in found.reasons:
        ways = "; or ".join(one.text for one in reason.remedies)
        helps = f" What would help: {sentence(ways)}" if ways else ""
        reasons.append(
            sentence(reason.notice.text) + ("" if isinstance(reason.notice, IslandLeft) else helps)
        )
    return [sentence(found.headline), *reasons]


def stands(plan: Plan) -> str:
    """How the part itself stands while it is printed, in one sentence; '' where it was not looked at."""
    stance = plan.stance
    if stance is None:
        return ""
    held = f", held by {numbered('piece', stance.held_by)} of the support" if stance.held_by else ""
    at = with_unit(stance.height_mm, "mm", 1)
    return (
        f"The part stands on {area(stance.printable_mm2)} in {counted(stance.bits, 'bit')} of first layer "
        f"with a safety of {factor(stance.safety)}, least when the layer at {at} is laid{held}; "
        f"{LEAST_TOPPLE_SAFETY:g} or more is asked for."
    )


def left_alone(u: Underside) -> tuple[str, str]:
    """What an underside does when it is left alone, and its interval: it droops, or it falls."""
    if u.falls_mm is not None:
        return f"falls {length(u.falls_mm)}", "it starts in mid-air"
    return with_unit(u.droop_mm.value, "mm"), interval(u.droop_mm, "mm")


def factor(safety: float) -> str:
    """A safety factor; far beyond any need its exact size says nothing."""
    return "over 100" if not safety < 100 else number(safety, 1)

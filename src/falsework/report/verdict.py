"""What to do with a plan, in plain sentences."""

from __future__ import annotations

from falsework.need.underside import Kind
from falsework.planning.value import Plan
from falsework.request.standing import Standing
from falsework.wording.figures import counted, duration, interval, listed, mass, numbered, size, with_unit
from falsework.wording.terms import DECISION


def verdict(plan: Plan) -> list[str]:
    """What to do, in plain sentences."""
    turned = any(abs(t) > 1e-9 for t in plan.part.turn_deg)
    lies = "turned as planned" if turned else "as it lies"
    if plan.lies is not None:
        lies = "turned as is best" if turned else "as it lies, which is best"
    said = [f"Print it {lies}: {size(plan.part.size_mm)}."]
    total = len(plan.undersides)
    if total == 0:
        said.append("Nothing is printed over air: it needs no support.")
        return said
    said.append(f"{counted(total, 'underside is', 'undersides are')} printed over air.")
    chosen = {c.underside: c.chosen for c in plan.choices}
    carried = [u for u in plan.undersides if chosen.get(u.number, Standing.NONE) is not Standing.NONE]
    left = [u for u in plan.undersides if u not in carried]
    if not carried:
        said.append("Build no support.")
    else:
        by_standing = [
            (DECISION[s].removeprefix("support "), [u.number for u in carried if chosen[u.number] is s])
            for s in (Standing.BED, Standing.ANYWHERE)
        ]
        ways = [f"{numbered('number', n)} {words}" for words, n in by_standing if n]
        leave = f"; leave the other {len(left)} as they are" if len(left) > 1 else ""
        if len(left) == 1:
            leave = f"; leave number {left[0].number} as it is"
        said.append(f"Support {listed(ways)}{leave}.")
    if left:
        worst = max(left, key=lambda u: u.droop_mm.value)
        if worst.kind is Kind.ISLAND:
            said.append(f"Mind number {worst.number}: it starts in mid-air with nothing beneath it.")
        else:
            middle = worst.droop_mm.value
            most = "less than 0.01\u00a0mm" if middle < 0.005 else f"at most {with_unit(middle, 'mm')}"
            said.append(
                f"What is left is expected to droop by {most} "
                f"(number {worst.number}; 90\u00a0% interval {interval(worst.droop_mm, 'mm')})."
            )
    if plan.pieces:
        extra, own = plan.support_cost, plan.part_cost
        said.append(
            f"The support is {counted(len(plan.pieces), 'piece')}: {mass(extra.mass_g)} of filament and "
            f"{duration(extra.time_s)} on top of the part's {mass(own.mass_g)} and {duration(own.time_s)}."
        )
    weak = [p.number for p in plan.pieces if p.weak]
    if weak:
        named = numbered("piece", weak)
        said.append(f"Of the support {named} may fall or buckle: see how it is built before printing.")
    return said

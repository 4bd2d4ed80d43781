"""Figures as text: every number with its unit, every prediction with its interval."""

from __future__ import annotations

import math

from falsework.droop.estimate import Estimate
from falsework.need.underside import Kind
from falsework.planning.value import Plan
from falsework.support.scheme import Standing

PRICE_UNIT = "¤"  # the sign for 'some currency': that of the process file

KIND_WORDS = {
    Kind.HOLDS: "holds",
    Kind.BRIDGE: "bridge",
    Kind.CANTILEVER: "cantilever",
    Kind.ISLAND: "island",
}
KIND_MEANING = {
    Kind.HOLDS: "past the reach, but by so little that it prints",
    Kind.BRIDGE: "anchored on two sides",
    Kind.CANTILEVER: "anchored on one side",
    Kind.ISLAND: "starts in mid-air",
}
DECISION = {
    Standing.NONE: "leave it",
    Standing.BED: "support from the bed",
    Standing.ANYWHERE: "support from bed or part",
}
BASIS = {
    "uncalibrated": "nothing printed on this machine with this material stands behind it yet",
    "extrapolated": "readings from this machine, but outside the range they cover",
    "calibrated": "readings from this machine",
}


def number(value: float, digits: int | None = None) -> str:
    """A plain number with as many decimals as make sense at its size, or as asked."""
    if not math.isfinite(value):
        return "beyond the model"
    if value == 0.0:
        return "0"
    if digits is None:
        size = abs(value)
        if size < 0.005:
            return "under 0.01" if value > 0 else "0"
        digits = 2 if size < 1 else 1 if size < 100 else 0
    text = f"{value:,.{digits}f}".replace(",", "\u202f")
    return text.replace("-", "\u2212")


def with_unit(value: float, unit: str, digits: int | None = None) -> str:
    """``1.2 mm``, joined so that it does not break."""
    text = number(value, digits)
    if not math.isfinite(value):
        return text
    return f"{text}{'' if unit == '°' else chr(0xA0)}{unit}"


def interval(estimate: Estimate, unit: str) -> str:
    """``0.10 to 0.90 mm``; a lower end that rounds to nothing is 0."""
    low = "0" if abs(estimate.low) < 0.005 else number(estimate.low)
    return f"{low} to {with_unit(estimate.high, unit)}"


def duration(seconds: float) -> str:
    """``3 h 10 min``, ``14 min``, ``40 s``."""
    if seconds < 59.5:
        return with_unit(seconds, "s", 0)
    minutes = int(seconds / 60 + 0.5)
    if minutes < 60:
        return f"{minutes}\u00a0min"
    hours, rest = divmod(minutes, 60)
    return f"{hours}\u00a0h {rest}\u00a0min" if rest else f"{hours}\u00a0h"


def mass(grams: float) -> str:
    return with_unit(grams, "g")


def price(amount: float) -> str:
    return with_unit(amount, PRICE_UNIT, 2)


def counted(count: int, one: str, many: str = "") -> str:
    """``1 piece``, ``3 pieces``."""
    return f"{count}\u00a0{one if count == 1 else many or one + 's'}"


def listed(items: list[str]) -> str:
    """``a, b and c``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def numbered(numbers: list[int], most: int = 12) -> str:
    """``number 3``, ``numbers 3 and 5``, of many the first."""
    if len(numbers) == 1:
        return f"number {numbers[0]}"
    if len(numbers) > most:
        return "numbers " + ", ".join(map(str, numbers[:most])) + f" and {len(numbers) - most} more"
    return "numbers " + listed([str(n) for n in numbers])


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def verdict(plan: Plan) -> list[str]:
    """What to do, in plain sentences."""
    width, depth, height = (number(v, 1) for v in plan.part.size_mm)
    turned = any(abs(t) > 1e-9 for t in plan.part.turn_deg)
    lies = "turned as planned" if turned else "as it lies"
    if plan.lies is not None:
        lies = "turned as is best" if turned else "as it lies, which is best"
    said = [f"Print it {lies}: {width} × {depth} × {height}\u00a0mm."]
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
        ways = [f"{numbered(n)} {words}" for words, n in by_standing if n]
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
        named = numbered(weak).replace("number", "piece")
        said.append(f"Of the support {named} may fall or buckle: see how it is built before printing.")
    return said

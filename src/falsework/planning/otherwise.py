"""Another position for a part that does not stand as it lies: the cheapest of a few that are planned."""

from __future__ import annotations

from dataclasses import replace

from falsework.orientation.shortlist import shortlist
from falsework.orientation.value import Orientation, Search
from falsework.part.part import Part
from falsework.planning.pipeline import may_stand, plan_for
from falsework.planning.proof import planned, trouble
from falsework.request.context import Context
from falsework.request.store import Store
from falsework.request.value import Placing, Request, Wish
from falsework.wording.notices import LayOtherwise

DIRECTIONS = 250  # looked at, beside resting faces
TRIED, PLANNED = 6, 2  # of the most promising: asked whether they may stand at all, and planned
STEADY_DEG = 5.0  # lean on its own base that a candidate bears


def position_that_stands(part: Part, wish: Wish, context: Context, instead_of: float) -> LayOtherwise | None:
    """The cheapest of the ``PLANNED`` most promising positions in which ``part``, as it was read and scaled,
    may stand; None where it does in none of them. ``instead_of``: what it costs as it lies."""
    wish = wish.of_orientations
    few = shortlist(part, wish, context.part(0.0, 0.4), Search(DIRECTIONS))
    likely = [lie for lie in few.lies[1:] if lie.fits and lie.base_lean_deg > STEADY_DEG]
    found: list[Orientation] = []
    count = 0
    for place, lie in enumerate(likely[:TRIED]):
        at = context.part(0.4 + 0.6 * place / TRIED, 0.4 + 0.6 * (place + 1) / TRIED)
        request, at = Request(part, Placing(turn_deg=lie.turn_deg), wish), replace(at, store=Store())
        if not may_stand(request, at.part(0.0, 0.2)):
            continue
        made = planned(lie, plan_for(request, at.part(0.2, 1.0), alone=True))
        if trouble(made) == 0 and made.proof and made.proof.stands:
            found.append(made)
        count += 1
        if count == PLANNED:
            break
    if not found:
        return None
    best = min(found, key=lambda lie: lie.price.total)
    return LayOtherwise(best.turn_deg, best.price.total, instead_of)

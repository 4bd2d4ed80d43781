"""Another position for a part that does not stand as it lies: the cheapest of a few that are planned."""

from __future__ import annotations

from falsework.orientation.shortlist import shortlist
from falsework.orientation.value import Orientation, Search
from falsework.part.part import Part
from falsework.planning.proof import Job, Shared, trouble, work
from falsework.request.context import Context
from falsework.request.value import Wish
from falsework.wording.notices import LayOtherwise

DIRECTIONS = 250  # looked at, beside resting faces
PLANNED = 2  # of those that stand by columns, the most promising
STEADY_DEG = 5.0  # lean on its own base that a candidate bears


def position_that_stands(part: Part, wish: Wish, context: Context, instead_of: float) -> LayOtherwise | None:
    """The cheapest of the ``PLANNED`` most promising positions in which ``part``, as it was read and scaled,
    stands; None where it does in none of them. ``instead_of``: what it costs as it lies."""
    few = shortlist(part, wish.of_orientations, context.part(0.0, 0.4), Search(DIRECTIONS))
    likely = [lie for lie in few.lies[1:] if lie.fits and lie.base_lean_deg > STEADY_DEG]
    shared = Shared(part, wish.of_orientations, context.belief)
    found: list[Orientation] = []
    for place, lie in enumerate(likely[:PLANNED]):
        at = context.part(0.4 + 0.6 * place / PLANNED, 0.4 + 0.6 * (place + 1) / PLANNED)
        made = work(shared, Job(lie), at.watch)
        if isinstance(made, Orientation) and trouble(made) == 0 and made.proof and made.proof.stands:
            found.append(made)
    if not found:
        return None
    best = min(found, key=lambda lie: lie.price.total)
    return LayOtherwise(best.turn_deg, best.price.total, instead_of)

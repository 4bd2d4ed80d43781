"""Another position for a part that does not stand as it lies: the cheapest of a few that are planned.

What stands by itself lies on a face of its hull: these are looked at, not every side as a search would.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from falsework.cores import side_by_side
from falsework.orientation.shortlist import resting_lies
from falsework.orientation.value import Orientation
from falsework.part.part import Part
from falsework.planning.pipeline import may_stand, plan_for
from falsework.planning.proof import planned, trouble
from falsework.request.context import Context
from falsework.request.store import Store
from falsework.request.value import Placing, Request, Wish

TRIED, PLANNED = 4, 2  # of the most promising: asked whether they may stand at all, and planned
STEADY_DEG = 5.0  # lean on its own base that a candidate bears


def position_that_stands(part: Part, wish: Wish, context: Context) -> Orientation | None:
    """The cheapest of the ``PLANNED`` most promising positions in which ``part``, as it was read and scaled,
    may stand, as planned; None where it does in none of them."""
    wish = wish.of_orientations
    likely = [lie for lie in resting_lies(part, wish, context, STEADY_DEG) if lie.fits]
    asked = [
        (lie, Request(part, Placing(turn_deg=lie.turn_deg), wish), replace(context, store=Store()))
        for lie in likely[:TRIED]
    ]
    stand = side_by_side([partial(may_stand, request, at) for _, request, at in asked])

    def made(lie: Orientation, request: Request, at: Context) -> Orientation:
        return planned(lie, plan_for(request, at, alone=True))

    chosen = [one for one, may in zip(asked, stand, strict=True) if may][:PLANNED]
    plans = side_by_side([partial(made, *one) for one in chosen])
    found = [lie for lie in plans if trouble(lie) == 0 and lie.proof and lie.proof.stands]
    return min(found, key=lambda lie: lie.price.total, default=None)

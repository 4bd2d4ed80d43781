"""Another position for a part that does not stand as it lies: one that is planned.

What stands by itself lies on a face of its hull: these are looked at, not every side as a search would.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from falsework.cores import side_by_side
from falsework.orientation.shortlist import resting_lies
from falsework.orientation.value import Orientation
from falsework.part.part import Part
from falsework.planning.pipeline import plan_for, stands_alone
from falsework.planning.proof import planned, trouble
from falsework.request.context import Context
from falsework.request.store import Store
from falsework.request.value import Placing, Request, Wish

TRIED = 4  # of the most promising that are asked whether they stand; the first that does is planned
STEADY_DEG = 5.0  # lean on its own base that a candidate bears


def position_that_stands(part: Part, wish: Wish, context: Context) -> Orientation | None:
    """The position expected to cost least of those in which ``part``, as it was read and scaled, stands by
    itself, as planned; None where that leaves something bare, and where there is none."""
    wish = wish.of_orientations
    likely = resting_lies(part, wish, context, STEADY_DEG, TRIED)
    asked = [
        (lie, Request(part, Placing(turn_deg=lie.turn_deg), wish), replace(context, store=Store()))
        for lie in likely
        if lie.fits
    ]
    stand = side_by_side([partial(stands_alone, request, at) for _, request, at in asked])
    for (lie, request, at), stands in zip(asked, stand, strict=True):
        if stands:
            found = planned(lie, plan_for(request, at, alone=True, compared=False))
            return found if trouble(found) == 0 else None
    return None

"""Another position for a part that does not stand as it lies.

What stands by itself lies on a face of its hull: these are looked at, not every side as a search would, and
their layers asked whether they stand. None is planned: that would take as long again as the plan it helps.
"""

from __future__ import annotations

from dataclasses import replace

from falsework.orientation.shortlist import resting_lies
from falsework.orientation.value import Orientation
from falsework.part.part import Part
from falsework.planning.pipeline import stands_alone
from falsework.request.context import Context
from falsework.request.store import Store
from falsework.request.value import Placing, Request, Wish

TRIED = 4  # of the most promising that are asked whether they stand
STEADY_DEG = 5.0  # lean on its own base that a candidate bears


def position_that_stands(part: Part, wish: Wish, context: Context) -> Orientation | None:
    """The position expected to cost least of those in which ``part``, as it was read and scaled, stands by
    itself; None where there is none."""
    wish = wish.of_orientations
    for lie in resting_lies(part, wish, context, STEADY_DEG, TRIED):
        request = Request(part, Placing(turn_deg=lie.turn_deg), wish)
        if lie.fits and stands_alone(request, replace(context, store=Store())):
            return lie
    return None

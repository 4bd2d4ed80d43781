"""What stands beside a redraw: the part laid another way, cut into pieces, or printed as it is."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from falsework.objective import printing_price
from falsework.orientation import Search, shortlist
from falsework.orientation.body import face_normals
from falsework.part import place
from falsework.part.placing import turn_matrix
from falsework.planning import totals_for
from falsework.planning.value import Plan
from falsework.redrawing.pricing import USUAL_HANDS
from falsework.redrawing.printed import Printed, price_in_all, printed_of
from falsework.redrawing.request import RedrawRequest
from falsework.redrawing.site.value import PlannedPart
from falsework.redrawing.split.best import split
from falsework.redrawing.split.value import Splits
from falsework.redrawing.value import Combined, OtherOrientation
from falsework.redrawing.words import AS_IT_IS, SAME_SHARE, best_of, orientation_words
from falsework.request.marks import marked_faces
from falsework.request.weights import Weights
from falsework.watch import Watch

FEW_LIES = Search(directions=200)  # a tenth of a search for a lie alone, not refined: only compared
SAME_LIE_DEG = 1.0  # ways to lie that are nearer are one
LEAST_OF_COLUMNS = 0.5  # of what supports cost by columns, the least that they cost once they are designed


def other_orientation(
    asked: RedrawRequest, planned: Plan, combined: Combined | None, watch: Watch
) -> OtherOrientation | None:
    """The best other way to lay the part down, planned like the one at hand; None where there is none in
    which it stands by itself and could be the cheapest way to print it.

    A plan is made only where nothing cheaper to know stands against it: what the search expects it to cost,
    then what its supports cost by columns, before they are built.
    """
    if planned.lies is not None or not asked.scope.other_lies:
        return None  # it lies as is best, or nobody asks
    request, wish = asked.request, asked.wish
    scale = request.placing.scale
    sized = asked.part if scale == 1.0 else place(asked.part, scale=scale, bed_mm=wish.bed_mm)
    context = replace(asked.context, watch=watch.part(0.0, 0.7))
    up = turn_matrix(planned.part.turn_deg)[2]
    same = math.cos(math.radians(SAME_LIE_DEG))
    most = price_in_all(planned) / (1.0 + SAME_SHARE)
    if combined is not None:  # which takes a person's work, so that of the same price the other is taken
        most = min(most, (1.0 + SAME_SHARE) * combined.price)
    few = shortlist(sized, wish, context, FEW_LIES, refine=False, below=most).lies
    others = (lie for lie in few[1:] if lie.fits and lie.base_lean_deg > 0.0)
    others = (lie for lie in others if float(up @ np.array(lie.up)) <= same)
    best = next((lie for lie in others if lie.price.total < most), None)
    if best is None:
        return None
    laid = replace(request.turned(best.turn_deg), wish=wish.of_supports)
    columns = totals_for(laid, replace(asked.context, watch=watch.part(0.7, 0.85)))
    own = printing_price(columns.part_cost, wish.process, wish.weights).total
    least = LEAST_OF_COLUMNS * max(1.0, _over_columns(planned))
    if own + least * (price_in_all(columns) - own) >= most:
        return None
    other = asked.plan(laid, watch.part(0.85, 1.0))
    printed = printed_of(other)
    return OtherOrientation(
        best.turn_deg, orientation_words(best, printed), printed.needs_no_support, printed
    )


def _over_columns(planned: Plan) -> float:
    """What supports and all that is left came to once designed, over the least that columns had promised: a
    part whose pieces fail as it lies hardly does better in other positions."""
    own = printing_price(planned.part_cost, planned.process, planned.weights).total
    *standings, _ = planned.alternatives
    promised = min(row.price.total for row in standings) - own
    return (price_in_all(planned) - own) / promised if promised > 0.0 else 1.0


def splits_of(asked: RedrawRequest, ground: PlannedPart, watch: Watch) -> Splits | None:
    """The best cuts; None where they are not asked for."""
    if not asked.scope.split:
        return None
    normals, _ = face_normals(asked.part.vertices, asked.part.faces)
    shown = marked_faces(asked.part, normals, asked.wish.show)
    return split(ground, shown=shown, weights=asked.wish.weights, watch=watch)


def best_way(
    before: Printed,
    lie: OtherOrientation | None,
    combined: Combined | None,
    splits: Splits | None,
    weights: Weights,
) -> tuple[str, str]:
    """Which way to print the part is cheapest, and a sentence."""
    return best_of(
        {
            AS_IT_IS: before.price,
            "another position": lie.printed.price if lie else None,
            "redraw": combined.price if combined else None,
            "split": next((s.price for s in splits.options if s.fits), None) if splits else None,
        },
        USUAL_HANDS.looking_price(weights),
    )

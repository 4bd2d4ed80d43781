"""What stands beside a redraw: the part laid another way, cut into pieces, or printed as it is."""

from __future__ import annotations

import math

import numpy as np

from falsework.lie import MarkedFaces, best_lies
from falsework.lie.body import face_normals
from falsework.lie.marks import marked_faces
from falsework.part import place
from falsework.part.placing import turn_matrix
from falsework.planning.value import Plan
from falsework.redrawing.printed import Printed, printed_of
from falsework.redrawing.request import RedrawRequest
from falsework.redrawing.site.value import Ground
from falsework.redrawing.split.best import split
from falsework.redrawing.split.value import Splits
from falsework.redrawing.value import Combined, OtherLie
from falsework.redrawing.words import AS_IT_IS, best_of, lie_words
from falsework.watch import Watch

LIE_DIRECTIONS = 400  # a fifth of what a search for a lie alone looks at: here it is only compared
SAME_LIE_DEG = 1.0  # ways to lie that are nearer are one


def other_lie(asked: RedrawRequest, planned: Plan, watch: Watch) -> OtherLie | None:
    """The best other way to lay the part down, planned like the one at hand; None where there is none."""
    if planned.lies is not None or not asked.scope.other_lies:
        return None  # it lies as is best, or nobody asks
    printer = asked.process.printer
    bed_mm = (printer.build_width_mm, printer.build_depth_mm)
    sized = asked.part if asked.scale == 1.0 else place(asked.part, scale=asked.scale, bed_mm=bed_mm)
    best = best_lies(
        sized,
        asked.process,
        show=asked.show or MarkedFaces(),
        load_axis=asked.load_axis,
        spare=asked.spare,
        weights=asked.weights,
        directions=LIE_DIRECTIONS,
        layers=False,
        watch=watch.part(0.0, 0.7),
    ).recommended
    up = turn_matrix(planned.part.turn_deg)[2]
    if float(up @ np.array(best.up)) > math.cos(math.radians(SAME_LIE_DEG)) or not best.fits:
        return None
    other = asked.plan(
        asked.part, watch.part(0.7, 1.0), turn_deg=best.turn_deg, spare=asked.spare, scale=asked.scale
    )
    printed = printed_of(other)
    return OtherLie(best.turn_deg, lie_words(best, printed), printed.needs_no_support, printed)


def splits_of(asked: RedrawRequest, ground: Ground, watch: Watch) -> Splits | None:
    """The best cuts; None where they are not asked for."""
    if not asked.scope.split:
        return None
    normals, _ = face_normals(asked.part.vertices, asked.part.faces)
    shown = marked_faces(asked.part, normals, asked.show or MarkedFaces())
    return split(ground, shown=shown, weights=asked.weights, watch=watch)


def best_way(
    before: Printed, lie: OtherLie | None, combined: Combined | None, splits: Splits | None
) -> tuple[str, str]:
    """Which way to print the part is cheapest, and a sentence."""
    return best_of(
        {
            AS_IT_IS: before.price,
            "another lie": lie.printed.price if lie else None,
            "redraw": combined.after.price if combined else None,
            "split": next((s.price for s in splits.options if s.fits), None) if splits else None,
        }
    )

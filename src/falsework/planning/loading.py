"""The kernels of a plan, had in a process before there is work for it: by planning a small part."""

from __future__ import annotations

import numpy as np

from falsework.part.health import healed_part
from falsework.part.part import Part
from falsework.part.raw import joined
from falsework.planning.calls import inspect, plan, totals
from falsework.planning.value import Inspection


def load_kernels(*, planned: bool = True, release: bool = True) -> Inspection:
    """Have the kernels of inspection and totals in this process, and of a plan with its release if asked for.

    The part is one of plain arrays, so that no library starts threads, which would not live on in a process
    that is forked from this one.
    """
    part = tee()
    found = inspect(part, cores=1)
    totals(part, cores=1)
    if planned:
        plan(part, release=release, cores=1)
    return found


def tee() -> Part:
    """A post with an arm to either side, one of them over a block: a bridge, a slab on support, marks."""
    unit = np.array([[x, y, z] for z in (0.0, 1.0) for y in (0.0, 1.0) for x in (0.0, 1.0)])
    sides = ((0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5))
    faces = np.array([face for a, b, c, d in sides for face in ((a, b, c), (a, c, d))])
    boxes = (
        ((6.0, 6.0, 9.0), (0.0, 0.0, 0.0)),
        ((24.0, 6.0, 3.0), (-9.0, 0.0, 8.0)),
        ((3.0, 6.0, 2.0), (-9.0, 0.0, 0.0)),
    )
    raw = joined([("", unit * size + at, faces) for size, at in boxes])
    return healed_part("tee", raw, subject="tee")

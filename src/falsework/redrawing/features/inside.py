"""Whether points lie inside a closed mesh, and whether the way from them is free."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.layers.stack import Floats
from falsework.part.part import Part

# Rays run along the last of these: by odd angles, so that they never follow a face or an edge of a drawing.
_ODD = np.linalg.qr(np.array([[0.78, 0.31, 0.42], [-0.27, 0.91, 0.13], [-0.51, -0.19, 0.83]]))[0].T


def inside_part(part: Part, points_mm: Floats) -> NDArray[np.bool_]:
    """(n,) whether points (n, 3) lie inside: a ray from each leaves through an odd number of faces."""
    corners = (part.vertices @ _ODD.T)[part.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    found = np.zeros(len(points_mm), dtype=bool)
    for k, point in enumerate(points_mm @ _ODD.T):  # few points; of all faces few lie above one
        over = (low[:, 0] <= point[0]) & (high[:, 0] >= point[0])
        over &= (low[:, 1] <= point[1]) & (high[:, 1] >= point[1]) & (high[:, 2] >= point[2])
        found[k] = _crossed(corners[over], point) % 2 == 1
    return found


def free_along(part: Part, point_mm: Floats, frame: Floats) -> bool:
    """Whether nothing of a part lies before a point, along the last of three directions, (3, 3) columns."""
    corners = (part.vertices @ frame)[part.faces]
    return _crossed(corners, point_mm @ frame) == 0


def _crossed(corners: Floats, point: Floats) -> int:
    """How many triangles (m, 3, 3) lie above a point, along z."""
    a, b, c = (corners - point).transpose(1, 0, 2)

    def turn(p: Floats, q: Floats) -> Floats:
        twice: Floats = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
        return twice

    weights = np.column_stack([turn(b, c), turn(c, a), turn(a, b)])
    whole = weights.sum(axis=1)
    within = ((weights > 0.0).all(axis=1) | (weights < 0.0).all(axis=1)) & (whole != 0.0)
    height = (weights * corners[:, :, 2]).sum(axis=1)[within] / whole[within]
    return int((height > point[2]).sum())

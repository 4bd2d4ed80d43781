"""Whether supports can leave the part whole, before that is judged in full: lifted off, or pulled level."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.outline.rays import level_ways
from falsework.layers import planar
from falsework.layers.stack import Indices, Regions
from falsework.need.measure import Outlines

_WAYS = 16  # level directions that are tried
_POINTS = 400  # of a piece, about
_BLOCKED_SHARE = 0.02  # of a piece's points that may seem blocked


def leaving(
    polygon: Regions, layer: Indices, piece: Indices, count: int, outlines: Outlines
) -> NDArray[np.bool_]:
    """(count,) whether nothing of the part is in the way of a piece, either beneath it when the part is
    lifted or beside it when it is pulled level.

    ``polygon`` (N,) its regions in ``layer``, each of a ``piece``. Slanting ways are not looked for.
    """
    corners, owner = planar.get_coordinates(polygon, return_index=True)
    many = np.bincount(piece[owner], minlength=count)
    step = np.maximum(many // _POINTS, 1)
    order = np.argsort(piece[owner], kind="stable")
    place = np.arange(len(order)) - np.repeat(np.cumsum(many) - many, many)
    chosen = order[place % np.repeat(step, many) == 0]
    points, at = np.ascontiguousarray(corners[chosen]), np.ascontiguousarray(layer[owner[chosen]])
    mine = piece[owner[chosen]]
    angle = np.linspace(0.0, 2.0 * np.pi, _WAYS, endpoint=False)
    ways = np.column_stack([np.cos(angle), np.sin(angle)])
    blocked = level_ways(points, at, outlines.edges, outlines.layer_edge, ways)
    above = outlines.beneath(points, at, np.zeros(len(at), dtype=np.int64)) >= 0
    total = np.maximum(np.bincount(mine, minlength=count), 1)
    rows = np.vstack([blocked, above[None]])
    shares = np.array([np.bincount(mine, weights=row, minlength=count) for row in rows]) / total
    free = shares <= _BLOCKED_SHARE
    return np.asarray(free.any(axis=0))

"""Strips of neighbouring layers joined into undersides."""

from __future__ import annotations

import numpy as np

from falsework.kernels.outline.distance import joined, run_boxes
from falsework.layers import planar
from falsework.layers.stack import Floats, Indices


def join_strips(edges: Floats, first: Indices, layer: Indices, reach_mm: float) -> tuple[Indices, int]:
    """(N,) number of the connected patch of each strip, 0.. in order of the lowest strip, and their count.

    Strips one or two layers apart belong together when they come within the reach of one another in plan.
    ``edges``, ``first`` see ``polygon_edges``.
    """
    boxes, first_box = run_boxes(edges, first)
    x0, y0 = np.minimum.reduceat(boxes[:, :2], first_box[:-1]).T
    x1, y1 = np.maximum.reduceat(boxes[:, 2:], first_box[:-1]).T
    # One tree answers for all layers when each layer is laid out beside the last one.
    stride = float(x1.max() - x0.min()) + 4 * reach_mm + 1.0
    tree = planar.STRtree(planar.box(x0 + stride * layer, y0, x1 + stride * layer, y1))
    x0, y0, x1, y1 = x0 - reach_mm, y0 - reach_mm, x1 + reach_mm, y1 + reach_mm
    upper, lower = np.concatenate(
        [
            tree.query(planar.box(x0 + stride * beneath, y0, x1 + stride * beneath, y1))
            for beneath in (layer - 1, layer - 2)
        ],
        axis=1,
    )
    least = joined(upper, lower, edges, first, boxes, first_box, reach_mm)
    lowest, patch = np.unique(least, return_inverse=True)
    return patch.astype(np.int64), len(lowest)

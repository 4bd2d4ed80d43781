"""Strips of neighbouring layers joined into undersides."""

from __future__ import annotations

import numpy as np
import shapely

from falsework.layers.stack import Indices, Regions


def join_strips(strips: Regions, layer: Indices, reach_mm: float) -> tuple[Indices, int]:
    """(N,) number of the connected patch of each strip, 0.. in order of the lowest strip, and their count.

    Strips one or two layers apart belong together when they come within the reach of one another in plan.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(strips)
    # One tree answers for all layers when each layer is laid out beside the last one.
    points, of = shapely.get_coordinates(strips, return_index=True)
    stride = float(np.ptp(points[:, 0])) + 4 * reach_mm + 1.0

    def laid_out(lower_by: int) -> Regions:
        moved = points.copy()
        moved[:, 0] += stride * (layer[of] - lower_by)
        return shapely.set_coordinates(strips.copy(), moved)

    tree = shapely.STRtree(laid_out(0))
    pairs = [tree.query(laid_out(k), predicate="dwithin", distance=reach_mm) for k in (1, 2)]
    upper, lower = np.concatenate(pairs, axis=1)
    graph = coo_array((np.ones(len(upper), np.int8), (upper, lower)), shape=(count, count))
    patches, label = connected_components(graph, directed=False)
    first_seen = np.full(patches, count)
    np.minimum.at(first_seen, label, np.arange(count))
    rank: Indices = np.argsort(np.argsort(first_seen)).astype(np.int64)
    return rank[label], int(patches)

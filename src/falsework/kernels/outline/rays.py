"""What lies in the way of points that are moved level, straight out of a part. Plain arrays only."""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import kernel


@kernel
def level_ways(points, layer, edges, layer_edge, directions):
    """(d, k) uint8: whether the section of its layer lies anywhere ahead of each point.

    points (k, 2) in ``layer`` (k,); edges (e, 4), those of layer i being layer_edge[i]:layer_edge[i + 1];
    directions (d, 2) of length 1. O(d k e of a layer).
    """
    found = np.zeros((len(directions), len(points)), np.uint8)
    for p in range(len(points)):
        x, y = points[p, 0], points[p, 1]
        first, last = layer_edge[layer[p]], layer_edge[layer[p] + 1]
        for d in range(len(directions)):
            c, s = directions[d, 0], directions[d, 1]
            for e in range(first, last):
                ax, ay = edges[e, 0] - x, edges[e, 1] - y
                bx, by = edges[e, 2] - x, edges[e, 3] - y
                a, b = c * ay - s * ax, c * by - s * bx  # how far to the left of the way
                if (a <= 0.0) == (b <= 0.0):
                    continue
                t = a / (a - b)
                if c * (ax + t * (bx - ax)) + s * (ay + t * (by - ay)) > 0.0:
                    found[d, p] = 1
                    break
    return found

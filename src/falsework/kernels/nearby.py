"""Which polygons come near one another, and what hangs together because of it.

Polygons are runs ``first`` (N + 1,) of ``edges`` (E, 4), their rings closed; ``boxes`` and ``first_box`` are
those of ``run_boxes`` of the edges, see :mod:`falsework.kernels.beneath`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from falsework.kernels.beneath import RUN, _edge_distance2
from falsework.kernels.mesh import root


@njit(cache=True, nogil=True)
def _boxes_apart2(boxes, a, b):
    """Squared distance of two boxes."""
    dx = max(boxes[b, 0] - boxes[a, 2], boxes[a, 0] - boxes[b, 2], 0.0)
    dy = max(boxes[b, 1] - boxes[a, 3], boxes[a, 1] - boxes[b, 3], 0.0)
    return dx * dx + dy * dy


@njit(cache=True, nogil=True)
def _turn(edges, e, x, y):
    """Above 0 where a point lies to the left of an edge."""
    return (edges[e, 2] - edges[e, 0]) * (y - edges[e, 1]) - (edges[e, 3] - edges[e, 1]) * (x - edges[e, 0])


@njit(cache=True, nogil=True)
def _edges_near(edges, a, b, reach2):
    """Whether two edges come within the root of ``reach2``: an end of one to the other, or they cross."""
    if (
        _edge_distance2(edges, b, edges[a, 0], edges[a, 1]) <= reach2
        or _edge_distance2(edges, b, edges[a, 2], edges[a, 3]) <= reach2
        or _edge_distance2(edges, a, edges[b, 0], edges[b, 1]) <= reach2
        or _edge_distance2(edges, a, edges[b, 2], edges[b, 3]) <= reach2
    ):
        return True
    return (_turn(edges, b, edges[a, 0], edges[a, 1]) > 0.0) != (
        _turn(edges, b, edges[a, 2], edges[a, 3]) > 0.0
    ) and (_turn(edges, a, edges[b, 0], edges[b, 1]) > 0.0) != (
        _turn(edges, a, edges[b, 2], edges[b, 3]) > 0.0
    )


@njit(cache=True, nogil=True)
def _holds_start(edges, first, a, b):
    """Whether polygon a holds the first corner of polygon b, even-odd."""
    x, y = edges[first[b], 0], edges[first[b], 1]
    odd = False
    for e in range(first[a], first[a + 1]):
        y0, y1 = edges[e, 1], edges[e, 3]
        if (y0 <= y) != (y1 <= y) and x < edges[e, 0] + (y - y0) / (y1 - y0) * (edges[e, 2] - edges[e, 0]):
            odd = not odd
    return odd


@njit(cache=True, nogil=True)
def _near(edges, first, boxes, first_box, a, b, reach2):
    """Whether two polygons come within the root of ``reach2``."""
    for p in range(first_box[a], first_box[a + 1]):
        for q in range(first_box[b], first_box[b + 1]):
            if _boxes_apart2(boxes, p, q) > reach2:
                continue
            e0, f0 = first[a] + (p - first_box[a]) * RUN, first[b] + (q - first_box[b]) * RUN
            for e in range(e0, min(e0 + RUN, first[a + 1])):
                for f in range(f0, min(f0 + RUN, first[b + 1])):
                    if _edges_near(edges, e, f, reach2):
                        return True
    return _holds_start(edges, first, a, b) or _holds_start(edges, first, b, a)


@njit(cache=True, nogil=True)
def joined(some, others, edges, first, boxes, first_box, reach):
    """(N,) for each polygon the least one that it hangs together with, itself if none is less.

    ``some`` and ``others`` (P,) pairs of polygons, which hang together where they come within ``reach``.
    Pairs that hang together already are not measured.
    """
    parent = np.arange(first.shape[0] - 1)
    for k in range(some.shape[0]):
        a, b = root(parent, some[k]), root(parent, others[k])
        if a != b and _near(edges, first, boxes, first_box, some[k], others[k], reach * reach):
            parent[max(a, b)] = min(a, b)
    for a in range(parent.shape[0]):
        parent[a] = root(parent, a)
    return parent

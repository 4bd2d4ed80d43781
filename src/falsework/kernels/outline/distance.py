"""Distances from points to the sections of other layers and between polygons, pruned by boxes around runs of
edges.

Rings are runs of edges that follow one another in space, so a box around every ``RUN`` of them is small, and
so is one around every ``RUN`` of those boxes: a query looks at all wide boxes of a layer, at the boxes in a
few of them and at the edges in a few of those. Cost per query O(edges/RUN² + RUN) on a layer whose boxes
separate, O(edges) at worst.

The functions take the layers' outlines as ``edges`` (E, 4), ``layer_edge`` (L + 1,) first edge of each layer,
``boxes``, ``layer_box`` and ``wide``, ``layer_wide`` from :func:`run_boxes` of the edges and of the boxes;
:func:`joined` takes polygons in place of layers.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.graph import root

RUN = 16


@kernel
def run_boxes(edges, layer_edge):
    """Boxes (B, 4) x0, y0, x1, y1 around runs of ``RUN`` edges (or boxes), and (L + 1,) first of each layer.

    ``layer_edge`` (L + 1,): layer l owns edges layer_edge[l]:layer_edge[l + 1].
    """
    layers = layer_edge.shape[0] - 1
    layer_box = np.zeros(layers + 1, np.int64)
    for l in range(layers):
        layer_box[l + 1] = layer_box[l] + (layer_edge[l + 1] - layer_edge[l] + RUN - 1) // RUN
    boxes = np.empty((layer_box[layers], 4))
    for l in range(layers):
        for b in range(layer_box[l], layer_box[l + 1]):
            first = layer_edge[l] + (b - layer_box[l]) * RUN
            end = min(first + RUN, layer_edge[l + 1])
            x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
            for e in range(first, end):
                x0 = min(x0, edges[e, 0], edges[e, 2])
                x1 = max(x1, edges[e, 0], edges[e, 2])
                y0 = min(y0, edges[e, 1], edges[e, 3])
                y1 = max(y1, edges[e, 1], edges[e, 3])
            boxes[b, 0], boxes[b, 1], boxes[b, 2], boxes[b, 3] = x0, y0, x1, y1
    return boxes, layer_box


@inner
def _box_distance2(boxes, b, x, y):
    """Squared distance from a point to a box, 0 inside."""
    dx = max(boxes[b, 0] - x, 0.0, x - boxes[b, 2])
    dy = max(boxes[b, 1] - y, 0.0, y - boxes[b, 3])
    return dx * dx + dy * dy


@inner
def edge_distance2(edges, e, x, y):
    """Squared distance from a point to an edge."""
    ux, uy = edges[e, 2] - edges[e, 0], edges[e, 3] - edges[e, 1]
    px, py = edges[e, 0] - x, edges[e, 1] - y
    length2 = ux * ux + uy * uy
    if length2 > 0.0:
        t = min(max(-(px * ux + py * uy) / length2, 0.0), 1.0)
        px += t * ux
        py += t * uy
    return px * px + py * py


@inner
def to_outline(x, y, l, guess, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """Distance from a point to the nearest edge of layer l, and that edge; infinite where the layer is empty
    or below 0.

    ``guess`` is an edge that may be the nearest, as the last point's is, or any number.
    """
    if l < 0:
        return np.inf, guess
    best = np.inf
    if layer_edge[l] <= guess < layer_edge[l + 1]:
        best = edge_distance2(edges, guess, x, y)
    for v in range(layer_wide[l], layer_wide[l + 1]):
        if _box_distance2(wide, v, x, y) >= best:
            continue
        first_box = layer_box[l] + (v - layer_wide[l]) * RUN
        for b in range(first_box, min(first_box + RUN, layer_box[l + 1])):
            if _box_distance2(boxes, b, x, y) >= best:
                continue
            first = layer_edge[l] + (b - layer_box[l]) * RUN
            for e in range(first, min(first + RUN, layer_edge[l + 1])):
                d = edge_distance2(edges, e, x, y)
                if d < best:
                    best, guess = d, e
    return np.sqrt(best), guess


@inner
def _inside(x, y, l, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """Whether a point lies in the section of layer l (even-odd: rings of a section never cross)."""
    if l < 0:
        return False
    odd = False
    for v in range(layer_wide[l], layer_wide[l + 1]):
        if y < wide[v, 1] or y > wide[v, 3] or x > wide[v, 2]:
            continue
        first_box = layer_box[l] + (v - layer_wide[l]) * RUN
        for b in range(first_box, min(first_box + RUN, layer_box[l + 1])):
            if y < boxes[b, 1] or y > boxes[b, 3] or x > boxes[b, 2]:
                continue
            first = layer_edge[l] + (b - layer_box[l]) * RUN
            for e in range(first, min(first + RUN, layer_edge[l + 1])):
                y0, y1 = edges[e, 1], edges[e, 3]
                if (y0 <= y) != (y1 <= y):
                    t = (y - y0) / (y1 - y0)
                    if x < edges[e, 0] + t * (edges[e, 2] - edges[e, 0]):
                        odd = not odd
    return odd


@kernel
def distance_to_layer(xy, layer, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """(n,) distance from each point to the section of its ``layer`` (n,): 0 inside, infinite if empty."""
    out = np.empty(xy.shape[0])
    near = -1
    for k in range(xy.shape[0]):
        x, y, l = xy[k, 0], xy[k, 1], layer[k]
        if _inside(x, y, l, edges, layer_edge, boxes, layer_box, wide, layer_wide):
            out[k] = 0.0
        else:
            out[k], near = to_outline(x, y, l, near, edges, layer_edge, boxes, layer_box, wide, layer_wide)
    return out


@kernel
def farthest_from_layer(xy, layer, owner, count, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """(count,) greatest distance of any of an owner's points from the section of its ``layer`` (n,): 0 where
    all lie inside, infinite if one's section is empty. ``owner`` (n,) says whose each point is."""
    out = np.zeros(count)
    near = -1
    for k in range(xy.shape[0]):
        x, y, l, most = xy[k, 0], xy[k, 1], layer[k], out[owner[k]]
        if (
            l >= 0
            and layer_edge[l] <= near < layer_edge[l + 1]
            and edge_distance2(edges, near, x, y) <= most * most
        ):
            continue  # no farther than another point, wherever else it may be near
        d, near = to_outline(x, y, l, near, edges, layer_edge, boxes, layer_box, wide, layer_wide)
        if d > most and not _inside(x, y, l, edges, layer_edge, boxes, layer_box, wide, layer_wide):
            out[owner[k]] = d
    return out


@kernel
def layer_beneath(xy, layer, lowest, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """(n,) highest layer below ``layer`` (n,) whose section holds the point.

    Looks down to ``lowest`` (n,) and answers lowest − 1 where none does.
    """
    out = np.empty(xy.shape[0], np.int64)
    for k in range(xy.shape[0]):
        l = layer[k] - 1
        while l >= lowest[k] and not _inside(
            xy[k, 0], xy[k, 1], l, edges, layer_edge, boxes, layer_box, wide, layer_wide
        ):
            l -= 1
        out[k] = l
    return out


@kernel
def edges_beneath(outline, owner_layer, same, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """For edges of strips over air: how far their middles and starts are from the layer beneath.

    ``outline`` (E, 4) edges with the strip on their left, ``owner_layer`` (E,) the strip's own layer.
    ``same`` is the distance within which an edge lies on the outline beneath.
    Returns (E,) distance of the middle, (E,) distance of the start, (E,) length.
    """
    n = outline.shape[0]
    middle, start, length = np.empty(n), np.empty(n), np.empty(n)
    near = -1
    for e in range(n):
        l = owner_layer[e] - 1
        x0, y0, x1, y1 = outline[e, 0], outline[e, 1], outline[e, 2], outline[e, 3]
        x, y = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
        middle[e], near = to_outline(x, y, l, near, edges, layer_edge, boxes, layer_box, wide, layer_wide)
        length[e] = np.hypot(x1 - x0, y1 - y0)
        # an edge that lies on the outline beneath starts on it too
        start[e] = 0.0
        if middle[e] > same:
            start[e], near = to_outline(
                x0, y0, l, near, edges, layer_edge, boxes, layer_box, wide, layer_wide
            )
    return middle, start, length


@kernel
def seated(outline, owner_layer, depth, edges, layer_edge, boxes, layer_box, wide, layer_wide):
    """(E,) whether an edge leads onto material that carries: its right side, ``depth`` away, is solid in the
    strip's own layer and in the one beneath. Arguments as for :func:`edges_beneath`."""
    out = np.zeros(outline.shape[0], np.bool_)
    for e in range(outline.shape[0]):
        ux, uy = outline[e, 2] - outline[e, 0], outline[e, 3] - outline[e, 1]
        length = np.hypot(ux, uy)
        if length == 0.0:
            continue
        x = 0.5 * (outline[e, 0] + outline[e, 2]) + uy / length * depth
        y = 0.5 * (outline[e, 1] + outline[e, 3]) - ux / length * depth
        l = owner_layer[e]
        out[e] = _inside(x, y, l - 1, edges, layer_edge, boxes, layer_box, wide, layer_wide) and _inside(
            x, y, l, edges, layer_edge, boxes, layer_box, wide, layer_wide
        )
    return out


@inner
def _boxes_apart2(boxes, a, b):
    """Squared distance of two boxes."""
    dx = max(boxes[b, 0] - boxes[a, 2], boxes[a, 0] - boxes[b, 2], 0.0)
    dy = max(boxes[b, 1] - boxes[a, 3], boxes[a, 1] - boxes[b, 3], 0.0)
    return dx * dx + dy * dy


@inner
def _turn(edges, e, x, y):
    """Above 0 where a point lies to the left of an edge."""
    return (edges[e, 2] - edges[e, 0]) * (y - edges[e, 1]) - (edges[e, 3] - edges[e, 1]) * (x - edges[e, 0])


@inner
def _edges_near(edges, a, b, reach2):
    """Whether two edges come within the root of ``reach2``: an end of one to the other, or they cross."""
    if (
        edge_distance2(edges, b, edges[a, 0], edges[a, 1]) <= reach2
        or edge_distance2(edges, b, edges[a, 2], edges[a, 3]) <= reach2
        or edge_distance2(edges, a, edges[b, 0], edges[b, 1]) <= reach2
        or edge_distance2(edges, a, edges[b, 2], edges[b, 3]) <= reach2
    ):
        return True
    return (_turn(edges, b, edges[a, 0], edges[a, 1]) > 0.0) != (
        _turn(edges, b, edges[a, 2], edges[a, 3]) > 0.0
    ) and (_turn(edges, a, edges[b, 0], edges[b, 1]) > 0.0) != (
        _turn(edges, a, edges[b, 2], edges[b, 3]) > 0.0
    )


@inner
def _holds_start(edges, first, a, b):
    """Whether polygon a holds the first corner of polygon b, even-odd."""
    x, y = edges[first[b], 0], edges[first[b], 1]
    odd = False
    for e in range(first[a], first[a + 1]):
        y0, y1 = edges[e, 1], edges[e, 3]
        if (y0 <= y) != (y1 <= y) and x < edges[e, 0] + (y - y0) / (y1 - y0) * (edges[e, 2] - edges[e, 0]):
            odd = not odd
    return odd


@inner
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


@kernel
def joined(some, others, edges, first, boxes, first_box, reach):
    """(N,) for each polygon the least one that it hangs together with, itself if none is less.

    ``some`` and ``others`` (P,) pairs of polygons, which hang together where they come within ``reach``.
    Polygons are runs ``first`` (N + 1,) of ``edges`` (E, 4), their rings closed; ``boxes`` and ``first_box``
    are those of :func:`run_boxes`. Pairs that hang together already are not measured.
    """
    parent = np.arange(first.shape[0] - 1)
    for k in range(some.shape[0]):
        a, b = root(parent, some[k]), root(parent, others[k])
        if a != b and _near(edges, first, boxes, first_box, some[k], others[k], reach * reach):
            parent[max(a, b)] = min(a, b)
    for a in range(parent.shape[0]):
        parent[a] = root(parent, a)
    return parent

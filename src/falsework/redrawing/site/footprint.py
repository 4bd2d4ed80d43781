"""``Footprint``: an underside seen from below, and which of its edges the part carries from beneath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats, Indices, Regions
from falsework.redrawing.site.value import UndersideSite

# Outlines stray by no more than this, so that a circle of many pieces keeps its corners but a comb of strips
# does not; where there are still too many corners, by more.
_PLAIN_MM = (0.005, 0.02, 0.05, 0.1)
_MOST_EDGES = 600
_SEAMS = (0.5, 1.1, 2.1)  # of the reach: strips of an underside lie no farther apart in plan than that
_SEAT_WIDTHS = 0.25  # an edge is carried where the part is solid so far behind it, just beneath
_CUT_MM = 0.01  # where carried and free meet is found to this


@dataclass(frozen=True, eq=False)
class Footprint:
    """The outline of one underside, cut where what carries it begins and ends.

    ``area``: the union of its strips. ``ends`` (E, 4) edges x0, y0, x1, y1 in the order of the rings, the
    underside on their left; ``carried`` (E,) whether the part is solid just beneath behind the edge;
    ``follows`` (E,) the edge that begins where this one ends. ``strips``, ``layer``: the strips by ascending
    layer and the layer of each.
    """

    area: planar.Geometry
    ends: Floats
    carried: NDArray[np.bool_]
    follows: Indices
    strips: Regions
    layer: Indices


def footprint_of(site: UndersideSite) -> Footprint:
    """The footprint of a site's underside."""
    need, width_mm = site.ground.need, site.ground.process.line_width_mm
    strips, layer = need.of(site.index)
    order = np.argsort(layer, kind="stable")
    strips, layer = strips[order], layer[order]
    area = _plain(_joined(strips, need.reach_mm))
    corners, follows = _edges(area)
    ends, carried, follows = _classed(site, corners, follows, strips, layer, _SEAT_WIDTHS * width_mm)
    return Footprint(area, ends, carried, follows, strips, layer)


def _joined(strips: Regions, reach_mm: float) -> planar.Geometry:
    """Strips as one region: seams closed, as wide ones as it takes, straight edges and corners kept."""
    area = strips[0]
    for seam in _SEAMS if len(strips) > 1 else ():
        by_mm = 0.5 * seam * reach_mm
        area = overlay.union_all(offset_mitred(strips, by_mm, limit=2.0))
        area = offset_mitred(area, -by_mm, limit=5.0)
        if planar.get_num_geometries(area) == 1:
            break
    return area


def _plain(area: planar.Geometry) -> planar.Geometry:
    """The area with no more corners than it takes, outer rings counter-clockwise."""
    for tolerance_mm in _PLAIN_MM:
        plain = planar.simplify(area, tolerance_mm, preserve_topology=True)
        if planar.get_num_coordinates(plain) <= _MOST_EDGES:
            break
    return planar.orient_polygons(plain)


def _edges(area: planar.Geometry) -> tuple[Floats, Indices]:
    """(E, 4) edges of all rings, and (E,) the edge after each."""
    rings = [
        np.asarray(ring.coords)[:, :2]
        for polygon in planar.get_parts(area)
        for ring in (polygon.exterior, *polygon.interiors)
    ]
    edges = np.concatenate([np.hstack([ring[:-1], ring[1:]]) for ring in rings])
    lengths = [len(ring) - 1 for ring in rings]
    follows = np.arange(1, len(edges) + 1)
    last = np.cumsum(lengths) - 1
    follows[last] = last - np.array(lengths) + 1
    return edges, follows.astype(np.int64)


def _classed(
    site: UndersideSite, edges: Floats, follows: Indices, strips: Regions, layer: Indices, seat_mm: float
) -> tuple[Floats, NDArray[np.bool_], Indices]:
    """Edges cut where they change from carried to free."""
    outlines = site.ground.outlines
    tree = planar.STRtree(strips)
    along = edges[:, 2:] - edges[:, :2]
    length = np.maximum(np.hypot(*along.T), 1e-12)
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / length[:, None]

    def carried(edge: Indices, share: Floats) -> NDArray[np.bool_]:
        at = edges[edge, :2] + share[:, None] * along[edge]
        pairs, found = tree.query(
            planar.points(at - 0.02 * outward[edge]),
            predicate="dwithin",
            distance=0.5 * site.ground.need.reach_mm,
        )
        lowest = np.full(len(at), np.iinfo(np.int64).max)
        np.minimum.at(lowest, pairs, layer[found])
        known = lowest < np.iinfo(np.int64).max
        out = np.zeros(len(at), bool)
        behind = np.ascontiguousarray((at + seat_mm * outward[edge])[known])
        out[known] = outlines.distance_mm(behind, lowest[known] - 1) == 0.0
        return out

    count = np.clip(np.ceil(length / (2.0 * seat_mm)), 1, 400).astype(np.int64)
    edge = np.repeat(np.arange(len(edges)), count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    share = (step + 0.5) / count[edge]
    flag = carried(edge, share)
    turn = np.flatnonzero((edge[1:] == edge[:-1]) & (flag[1:] != flag[:-1]))
    low, high, before = share[turn], share[turn + 1], flag[turn]
    while len(turn) and float(((high - low) * length[edge[turn]]).max()) > _CUT_MM:
        middle = 0.5 * (low + high)
        same = carried(edge[turn], middle) == before
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    cut = 0.5 * (low + high)

    first = np.flatnonzero(np.diff(edge, prepend=-1))
    owner = np.concatenate([edge[first], edge[turn]])
    start = np.concatenate([np.zeros(len(first)), cut])
    value = np.concatenate([flag[first], ~before])
    order = np.lexsort((start, owner))
    owner, start, value = owner[order], start[order], value[order]
    head = np.flatnonzero(np.diff(owner, prepend=-1))
    end = np.append(start[1:], 1.0)
    end[np.append(head[1:], len(owner)) - 1] = 1.0
    after = np.arange(1, len(owner) + 1)
    after[np.append(head[1:], len(owner)) - 1] = head[follows]
    value = _without_short(value, after, (end - start) * length[owner], 8.0 * seat_mm)
    a = edges[owner, :2] + start[:, None] * along[owner]
    b = edges[owner, :2] + end[:, None] * along[owner]
    return np.hstack([a, b]), value, after.astype(np.int64)


def _without_short(
    carried: NDArray[np.bool_], follows: Indices, length_mm: Floats, least_mm: float
) -> NDArray[np.bool_]:
    """Carried runs shorter than ``least_mm`` among free edges count as free, unless all are."""
    out = carried.copy()
    before = np.empty_like(follows)
    before[follows] = np.arange(len(follows))
    for head in np.flatnonzero(carried & ~carried[before]):
        run = [int(head)]
        while carried[follows[run[-1]]]:
            run.append(int(follows[run[-1]]))
        if length_mm[run].sum() < least_mm:
            out[run] = False
    return out if out.any() else carried

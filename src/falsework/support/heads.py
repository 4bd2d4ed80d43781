"""Heads: plates beneath tips, corners and edges that are too narrow for anything printable to end under."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import EMPTY, parts
from falsework.layers.stack import Indices, Regions
from falsework.need.underside import NeedMap
from falsework.process.settings import Process

PRINTABLE_WIDTHS = 0.9  # narrower than so many line widths nothing of a support is laid
_SEAM_MM = 0.05  # strips of one underside that lie this near to each other are one
_ROUND = 4  # segments of a quarter of a head's outline


def heads_of(need: NeedMap, chosen: NDArray[np.bool_], process: Process) -> Regions:
    """(N,) the plate that must end beneath each strip of need; empty where the strip is wide enough itself.

    ``chosen`` (U,) undersides asked about. A plate is its strip grown to ``structure.head_widths`` line
    widths; it may reach past the part, for what lies beside it is not there yet. Plates get what starts in
    mid-air where nothing printable of the underside lies about it, and every strip of an underside of which
    nothing is printable. Where the part has no room for one, the sweep takes it away again. Those of an
    underside depend on no other, so what was asked once is kept with the need.
    """
    none: Regions = np.full(len(need.regions), EMPTY, dtype=object)
    if not len(need.regions):
        return none
    radius_mm, half_mm = 0.5 * PRINTABLE_WIDTHS * process.line_width_mm, process.head_reach_mm
    key = ("heads", radius_mm, half_mm)
    known, heads = need.known.get(key, (np.zeros_like(chosen), none))
    mine = np.flatnonzero((chosen & ~known)[need.region_underside])
    if len(mine):
        known, heads = known | chosen, heads.copy()
        heads[mine] = _plates(need, mine, radius_mm, half_mm)[mine]
        need.known[key] = known, heads
    return np.where(chosen[need.region_underside], heads, none)


def _plates(need: NeedMap, mine: Indices, radius_mm: float, half_mm: float) -> Regions:
    """(N,) the plates of the strips ``mine``, which are all of some undersides; the others empty."""
    out: Regions = np.full(len(need.regions), EMPTY, dtype=object)
    starts = mine[need.region_starts[mine]]
    slim = np.concatenate([_alone(need, starts, half_mm, radius_mm), _narrow(need, mine, radius_mm)])
    slim = np.unique(slim)
    strips = need.regions[slim]
    breadth_mm = 2.0 * planar.area(strips) / np.maximum(planar.length(strips), 1e-9)
    out[slim] = overlay.buffer(strips, np.maximum(half_mm - 0.5 * breadth_mm, radius_mm), quad_segs=_ROUND)
    return out


def _alone(need: NeedMap, starts: Indices, half_mm: float, radius_mm: float) -> Indices:
    """Of the strips ``starts`` those beneath which nothing printable would end, whatever carries the rest."""
    if not len(starts):
        return starts
    box = planar.bounds(need.regions[starts]) + half_mm * np.array([-1.0, -1.0, 1.0, 1.0])
    windows = planar.box(*box.T)
    tree = planar.STRtree(need.regions)
    of, near = tree.query(windows)
    same = need.region_underside[near] == need.region_underside[starts[of]]
    of, near = of[same], near[same]
    order = np.lexsort((near, of))
    of, near = of[order], near[order]
    bits = overlay.intersection(need.regions[near], windows[of])
    about = overlay.buffer(planar.geometrycollections(bits, indices=of), _SEAM_MM, quad_segs=1)
    core = overlay.buffer(about, -_SEAM_MM - radius_mm, quad_segs=2)
    carried = planar.intersects(
        overlay.buffer(core, radius_mm), planar.point_on_surface(need.regions[starts])
    )
    return starts[~carried]


def _narrow(need: NeedMap, mine: Indices, radius_mm: float) -> Indices:
    """Of the strips ``mine`` those that lie in a footprint into which no disc of that radius fits."""
    strips = need.regions[mine]
    wide = _fits(strips, radius_mm)
    underside = need.region_underside[mine]
    doubtful = ~np.isin(underside, underside[wide])
    mine, underside = mine[doubtful], underside[doubtful]
    if not len(mine):
        return mine
    _, group = np.unique(underside, return_inverse=True)
    order = np.argsort(group, kind="stable")
    mine, group = mine[order], group[order]
    together = overlay.buffer(
        planar.geometrycollections(need.regions[mine], indices=group), _SEAM_MM, quad_segs=1
    )
    patches, owner = parts(together)
    narrow = ~_fits(patches, radius_mm + _SEAM_MM)
    touching = np.zeros(len(mine), dtype=bool)
    points = planar.point_on_surface(need.regions[mine])
    tree = planar.STRtree(points)
    patch, strip = tree.query(patches[narrow], predicate="intersects")
    touching[strip[owner[narrow][patch] == group[strip]]] = True
    return mine[touching]


def _fits(polygons: Regions, radius_mm: float) -> NDArray[np.bool_]:
    """(n,) whether a disc of that radius fits into each polygon."""
    area, outline = planar.area(polygons), planar.length(polygons)
    out: NDArray[np.bool_] = 2.0 * area >= 4.0 * radius_mm * outline
    hopeless = area < np.pi * radius_mm**2
    doubtful = np.flatnonzero(~out & ~hopeless)
    out[doubtful] = ~planar.is_empty(overlay.buffer(polygons[doubtful], -radius_mm, quad_segs=2))
    return out

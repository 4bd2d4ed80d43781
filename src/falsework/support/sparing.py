"""Faces that no support may touch: where they lie in the layers, and the air that is kept free for them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import EMPTY, gathered, offset, offset_mitred, repair
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.part.part import Part
from falsework.request.standing import Standing

RIM_SHARE = 0.02  # of an underside: less on spared faces, or less beside them, is a rim
_LEVEL_MM = 1e-6  # a face this near the middle of a layer may count to the layer on either side of it
_STEEPEST = 1e-3  # part of a normal that points up or down; steeper faces carry and bear nothing
_MARGIN_MM = 5.0  # about the need, seen from above: nothing is built farther out
_COARSE_MM = 0.5  # for which an outline of the need is good enough
_OVERLAP_MM = 0.05  # strips of a slope grow by this before they join, so that strayed outlines leave no seams
_OUTLINE_TOLERANCE_MM = 0.02  # as of swept columns


@dataclass(frozen=True, eq=False)
class Spared:
    """What of a placed part no support may touch, layer by layer; about the need alone.

    ``faces`` (m,) of the part. ``tops`` and ``bottoms``, (L,) regions: of the upper side of each layer where
    it is bare, and of its lower side where it is printed over air, what lies on such faces. ``share`` (U,) of
    each underside that does.
    """

    faces: NDArray[np.bool_]
    area_mm2: float
    tops: Regions = field(repr=False)
    bottoms: Regions = field(repr=False)
    share: Floats
    key: str

    @property
    def whole(self) -> NDArray[np.bool_]:
        """(U,) undersides that lie on such faces altogether: they are left, unless the user says otherwise.

        Of other undersides what lies on such faces is left and the rest is carried.
        """
        return self.share >= 1.0 - RIM_SHARE


def spared_faces(part: Part, faces: NDArray[np.bool_], stack: LayerStack, need: NeedMap) -> Spared | None:
    """Where marked ``faces`` (m,) of the placed ``part`` lie in its layers; None where none is marked."""
    if not faces.any():
        return None
    corners = part.vertices[part.faces[faces]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(normals, axis=1)
    level = np.abs(normals[:, 2]) > _STEEPEST * doubled
    seen = footprints(_near(corners[level], need), stack.middles_mm)
    solid, none = stack.regions, np.array([EMPTY], dtype=object)
    tops = overlay.difference(overlay.intersection(seen, solid), np.concatenate([solid[1:], none]))
    beneath = np.concatenate([none, seen[:-1]])
    bottoms = overlay.difference(overlay.intersection(beneath, solid), np.concatenate([none, solid[:-1]]))
    count = len(need.undersides)
    whole = np.bincount(need.region_underside, planar.area(need.regions), count)
    mine = planar.area(overlay.intersection(need.regions, bottoms[need.region_layer]))
    share = np.bincount(need.region_underside, mine, count) / np.maximum(whole, 1e-12)
    key = hashlib.sha256(np.packbits(faces).tobytes()).hexdigest()
    return Spared(faces, 0.5 * float(doubled.sum()), tops, bottoms, share, key)


def _near(corners: Floats, need: NeedMap) -> Floats:
    """Triangles that lie beneath the need or near it, or above it, seen from the side."""
    about = offset(planar.simplify(need.regions, _COARSE_MM, preserve_topology=False), _MARGIN_MM, 2)
    over = overlay.union_all(about)
    planar.prepare(over)
    found: Floats = corners[planar.intersects(over, planar.polygons(corners[:, :, :2]))]
    return found


def footprints(corners: Floats, middles_mm: Floats) -> Regions:
    """(L,) triangles (n, 3, 3) seen from above, in slabs: entry i what lies between the middles of layers i
    and i + 1, where the section changes from one to the other. The last is empty."""
    count = len(middles_mm)
    out = np.full(count, EMPTY, dtype=object)
    z = corners[:, :, 2]
    first = np.maximum(np.searchsorted(middles_mm, z.min(axis=1) - _LEVEL_MM, side="right") - 1, 0)
    last = np.minimum(np.searchsorted(middles_mm, z.max(axis=1) + _LEVEL_MM, side="left") - 1, count - 2)
    slabs = np.maximum(last - first + 1, 0)
    face = np.repeat(np.arange(len(corners)), slabs)
    if not len(face):
        return out
    slab = first[face] + np.arange(len(face)) - np.repeat(np.cumsum(slabs) - slabs, slabs)
    polygons, slab = _clipped(corners[face], middles_mm[slab], middles_mm[slab + 1], slab)
    order = np.argsort(slab, kind="stable")
    starts = np.flatnonzero(np.diff(slab[order], prepend=-1))
    for start, group in zip(starts, np.split(polygons[order], starts[1:]), strict=True):
        out[slab[order[start]]] = overlay.union_all(group)
    return repair(out)


def _clipped(corners: Floats, low_mm: Floats, high_mm: Floats, slab: Indices) -> tuple[Regions, Indices]:
    """Triangles (k, 3, 3) cut to heights low to high and seen from above, and the slab of each that is left.

    Edges are cut one by one; their pieces in turn are the corners of what is left of a triangle.
    """
    low, high = low_mm[:, None] - _LEVEL_MM, high_mm[:, None] + _LEVEL_MM
    ahead = np.roll(corners, -1, axis=1)
    z, rise = corners[:, :, 2], ahead[:, :, 2] - corners[:, :, 2]
    slope = np.where(rise == 0.0, 1.0, rise)
    at_low, at_high = (low - z) / slope, (high - z) / slope
    begin = np.where(rise == 0.0, 0.0, np.maximum(np.minimum(at_low, at_high), 0.0))
    end = np.where(rise == 0.0, 1.0, np.minimum(np.maximum(at_low, at_high), 1.0))
    inside = (begin <= end) & ((rise != 0.0) | ((z >= low) & (z <= high)))
    inside[inside.sum(axis=1) < 2] = False
    way = ahead[:, :, :2] - corners[:, :, :2]
    points = corners[:, :, None, :2] + np.stack([begin, end], axis=2)[..., None] * way[:, :, None]
    owner = np.nonzero(inside)[0]
    kept, ring = np.unique(owner, return_inverse=True)
    rings = planar.linearrings(points[inside].reshape(-1, 2), indices=np.repeat(ring, 2))
    polygons = planar.polygons(rings)
    bent = ~planar.is_valid(polygons)  # a corner met from two edges, once with other rounding than before
    polygons[bent] = planar.convex_hull(polygons[bent])
    real = planar.area(polygons) > 1e-9
    return polygons[real], slab[kept[real]]


def kept_free(
    spared: Spared,
    need: NeedMap,
    standings: Sequence[Standing],
    sections: Regions,
    used: NDArray[np.bool_],
    clearance_mm: float,
) -> Regions:
    """(L,) where no support is built: straight above and beneath spared faces up to the next surface, and
    ``clearance_mm`` about it; empty in layers that are not ``used`` (L,).

    Support goes straight down, so what stands above such a face would stand on it, and what stands beneath
    would carry it. Undersides that lie on such faces altogether and have a standing all the same are carried.
    """
    free = np.full(len(sections), EMPTY, dtype=object)
    if not used.any():
        return free
    bottoms = spared.bottoms
    lifted = spared.whole & np.array([s is not Standing.LEAVE for s in standings], dtype=bool)
    if lifted.any():
        mine = np.flatnonzero(lifted[need.region_underside])
        mine = mine[np.argsort(need.region_layer[mine], kind="stable")]
        asked = gathered(need.regions[mine], need.region_layer[mine], len(sections))
        about = offset_mitred(
            asked, need.reach_mm + _OUTLINE_TOLERANCE_MM
        )  # to where the layer beneath holds
        bottoms = overlay.difference(bottoms, about)
    above, beneath = _air(spared.tops, sections), _air(bottoms[::-1], sections[::-1])[::-1]
    more_mm = max(clearance_mm - _OVERLAP_MM, 0.0)
    free[used] = overlay.buffer(overlay.union(above[used], beneath[used]), more_mm, quad_segs=4)
    return free


def _air(seeds: Regions, sections: Regions) -> Regions:
    """Entry i: what of the seeds of entries before it, grown a little, has no section in between."""
    seeds = offset_mitred(planar.simplify(seeds, _OUTLINE_TOLERANCE_MM), _OVERLAP_MM)
    out = np.full(len(seeds), EMPTY, dtype=object)
    empty, blank, here = planar.is_empty(seeds), planar.is_empty(sections), EMPTY
    for i in range(1, len(seeds)):
        if not empty[i - 1]:
            here = overlay.union(here, seeds[i - 1])
        if here.is_empty:
            continue
        if not blank[i]:
            here = overlay.difference(here, sections[i])
            here = planar.simplify(here, _OUTLINE_TOLERANCE_MM)
        out[i] = here
    return out


def within(points_mm: Floats, layer: Indices, regions: Regions) -> NDArray[np.bool_]:
    """(n,) whether each point (n, 2) lies in the region of its layer."""
    inside = np.zeros(len(points_mm), dtype=bool)
    candidates = np.flatnonzero(~planar.is_empty(regions)[layer])
    order = candidates[np.argsort(layer[candidates], kind="stable")]
    starts = np.flatnonzero(np.diff(layer[order], prepend=-1))
    for group in np.split(order, starts[1:]) if len(order) else ():
        region = regions[layer[group[0]]]
        planar.prepare(region)
        inside[group] = planar.contains_xy(region, points_mm[group, 0], points_mm[group, 1])
    return inside

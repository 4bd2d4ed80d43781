"""Shores: support drawn together downwards, from the heads under the part into posts.

A curtain fills everything between an underside and what lies beneath it. A shore starts as wide as the
underside and then leans inwards on all sides by what still prints, layer by layer, until nothing but a post
is left. Undersides are divided into bays, one post each; a post may stand beside its bay, where it reaches
the bed past the part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import (
    EMPTY,
    areas_only,
    clean,
    digest_of,
    gathered,
    offset_mitred,
    parts,
    repair,
)
from falsework.layers.stack import Floats, Indices, Regions

_PLAIN_MM = 0.1  # outlines stray outwards by up to twice this
_NOTCH_MM = 0.5  # notches narrower than twice this are filled
_EASE_MM = 0.06  # outlines of shores stray by this, on top of as much that they grow
_MORE_VERTICES = 1.3  # they are plain enough until they have so many times the vertices they last had
_OVERLAP_MM = 0.02  # bays overlap by this
_SPECK_MM2 = 1e-3
_SLIVER_MM = 0.2  # no strand fits into what is narrower


@dataclass(frozen=True, eq=False)
class Bays:
    """What one post carries each: ``heads`` (B, L) regions, ``piece`` (B,) of the heads, ``side_mm`` (B,) of
    the lattice they were cut by, ``at_mm`` (B, 2) where the post stands, ``post_mm`` (B,) its side."""

    heads: Regions
    piece: Indices
    side_mm: Floats
    at_mm: Floats
    post_mm: Floats

    @property
    def names(self) -> list[bytes]:
        """What names each by its heads and its post."""
        out = []
        for heads, at_mm, post_mm in zip(self.heads, self.at_mm, self.post_mm, strict=True):
            some = np.flatnonzero(~planar.is_empty(heads))
            out.append(b"".join([digest_of(heads[some]), some.tobytes(), at_mm.tobytes(), post_mm.tobytes()]))
        return out

    def only(self, chosen: NDArray[Any]) -> Bays:
        """Those chosen, by number or by yes and no."""
        return Bays(*(getattr(self, f.name)[chosen] for f in fields(Bays)))


def bays_of(polygon: Regions, layer: Indices, piece: Indices, layers: int, side_mm: float) -> Bays:
    """Heads, polygons (N,) each with its layer and piece, divided piece by piece into bays of about that
    side, evenly from edge to edge, without posts yet."""
    bays, owner, middles = [], [], []
    for k in np.unique(piece):
        mine = piece == k
        whole = gathered(polygon[mine], layer[mine], layers)
        used = np.flatnonzero(~planar.is_empty(whole))
        for box in _lattice(planar.total_bounds(polygon[mine]), side_mm):
            bay = np.full(layers, EMPTY, dtype=object)
            hit = used[planar.intersects(whole[used], box)]
            bay[hit] = areas_only(overlay.intersection(whole[hit], box))
            area = planar.area(bay)
            if area.sum() > _SPECK_MM2:
                bays.append(bay)
                owner.append(k)
                middles.append(_middle(bay, area))
    count = len(bays)
    return Bays(
        np.array(bays, dtype=object).reshape(count, layers),
        np.array(owner, dtype=np.int64),
        np.full(count, side_mm),
        np.array(middles, dtype=np.float64).reshape(count, 2),
        np.zeros(count),
    )


def joined_bays(sets: Sequence[Bays]) -> Bays:
    """All bays in a row."""
    return Bays(*(np.concatenate([getattr(one, f.name) for one in sets]) for f in fields(Bays)))


def coarser(heads: Regions, many: int) -> Regions:
    """(B, L / many) heads of so many layers united."""
    count, layers = heads.shape
    groups = -(-layers // many)
    padded = np.full((count, groups * many), EMPTY, dtype=object)
    padded[:, :layers] = heads
    padded = padded.reshape(count * groups, many)
    some = ~planar.is_empty(padded).all(axis=1)
    out = np.full(count * groups, EMPTY, dtype=object)
    united = [overlay.union_all(row[~planar.is_empty(row)]) for row in padded[some]]
    out[some] = areas_only(np.array(united, dtype=object)) if united else EMPTY
    return out.reshape(count, groups)


def _lattice(bounds: Floats, side_mm: float) -> list[planar.Polygon]:
    """Boxes of at most 1.3 times that side that together cover the bounds."""
    cuts = []
    for low, high in ((bounds[0], bounds[2]), (bounds[1], bounds[3])):
        many = max(1, int(np.ceil((high - low) / side_mm - 0.3)))
        cut = np.linspace(low, high, many + 1)
        cut[0], cut[-1] = low - 1.0, high + 1.0
        cuts.append(cut)
    half = 0.5 * _OVERLAP_MM
    return [
        planar.box(x0 - half, y0 - half, x1 + half, y1 + half)
        for x0, x1 in zip(cuts[0][:-1], cuts[0][1:], strict=True)
        for y0, y1 in zip(cuts[1][:-1], cuts[1][1:], strict=True)
    ]


def _middle(bay: Regions, area: Floats) -> Floats:
    """Centroid of a bay's heads, or where they come nearest to it: a post beneath heads meets the least."""
    some = np.flatnonzero(area > 0)
    centres = planar.get_coordinates(planar.centroid(bay[some]))
    middle: Floats = (centres * area[some, None]).sum(axis=0) / area.sum()
    return middle


def plain_around(blocked: Regions) -> Regions:
    """Regions a little larger, in few vertices."""
    grown = offset_mitred(blocked, _PLAIN_MM, limit=1.5)
    return areas_only(repair(planar.simplify(grown, _PLAIN_MM, preserve_topology=False)))


@dataclass(frozen=True)
class Lean:
    """``step_mm`` by which a shore's edge moves in a layer; what is thinner than ``thin_mm`` is not squeezed
    against the part, but goes straight down."""

    step_mm: float
    thin_mm: float


def drawn_together(bays: Bays, blocked: Regions, lean: Lean, measured: bool = True) -> tuple[Regions, Floats]:
    """(B, L) regions of every bay's shore, and (B,) area in mm² that lands on the part, if that is
    ``measured``.

    Beneath each layer lies at least what is left when every point of the layer moves towards the post by
    the step; points that would move into ``blocked`` go straight down.
    """
    step_mm = lean.step_mm
    count, layers = bays.heads.shape
    out = np.full((count, layers), EMPTY, dtype=object)
    landed = np.zeros(count)
    full = ~planar.is_empty(bays.heads)
    top = layers - 1 - np.argmax(full[:, ::-1], axis=1)
    few = np.zeros(count)
    half = 0.5 * bays.post_mm
    x, y = bays.at_mm.T
    posts = planar.box(x - half, y - half, x + half, y + half)
    stands = np.zeros(count, dtype=bool)  # nothing but the post is left
    for i in range(layers - 1, -1, -1):
        stands &= ~full[:, i]
        stands[stands] = ~planar.intersects(posts[stands], blocked[i])
        out[stands, i] = posts[stands]
        some = np.flatnonzero((top >= i) & ~stands)
        if not len(some):
            continue
        now = np.full(len(some), EMPTY, dtype=object)
        if i + 1 < layers:
            before = out[some, i + 1]
            old = np.flatnonzero(~planar.is_empty(before))
            mine = some[old]
            if len(old):
                now[old] = _moved(before[old], bays.at_mm[mine], half[mine], step_mm)
                now[old] = _with_posts(now[old], posts[mine], step_mm)
                now[old], lost = _kept_off(now[old], before[old], blocked[i], lean, measured)
                now[old] = _plain(now[old], blocked[i], few, mine)
                landed[mine] += lost
        fresh = np.flatnonzero(full[some, i])
        now[fresh] = overlay.union(now[fresh], bays.heads[some[fresh], i])
        out[some, i] = _without_slivers(now)
        stands[some] = _are(out[some, i], posts[some])
    return out, landed


def _are(regions: Regions, posts: Regions) -> NDArray[np.bool_]:
    """Which regions are their post and nothing else."""
    near = np.abs(planar.bounds(regions) - planar.bounds(posts)).max(axis=1) < 1e-9
    near[near] = np.abs(planar.area(regions[near]) - planar.area(posts[near])) < 1e-9
    return near


def _without_slivers(regions: Regions) -> Regions:
    """Regions without connected parts of a mean width of less than ``_SLIVER_MM``."""
    out = areas_only(regions)
    some = np.flatnonzero(planar.get_num_geometries(out) > 1)
    if len(some):
        out[some] = clean(out[some], _SLIVER_MM)
    return out


def _moved(regions: Regions, at_mm: Floats, half_mm: Floats, step_mm: float) -> Regions:
    """Regions with every corner moved towards the post, along x and y apart, none past the post's edge."""
    corners, owner = planar.get_coordinates(regions, return_index=True)
    off = corners - at_mm[owner]
    far = np.abs(off)
    reach = np.zeros((len(regions), 2))
    np.maximum.at(reach, owner, far)
    both = (reach > half_mm[:, None]).all(axis=1)
    step = np.where(both, step_mm / np.sqrt(2.0), step_mm)[owner, None]
    edge = half_mm[owner, None]
    far = np.maximum(far - step, np.minimum(far, edge))
    moved = planar.set_coordinates(regions.copy(), at_mm[owner] + np.copysign(far, off))
    return repair(moved)


def _with_posts(regions: Regions, posts: Regions, step_mm: float) -> Regions:
    """Regions with what of their posts they carry down."""
    near = np.flatnonzero(planar.intersects(regions, posts))
    out = regions.copy()
    if len(near):
        under = overlay.intersection(posts[near], offset_mitred(regions[near], step_mm, limit=1.5))
        out[near] = areas_only(overlay.union(regions[near], areas_only(under)))
    return out


def _plain(regions: Regions, blocked: planar.Geometry, few: Floats, mine: Indices) -> Regions:
    """Regions in few vertices, notches filled; ``few`` remembers how many each last had."""
    many = planar.get_num_coordinates(regions) > np.maximum(_MORE_VERTICES * few[mine], 16)
    at = np.flatnonzero(many)
    out = regions.copy()
    if len(at):
        wide = overlay.buffer(regions[at], _NOTCH_MM, quad_segs=2)  # pointed corners would creep outwards
        back = offset_mitred(wide, _EASE_MM - _NOTCH_MM)
        plain = repair(planar.simplify(back, _EASE_MM, preserve_topology=False))
        out[at] = areas_only(overlay.difference(plain, blocked))
        few[mine[at]] = planar.get_num_coordinates(out[at])
    return out


def _kept_off(
    moved: Regions, before: Regions, blocked: planar.Geometry, lean: Lean, measured: bool
) -> tuple[Regions, Floats]:
    """What of the moved regions is free, with what stays free by going straight down instead; and the area
    (mm²) that can do neither and lands, if that is ``measured``."""
    lost_mm2 = np.zeros(len(moved))
    if blocked.is_empty:
        return moved, lost_mm2
    planar.prepare(blocked)
    hit = np.flatnonzero(planar.intersects(blocked, moved))
    if not len(hit):
        return moved, lost_mm2
    out = moved.copy()
    free = areas_only(overlay.difference(moved[hit], blocked))
    taken = areas_only(overlay.intersection(moved[hit], blocked))
    straight = areas_only(overlay.difference(before[hit], blocked))
    out[hit] = _united(free, _near(straight, taken, lean.step_mm))
    thin, owner = parts(out[hit])
    pressed = 2.0 * planar.area(thin) < lean.thin_mm * planar.length(thin)
    if pressed.any():
        some, of = np.unique(owner[pressed], return_inverse=True)
        thin = gathered(thin[pressed], of, len(some))
        out[hit[some]] = _united(out[hit[some]], _near(straight[some], thin, 1.5 * lean.step_mm))
    if measured:
        carried = offset_mitred(out[hit], lean.step_mm, limit=1.5)
        lost_mm2[hit] = planar.area(overlay.difference(before[hit], carried))
    return out, lost_mm2


def _united(a: Regions, b: Regions) -> Regions:
    return areas_only(overlay.union(a, b))


def _near(regions: Regions, others: Regions, within_mm: float) -> Regions:
    """What of the regions lies within that distance of the others."""
    return areas_only(overlay.intersection(regions, offset_mitred(others, within_mm, limit=1.5)))

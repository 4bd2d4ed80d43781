"""Polygon operations on whole arrays of regions.

A region is a shapely Polygon or MultiPolygon, possibly empty; never None, never a line or a point.
Functions take and return (N,) object arrays and work elementwise; a single region broadcasts.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import Floats, Indices
from falsework.layers import overlay, planar

Regions = NDArray[np.object_]  # shapely Polygon / MultiPolygon, possibly empty

EMPTY = planar.MultiPolygon()
_POLYGON, _MULTIPOLYGON = 3, 6


def regions_from_rings(points_mm: Floats, ring_start: Indices, layer_start: Indices) -> Regions:
    """(L,) MultiPolygons from the flat rings of a ``LayerStack``.

    Counter-clockwise rings are outers, clockwise ones holes of the smallest outer around them; a hole
    outside all outers is left out. Layers whose rings touch or cross are repaired with ``make_valid``.
    """
    from falsework.kernels.outline.rings import ring_figures

    points = np.ascontiguousarray(points_mm, dtype=np.float64)
    ring_start = np.ascontiguousarray(ring_start, dtype=np.int64)
    layer_start = np.ascontiguousarray(layer_start, dtype=np.int64)
    layers = len(layer_start) - 1
    if len(ring_start) < 2:
        return np.full(layers, EMPTY, dtype=object)
    area, owner, status = ring_figures(points.reshape(-1), ring_start, layer_start)

    # Rings in the order outer, its holes, next outer; owners ascend with the layers.
    rings = np.flatnonzero((owner >= 0) & (area != 0.0))
    rings = rings[np.lexsort((area[rings] < 0.0, owner[rings]))]
    lengths = np.diff(ring_start)[rings]
    closed_start = np.concatenate([[0], np.cumsum(lengths + 1)])
    index = np.arange(closed_start[-1]) - np.repeat(closed_start[:-1], lengths + 1)
    index[closed_start[1:] - 1] = 0
    index += np.repeat(ring_start[rings], lengths + 1)
    polygon_start = np.append(np.flatnonzero(area[rings] > 0.0), len(rings))
    outer_layer = np.searchsorted(layer_start, owner[rings[polygon_start[:-1]]], side="right") - 1
    layer_polygons = np.searchsorted(outer_layer, np.arange(layers + 1))
    regions: Regions = planar.from_ragged_array(
        planar.GeometryType.MULTIPOLYGON, points[index], (closed_start, polygon_start, layer_polygons)
    )
    doubtful = np.flatnonzero(status)
    regions[doubtful] = repair(regions[doubtful])
    return regions


def own_copies(regions: Regions) -> Regions:
    """Equal regions for one thread alone: what is prepared for many questions must not be asked by two."""
    out: Regions = planar.set_coordinates(regions.copy(), planar.get_coordinates(regions))
    return out


def rings_of(regions: Regions) -> tuple[Floats, Indices, Indices]:
    """``(points_mm, ring_start, layer_start)`` of (L,) regions: the inverse of ``regions_from_rings``."""
    polygons, layer = parts(regions)
    if len(polygons) == 0:
        return np.empty((0, 2)), np.zeros(1, dtype=np.int64), np.zeros(len(regions) + 1, dtype=np.int64)
    _, points, (ring_end, polygon_end) = planar.to_ragged_array(
        planar.orient_polygons(polygons, exterior_cw=False), include_z=False
    )
    rings_of_layer = np.bincount(layer, weights=np.diff(polygon_end), minlength=len(regions))
    keep = np.ones(len(points), dtype=bool)
    keep[ring_end[1:] - 1] = False
    return (
        np.ascontiguousarray(points[keep]),
        (ring_end - np.arange(len(ring_end))).astype(np.int64),
        np.concatenate([[0], np.cumsum(rings_of_layer)]).astype(np.int64),
    )


def digest_of(regions: Regions) -> bytes:
    """What names (N,) regions by their outlines: alike only where every coordinate is."""
    found = hashlib.blake2b(digest_size=16)
    for one in planar.to_wkb(regions).tolist():
        found.update(one)
    return found.digest()


def digests_of(regions: Regions) -> list[bytes]:
    """What names each of (N,) regions by its outlines."""
    return [hashlib.blake2b(one, digest_size=16).digest() for one in planar.to_wkb(regions).tolist()]


def areas(regions: Regions) -> Floats:
    """Area of each region, holes taken off."""
    found: Floats = planar.area(regions)
    return found


def offset(regions: Regions, distance_mm: float | Floats, segments: int = 4) -> Regions:
    """Regions grown by ``distance_mm`` (shrunk where negative), corners rounded.

    A quarter circle gets ``segments`` chords. The chords lie inside the true arc: a corner reaches short
    by at most ``distance * (1 - cos(90° / (2 * segments)))``, 1.9 % at 4. So growth errs towards too
    small, and shrinking, which rounds reflex corners alone, towards too large. Straight edges are exact.
    """
    return areas_only(overlay.buffer(regions, distance_mm, quad_segs=segments))


def offset_mitred(regions: Regions | planar.Geometry, distance_mm: float | Floats, limit: float = 5.0) -> Any:
    """Regions, or a single one, grown or shrunk by ``distance_mm`` with pointed corners.

    Exact but for corners sharper than ``limit`` (point over distance), which are cut off. Once
    in a while GEOS (3.14) loses a whole polygon on the way; what lost one is offset with round corners.
    """
    out = overlay.buffer(regions, distance_mm, join_style="mitre", mitre_limit=limit)
    before, after = planar.area(regions), planar.area(out)
    least = before + np.minimum(distance_mm, 0.0) * planar.length(regions)
    doubtful = np.asarray(after < (1.0 - 1e-9) * least)
    if not doubtful.any():
        return out
    round_ = overlay.buffer(regions, np.where(doubtful, distance_mm, 0.0), quad_segs=2)
    fewer = planar.get_num_geometries(out) < planar.get_num_geometries(round_)
    lost = doubtful & ((after < 0.9 * planar.area(round_)) | fewer)
    found: Any = np.where(lost, round_, out)
    return found[()]


def unite(a: Regions, b: Regions) -> Regions:
    """a ∪ b, elementwise."""
    return areas_only(overlay.union(a, b))


def subtract(a: Regions, b: Regions) -> Regions:
    """a \\ b, elementwise."""
    return areas_only(overlay.difference(a, b))


def intersect(a: Regions, b: Regions) -> Regions:
    """a ∩ b, elementwise; where they merely touch the result is empty."""
    return areas_only(overlay.intersection(a, b))


def clean(regions: Regions, tolerance_mm: float) -> Regions:
    """Regions without slivers: connected parts whose mean width, 2 area / outline, is below tolerance."""
    polygons, index = parts(regions)
    wide = 2.0 * planar.area(polygons) >= tolerance_mm * planar.length(polygons)
    return gathered(polygons[wide], index[wide], len(regions))


def despiked(polygons: Regions, width_mm: float = 1e-4) -> tuple[Regions, NDArray[np.int64]]:
    """Polygons without spikes narrower than ``width_mm``, and (M,) the index of the one each is of.

    Edges that lie on one another but for rounding leave such spikes; they carry nothing, but reach far.
    Polygons whose outline nowhere turns back on itself, nor has edges as short, stay as they are.
    """
    index = np.arange(len(polygons), dtype=np.int64)
    if len(polygons) == 0:
        return polygons, index
    _, points, (ring_end, polygon_end) = planar.to_ragged_array(polygons, include_z=False)
    edge = np.diff(points, axis=0)
    inner = np.ones(len(edge), dtype=bool)
    inner[ring_end[1:-1] - 1] = False  # from one ring to the next
    length = np.maximum(np.hypot(*edge.T), 1e-12)
    # the edge that follows: the first of the ring after its last
    follows = np.arange(1, len(edge) + 1)
    follows[ring_end[1:] - 2] = ring_end[:-1]
    follows = np.minimum(follows, len(edge) - 1)
    cosine = (edge * edge[follows]).sum(axis=1) / (length * length[follows])
    back = inner & ((cosine < -0.9999) | (length < width_mm))  # blunt ones end in an edge that short
    if not back.any():
        return polygons, index
    ring_of = np.searchsorted(ring_end, np.flatnonzero(back), side="right") - 1
    spiky = np.unique(np.searchsorted(polygon_end, ring_of, side="right") - 1)
    half = 0.5 * width_mm
    pieces, of = parts(offset_mitred(offset_mitred(polygons[spiky], -half), half))
    kept = np.setdiff1d(index, spiky, assume_unique=True)
    whole = np.concatenate([kept, spiky[of]])
    order = np.argsort(whole, kind="stable")
    return np.concatenate([polygons[kept], pieces])[order], whole[order]


def parts(regions: Regions) -> tuple[Regions, NDArray[np.int64]]:
    """Connected parts, (M,) Polygons in order, and (M,) the index of the region each belongs to."""
    polygons, index = planar.get_parts(regions, return_index=True)
    full = ~planar.is_empty(polygons)
    return polygons[full], index[full]


def gathered(polygons: Regions, index: NDArray[np.int64], count: int) -> Regions:
    """(count,) MultiPolygons from Polygons and the ascending index of each: the inverse of ``parts``."""
    regions: Regions = np.full(count, EMPTY, dtype=object)
    if len(polygons):
        planar.multipolygons(polygons, indices=index, out=regions)
    return regions


def areas_only(geometries: Regions) -> Regions:
    """Geometries with lines, points and None taken away."""
    geometries = np.asarray(geometries, dtype=object)
    kinds = planar.get_type_id(geometries)
    odd = np.flatnonzero((kinds != _POLYGON) & (kinds != _MULTIPOLYGON))
    if len(odd):
        polygons, index = planar.get_parts(geometries[odd], return_index=True)
        nested = np.flatnonzero(planar.get_type_id(polygons) == _MULTIPOLYGON)
        if len(nested):
            polygons, inner = planar.get_parts(polygons, return_index=True)
            index = index[inner]
        area = planar.get_type_id(polygons) == _POLYGON
        geometries = geometries.copy()
        geometries[odd] = gathered(polygons[area], index[area], len(odd))
    return geometries


def simplified(regions: Regions, tolerance_mm: float) -> Regions:
    """Fewer vertices, each still one of the old ones; repaired where a ring came to cross itself.

    What offsets leave once in a while, a hole that is larger than the outline around it, is simplified to a
    line: that region is repaired first.
    """
    thin: Regions = planar.simplify(regions, tolerance_mm, preserve_topology=False)
    kinds = planar.get_type_id(thin)
    odd = (kinds != _POLYGON) & (kinds != _MULTIPOLYGON)
    if odd.any():
        whole = planar.simplify(repair(regions[odd]), tolerance_mm, preserve_topology=False)
        thin[odd] = areas_only(whole)
    crossed = ~planar.is_valid(thin)
    if crossed.any():
        thin[crossed] = overlay.buffer(thin[crossed], 0)
    return thin


def repair(regions: Regions) -> Regions:
    """Regions made valid where they are not."""
    regions = np.array(regions, dtype=object)
    broken = np.flatnonzero(~planar.is_valid(regions))
    if len(broken):
        valid = overlay.make_valid(regions[broken])
        regions[broken] = areas_only(valid)
    return regions

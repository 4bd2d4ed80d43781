"""From a part to its ``LayerStack``: layer boundaries, sections, and the repair of damaged ones."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError, ProcessError
from falsework.layers.stack import Floats, Indices, LayerStack
from falsework.part.part import Part
from falsework.watch import QUIET, Watch

# 1 µm: below what such machines resolve. A round outline of radius r loses 4/3 of it over r of its area,
# so 7e-5 at 20 mm; a ball of 1 M triangles keeps about half its points.
SIMPLIFY_MM = 0.001
STITCH_MM = 2.0
TIE_MM = 3e-5  # files hold 32-bit numbers: a flat face this near the middle of a layer may be in it or not
_ROUNDING_MM = 1e-6  # a part placed by arithmetic overshoots its height by this much at most

Rings = tuple[Floats, Indices, Indices]  # points one after another, where each ring and each layer starts


def lowest_mm(first_mm: float) -> float:
    """Height above which a part has a layer: the middle of the first."""
    return 0.5 * first_mm + _ROUNDING_MM


def layer_boundaries(top_mm: float, first_mm: float, height_mm: float) -> Floats:
    """(L + 1,) heights between layers for a part that stands on z = 0 and ends at ``top_mm``.

    All layers are full: the last is the one whose middle still lies inside the part, so a flat top is
    printed at most half a layer too low or too high and a rounded one without bias. Raises
    ``ProcessError`` for heights that are not positive, ``PartError`` for a part that has no layer.
    """
    for name, value in (("first layer height", first_mm), ("layer height", height_mm)):
        if not (math.isfinite(value) and value > 0.0):
            raise ProcessError(name, f"{value} mm is not a positive length", "Give a height such as 0.2")
    if not math.isfinite(top_mm) or top_mm <= lowest_mm(first_mm):
        raise PartError(
            "part",
            f"its top at {top_mm:g} mm is below the middle of the first layer",
            "Check its unit, stand it on the bed, or choose a thinner first layer",
        )
    more = max(0, math.ceil((top_mm - _ROUNDING_MM - first_mm) / height_mm - 0.5))
    return np.concatenate([[0.0], first_mm + height_mm * np.arange(more + 1)])


def stack_layers(
    part: Part,
    z_mm: Floats,
    watch: Watch = QUIET,
    *,
    simplify_mm: float = SIMPLIFY_MM,
    stitch_mm: float = STITCH_MM,
) -> LayerStack:
    """Exact cross-sections of ``part`` at the middle of each layer between ``z_mm`` (L + 1, ascending).

    A clean part's rings nest by themselves. Otherwise, and wherever rings cross, shells are united by
    the positive winding rule: overlaps count once, voids wound inwards stay holes. A mesh that is inside
    out as a whole is turned. Single faces wound the wrong way are outvoted by the rest of their ring; gaps
    where faces are missing are bridged (see ``kernels.outline.stitch``), loose ends dropped, and the
    layer listed.

    A flat face in the middle of a layer is a tie, which slicing programs break either way. Here such an
    underside is in that layer and so is such a top: whatever another program makes of them, no gap between
    part and support is printed smaller than it is said to be.

    ``simplify_mm``: a ring may be moved by this much to save points; a convex outline only loses area, at
    most ``simplify_mm`` times its length. 0 keeps every vertex that turns. ``stitch_mm``: gap that may
    always be bridged.
    """
    from falsework.kernels.outline.rings import CROSSES, tidy_rings

    z_mm = np.ascontiguousarray(z_mm, dtype=np.float64)
    if z_mm.ndim != 1 or len(z_mm) < 2 or not np.all(np.diff(z_mm) > 0.0):
        raise ProcessError("layer boundaries", "they do not ascend", "Give at least two ascending heights")
    vertices = np.ascontiguousarray(part.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(part.faces, dtype=np.int32)
    planes, both = _planes(vertices, faces, 0.5 * (z_mm[1:] + z_mm[:-1]))
    watch.at("cutting layers", 0.0)
    cut = _cut(vertices, faces, planes, float(stitch_mm), watch)
    rings = cut.rings
    if inside_out := bool(cut.areas @ np.diff(z_mm) < 0.0):
        rings = _turned(*rings)
    if len(both):
        tops = _cut(vertices, faces, planes[both] - 2.0 * TIE_MM, float(stitch_mm), QUIET).rings
        rings = _laid_in(rings, _turned(*tops) if inside_out else tops, both)

    doubtful = np.arange(len(planes)) if not part.health.clean else np.union1d(cut.stitched, both)
    if len(doubtful):
        rings = _united(*rings, doubtful, watch)
    watch.at("tidying rings", 0.9)
    tidy = tidy_rings(*rings, float(simplify_mm))
    crossed = np.flatnonzero(tidy[3] == CROSSES)
    if len(crossed):
        rings = _united(tidy[0], tidy[1], tidy[2], crossed, watch)
        tidy = tidy_rings(*rings, 0.0)
    points, ring_start, layer_start, _ = tidy
    watch.at("tidying rings", 1.0)
    return LayerStack(z_mm, points.reshape(-1, 2), ring_start, layer_start, cut.widest_mm, cut.stitched)


class _Cut(NamedTuple):
    """Closed rings by plane (points, where rings start, where planes start), the signed area of each plane,
    the widest gap that was closed and the planes where some was."""

    rings: Rings
    areas: Floats
    widest_mm: float
    stitched: Indices


def _planes(vertices: Floats, faces: NDArray[np.int32], middles: Floats) -> tuple[Floats, Indices]:
    """Where each layer is cut: its middle, but a little above a flat underside that lies there and a little
    below a flat top; and the layers with both, which are cut a second time twice that much lower."""
    from falsework.kernels.mesh.section import vertex_levels

    near = vertex_levels(vertices, middles - TIE_MM) - 1  # of the plane that may be tied with each vertex
    tied = (near >= 0) & (vertices[:, 2] - middles[near] <= TIE_MM)
    if not tied.any():
        return middles, np.zeros(0, dtype=np.int64)
    flat = faces[tied[faces[:, 0]]]  # few, before all three corners are looked up
    flat = flat[tied[flat].all(axis=1)]
    flat = flat[(near[flat] == near[flat[:, :1]]).all(axis=1)]
    a, b, c = (vertices[flat[:, k], :2] for k in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    layer = near[flat[:, 0]]
    under, top = np.unique(layer[doubled < 0.0]), np.unique(layer[doubled > 0.0])
    planes = middles.copy()
    planes[top] = middles[top] - TIE_MM
    planes[under] = middles[under] + TIE_MM
    return planes, np.intersect1d(under, top)


def _cut(vertices: Floats, faces: NDArray[np.int32], planes: Floats, stitch_mm: float, watch: Watch) -> _Cut:
    """The mesh cut by each of the planes (L,), open chains closed."""
    from falsework.kernels.mesh.section import count_segments, section_chains, vertex_levels
    from falsework.kernels.outline.rings import ring_figures
    from falsework.kernels.outline.stitch import stitch_chains

    levels = vertex_levels(vertices, planes)
    seg_start = count_segments(faces, levels, planes)
    room = np.empty(4 * seg_start[-1], dtype=np.int64)
    points, ring_start, is_open, layer_start, areas = section_chains(
        vertices, faces, levels, planes, seg_start, room
    )
    del room
    if not is_open.any():
        return _Cut((points, ring_start, layer_start), areas, 0.0, np.zeros(0, dtype=np.int64))
    watch.at("closing gaps", 0.5)
    points, ring_start, layer_start, gaps, loose = stitch_chains(
        points, ring_start, is_open, layer_start, stitch_mm
    )
    ring_layer = np.repeat(np.arange(len(planes)), np.diff(layer_start))
    ring_area = ring_figures(points, ring_start, layer_start)[0]
    areas = np.bincount(ring_layer, weights=ring_area, minlength=len(planes)).astype(np.float64)
    stitched = np.flatnonzero((gaps > 0.0) | (loose > 0))
    return _Cut((points, ring_start, layer_start), areas, float(gaps.max(initial=0.0)), stitched)


def _laid_in(rings: Rings, more: Rings, layers: Indices) -> Rings:
    """Rings with those of ``more``, whose planes are the ``layers``, put behind the layers' own."""
    points, ring_start, layer_start = rings
    add_points, add_start, add_layer = more
    own_layer = np.repeat(np.arange(len(layer_start) - 1), np.diff(layer_start))
    add_to = np.repeat(layers, np.diff(add_layer))
    counts = np.concatenate([np.diff(ring_start), np.diff(add_start)])
    starts = np.concatenate([ring_start[:-1], add_start[:-1] + len(points) // 2])
    order = np.argsort(np.concatenate([own_layer, add_to]), kind="stable")
    ends = np.concatenate([[0], np.cumsum(counts[order])])
    within = np.arange(ends[-1]) - np.repeat(ends[:-1], counts[order])
    pairs = np.concatenate([points, add_points]).reshape(-1, 2)
    taken = pairs[np.repeat(starts[order], counts[order]) + within]
    per_layer = np.diff(layer_start)
    per_layer[layers] += np.diff(add_layer)
    return (
        np.ascontiguousarray(taken).reshape(-1),
        ends.astype(np.int64),
        np.concatenate([[0], np.cumsum(per_layer)]).astype(np.int64),
    )


def _turned(points: Floats, ring_start: Indices, layer_start: Indices) -> Rings:
    """Every ring run the other way: ring r's points, reversed, stay in its place."""
    count = np.diff(ring_start)
    ring_first = np.repeat(ring_start[:-1], count)
    ring_last = np.repeat(ring_start[1:], count) - 1
    return (
        np.ascontiguousarray(
            points.reshape(-1, 2)[ring_first + ring_last - np.arange(len(ring_first))]
        ).reshape(-1),
        ring_start,
        layer_start,
    )


def _united(
    points: Floats, ring_start: Indices, layer_start: Indices, layers: Indices, watch: Watch
) -> Rings:
    """Rings with those of ``layers`` replaced by the outline of where their winding number is positive."""
    from manifold3d import CrossSection, FillRule

    pairs = points.reshape(-1, 2)
    chosen = np.zeros(len(layer_start) - 1, dtype=bool)
    chosen[layers] = True
    rings: list[Floats] = []
    lengths: list[Indices] = []
    counts = np.zeros(len(chosen), dtype=np.int64)
    # The library fills one section at a time and knows no call for many: hence this loop.
    for i, (first, last) in enumerate(zip(layer_start[:-1].tolist(), layer_start[1:].tolist(), strict=True)):
        if chosen[i] and last > first:
            if i % 64 == 0:
                watch.at("uniting shells", 0.5 + 0.4 * i / len(chosen))
            ends = ring_start[first : last + 1].tolist()
            loops = [pairs[low:high] for low, high in pairwise(ends)]
            outlines = CrossSection(loops, FillRule.Positive).to_polygons()
            rings.extend(outlines)
            lengths.append(np.array([len(o) for o in outlines], dtype=np.int64))
            counts[i] = len(outlines)
        else:
            rings.append(pairs[ring_start[first] : ring_start[last]])
            lengths.append(np.diff(ring_start[first : last + 1]))
            counts[i] = last - first
    return (
        np.concatenate([np.zeros((0, 2)), *rings]).reshape(-1),
        np.concatenate([[0], np.cumsum(np.concatenate(lengths))]).astype(np.int64),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
    )

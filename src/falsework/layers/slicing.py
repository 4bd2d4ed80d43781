"""From a part to its ``LayerStack``: layer boundaries, sections, and the repair of damaged ones."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from falsework.errors import PartError, ProcessError
from falsework.layers.stack import Floats, Indices, LayerStack
from falsework.part.part import Part
from falsework.watch import QUIET, Watch

# 1 µm: below what such machines resolve. A round outline of radius r loses 4/3 of it over r of its area,
# so 7e-5 at 20 mm; a ball of 1 M triangles keeps about half its points.
SIMPLIFY_MM = 0.001
STITCH_MM = 2.0
_ROUNDING_MM = 1e-6  # a part placed by arithmetic overshoots its height by this much at most


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

    ``simplify_mm``: a ring may be moved by this much to save points; a convex outline only loses area, at
    most ``simplify_mm`` times its length. 0 keeps every vertex that turns. ``stitch_mm``: gap that may
    always be bridged.
    """
    from falsework.kernels.mesh.section import count_segments, section_chains, vertex_levels
    from falsework.kernels.outline.rings import CROSSES, ring_figures, tidy_rings
    from falsework.kernels.outline.stitch import stitch_chains

    z_mm = np.ascontiguousarray(z_mm, dtype=np.float64)
    if z_mm.ndim != 1 or len(z_mm) < 2 or not np.all(np.diff(z_mm) > 0.0):
        raise ProcessError("layer boundaries", "they do not ascend", "Give at least two ascending heights")
    vertices = np.ascontiguousarray(part.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(part.faces, dtype=np.int32)
    middles = 0.5 * (z_mm[1:] + z_mm[:-1])
    layers = len(middles)

    watch.at("cutting layers", 0.0)
    levels = vertex_levels(vertices, middles)
    seg_start = count_segments(faces, levels, middles)
    room = np.empty(4 * seg_start[-1], dtype=np.int64)
    points, ring_start, is_open, layer_start, areas = section_chains(
        vertices, faces, levels, middles, seg_start, room
    )
    del room

    widest = 0.0
    stitched = np.zeros(0, dtype=np.int64)
    if is_open.any():
        watch.at("closing gaps", 0.5)
        points, ring_start, layer_start, gaps, loose = stitch_chains(
            points, ring_start, is_open, layer_start, float(stitch_mm)
        )
        widest = float(gaps.max(initial=0.0))
        stitched = np.flatnonzero((gaps > 0.0) | (loose > 0))
        ring_layer = np.repeat(np.arange(layers), np.diff(layer_start))
        ring_area = ring_figures(points, ring_start, layer_start)[0]
        areas = np.bincount(ring_layer, weights=ring_area, minlength=layers).astype(np.float64)
    if areas @ np.diff(z_mm) < 0.0:
        points, ring_start, layer_start = _turned(points, ring_start, layer_start)

    if not part.health.clean:
        every = np.arange(layers)
        points, ring_start, layer_start = _united(points, ring_start, layer_start, every, watch)
    elif len(stitched):
        points, ring_start, layer_start = _united(points, ring_start, layer_start, stitched, watch)
    watch.at("tidying rings", 0.9)
    tidy = tidy_rings(points, ring_start, layer_start, float(simplify_mm))
    crossed = np.flatnonzero(tidy[3] == CROSSES)
    if len(crossed):
        points, ring_start, layer_start = _united(tidy[0], tidy[1], tidy[2], crossed, watch)
        tidy = tidy_rings(points, ring_start, layer_start, 0.0)
    points, ring_start, layer_start, _ = tidy
    watch.at("tidying rings", 1.0)
    return LayerStack(z_mm, points.reshape(-1, 2), ring_start, layer_start, widest, stitched)


def _turned(points: Floats, ring_start: Indices, layer_start: Indices) -> tuple[Floats, Indices, Indices]:
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
) -> tuple[Floats, Indices, Indices]:
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

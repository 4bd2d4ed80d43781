"""Corbel: material added beneath an underside, receding at the limit until it meets the part.

From every point of the underside a way leads straight to the nearest of what carries it, sinking by the slope
of the limit; the corbel is all that lies above these ways. Beneath a straight ledge that is a wedge, beneath
a round one on a stem a cone's frustum, within a hollow what its walls send towards its middle lines. At a
square corner of a stem the two planes run on until they meet, as the rule of the layers allows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats
from falsework.redrawing.changes.dimensions import chamfers
from falsework.redrawing.changes.draft import ChangeKind, Dimension, Draft, Refusal, Region
from falsework.redrawing.changes.field import (
    OVERLAP_MM,
    RIM,
    Canvas,
    Carriers,
    HeightGrid,
    body,
    canvas_of,
    cut,
    faces_over,
    grown,
    rising,
    sampled,
    settled,
    slope_of,
)
from falsework.redrawing.site.footprint import Footprint, footprint_of
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

_BEND_COSINE = 0.75  # walls that turn by less than 41° carry as one round wall does
_LEAST_MM3 = 1e-3
_CURVED_OVERLAP_MM = 2.0 * OVERLAP_MM  # curved surfaces lie off the straight pieces that they are drawn in
_WALL_WIDTHS = 2.0  # no corbel is narrower, in line widths
_LEAST_THIN_WIDTHS2 = 0.1  # line widths squared: bits of a corner are no wall
_OFF_MM = 1e-3  # stations on a way round a corner stand so far off it
_MOST_BENDS = 30
_ROWS = 32  # of a canvas, whose ways are looked for at a time
_SHARE_UNSEEN = 0.02  # of the footprint that no way leads to
# Places where it hangs lower than all around: of the corbels that were seen, 42 on 14 parts, those with up to
# 2 held once their crumbs were off, and none with 3 or more.
_MOST_DIPS = 4
_RISE_MM = 1.0  # above its underside's top, on a grid coarser than a line: a surface continued too far


@dataclass(frozen=True, eq=False)
class _CanvasWays:
    """The ways over a canvas: see ``falsework.kernels.field.ways``."""

    place: NDArray[np.int8]
    distance: HeightGrid
    away: HeightGrid


def corbel(site: UndersideSite, watch: Watch = QUIET) -> Draft | Refusal:
    """The least corbel beneath an underside, or why there is none."""
    ground = site.ground
    watch.at("outline of the underside", 0.0)
    footprint = footprint_of(site)
    if not footprint.carried.any():
        return _refusal(
            site,
            "it hangs in mid-air: nothing beside it carries it at its own height",
            "Turn the part over, split it there, or support it",
        )
    slope, slope_on_bed = (slope_of(ground.process, first_layer=on_bed) for on_bed in (False, True))
    canvas = canvas_of(ground, footprint)
    if not canvas.held.any():
        return _refusal(site, "it is too small to be drawn on", "")
    if not canvas.flat:
        footprint = rising(footprint, canvas)
    carriers = Carriers.of(footprint, mitred=canvas.flat)
    way = _ways_over(canvas, carriers, watch.part(0.1, 0.2))
    lower, lower_on_bed = _lower(canvas, carriers, way, (slope, slope_on_bed), watch.part(0.2, 0.4))
    if not np.isfinite(lower[canvas.held]).any() or _unseen(canvas, lower) > _SHARE_UNSEEN:
        return _refusal(site, "no straight way leads from all of it to what carries it", "Try a peaked roof")
    behind, to_bed = _behind(ground, canvas, lower, carriers, slope)
    first_middle = float(ground.stack.middles_mm[0])
    low = float(np.nanmin(lower[canvas.held]))
    if to_bed or low < first_middle:
        slope, lower = slope_on_bed, lower_on_bed
        behind, to_bed = _behind(ground, canvas, lower, carriers, slope)
    if (dips := _dips(ground, canvas, np.maximum(lower, 0.0))) > _MOST_DIPS:
        return _refusal(site, f"it would be ragged: it would begin in mid-air in {dips} places", "")
    more = _widened(footprint, ground.process.line_width_mm)
    if behind is not None:
        more = overlay.union(more, behind)
    if not more.is_empty:
        canvas = canvas_of(ground, footprint, more)
        way = _ways_over(canvas, carriers, watch.part(0.4, 0.5))
        (lower,) = _lower(canvas, carriers, way, (slope,), watch.part(0.5, 0.6))
    on_bed = to_bed or bool((lower[canvas.held] < 0.0).any())
    lower = np.maximum(lower, 0.0)

    watch.at("drawing the corbel", 0.6)
    solid = _solid(ground, footprint, canvas, lower, way, more, behind is not None)
    if on_bed:
        solid = solid.trim_by_plane((0.0, 0.0, 1.0), 0.0)
    top_mm = float(canvas.surface[canvas.held].max())
    if canvas.step > ground.process.line_width_mm and solid.bounding_box()[5] > top_mm + _RISE_MM:
        return _refusal(site, "its ways spread too far to be drawn finely enough", "")
    if not canvas.flat or behind is not None:
        watch.at("fitting the corbel to the part", 0.9)
        solid = settled(ground.solid, solid)
    if solid.is_empty() or solid.volume() < _LEAST_MM3:
        return _refusal(site, "no corbel is left once it is drawn", "")
    low_mm = solid.bounding_box()[2]
    drop = float(np.nanmax(canvas.surface[canvas.held])) - max(low_mm, 0.0)
    words = (
        f"a corbel beneath, {drop:.1f} mm deep where it meets the part, "
        f"receding at {90.0 - np.degrees(np.arctan(slope)):.1f}° from the vertical"
    )
    notes = ("a share of it comes down to the bed",) if on_bed else ()
    watch.at("corbel drawn", 1.0)
    return Draft(
        ChangeKind.CORBEL,
        site.underside.number,
        words,
        added=(Region("corbel", solid),),
        notes=notes,
        dimensions=_dimensions(footprint, canvas, slope),
    )


def _dimensions(footprint: Footprint, canvas: Canvas, slope: float) -> tuple[Dimension, ...]:
    """Chamfers along its edges, under a level underside."""
    if not canvas.flat:
        return ()
    return chamfers(footprint, float(np.median(canvas.surface[canvas.held])), slope)


def _refusal(site: UndersideSite, why: str, cure: str) -> Refusal:
    return Refusal(ChangeKind.CORBEL, site.underside.number, why, cure)


def _ways_over(canvas: Canvas, carriers: Carriers, watch: Watch) -> _CanvasWays:
    """The ways from a canvas to what carries it, round corners where no straight ones lead."""
    c = carriers
    base, tip_base = np.zeros((len(c.ends), 2)), np.zeros(len(c.tips))
    features = (c.ends, c.normals, c.carried, base, c.tips, c.fans, c.spokes, tip_base)
    found = _ways(canvas, features, np.empty((0, 2)), np.empty(0), watch)
    if (canvas.held & (found.place == 0)).any():
        found = _ways(canvas, features, *_bends(c, features), watch)
    return found


def _ways(
    canvas: Canvas, features: tuple[NDArray, ...], bends: Floats, bend_base: Floats, watch: Watch
) -> _CanvasWays:
    """The same, a few rows at a time: it may take seconds, and may be stopped."""
    from falsework.kernels.field.ways import ways

    x0, y0, step = canvas.place
    parts = []
    for first in range(0, len(canvas.wanted), _ROWS):
        watch.at("ways to what carries it", first / len(canvas.wanted))
        rows = slice(first, first + _ROWS)
        place, _, distance, away = ways(
            *features,
            bends,
            bend_base,
            1.0,
            canvas.wanted[rows],
            canvas.held[rows],
            x0,
            y0 + first * step,
            step,
        )
        parts.append((place, distance, away))
    return _CanvasWays(*(np.concatenate(grids) for grids in zip(*parts, strict=True)))


def _lower(
    canvas: Canvas, carriers: Carriers, way: _CanvasWays, slopes: tuple[float, ...], watch: Watch
) -> tuple[HeightGrid, ...]:
    """The corbel's own underside over a canvas, for each slope: all that lies above its ways."""
    from falsework.kernels.field.grids import extend
    from falsework.kernels.field.ways import sunk

    c, parts = carriers, []
    for first in range(0, len(canvas.wanted), _ROWS):
        watch.at("how deep it reaches down", first / len(canvas.wanted))
        rows = slice(first, first + _ROWS)
        some, _ = sunk(
            canvas.surface, canvas.flat, way.place[rows], way.distance[rows], way.away[rows],
            c.ends, c.normals, c.carried, c.tips, c.fans, c.spokes, np.array(slopes), _BEND_COSINE,
            *canvas.place, first,
        )  # fmt: skip
        parts.append(some)
    found = tuple(np.ascontiguousarray(one) for one in np.concatenate(parts, axis=1))
    for lower in found:
        if not (canvas.held & np.isnan(lower)).any():
            extend(lower, 3 * RIM)
    return found


def _bends(carriers: Carriers, features: tuple[NDArray, ...]) -> tuple[Floats, Floats]:
    """Corners of the outline round which ways bend, (n, 2), and how far each is from what carries: (n,)."""
    from falsework.kernels.field.ways import nearest_at

    c = carriers
    before = c.carried[c.precedes]
    at = c.ends[:, :2] + _OFF_MM * (c.normals + c.normals[c.precedes])
    start = c.carried != before  # where carried edges end
    bends, base = at[start], np.zeros(int(start.sum()))
    back = c.normals[c.precedes]
    around = (
        back[:, 0] * c.normals[:, 1] - back[:, 1] * c.normals[:, 0] < 0.0
    )  # a way can only bend round these
    others = at[~start & ~c.carried & ~before & around]
    known = np.full(len(others), np.inf)
    for _ in range(_MOST_BENDS):
        found = nearest_at(others, *features, bends, base, 1.0)
        if not (np.isfinite(found) & ~np.isfinite(known)).any():
            break
        known = found
        seen = np.isfinite(known)
        bends = np.ascontiguousarray(np.concatenate([at[start], others[seen]]))
        base = np.concatenate([np.zeros(int(start.sum())), known[seen]])
    return bends, base


def _widened(footprint: Footprint, line_mm: float) -> planar.Geometry:
    """What must be added beside a footprint for no part of it to be narrower than two lines."""
    half_mm = 0.5 * _WALL_WIDTHS * line_mm
    whole = overlay.union(footprint.area, _into(footprint, 2.0 * half_mm))
    wide = offset_mitred(offset_mitred(whole, -half_mm), 1.02 * half_mm, limit=2.0)
    thin = planar.get_parts(overlay.difference(footprint.area, wide))
    thin = thin[planar.area(thin) > _LEAST_THIN_WIDTHS2 * line_mm**2]
    return overlay.buffer(overlay.union_all(thin), half_mm, quad_segs=2)


def _unseen(canvas: Canvas, lower: HeightGrid) -> float:
    """Share of the footprint to which no way leads."""
    return float((canvas.held & ~np.isfinite(lower)).sum() / max(1, canvas.held.sum()))


def _dips(ground: PlannedPart, canvas: Canvas, lower: HeightGrid) -> int:
    """In how many places the corbel's underside hangs lower than all around it, by a layer, with neither the
    part nor the bed to carry it: there it would begin in mid-air."""
    from falsework.kernels.field.grids import pits

    process, layers = ground.process, np.zeros(lower.shape, np.int64)
    drawn = canvas.held & np.isfinite(lower) & (canvas.surface - lower > process.layer_height_mm)
    layers[drawn] = np.searchsorted(ground.stack.middles_mm, lower[drawn])
    number = pits(np.where(drawn, layers, -1))
    row, column = np.nonzero(number >= 0)
    at = np.column_stack([canvas.x0 + column * canvas.step, canvas.y0 + row * canvas.step])
    layer = np.minimum(layers[row, column], ground.stack.count - 1)
    carried = ground.outlines.distance_mm(at, layer) <= 0.5 * process.line_width_mm
    held = number[row, column][carried | (layer == 0)]
    return int(number.max(initial=-1)) + 1 - len(np.unique(held))


def _behind(
    ground: PlannedPart, canvas: Canvas, lower: HeightGrid, carriers: Carriers, slope: float
) -> tuple[planar.Geometry | None, bool]:
    """Where what carries recedes beneath its edge: the area that the ways still cross until they are inside
    the part, and whether any comes down to the bed first."""
    c = carriers
    edge = np.flatnonzero(c.carried)
    length = np.hypot(*(c.ends[edge, 2:] - c.ends[edge, :2]).T)
    pieces = np.maximum(1, np.ceil(length / (3.0 * canvas.step))).astype(np.int64)
    owner = np.repeat(edge, pieces)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    step_share = 1.0 / np.repeat(pieces, pieces)
    along = c.ends[owner, 2:] - c.ends[owner, :2]
    a = c.ends[owner, :2] + (nth * step_share)[:, None] * along
    b = c.ends[owner, :2] + ((nth + 1) * step_share)[:, None] * along
    normal = c.normals[owner]
    foot = 0.5 * (a + b)
    height = sampled(lower, canvas, foot + 0.5 * canvas.step * normal) - 0.5 * slope * canvas.step
    open_ = np.isfinite(height)
    reach = np.zeros(len(foot))
    to_bed = False
    stride = 0.25 * ground.process.line_width_mm
    z_mm = ground.stack.z_mm
    for k in range(1, 4000):
        live = np.flatnonzero(open_)
        if not len(live):
            break
        at = k * stride
        point = foot[live] - at * normal[live]
        z = height[live] - slope * at
        # the nearest section at or above the way: the way is inside once it has passed the wall's face
        layer = np.searchsorted(z_mm, z, side="right") - 1
        bed = z <= 0.0
        layer = np.clip(layer, 0, ground.stack.count - 1)
        inside = ground.outlines.distance_mm(np.ascontiguousarray(point), layer) == 0.0
        reach[live[~inside & ~bed]] = at
        to_bed |= bool((bed & ~inside).any())
        open_[live[inside | bed]] = False
    going = reach > 0.0
    if not going.any():
        return None, False
    # sections are known a layer apart, so the wall's face lies within a layer's way of where it was met
    past = ground.process.layer_height_mm / slope + stride
    far = (reach + past + OVERLAP_MM)[:, None] * normal
    quads = planar.polygons(np.stack([a, b, b - far, a - far], axis=1)[going])
    area = overlay.union_all(grown(overlay.make_valid(quads), 0.5 * canvas.step))
    return area, to_bed


def _solid(
    ground: PlannedPart,
    footprint: Footprint,
    canvas: Canvas,
    lower: HeightGrid,
    way: _CanvasWays,
    more: planar.Geometry,
    receding: bool,
) -> Manifold:
    """The body between the corbel's underside and the part's, cut off at the footprint's free edges."""
    area = overlay.union(_within(footprint), more)
    top = float(np.nanmax(canvas.surface[canvas.wanted & np.isfinite(lower)])) + 5.0
    if canvas.flat and not receding:
        level = float(np.median(canvas.surface[canvas.held])) + OVERLAP_MM
        return cut(body(lower, canvas, top, above=True).trim_by_plane((0.0, 0.0, -1.0), -level), area)
    upper = np.maximum(canvas.surface, lower) + _CURVED_OVERLAP_MM
    if receding:
        upper = _roofed(ground, canvas, lower, upper, way)
    bottom = float(np.nanmin(lower[canvas.wanted])) - 5.0
    return cut(body(lower, canvas, top, above=True) ^ body(upper, canvas, bottom, above=False), area)


def _within(footprint: Footprint) -> planar.Geometry:
    """The footprint, and a little way into what carries it."""
    return overlay.union(footprint.area, _into(footprint, OVERLAP_MM))


def _into(footprint: Footprint, by_mm: float) -> planar.Geometry:
    """A band along both sides of the carried edges."""
    edges = footprint.ends[footprint.carried].reshape(-1, 2, 2)
    lines = planar.line_merge(planar.multilinestrings(list(edges)))
    return overlay.buffer(lines, by_mm, cap_style="flat", join_style="mitre", mitre_limit=2.0)


def _roofed(
    ground: PlannedPart, canvas: Canvas, lower: HeightGrid, upper: HeightGrid, way: _CanvasWays
) -> HeightGrid:
    """Behind receding walls the body reaches up into the first surface above its own underside."""
    from falsework.kernels.field.grids import surface_above
    from falsework.kernels.field.ways import BEHIND

    asked = np.where((way.place == BEHIND) & np.isfinite(lower), lower, np.nan)
    rows, columns = lower.shape
    x0, y0, step = canvas.place
    near = faces_over(ground, (x0, y0, x0 + columns * step, y0 + rows * step))
    outward = ground.part.volume_mm3 >= 0.0
    enters, leaves = np.empty_like(lower), np.empty_like(lower)
    surface_above(ground.part.vertices, near, outward, asked, x0, y0, step, enters)
    surface_above(ground.part.vertices, near, not outward, asked, x0, y0, step, leaves)
    known = np.where(np.isnan(upper), lower + OVERLAP_MM, upper)
    within = np.minimum(known, np.maximum(lower, leaves - OVERLAP_MM) + OVERLAP_MM)
    behind = np.where(enters < leaves, enters + OVERLAP_MM, within)
    return np.where(np.isnan(asked), upper, behind)

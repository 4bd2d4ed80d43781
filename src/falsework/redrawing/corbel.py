"""Corbel: material added beneath an underside, receding at the limit until it meets the part.

From every point of the underside a way leads straight to the nearest of what carries it, sinking by the slope
of the limit; the corbel is all that lies above these ways. Beneath a straight ledge that is a wedge, beneath
a round one on a stem a cone's frustum, within a hollow what its walls send towards its middle lines. At a
square corner of a stem the two planes run on until they meet, as the rule of the layers allows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.redrawing.draft import ChangeKind, Draft, Refusal, Region
from falsework.redrawing.field import (
    OVERLAP_MM,
    RIM,
    Canvas,
    Carriers,
    Grid,
    body,
    canvas_of,
    cut,
    faces_over,
    grown,
    sampled,
    slope_of,
)
from falsework.redrawing.footprint import Footprint, footprint_of
from falsework.redrawing.site import Ground, Site
from falsework.watch import QUIET, Watch

_BEND_COSINE = 0.75  # walls that turn by less than 41° carry as one round wall does
_LEAST_MM3 = 1e-3
_SHARE_UNSEEN = 0.02  # of the footprint that no way leads to


@dataclass(frozen=True, eq=False)
class _Way:
    """The ways over a canvas: see ``falsework.kernels.fields``."""

    place: NDArray[np.int8]
    distance: Grid
    away: Grid


def corbel(site: Site, watch: Watch = QUIET) -> Draft | Refusal:
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
    carriers = Carriers.of(footprint)
    slope = slope_of(ground.process, first_layer=False)
    watch.at("ways to what carries it", 0.2)
    canvas = canvas_of(ground, footprint)
    lower, way = _lower(canvas, carriers, slope)
    if not np.isfinite(lower[canvas.held]).any() or _unseen(canvas, lower) > _SHARE_UNSEEN:
        return _refusal(site, "no straight way leads from all of it to what carries it", "Try a peaked roof")
    behind, to_bed = _behind(ground, canvas, lower, carriers, slope)
    first_middle = float(ground.stack.middles_mm[0])
    low = float(np.nanmin(lower[canvas.held]))
    if to_bed or low < first_middle:
        slope = slope_of(ground.process, first_layer=True)
        lower, way = _lower(canvas, carriers, slope)
        behind, to_bed = _behind(ground, canvas, lower, carriers, slope)
    if behind is not None:
        canvas = canvas_of(ground, footprint, behind)
        lower, way = _lower(canvas, carriers, slope)
    on_bed = to_bed or bool((lower[canvas.held] < 0.0).any())
    lower = np.maximum(lower, 0.0)

    watch.at("drawing the corbel", 0.6)
    solid = _solid(ground, footprint, canvas, lower, way, behind)
    if solid.is_empty() or solid.volume() < _LEAST_MM3:
        return _refusal(site, "no corbel is left once it is drawn", "")
    low_mm = solid.bounding_box()[2]
    drop = float(np.nanmax(canvas.surface[canvas.held])) - max(low_mm, 0.0)
    words = (
        f"a corbel beneath, {drop:.1f} mm deep where it meets the part, "
        f"receding at {90.0 - np.degrees(np.arctan(slope)):.0f}° from the vertical"
    )
    notes = ("a share of it comes down to the bed",) if on_bed else ()
    watch.at("corbel drawn", 1.0)
    return Draft(
        ChangeKind.CORBEL, site.underside.number, words, added=(Region("corbel", solid),), notes=notes
    )


def _refusal(site: Site, why: str, cure: str) -> Refusal:
    return Refusal(ChangeKind.CORBEL, site.underside.number, why, cure)


def _lower(canvas: Canvas, carriers: Carriers, slope: float) -> tuple[Grid, _Way]:
    """The corbel's own underside over a canvas, and the ways it follows."""
    from falsework.kernels.fields import extend, nearest_at, sunk, ways

    c = carriers
    base, tip_base = np.zeros((len(c.ends), 2)), np.zeros(len(c.tips))
    bends, bend_base = np.empty((0, 2)), np.empty(0)
    features = (c.ends, c.normals, c.carried, base, c.tips, c.fans, c.spokes, tip_base)
    for _ in range(4):
        place, _, distance, away = ways(
            *features, bends, bend_base, 1.0, canvas.wanted, canvas.held, *canvas.place
        )
        if not (canvas.held & (place == 0)).any():
            break
        # round corners of the outline the way bends: they are stations on it
        corners = c.ends[:, :2] + 1e-3 * (c.normals + np.roll(c.normals, 1, axis=0))
        reached = nearest_at(corners, *features, bends, bend_base, 1.0)
        seen = np.isfinite(reached)
        if seen.sum() == len(bends):
            break
        bends, bend_base = np.ascontiguousarray(corners[seen]), reached[seen]
    lower, _ = sunk(
        canvas.surface, canvas.flat, place, distance, away,
        c.ends, c.normals, c.carried, c.tips, c.fans, c.spokes, slope, _BEND_COSINE, *canvas.place,
    )  # fmt: skip
    if not (canvas.held & np.isnan(lower)).any():
        extend(lower, RIM)
    return lower, _Way(place, distance, away)


def _unseen(canvas: Canvas, lower: Grid) -> float:
    """Share of the footprint to which no way leads."""
    return float((canvas.held & ~np.isfinite(lower)).sum() / max(1, canvas.held.sum()))


def _behind(
    ground: Ground, canvas: Canvas, lower: Grid, carriers: Carriers, slope: float
) -> tuple[shapely.Geometry | None, bool]:
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
    going = reach > stride
    if not going.any():
        return None, False
    far = (reach + stride + OVERLAP_MM)[:, None] * normal
    quads = shapely.polygons(np.stack([a, b, b - far, a - far], axis=1)[going])
    area = shapely.union_all(grown(shapely.make_valid(quads), 0.5 * canvas.step))
    return area, to_bed


def _solid(
    ground: Ground,
    footprint: Footprint,
    canvas: Canvas,
    lower: Grid,
    way: _Way,
    behind: shapely.Geometry | None,
):
    """The body between the corbel's underside and the part's, cut off at the footprint's free edges."""
    area = _within(ground, footprint)
    top = float(np.nanmax(canvas.surface[canvas.wanted & np.isfinite(lower)])) + 5.0
    if canvas.flat and behind is None:
        level = float(np.median(canvas.surface[canvas.held])) + OVERLAP_MM
        return cut(body(lower, canvas, top, above=True).trim_by_plane((0.0, 0.0, -1.0), -level), area)
    upper = np.maximum(canvas.surface, lower) + OVERLAP_MM
    if behind is not None:
        upper = _roofed(ground, canvas, lower, upper, way)
        area = shapely.union(area, behind)
    bottom = float(np.nanmin(lower[canvas.wanted])) - 5.0
    return cut(body(lower, canvas, top, above=True) ^ body(upper, canvas, bottom, above=False), area)


def _within(ground: Ground, footprint: Footprint) -> shapely.Geometry:
    """The footprint, and a little way into what carries it."""
    edges = footprint.ends[footprint.carried]
    along = edges[:, 2:] - edges[:, :2]
    length = np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    outward = OVERLAP_MM * np.column_stack([along[:, 1], -along[:, 0]]) / length
    a, b = edges[:, :2], edges[:, 2:]
    bands = shapely.polygons(np.stack([a, b, b + outward, a + outward], axis=1))
    return shapely.union_all([footprint.area, *bands])


def _roofed(ground: Ground, canvas: Canvas, lower: Grid, upper: Grid, way: _Way) -> Grid:
    """Behind receding walls the body reaches up to the first surface above its own underside."""
    from falsework.kernels.fields import BEHIND, surface_above

    asked = np.where((way.place == BEHIND) & np.isfinite(lower), lower, np.nan)
    rows, columns = lower.shape
    x0, y0, step = canvas.place
    found = np.empty_like(lower)
    near = faces_over(ground, (x0, y0, x0 + columns * step, y0 + rows * step))
    surface_above(ground.part.vertices, near, ground.part.volume_mm3 >= 0.0, asked, x0, y0, step, found)
    here = np.isfinite(found) & np.isfinite(asked)
    behind = way.place == BEHIND
    out = np.where(behind, lower + OVERLAP_MM, upper)
    inside = here & (found < np.where(np.isnan(canvas.surface), np.inf, canvas.surface + 1.0))
    out[inside] = np.minimum(found[inside] + OVERLAP_MM, 1e9)
    return out

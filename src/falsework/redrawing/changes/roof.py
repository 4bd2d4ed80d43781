"""Peaked roof: material removed above a ceiling, so that it closes at the limit from all that carries it.

Above each point of the ceiling the roof is as high as the slope that rises from the nearest of its carried
edges, or from whatever of the ceiling stands higher on the way. A flat ceiling between two walls becomes a
gable, that of a square room a pyramid; a round hole becomes a drop, whose two planes touch the circle where
it gets too flat. A tangent at the angle a from the vertical touches where the radius makes it with the
level, r cos a beside the axis and r sin a above it, and rises by r cos a / tan a to the middle: the planes
meet r sin a + r cos² a / sin a = r / sin a above the axis. Nothing beneath the old ceiling changes: the
bore stays.
"""

from __future__ import annotations

import numpy as np

from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, Region
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
    slope_of,
)
from falsework.redrawing.site.footprint import footprint_of
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch
from falsework.wording import figures

_OPEN_SHARE = 0.5  # of the ceiling that slopes to a free edge: then it is no ceiling
_WALL_WIDTHS = 2.0  # what stays above the roof, in line widths
_LEAST_MM3 = 1e-3


def peaked_roof(site: UndersideSite, flat_mm: float = 0.0, watch: Watch = QUIET) -> Draft | Refusal:
    """The lowest roof over a ceiling that closes by itself, or why there is none.

    ``flat_mm``: the width that stays flat at the top, to be bridged; 0 for a peak.
    """
    ground = site.ground
    watch.at("outline of the ceiling", 0.0)
    footprint = footprint_of(site)
    if not footprint.carried.any():
        return _refusal(site, "it hangs in mid-air: there is nothing for a roof to rise from", "")
    slope = slope_of(ground.process, first_layer=site.underside.layers[0] <= 1)
    watch.at("slopes of the roof", 0.2)
    canvas = canvas_of(ground, footprint)
    if not canvas.held.any():
        return _refusal(site, "it is too small to be drawn on", "")
    if not canvas.flat:
        footprint = rising(footprint, canvas)
    carriers = Carriers.of(footprint, mitred=canvas.flat)
    upper, distance = _upper(canvas, carriers, slope)
    if np.isnan(upper[canvas.held]).any():
        return _refusal(site, "part of it is out of sight of all that carries it", "Try a corbel")
    if _open_share(canvas, carriers, slope) > _OPEN_SHARE:
        return _refusal(
            site,
            "it has a free edge: cut to a slope, the part would lose that edge",
            "Add a corbel beneath instead",
        )
    if flat_mm > 0.0:
        upper = np.minimum(upper, float(upper[canvas.held].max()) - 0.5 * slope * flat_mm)
    left_mm = _left_above_mm(ground, canvas, upper)
    least_mm = _WALL_WIDTHS * ground.process.line_width_mm
    if left_mm < least_mm:
        return _refusal(
            site,
            "it would break through above"
            if left_mm <= 0.0
            else f"it would leave {figures.length(left_mm)} above, less than two lines",
            "Keep a flat width to be bridged, or make the part higher there",
        )
    watch.at("drawing the roof", 0.6)
    lower = canvas.surface - np.minimum(slope * distance, OVERLAP_MM)
    low, high = float(np.nanmin(lower)) - 5.0, float(np.nanmax(upper[canvas.wanted])) + 5.0
    inner = body(upper, canvas, low, above=False) ^ body(lower, canvas, high, above=True)
    solid = cut(inner, grown(footprint.area, OVERLAP_MM))
    if solid.is_empty() or solid.volume() < _LEAST_MM3:
        return _refusal(site, "nothing is left to remove once the roof is drawn", "")
    peak_mm = float((upper - canvas.surface)[canvas.held].max())
    words = (
        f"a peaked roof over it, {peak_mm:.1f} mm higher than the ceiling was, "
        f"closing at {90.0 - np.degrees(np.arctan(slope)):.1f}° from the vertical"
        + (f" to a flat of {flat_mm:g} mm" if flat_mm > 0.0 else "")
    )
    watch.at("roof drawn", 1.0)
    return Draft(ChangeKind.ROOF, site.underside.number, words, removed=(Region("peaked roof", solid),))


def _refusal(site: UndersideSite, why: str, cure: str) -> Refusal:
    return Refusal(ChangeKind.ROOF, site.underside.number, why, cure)


def _upper(canvas: Canvas, carriers: Carriers, slope: float) -> tuple[HeightGrid, HeightGrid]:
    """The roof over a canvas, and the distance from what it rises from (negative past it)."""
    from falsework.kernels.field.grids import extend
    from falsework.kernels.field.ways import raised, ways

    c = carriers
    inward = 1e-3 * c.normals
    base = np.column_stack([canvas.at(c.ends[:, :2] + inward), canvas.at(c.ends[:, 2:] + inward)])
    place, value, distance, away = ways(
        c.ends, c.normals, c.carried, base, c.tips, c.fans, c.spokes,
        canvas.at(c.tips), np.empty((0, 2)), np.empty(0), slope, canvas.wanted, canvas.held, *canvas.place,
    )  # fmt: skip
    if not canvas.flat:
        raised(canvas.surface, place, distance, away, value, slope, *canvas.place)
    if not np.isnan(value[canvas.held]).any():
        extend(value, RIM)
        extend(distance, RIM)
    return value, distance


def _open_share(canvas: Canvas, carriers: Carriers, slope: float) -> float:
    """Share of the ceiling whose slope rises to a free edge, not to meet another slope."""
    from falsework.kernels.field.ways import FREE, INSIDE, sunk, ways

    c = carriers
    none = np.empty((0, 2)), np.empty(0)
    place, _, distance, away = ways(
        c.ends, c.normals, c.carried, np.zeros((len(c.ends), 2)), c.tips, c.fans, c.spokes,
        np.zeros(len(c.tips)), *none, 1.0, canvas.held, canvas.held, *canvas.place,
    )  # fmt: skip
    _, ending = sunk(
        canvas.surface, True, place, distance, away,
        c.ends, c.normals, c.carried, c.tips, c.fans, c.spokes, np.array([slope]), 2.0, *canvas.place, 0,
    )  # fmt: skip
    known = place == INSIDE
    return float((known & (ending == FREE)).sum() / max(1, known.sum()))


def _left_above_mm(ground: PlannedPart, canvas: Canvas, upper: HeightGrid) -> float:
    """The least height of material that stays above the roof."""
    from falsework.kernels.field.grids import surface_above

    rising = canvas.held & (upper > canvas.surface + 1e-3)
    asked = np.where(rising, canvas.surface + 1e-3, np.nan)
    rows, columns = upper.shape
    x0, y0, step = canvas.place
    found = np.empty_like(upper)
    near = faces_over(ground, (x0, y0, x0 + columns * step, y0 + rows * step))
    surface_above(ground.part.vertices, near, ground.part.volume_mm3 < 0.0, asked, x0, y0, step, found)
    return float((found - upper)[rising].min(initial=np.inf))

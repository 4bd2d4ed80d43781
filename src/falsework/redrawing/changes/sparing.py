"""Whether a body that is to be added or cut would touch faces that must stay as they are."""

from __future__ import annotations

import math

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats
from falsework.redrawing.changes.walls import Wall
from falsework.redrawing.site.value import PlannedPart

TOUCH_MM = 0.01  # what lies no deeper than this in a face leaves it as it is


def prism_touches_spared(
    ground: PlannedPart, polygon: planar.Geometry, low_mm: float, high_mm: float
) -> bool:
    """Whether a polygon drawn up from one height to another reaches a spared face."""
    if not ground.spared.any():
        return False
    return bool(within_slab(_spared(ground), polygon, low_mm, high_mm).any())


def wall_touches_spared(ground: PlannedPart, wall: Wall) -> bool:
    """Whether an upright wall reaches a spared face."""
    if not ground.spared.any():
        return False
    c, s = math.cos(math.radians(wall.deg)), math.sin(math.radians(wall.deg))
    seen = _spared(ground) @ np.array([[c, 0.0, -s], [s, 0.0, c], [0.0, 1.0, 0.0]])  # along, z, across
    half = 0.5 * wall.thick_mm
    return bool(within_slab(seen, wall.profile, wall.across_mm - half, wall.across_mm + half).any())


def _spared(ground: PlannedPart) -> Floats:
    corners: Floats = ground.part.vertices[ground.part.faces[ground.spared]]
    return corners


def within_slab(triangles: Floats, polygon: planar.Geometry, low: float, high: float) -> np.ndarray:
    """(n,) whether triangles (n, 3, 3) reach deeper than a touch into a polygon of the first two coordinates
    drawn along the third from ``low`` to ``high``."""
    polygon, low, high = (
        overlay.buffer(polygon, -TOUCH_MM, join_style="mitre"),
        low + TOUCH_MM,
        high - TOUCH_MM,
    )
    found = np.zeros(len(triangles), dtype=bool)
    if polygon.is_empty or low >= high:
        return found
    x0, y0, x1, y1 = polygon.bounds
    least, most = triangles.min(axis=1), triangles.max(axis=1)
    near = np.flatnonzero((most > (x0, y0, low)).all(axis=1) & (least < (x1, y1, high)).all(axis=1))
    # what of a triangle lies in the slab is the hull of its corners there and its edges' crossings
    corners = triangles[near]
    ends = np.roll(corners, -1, axis=1)
    points = [corners]
    inside = [(corners[:, :, 2] >= low) & (corners[:, :, 2] <= high)]
    rise = ends[:, :, 2] - corners[:, :, 2]
    for level in (low, high):
        share = np.divide(level - corners[:, :, 2], rise, out=np.full(rise.shape, -1.0), where=rise != 0.0)
        points.append(corners + share[:, :, None] * (ends - corners))
        inside.append((share >= 0.0) & (share <= 1.0))
    flat, kept = np.concatenate(points, axis=1)[:, :, :2], np.concatenate(inside, axis=1)
    owner = np.repeat(np.arange(len(near)), kept.sum(axis=1))
    some = np.unique(owner)
    if not len(some):
        return found
    hulls = planar.convex_hull(planar.multipoints(flat[kept], indices=np.searchsorted(some, owner)))
    found[near[some]] = planar.intersects(polygon, hulls)
    return found

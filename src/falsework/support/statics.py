"""Elementary statics of a rigid body on a bonded base: areas as sums, their hulls, what holds about an edge.

A body turns about an edge of the hull of all that it stands on. Its weight rights it with its distance from
that edge, its bond with a stress that grows in proportion to the distance from the edge.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.field.tipping import AREA, FAR, SUMS, SX, SXX, SXY, SY, SYY
from falsework.layers import planar
from falsework.layers.stack import Floats, Regions
from falsework.need.measure import polygon_edges

DIRECTIONS = 72  # every 5°


def around() -> Floats:
    """(d, 2) even unit directions; the opposite of each lies half of them away."""
    angle = np.arange(DIRECTIONS) * 2.0 * np.pi / DIRECTIONS
    return np.column_stack([np.cos(angle), np.sin(angle)])


def moments(polygons: Regions) -> Floats:
    """(n, SUMS) area, first and second moments of polygons about the origin, by Green's theorem."""
    edges, first = polygon_edges(planar.orient_polygons(polygons))
    x0, y0, x1, y1 = edges.T
    cross = x0 * y1 - x1 * y0
    out = np.zeros((len(edges), SUMS))
    out[:, AREA] = cross / 2.0
    out[:, SX] = (x0 + x1) * cross / 6.0
    out[:, SY] = (y0 + y1) * cross / 6.0
    out[:, SXX] = (x0 * x0 + x0 * x1 + x1 * x1) * cross / 12.0
    out[:, SXY] = (x0 * y1 + 2.0 * x0 * y0 + 2.0 * x1 * y1 + x1 * y0) * cross / 24.0
    out[:, SYY] = (y0 * y0 + y0 * y1 + y1 * y1) * cross / 12.0
    sums: Floats = np.add.reduceat(out, first[:-1], axis=0) if len(polygons) else np.zeros((0, SUMS))
    return sums


def hulls(polygons: Regions) -> Floats:
    """(n, d) support functions of polygons: how far each reaches in each direction."""
    edges, first = polygon_edges(polygons)
    reach: Floats = np.maximum.reduceat(edges[:, :2] @ around().T, first[:-1], axis=0)
    return reach


def nowhere(count: int) -> Floats:
    """(n, d) support functions of nothing."""
    return np.full((count, DIRECTIONS), FAR)


def bonded_moments(sums: Floats, hull: Floats) -> Floats:
    """(n, d) moment that bonded areas bear about the edge of their hull, for each direction of turning.

    ``sums`` (n, SUMS) of areas times the stress that they bear, ``hull`` (n, d): ∫ ξ² dA / ξ_max over the
    distance ξ from the edge; of a rectangle A b / 3.
    """
    along = around()
    first = sums[:, [SX, SY]] @ along.T
    second = sums[:, [SXX]] * along[:, 0] ** 2 + sums[:, [SYY]] * along[:, 1] ** 2
    second = second + 2.0 * sums[:, [SXY]] * along[:, 0] * along[:, 1]
    about = second - 2.0 * hull * first + hull**2 * sums[:, [AREA]]
    breadth = breadths(hull)
    moment: Floats = np.maximum(about, 0.0) / np.maximum(breadth, 1e-9)
    return np.where(breadth > 1e-9, moment, 0.0)


def section_modulus(sums: Floats, hull: Floats) -> float:
    """Least I / c, mm³, of an area about axes through its centroid: ``sums`` (SUMS,), ``hull`` (d,)."""
    along = around()
    middle = sums[[SX, SY]] / max(float(sums[AREA]), 1e-12)
    at = along @ middle
    second = sums[SXX] * along[:, 0] ** 2 + sums[SYY] * along[:, 1] ** 2
    second = second + 2.0 * sums[SXY] * along[:, 0] * along[:, 1] - sums[AREA] * at**2
    far = np.maximum(hull - at, np.roll(hull, DIRECTIONS // 2) + at)
    return float((np.maximum(second, 0.0) / np.maximum(far, 1e-9)).min())


def breadths(hull: Floats) -> Floats:
    """(n, d) breadth of each hull along each direction."""
    across: Floats = hull + np.roll(hull, DIRECTIONS // 2, axis=1)
    return across

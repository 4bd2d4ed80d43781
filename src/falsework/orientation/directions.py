"""Directions that may point up, and the rotations that make them do so."""

from __future__ import annotations

from typing import Any

import numpy as np

from falsework.arrays import Floats
from falsework.kernels.mesh.measures import merged_normals

ODD_SPIN_DEG = 17.3
"""Turn about the vertical while columns are counted: a grid aligned with the part's own edges errs most."""


def even_directions(count: int) -> Floats:
    """(count, 3) unit vectors spread evenly over the sphere (spherical Fibonacci lattice).

    Source: González, Á. 2010, Measurement of areas on a sphere using Fibonacci and latitude–longitude
    lattices, Mathematical Geosciences 42:49 (the lattice; from memory).
    """
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count
    longitude = np.pi * (1.0 + np.sqrt(5.0)) * k
    radius = np.sqrt(1.0 - z * z)
    return np.stack([radius * np.cos(longitude), radius * np.sin(longitude), z], axis=1)


def _hull(vertices: Floats) -> Any:
    """The convex hull, None for point sets without volume."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return ConvexHull(vertices)
    except (QhullError, ValueError):
        return None


def hull_corners(vertices: Floats) -> Floats:
    """(k, 3) corners of the convex hull; all points where they have no volume."""
    hull = _hull(vertices)
    return vertices if hull is None else vertices[hull.vertices]


def resting_directions(vertices: Floats, most: int = 60) -> Floats:
    """(k, 3) up directions that lay the part on a face of its convex hull, largest faces first.

    Hull triangles within half a degree of each other count as one face. Empty for flat or needle-like
    point sets, which have no hull.
    """
    return resting_faces(vertices, most)[0]


def resting_faces(vertices: Floats, most: int = 60) -> tuple[Floats, Floats]:
    """The same with (k,) the area of each face."""
    hull = _hull(vertices)
    if hull is None:
        return np.zeros((0, 3)), np.zeros(0)
    corners = vertices[hull.simplices]
    areas = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    order = np.argsort(-areas, kind="stable")
    order = order[: 40 * most]  # bounded: a sphere's hull has as many faces as the part
    outward = np.ascontiguousarray(hull.equations[order, :3])
    firsts, sums = merged_normals(outward, areas[order], np.cos(np.radians(0.5)))
    ranked = np.argsort(-sums, kind="stable")[:most]
    return -outward[firsts[ranked]], sums[ranked]


def rotations_to_up(directions: Floats, spin_deg: float = 0.0) -> Floats:
    """(d, 3, 3) rotations (applied to column vectors) that turn each unit direction to +z, then spin about z.

    Equal to turning about x, then y, then z by :func:`turn_deg_of`.
    """
    a, b, c = directions[:, 0], directions[:, 1], directions[:, 2]
    lean = np.hypot(b, c)
    flat = lean < 1e-12
    safe = np.where(flat, 1.0, lean)
    cos_x, sin_x = np.where(flat, 1.0, c / safe), np.where(flat, 0.0, b / safe)
    zero, one = np.zeros_like(a), np.ones_like(a)
    about_x = np.stack([one, zero, zero, zero, cos_x, -sin_x, zero, sin_x, cos_x], axis=1).reshape(-1, 3, 3)
    about_y = np.stack([lean, zero, -a, zero, one, zero, a, zero, lean], axis=1).reshape(-1, 3, 3)
    spin = np.radians(spin_deg)
    about_z = np.array([[np.cos(spin), -np.sin(spin), 0], [np.sin(spin), np.cos(spin), 0], [0, 0, 1.0]])
    result: Floats = about_z @ about_y @ about_x
    return result


def turn_deg_of(direction: Floats, spin_deg: float = 0.0) -> tuple[float, float, float]:
    """Angles about x, then y, then z that turn ``direction`` up: what a plan takes as its turn."""
    a, b, c = (float(v) for v in direction)
    lean = float(np.hypot(b, c))
    about_x = float(np.degrees(np.arctan2(b, c))) if lean >= 1e-12 else 0.0
    about_y = float(np.degrees(np.arctan2(-a, lean)))
    return (_tidy(about_x), _tidy(about_y), _tidy(spin_deg))


def spin_between(turned: Floats, wanted: Floats) -> float:
    """Degrees about z that turn the rotation ``turned`` (3, 3) on to ``wanted``, with the same side up."""
    about = wanted @ turned.T
    return float(np.degrees(np.arctan2(about[1, 0] - about[0, 1], about[0, 0] + about[1, 1])))


def _tidy(angle_deg: float) -> float:
    """Whole degrees stay whole (rotations by 0, 90, 180 are then exact), and half a turn is 180."""
    whole = round(angle_deg)
    if abs(angle_deg - whole) >= 1e-6:
        return angle_deg
    return 180.0 if whole == -180 else float(whole)


def outline_of(points: Floats) -> Floats:
    """(k, 2) corners in order of the convex hull of (n, 2) points; the points' box where they have none."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return np.ascontiguousarray(points[ConvexHull(points).vertices])
    except (QhullError, ValueError):
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def spin_for(outline: Floats, bed_mm: tuple[float, float]) -> tuple[float, float]:
    """Turn about the vertical that lays an outline squarely on the bed, and the size at which it fits.

    ``outline`` (n, 2) as from :func:`outline_of`. Of the boxes along its edges the smallest, longer side
    along the bed's longer side, of these the least turn; where that does not fit, the turn along an edge or
    in whole degrees that fits best. Degrees, −90 to 90, and the share of its size at which it would fill the
    bed (1 or more: fits).
    """
    edges = np.roll(outline, -1, axis=0) - outline
    angles = -np.arctan2(edges[:, 1], edges[:, 0])
    angles = np.concatenate([angles, angles + np.pi / 2])
    width, depth = _extents(outline, angles)
    ratio = _bed_ratio(width, depth, bed_mm)
    wrong = (width >= depth) != (bed_mm[0] >= bed_mm[1])
    area = np.round(width * depth / max(float((width * depth).min()), 1e-9), 4)
    best = int(np.lexsort((np.round(angles % np.pi, 4), wrong, area))[0])
    if ratio[best] < 1.0:
        more = np.radians(np.arange(180.0))
        angles = np.concatenate([angles, more])
        ratio = np.concatenate([ratio, _bed_ratio(*_extents(outline, more), bed_mm)])
        best = int(np.argmax(np.round(ratio, 9)))
    angle = (np.degrees(angles[best]) + 90.0) % 180.0 - 90.0
    return float(angle), float(ratio[best])


def _bed_ratio(width: Floats, depth: Floats, bed_mm: tuple[float, float]) -> Floats:
    """Share of its size at which each box fits; a micrometre is forgiven."""
    ratio: Floats = np.minimum(
        (bed_mm[0] + 1e-3) / np.maximum(width, 1e-9), (bed_mm[1] + 1e-3) / np.maximum(depth, 1e-9)
    )
    return ratio


def _extents(outline: Floats, angles: Floats) -> tuple[Floats, Floats]:
    """Extents along x and y of the outline turned by each angle, radians."""
    c, s = np.cos(angles)[:, None], np.sin(angles)[:, None]
    x, y = outline[:, 0] * c - outline[:, 1] * s, outline[:, 0] * s + outline[:, 1] * c
    return np.ptp(x, axis=1), np.ptp(y, axis=1)


def fit_ratios(corners: Floats, rotations: Floats, build_mm: tuple[float, float, float]) -> Floats:
    """(d,) largest share of its size at which each rotation fits the build volume in some turn about z.

    ``corners`` (n, 3) of the part's hull. 1 or more: fits. Infinite where the part fits whatever way it lies.
    """
    middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
    if 2.0 * np.linalg.norm(corners - middle, axis=1).max() <= min(build_mm):
        return np.full(len(rotations), np.inf)
    ratio = np.empty(len(rotations))
    for d, rotation in enumerate(rotations):
        turned = corners @ rotation.T
        flat = spin_for(outline_of(turned[:, :2]), (build_mm[0], build_mm[1]))[1]
        ratio[d] = min(flat, (build_mm[2] + 1e-3) / max(float(np.ptp(turned[:, 2])), 1e-9))
    return ratio

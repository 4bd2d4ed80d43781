"""Reliefs: marks sunk into a flat face or raised on it, such as letters, whose room is kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices
from falsework.part.part import Part
from falsework.redrawing.features.facets import Facets
from falsework.redrawing.features.zones import Prism, plane_of

DEPTHS_MM = (0.1, 1.5)  # of marks, into a face or out of it
ALIKE_MM = 0.05  # marks of one relief differ in depth by no more
STROKE_MM = 4.0  # mean width of a mark: what is wider is a step, or a pocket
LEAST_MARK_MM2, LEAST_FACE_MM2 = 0.2, 50.0
FEWEST = 3  # of one relief: one or two such are a rib or a groove
MOST_FACES, MOST_RELIEFS = 24, 12
PARALLEL_COSINE = 0.9998
CLEAR_MM = 0.3  # past the marks' tops, or over sunk ones, so that nothing lies on them


@dataclass(frozen=True, eq=False)
class Relief:
    """``count`` marks, ``depth_mm`` deep where below 0 and else high, on a face that looks along ``normal``.

    ``faces``: those of the marks, with their walls; ``extents_mm``: of all of them together.
    """

    count: int
    depth_mm: float
    normal: Floats
    middle: Floats
    extents_mm: tuple[float, float]
    faces: Indices
    zone: Prism


def reliefs_of(part: Part, facets: Facets, border_mm: Floats) -> list[Relief]:
    """Marks alike in depth on one large flat face; ``border_mm`` (k,) is the length around each facet."""
    areas = facets.area
    large = np.flatnonzero(areas >= LEAST_FACE_MM2)
    large = large[np.argsort(-areas[large], kind="stable")][:MOST_FACES]
    strokes = 2.0 * areas <= STROKE_MM * border_mm
    small = np.flatnonzero(strokes & (areas >= LEAST_MARK_MM2))
    if not len(large) or len(small) < FEWEST:
        return []
    middle = _middles(part, facets)
    found: list[Relief] = []
    taken = np.zeros(len(areas), dtype=bool)
    for face in large.tolist():
        normal = facets.normal[face]
        marks = small[(facets.normal[small] @ normal > PARALLEL_COSINE) & (small != face) & ~taken[small]]
        depth = (middle[marks] - middle[face]) @ normal
        near = (np.abs(depth) >= DEPTHS_MM[0]) & (np.abs(depth) <= DEPTHS_MM[1])
        marks, depth = marks[near], depth[near]
        if len(marks) < FEWEST:
            continue
        plane = plane_of(normal)
        whole = planar.convex_hull(planar.multipoints(_corners(part, facets, face) @ plane.T))
        inside = planar.contains_xy(whole, *(middle[marks] @ plane.T).T)
        marks, depth = marks[inside], depth[inside]
        for some in _alike(depth):
            if len(some) >= FEWEST:
                found.append(_relief(part, facets, face, marks[some], float(np.median(depth[some]))))
                taken[marks[some]] = True
    found.sort(key=lambda relief: -relief.count)
    return found[:MOST_RELIEFS]


def _alike(depth: Floats) -> list[Indices]:
    """Which depths are the same, in lists."""
    order = np.argsort(depth, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(depth[order]) > ALIKE_MM) + 1)


def _relief(part: Part, facets: Facets, face: int, marks: Indices, depth_mm: float) -> Relief:
    normal = facets.normal[face]
    plane = plane_of(normal)
    level = float((_corners(part, facets, face) @ normal).mean())
    floors = np.flatnonzero(np.isin(facets.of_face, marks))
    drawn = part.vertices[np.unique(part.faces[floors])] @ plane.T
    hull = planar.convex_hull(planar.multipoints(drawn))
    around = overlay.buffer(hull, CLEAR_MM, join_style="mitre")
    low, high = level + min(depth_mm, 0.0), level + max(depth_mm, 0.0)
    at = part.vertices @ normal
    held = (at > low - ALIKE_MM) & (at < high + ALIKE_MM)
    held[held] = planar.contains_xy(around, *(part.vertices[held] @ plane.T).T)
    own: NDArray[np.bool_] = held[part.faces].all(axis=1) & (facets.of_face != face)
    low_xy, high_xy = drawn.min(axis=0), drawn.max(axis=0)
    middle = 0.5 * (low_xy + high_xy) @ plane + level * normal
    outline = tuple((float(x), float(y)) for x, y in planar.get_coordinates(around)[:-1])
    zone = Prism(tuple(normal.tolist()), tuple((low * normal).tolist()), outline, abs(depth_mm) + CLEAR_MM)
    wide, high_mm = (float(v) for v in high_xy - low_xy)
    return Relief(len(marks), depth_mm, normal, middle, (wide, high_mm), np.flatnonzero(own), zone)


def _middles(part: Part, facets: Facets) -> Floats:
    """(k, 3) the mean of the middles of each facet's faces: all of them lie in its plane."""
    middles = part.vertices[part.faces].mean(axis=1)
    most = len(facets.area)
    count = np.maximum(np.bincount(facets.of_face, minlength=most), 1)
    sums = [np.bincount(facets.of_face, weights=middles[:, k], minlength=most) for k in range(3)]
    found: Floats = np.column_stack(sums) / count[:, None]
    return found


def _corners(part: Part, facets: Facets, facet: int) -> Floats:
    """(n, 3) corners of a facet."""
    found: Floats = part.vertices[np.unique(part.faces[facets.of_face == facet])]
    return found

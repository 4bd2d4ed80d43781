"""Slots and openings: the room between two flat faces that look at each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices
from falsework.part.part import Part
from falsework.redrawing.features.facets import Facets
from falsework.redrawing.features.inside import inside_part
from falsework.redrawing.features.zones import Prism, plane_of

FACING_DEG = 1.0
GAPS_MM = (0.8, 60.0)
LEAST_FACE_MM2 = 15.0
MOST_FACES = 60
LEAST_OVERLAP_SHARE = 0.3  # of the smaller face
# Both extents of what the faces have in common are at least so many gaps: the legs of a table make no slot.
LEAST_DEPTH_GAPS = 0.35
MOST_SLOTS = 12
OUTLINE_MM = 0.05  # outlines are kept to this


@dataclass(frozen=True, eq=False)
class Slot:
    """``faces`` of both walls; ``normal`` across the gap; ``extents_mm`` of what the walls have in common."""

    normal: Floats
    gap_mm: float
    middle: Floats
    extents_mm: tuple[float, float]
    faces: Indices
    zone: Prism


def slots_of(part: Part, facets: Facets) -> list[Slot]:
    """Slots between flat faces, the deepest for their width first."""
    large = np.flatnonzero(facets.area >= LEAST_FACE_MM2)
    large = large[np.argsort(-facets.area[large], kind="stable")][:MOST_FACES]
    if len(large) < 2:
        return []
    normal = facets.normal[large]
    faces = {int(k): np.flatnonzero(facets.of_face == k) for k in large}
    point = np.array([part.vertices[part.faces[faces[int(k)]]].mean(axis=(0, 1)) for k in large])
    facing = normal @ normal.T < -np.cos(np.radians(FACING_DEG))
    gap = np.einsum("ik,jk->ij", normal, point) - (normal * point).sum(axis=1)[:, None]
    pairs = np.argwhere(np.triu(facing, 1) & (gap > GAPS_MM[0]) & (gap < GAPS_MM[1]))
    found = []
    for i, j in pairs[np.argsort(gap[pairs[:, 0], pairs[:, 1]], kind="stable")]:
        slot = _between(part, facets, (int(large[i]), int(large[j])), faces, float(gap[i, j]))
        if slot is not None:
            found.append(slot)
    found.sort(key=lambda s: -min(s.extents_mm) / s.gap_mm)
    return found[:MOST_SLOTS]


def _between(
    part: Part,
    facets: Facets,
    pair: tuple[int, int],
    faces: dict[int, Indices],
    gap_mm: float,
) -> Slot | None:
    """The slot between two facets, or None where they have too little in common or there is material."""
    one, other = pair
    normal = facets.normal[one]
    plane = plane_of(normal)
    drawn = []
    for facet in pair:
        triangles = part.vertices[part.faces[faces[facet]]] @ plane.T
        drawn.append(overlay.union_all(planar.polygons(triangles)))
    common = overlay.intersection(*drawn)
    parts = [p for p in planar.get_parts(common) if p.area >= LEAST_FACE_MM2]
    if not parts:
        return None
    largest = max(parts, key=lambda p: p.area)
    if largest.area < LEAST_OVERLAP_SHARE * min(facets.area[one], facets.area[other]):
        return None
    box = np.asarray(planar.oriented_envelope(largest).exterior.coords)
    sides = np.linalg.norm(np.diff(box[:3], axis=0), axis=1)
    if sides.min() < LEAST_DEPTH_GAPS * gap_mm:
        return None
    at = float(part.vertices[part.faces[faces[one]]].mean(axis=(0, 1)) @ normal)
    inner = np.asarray(largest.point_on_surface().coords)[0]
    spots = [inner @ plane + (at + share * gap_mm) * normal for share in (0.03, 0.25, 0.5, 0.75, 0.97)]
    if inside_part(part, np.array(spots)).any():
        return None
    ring = planar.simplify(planar.Polygon(largest.exterior), OUTLINE_MM)
    outline = tuple((float(x), float(y)) for x, y in np.asarray(ring.exterior.coords)[:-1])
    return Slot(
        normal,
        gap_mm,
        np.asarray(spots[2]),
        (float(sides.max()), float(sides.min())),
        np.concatenate([faces[one], faces[other]]),
        Prism(tuple(normal.tolist()), tuple((at * normal).tolist()), outline, gap_mm),
    )

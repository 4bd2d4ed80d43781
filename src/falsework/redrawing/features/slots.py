"""Slots between flat faces that look at each other, and thin walls between such that look away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices
from falsework.part.part import Part
from falsework.redrawing.features.facets import Facets
from falsework.redrawing.features.inside import inside_part
from falsework.redrawing.features.zones import extents_mm, outline_of, plane_of

FACING_DEG = 1.0
GAPS_MM = (0.8, 60.0)
LEAST_FACE_MM2 = 15.0
MOST_FACES = 60
LEAST_OVERLAP_SHARE = 0.3  # of the smaller face
# Both extents of what the faces have in common are at least so many gaps: the legs of a table make no slot.
LEAST_DEPTH_GAPS = 0.35
MOST_SLOTS = 12
THIN_MM, THINNEST_MM = 1.35, 0.1  # three lines of a usual nozzle
THIN_TIMES = 5.0  # both extents of a thin wall are at least so many times what it is thick


@dataclass(frozen=True, eq=False)
class Across:
    """Two flat faces across from each other: ``faces`` of both; ``normal`` of the first, ``gap_mm`` along it
    to the other, below 0 through material; ``outline`` and ``extents_mm`` of what they have in common."""

    normal: Floats
    at_mm: float
    gap_mm: float
    middle: Floats
    extents_mm: tuple[float, float]
    outline: tuple[tuple[float, float], ...]
    faces: Indices

    @property
    def origin(self) -> tuple[float, float, float]:
        """A point of the first face's plane."""
        x, y, z = (self.at_mm * self.normal).tolist()
        return x, y, z


def across_of(part: Part, facets: Facets) -> tuple[list[Across], list[Across]]:
    """Slots between flat faces, the deepest for their width first; thin flat walls, the largest first."""
    large = np.flatnonzero(facets.area >= LEAST_FACE_MM2)
    large = large[np.argsort(-facets.area[large], kind="stable")][:MOST_FACES]
    if len(large) < 2:
        return [], []
    normal = facets.normal[large]
    faces = {int(k): np.flatnonzero(facets.of_face == k) for k in large}
    point = np.array([part.vertices[part.faces[faces[int(k)]]].mean(axis=(0, 1)) for k in large])
    facing = normal @ normal.T < -np.cos(np.radians(FACING_DEG))
    gap = np.einsum("ik,jk->ij", normal, point) - (normal * point).sum(axis=1)[:, None]
    facing = np.triu(facing, 1)

    def between(low_mm: float, high_mm: float) -> list[Across]:
        pairs = np.argwhere(facing & (gap > low_mm) & (gap < high_mm))
        pairs = pairs[np.argsort(gap[pairs[:, 0], pairs[:, 1]], kind="stable")]
        tried = (
            _between(part, facets, (int(large[i]), int(large[j])), faces, float(gap[i, j])) for i, j in pairs
        )
        return [one for one in tried if one is not None]

    slots, thin = between(*GAPS_MM), between(-THIN_MM, -THINNEST_MM)
    slots.sort(key=lambda s: -min(s.extents_mm) / s.gap_mm)
    thin.sort(key=lambda s: -s.extents_mm[0] * s.extents_mm[1])
    return slots[:MOST_SLOTS], thin[:MOST_SLOTS]


def _between(
    part: Part,
    facets: Facets,
    pair: tuple[int, int],
    faces: dict[int, Indices],
    gap_mm: float,
) -> Across | None:
    """Two facets across from each other, or None where they have too little in common, or there is material
    where there should be air, or air in a wall."""
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
    extents = extents_mm(largest)
    if extents[1] < (LEAST_DEPTH_GAPS if gap_mm > 0.0 else -THIN_TIMES) * gap_mm:
        return None
    at = float(part.vertices[part.faces[faces[one]]].mean(axis=(0, 1)) @ normal)
    inner = np.asarray(largest.point_on_surface().coords)[0]
    spots = [inner @ plane + (at + share * gap_mm) * normal for share in (0.03, 0.25, 0.5, 0.75, 0.97)]
    solid = inside_part(part, np.array(spots))
    if solid.any() if gap_mm > 0.0 else not solid.all():
        return None
    return Across(
        normal,
        at,
        gap_mm,
        np.asarray(spots[2]),
        extents,
        outline_of(largest),
        np.concatenate([faces[one], faces[other]]),
    )

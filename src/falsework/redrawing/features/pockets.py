"""Pockets: a flat floor with walls around, on three sides at least."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from falsework.kernels.graph import joined_groups
from falsework.kernels.mesh.edges import pair_edges, sort_edges
from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices
from falsework.part.part import Part
from falsework.redrawing.features.facets import Facets
from falsework.redrawing.features.inside import free_along
from falsework.redrawing.features.rounds import ROUND_MM, SMOOTH_DEG
from falsework.redrawing.features.zones import Prism, extents_mm, outline_of, plane_of

LEAST_FLOOR_MM2, LEAST_WIDE_MM, LEAST_DEPTH_MM = 25.0, 3.0, 1.0
STEEP_DEG = 60.0  # a wall turns away from its floor by more; what rounds the floor's edge by less
WALLED_SHARE = 0.7  # of a floor's outer rim, from which walls rise: three sides of a square
SIDE_SHARE = 0.7  # of the open rim that looks one way: a channel is open at both ends
ROUND_SHARE = 0.5  # of the rim along a bore, above which it is the bottom of that bore
MOST_FLOORS, MOST_POCKETS = 60, 12
ON_RIM_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Pocket:
    """``faces`` of its floor, which looks along ``normal``; ``depth_mm`` to where half of the walls end."""

    normal: Floats
    depth_mm: float
    middle: Floats
    extents_mm: tuple[float, float]
    faces: Indices
    zone: Prism


def pockets_of(part: Part, facets: Facets, none: Collection[int], bores: Collection[int]) -> list[Pocket]:
    """Pockets, those of large floors first; ``none``: facets that are no floors, ``bores``: of bores."""
    large = np.flatnonzero(facets.area >= LEAST_FLOOR_MM2)
    large = large[np.argsort(-facets.area[large], kind="stable")][:MOST_FLOORS]
    partner = pair_edges(part.faces, sort_edges(part.faces, len(part.vertices)))[0]
    found = (_pocket(part, facets, partner, int(k), bores) for k in large if int(k) not in none)
    return [pocket for pocket in found if pocket is not None][:MOST_POCKETS]


def _pocket(
    part: Part, facets: Facets, partner: Indices, floor: int, bores: Collection[int]
) -> Pocket | None:
    """The pocket over a floor, or None where no walls rise around it."""
    faces, normal = np.flatnonzero(facets.of_face == floor), facets.normal[floor]
    corners = part.vertices[part.faces[faces]]
    along = corners.reshape(-1, 3) @ normal
    level = float(along.mean())
    if np.ptp(along) > ROUND_MM:
        return None  # a gently curved face
    half = (3 * faces[:, None] + np.arange(3)).ravel()
    half = half[partner[half] >= 0]
    beside = facets.of_face[partner[half] // 3]
    half, beside = half[beside != floor], beside[beside != floor]
    height = _heights_mm(part, facets, partner, floor, level, beside)
    rises = (part.vertices[part.faces[partner[half] // 3]] @ normal).max(axis=1) > level + ROUND_MM
    steep = facets.normal[beside] @ normal
    steep = (steep < np.cos(np.radians(STEEP_DEG))) | (steep > np.cos(np.radians(SMOOTH_DEG)))
    height = np.where(rises & steep, height, 0.0)  # what meets the floor's edge there rises from it itself
    if not (height > LEAST_DEPTH_MM).any():
        return None
    plane = plane_of(normal)
    outline = max(
        planar.get_parts(overlay.union_all(planar.polygons(corners @ plane.T))), key=lambda one: one.area
    )
    rim = planar.Polygon(outline.exterior)
    flat = part.faces.ravel()
    ends = part.vertices[flat[half]], part.vertices[flat[np.where(half % 3 < 2, half + 1, half - 2)]]
    middles = planar.points(0.5 * (ends[0] + ends[1]) @ plane.T)
    outer = planar.distance(middles, rim.exterior) < ON_RIM_MM
    length, beside, height = np.linalg.norm(ends[1] - ends[0], axis=1)[outer], beside[outer], height[outer]
    extents = extents_mm(rim)
    if extents[1] < LEAST_WIDE_MM:
        return None
    if length[np.isin(beside, list(bores))].sum() > ROUND_SHARE * length.sum():
        return None
    walled = height > LEAST_DEPTH_MM
    away = np.cross(ends[1] - ends[0], normal)[outer][~walled]  # as long as the edge from which it looks out
    least = SIDE_SHARE * float(length[~walled].sum())
    if length[walled].sum() < WALLED_SHARE * length.sum() or np.linalg.norm(away.sum(axis=0)) < least:
        return None
    inner = np.asarray(outline.point_on_surface().coords)[0] @ plane + (level + ROUND_MM) * normal
    if not free_along(part, inner, np.column_stack([*plane, normal])):
        return None  # it faces another of its walls, as in a bore or a bay
    order = np.argsort(height)
    depth = float(height[order][np.searchsorted(np.cumsum(length[order]), 0.5 * length.sum())])
    return Pocket(
        normal,
        depth,
        np.asarray(rim.centroid.coords)[0] @ plane + (level + 0.5 * depth) * normal,
        extents,
        faces,
        Prism(
            tuple(normal.tolist()),
            tuple((level * normal).tolist()),
            outline_of(rim),
            depth,
        ),
    )


def _heights_mm(
    part: Part, facets: Facets, partner: Indices, floor: int, level: float, beside: Indices
) -> Floats:
    """How far each facet beside a floor rises over it, one that rounds the floor's edge with all that it runs
    into."""
    top = np.full(len(facets.area), -np.inf)
    np.maximum.at(top, facets.of_face, (part.vertices @ facets.normal[floor])[part.faces].max(axis=1))
    smooth = float(np.cos(np.radians(SMOOTH_DEG)))
    rounding = facets.normal[beside] @ facets.normal[floor] > smooth
    if rounding.any():
        half = np.flatnonzero(partner > np.arange(len(partner)))
        a, b = facets.of_face[half // 3], facets.of_face[partner[half] // 3]
        runs = (a != floor) & (b != floor)
        runs[runs] = np.einsum("ij,ij->i", facets.normal[a[runs]], facets.normal[b[runs]]) > smooth
        group = joined_groups(len(top), a[runs].astype(np.int32), b[runs].astype(np.int32))
        whole = np.full(len(top), -np.inf)
        np.maximum.at(whole, group, top)
        top[beside[rounding]] = whole[group[beside[rounding]]]
    found: Floats = top[beside] - level
    return found

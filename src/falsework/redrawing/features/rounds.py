"""Cylinders among the facets of a mesh: bores and shafts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from falsework.kernels.graph import joined_groups
from falsework.layers.stack import Floats, Indices
from falsework.part.part import Ints, Part
from falsework.redrawing.features.facets import FLAT_DEG, Facets

SMOOTH_DEG = 40.0  # facets that meet at less may be one round surface: nine facets to the circle at least
ALIKE_WIDTHS = 3.0  # facets of one round surface differ in width by no more; a flat beside it is wider
LEAST_COVER_DEG = 200.0  # less than that is a rounded edge
LEAST_RADIUS_MM = 0.5
ROUND_MM, ROUND_SHARE = 0.02, 0.005  # how far corners may lie off the fitted circle
STRAIGHT_DEG = 2.0  # how far normals may lean along the axis
FEWEST_FACETS = 4  # of a round surface
MOST = 24  # candidates of each sort


@dataclass(frozen=True, eq=False)
class Round:
    """A cylinder: a unit axis, its point nearest to the origin, and which facets are on it."""

    axis: Floats
    foot: Floats
    radius_mm: float
    inward: bool
    facets: Indices


def rounds_of(part: Part, facets: Facets, a: Ints, b: Ints, length: Floats) -> list[Round]:
    """All cylinders, pieces of one that share axis, radius and side put together."""
    fa, fb = facets.of_face[a], facets.of_face[b]
    wide_a, wide_b = facets.area[fa] / np.maximum(length, 1e-9), facets.area[fb] / np.maximum(length, 1e-9)
    alike = np.maximum(wide_a, wide_b) <= ALIKE_WIDTHS * np.minimum(wide_a, wide_b)
    group = joined_groups(len(facets.area), fa[alike], fb[alike])
    large = np.bincount(group) >= FEWEST_FACETS
    members = _by_group(np.flatnonzero(large[group]), group)
    of_face = group[facets.of_face]
    inside = np.flatnonzero(large[of_face])
    faces = _by_group(inside[np.argsort(facets.of_face[inside], kind="stable")], of_face)
    fitted = [_fitted(part, facets, *one) for one in zip(members, faces, strict=True)]
    pieces = [r for r in fitted if r is not None]
    whole = [r for r in _together(pieces) if cover_deg(part, facets, r) >= LEAST_COVER_DEG]
    return sorted(whole, key=lambda r: -float(facets.area[r.facets].sum()))[:MOST]


def _by_group(rows: Indices, group: Indices) -> list[Indices]:
    """Rows in lists by their group, in the order of the groups; none for a group without rows."""
    order = rows[np.argsort(group[rows], kind="stable")]
    starts = np.flatnonzero(np.diff(group[order], prepend=-1)).tolist()
    return [order[a:b] for a, b in pairwise([*starts, len(order)])]


def _fitted(part: Part, facets: Facets, members: Indices, faces: Indices) -> Round | None:
    """The cylinder through a group of facets, or None where there is none."""
    normal, area = facets.normal[members], facets.area[members]
    spread, axes = np.linalg.eigh((area[:, None] * normal).T @ normal / area.sum())
    if spread[0] > math.sin(math.radians(STRAIGHT_DEG)) ** 2 or spread[1] < 1e-3:
        return None
    axis = squared(axes[:, 0])
    across = sides_of(axis)
    points = part.vertices[np.unique(part.faces[faces])] @ across.T
    middle = points.mean(axis=0)
    local = points - middle
    terms = np.column_stack([local, np.ones(len(local))])
    (x, y, c), *_ = np.linalg.lstsq(terms, (local**2).sum(axis=1), rcond=None)
    center = np.array([x, y]) / 2
    radius = math.sqrt(max(c + float(center @ center), 0.0))
    off = np.abs(np.linalg.norm(local - center, axis=1) - radius)
    if radius < LEAST_RADIUS_MM or float(off.max()) > max(ROUND_MM, ROUND_SHARE * radius):
        return None
    out = np.einsum("ij,ij->i", normal @ across.T, _facet_middles(part, facets, members, faces) @ across.T)
    out -= (normal @ across.T) @ (middle + center)
    return Round(axis, across.T @ (middle + center), radius, bool((out * area).sum() < 0.0), members)


def _facet_middles(part: Part, facets: Facets, members: Indices, faces: Indices) -> Floats:
    """(k, 3) mean corner of each facet."""
    where = np.searchsorted(np.sort(members), facets.of_face[faces])
    middles = part.vertices[part.faces[faces]].mean(axis=1)
    count = np.bincount(where, minlength=len(members))
    mean = np.column_stack([np.bincount(where, weights=middles[:, k]) for k in range(3)]) / count[:, None]
    return mean[np.argsort(np.argsort(members))]


def squared(axis: Floats) -> Floats:
    """An axis pointing up its largest coordinate, and along it where it nearly does."""
    largest = int(np.argmax(np.abs(axis)))
    axis = axis * np.sign(axis[largest])
    if axis[largest] > math.cos(math.radians(FLAT_DEG)):
        return np.eye(3)[largest]
    return axis


def sides_of(axis: Floats) -> Floats:
    """(2, 3) two unit directions square to the axis."""
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first)])


def _together(pieces: list[Round]) -> list[Round]:
    """Pieces of one cylinder as one."""
    whole: list[Round] = []
    for piece in pieces:
        for k, one in enumerate(whole):
            reach = max(ROUND_MM, ROUND_SHARE * one.radius_mm)
            if (
                one.inward == piece.inward
                and abs(one.radius_mm - piece.radius_mm) <= reach
                and float(one.axis @ piece.axis) > math.cos(math.radians(FLAT_DEG))
                and float(np.linalg.norm(np.cross(piece.foot - one.foot, one.axis))) <= 2 * reach
            ):
                whole[k] = replace(one, facets=np.concatenate([one.facets, piece.facets]))
                break
        else:
            whole.append(piece)
    return whole


def along_axis(part: Part, facets: Facets, r: Round) -> tuple[Ints, float, float]:
    """Faces of a cylinder, and where along its axis they begin and end."""
    faces = np.flatnonzero(np.isin(facets.of_face, r.facets)).astype(np.int32)
    at = part.vertices[np.unique(part.faces[faces])] @ r.axis
    return faces, float(at.min()), float(at.max())


def cover_deg(part: Part, facets: Facets, r: Round) -> float:
    """How much of the circle is there: directions in which some facet looks, each as wide as facets are."""
    flat = facets.normal[r.facets] @ sides_of(r.axis).T
    at = np.sort(np.degrees(np.arctan2(flat[:, 1], flat[:, 0])))
    steps = np.diff(np.append(at, at[0] + 360.0))
    return float(steps[steps <= SMOOTH_DEG].sum())

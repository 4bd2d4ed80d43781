"""Faces that may have to stay as they are: bores, pins, large flat faces, found for the user to confirm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.mesh.edges import pair_edges, sort_edges
from falsework.layers.stack import Floats, Indices
from falsework.lie.body import face_normals
from falsework.part.part import Ints, Part

FLAT_DEG = 0.5  # faces that meet at less lie in one plane
SMOOTH_DEG = 40.0  # facets that meet at less may be one round surface: nine facets to the circle at least
ALIKE_WIDTHS = 3.0  # facets of one round surface differ in width by no more; a flat beside it is wider
LEAST_COVER_DEG = 200.0  # less than that is a rounded edge
LEAST_RADIUS_MM = 0.5
ROUND_MM, ROUND_SHARE = 0.02, 0.005  # how far corners may lie off the fitted circle
STRAIGHT_DEG = 2.0  # how far normals may lean along the axis
LEAST_FLAT_MM2, LEAST_FLAT_SHARE = 25.0, 0.02  # of the whole surface
PIECES_SHARE = 0.7  # of a bore's length, with less surface than which it is in pieces
FEWEST_FACETS = 4  # of a round surface
MOST = 24  # candidates of each sort


@dataclass(frozen=True)
class Candidate:
    """Faces of a part that a user may want to keep as drawn.

    ``name`` is what the user calls it by ('bore 1'), ``words`` say what it is, in the part's own frame.
    """

    name: str
    words: str
    area_mm2: float
    faces: tuple[int, ...] = field(default=(), compare=False, repr=False)


@dataclass(frozen=True, eq=False)
class _Facets:
    """Faces joined into flat facets: facet of each face (m,), normal (k, 3), area (k,)."""

    of_face: Indices
    normal: Floats
    area: Floats


@dataclass(frozen=True, eq=False)
class _Round:
    """A cylinder: a unit axis, its point nearest to the origin, and which facets are on it."""

    axis: Floats
    foot: Floats
    radius_mm: float
    inward: bool
    facets: Indices


def candidates(part: Part) -> tuple[Candidate, ...]:
    """Bores, pins and large flat faces, the largest first; numbered within their sort.

    A bore or pin is a smooth run of facets around more than half a turn whose corners lie on a cylinder.
    Threads, cones and freely curved faces are not recognised: those are named by a face set.
    """
    normals, areas = face_normals(part.vertices, part.faces)
    a, b, angle, length = _meetings(part, normals)
    if len(a) == 0:
        return ()
    facets = _facets(len(part.faces), normals, areas, a[angle <= FLAT_DEG], b[angle <= FLAT_DEG])
    bent = (angle > FLAT_DEG) & (angle <= SMOOTH_DEG)
    rounds = _rounds(part, facets, a[bent], b[bent], length[bent])
    found: list[Candidate] = []
    for sort, inward in (("bore", True), ("pin", False)):
        mine = [_described(part, facets, r) for r in rounds if r.inward == inward]
        found += _numbered(sort, mine)
    return (*found, *_numbered("flat", _flats(part, facets)))


def with_candidates(part: Part, found: Sequence[Candidate]) -> Part:
    """The part with every candidate as a face set of its name, so that marks can call for it."""
    sets = {c.name: np.array(c.faces, dtype=np.int32) for c in found}
    return replace(part, face_sets={**sets, **part.face_sets})


def _meetings(part: Part, normals: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs of faces that share an edge, the angle between them in degrees, and the edge's length."""
    partner = pair_edges(part.faces, sort_edges(part.faces, len(part.vertices)))[0]
    half = np.flatnonzero(partner > np.arange(len(partner)))
    a, b = (half // 3).astype(np.int32), (partner[half] // 3).astype(np.int32)
    cosine = np.einsum("ij,ij->i", normals[a], normals[b])
    sine = np.linalg.norm(np.cross(normals[a], normals[b]), axis=1)
    flat = part.faces.ravel()
    ends = part.vertices[flat[half]] - part.vertices[flat[np.where(half % 3 < 2, half + 1, half - 2)]]
    return a, b, np.degrees(np.arctan2(sine, cosine)), np.linalg.norm(ends, axis=1)


def _joined(count: int, a: NDArray[np.integer], b: NDArray[np.integer]) -> Indices:
    """(count,) number of the connected group of each."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(count, count))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _facets(count: int, normals: Floats, areas: Floats, a: Ints, b: Ints) -> _Facets:
    of_face = _joined(count, a, b)
    most = int(of_face.max()) + 1
    weighted = areas[:, None] * normals
    total = np.column_stack([np.bincount(of_face, weights=weighted[:, k], minlength=most) for k in range(3)])
    size = np.linalg.norm(total, axis=1)
    return _Facets(
        of_face,
        total / np.maximum(size, 1e-300)[:, None],
        np.bincount(of_face, weights=areas).astype(np.float64),
    )


def _rounds(part: Part, facets: _Facets, a: Ints, b: Ints, length: Floats) -> list[_Round]:
    """All cylinders, pieces of one that share axis, radius and side put together."""
    fa, fb = facets.of_face[a], facets.of_face[b]
    wide_a, wide_b = facets.area[fa] / np.maximum(length, 1e-9), facets.area[fb] / np.maximum(length, 1e-9)
    alike = np.maximum(wide_a, wide_b) <= ALIKE_WIDTHS * np.minimum(wide_a, wide_b)
    group = _joined(len(facets.area), fa[alike], fb[alike])
    large = np.bincount(group) >= FEWEST_FACETS
    members = _by_group(np.flatnonzero(large[group]), group)
    of_face = group[facets.of_face]
    inside = np.flatnonzero(large[of_face])
    faces = _by_group(inside[np.argsort(facets.of_face[inside], kind="stable")], of_face)
    fitted = [_fitted(part, facets, *one) for one in zip(members, faces, strict=True)]
    pieces = [r for r in fitted if r is not None]
    whole = [r for r in _together(pieces) if _cover_deg(part, facets, r) >= LEAST_COVER_DEG]
    return sorted(whole, key=lambda r: -float(facets.area[r.facets].sum()))[:MOST]


def _by_group(rows: Indices, group: Indices) -> list[Indices]:
    """Rows in lists by their group, in the order of the groups; none for a group without rows."""
    order = rows[np.argsort(group[rows], kind="stable")]
    starts = np.flatnonzero(np.diff(group[order], prepend=-1)).tolist()
    return [order[a:b] for a, b in pairwise([*starts, len(order)])]


def _fitted(part: Part, facets: _Facets, members: Indices, faces: Indices) -> _Round | None:
    """The cylinder through a group of facets, or None where there is none."""
    normal, area = facets.normal[members], facets.area[members]
    spread, axes = np.linalg.eigh((area[:, None] * normal).T @ normal / area.sum())
    if spread[0] > math.sin(math.radians(STRAIGHT_DEG)) ** 2 or spread[1] < 1e-3:
        return None
    axis = _squared(axes[:, 0])
    across = _across(axis)
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
    return _Round(axis, across.T @ (middle + center), radius, bool((out * area).sum() < 0.0), members)


def _facet_middles(part: Part, facets: _Facets, members: Indices, faces: Indices) -> Floats:
    """(k, 3) mean corner of each facet."""
    where = np.searchsorted(np.sort(members), facets.of_face[faces])
    middles = part.vertices[part.faces[faces]].mean(axis=1)
    count = np.bincount(where, minlength=len(members))
    mean = np.column_stack([np.bincount(where, weights=middles[:, k]) for k in range(3)]) / count[:, None]
    return mean[np.argsort(np.argsort(members))]


def _squared(axis: Floats) -> Floats:
    """An axis pointing up its largest coordinate, and along it where it nearly does."""
    largest = int(np.argmax(np.abs(axis)))
    axis = axis * np.sign(axis[largest])
    if axis[largest] > math.cos(math.radians(FLAT_DEG)):
        return np.eye(3)[largest]
    return axis


def _across(axis: Floats) -> Floats:
    """(2, 3) two unit directions square to the axis."""
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first)])


def _together(pieces: list[_Round]) -> list[_Round]:
    """Pieces of one cylinder as one."""
    whole: list[_Round] = []
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


def _along(part: Part, facets: _Facets, r: _Round) -> tuple[Ints, float, float]:
    """Faces of a cylinder, and where along its axis they begin and end."""
    faces = np.flatnonzero(np.isin(facets.of_face, r.facets)).astype(np.int32)
    at = part.vertices[np.unique(part.faces[faces])] @ r.axis
    return faces, float(at.min()), float(at.max())


def _cover_deg(part: Part, facets: _Facets, r: _Round) -> float:
    """How much of the circle is there: directions in which some facet looks, each as wide as facets are."""
    flat = facets.normal[r.facets] @ _across(r.axis).T
    at = np.sort(np.degrees(np.arctan2(flat[:, 1], flat[:, 0])))
    steps = np.diff(np.append(at, at[0] + 360.0))
    return float(steps[steps <= SMOOTH_DEG].sum())


def _described(part: Part, facets: _Facets, r: _Round) -> Candidate:
    faces, low, high = _along(part, facets, r)
    sort, size = ("bore", "deep") if r.inward else ("pin", "long")
    area = float(facets.area[r.facets].sum())
    true_mm = area / (2 * r.radius_mm * math.pi)
    over = "" if true_mm > PIECES_SHARE * (high - low) else f" in pieces over {high - low:.3g} mm"
    x, y, z = r.foot + 0.5 * (low + high) * r.axis + 0.0
    words = (
        f"{sort} Ø {2 * r.radius_mm:.1f} mm along {_direction(r.axis)}, "
        f"{true_mm if over else high - low:.3g} mm {size}{over}, at {x:.1f}, {y:.1f}, {z:.1f}"
    )
    return Candidate("", words, area, tuple(faces.tolist()))


def _direction(vector: Floats) -> str:
    for name, unit in zip("xyz", np.eye(3), strict=True):
        if abs(float(vector @ unit)) > 1.0 - 1e-9:
            return name
    return "({:.2f}, {:.2f}, {:.2f})".format(*(np.round(vector, 2) + 0.0))


def _flats(part: Part, facets: _Facets) -> list[Candidate]:
    large = np.flatnonzero(facets.area >= max(LEAST_FLAT_MM2, LEAST_FLAT_SHARE * float(facets.area.sum())))
    large = large[np.argsort(-facets.area[large], kind="stable")][:MOST]
    found = []
    for facet in large:
        faces = np.flatnonzero(facets.of_face == facet)
        points = part.vertices[np.unique(part.faces[faces])]
        normal = facets.normal[facet]
        if np.ptp(points @ normal) > ROUND_MM:
            continue  # a gently curved face
        sign = float(np.sign(normal[int(np.argmax(np.abs(normal)))]))
        looks = _direction(sign * _squared(normal))
        if looks in "xyz":
            looks = ("+" if sign > 0 else "-") + looks
        area = float(facets.area[facet])
        x, y, z = (points.min(axis=0) + points.max(axis=0)) / 2 + 0.0
        words = f"flat face of {area / 100.0:.3g} cm² that looks along {looks}, at {x:.1f}, {y:.1f}, {z:.1f}"
        found.append(Candidate("", words, area, tuple(faces.tolist())))
    return found


def _numbered(sort: str, found: list[Candidate]) -> list[Candidate]:
    return [replace(one, name=f"{sort} {k}") for k, one in enumerate(found, 1)]

"""``written_part``: a solid as the files will hold it and as a reader will find it.

Files carry short numbers: an STL single precision, a 3MF decimals. What is proved must be that mesh and not
the one it was rounded from, so it is rounded here, once, and healed as a reader heals it. What the writers
then write is these very numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.mesh.edges import pair_edges, sort_edges
from falsework.layers.stack import Floats
from falsework.part.health import healed_part
from falsework.part.part import Ints, Part
from falsework.part.raw import RawMesh, soup
from falsework.redrawing.body.solids import came_from, mesh_of, without_specks
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

DECIMALS = 5  # of a 3MF's coordinates, mm
# Edges and slivers that are shorter go before rounding turns them over: no more than it takes for the rounded
# mesh to be sound.
SHORTEST_MM = (1e-4, 5e-4, 2e-3, 5e-3)

HAIR_MM = 0.01  # what is taken away around an edge at which a solid touches itself
_HAIR = HAIR_MM * np.array([[(-1.0, 1.0)[k >> d & 1] for d in range(3)] for k in range(8)])
APART_MM = 2e-4  # sheets that touch are kept so far apart


def short(vertices: Floats) -> Floats:
    """(n, 3) the numbers that both an STL and a 3MF can hold, nearest to the ones given."""
    return np.round(vertices, DECIMALS).astype(np.float32).astype(np.float64) + 0.0


def roundings(solid: Manifold, shift_mm: Floats) -> Iterator[Manifold]:
    """The solid without edges so short that rounding would fold its faces, then without longer ones: each may
    be tried where the one before it is not sound once it is written."""
    largest = float(np.abs(np.subtract(np.reshape(solid.bounding_box(), (2, 3)), shift_mm)).max())
    least = 4.0 * float(np.spacing(np.float32(largest)))
    for shortest in SHORTEST_MM:
        yield solid.simplify(max(shortest, least))


def roundable(solid: Manifold, shift_mm: Floats) -> Manifold:
    """The first of its ``roundings`` of which every edge is shared by two faces. Where none is, the first of
    the same with a hair taken away along the edges at which the last one touches itself, or that last one."""
    from manifold3d import Manifold, OpType

    for tried in roundings(solid, shift_mm):
        touching = _touching_mm(*written_mesh(tried, shift_mm)[:2])
        if not len(touching):
            return tried
    hairs = [Manifold.hull_points((ends[:, None] + _HAIR).reshape(-1, 3)) for ends in touching + shift_mm]
    for less in roundings(tried - Manifold.batch_boolean(hairs, OpType.Add), shift_mm):
        if not len(_touching_mm(*written_mesh(less, shift_mm)[:2])):
            return less
    return tried


def _touching_mm(vertices: Floats, faces: NDArray[np.int64]) -> Floats:
    """(k, 2, 3) the ends of edges that are not shared by two faces alone that agree."""
    short_faces = np.ascontiguousarray(faces, dtype=np.int32)
    partner, counts = pair_edges(short_faces, sort_edges(short_faces, len(vertices)))
    if not counts.any():
        return np.empty((0, 2, 3))
    begins, ends_at = short_faces.ravel(), np.roll(short_faces, -1, axis=1).ravel()
    half = np.flatnonzero((partner < 0) | (begins[partner] == begins))
    ends = np.column_stack([begins[half], ends_at[half]])
    found: Floats = vertices[np.unique(np.sort(ends, axis=1), axis=0)]
    return found


def written_mesh(solid: Manifold, shift_mm: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.bool_]]:
    """(n, 3) vertices and (m, 3) faces of a solid, less ``shift_mm``, in short numbers; and (k,) which of the
    faces of ``mesh_of(solid)`` are still there: none with two corners in one, none back to back."""
    vertices, faces = mesh_of(solid)
    moved = _kept_apart(vertices - shift_mm, faces)
    unique, index = np.unique(short(moved), axis=0, return_inverse=True)
    welded = index.reshape(-1)[faces].astype(np.int64)
    real = (welded != np.roll(welded, 1, axis=1)).all(axis=1)
    real[real] = ~_back_to_back(welded[real])
    return unique, welded[real], real


def _kept_apart(vertices: Floats, faces: NDArray[np.int32]) -> Floats:
    """The vertices with those drawn a hair into the solid that rounding would weld although no edge joins
    them: where two sheets touch, a reader would find edges that more than two faces share."""
    _, group, count = np.unique(short(vertices), axis=0, return_inverse=True, return_counts=True)
    group = group.reshape(-1)
    shared = count[group] > 1
    if not shared.any():
        return vertices
    a, b = (faces[:, [0, 1, 2]].reshape(-1), faces[:, [1, 2, 0]].reshape(-1))
    inner = group[a] == group[b]  # an edge that shrinks to a point joins its ends
    joined = np.zeros(len(vertices), dtype=bool)
    joined[a[inner]] = joined[b[inner]] = True
    alone = shared & ~joined
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    outward = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(outward, faces[:, k], normal)
    length = np.linalg.norm(outward, axis=1, keepdims=True)
    inward = np.divide(-outward, length, out=np.zeros_like(outward), where=length > 0.0)
    return np.where(alone[:, None], vertices + APART_MM * inward, vertices)


def _back_to_back(faces: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(m,) faces on the same three corners as another, in pairs that enclose nothing."""
    _, group, count = np.unique(np.sort(faces, axis=1), axis=0, return_inverse=True, return_counts=True)
    paired: NDArray[np.bool_] = (count[group] % 2 == 0).reshape(-1)
    return paired


def sound_solids(solid: Manifold, shift_mm: Floats) -> list[Manifold]:
    """The connected solids of one, each ready to be rounded; specks are left out."""
    bodies = without_specks(solid).decompose()
    return [roundable(body, shift_mm) for body in bodies if body.volume() > 0.0]


def written_part(
    part: Part,
    ground: Manifold,
    solid: Manifold,
    sets: Mapping[str, NDArray[np.bool_]],
    shift_mm: Floats,
    watch: Watch = QUIET,
) -> Part:
    """``solid``, made from ``ground`` (``solid_of(part)``), as its files are read: less ``shift_mm``.

    It has the face sets of ``part`` and further ones, ``sets`` (m,) by name.
    """
    vertices, faces, real = written_mesh(solid, shift_mm)
    number = came_from(ground, solid)[real]
    every = np.arange(len(part.faces))
    marks = {name: np.isin(every, chosen) for name, chosen in part.face_sets.items()} | dict(sets)
    inside = np.array([(number >= 0) & marked[number] for marked in marks.values()], dtype=bool)
    inside = inside.reshape(len(marks), len(faces))
    label = _alike(inside)
    _, first = np.unique(label, return_index=True)
    groups = inside[:, first]
    names = tuple(str(k) for k in range(groups.shape[1]))
    corners, loose = soup(vertices[faces])
    raw = RawMesh(corners, loose, label.astype(np.int32), names, "mm")
    read = healed_part(f"{part.name} redrawn", raw, subject=f"{part.name} redrawn", watch=watch)
    return Part(read.name, read.vertices, read.faces, read.health, _sets(read, marks, groups))


def _alike(inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(m,) numbers from 0 on, the same for columns of (k, m) marks that are alike."""
    label = np.zeros(inside.shape[1], dtype=np.int64)
    for row in np.packbits(inside, axis=0):
        _, label = np.unique(256 * label + row, return_inverse=True)
    return label.reshape(-1)


def _sets(read: Part, marks: Mapping[str, NDArray[np.bool_]], groups: NDArray[np.bool_]) -> dict[str, Ints]:
    """Face sets by name from the sets of faces that are marked alike."""
    found: dict[str, Ints] = {}
    for row, name in enumerate(marks):
        alike = [read.face_sets[str(k)] for k in np.flatnonzero(groups[row])]
        found[name] = np.sort(np.concatenate([*alike, np.empty(0, np.int32)])).astype(np.int32)
    return found

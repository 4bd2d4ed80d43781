"""Meshes of the part and of each piece, made ready for height maps; points on the pieces; turns of
directions."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import with_own_points
from falsework.kernels.column.reach import NOTHING, height_map
from falsework.layers.stack import Floats, Indices
from falsework.orientation.body import face_normals, thinned
from falsework.orientation.directions import ODD_SPIN_DEG, rotations_to_up
from falsework.part.part import Part

GRID = 144  # samples each way while many directions are screened
SLACK_MM = 0.02  # height that is forgiven: rounding and thinning
FINE_MM = 0.12  # distance of samples when one direction is confirmed, at best
FINE_MOST = 360  # samples each way then
CLEAR_SHARE = 0.002  # of a piece's columns that may be blocked and count as rounding
THINNED_SHARE = 0.1  # of the least clearance: how far thinning may move the part's surface
Floats32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class BodyMesh:
    """``vertices`` (3, n) float32, ``faces`` (m, 3) int32; ``closed`` ones are seen from outside alone.

    ``start`` (k + 1,): body k owns faces start[k]:start[k + 1].
    """

    vertices: Floats32
    faces: NDArray[np.int32]
    closed: bool
    start: Indices

    @property
    def count(self) -> int:
        return len(self.start) - 1

    @cached_property
    def corners(self) -> list[Floats]:
        """The vertices (n, 3) of each body."""
        count = self.vertices.shape[1]
        used = (
            with_own_points(self.faces[a:b], count)[0]
            for a, b in zip(self.start[:-1], self.start[1:], strict=True)
        )
        return [self.vertices[:, some].T.astype(np.float64) for some in used]

    @cached_property
    def bounds(self) -> Floats:
        """(bodies, 2, 3) lowest and highest corner of each; zero for bodies without faces."""
        return np.array(
            [[c.min(axis=0), c.max(axis=0)] if len(c) else np.zeros((2, 3)) for c in self.corners]
        ).reshape(-1, 2, 3)

    def only(self, bodies: Indices) -> BodyMesh:
        """The given bodies alone, over the same vertices."""
        faces = [self.faces[self.start[b] : self.start[b + 1]] for b in bodies]
        start = np.concatenate([[0], np.cumsum([len(f) for f in faces])]).astype(np.int64)
        every = np.ascontiguousarray(np.concatenate(faces))
        return BodyMesh(self.vertices, every, self.closed, start)


@dataclass(frozen=True, eq=False)
class Samples:
    """Points on pieces: ``points`` (3, k) float32, ``owner`` (k,) ascending, ``start`` (pieces + 1,)."""

    points: Floats32
    owner: Indices
    start: Indices


def part_mesh(part: Part, clearance_mm: float) -> BodyMesh:
    """The part, thinned by no more than a tenth of the clearance."""
    show = np.zeros(len(part.faces), dtype=bool)
    body, _ = thinned(part, part.vertices, show, THINNED_SHARE * clearance_mm)
    return BodyMesh(body.vertices, body.faces, part.health.closed, np.array([0, len(body.faces)]))


def piece_mesh(vertices: Floats, faces: NDArray[np.int32], face_piece: Indices, count: int) -> BodyMesh:
    """The pieces of a scheme, faces sorted by piece."""
    order = np.argsort(face_piece, kind="stable")
    start = np.searchsorted(face_piece[order], np.arange(count + 1))
    return BodyMesh(
        np.ascontiguousarray(vertices.T, dtype=np.float32),
        np.ascontiguousarray(faces[order], dtype=np.int32),
        True,
        start.astype(np.int64),
    )


def surface_points(mesh: BodyMesh, each: int) -> Samples:
    """About ``each`` points on every body, the same every time: evenly by area, and its outermost corners.

    Level faces count threefold: there the contact is. Additive golden-ratio steps place a point in its
    triangle.
    """
    found, owner = [np.empty((0, 3))], [np.empty(0, np.int64)]
    points = mesh.vertices.T.astype(np.float64)
    outward = np.array(
        [(i, j, k) for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1) if (i, j, k) != (0, 0, 0)],
        dtype=np.float64,
    )
    for body in range(mesh.count):
        faces = mesh.faces[mesh.start[body] : mesh.start[body + 1]]
        if not len(faces):
            continue
        normals, areas = face_normals(points, faces)
        weight = np.cumsum(areas * np.where(np.abs(normals[:, 2]) > 0.7, 3.0, 1.0))
        pick = np.searchsorted(weight, (np.arange(each) + 0.5) / each * weight[-1])
        pick = np.minimum(pick, len(faces) - 1)
        a, b, c = (points[faces[pick, k]] for k in range(3))
        step = np.arange(each)[:, None]
        u, v = np.mod(0.5 + 0.7548776662 * step, 1.0), np.mod(0.5 + 0.5698402910 * step, 1.0)
        u, v = np.where(u + v > 1.0, 1.0 - u, u), np.where(u + v > 1.0, 1.0 - v, v)
        corners = mesh.corners[body]
        extremes = corners[np.unique([int(np.argmax(corners @ way)) for way in outward])]
        mine = np.concatenate([a + u * (b - a) + v * (c - a), extremes])
        found.append(mine)
        owner.append(np.full(len(mine), body, dtype=np.int64))
    whose = np.concatenate(owner)
    return Samples(
        np.ascontiguousarray(np.concatenate(found).T, dtype=np.float32),
        whose,
        np.searchsorted(whose, np.arange(mesh.count + 1)).astype(np.int64),
    )


def turns(directions: Floats) -> Floats:
    """(d, 3, 3) rotations that turn each direction up, spun by an odd angle so that no grid runs along
    an edge."""
    return rotations_to_up(directions, ODD_SPIN_DEG)


@dataclass(frozen=True, eq=False)
class Window:
    """The columns of one body along one direction: ``lowest`` (h * w,) negated heights, NOTHING where it
    has none."""

    rotation: Floats
    corner: Floats
    cell_mm: float
    width: int
    height: int
    lowest: Floats32
    columns: int

    def overlap(self, mesh: BodyMesh, body: int) -> float:
        """Share of the columns in which ``mesh``'s body lies above this one."""
        above = np.full(len(self.lowest), NOTHING, dtype=np.float32)
        first, last = int(mesh.start[body]), int(mesh.start[body + 1])
        reached = height_map(
            mesh.vertices,
            mesh.faces,
            first,
            last,
            self.rotation,
            self.corner,
            self.cell_mm,
            self.width,
            self.height,
            mesh.closed,
            False,
            above,
        )
        if not reached:
            return 0.0
        # both NOTHING: far below any slack
        return float(np.count_nonzero(above + self.lowest > SLACK_MM)) / max(self.columns, 1)


def window_of(mesh: BodyMesh, body: int, direction: Floats, fine_mm: float = FINE_MM) -> Window:
    """Columns of a body along ``direction``, ``fine_mm`` apart or as near as FINE_MOST samples each way
    allow."""
    rotation = turns(direction[None])[0]
    flat = mesh.corners[body] @ rotation[:2].T
    low, high = flat.min(axis=0), flat.max(axis=0)
    cell = max(fine_mm, float((high - low).max()) / FINE_MOST)
    corner = low + 0.37 * cell
    width, height = (int(n) for n in np.floor((high - corner) / cell) + 1)
    lowest = np.full(width * height, NOTHING, dtype=np.float32)
    first, last = int(mesh.start[body]), int(mesh.start[body + 1])
    height_map(
        mesh.vertices, mesh.faces, first, last, rotation, corner, cell, width, height, False, True, lowest
    )
    columns = int(np.count_nonzero(lowest > NOTHING))
    return Window(rotation, corner, cell, width, height, lowest, columns)

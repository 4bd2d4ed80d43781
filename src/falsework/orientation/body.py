"""A part's mesh made ready for counting columns: in a frame of its own, thinned where that is allowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.mesh.measures import middles_of, normals_of, solid_moments, surface_moments
from falsework.orientation.directions import resting_faces
from falsework.part.part import Floats, Part

SHARP_DEG = 30.0  # edges that turn by less are taken for parts of a curved face
FEW_FACES = 5_000  # meshes of no more faces are not worth thinning

ALIKE_SHARE = 1e-3  # second moments, or faces, that differ by no more are alike
UPRIGHT_FACE_DEG = 30.0  # faces within so much of the vertical may give the second axis

STEADY_DEG = 15.0  # lean from which on nothing topples (constructed)


@dataclass(frozen=True, eq=False)
class Body:
    """Arrays of a closed or open mesh for ``kernels.column.intervals``.

    ``vertices`` (3, n) float32, ``faces`` (m, 3) int32 outward, ``normals`` (m, 3) float32 (zero for faces
    without area), ``middles`` (m, 3) float32, ``areas`` (m,) float32, ``show`` (m,) uint8, ``center`` (3,)
    centre of mass, ``volume_mm3``; ``edges``, ``beside`` (e, 2) int32 ends and faces of sharp convex edges.
    """

    vertices: NDArray[np.float32]
    faces: NDArray[np.int32]
    normals: NDArray[np.float32]
    middles: NDArray[np.float32]
    areas: NDArray[np.float32]
    show: NDArray[np.uint8]
    center: Floats
    volume_mm3: float
    edges: NDArray[np.int32]
    beside: NDArray[np.int32]

    @property
    def points(self) -> Floats:
        """(n, 3) float64 vertices."""
        return self.vertices.T.astype(np.float64)


def face_normals(vertices: Floats, faces: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """(m, 3) unit normals and (m,) areas."""
    return normals_of(np.ascontiguousarray(vertices, float), np.ascontiguousarray(faces, np.int32))


def body_of(vertices: Floats, faces: NDArray[np.int32], show: NDArray[np.bool_]) -> Body:
    """The body of a mesh; one that is inside out as a whole is turned."""
    volume, center = mass_of(vertices, faces)
    faces = np.ascontiguousarray(faces[:, ::-1] if volume < 0.0 else faces, dtype=np.int32)
    normals, areas = face_normals(vertices, faces)
    return Body(
        np.ascontiguousarray(vertices.T, dtype=np.float32),
        faces,
        np.ascontiguousarray(normals, dtype=np.float32),
        middles_of(vertices, faces).astype(np.float32),
        np.ascontiguousarray(areas, dtype=np.float32),
        np.ascontiguousarray(show, dtype=np.uint8),
        center,
        abs(volume),
        *sharp_edges(vertices, faces, normals),
    )


def sharp_edges(
    vertices: Floats, faces: NDArray[np.int32], normals: Floats
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """(e, 2) ends and (e, 2) faces of convex edges that turn by more than ``SHARP_DEG``."""
    count = len(faces)
    start, end = faces[:, [0, 1, 2]].T.reshape(-1), faces[:, [1, 2, 0]].T.reshape(-1)
    key = np.minimum(start, end).astype(np.int64) * len(vertices) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    pairs = np.flatnonzero(np.diff(key[order]) == 0)
    first, second = order[pairs], order[pairs + 1]
    f, g = first % count, second % count
    sharp = np.einsum("ij,ij->i", normals[f], normals[g]) < np.cos(np.radians(SHARP_DEG))
    first, second, f, g = first[sharp], second[sharp], f[sharp], g[sharp]
    opposite = faces[g, (second // count + 2) % 3]
    convex = np.einsum("ij,ij->i", vertices[opposite] - vertices[start[first]], normals[f]) < 0.0
    ends = np.column_stack([start[first], end[first]])[convex]
    beside = np.column_stack([f, g])[convex]
    return np.ascontiguousarray(ends, np.int32), np.ascontiguousarray(beside, np.int32)


def mass_of(vertices: Floats, faces: NDArray[np.int32]) -> tuple[float, Floats]:
    """Signed volume and centre of mass; of the surface where there is hardly any volume (an open sheet)."""
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    origin = 0.5 * (low + high)
    sixfold, first = solid_moments(vertices, faces, origin)
    if abs(sixfold) > 6e-4 * float((high - low).prod()):
        return sixfold / 6.0, origin + first / (4.0 * sixfold)
    return sixfold / 6.0, _surface_middle(vertices, faces, face_normals(vertices, faces)[1])


def _surface_middle(vertices: Floats, faces: NDArray[np.int32], areas: Floats) -> Floats:
    """(3,) centre of a surface."""
    middle: Floats = areas @ middles_of(vertices, faces) / max(float(areas.sum()), 1e-300)
    return middle


def own_frame(vertices: Floats, faces: NDArray[np.int32]) -> Floats:
    """(3, 3) rotation into axes of the part's own, so that a turned mesh is searched alike.

    Principal axes of the surface's second moments. Where two or all of these are alike, as those of a square
    post or a cube are, the largest faces that the part could rest on take their place. Axes point to where
    the third moment says, the one on which it says least as the other two want it.
    """
    areas = face_normals(vertices, faces)[1]
    second, third = surface_moments(vertices, faces, areas, _surface_middle(vertices, faces, areas))
    worth, axes = np.linalg.eigh(second)
    alike = np.diff(worth) < ALIKE_SHARE * max(float(worth[-1]), 1e-300)
    if alike.all():
        axes = _resting_axes(vertices, third, None)
    elif alike.any():
        axes = _resting_axes(vertices, third, axes[:, 2 if alike[0] else 0])
    frame: Floats = axes.T.copy()
    moments = np.einsum("abc,na,nb,nc->n", third, frame, frame, frame)
    frame[moments < 0.0] *= -1.0
    if np.linalg.det(frame) < 0.0:  # the axis along which the part is most nearly like its mirror image
        frame[int(np.argmin(np.abs(moments)))] *= -1.0
    return frame


def _resting_axes(vertices: Floats, third: Floats, axis: Floats | None) -> Floats:
    """(3, 3) axes, as columns: ``axis``, or across the largest face that the part rests on, and across the
    largest that is nearly upright then; of faces alike that one to which the third moment points most."""
    ups, areas = resting_faces(vertices)
    first = _largest(ups, areas, third, np.ones(len(ups), bool)) if axis is None else axis
    if first is None:
        first = np.array([0.0, 0.0, 1.0])
    upright = np.abs(ups @ first) < np.sin(np.radians(UPRIGHT_FACE_DEG))
    second = _largest(ups, areas, third, upright)
    if second is None:  # nothing to go by: whatever is across
        second = np.eye(3)[int(np.argmin(np.abs(first)))]
    second = second - (second @ first) * first
    second /= np.linalg.norm(second)
    return np.column_stack([first, second, np.cross(first, second)])


def _largest(ups: Floats, areas: Floats, third: Floats, these: NDArray[np.bool_]) -> Floats | None:
    """Of some faces the largest; of those within a share of it, that with the greatest third moment."""
    if not these.any():
        return None
    rows = np.flatnonzero(these & (areas > (1.0 - ALIKE_SHARE) * areas[these].max()))
    moments = np.einsum("abc,na,nb,nc->n", third, ups[rows], ups[rows], ups[rows])
    best: Floats = ups[rows[int(np.argmax(moments))]]
    return best


def thinned(part: Part, vertices: Floats, show: NDArray[np.bool_], tolerance_mm: float) -> tuple[Body, float]:
    """Body of the part's mesh, thinned within ``tolerance_mm``, and the tolerance (0: the mesh itself).

    ``vertices`` are the part's in the frame wanted. Edges between marked faces and others stay. Meshes that
    are open, small, or that the library does not take, are left as they are.
    """
    if len(part.faces) > FEW_FACES and part.health.closed:
        from manifold3d import Error, Manifold, Mesh64

        solid = Manifold(
            Mesh64(
                np.ascontiguousarray(vertices),
                np.ascontiguousarray(part.faces, dtype=np.uint64),
                face_id=show.astype(np.uint64) if show.any() else np.empty(0, np.uint64),
            )
        )
        if solid.status() == Error.NoError:
            mesh = solid.simplify(tolerance_mm).to_mesh64()
            corners = np.array(mesh.vert_properties)[:, :3]
            faces = np.array(mesh.tri_verts).astype(np.int32)
            marked = np.array(mesh.face_id) == 1 if show.any() else np.zeros(len(faces), dtype=bool)
            if 0 < len(faces) < len(part.faces):
                return body_of(corners, faces, marked), tolerance_mm
    return body_of(vertices, part.faces, show), 0.0

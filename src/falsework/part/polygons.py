"""Faces of more than three corners, cut into triangles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import Indices


def triangulated(points: NDArray[np.float64], corners: Indices, start: Indices) -> Indices:
    """(m, 3) triangles of faces whose corners are ``corners[start[f]:start[f + 1]]``, wound as they are.

    A convex face is cut from its first corner; another one by its ears, seen along its mean normal. Faces of
    fewer than three corners are left out.
    """
    counts = np.diff(start)
    out = []
    for count in np.unique(counts[counts >= 3]).tolist():  # few sizes, many faces
        faces = corners[start[:-1][counts == count][:, None] + np.arange(count)]
        if count == 3:
            out.append(faces)
            continue
        convex = _convex(points[faces])
        fans = [faces[convex][:, [0, k, k + 1]] for k in range(1, count - 1)]
        out.append(np.stack(fans, axis=1).reshape(-1, 3))
        out += [_ears(points, face) for face in faces[~convex]]
    return np.concatenate(out) if out else np.empty((0, 3), np.int64)


def _normals(shapes: NDArray[np.float64]) -> NDArray[np.float64]:
    """(f, 3) twice the area vectors of faces (f, n, 3)."""
    moved = shapes - shapes[:, :1]
    found: NDArray[np.float64] = np.cross(moved[:, 1:-1], moved[:, 2:]).sum(axis=1)
    return found


def _convex(shapes: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether no corner of a face turns back, seen along its mean normal."""
    edges = np.roll(shapes, -1, axis=1) - shapes
    turns = np.cross(np.roll(edges, 1, axis=1), edges) @ _normals(shapes)[:, :, None]
    return np.asarray((turns[..., 0] >= 0.0).all(axis=1))


def _ears(points: NDArray[np.float64], face: Indices) -> Indices:
    import mapbox_earcut

    normal = _normals(points[face][None])[0]
    axis = int(np.argmax(np.abs(normal)))
    flat = np.delete(points[face], axis, axis=1)
    if axis == 1:  # what is left of x and z is seen from behind
        flat = flat[:, ::-1]
    flipped = normal[axis] < 0.0
    if flipped:
        flat = flat * np.array([-1.0, 1.0])
    found = mapbox_earcut.triangulate_float64(np.ascontiguousarray(flat), np.array([len(face)], np.uint32))
    triangles = np.asarray(found, dtype=np.int64).reshape(-1, 3)
    a, b, c = (flat[triangles[:, k]] for k in range(3))
    area = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    triangles[area < 0.0] = triangles[area < 0.0][:, ::-1]
    return face[triangles]

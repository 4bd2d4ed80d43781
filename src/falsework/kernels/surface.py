"""Normals, areas and moments of a triangle mesh, each in one pass over its faces."""

from __future__ import annotations

import numpy as np
from numba import njit

from falsework.kernels.mesh import doubled_area


@njit(cache=True, nogil=True, error_model="numpy")
def normals_of(vertices, faces):
    """(m, 3) unit normals, zero for faces without area, and (m,) areas. O(m)."""
    normals, areas = np.empty((len(faces), 3)), np.empty(len(faces))
    for f in range(len(faces)):
        x, y, z = doubled_area(vertices, faces[f, 0], faces[f, 1], faces[f, 2])
        length = np.sqrt(x * x + y * y + z * z)
        size = max(length, 1e-300)
        normals[f, 0], normals[f, 1], normals[f, 2] = x / size, y / size, z / size
        areas[f] = 0.5 * length
    return normals, areas


@njit(cache=True, nogil=True, error_model="numpy")
def middles_of(vertices, faces):
    """(m, 3) middles of faces. O(m)."""
    middles = np.empty((len(faces), 3))
    for f in range(len(faces)):
        for k in range(3):
            middles[f, k] = (
                vertices[faces[f, 0], k] + vertices[faces[f, 1], k] + vertices[faces[f, 2], k]
            ) / 3.0
    return middles


@njit(cache=True, nogil=True, error_model="numpy")
def surface_moments(vertices, faces, areas, middle):
    """Second (3, 3) and third (3, 3, 3) moments of a surface about ``middle`` (3,), up to a factor. O(m).

    The second by the middles of edges, which is exact; the third by corners.
    """
    second, third = np.zeros((3, 3)), np.zeros((3, 3, 3))
    corners = np.empty((3, 3))
    for f in range(len(faces)):
        area = areas[f]
        for c in range(3):
            for k in range(3):
                corners[c, k] = vertices[faces[f, c], k] - middle[k]
        for c in range(3):
            d = c + 1 if c < 2 else 0
            for i in range(3):
                at = 0.5 * (corners[c, i] + corners[d, i]) * area
                for j in range(i + 1):
                    second[i, j] += at * 0.5 * (corners[c, j] + corners[d, j])
                    weighed = area * corners[c, i] * corners[c, j]
                    for k in range(j + 1):
                        third[i, j, k] += weighed * corners[c, k]
    for i in range(3):
        for j in range(3):
            second[i, j] = second[max(i, j), min(i, j)]
            for k in range(3):
                high, low = max(i, j, k), min(i, j, k)
                third[i, j, k] = third[high, i + j + k - high - low, low]
    return second, third


@njit(cache=True, nogil=True, error_model="numpy")
def solid_moments(vertices, faces, origin):
    """Six times the signed volume, and 24 times its first moment (3,) about ``origin`` (3,). O(m)."""
    sixfold = 0.0
    first = np.zeros(3)
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0] - origin[0], vertices[a, 1] - origin[1], vertices[a, 2] - origin[2]
        bx, by, bz = vertices[b, 0] - origin[0], vertices[b, 1] - origin[1], vertices[b, 2] - origin[2]
        cx, cy, cz = vertices[c, 0] - origin[0], vertices[c, 1] - origin[1], vertices[c, 2] - origin[2]
        part = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
        sixfold += part
        first[0] += part * (ax + bx + cx)
        first[1] += part * (ay + by + cy)
        first[2] += part * (az + bz + cz)
    return sixfold, first


@njit(cache=True, nogil=True, error_model="numpy")
def merged_normals(normals, areas, cosine):
    """Faces that look alike as one: (k,) the first of each, and (k,) areas summed.

    normals (n, 3), of which each joins the first before it within ``cosine``, or begins a face of its own.
    O(n·k).
    """
    firsts, sums = np.empty(len(normals), np.int64), np.zeros(len(normals))
    count = 0
    for n in range(len(normals)):
        k = 0
        while k < count:
            f = firsts[k]
            along = (
                normals[f, 0] * normals[n, 0] + normals[f, 1] * normals[n, 1] + normals[f, 2] * normals[n, 2]
            )
            if along > cosine:
                break
            k += 1
        if k == count:
            firsts[k] = n
            count += 1
        sums[k] += areas[n]
    return firsts[:count], sums[:count]

"""Areas, normals, volumes and moments of a triangle mesh, and what its shells enclose, each in one pass.

Everywhere: ``vertices`` (n, 3) float64, ``faces`` (m, 3) int32, both C-contiguous.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.sorting import grouped


@kernel
def finite_bounds(vertices):
    """(2, 3) lowest and highest corner of the finite vertices, and how many are not finite. O(n).

    Without any finite vertex the corners are inf and -inf.
    """
    out = np.empty((2, 3))
    out[0] = np.inf
    out[1] = -np.inf
    bad = 0
    for v in range(vertices.shape[0]):
        x, y, z = vertices[v, 0], vertices[v, 1], vertices[v, 2]
        if not (np.isfinite(x) and np.isfinite(y) and np.isfinite(z)):
            bad += 1
            continue
        out[0, 0], out[1, 0] = min(out[0, 0], x), max(out[1, 0], x)
        out[0, 1], out[1, 1] = min(out[0, 1], y), max(out[1, 1], y)
        out[0, 2], out[1, 2] = min(out[0, 2], z), max(out[1, 2], z)
    return out, bad


@inner
def doubled_area(vertices, a, b, c):
    """Twice the vector area of a triangle, by the numbers of its corners."""
    ux, uy, uz = (
        vertices[b, 0] - vertices[a, 0],
        vertices[b, 1] - vertices[a, 1],
        vertices[b, 2] - vertices[a, 2],
    )
    vx, vy, vz = (
        vertices[c, 0] - vertices[a, 0],
        vertices[c, 1] - vertices[a, 1],
        vertices[c, 2] - vertices[a, 2],
    )
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@kernel
def face_areas(vertices, faces):
    """(m,) area of each face. O(m)."""
    areas = np.empty(faces.shape[0])
    for f in range(faces.shape[0]):
        x, y, z = doubled_area(vertices, faces[f, 0], faces[f, 1], faces[f, 2])
        areas[f] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return areas


@kernel
def mesh_volume(vertices, faces):
    """Signed volume by the divergence theorem, taken about the first vertex. O(m)."""
    total = 0.0
    if faces.shape[0] == 0:
        return total
    ox, oy, oz = vertices[faces[0, 0]]
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0] - ox, vertices[a, 1] - oy, vertices[a, 2] - oz
        bx, by, bz = vertices[b, 0] - ox, vertices[b, 1] - oy, vertices[b, 2] - oz
        cx, cy, cz = vertices[c, 0] - ox, vertices[c, 1] - oy, vertices[c, 2] - oz
        total += ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    return total / 6.0


@kernel
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


@kernel
def middles_of(vertices, faces):
    """(m, 3) middles of faces. O(m)."""
    middles = np.empty((len(faces), 3))
    for f in range(len(faces)):
        for k in range(3):
            middles[f, k] = (
                vertices[faces[f, 0], k] + vertices[faces[f, 1], k] + vertices[faces[f, 2], k]
            ) / 3.0
    return middles


@kernel
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


@kernel
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


@kernel
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


@kernel
def shell_figures(vertices, faces, shell, shells):
    """(shells, 11): signed volume, area, lowest corner, highest corner, vector area of each shell. O(m).

    The volume of an open shell depends on the point it is taken about: here the middle of its box.
    """
    out = np.zeros((shells, 11))
    out[:, 2:5] = np.inf
    out[:, 5:8] = -np.inf
    if faces.shape[0] == 0:
        return out
    ox, oy, oz = vertices[faces[0, 0]]
    for f in range(faces.shape[0]):
        s = shell[f]
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0] - ox, vertices[a, 1] - oy, vertices[a, 2] - oz
        bx, by, bz = vertices[b, 0] - ox, vertices[b, 1] - oy, vertices[b, 2] - oz
        cx, cy, cz = vertices[c, 0] - ox, vertices[c, 1] - oy, vertices[c, 2] - oz
        out[s, 0] += (ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)) / 6.0
        ux, uy, uz, wx, wy, wz = bx - ax, by - ay, bz - az, cx - ax, cy - ay, cz - az
        x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        out[s, 1] += 0.5 * np.sqrt(x * x + y * y + z * z)
        out[s, 8] += 0.5 * x
        out[s, 9] += 0.5 * y
        out[s, 10] += 0.5 * z
        for k in range(3):
            for d in range(3):
                out[s, 2 + d] = min(out[s, 2 + d], vertices[faces[f, k], d])
                out[s, 5 + d] = max(out[s, 5 + d], vertices[faces[f, k], d])
    for s in range(shells):
        mx, my, mz = (out[s, 2] + out[s, 5]) / 2, (out[s, 3] + out[s, 6]) / 2, (out[s, 4] + out[s, 7]) / 2
        out[s, 0] -= ((mx - ox) * out[s, 8] + (my - oy) * out[s, 9] + (mz - oz) * out[s, 10]) / 3.0
    return out


@kernel
def inside_counts(vertices, faces, shell, points, owner, shells):
    """Which shells hold which points: parity of the faces below each point.

    ``points`` (q, 3) with ``owner`` (q,) int32, the shell each was taken from (which is skipped).
    Returns (q, shells) uint8, 1 where the point lies inside the shell. Give coordinates that are
    turned by an odd angle, so that no point lies exactly below an edge. A grid over the points
    in x and y keeps it near O(m + hits).
    """
    q = points.shape[0]
    out = np.zeros((q, shells), np.uint8)
    if q == 0:
        return out
    side = max(1, int(np.sqrt(q)))
    low_x, low_y = points[:, 0].min(), points[:, 1].min()
    step_x = max((points[:, 0].max() - low_x) / side, 1e-300)
    step_y = max((points[:, 1].max() - low_y) / side, 1e-300)
    cell = np.empty(q, np.int64)
    for i in range(q):
        cx = min(side - 1, int((points[i, 0] - low_x) / step_x))
        cy = min(side - 1, int((points[i, 1] - low_y) / step_y))
        cell[i] = cx * side + cy
    start, listed = grouped(cell, side * side)
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, bx, by, cx, cy = (
            vertices[a, 0],
            vertices[a, 1],
            vertices[b, 0],
            vertices[b, 1],
            vertices[c, 0],
            vertices[c, 1],
        )
        x0 = max(0.0, (min(ax, bx, cx) - low_x) / step_x)
        y0 = max(0.0, (min(ay, by, cy) - low_y) / step_y)
        x1 = min(side - 1.0, (max(ax, bx, cx) - low_x) / step_x)
        y1 = min(side - 1.0, (max(ay, by, cy) - low_y) / step_y)
        if x1 < 0.0 or y1 < 0.0:
            continue
        for gx in range(min(side - 1, int(min(x0, 1e9))), int(x1) + 1):
            for gy in range(min(side - 1, int(min(y0, 1e9))), int(y1) + 1):
                for k in range(start[gx * side + gy], start[gx * side + gy + 1]):
                    i = listed[k]
                    if owner[i] == shell[f]:
                        continue
                    px, py = points[i, 0], points[i, 1]
                    wa = (bx - px) * (cy - py) - (by - py) * (cx - px)
                    wb = (cx - px) * (ay - py) - (cy - py) * (ax - px)
                    wc = (ax - px) * (by - py) - (ay - py) * (bx - px)
                    if not ((wa > 0 and wb > 0 and wc > 0) or (wa < 0 and wb < 0 and wc < 0)):
                        continue
                    z = (wa * vertices[a, 2] + wb * vertices[b, 2] + wc * vertices[c, 2]) / (wa + wb + wc)
                    if z < points[i, 2]:
                        out[i, shell[f]] ^= 1
    return out

"""A height field as a net of triangles that keeps its creases.

One vertex per cell, set where the planes through the cell's four corners come nearest to meeting (as in Ju,
Losasso, Schaefer and Warren, Dual contouring of Hermite data, SIGGRAPH 2002, here for one height over the
plane), one quad per inner corner. Plain arrays, O(cells).
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import inner, kernel

_PULL = 1e-4  # towards the cell's middle, where the planes leave the place open
_WITHIN = 0.49  # of a cell: no vertex leaves its own
SIDE_ROW = np.array([-1, 0, 1, 0])  # the quad across each side of a quad
SIDE_COLUMN = np.array([0, 1, 0, -1])


@inner
def _slope(a, b, c, d, e):
    """Difference at c of five values in a row (nan where unknown), from the smoother side or both."""
    left, right = not math.isnan(b), not math.isnan(d)
    if not left and not right:
        return 0.0
    if not left:
        return d - c
    if not right:
        return c - b
    bend_left = abs(a - 2.0 * b + c) if not math.isnan(a) else np.inf
    bend_right = abs(c - 2.0 * d + e) if not math.isnan(e) else np.inf
    if abs(bend_left - bend_right) <= 1e-9 or not (math.isfinite(bend_left) or math.isfinite(bend_right)):
        return 0.5 * (d - b)
    return c - b if bend_left < bend_right else d - c


@inner
def _at(z, r, s):
    return z[r, s] if 0 <= r < z.shape[0] and 0 <= s < z.shape[1] else np.nan


@kernel
def net_of(z, wanted, x0, y0, step):
    """(n, 3) vertices and (m, 3) faces, facing up, of heights ``z`` (rows, columns) over the ``wanted`` cells
    (rows − 1, columns − 1), whose corners must all be known; and (k, 2) edges of the rim, as faces run."""
    rows, columns = z.shape
    gx, gy = np.zeros((rows, columns)), np.zeros((rows, columns))
    for r in range(rows):
        for s in range(columns):
            if math.isnan(z[r, s]):
                continue
            gx[r, s] = _slope(_at(z, r, s - 2), _at(z, r, s - 1), z[r, s], _at(z, r, s + 1), _at(z, r, s + 2))
            gy[r, s] = _slope(_at(z, r - 2, s), _at(z, r - 1, s), z[r, s], _at(z, r + 1, s), _at(z, r + 2, s))
    number = np.full((rows - 1, columns - 1), -1, np.int64)
    count = 0
    for r in range(rows - 1):
        for s in range(columns - 1):
            if wanted[r, s]:
                number[r, s] = count
                count += 1
    points = np.empty((count, 3))
    for r in range(rows - 1):
        for s in range(columns - 1):
            if not wanted[r, s]:
                continue
            # in units of the step, from the cell's middle
            sxx, sxy, syy, sx, sy, sz, sxz, syz = _PULL, 0.0, _PULL, 0.0, 0.0, 0.0, 0.0, 0.0
            for a in range(2):
                for b in range(2):
                    p, q = gx[r + a, s + b], gy[r + a, s + b]
                    c = z[r + a, s + b] - p * (b - 0.5) - q * (a - 0.5)
                    sxx += p * p / step**2
                    sxy += p * q / step**2
                    syy += q * q / step**2
                    sx += p / step
                    sy += q / step
                    sz += c
                    sxz += p * c / step
                    syz += q * c / step
            # eliminate the height: minimise over (u, v) with h = (sz + sx u + sy v) / 4
            axx, axy, ayy = sxx - sx * sx / 4.0, sxy - sx * sy / 4.0, syy - sy * sy / 4.0
            bx, by = sx * sz / 4.0 - sxz, sy * sz / 4.0 - syz
            det = axx * ayy - axy * axy
            u = min(max((bx * ayy - by * axy) / det, -_WITHIN * step), _WITHIN * step)
            v = min(max((by * axx - bx * axy) / det, -_WITHIN * step), _WITHIN * step)
            k = number[r, s]
            points[k, 0] = x0 + (s + 0.5) * step + u
            points[k, 1] = y0 + (r + 0.5) * step + v
            points[k, 2] = (sz + sx * u + sy * v) / 4.0
    faces, rim = np.empty((2 * count, 3), np.int64), np.empty((4 * count, 2), np.int64)
    m, k = 0, 0
    for r in range(1, rows - 1):
        for s in range(1, columns - 1):
            a, b = number[r - 1, s - 1], number[r - 1, s]
            c, d = number[r, s], number[r, s - 1]
            if a < 0 or b < 0 or c < 0 or d < 0:
                continue
            x, y = x0 + s * step, y0 + r * step
            one = _misses(points, a, b, c, d, x, y, z[r, s])
            two = _misses(points, b, c, d, a, x, y, z[r, s])
            if one <= two:
                faces[m, 0], faces[m, 1], faces[m, 2] = a, b, c
                faces[m + 1, 0], faces[m + 1, 1], faces[m + 1, 2] = a, c, d
            else:
                faces[m, 0], faces[m, 1], faces[m, 2] = b, c, d
                faces[m + 1, 0], faces[m + 1, 1], faces[m + 1, 2] = b, d, a
            m += 2
            corners = (a, b, c, d)
            for side in range(4):
                p, q = r + SIDE_ROW[side], s + SIDE_COLUMN[side]
                if (
                    p < 1
                    or q < 1
                    or p >= rows - 1
                    or q >= columns - 1
                    or number[p - 1, q - 1] < 0
                    or number[p - 1, q] < 0
                    or number[p, q] < 0
                    or number[p, q - 1] < 0
                ):
                    rim[k, 0], rim[k, 1] = corners[side], corners[(side + 1) % 4]
                    k += 1
    return points, faces[:m], rim[:k]


@inner
def _side(points, a, b, x, y):
    return (points[b, 0] - points[a, 0]) * (y - points[a, 1]) - (points[b, 1] - points[a, 1]) * (
        x - points[a, 0]
    )


@inner
def _misses(points, a, b, c, d, x, y, z):
    """How far the quad cut from a to c misses height z at (x, y); infinite where that cut folds it."""
    first = _side(points, a, b, points[c, 0], points[c, 1])
    second = _side(points, a, c, points[d, 0], points[d, 1])
    if first <= 0.0 or second <= 0.0:
        return np.inf
    if _side(points, a, c, x, y) <= 0.0:
        i, j, k, area = a, b, c, first
    else:
        i, j, k, area = a, c, d, second
    u = _side(points, i, j, x, y) / area
    v = _side(points, j, k, x, y) / area
    w = 1.0 - u - v
    return abs(v * points[i, 2] + w * points[j, 2] + u * points[k, 2] - z)

"""Height maps along many directions: what lies in the way of points, of tools, and of a piece that is pulled.

Turned so that the direction of pull is +z, a thing that is pulled straight out meets an obstacle exactly
where, in some vertical column, the obstacle's highest point lies above the thing's lowest. So one map of
highest points per direction answers for everything at once. Triangles are scan-converted at sample points
on a grid. Plain arrays only; the reference twins are in ``tests/kernels/test_reach.py``.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel

NOTHING = np.float32(-1e30)  # height of a column without obstacle


@inner
def _raster(x, y, z, faces, first, last, cull, width, window, out):
    """Raises ``out`` (rows of ``width`` float32) to the triangles ``faces[first:last]`` within a window.

    ``window``: first column, first row, and those after the last. Samples lie at whole x and y of the grid.
    Half-open rules (a vertex on a row lies above it, samples in [x0, x1)), edges cut from their lower end:
    neighbours leave no crack. With ``cull``, triangles that face down are skipped: of a closed mesh they are
    never the highest. O(triangles + samples covered).
    """
    s_first, r_first, s_last, r_last = window
    for f in range(first, last):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ya, yb, yc = y[a], y[b], y[c]
        r0, r1 = np.ceil(min(ya, yb, yc)), np.ceil(max(ya, yb, yc))
        # most are smaller than a cell: of these nothing else is looked up
        if r0 >= r1 or r1 <= r_first or r0 >= r_last:
            continue
        xa, xb, xc = x[a], x[b], x[c]
        if cull and (xb - xa) * (yc - ya) - (xc - xa) * (yb - ya) < 0.0:
            continue
        s0, s1 = np.ceil(min(xa, xb, xc)), np.ceil(max(xa, xb, xc))
        if s0 >= s1 or s1 <= s_first or s0 >= s_last:
            continue
        za, zb, zc = z[a], z[b], z[c]
        if ya > yb:  # from the lowest to the highest: each row cuts the long edge and one of the others
            xa, ya, za, xb, yb, zb = xb, yb, zb, xa, ya, za
        if yb > yc:
            xb, yb, zb, xc, yc, zc = xc, yc, zc, xb, yb, zb
            if ya > yb:
                xa, ya, za, xb, yb, zb = xb, yb, zb, xa, ya, za
        long_x, long_y, long_z = xc - xa, yc - ya, zc - za
        for r in range(max(int(r0), r_first), min(int(r1), r_last)):
            row = np.float32(r)
            t = (row - ya) / long_y
            left, z_left = xa + t * long_x, za + t * long_z
            if yb > row:
                t = (row - ya) / (yb - ya)
                right, z_right = xa + t * (xb - xa), za + t * (zb - za)
            else:
                t = (row - yb) / (yc - yb)
                right, z_right = xb + t * (xc - xb), zb + t * (zc - zb)
            if left > right:
                left, z_left, right, z_right = right, z_right, left, z_left
            if not left < right:
                continue
            slope = (z_right - z_left) / (right - left)
            base = r * width
            for s in range(max(int(np.ceil(left)), s_first), min(int(np.ceil(right)), s_last)):
                value = z_left + slope * (np.float32(s) - left)
                held = out[base + s]
                out[base + s] = value if value > held else held


@inner
def _turned(vertices, rotation, x, y, z):
    """Rotated coordinates of ``vertices`` (3, n) into three rows of float32."""
    r = rotation.astype(np.float32)
    for k in range(vertices.shape[1]):
        a, b, c = vertices[0, k], vertices[1, k], vertices[2, k]
        x[k] = r[0, 0] * a + r[0, 1] * b + r[0, 2] * c
        y[k] = r[1, 0] * a + r[1, 1] * b + r[1, 2] * c
        z[k] = r[2, 0] * a + r[2, 1] * b + r[2, 2] * c


@inner
def _gridded(vertices, rotation, grid, x, y, z):
    """Rotated coordinates of ``vertices`` in cells of a grid over their whole outline; (low x, low y,
    cell x, cell y)."""
    _turned(vertices, rotation, x, y, z)
    low_x, high_x, low_y, high_y = x[0], x[0], y[0], y[0]
    for k in range(len(x)):
        low_x, high_x = min(low_x, x[k]), max(high_x, x[k])
        low_y, high_y = min(low_y, y[k]), max(high_y, y[k])
    least = np.float32(1e-6)
    cell_x = max((high_x - low_x) / np.float32(grid), least)
    cell_y = max((high_y - low_y) / np.float32(grid), least)
    half, ix, iy = np.float32(0.5), np.float32(1.0) / cell_x, np.float32(1.0) / cell_y
    for k in range(len(x)):
        x[k] = (x[k] - low_x) * ix - half
        y[k] = (y[k] - low_y) * iy - half
    return low_x, low_y, cell_x, cell_y


@inner
def _window(u, v, grid):
    """The samples around all points (u, v) in cells."""
    i0, j0, i1, j1 = grid, grid, 0, 0
    for k in range(len(u)):
        i, j = int(np.floor(u[k])), int(np.floor(v[k]))
        i0, j0, i1, j1 = min(i0, i), min(j0, j), max(i1, i + 2), max(j1, j + 2)
    return max(i0, 0), max(j0, 0), min(i1, grid), min(j1, grid)


@inner
def _roof(out, grid, u, v):
    """Lowest of the four samples around (u, v) in grid units: a wall within a cell of the point is
    overlooked."""
    i, j = int(np.floor(u)), int(np.floor(v))
    if i < 0 or j < 0 or i + 1 >= grid or j + 1 >= grid:
        return NOTHING
    k = j * grid + i
    return min(min(out[k], out[k + 1]), min(out[k + grid], out[k + grid + 1]))


@kernel
def blocked_points(vertices, faces, rotations, points, grid, cull, slack):
    """(d, k) uint8: whether the mesh lies above each point once each rotation is applied.

    vertices (3, n) and points (3, k) float32, faces (m, 3) int32, rotations (d, 3, 3) float64. ``grid``
    samples each way over the mesh's outline; ``slack`` mm of height are forgiven. Optimistic: obstacles
    narrower than a cell across, and what lies within a cell of an edge, are overlooked. O(d (n + m + grid²
    + k)).
    """
    found = np.zeros((len(rotations), points.shape[1]), np.uint8)
    n, count = vertices.shape[1], points.shape[1]
    x, y, z = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.float32)
    px, py, pz = np.empty(count, np.float32), np.empty(count, np.float32), np.empty(count, np.float32)
    out = np.empty(grid * grid, np.float32)
    slack32, half = np.float32(slack), np.float32(0.5)
    for d in range(len(rotations)):
        low_x, low_y, cell_x, cell_y = _gridded(vertices, rotations[d], grid, x, y, z)
        _turned(points, rotations[d], px, py, pz)
        for p in range(count):
            px[p], py[p] = (px[p] - low_x) / cell_x - half, (py[p] - low_y) / cell_y - half
        out[:] = NOTHING
        _raster(x, y, z, faces, 0, len(faces), cull, grid, _window(px, py, grid), out)
        for p in range(count):
            if _roof(out, grid, px[p], py[p]) > pz[p] + slack32:
                found[d, p] = 1
    return found


@inner
def _higher(a, b, out):
    """The higher of two values, elementwise."""
    for k in range(len(out)):
        out[k] = a[k] if a[k] > b[k] else b[k]


@inner
def _highest_of_next(values, other, size, step, line, window):
    """values[k] = the highest of values[k], values[k + step] … values[k + (window - 1) step], cut off at
    the end.

    The end is that of the array where ``step`` is ``line``, else of each line of ``line`` values. By
    doubling, from one array to the other; returns them as (result, scratch).
    """
    have = 1
    while have < window:
        shift = min(have, window - have) * step
        for begin in range(0, size, size if step == line else line):
            end = size if step == line else begin + line
            middle = max(end - shift, begin)
            _higher(values[begin:middle], values[begin + shift : end], other[begin:middle])
            for k in range(middle, end):
                other[k] = values[k]
        values, other = other, values
        have += shift // step
    return values, other


@inner
def _dilated(out, grid, pool, half_x, half_y, first, second):
    """Map pooled by ``pool`` cells and spread by (half_x, half_y) pooled cells.

    Returns the map, its width and its rows: its value at (i, j) is the highest within half_x, half_y of
    pooled cell (i - half_x, j - half_y).
    """
    wide = (grid + pool - 1) // pool
    width, rows = wide + 2 * half_x, wide + 2 * half_y
    size = width * rows
    first[:size] = NOTHING
    for j in range(grid):
        base = (j // pool + 2 * half_y) * width + 2 * half_x
        for i in range(wide):
            value = first[base + i]
            for k in range(j * grid + i * pool, j * grid + min((i + 1) * pool, grid)):
                value = out[k] if out[k] > value else value
            first[base + i] = value
    first, second = _highest_of_next(first, second, size, 1, width, 2 * half_x + 1)
    first, second = _highest_of_next(first, second, size, width, width, 2 * half_y + 1)
    return first, width, rows


@kernel
def touched_points(vertices, faces, rotations, points, grid, cull, slack, tools):
    """(t, k) uint8: which points each tool can touch from outside along some rotation's z.

    ``tools`` (t, 4) float64: half width and half opening of its front, its length, half the hand behind
    it; mm. A tool is a box that comes straight down its axis, in two rolls a quarter turn apart, hand
    behind; maps of highest points, spread by the box (rounded up to whole cells, so pessimistic by up to
    two cells), must lie beneath it. Other arguments as in :func:`blocked_points`. O(d (n + m + t (grid²
    log + k))).
    """
    found = np.zeros((len(tools), points.shape[1]), np.uint8)
    n, count = vertices.shape[1], points.shape[1]
    x, y, z = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.float32)
    px, py, pz = np.empty(count, np.float32), np.empty(count, np.float32), np.empty(count, np.float32)
    out = np.empty(grid * grid, np.float32)
    first, second = np.empty(1, np.float32), np.empty(1, np.float32)
    clear = np.empty(count, np.uint8)
    slack32 = np.float32(slack)
    for d in range(len(rotations)):
        low_x, low_y, cell_x, cell_y = _gridded(vertices, rotations[d], grid, x, y, z)
        out[:] = NOTHING
        _raster(x, y, z, faces, 0, len(faces), cull, grid, (0, 0, grid, grid), out)
        _turned(points, rotations[d], px, py, pz)
        for t in range(len(tools)):
            for stage in range(3):  # the hand, then the tool in two rolls
                a = tools[t, 3] if stage == 0 else tools[t, stage - 1]
                b = tools[t, 3] if stage == 0 else tools[t, 2 - stage]
                behind = np.float32(tools[t, 2] if stage == 0 else 0.0) + slack32
                if stage == 0:
                    clear[:] = 1
                pool = max(1, int(min(a / cell_x, b / cell_y) / 6.0))
                # no wider than the map: farther out there is nothing to see
                wide = (grid + pool - 1) // pool
                half_x = min(int(np.ceil(a / (cell_x * pool))), wide)
                half_y = min(int(np.ceil(b / (cell_y * pool))), wide)
                need = (wide + 2 * half_x) * (wide + 2 * half_y)
                if need > len(first):
                    first, second = np.empty(need, np.float32), np.empty(need, np.float32)
                spread, width, rows = _dilated(out, grid, pool, half_x, half_y, first, second)
                for p in range(count):
                    if clear[p] == 0 or (stage > 0 and found[t, p] == 1):
                        continue
                    i = int(np.floor((px[p] - low_x) / (cell_x * pool))) + half_x
                    j = int(np.floor((py[p] - low_y) / (cell_y * pool))) + half_y
                    free = True
                    if 0 <= i < width and 0 <= j < rows:
                        free = spread[j * width + i] <= pz[p] + behind
                    if stage == 0:
                        clear[p] = free
                    elif free:
                        found[t, p] = 1
    return found


@kernel
def height_map(vertices, faces, first, last, rotation, corner, cell, width, height, cull, low, out):
    """Raises ``out`` (height * width) float32 to the highest points of ``faces[first:last]`` in a window.

    ``corner`` (2,) float64 is the first sample after rotation, ``cell`` mm between samples. With ``low``
    it is the lowest points, negated. Returns how many triangles might reach the window's samples. Only the
    vertices of these faces are looked at. O(faces + samples covered).
    """
    r = rotation.astype(np.float32)
    if low:
        r[2] = -r[2]
    x0, y0, scale = np.float32(corner[0]), np.float32(corner[1]), np.float32(1.0 / cell)
    count = last - first
    x, y, z = (
        np.empty(3 * count, np.float32),
        np.empty(3 * count, np.float32),
        np.empty(3 * count, np.float32),
    )
    own = np.empty((count, 3), np.int32)
    n = 0
    for f in range(first, last):
        most_x, least_x = np.float32(-1e30), np.float32(1e30)
        most_y, least_y = np.float32(-1e30), np.float32(1e30)
        for k in range(3):
            v = faces[f, k]
            a, b, c = vertices[0, v], vertices[1, v], vertices[2, v]
            u = (r[0, 0] * a + r[0, 1] * b + r[0, 2] * c - x0) * scale
            w = (r[1, 0] * a + r[1, 1] * b + r[1, 2] * c - y0) * scale
            x[3 * n + k], y[3 * n + k] = u, w
            z[3 * n + k] = r[2, 0] * a + r[2, 1] * b + r[2, 2] * c
            own[n, k] = 3 * n + k
            most_x, least_x, most_y, least_y = (
                max(most_x, u),
                min(least_x, u),
                max(most_y, w),
                min(least_y, w),
            )
        if most_x >= 0.0 and most_y >= 0.0 and least_x < width and least_y < height:
            n += 1
    _raster(x, y, z, own, 0, n, cull and not low, width, (0, 0, width, height), out)
    return n

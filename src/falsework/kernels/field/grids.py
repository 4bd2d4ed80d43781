"""Values over a grid in the plane: what layer covers a vertex, how high a mesh lies above it, and between.

Grids have vertices (rows, columns) at ``x0 + column * step``, ``y0 + row * step``.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import kernel


@kernel
def cover(edges, first, layer, x0, y0, step, out):
    """Into ``out`` (rows, columns) int32 the lowest layer of the polygons that hold each vertex (even-odd).

    ``edges`` (N, 4); polygon k owns edges first[k]:first[k + 1] and lies in layer[k], ascending; what is in
    ``out`` already stays where it is not -1.
    """
    rows, columns = out.shape
    count = np.zeros(columns + 1, np.int64)
    for k in range(layer.shape[0]):
        low, high = np.inf, -np.inf
        for e in range(first[k], first[k + 1]):
            low, high = min(low, edges[e, 1]), max(high, edges[e, 1])
        r0, r1 = max(0, math.ceil((low - y0) / step)), min(rows, math.ceil((high - y0) / step))
        for r in range(r0, r1):
            y = y0 + r * step
            count[:] = 0
            for e in range(first[k], first[k + 1]):
                if (edges[e, 1] <= y) == (edges[e, 3] <= y):
                    continue
                t = (y - edges[e, 1]) / (edges[e, 3] - edges[e, 1])
                x = edges[e, 0] + t * (edges[e, 2] - edges[e, 0])
                count[min(max(math.ceil((x - x0) / step), 0), columns)] += 1
            odd = 0
            for s in range(columns):
                odd ^= count[s] & 1
                if odd and out[r, s] < 0:
                    out[r, s] = layer[k]


@kernel
def surface_above(vertices, faces, downward, least, x0, y0, step, out):
    """Into ``out`` (rows, columns) the lowest crossing of a mesh at or above ``least``: infinite where none.

    ``vertices`` (n, 3), ``faces`` (m, 3); only triangles that face down count (``downward``), or only those
    that face up. ``least`` (rows, columns), nan where it is not asked.
    """
    rows, columns = out.shape
    out[:] = np.inf
    for f in range(faces.shape[0]):
        ax, ay, az = vertices[faces[f, 0]]
        bx, by, bz = vertices[faces[f, 1]]
        cx, cy, cz = vertices[faces[f, 2]]
        area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if area == 0.0 or (area < 0.0) != downward:
            continue
        low, high = min(ay, by, cy), max(ay, by, cy)
        r0, r1 = max(0, math.ceil((low - y0) / step)), min(rows, math.ceil((high - y0) / step))
        for r in range(r0, r1):
            y = y0 + r * step
            left, right = np.inf, -np.inf
            for edge in range(3):
                px, py, qx, qy = ax, ay, bx, by
                if edge == 1:
                    px, py, qx, qy = bx, by, cx, cy
                elif edge == 2:
                    px, py, qx, qy = cx, cy, ax, ay
                if (py <= y) == (qy <= y):
                    continue
                if py > qy:
                    px, py, qx, qy = qx, qy, px, py
                x = px + (y - py) / (qy - py) * (qx - px)
                left, right = min(left, x), max(right, x)
            s0, s1 = max(0, math.ceil((left - x0) / step)), min(columns, math.ceil((right - x0) / step))
            for s in range(s0, s1):
                x = x0 + s * step
                u = ((x - ax) * (cy - ay) - (cx - ax) * (y - ay)) / area
                v = ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) / area
                z = az + u * (bz - az) + v * (cz - az)
                if z >= least[r, s] and z < out[r, s]:
                    out[r, s] = z


@kernel
def extend(values, rounds):
    """Fill nan vertices from finite neighbours, ``rounds`` cells outward: continued straight on along the
    straightest lines of three, level where there is no line."""
    rows, columns = values.shape
    for _ in range(rounds):
        old = values.copy()
        for r in range(rows):
            for s in range(columns):
                if not math.isnan(old[r, s]):
                    continue
                total, weight = 0.0, 0.0
                for dr in range(-1, 2):
                    for ds in range(-1, 2):
                        a, b, p, q = r + dr, s + ds, r + 3 * dr, s + 3 * ds
                        if a < 0 or b < 0 or a >= rows or b >= columns or math.isnan(old[a, b]):
                            continue
                        guess, trust = old[a, b], 1e-9
                        if 0 <= p < rows and 0 <= q < columns:
                            second, third = old[r + 2 * dr, s + 2 * ds], old[p, q]
                            if not (math.isnan(second) or math.isnan(third)):
                                guess = 2.0 * old[a, b] - second
                                trust = 1.0 / (1e-7 + abs(old[a, b] - 2.0 * second + third)) ** 2
                        total += trust * guess
                        weight += trust
                if weight > 0.0:
                    values[r, s] = total / weight


@kernel
def sample(values, x0, y0, step, x, y):
    """Bilinear value at a point; nan where a corner of its cell is."""
    rows, columns = values.shape
    u, v = (x - x0) / step, (y - y0) / step
    i, j = math.floor(u), math.floor(v)
    if i < 0 or j < 0 or i + 1 >= columns or j + 1 >= rows:
        return np.nan
    u -= i
    v -= j
    return (1.0 - v) * ((1.0 - u) * values[j, i] + u * values[j, i + 1]) + v * (
        (1.0 - u) * values[j + 1, i] + u * values[j + 1, i + 1]
    )


@kernel
def pits(level):
    """Number, from 0 on, of the pit that each vertex belongs to; -1 where none. (rows, columns) both.

    A pit is a connected plateau of ``level`` that no vertex beside it lies beneath; vertices of a negative
    level are unknown: they belong to none and lie beneath nothing. Neighbours are eight. O(vertices).
    """
    rows, columns = level.shape
    number = np.full((rows, columns), -2, np.int64)  # -2: not seen yet
    stack = np.empty(rows * columns, np.int64)
    count = 0
    for start in range(rows * columns):
        r0, s0 = start // columns, start % columns
        if level[r0, s0] < 0 or number[r0, s0] != -2:
            continue
        lowest, done, filled = True, 0, 1
        stack[0] = start
        number[r0, s0] = count
        while done < filled:
            r, s = stack[done] // columns, stack[done] % columns
            done += 1
            for a in range(max(0, r - 1), min(rows, r + 2)):
                for b in range(max(0, s - 1), min(columns, s + 2)):
                    if level[a, b] < 0:
                        continue
                    if level[a, b] < level[r, s]:
                        lowest = False
                    elif level[a, b] == level[r, s] and number[a, b] == -2:
                        number[a, b] = count
                        stack[filled] = a * columns + b
                        filled += 1
        if lowest:
            count += 1
        else:
            for k in range(filled):
                number[stack[k] // columns, stack[k] % columns] = -1
    return np.maximum(number, -1)

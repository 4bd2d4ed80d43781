"""Who lies beside whom in a layer: nearest neighbours of points along strands, and strands that cross."""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.bead.strands import bins_of
from falsework.kernels.compiled import kernel
from falsework.kernels.sorting import grouped


@kernel
def nearest(xy, strand, unit, among, reach, along_most, cosine, least):
    """(n,) how far left and right of each point the nearest point of another parallel strand lies, mm.

    xy, unit (n, 2): points and the direction of their strands, strand (n,); among (n,): points that count,
    and are asked for. Points farther off than ``reach``, farther along than ``along_most`` or nearer across
    than ``least`` do not count, nor strands whose directions' cosine is less than ``cosine``. Infinite where
    there is none. O(points near each other).
    """
    n = len(xy)
    left, right = np.full(n, np.inf), np.full(n, np.inf)
    if n == 0:
        return left, right
    x0, x1, y0, y1 = xy[:, 0].min(), xy[:, 0].max(), xy[:, 1].min(), xy[:, 1].max()
    size = max(reach, math.sqrt(max(x1 - x0, reach) * max(y1 - y0, reach) / (4.0 * n)))
    columns, rows = int((x1 - x0) / size) + 1, int((y1 - y0) / size) + 1
    cell = np.empty(n, np.int64)
    for k in range(n):
        cell[k] = int((xy[k, 1] - y0) / size) * columns + int((xy[k, 0] - x0) / size)
    start, index = grouped(cell, columns * rows)
    for k in range(n):
        if not among[k]:
            continue
        x, y, ux, uy = xy[k, 0], xy[k, 1], unit[k, 0], unit[k, 1]
        column, row = cell[k] % columns, cell[k] // columns
        for j in range(max(0, row - 1), min(rows, row + 2)):
            first, last = max(0, column - 1), min(columns - 1, column + 1)
            for m in range(start[j * columns + first], start[j * columns + last + 1]):
                q = index[m]
                if not among[q] or strand[q] == strand[k]:
                    continue
                dx, dy = xy[q, 0] - x, xy[q, 1] - y
                across = ux * dy - uy * dx
                if abs(across) < least or abs(dx * ux + dy * uy) >= along_most:
                    continue
                if dx * dx + dy * dy > reach * reach or abs(ux * unit[q, 0] + uy * unit[q, 1]) <= cosine:
                    continue
                if across > 0.0:
                    left[k] = min(left[k], across)
                else:
                    right[k] = min(right[k], -across)
    return left, right


_BIN_MM, _MOST_BINS = 2.0, 250_000


@kernel
def crossings(ends, path, sine):
    """(k, 2) pairs of strands of different paths that properly cross, at an angle of more than that sine, and
    (k, 2) how far along each.

    ends (n, 4) x0, y0, x1, y1; path (n,). O(strands in squares that they share).
    """
    n = len(ends)
    low_x, high_x = min(ends[:, 0].min(), ends[:, 2].min()), max(ends[:, 0].max(), ends[:, 2].max())
    low_y, high_y = min(ends[:, 1].min(), ends[:, 3].min()), max(ends[:, 1].max(), ends[:, 3].max())
    wide, deep = high_x - low_x, high_y - low_y
    size = max(_BIN_MM, math.sqrt(wide * deep / _MOST_BINS), max(wide, deep) / 5000.0)
    columns, rows = int(wide / size) + 1, int(deep / size) + 1
    beads = np.zeros((n, 5))
    beads[:, :4] = ends
    start, index = bins_of(beads, low_x, low_y, size, columns, rows)
    pairs, along = np.empty((64, 2), np.int64), np.empty((64, 2))
    found = 0
    for b in range(columns * rows):
        for k in range(start[b], start[b + 1]):
            p = index[k]
            px, py = ends[p, 2] - ends[p, 0], ends[p, 3] - ends[p, 1]
            long_p = math.sqrt(px * px + py * py)
            for m in range(k + 1, start[b + 1]):
                q = index[m]
                if path[p] == path[q]:
                    continue
                qx, qy = ends[q, 2] - ends[q, 0], ends[q, 3] - ends[q, 1]
                turn = px * qy - py * qx
                long_q = math.sqrt(qx * qx + qy * qy)
                if abs(turn) <= sine * long_p * long_q:
                    continue
                ox, oy = ends[q, 0] - ends[p, 0], ends[q, 1] - ends[p, 1]
                t, u = (ox * qy - oy * qx) / turn, (ox * py - oy * px) / turn
                if not (0.0 < t < 1.0 and 0.0 < u < 1.0):
                    continue
                i = int((ends[p, 0] + t * px - low_x) / size)
                j = int((ends[p, 1] + t * py - low_y) / size)
                if j * columns + i != b:  # told in the square in which they cross
                    continue
                if found == len(pairs):
                    pairs = np.concatenate((pairs, np.empty_like(pairs)))
                    along = np.concatenate((along, np.empty_like(along)))
                pairs[found, 0], pairs[found, 1] = p, q
                along[found, 0], along[found, 1] = t * long_p, u * long_q
                found += 1
    return pairs[:found], along[:found]

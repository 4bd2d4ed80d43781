"""What strands take of the bed, cell by cell: the ground under each body, and the pockets that a layer
encloses.

A library's labelling of components (``scipy.ndimage.label``) would want a mask of every layer and give a
label for every cell; here a pocket is a few runs of empty cells in a row, and most cells are only read.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.bead.strands import AX, AY, AZ, BX, BY, BZ, VOLUME
from falsework.kernels.compiled import bare, bare_kernel, kernel
from falsework.kernels.graph import join, root

LEAST_SHARE = 0.15  # of a pocket's border that fill takes, at least


@kernel
def mark_ground(rows, low, high, left, bottom, size):
    """Note how low and how high strands (n, STRAND) reach over each cell (rows, columns) they run over.

    ``low`` and ``high`` float32 are lowered and raised; what lies outside counts for the cells at the edge.
    """
    height, width = low.shape
    for k in range(len(rows)):
        row = rows[k]
        if row[VOLUME] <= 0.0:
            continue
        dx, dy = row[BX] - row[AX], row[BY] - row[AY]
        if dx == 0.0 and dy == 0.0:
            continue
        steps = min(1 + int(math.sqrt(dx * dx + dy * dy) / (0.8 * size)), 4096)
        least, most = np.float32(min(row[AZ], row[BZ])), np.float32(max(row[AZ], row[BZ]))
        x, y = (row[AX] - left) / size, (row[AY] - bottom) / size
        dx, dy = dx / (size * steps), dy / (size * steps)
        for m in range(steps + 1):
            i = np.uintp(min(max(int(x + m * dx), 0), width - 1))
            j = np.uintp(min(max(int(y + m * dy), 0), height - 1))
            if least < low[j, i]:
                low[j, i] = least
            if most > high[j, i]:
                high[j, i] = most


BEGIN, END, ROW, PARENT, BORDER, FILL, RECENT, OPEN = range(8)  # rows of the room for runs


def fresh_runs(count=1024):
    """Room for so many runs of empty cells."""
    return np.empty((8, count), np.int64)


_NEAR = 3.0  # cells around a layer, so that what lies outside goes all round


@bare
def _box_of(ends, left, bottom, size, shape):
    """First row, past the last, first column, past the last of the cells around strands (n, 6)."""
    x0 = y0 = np.inf
    x1 = y1 = -np.inf
    for k in range(len(ends)):
        x0, x1 = min(x0, ends[k, 0], ends[k, 3]), max(x1, ends[k, 0], ends[k, 3])
        y0, y1 = min(y0, ends[k, 1], ends[k, 4]), max(y1, ends[k, 1], ends[k, 4])
    return (
        max(0, int((y0 - bottom) / size - _NEAR)),
        min(shape[0], int((y1 - bottom) / size + _NEAR) + 2),
        max(0, int((x0 - left) / size - _NEAR)),
        min(shape[1], int((x1 - left) / size + _NEAR) + 2),
    )


@bare_kernel
def enclose(top, woven, inside, ends, left, bottom, size, z, barrier_z, recent_z, runs):
    """Raise ``inside`` to ``z`` in every pocket of the layer that fill goes through; returns their cells, or
    −1 where ``runs`` has too little room.

    top, inside (rows, columns) float32, woven uint8: whether the cell's last strand was fill. ``ends`` (n, 6)
    of the layer's strands: what reaches beyond their box by some cells lies outside. Cells whose top
    is at least ``barrier_z`` bound the pockets. A pocket counts if fill takes ``LEAST_SHARE`` of its border,
    or lies in it above ``recent_z`` (fill that comes only every so many layers). O(cells of the box).
    """
    window = _box_of(ends, left, bottom, size, top.shape)
    n = _runs_of(top, woven, window, np.float32(barrier_z), np.float32(recent_z), runs)
    if n < 0:
        return n
    parent, border, fill, recent, open_ = runs[PARENT], runs[BORDER], runs[FILL], runs[RECENT], runs[OPEN]
    for k in range(n - 1, -1, -1):  # roots come first
        r = root(parent, k)
        if r != k:
            border[r] += border[k]
            fill[r] += fill[k]
            recent[r] += recent[k]
            open_[r] |= open_[k]
    cells = 0
    for k in range(n):
        r = root(parent, k)
        if open_[r] != 0 or (fill[r] < LEAST_SHARE * border[r] and recent[r] == 0):
            continue
        a, b = runs[BEGIN, k], runs[END, k]
        row = inside[runs[ROW, k]]
        for i in range(a, b):
            row[i] = z
        cells += b - a
    return cells


@bare
def _runs_of(top, woven, window, barrier, recent_z, runs):
    """Runs of cells below the barrier, row by row, joined to those of the row before; how many."""
    j0, j1, i0, i1 = window
    n = 0
    above, above_end = 0, 0  # runs of the row before
    for j in range(j0, j1):
        first = n
        row, before, after = top[j], top[max(j - 1, j0)], top[min(j + 1, j1 - 1)]
        fills, fills_before, fills_after = woven[j], woven[max(j - 1, j0)], woven[min(j + 1, j1 - 1)]
        i = i0
        at = above
        while True:
            while i < i1 and row[i] >= barrier:
                i += 1
            if i == i1:
                break
            a = i
            while i < i1 and row[i] < barrier:
                i += 1
            if n == runs.shape[1]:
                return -1
            runs[BEGIN, n], runs[END, n], runs[ROW, n], runs[PARENT, n] = a, i, j, n
            runs[OPEN, n] = j == j0 or j == j1 - 1 or a == i0 or i == i1
            border = fill = fresh = 0
            if a > i0:
                border += 1
                fill += fills[a - 1]
            if i < i1:
                border += 1
                fill += fills[i]
            for k in range(a, i):
                fresh += (fills[k] != 0) & (row[k] > recent_z)
            if runs[OPEN, n] == 0:  # what lies above and below it, where it is no run itself
                for k in range(a, i):
                    above_it, below_it = before[k] >= barrier, after[k] >= barrier
                    border += above_it + below_it
                    fill += above_it * fills_before[k] + below_it * fills_after[k]
            runs[BORDER, n], runs[FILL, n], runs[RECENT, n] = border, fill, fresh
            while at < above_end and runs[END, at] <= a:
                at += 1
            k = at
            while k < above_end and runs[BEGIN, k] < i:
                join(runs[PARENT], k, n)
                k += 1
            n += 1
        above, above_end = first, n
    return n

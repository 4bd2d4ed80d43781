"""What strands take of the bed, cell by cell: the ground under each body, and the pockets that a layer
encloses.

A library's labelling of components (``scipy.ndimage.label``) would want a mask of every layer and give a
label for every cell; here a pocket is a few runs of empty cells in a row, and most cells are only read.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.bead.strands import AX, AY, AZ, BX, BY, BZ, VOLUME
from falsework.kernels.compiled import inner, kernel

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
        least, most = min(row[AZ], row[BZ]), max(row[AZ], row[BZ])
        for m in range(steps + 1):
            t = m / steps
            i = min(max(int((row[AX] + t * dx - left) / size), 0), width - 1)
            j = min(max(int((row[AY] + t * dy - bottom) / size), 0), height - 1)
            low[j, i] = min(low[j, i], least)
            high[j, i] = max(high[j, i], most)


@inner
def _root(parent, k):
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@kernel
def enclose(top, woven, inside, window, z, barrier_z, recent_z):
    """Raise ``inside`` to ``z`` in every pocket of the layer that fill goes through; returns their cells.

    top, inside (rows, columns) float32, woven uint8: whether the cell's last strand was fill. ``window``:
    first row, past the last, first column, past the last; what reaches its edge lies outside. Cells whose top
    is at least ``barrier_z`` bound the pockets. A pocket counts if fill takes ``LEAST_SHARE`` of its border,
    or lies in it above ``recent_z`` (fill that comes only every so many layers). O(cells of the window).
    """
    j0, j1, i0, i1 = window
    room = 1024
    begin, end, row = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room, np.int64)
    parent = np.empty(room, np.int64)
    border, fill, recent, open_ = np.zeros(room), np.zeros(room), np.zeros(room), np.zeros(room, np.bool_)
    n = 0
    above, above_end = 0, 0  # runs of the row before
    for j in range(j0, j1):
        first = n
        i = i0
        at = above
        while i < i1:
            if top[j, i] >= barrier_z:
                i += 1
                continue
            a = i
            fresh = 0
            while i < i1 and top[j, i] < barrier_z:
                fresh += woven[j, i] != 0 and top[j, i] > recent_z
                i += 1
            if n == room:
                room *= 2
                begin, end, row = _grown(begin, room), _grown(end, room), _grown(row, room)
                parent = _grown(parent, room)
                border, fill, recent = _grown(border, room), _grown(fill, room), _grown(recent, room)
                open_ = _grown(open_, room)
            begin[n], end[n], row[n], parent[n] = a, i, j, n
            border[n] = fill[n] = 0.0
            recent[n] = fresh
            open_[n] = j == j0 or j == j1 - 1 or a == i0 or i == i1
            if a > i0:
                border[n] += 1
                fill[n] += woven[j, a - 1]
            if i < i1:
                border[n] += 1
                fill[n] += woven[j, i]
            while at < above_end and end[at] <= a:
                at += 1
            k = at
            while k < above_end and begin[k] < i:
                ra, rb = _root(parent, k), _root(parent, n)
                if ra != rb:
                    parent[max(ra, rb)] = min(ra, rb)
                k += 1
            n += 1
        above, above_end = first, n
    # what lies above and below a run, where it is no run itself
    for k in range(n):
        j = row[k]
        for step in (-1, 1):
            if j0 <= j + step < j1:
                for i in range(begin[k], end[k]):
                    if top[j + step, i] >= barrier_z:
                        border[k] += 1
                        fill[k] += woven[j + step, i]
    for k in range(n - 1, -1, -1):  # roots come first
        r = _root(parent, k)
        if r != k:
            border[r] += border[k]
            fill[r] += fill[k]
            recent[r] += recent[k]
            open_[r] |= open_[k]
    cells = 0
    for k in range(n):
        r = _root(parent, k)
        if open_[r] or (fill[r] < LEAST_SHARE * border[r] and recent[r] == 0.0):
            continue
        for i in range(begin[k], end[k]):
            inside[row[k], i] = z
        cells += end[k] - begin[k]
    return cells


@inner
def _grown(old, room):
    out = np.zeros(room, old.dtype)
    out[: len(old)] = old
    return out

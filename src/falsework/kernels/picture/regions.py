"""Which flat region lies over a cell of a grid, and which of them a point belongs to."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.compiled import kernel
from falsework.kernels.sorting import sort_part


@kernel
def map_regions(
    points: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    region_start: NDArray[np.int64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    patch: NDArray[np.int64],
    grid: NDArray[np.float64],
    size: NDArray[np.int64],
    brush: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Paint flat regions of many heights onto one grid: which patch lies over a cell, from what z to what z.

    Region g owns rings ``region_start[g]:region_start[g + 1]``; ring r is the points
    ``ring_start[r]:ring_start[r + 1]`` (first point repeated or not). ``low``, ``high`` (G,) are its z range;
    ``patch`` (G,) ascending. ``grid`` (3,) is x0, y0, cell; ``size`` (2,) columns, rows. Outlines are painted
    ``brush`` cells wide to either side. O(cells painted + points).
    Returns (cell, patch, low, high) of each pair of cell and patch, in the order of ``patch``.
    """
    columns, rows = size[0], size[1]
    x0, y0, cell = grid[0], grid[1], grid[2]
    low_of, high_of = np.full(columns * rows, np.inf), np.full(columns * rows, -np.inf)
    touched = np.empty(columns * rows, dtype=np.int64)
    touches = 0
    capacity, used = 1024, 0
    cells, owners = np.empty(capacity, dtype=np.int64), np.empty(capacity, dtype=np.int64)
    lows, highs = np.empty(capacity), np.empty(capacity)
    crossings = np.empty(points.shape[0] + 1)
    regions = region_start.shape[0] - 1
    for g in range(regions):
        bottom, top = np.inf, -np.inf
        first, last = ring_start[region_start[g]], ring_start[region_start[g + 1]]
        for p in range(first, last):
            bottom, top = min(bottom, points[p, 1]), max(top, points[p, 1])
        first_row = max(0, int(np.ceil((bottom - y0) / cell - 0.5)))
        last_row = min(rows - 1, int(np.floor((top - y0) / cell - 0.5)))
        for row in range(first_row, last_row + 1):
            y = y0 + (row + 0.5) * cell
            count = 0
            for ring in range(region_start[g], region_start[g + 1]):
                a, b = ring_start[ring], ring_start[ring + 1]
                for p in range(a, b):
                    q = p + 1 if p + 1 < b else a
                    if (points[p, 1] > y) != (points[q, 1] > y):
                        share = (y - points[p, 1]) / (points[q, 1] - points[p, 1])
                        crossings[count] = points[p, 0] + share * (points[q, 0] - points[p, 0])
                        count += 1
            sort_part(crossings, 0, count)
            for pair in range(count // 2):
                start = max(0, int(np.ceil((crossings[2 * pair] - x0) / cell - 0.5)))
                end = min(columns - 1, int(np.floor((crossings[2 * pair + 1] - x0) / cell - 0.5)))
                for column in range(start, end + 1):
                    at = row * columns + column
                    if low_of[at] == np.inf:
                        touched[touches] = at
                        touches += 1
                    low_of[at], high_of[at] = min(low_of[at], low[g]), max(high_of[at], high[g])
        for ring in range(region_start[g], region_start[g + 1]):
            a, b = ring_start[ring], ring_start[ring + 1]
            for p in range(a, b):
                q = p + 1 if p + 1 < b else a
                dx, dy = points[q, 0] - points[p, 0], points[q, 1] - points[p, 1]
                steps = int(np.ceil(np.sqrt(dx * dx + dy * dy) / cell)) + 1
                for step in range(steps):
                    column = int(np.floor((points[p, 0] + dx * step / steps - x0) / cell))
                    row = int(np.floor((points[p, 1] + dy * step / steps - y0) / cell))
                    for r in range(max(0, row - brush), min(rows, row + brush + 1)):
                        for c in range(max(0, column - brush), min(columns, column + brush + 1)):
                            at = r * columns + c
                            if low_of[at] == np.inf:
                                touched[touches] = at
                                touches += 1
                            low_of[at], high_of[at] = min(low_of[at], low[g]), max(high_of[at], high[g])
        if g + 1 == regions or patch[g + 1] != patch[g]:
            if used + touches > capacity:
                capacity = 2 * (used + touches)
                more_cells, more_owners = (
                    np.empty(capacity, dtype=np.int64),
                    np.empty(capacity, dtype=np.int64),
                )
                more_lows, more_highs = np.empty(capacity), np.empty(capacity)
                more_cells[:used], more_owners[:used] = cells[:used], owners[:used]
                more_lows[:used], more_highs[:used] = lows[:used], highs[:used]
                cells, owners, lows, highs = more_cells, more_owners, more_lows, more_highs
            for t in range(touches):
                at = touched[t]
                cells[used], owners[used], lows[used], highs[used] = at, patch[g], low_of[at], high_of[at]
                used += 1
                low_of[at], high_of[at] = np.inf, -np.inf
            touches = 0
    return cells[:used].copy(), owners[:used].copy(), lows[:used].copy(), highs[:used].copy()


@kernel
def find_patches(
    points: NDArray[np.float64],
    cell_start: NDArray[np.int64],
    owners: NDArray[np.int64],
    lows: NDArray[np.float64],
    highs: NDArray[np.float64],
    grid: NDArray[np.float64],
    size: NDArray[np.int64],
    slack: float,
) -> NDArray[np.int64]:
    """(k,) patch at each point (k, 3), -1 where there is none within ``slack`` in z.

    ``owners``, ``lows``, ``highs`` are the entries of :func:`map_regions` sorted by cell, ``cell_start``
    (cells + 1,) where each cell's entries begin. Of several patches the one nearest in z is taken.
    """
    out = np.full(points.shape[0], -1, dtype=np.int64)
    for i in range(points.shape[0]):
        column = int(np.floor((points[i, 0] - grid[0]) / grid[2]))
        row = int(np.floor((points[i, 1] - grid[1]) / grid[2]))
        if column < 0 or row < 0 or column >= size[0] or row >= size[1]:
            continue
        nearest = slack
        cell = row * size[0] + column
        for e in range(cell_start[cell], cell_start[cell + 1]):
            away = max(0.0, lows[e] - points[i, 2], points[i, 2] - highs[e])
            if away < nearest or (away == nearest and out[i] < 0):
                nearest = away
                out[i] = owners[e]
    return out

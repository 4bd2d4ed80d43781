"""Columns of air beneath regions that are printed over air, by scan conversion of rings.

Everything here is in *cell units*: the caller turns, moves and scales its points so that the sample point of
the cell in row r and column c is the integer point (x = c, y = r). A point belongs to a ring set by the
even-odd rule; an edge or a point lying exactly on a sample counts on one side only (half-open), so regions
that share an edge never both own a cell.

All sums are integers (heights in nm), hence exact. One thread: splitting the rows into bands was tried and
did not pay, since every band looks at every edge.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.sorting import sort_part

# Columns of the tally that drop_columns fills, one row per underside.
CELLS, BED_CELLS, BED_NM, PART_NM, LAND_COLUMN, LAND_ROW, LAND_NM, LAND_LOWEST_NM, LAND_HIGHEST_NM = range(9)
TALLY_WIDTH = 9
RECORD_WIDTH = 5  # row, column, layer, landing layer (-1: bed), underside
NEVER_NM = np.iinfo(np.int64).max


@inner
def _scan(points, ring_start, first_ring, last_ring, rows, width, slot, columns):
    """Sorted crossings of rings with the rows 0..rows-1.

    Row r's crossings end up in columns[slot[r]:slot[r + 1]] as the first column at or right of
    each crossing, clipped to 0..width; pairs of them are the runs inside. Returns (first row, past last row,
    columns): ``columns`` is grown when it is too short. ``slot`` (rows + 2,) is scratch; only the
    entries of the rows returned are meaningful. O(points + crossings log crossings per row).
    """
    lowest, highest = math.inf, -math.inf
    for k in range(ring_start[first_ring], ring_start[last_ring]):
        y = points[k, 1]
        lowest = min(lowest, y)
        highest = max(highest, y)
    if not lowest < highest:
        return 0, 0, columns
    row_0 = math.ceil(max(lowest, 0.0))
    row_1 = math.ceil(min(highest, float(rows)))
    if row_0 >= row_1:
        return 0, 0, columns

    # Count: +1 where an edge begins, -1 past its end; the running sum is the number of crossings of a row.
    for s in range(row_0, row_1 + 2):
        slot[s] = 0
    for r in range(first_ring, last_ring):
        a, b = ring_start[r], ring_start[r + 1]
        y0 = points[b - 1, 1]
        for k in range(a, b):
            y1 = points[k, 1]
            e0, e1 = min(y0, y1), max(y0, y1)
            y0 = y1
            if e1 <= row_0 or e0 > row_1 - 1:
                continue
            i0 = max(row_0, math.ceil(e0))
            i1 = min(row_1, math.ceil(e1))
            if i0 < i1:
                slot[i0 + 1] += 1
                slot[i1 + 1] -= 1
    # Two running sums in one sweep: first the count per row, then the place where the row's crossings begin.
    here, place = 0, 0
    for s in range(row_0, row_1):
        here += slot[s + 1]
        slot[s + 1] = place
        place += here
    if place > len(columns):
        columns = np.empty(2 * place, np.int32)

    # Fill. slot[s + 1] moves from the begin of row s to its end, which is the begin of row s + 1.
    for r in range(first_ring, last_ring):
        a, b = ring_start[r], ring_start[r + 1]
        x0, y0 = points[b - 1, 0], points[b - 1, 1]
        for k in range(a, b):
            x1, y1 = points[k, 0], points[k, 1]
            # Always from the lower end up, so that an edge gives the same crossings in either direction.
            if y0 <= y1:
                ex, ey, fx, fy = x0, y0, x1, y1
            else:
                ex, ey, fx, fy = x1, y1, x0, y0
            x0, y0 = x1, y1
            if fy <= row_0 or ey > row_1 - 1:
                continue
            i0 = max(row_0, math.ceil(ey))
            i1 = min(row_1, math.ceil(fy))
            if i0 < i1:
                slope = (fx - ex) / (fy - ey)
                for i in range(i0, i1):
                    x = ex + (i - ey) * slope
                    s = i + 1
                    columns[slot[s]] = math.ceil(min(max(x, 0.0), float(width)))
                    slot[s] += 1
    slot[row_0] = 0
    for s in range(row_0, row_1):
        sort_part(columns, slot[s], slot[s + 1])
    return row_0, row_1, columns


@kernel
def drop_columns(
    points,
    ring_start,
    layer_start,
    z_nm,
    need_points,
    need_ring_start,
    need_region_start,
    need_layer,
    need_underside,
    rows,
    width,
    tally,
    records,
):
    """Drop a column from every cell over air down to the first solid layer beneath, or to the bed at z = 0.

    points (P, 2) float64, ring_start (R + 1,), layer_start (L + 1,) int64: the part, in cell units.
    z_nm (L + 1,) int64: layer boundaries in nm.
    need_points (Q, 2) float64, need_ring_start int64: rings of the regions over air; region n owns rings
    need_region_start[n]:need_region_start[n + 1], lies in layer need_layer[n] (ascending) and belongs to
    need_underside[n] (int64).
    rows, width: the grid's size; what lies outside is ignored.
    tally (U, TALLY_WIDTH) int64 is added to; its lowest/highest landing start at NEVER_NM / -1.
    records (K, RECORD_WIDTH) int32 takes the first K columns, in the order of region, row, column.

    A cell of a region whose layer beneath is solid is not over air and is skipped.
    Returns the number of columns. O(points + crossings + solid cells of all layers up to the last need).
    """
    regions = len(need_layer)
    if regions == 0:
        return 0
    top = np.full((rows, width), -1, np.int32)  # highest solid layer so far
    slot = np.zeros(rows + 2, np.int64)
    columns = np.empty(4 * rows + 16, np.int32)
    found = 0
    n = 0
    for layer in range(need_layer[regions - 1] + 1):
        while n < regions and need_layer[n] == layer:
            u = need_underside[n]
            row_0, row_1, columns = _scan(
                need_points,
                need_ring_start,
                need_region_start[n],
                need_region_start[n + 1],
                rows,
                width,
                slot,
                columns,
            )
            n += 1
            for row in range(row_0, row_1):
                for k in range(slot[row], slot[row + 1] - 1, 2):
                    for column in range(columns[k], columns[k + 1]):
                        landing = top[row, column]
                        if landing >= 0 and landing == layer - 1:
                            continue
                        if found < len(records):
                            records[found, 0] = row
                            records[found, 1] = column
                            records[found, 2] = layer
                            records[found, 3] = landing
                            records[found, 4] = u
                        found += 1
                        tally[u, CELLS] += 1
                        if landing < 0:
                            tally[u, BED_CELLS] += 1
                            tally[u, BED_NM] += z_nm[layer]
                        else:
                            ground = z_nm[landing + 1]
                            tally[u, PART_NM] += z_nm[layer] - ground
                            tally[u, LAND_COLUMN] += column
                            tally[u, LAND_ROW] += row
                            tally[u, LAND_NM] += ground
                            tally[u, LAND_LOWEST_NM] = min(tally[u, LAND_LOWEST_NM], ground)
                            tally[u, LAND_HIGHEST_NM] = max(tally[u, LAND_HIGHEST_NM], ground)
        row_0, row_1, columns = _scan(
            points, ring_start, layer_start[layer], layer_start[layer + 1], rows, width, slot, columns
        )
        for row in range(row_0, row_1):
            for k in range(slot[row], slot[row + 1] - 1, 2):
                top[row, columns[k] : columns[k + 1]] = layer  # a slice: five times as fast as a loop
    return found

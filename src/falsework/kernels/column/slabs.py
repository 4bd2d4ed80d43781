"""Figures of every slab that two parallel cuts leave of a mesh, all from one set of columns.

The mesh is turned so that the cuts are level; its columns are those of ``intervals``. A slab is what lies
between the heights i and j of a list; it may lie on its lower cut, or turned over on its upper one. Each
underside of a column belongs to a rectangle of pairs (i, j), so it is added at the rectangle's corners and
the tables are summed up at the end: O(triangles + crossings + Q² + Q · columns per side) for Q heights.
The reference twin is in ``tests/kernels/test_slabs.py``.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.column.intervals import LIMIT_BIAS, _rotated, _scan, _to_grid
from falsework.kernels.compiled import inner, kernel

# Rows of the table of need, for each way to lie; cells, unless said otherwise.
(
    REACHED,  # undersides in need over the bed
    UNREACHED,  # ... over the slab itself
    REACHED_HEIGHT,  # sum of the heights of the former, mm above the lowest point
    PART_AIR,  # sum of the air under the latter, mm
    SHOWN_REACHED,  # marked ones of the former
    SHOWN_UNREACHED,  # marked ones of the latter
    SHOWN_LANDING,  # marked surface stood upon
) = range(7)
NEEDS = 7
ON_LOWER, ON_UPPER = 0, 1  # the cut that a slab lies on
ABOVE, BELOW, JOINT = 0, 1, 2  # sections just above a height, just below it, and what both have in common


@inner
def _beneath(heights, z):
    """How many heights are less than z."""
    low, high = 0, len(heights)
    while low < high:
        middle = (low + high) // 2
        if heights[middle] < z:
            low = middle + 1
        else:
            high = middle
    return low


@inner
def _widen(rows, first, last, r, s):
    """Cell (r, s) joins the sections first..last − 1; ``rows`` (Q, grid, 2): first and last cell of a row."""
    for q in range(first, last):
        if s < rows[q, r, 0]:
            rows[q, r, 0] = s
        if s > rows[q, r, 1]:
            rows[q, r, 1] = s


@inner
def _extents(rows, ways, cell_x, cell_y, out):
    """Support function of each section's cells along ``ways`` (K, 2) into ``out`` (Q, K); −inf for none."""
    out[:] = -np.inf
    for q in range(rows.shape[0]):
        for r in range(rows.shape[1]):
            if rows[q, r, 1] < rows[q, r, 0]:
                continue
            for k in range(len(ways)):
                x = rows[q, r, 1] + 1 if ways[k, 0] > 0 else rows[q, r, 0]
                y = r + 1 if ways[k, 1] > 0 else r
                out[q, k] = max(out[q, k], x * cell_x * ways[k, 0] + y * cell_y * ways[k, 1])


@inner
def _facets(sums, faces, normals, areas, up, points, heights, solid_mm, band_mm):
    """Sums of ``facet_sums`` below each height into ``sums`` (4, Q), each facet spread evenly."""
    slope, base = np.zeros((4, len(heights) + 1)), np.zeros((4, len(heights) + 1))
    of = np.empty(4)
    for f in range(len(faces)):
        a, b, c = points[faces[f, 0], 2], points[faces[f, 1], 2], points[faces[f, 2], 2]
        low, high = min(a, b, c), max(a, b, c)
        level = abs(up[0] * normals[f, 0] + up[1] * normals[f, 1] + up[2] * normals[f, 2])
        steep = np.sqrt(max(1.0 - level * level, 0.0))
        thick = max(solid_mm * level - band_mm * steep, 0.0)
        of[0], of[1] = areas[f] * steep, areas[f] * level
        of[2], of[3] = areas[f] * thick, areas[f] * steep if thick > 0.0 else 0.0
        first, last = _beneath(heights, low), _beneath(heights, high)
        for k in range(4):
            if last > first:
                rate = of[k] / (high - low)
                slope[k, first] += rate
                slope[k, last] -= rate
                base[k, first] -= rate * low
                base[k, last] += rate * low
            base[k, last] += of[k]
    for k in range(4):
        rate, fixed = 0.0, 0.0
        for q in range(len(heights)):
            rate += slope[k, q]
            fixed += base[k, q]
            sums[k, q] = fixed + rate * heights[q]


@inner
def _walk(need, counts, rows, bulk, heights, grid, sine, touch, show, head, following, height, facet, slant):
    """Every column, upwards: undersides, sections and bulk added at the corners where they begin and end."""
    for r in range(grid):
        for s in range(grid):
            k = head[r * grid + s]
            winding = 0
            under, under_z, bottom, bottom_f = -1, np.float32(0.0), np.float32(0.0), -1
            while k >= 0:
                z, f = height[k], facet[k]
                if f < 0:
                    if winding == 0:
                        bottom, bottom_f = z, ~f
                        if under >= 0 and bottom - under_z > touch:
                            _gap(need, heights, under, under_z, bottom_f, bottom, sine, touch, show, slant)
                    winding += 1
                elif winding > 0:
                    winding -= 1
                    if winding == 0:
                        if under < 0:
                            _gap(need, heights, -1, bottom, bottom_f, bottom, sine, touch, show, slant)
                        # sections
                        b0, e0 = _beneath(heights, bottom - touch), _beneath(heights, z - touch)
                        b1, e1 = _beneath(heights, bottom + touch), _beneath(heights, z + touch)
                        counts[ABOVE, b0] += 1
                        counts[ABOVE, e0] -= 1
                        _widen(rows[ABOVE], b0, e0, r, s)
                        if e1 > b1:
                            counts[BELOW, b1] += 1
                            counts[BELOW, e1] -= 1
                            _widen(rows[BELOW], b1, e1, r, s)
                        if e0 > b1:
                            counts[JOINT, b1] += 1
                            counts[JOINT, e0] -= 1
                        # bulk: linear between its ends, fixed above
                        _widen(rows[2], max(b1 - 1, 0), e0, r, s)
                        b, e = _beneath(heights, bottom), _beneath(heights, z)
                        x, y = s + 0.5, r + 0.5
                        for way in range(2):
                            end, level, sign = (b, bottom, 1.0) if way == 0 else (e, z, -1.0)
                            bulk[0, end] += sign
                            bulk[1, end] += sign * x
                            bulk[2, end] += sign * y
                            bulk[3, end] -= sign * level
                            bulk[4, end] -= sign * level * x
                            bulk[5, end] -= sign * level * y
                            bulk[6, end] -= sign * 0.5 * level * level
                        under, under_z = f, z
                k = following[k]
            if under >= 0:
                _gap(need, heights, under, under_z, -1, under_z, sine, touch, show, slant)


@inner
def _gap(need, heights, under, under_z, over, over_z, sine, touch, show, slant):
    """Air from the top ``under`` to the underside ``over`` (−1: none); either may need support."""
    if over >= 0 and slant[over] > sine:  # lying on the lower cut, whose rows run up to the underside
        last = _beneath(heights, over_z - touch)
        column = _beneath(heights, over_z + touch)
        stood = 0 if under < 0 else _beneath(heights, under_z - touch)
        shown = show[over]
        _rectangle(need[ON_LOWER], REACHED, stood, last, column, 1.0)
        _rectangle(need[ON_LOWER], REACHED_HEIGHT, stood, last, column, over_z)
        if shown:
            _rectangle(need[ON_LOWER], SHOWN_REACHED, stood, last, column, 1.0)
        if stood > 0:
            _rectangle(need[ON_LOWER], UNREACHED, 0, stood, column, 1.0)
            _rectangle(need[ON_LOWER], PART_AIR, 0, stood, column, over_z - under_z)
            if shown:
                _rectangle(need[ON_LOWER], SHOWN_UNREACHED, 0, stood, column, 1.0)
            if show[under]:
                _rectangle(need[ON_LOWER], SHOWN_LANDING, 0, stood, column, 1.0)
    if under >= 0 and slant[under] > sine:  # turned over on the upper cut: tops look down
        last = _beneath(heights, under_z - touch)
        column = _beneath(heights, under_z + touch)
        stood = len(heights) if over < 0 else _beneath(heights, over_z + touch)
        shown = show[under]
        table = need[ON_UPPER]
        _rectangle(table, REACHED, 0, last, column, 1.0)
        _rectangle(table, REACHED, 0, last, stood, -1.0)
        _rectangle(table, REACHED_HEIGHT, 0, last, column, under_z)
        _rectangle(table, REACHED_HEIGHT, 0, last, stood, -under_z)
        _rectangle(table, UNREACHED, 0, last, stood, 1.0)
        _rectangle(table, PART_AIR, 0, last, stood, over_z - under_z)
        if shown:
            _rectangle(table, SHOWN_REACHED, 0, last, column, 1.0)
            _rectangle(table, SHOWN_REACHED, 0, last, stood, -1.0)
            _rectangle(table, SHOWN_UNREACHED, 0, last, stood, 1.0)
        if over >= 0 and show[over]:
            _rectangle(table, SHOWN_LANDING, 0, last, stood, 1.0)


@inner
def _rectangle(table, figure, first, last, column, amount):
    """``amount`` at pairs (i, j) with first ≤ i < last and j ≥ column, as differences."""
    if last > first:
        table[figure, first, column] += amount
        table[figure, last, column] -= amount


@inner
def _summed(need, count):
    """Differences to values, in place: down the rows, then along them."""
    for way in range(need.shape[0]):
        for figure in range(need.shape[1]):
            table = need[way, figure]
            for i in range(count):
                run = 0.0
                for j in range(count):
                    run += table[i, j]
                    table[i, j] = run
            for i in range(1, count):
                for j in range(count):
                    table[i, j] += table[i - 1, j]


@kernel
def slab_tables(
    vertices,
    faces,
    normals,
    areas,
    show,
    rotation,
    heights,
    ways,
    grid,
    limit_deg,
    touch_mm,
    solid_mm,
    band_mm,
):
    """Need, sections, bulk and outlines of all slabs of one rotation of a closed mesh.

    Parameters
    ----------
    vertices, faces, normals, areas, show, grid, limit_deg, touch_mm : as for ``orientation_figures``;
    areas (m,) float32. rotation (3, 3): turns the direction across the cuts to +z.
    heights (Q,) float64, ascending, above the lowest point: the first below it, the last above the highest
    one, so that rounding leaves out no end. What is within ``touch_mm`` of a cut counts as lying in it.
    ways (K, 2) float64 unit vectors. solid_mm, band_mm : as for ``intervals.facet_sums``.

    Returns
    -------
    need (2, NEEDS, Q, Q): by the cut lain upon, for the slab from height i to j; mm only where said above.
    sections (3, Q): area mm² just above, just below, and common to both.
    bulk (4, Q): of what is below each height, volume mm³, and its moments along x, y, z, mm⁴.
    sums (4, Q): sums of ``intervals.facet_sums`` over the surface below each height.
    outlines (3, Q, K): support function mm of the sections above and below and of the slice between a height
    and the next (the last one is empty). x and y from the lowest corner of the turned mesh.
    cell (2,): extent of a column, mm.
    """
    count = len(heights)
    need = np.zeros((2, NEEDS, count + 1, count + 1))
    counts, bulk = np.zeros((3, count + 1)), np.zeros((7, count + 1))
    rows = np.empty((3, count, grid, 2), np.int16)
    rows[:, :, :, 0], rows[:, :, :, 1] = grid, -1
    sections, below, sums = np.zeros((3, count)), np.zeros((4, count)), np.zeros((4, count))
    outlines = np.full((3, count, len(ways)), -np.inf)
    n = vertices.shape[1]
    points, codes = np.empty((n, 4), np.float32), np.empty(n, np.int32)
    listed, slant = np.empty(len(faces) + 1, np.int32), np.empty(len(faces), np.float32)
    head = np.empty(grid * grid, np.int32)
    low, high = _rotated(vertices, rotation, points)
    cell_x, cell_y = (high[0] - low[0]) / np.float32(grid), (high[1] - low[1]) / np.float32(grid)
    cell = np.array([float(cell_x), float(cell_y)])
    if not (cell_x > 0.0 and cell_y > 0.0):
        return need[:, :, :count, :count], sections, below, sums, outlines, cell
    _to_grid(points, low, cell_x, cell_y, codes)
    up = rotation[2].astype(np.float32)
    capacity = 8 * grid * grid
    following, facet = np.empty(capacity, np.int32), np.empty(capacity, np.int32)
    height = np.empty(capacity, np.float32)
    crossings = _scan(faces, normals, up, points, codes, grid, listed, head, following, height, facet, slant)
    if crossings > capacity:
        following, facet = np.empty(crossings, np.int32), np.empty(crossings, np.int32)
        height = np.empty(crossings, np.float32)
        _scan(faces, normals, up, points, codes, grid, listed, head, following, height, facet, slant)
    sine = np.float32(np.sin(np.radians(limit_deg)) + LIMIT_BIAS)
    _walk(
        need, counts, rows, bulk, heights, grid, sine, np.float32(touch_mm), show,
        head, following, height, facet, slant,
    )  # fmt: skip
    _summed(need, count)
    area = cell[0] * cell[1]
    for q in range(3):
        sections[q] = area * np.cumsum(counts[q])[:count]
    running = np.empty((7, count))
    for q in range(7):
        running[q] = area * np.cumsum(bulk[q])[:count]
    below[0] = running[0] * heights + running[3]
    below[1] = cell[0] * (running[1] * heights + running[4])
    below[2] = cell[1] * (running[2] * heights + running[5])
    below[3] = 0.5 * running[0] * heights * heights + running[6]
    _facets(sums, faces, normals, areas, up, points, heights, solid_mm, band_mm)
    for q in range(3):
        _extents(rows[q], ways, cell[0], cell[1], outlines[q])
    return need[:, :, :count, :count], sections, below, sums, outlines, cell

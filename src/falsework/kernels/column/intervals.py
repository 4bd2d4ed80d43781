"""Sorted solid intervals per column of one rotation of a mesh, and the figures summed over them.

A column is a vertical line through one sample point of a g × g grid over the rotated part's outline. The
triangles are scan-converted once; the crossings of a column are kept as a list sorted by height; its solid
intervals run from where the winding number leaves zero to where it returns. For each rotation
O(vertices + triangles + crossings · crossings per column). Everything here is plain arrays; the reference
twin is in ``tests/kernels/test_intervals.py``.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel

# Columns of one row of ``orientation_figures``. Areas are as seen from below or above, like those of a plan.
(
    BED_VOLUME,  # air beneath undersides down to the bed, mm³
    PART_VOLUME,  # air beneath undersides down to the part, mm³
    CONTACT_AREA,  # all undersides in need, mm²
    UNREACHED_AREA,  # of these, above the part; as large is the part surface stood upon, mm²
    SHOW_BED_AREA,  # marked undersides over the bed, mm²
    SHOW_PART_AREA,  # marked undersides over the part, mm²
    SHOW_LANDING_AREA,  # marked surface stood upon, mm²
    FOOT_AREA,  # of supports on the bed, mm²
    BASE_AREA,  # of the part itself on the bed, mm²
    LEAN_DEG,  # lean at which the centre of mass leaves the hull of base and feet; negative: outside
    BASE_LEAN_DEG,  # the same over the part's own base
    SPAN,  # longest flat bridge: the shortest way between two anchors, the most of all its cells, mm
    HEIGHT,  # extents along z, x and y, mm
    WIDTH,
    DEPTH,
    SOLID_VOLUME,  # of the solid intervals, mm³
    UNEVEN,  # share of the crossed columns that leave the part less or more often than they enter it
) = range(17)
FIGURES = 17

FLAT_SINE = 0.985  # undersides within 10° of flat may bridge
LIMIT_BIAS = 1e-4  # added to the sine of the limit: facets exactly at the limit hold, whatever the rounding
NOWHERE_DEG = -90.0
LONE = np.array([0, 0, 1, 2, 2, 1, 0, 0])  # by the bits of a, b, c above a row: the corner alone on its side
NEXT = np.array([1, 2, 0, 1])
ABREAST = 16  # directions summed side by side, as many as a processor adds at a time
BLOCK = 1024  # facets summed in single precision before they are added up in double


@inner
def _rotated(vertices, rotation, points):
    """Rotated vertices into ``points`` (n, 4) float32 (the fourth is not set); lowest and highest corner."""
    r = rotation.astype(np.float32)
    low = np.full(3, np.float32(np.inf))
    high = np.full(3, np.float32(-np.inf))
    for a in range(3):
        r0, r1, r2 = r[a, 0], r[a, 1], r[a, 2]
        least, most = low[a], high[a]
        for k in range(len(points)):
            value = r0 * vertices[0, k] + r1 * vertices[1, k] + r2 * vertices[2, k]
            points[k, a] = value
            least = min(least, value)
            most = max(most, value)
        low[a], high[a] = least, most
    return low, high


@inner
def _to_grid(points, low, cell_x, cell_y, codes):
    """Points in place to grid units: sample s of row r lies at x = s, y = r; z above the lowest point.

    ``codes`` holds, in two halves of 16 bits, how many rows lie at or beneath the point and how many
    columns lie left of it.
    """
    ix, iy = np.float32(1.0) / cell_x, np.float32(1.0) / cell_y
    half = np.float32(0.5)
    for k in range(len(points)):
        u = (points[k, 0] - low[0]) * ix - half
        v = (points[k, 1] - low[1]) * iy - half
        points[k, 0], points[k, 1] = u, v
        points[k, 2] -= low[2]
        codes[k] = (np.int32(v + np.float32(1.0)) << 16) | np.int32(np.ceil(u))


@inner
def _candidates(faces, codes, listed):
    """Triangles whose bounds hold a sample, into ``listed``; without branches, since most do not."""
    n = 0
    for f in range(len(faces)):
        a, b, c = codes[faces[f, 0]], codes[faces[f, 1]], codes[faces[f, 2]]
        apart = (a ^ b) | (b ^ c)
        listed[n] = f
        n += ((apart & 0xFFFF) != 0) & ((apart >> 16) != 0)
    return n


@inner
def _scan(faces, normals, up, points, codes, grid, listed, head, following, height, facet, slant):
    """One crossing for each column that a triangle covers, into lists sorted by height; how many.

    ``head`` (cells,) first crossing of each column, −1 for none; ``following`` the next; ``facet`` is f where
    the column leaves the part through triangle f and ~f where it enters; ``slant`` of a triangle is the size
    of the z of its unit normal. Half-open rules (a vertex on a row is above it, samples in [x0, x1)) and
    edges cut from their lower end make a closed mesh cross each column evenly. Of crossings at one height
    those that enter come first, so shells that touch leave no gap. Stops storing when the arrays are full,
    but counts on.
    """
    head[:] = -1
    count = 0
    capacity = len(following)
    for q in range(_candidates(faces, codes, listed)):
        f = listed[q]
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ra, rb, rc = codes[a] >> 16, codes[b] >> 16, codes[c] >> 16
        slant[f] = abs(up[0] * normals[f, 0] + up[1] * normals[f, 1] + up[2] * normals[f, 2])
        first, last = min(ra, rb, rc), max(ra, rb, rc)
        for r in range(first, last):
            # One corner is alone on its side of the row: i. Which one is as good as random, so it is looked
            # up and the rest selected, not branched upon: that halves the time.
            above = (ra > r) + 2 * (rb > r) + 4 * (rc > r)
            lone = LONE[above]
            i, j, k = faces[f, lone], faces[f, NEXT[lone]], faces[f, NEXT[lone + 1]]
            rising = above == 1 << lone
            # edges i-j and k-i cross the row; cut each from its lower end
            y = np.float32(r)
            p, q0 = (j, i) if rising else (i, j)
            t = (y - points[p, 1]) / (points[q0, 1] - points[p, 1])
            x0, z0 = (
                points[p, 0] + t * (points[q0, 0] - points[p, 0]),
                points[p, 2] + t * (points[q0, 2] - points[p, 2]),
            )
            p, q1 = (k, i) if rising else (i, k)
            t = (y - points[p, 1]) / (points[q1, 1] - points[p, 1])
            x1, z1 = (
                points[p, 0] + t * (points[q1, 0] - points[p, 0]),
                points[p, 2] + t * (points[q1, 2] - points[p, 2]),
            )
            # rows run upwards: an upward triangle that rises to i has edge k-i on its right
            ahead = x0 <= x1
            signed = f if ahead == rising else ~f
            x0, x1 = (x0, x1) if ahead else (x1, x0)
            z0, z1 = (z0, z1) if ahead else (z1, z0)
            s0, s1 = np.int64(np.ceil(x0)), np.int64(np.ceil(x1))
            s0, s1 = s0 if s0 > 0 else np.int64(0), s1 if s1 < grid else np.int64(grid)
            if s0 >= s1:
                continue
            slope = (z1 - z0) / (x1 - x0)
            for s in range(s0, s1):
                if count < capacity:
                    z = z0 + slope * (np.float32(s) - x0)
                    height[count] = z
                    facet[count] = signed
                    before, at = -1, head[r * grid + s]
                    while at >= 0 and (height[at] < z or (height[at] == z and facet[at] < signed)):
                        before, at = at, following[at]
                    following[count] = at
                    if before < 0:
                        head[r * grid + s] = count
                    else:
                        following[before] = count
                count += 1
    return count


@inner
def _lean_deg(left, right, cell_x, cell_y, grid, x, y, rise, rim):
    """Lean until the centre of mass (x, y, ``rise`` high) leaves the convex hull of the marked cells.

    ``left``/``right`` (grid,): first and last marked column of each row (right < left: none). The hull counts
    less ``rim`` all around. Negative when the centre is outside already, ``NOWHERE_DEG`` when nothing is
    marked.
    """
    xs, ys = np.empty(4 * grid), np.empty(4 * grid)
    hull = np.empty((8 * grid + 1, 2))
    n = 0
    for r in range(grid):  # both edges of each row of cells, sorted by y, then x, but for shared edges
        if right[r] >= left[r]:
            for edge in range(2):
                xs[n], xs[n + 1] = left[r] * cell_x, (right[r] + 1) * cell_x
                ys[n] = ys[n + 1] = (r + edge) * cell_y
                if n >= 2 and ys[n - 1] == ys[n]:
                    xs[n - 2], xs[n - 1] = min(xs[n], xs[n - 2]), max(xs[n + 1], xs[n - 1])
                else:
                    n += 2
    if n == 0:
        return NOWHERE_DEG
    k = 0
    for turn in range(2):  # monotone chain: right side upwards, left side downwards
        floor = k + 1 if turn == 1 else 2
        for step in range(n):
            if turn == 1 and step == 0:
                continue
            i = step if turn == 0 else n - 1 - step
            while (
                k >= floor
                and (hull[k - 1, 0] - hull[k - 2, 0]) * (ys[i] - hull[k - 2, 1])
                - (hull[k - 1, 1] - hull[k - 2, 1]) * (xs[i] - hull[k - 2, 0])
                <= 0
            ):
                k -= 1
            hull[k, 0], hull[k, 1] = xs[i], ys[i]
            k += 1
    margin = np.inf
    for i in range(k - 1):
        ex, ey = hull[i + 1, 0] - hull[i, 0], hull[i + 1, 1] - hull[i, 1]
        length = np.hypot(ex, ey)
        if length > 0:
            margin = min(margin, (ex * (y - hull[i, 1]) - ey * (x - hull[i, 0])) / length)
    return np.degrees(np.arctan2(margin - rim, max(rise, 1e-9)))


@inner
def _solid_at(cell, z, head, following, height, facet):
    """Whether the part is solid at height z of a column."""
    winding = 0
    k = head[cell]
    while k >= 0 and height[k] < z:
        winding += 1 if facet[k] < 0 else -1
        k = following[k]
    return winding > 0


@inner
def _longest_bridge(flat, grid, cell_x, cell_y, depth, head, following, height, facet):
    """Longest flat bridge: of each cell the shortest run with the part at both ends, the most of all.

    ``flat`` (grid, grid) heights of flat undersides, nan for none. Runs along rows, columns and both
    diagonals: a bridge that lies between two of them is at most 8 % too long on square cells. An end is
    anchored when the next cell is solid ``depth`` beneath the underside.
    """
    shortest = np.full((grid, grid), np.float32(np.inf))
    for way in range(4):
        dr = np.int64(0 if way == 0 else 1)
        ds = np.int64(0 if way == 1 else (-1 if way == 3 else 1))
        step = np.float32(np.hypot(ds * cell_x, dr * cell_y))
        same = np.float32(0.2) * step
        for r in range(grid):
            for s in range(grid):
                z = flat[r, s]
                if np.isnan(z):
                    continue
                r0, s0 = r - dr, s - ds
                if r0 < 0 or s0 < 0 or s0 >= grid:
                    continue  # starts at the rim: not anchored
                if abs(flat[r0, s0] - z) <= same:
                    continue  # not the start of a run
                r1, s1 = r + dr, s + ds
                cells = 1
                last = z
                while r1 < grid and 0 <= s1 < grid and abs(flat[r1, s1] - last) <= same:
                    last = flat[r1, s1]
                    r1 += dr
                    s1 += ds
                    cells += 1
                if r1 >= grid or s1 < 0 or s1 >= grid:
                    continue
                if not _solid_at(r0 * grid + s0, z - depth, head, following, height, facet):
                    continue
                if not _solid_at(r1 * grid + s1, last - depth, head, following, height, facet):
                    continue
                length = np.float32(cells) * step
                for q in range(cells):
                    if length < shortest[r + q * dr, s + q * ds]:
                        shortest[r + q * dr, s + q * ds] = length
    longest = 0.0
    for r in range(grid):
        for s in range(grid):
            if shortest[r, s] < np.inf and shortest[r, s] > longest:
                longest = shortest[r, s]
    return longest


@inner
def _sum_columns(out, grid, cell, sine, touch, show, head, following, height, facet, slant, flat, base, feet):
    """Walk every column upwards and add to ``out``; mark flat undersides, base and feet.

    ``base``, ``feet`` (2, grid): first and last column of each row that is on the bed. A column of an
    open mesh that leaves the part without having entered it is taken as solid from what is beneath; one that
    never leaves stays solid.
    """
    flat[:] = np.nan
    base[0, :], feet[0, :] = grid, grid
    base[1, :], feet[1, :] = -1, -1
    crossed, uneven = 0, 0
    any_flat = False
    for r in range(grid):
        for s in range(grid):
            k = head[r * grid + s]
            if k < 0:
                continue
            crossed += 1
            bad = False
            winding = 0
            under = -1  # triangle on which a support would stand; -1: the bed
            under_z, bottom_z = np.float32(0.0), np.float32(0.0)
            while k >= 0:
                z, f = height[k], facet[k]
                if f < 0:
                    f = ~f
                    if winding == 0:
                        bottom_z = z
                        if under < 0 and z <= touch:
                            out[BASE_AREA] += cell
                            base[0, r], base[1, r] = min(base[0, r], s), max(base[1, r], s)
                        elif slant[f] > sine and z - under_z > touch:
                            out[CONTACT_AREA] += cell
                            if under < 0:
                                out[BED_VOLUME] += cell * z
                                out[FOOT_AREA] += cell
                                feet[0, r], feet[1, r] = min(feet[0, r], s), max(feet[1, r], s)
                                if show[f]:
                                    out[SHOW_BED_AREA] += cell
                            else:
                                out[PART_VOLUME] += cell * (z - under_z)
                                out[UNREACHED_AREA] += cell
                                if show[f]:
                                    out[SHOW_PART_AREA] += cell
                                if show[under]:
                                    out[SHOW_LANDING_AREA] += cell
                            if slant[f] > FLAT_SINE and np.isnan(flat[r, s]):
                                flat[r, s] = z
                                any_flat = True
                    winding += 1
                else:
                    if winding == 0:
                        bad = True
                        bottom_z = under_z
                    else:
                        winding -= 1
                    if winding == 0:
                        out[SOLID_VOLUME] += cell * (z - bottom_z)
                        under, under_z = f, z
                k = following[k]
            if bad or winding != 0:
                uneven += 1
    out[UNEVEN] = uneven / max(crossed, 1)
    return any_flat


@inner
def _sum_ridges(
    out, edges, beside, normals, up, show, points, cell_x, cell_y, grid, sine, touch, rim,
    head, following, height, facet,
):  # fmt: skip
    """Add to ``out`` the need of sharp lower edges whose faces hold but which rise too slowly themselves.

    A strip of twice ``rim`` along the edge, sampled once for each cell that it passes; too narrow a foot to
    stand on.
    """
    cosine = np.sqrt(1.0 - sine * sine)
    for e in range(len(edges)):
        a, b = edges[e, 0], edges[e, 1]
        f, g = beside[e, 0], beside[e, 1]
        fz = up[2, 0] * normals[f, 0] + up[2, 1] * normals[f, 1] + up[2, 2] * normals[f, 2]
        gz = up[2, 0] * normals[g, 0] + up[2, 1] * normals[g, 1] + up[2, 2] * normals[g, 2]
        if -fz > sine or -gz > sine or min(fz, gz) >= 0.0:
            continue  # counted with its face, or not a lower edge
        du, dv = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1]
        dx, dy, dz = du * cell_x, dv * cell_y, points[b, 2] - points[a, 2]
        length = np.hypot(dx, dy)
        if not length * cosine > abs(dz) * sine:
            continue
        mx, my = -dy / length, dx / length
        fm = mx * (up[0] @ normals[f]) + my * (up[1] @ normals[f])
        gm = mx * (up[0] @ normals[g]) + my * (up[1] @ normals[g])
        if fm * gm >= 0.0 or fz * abs(gm) + gz * abs(fm) >= 0.0:
            continue  # straight down does not lie between the two normals
        samples = int(max(abs(du), abs(dv))) + 1
        area = length * 2.0 * rim / samples
        shown = show[f] or show[g]
        for i in range(samples):
            t = (i + 0.5) / samples
            s = min(max(int(points[a, 0] + t * du + 0.5), 0), grid - 1)
            r = min(max(int(points[a, 1] + t * dv + 0.5), 0), grid - 1)
            z = points[a, 2] + t * dz
            winding, under, under_z = 0, -1, np.float32(0.0)
            k = head[r * grid + s]
            while k >= 0 and height[k] < z - touch:
                if facet[k] < 0:
                    winding += 1
                else:
                    winding -= 1
                    if winding <= 0:
                        winding, under, under_z = 0, facet[k], height[k]
                k = following[k]
            if winding > 0 or z - under_z <= touch:
                continue  # within another shell, or on the bed
            out[CONTACT_AREA] += area
            if under < 0:
                out[BED_VOLUME] += area * z
                out[FOOT_AREA] += area
                out[SHOW_BED_AREA] += area if shown else 0.0
            else:
                out[PART_VOLUME] += area * (z - under_z)
                out[UNREACHED_AREA] += area
                out[SHOW_PART_AREA] += area if shown else 0.0
                out[SHOW_LANDING_AREA] += area if show[under] else 0.0


@kernel
def orientation_figures(
    vertices,
    faces,
    normals,
    show,
    edges,
    beside,
    rotations,
    center,
    grid,
    limit_deg,
    touch_mm,
    rim_mm,
    head_mm,
):
    """Figures of each rotation of a mesh, with occlusion.

    Parameters
    ----------
    vertices (3, n) float32 (one row per axis), faces (m, 3) int32 counter-clockwise from outside,
    normals (m, 3) float32 unit normals, show (m,) uint8 marks faces to keep clean,
    edges, beside (e, 2) int32 ends and faces of sharp convex edges,
    rotations (d, 3, 3) float64 applied to column vectors, center (3,) float64 centre of mass,
    grid : columns along x and along y, at most 16000,
    limit_deg : steepest angle from the vertical that holds,
    touch_mm : undersides within this height of the lowest point rest on the bed, and lower gaps are closed,
    rim_mm : half a line width: so much of the rim of base and feet holds nothing,
    head_mm : a lower edge that needs support needs it this far to both sides.

    Returns
    -------
    (d, FIGURES) float64; see the constants above for the columns. 30 bytes for each vertex and triangle,
    12 for each crossing, 12 for each column.
    """
    out = np.zeros((len(rotations), FIGURES))
    n = vertices.shape[1]
    points, codes = np.empty((n, 4), np.float32), np.empty(n, np.int32)
    listed, slant = np.empty(len(faces) + 1, np.int32), np.empty(len(faces), np.float32)
    head = np.empty(grid * grid, np.int32)
    capacity = 8 * grid * grid
    following, facet = np.empty(capacity, np.int32), np.empty(capacity, np.int32)
    height = np.empty(capacity, np.float32)
    flat = np.empty((grid, grid), np.float32)
    base, feet = np.empty((2, grid), np.int64), np.empty((2, grid), np.int64)
    sine = np.float32(np.sin(np.radians(limit_deg)) + LIMIT_BIAS)
    touch = np.float32(touch_mm)
    for d in range(len(rotations)):
        low, high = _rotated(vertices, rotations[d], points)
        sums = out[d]
        sums[HEIGHT], sums[WIDTH], sums[DEPTH] = high[2] - low[2], high[0] - low[0], high[1] - low[1]
        cell_x, cell_y = (high[0] - low[0]) / np.float32(grid), (high[1] - low[1]) / np.float32(grid)
        sums[LEAN_DEG], sums[BASE_LEAN_DEG] = NOWHERE_DEG, NOWHERE_DEG
        if not (cell_x > 0.0 and cell_y > 0.0):
            continue
        _to_grid(points, low, cell_x, cell_y, codes)
        up = rotations[d, 2].astype(np.float32)
        count = _scan(faces, normals, up, points, codes, grid, listed, head, following, height, facet, slant)
        if count > len(following):
            capacity = count + count // 4
            following, facet = np.empty(capacity, np.int32), np.empty(capacity, np.int32)
            height = np.empty(capacity, np.float32)
            _scan(faces, normals, up, points, codes, grid, listed, head, following, height, facet, slant)
        cell = np.float64(cell_x) * np.float64(cell_y)
        any_flat = _sum_columns(
            sums, grid, cell, sine, touch, show, head, following, height, facet, slant, flat, base, feet
        )
        _sum_ridges(
            sums, edges, beside, normals, rotations[d].astype(np.float32), show, points, cell_x, cell_y, grid,
            sine, touch, head_mm, head, following, height, facet,
        )  # fmt: skip
        turned = rotations[d] @ center
        x, y, rise = turned[0] - low[0], turned[1] - low[1], turned[2] - low[2]
        sums[BASE_LEAN_DEG] = _lean_deg(base[0], base[1], cell_x, cell_y, grid, x, y, rise, rim_mm)
        np.minimum(base[0], feet[0], feet[0])
        np.maximum(base[1], feet[1], feet[1])
        sums[LEAN_DEG] = _lean_deg(feet[0], feet[1], cell_x, cell_y, grid, x, y, rise, rim_mm)
        if any_flat:
            sums[SPAN] = _longest_bridge(flat, grid, cell_x, cell_y, touch, head, following, height, facet)
    return out


@kernel
def facet_sums(areas, normals, ups, solid_mm, band_mm):
    """(d, 4) for each up direction: wall area, level area, solid skin, wall area beside skin; mm², skin mm³.

    areas (m,) float32, normals (m, 3) float32, ups (d, 3) float64. With the angle t between a facet's
    normal and up: wall area Σ A sin t, over the layer height the length of all outlines; level area
    Σ A |cos t|; skin what lies within ``solid_mm`` above or beneath a facet but not within ``band_mm``
    sideways of it, Σ A max(0, solid |cos t| − band sin t); the last is the wall area of the facets that have
    any. O(d·m).
    """
    out = np.zeros((len(ups), 4))
    solid, band = np.float32(solid_mm), np.float32(band_mm)
    none, one = np.float32(0.0), np.float32(1.0)
    for first in range(0, len(ups), ABREAST):
        u = _abreast(ups, first)
        for block in range(0, len(areas), BLOCK):
            sums = np.zeros((4, ABREAST), np.float32)
            for f in range(block, min(block + BLOCK, len(areas))):
                area, x, y, z = areas[f], normals[f, 0], normals[f, 1], normals[f, 2]
                for k in range(ABREAST):
                    c = abs(u[0, k] * x + u[1, k] * y + u[2, k] * z)
                    s = np.sqrt(max(one - c * c, none))
                    thick = max(solid * c - band * s, none)
                    sums[0, k] += area * s
                    sums[1, k] += area * c
                    sums[2, k] += area * thick
                    sums[3, k] += area * s if thick > none else none
            for k in range(min(ABREAST, len(ups) - first)):
                for q in range(4):
                    out[first + k, q] += sums[q, k]
    return out


@kernel
def facet_needs(areas, normals, middles, show, ups, low_mm, limit_deg, touch_mm):
    """(d, 4) for each up direction, as if nothing stood in the way:
    what ``orientation_figures`` finds by columns.

    Undersides in need mm², the air beneath them down to the bed mm³, the marked among them mm², and what lies
    on the bed mm². middles (m, 3) float32 of the facets, each of which lies on the bed or not as a whole;
    low_mm (d,) height of the lowest point; the rest as for ``facet_sums``. O(d·m).
    """
    out = np.zeros((len(ups), 4))
    sine, touch = np.float32(np.sin(np.radians(limit_deg)) + LIMIT_BIAS), np.float32(touch_mm)
    none = np.float32(0.0)
    for first in range(0, len(ups), ABREAST):
        u = _abreast(ups, first)
        rest = np.zeros(ABREAST, np.float32)
        for k in range(min(ABREAST, len(ups) - first)):
            rest[k] = low_mm[first + k] + touch
        for block in range(0, len(areas), BLOCK):
            sums = np.zeros((4, ABREAST), np.float32)
            for f in range(block, min(block + BLOCK, len(areas))):
                area, x, y, z = areas[f], normals[f, 0], normals[f, 1], normals[f, 2]
                mx, my, mz = middles[f, 0], middles[f, 1], middles[f, 2]
                shown = np.float32(show[f])
                for k in range(ABREAST):
                    c = -(u[0, k] * x + u[1, k] * y + u[2, k] * z)
                    rise = u[0, k] * mx + u[1, k] * my + u[2, k] * mz - rest[k]
                    level = area * c
                    need = level if (c > sine) & (rise > none) else none
                    sums[0, k] += need
                    sums[1, k] += need * (rise + touch)
                    sums[2, k] += need * shown
                    sums[3, k] += level if (c > none) & (rise <= none) else none
            for k in range(min(ABREAST, len(ups) - first)):
                for q in range(4):
                    out[first + k, q] += sums[q, k]
    return out


@kernel
def ridge_needs(vertices, normals, edges, beside, show, ups, low_mm, limit_deg, touch_mm, head_mm):
    """(d, 3) for each up direction what sharp lower edges need, as ``facet_needs``: area, air, marked area.

    vertices (3, n) float32, edges, beside (e, 2) int32 and head_mm as for ``orientation_figures``. O(d·e).
    """
    out = np.zeros((len(ups), 3))
    sine, touch = np.float32(np.sin(np.radians(limit_deg)) + LIMIT_BIAS), np.float32(touch_mm)
    none, half = np.float32(0.0), np.float32(0.5)
    cosine = np.sqrt(np.float32(1.0) - sine * sine)
    wide = np.float32(2.0 * head_mm)
    for first in range(0, len(ups), ABREAST):
        u = _abreast(ups, first)
        rest = np.zeros(ABREAST, np.float32)
        for k in range(min(ABREAST, len(ups) - first)):
            rest[k] = low_mm[first + k] + touch
        for block in range(0, len(edges), BLOCK):
            sums = np.zeros((3, ABREAST), np.float32)
            for i in range(block, min(block + BLOCK, len(edges))):
                a, b, f, g = edges[i, 0], edges[i, 1], beside[i, 0], beside[i, 1]
                ax, ay, az = vertices[0, a], vertices[1, a], vertices[2, a]
                bx, by, bz = vertices[0, b], vertices[1, b], vertices[2, b]
                ex, ey, ez = bx - ax, by - ay, bz - az
                mx, my, mz = half * (ax + bx), half * (ay + by), half * (az + bz)
                fx, fy, fz = normals[f, 0], normals[f, 1], normals[f, 2]
                gx, gy, gz = normals[g, 0], normals[g, 1], normals[g, 2]
                # edge × normal: along up it says how far the normal looks across the edge as seen from above
                px, py, pz = ey * fz - ez * fy, ez * fx - ex * fz, ex * fy - ey * fx
                qx, qy, qz = ey * gz - ez * gy, ez * gx - ex * gz, ex * gy - ey * gx
                size = ex * ex + ey * ey + ez * ez
                shown = np.float32(max(show[f], show[g]))
                for k in range(ABREAST):
                    x, y, z = u[0, k], u[1, k], u[2, k]
                    fu, gu = x * fx + y * fy + z * fz, x * gx + y * gy + z * gz
                    fm, gm = x * px + y * py + z * pz, x * qx + y * qy + z * qz
                    climb = x * ex + y * ey + z * ez
                    rise = x * mx + y * my + z * mz - rest[k]
                    length = np.sqrt(max(size - climb * climb, none))
                    needs = (-fu <= sine) & (-gu <= sine) & (min(fu, gu) < none) & (rise > none)
                    needs &= (length * cosine > abs(climb) * sine) & (fm * gm < none)
                    needs &= fu * abs(gm) + gu * abs(fm) < none
                    area = length * wide if needs else none
                    sums[0, k] += area
                    sums[1, k] += area * (rise + touch)
                    sums[2, k] += area * shown
            for k in range(min(ABREAST, len(ups) - first)):
                for q in range(3):
                    out[first + k, q] += sums[q, k]
    return out


@kernel
def extents(points, ups):
    """(d, 2) float64 lowest and highest of points (n, 3) float32 along each of ups (d, 3) float64. O(d·n)."""
    out = np.empty((len(ups), 2))
    for first in range(0, len(ups), ABREAST):
        u = _abreast(ups, first)
        low = np.full(ABREAST, np.float32(np.inf))
        high = np.full(ABREAST, np.float32(-np.inf))
        for p in range(len(points)):
            x, y, z = points[p, 0], points[p, 1], points[p, 2]
            for k in range(ABREAST):
                along = u[0, k] * x + u[1, k] * y + u[2, k] * z
                low[k] = min(low[k], along)
                high[k] = max(high[k], along)
        for k in range(min(ABREAST, len(ups) - first)):
            out[first + k, 0], out[first + k, 1] = low[k], high[k]
    return out


@inner
def _abreast(ups, first):
    """(3, ABREAST) float32 directions from ``first`` on, zero where there are no more."""
    u = np.zeros((3, ABREAST), np.float32)
    for k in range(min(ABREAST, len(ups) - first)):
        for axis in range(3):
            u[axis, k] = ups[first + k, axis]
    return u

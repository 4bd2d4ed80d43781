"""What ``intervals`` finds of each rotation of a mesh, on a graphics processor; imported only where wanted.

``orientation_figures`` and ``facet_sums`` of ``intervals`` are the reference twins, figure by figure.
One thread takes a triangle through a few directions, turns it in flight and drops it at once if it covers no
column; what hits a column is packed into one word, its height above, and put into the next free of ``SLOTS``
words of that column, slot by slot so that neighbours lie side by side. One thread a column then sorts its few
words and walks up them. All that is summed are whole numbers, and whatever is compared is compared after
sorting: the order in which threads come does not show, and the same mesh gives the same figures on every
run. Columns of more hits than there are slots are told, for the caller to do elsewhere.

Written for ``numba.cuda``: its language is that of the other kernels, its emulator runs in the tests, and the
extra is a pure Python package beside numba (numba-cuda, BSD). Arrays on the device alone (CuPy, MIT, 120 MB)
have nothing for lists of varying length: the same kernels would be C in strings, with no emulator.
"""

from __future__ import annotations

import math

from numba import cuda, float32, float64, int32, int64, uint32

SLOTS = 32  # hits of one column that are kept
ABREAST = 16  # directions that one thread takes a triangle through
HEIGHT_BITS = 28  # of a hit's word; beneath them, from the lowest up:
SHOWN, FLAT, NEEDS, LEAVES = 1, 2, 4, 8  # marked, nearly level, past the limit, the part's end upwards
HIGHEST = float((1 << HEIGHT_BITS) - 16)  # a whole number in single precision too
FIXED = float(1 << 20)  # sums of ridges, in mm² and mm³, are counted in parts of this
LONG = float(1 << 16)  # lengths of bridges likewise
FLAT_SINE, NOWHERE_DEG = 0.985, -90.0  # as for the reference twin

# Columns of a row of ``placed``: the rotation row by row, then
LOW_X, LOW_Y, LOW_Z, CELL_X, CELL_Y, PER_X, PER_Y, HEIGHT, STEP, PLACE = 9, 10, 11, 12, 13, 14, 15, 16, 17, 18
# Columns of a row of sums: cells, then heights in steps, then ridges in parts of FIXED
(
    CONTACT,
    UNREACHED,
    FOOT,
    BASE,
    SHOW_BED,
    SHOW_PART,
    SHOW_LANDING,
    CROSSED,
    UNEVEN,
    BED_STEPS,
    PART_STEPS,
    SOLID_STEPS,
    RIDGE_CONTACT,
    RIDGE_UNREACHED,
    RIDGE_BED,
    RIDGE_PART,
    RIDGE_SHOW_BED,
    RIDGE_SHOW_PART,
    RIDGE_SHOW_LANDING,
) = range(19)
SUMS = 19
THREADS = 128
QUEUE = ABREAST * THREADS
SLACK = 1e-3  # of a cell: by how much the quick way to cells may be out
SHIFT = 1.5 * (1 << 23)
NEVER = 2147483647
MOST_GRID = 512  # columns along one side
STACK = MOST_GRID + 3
TALLIED = 12  # the sums of columns; those of ridges follow


@cuda.jit(cache=True)
def place(corners, rotations, grid, placed):
    """Rotation, lowest corner, cells and steps of height of each direction into ``placed`` (D, PLACE).

    corners (k, 3) float32 of the hull; rotations (D, 9) float32. One block a direction.
    """
    d, t = cuda.blockIdx.x, cuda.threadIdx.x
    least = cuda.shared.array((3, THREADS), float32)
    most = cuda.shared.array((3, THREADS), float32)
    for axis in range(3):
        a = rotations[d, 3 * axis]
        b = rotations[d, 3 * axis + 1]
        c = rotations[d, 3 * axis + 2]
        low, high = float32(math.inf), float32(-math.inf)
        for k in range(t, corners.shape[0], THREADS):
            value = a * corners[k, 0] + b * corners[k, 1] + c * corners[k, 2]
            low, high = min(low, value), max(high, value)
        least[axis, t], most[axis, t] = low, high
    cuda.syncthreads()
    step = THREADS // 2
    while step > 0:
        if t < step:
            for axis in range(3):
                least[axis, t] = min(least[axis, t], least[axis, t + step])
                most[axis, t] = max(most[axis, t], most[axis, t + step])
        cuda.syncthreads()
        step //= 2
    if t == 0:
        for k in range(9):
            placed[d, k] = rotations[d, k]
        none, one = float32(0.0), float32(1.0)
        cell_x = (most[0, 0] - least[0, 0]) / float32(grid)
        cell_y = (most[1, 0] - least[1, 0]) / float32(grid)
        height = most[2, 0] - least[2, 0]
        solid = cell_x > none and cell_y > none
        placed[d, LOW_X], placed[d, LOW_Y], placed[d, LOW_Z] = least[0, 0], least[1, 0], least[2, 0]
        placed[d, CELL_X], placed[d, CELL_Y] = cell_x, cell_y
        placed[d, PER_X] = one / cell_x if solid else none
        placed[d, PER_Y] = one / cell_y if solid else none
        placed[d, HEIGHT] = height
        placed[d, STEP] = height / float32(HIGHEST) if height > none else one


@cuda.jit(cache=True)
def clear(counts, shortest, longest, overfull, sums):
    """Nothing counted yet: counts and shortest (b, cells), and of all directions the rest (D, …)."""
    k = cuda.grid(1)
    cells = counts.shape[1]
    if k < counts.shape[0] * cells:
        counts[k // cells, k % cells] = 0
        shortest[k // cells, k % cells] = NEVER
    if k < longest.shape[0]:
        longest[k] = 0
        overfull[k] = 0
        for q in range(SUMS):
            sums[k, q] = 0


@cuda.jit(cache=True)
def scan(triangles, normals, show, placed, offset, count, sine, grid, stripes, hits, counts):
    """Every hit of every column into ``hits`` (b, SLOTS, cells), how many into ``counts`` (b, cells).

    triangles (9, m), normals (3, m) float32, show (m,) uint8: the mesh by corner and axis; placed (D, PLACE),
    of which ``count`` from ``offset`` on are meant; sine: of the limit angle, bias included. A block takes
    THREADS triangles through ABREAST directions: first each thread drops what surely covers no column, as
    most do, and puts the rest into a queue; then all threads work the queue off, so that none waits for the
    few. Of the rows of a triangle a block takes every ``stripes``-th, from z on. The rules of the reference:
    a corner on a row is above it, samples in [x0, x1), edges cut from their lower end.
    """
    t = cuda.threadIdx.x
    block = cuda.blockIdx.x * THREADS
    f = block + t
    first = cuda.blockIdx.y * ABREAST
    n = min(ABREAST, count - first)
    half, one, slack, shift = float32(0.5), float32(1.0), float32(SLACK), float32(SHIFT)
    table = cuda.shared.array((ABREAST, PLACE), float32)
    quick = cuda.shared.array((ABREAST, 8), float32)  # to cells by three products and a sum, less exactly
    queue = cuda.shared.array(QUEUE, int32)
    queued = cuda.shared.array(1, int32)
    if t == 0:
        queued[0] = 0
    for k in range(t, n * PLACE, THREADS):
        table[k // PLACE, k % PLACE] = placed[offset + first + k // PLACE, k % PLACE]
    cuda.syncthreads()
    if t < 2 * n:
        d, axis = t // 2, t % 2
        per = table[d, PER_X + axis]
        for k in range(3):
            quick[d, 4 * axis + k] = table[d, 3 * axis + k] * per
        quick[d, 4 * axis + 3] = -table[d, LOW_X + axis] * per
    cuda.syncthreads()
    if f < triangles.shape[1]:
        ax, ay, az = triangles[0, f], triangles[1, f], triangles[2, f]
        bx, by, bz = triangles[3, f], triangles[4, f], triangles[5, f]
        cx, cy, cz = triangles[6, f], triangles[7, f], triangles[8, f]
        for d in range(n):
            r0, r1, r2, low = quick[d, 0], quick[d, 1], quick[d, 2], quick[d, 3]
            a = r0 * ax + r1 * ay + r2 * az + low
            b = r0 * bx + r1 * by + r2 * bz + low
            c = r0 * cx + r1 * cy + r2 * cz + low
            # so large a number has no room for fractions: adding it rounds to whole cells
            apart = (min(a, b, c) - slack) + shift != (max(a, b, c) + slack) + shift
            r0, r1, r2, low = quick[d, 4], quick[d, 5], quick[d, 6], quick[d, 7]
            a = r0 * ax + r1 * ay + r2 * az + low
            b = r0 * bx + r1 * by + r2 * bz + low
            c = r0 * cx + r1 * cy + r2 * cz + low
            if apart and (min(a, b, c) - slack) + shift != (max(a, b, c) + slack) + shift:
                queue[cuda.atomic.add(queued, 0, 1)] = d * THREADS + t
    cuda.syncthreads()
    for q in range(t, queued[0], THREADS):
        d, f = queue[q] // THREADS, block + queue[q] % THREADS
        ax, ay, az = triangles[0, f], triangles[1, f], triangles[2, f]
        bx, by, bz = triangles[3, f], triangles[4, f], triangles[5, f]
        cx, cy, cz = triangles[6, f], triangles[7, f], triangles[8, f]
        r0, r1, r2 = table[d, 3], table[d, 4], table[d, 5]
        low, per = table[d, LOW_Y], table[d, PER_Y]
        av = (r0 * ax + r1 * ay + r2 * az - low) * per - half
        bv = (r0 * bx + r1 * by + r2 * bz - low) * per - half
        cv = (r0 * cx + r1 * cy + r2 * cz - low) * per - half
        ra, rb, rc = int32(av + one), int32(bv + one), int32(cv + one)
        if ra == rb and rb == rc:
            continue
        r0, r1, r2 = table[d, 0], table[d, 1], table[d, 2]
        low, per = table[d, LOW_X], table[d, PER_X]
        au = (r0 * ax + r1 * ay + r2 * az - low) * per - half
        bu = (r0 * bx + r1 * by + r2 * bz - low) * per - half
        cu = (r0 * cx + r1 * cy + r2 * cz - low) * per - half
        r0, r1, r2, low = table[d, 6], table[d, 7], table[d, 8], table[d, LOW_Z]
        aw = r0 * ax + r1 * ay + r2 * az - low
        bw = r0 * bx + r1 * by + r2 * bz - low
        cw = r0 * cx + r1 * cy + r2 * cz - low
        slant = abs(r0 * normals[0, f] + r1 * normals[1, f] + r2 * normals[2, f])
        flags = uint32(show[f] != 0)
        if slant > float32(FLAT_SINE):
            flags |= uint32(FLAT)
        if slant > sine:
            flags |= uint32(NEEDS)
        per_step = one / table[d, STEP]
        top = max(ra, rb, rc)
        r = min(ra, rb, rc)
        r += (cuda.blockIdx.z - r) % stripes
        while r < top:
            y = float32(r)
            above = (ra > r) + 2 * (rb > r) + 4 * (rc > r)
            if above == 1 or above == 6:  # corner a is alone on its side of the row: i; j and k follow it
                iu, iv, iw, ju, jv, jw, ku, kv, kw = au, av, aw, bu, bv, bw, cu, cv, cw
            elif above == 2 or above == 5:
                iu, iv, iw, ju, jv, jw, ku, kv, kw = bu, bv, bw, cu, cv, cw, au, av, aw
            else:
                iu, iv, iw, ju, jv, jw, ku, kv, kw = cu, cv, cw, au, av, aw, bu, bv, bw
            rising = above == 1 or above == 2 or above == 4
            if rising:
                p = (y - jv) / (iv - jv)
                x0, z0 = ju + p * (iu - ju), jw + p * (iw - jw)
                p = (y - kv) / (iv - kv)
                x1, z1 = ku + p * (iu - ku), kw + p * (iw - kw)
            else:
                p = (y - iv) / (jv - iv)
                x0, z0 = iu + p * (ju - iu), iw + p * (jw - iw)
                p = (y - iv) / (kv - iv)
                x1, z1 = iu + p * (ku - iu), iw + p * (kw - iw)
            ahead = x0 <= x1
            leaves = uint32(LEAVES) if ahead == rising else uint32(0)
            if not ahead:
                x0, x1 = x1, x0
                z0, z1 = z1, z0
            s0, s1 = int32(x0), int32(x1)  # the first sample at or right of each; x is never below -1
            s0 += float32(s0) < x0
            s1 += float32(s1) < x1
            s0, s1 = max(s0, 0), min(s1, grid)
            if s0 < s1:
                slope = (z1 - z0) / (x1 - x0)
                for s in range(s0, s1):
                    z = z0 + slope * (float32(s) - x0)
                    high = min(max(z * per_step, float32(0.0)), float32(HIGHEST))
                    word = (uint32(high) << uint32(4)) | leaves | flags
                    cell = r * grid + s
                    slot = cuda.atomic.add(counts, (first + d, cell), 1)
                    if slot < SLOTS:
                        hits[first + d, slot, cell] = word
            r += stripes


@cuda.jit(cache=True)
def walk(placed, touch, grid, hits, counts, flat, sums, edges, overfull, first):
    """Sort each column and walk it upwards: ``sums`` (D, SUMS), ``flat`` (b, cells) heights of flat
    undersides in steps plus one, 0 for none, ``edges`` (D, 2, 2, grid) first and last column of each row that
    is on the bed: of the part itself, and of its supports. One block a row, one thread a column.
    """
    r, d, s = cuda.blockIdx.x, cuda.blockIdx.y, cuda.threadIdx.x
    tally = cuda.shared.array(TALLIED, int64)
    span = cuda.shared.array(4, int32)
    for q in range(s, TALLIED, grid):
        tally[q] = 0
    if s < 4:
        span[s] = grid if s % 2 == 0 else -1
    cuda.syncthreads()
    cell = r * grid + s
    n = counts[d, cell]
    if n > SLOTS:
        overfull[first + d] = 1
        n = SLOTS
        counts[d, cell] = SLOTS
    words = cuda.local.array(SLOTS, uint32)
    for k in range(n):
        word = hits[d, k, cell]
        m = k
        while m > 0 and words[m - 1] > word:
            words[m] = words[m - 1]
            m -= 1
        words[m] = word
    low_flat = 0
    if n > 0:
        for k in range(n):
            hits[d, k, cell] = words[k]
        touching = int64(touch / placed[first + d, STEP])  # steps within which a gap is none
        bad, winding = False, 0
        landed, landed_shown = False, False
        under, bottom = int64(0), int64(0)
        for k in range(n):
            word = words[k]
            z = int64(word >> uint32(4))
            if word & uint32(LEAVES) == 0:
                if winding == 0:
                    bottom = z
                    shown = word & uint32(SHOWN) != 0
                    if not landed and z <= touching:
                        cuda.atomic.add(tally, BASE, int64(1))
                        cuda.atomic.min(span, 0, int32(s))
                        cuda.atomic.max(span, 1, int32(s))
                    elif word & uint32(NEEDS) != 0 and z - under > touching:
                        cuda.atomic.add(tally, CONTACT, int64(1))
                        if not landed:
                            cuda.atomic.add(tally, BED_STEPS, z)
                            cuda.atomic.add(tally, FOOT, int64(1))
                            cuda.atomic.min(span, 2, int32(s))
                            cuda.atomic.max(span, 3, int32(s))
                            if shown:
                                cuda.atomic.add(tally, SHOW_BED, int64(1))
                        else:
                            cuda.atomic.add(tally, PART_STEPS, z - under)
                            cuda.atomic.add(tally, UNREACHED, int64(1))
                            if shown:
                                cuda.atomic.add(tally, SHOW_PART, int64(1))
                            if landed_shown:
                                cuda.atomic.add(tally, SHOW_LANDING, int64(1))
                        if word & uint32(FLAT) != 0 and low_flat == 0:
                            low_flat = z + 1
                winding += 1
            else:
                if winding == 0:
                    bad = True
                    bottom = under
                else:
                    winding -= 1
                if winding == 0:
                    cuda.atomic.add(tally, SOLID_STEPS, z - bottom)
                    landed, under = True, z
                    landed_shown = word & uint32(SHOWN) != 0
        cuda.atomic.add(tally, CROSSED, int64(1))
        if bad or winding != 0:
            cuda.atomic.add(tally, UNEVEN, int64(1))
    flat[d, cell] = low_flat
    cuda.syncthreads()
    for q in range(s, TALLIED, grid):
        if tally[q] != 0:
            cuda.atomic.add(sums, (first + d, q), tally[q])
    if s < 4:
        edges[first + d, s // 2, s % 2, r] = span[s]


@cuda.jit(cache=True)
def ridges(ends, beside, normals, show, placed, limits, grid, hits, counts, sums, first):
    """Add to ``sums`` what sharp lower edges need; ends (6, e) float32, beside (2, e) int32; one thread an
    edge.

    limits (3,) float32: sine of the limit, touch mm, rim mm.
    """
    e = cuda.blockIdx.x * cuda.blockDim.x + cuda.threadIdx.x
    d = cuda.blockIdx.y
    if e >= ends.shape[1]:
        return
    sine, touch, rim = limits[0], limits[1], limits[2]
    at = placed[first + d]
    f, g = beside[0, e], beside[1, e]
    r0, r1, r2 = at[6], at[7], at[8]
    fz = r0 * normals[0, f] + r1 * normals[1, f] + r2 * normals[2, f]
    gz = r0 * normals[0, g] + r1 * normals[1, g] + r2 * normals[2, g]
    if -fz > sine or -gz > sine or min(fz, gz) >= float32(0.0):
        return
    az = r0 * ends[0, e] + r1 * ends[1, e] + r2 * ends[2, e] - at[LOW_Z]
    dz = r0 * ends[3, e] + r1 * ends[4, e] + r2 * ends[5, e] - at[LOW_Z] - az
    r0, r1, r2 = at[0], at[1], at[2]
    fx = r0 * normals[0, f] + r1 * normals[1, f] + r2 * normals[2, f]
    gx = r0 * normals[0, g] + r1 * normals[1, g] + r2 * normals[2, g]
    half = float32(0.5)
    au = (r0 * ends[0, e] + r1 * ends[1, e] + r2 * ends[2, e] - at[LOW_X]) * at[PER_X] - half
    bu = (r0 * ends[3, e] + r1 * ends[4, e] + r2 * ends[5, e] - at[LOW_X]) * at[PER_X] - half
    r0, r1, r2 = at[3], at[4], at[5]
    fy = r0 * normals[0, f] + r1 * normals[1, f] + r2 * normals[2, f]
    gy = r0 * normals[0, g] + r1 * normals[1, g] + r2 * normals[2, g]
    av = (r0 * ends[0, e] + r1 * ends[1, e] + r2 * ends[2, e] - at[LOW_Y]) * at[PER_Y] - half
    bv = (r0 * ends[3, e] + r1 * ends[4, e] + r2 * ends[5, e] - at[LOW_Y]) * at[PER_Y] - half
    du, dv = bu - au, bv - av
    dx, dy = du * at[CELL_X], dv * at[CELL_Y]
    length = math.sqrt(dx * dx + dy * dy)
    if not length * math.sqrt(float32(1.0) - sine * sine) > abs(dz) * sine:
        return
    mx, my = -dy / length, dx / length
    fm, gm = mx * fx + my * fy, mx * gx + my * gy
    if fm * gm >= 0.0 or fz * abs(gm) + gz * abs(fm) >= 0.0:
        return
    samples = int(max(abs(du), abs(dv))) + 1
    area = length * float32(2.0) * rim / samples
    shown = show[f] != 0 or show[g] != 0
    per_step = float32(1.0) / at[STEP]
    part = int64(area * float64(FIXED) + 0.5)
    for i in range(samples):
        t = (float32(i) + half) / samples
        s = min(max(int(au + t * du + half), 0), grid - 1)
        r = min(max(int(av + t * dv + half), 0), grid - 1)
        z = az + t * dz
        beneath = int64(max((z - touch) * per_step, float32(-1.0)))
        winding, landed, landed_shown, under = 0, False, False, int64(0)
        cell = r * grid + s
        for k in range(counts[d, cell]):
            word = hits[d, k, cell]
            high = int64(word >> uint32(4))
            if high >= beneath:
                break
            if word & uint32(LEAVES) == 0:
                winding += 1
            else:
                winding -= 1
                if winding <= 0:
                    winding, landed, under = 0, True, high
                    landed_shown = word & uint32(SHOWN) != 0
        rise = z - under * at[STEP]
        if winding > 0 or rise <= touch:
            continue
        cuda.atomic.add(sums, (first + d, RIDGE_CONTACT), part)
        air = int64(float64(area) * rise * float64(FIXED) + 0.5)
        if not landed:
            cuda.atomic.add(sums, (first + d, RIDGE_BED), air)
            if shown:
                cuda.atomic.add(sums, (first + d, RIDGE_SHOW_BED), part)
        else:
            cuda.atomic.add(sums, (first + d, RIDGE_PART), air)
            cuda.atomic.add(sums, (first + d, RIDGE_UNREACHED), part)
            if shown:
                cuda.atomic.add(sums, (first + d, RIDGE_SHOW_PART), part)
            if landed_shown:
                cuda.atomic.add(sums, (first + d, RIDGE_SHOW_LANDING), part)


@cuda.jit(device=True)
def _solid_at(hits, counts, d, cell, z):
    """Whether the part is solid at ``z`` steps of a column."""
    winding = 0
    for k in range(counts[d, cell]):
        word = hits[d, k, cell]
        if int64(word >> uint32(4)) >= z:
            break
        winding += 1 if word & uint32(LEAVES) == 0 else -1
    return winding > 0


@cuda.jit(cache=True)
def bridges(placed, touch, grid, flat, hits, counts, shortest, first):
    """Of each cell of a flat underside the shortest run with the part at both ends, along four ways, into
    ``shortest`` (b, cells). One thread a cell that may begin a run."""
    s, r, d = cuda.threadIdx.x, cuda.blockIdx.x, cuda.blockIdx.y
    if flat[d, r * grid + s] == 0:
        return
    here = flat[d, r * grid + s]
    depth = int64(touch / placed[first + d, STEP])
    for way in range(4):
        dr = 0 if way == 0 else 1
        ds = 0 if way == 1 else (-1 if way == 3 else 1)
        r0, s0 = r - dr, s - ds
        if r0 < 0 or s0 < 0 or s0 >= grid:
            continue
        wide, deep = ds * placed[first + d, CELL_X], dr * placed[first + d, CELL_Y]
        step = math.sqrt(wide * wide + deep * deep)
        same = int64(float32(0.2) * step / placed[first + d, STEP])
        before = flat[d, r0 * grid + s0]
        if before > 0 and abs(before - here) <= same:
            continue
        r1, s1, cells, last = r + dr, s + ds, 1, here
        while r1 < grid and s1 >= 0 and s1 < grid:
            there = flat[d, r1 * grid + s1]
            if there == 0 or abs(there - last) > same:
                break
            last = there
            r1 += dr
            s1 += ds
            cells += 1
        if r1 >= grid or s1 < 0 or s1 >= grid:
            continue
        if not _solid_at(hits, counts, d, r0 * grid + s0, here - 1 - depth):
            continue
        if not _solid_at(hits, counts, d, r1 * grid + s1, last - 1 - depth):
            continue
        length = int32(cells * step * float32(LONG))
        for q in range(cells):
            cuda.atomic.min(shortest, (d, (r + q * dr) * grid + s + q * ds), length)


@cuda.jit(cache=True)
def finish(shortest, counts, longest, first):
    """The longest of the shortest runs of each direction into ``longest`` (D,); all clear again."""
    d = cuda.blockIdx.y
    cell = cuda.blockIdx.x * cuda.blockDim.x + cuda.threadIdx.x
    if cell < shortest.shape[1]:
        length = shortest[d, cell]
        if length < NEVER:
            if first + d < longest.shape[0]:
                cuda.atomic.max(longest, first + d, length)
            shortest[d, cell] = NEVER
        counts[d, cell] = 0


@cuda.jit(device=True)
def _end_of(edges, d, feet, grid, j, right):
    """Column where what is on the bed ends at height j between two rows, left or right; -1: nothing there."""
    found = -1
    for r in range(max(j - 1, 0), min(j + 1, grid)):
        for kind in range(feet + 1):
            if edges[d, kind, 1, r] >= edges[d, kind, 0, r]:
                end = edges[d, kind, 1, r] + 1 if right else edges[d, kind, 0, r]
                if found < 0:
                    found = end
                found = max(found, end) if right else min(found, end)
    return found


@cuda.jit(device=True)
def _at(edges, d, feet, grid, code, cell_x, cell_y):
    """Place of the end coded as twice its height, plus one on the right."""
    j = code // 2
    return _end_of(edges, d, feet, grid, j, code % 2) * cell_x, j * cell_y


@cuda.jit(cache=True)
def leans(edges, placed, centers, grid, rim, out):
    """Lean until the centre of mass leaves the hull of what is on the bed, into ``out`` (D, 2) float64,
    degrees.

    edges (D, 2, 2, grid) as ``walk`` leaves them; centers (D, 3) float64, turned. First over the part's own
    base, then with the feet of supports. One thread each; the hull as in the reference, of the rows' ends at
    each height between two rows.
    """
    k = cuda.grid(1)
    d, feet = k // 2, k % 2
    if d >= out.shape[0]:
        return
    stack = cuda.local.array(STACK, int32)
    low, high = -1, -1
    for j in range(grid + 1):
        if _end_of(edges, d, feet, grid, j, 1) >= 0:
            low = j if low < 0 else low
            high = j
    if low < 0:
        out[d, feet] = NOWHERE_DEG
        return
    cell_x, cell_y = float64(placed[d, CELL_X]), float64(placed[d, CELL_Y])
    x = centers[d, 0] - placed[d, LOW_X]
    y = centers[d, 1] - placed[d, LOW_Y]
    rise = centers[d, 2] - placed[d, LOW_Z]
    margin = float64(math.inf)
    for turn in range(2):
        # up along the right side from the lowest left end, down along the left side from the highest
        n = 0
        for step in range(-1, high - low + 1):
            j = low + max(step, 0) if turn == 0 else high - max(step, 0)
            side = turn == 0
            if step < 0:
                side = not side
            code = 2 * j + (1 if side else 0)
            if _end_of(edges, d, feet, grid, j, 1 if side else 0) < 0:
                continue
            px, py = _end_of(edges, d, feet, grid, j, 1 if side else 0) * cell_x, j * cell_y
            while n >= 2:
                ax, ay = _at(edges, d, feet, grid, stack[n - 2], cell_x, cell_y)
                bx, by = _at(edges, d, feet, grid, stack[n - 1], cell_x, cell_y)
                if (bx - ax) * (py - ay) - (by - ay) * (px - ax) > 0:
                    break
                n -= 1
            stack[n] = code
            n += 1
        for i in range(n - 1):
            ax, ay = _at(edges, d, feet, grid, stack[i], cell_x, cell_y)
            bx, by = _at(edges, d, feet, grid, stack[i + 1], cell_x, cell_y)
            ex, ey = bx - ax, by - ay
            length = math.sqrt(ex * ex + ey * ey)
            if length > 0.0:
                margin = min(margin, (ex * (y - ay) - ey * (x - ax)) / length)
    out[d, feet] = math.degrees(math.atan2(margin - rim, max(rise, 1e-9)))


@cuda.jit(cache=True)
def surfaces(areas, normals, ups, solid_mm, band_mm, out):
    """``facet_sums`` of up directions (d, 3) float32 into ``out`` (d, 4) float64; one block a direction.

    Each thread sums its own facets, and the threads in pairs: always in the same order.
    """
    d, t = cuda.blockIdx.x, cuda.threadIdx.x
    parts = cuda.shared.array((4, THREADS), float64)
    x, y, z = ups[d, 0], ups[d, 1], ups[d, 2]
    none, one = float32(0.0), float32(1.0)
    wall, level, skin, beside = float64(0.0), float64(0.0), float64(0.0), float64(0.0)
    for f in range(t, areas.shape[0], THREADS):
        area = areas[f]
        c = abs(x * normals[0, f] + y * normals[1, f] + z * normals[2, f])
        s = math.sqrt(max(one - c * c, none))
        thick = max(solid_mm * c - band_mm * s, none)
        wall += area * s
        level += area * c
        skin += area * thick
        if thick > none:
            beside += area * s
    parts[0, t], parts[1, t], parts[2, t], parts[3, t] = wall, level, skin, beside
    cuda.syncthreads()
    step = THREADS // 2
    while step > 0:
        if t < step:
            for q in range(4):
                parts[q, t] += parts[q, t + step]
        cuda.syncthreads()
        step //= 2
    if t < 4:
        out[d, t] = parts[t, 0]

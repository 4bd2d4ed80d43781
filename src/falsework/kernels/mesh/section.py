"""Plane sections of a triangle mesh: oriented segments per plane, chained to rings through mesh edges.

One rule settles every degenerate case: a vertex counts as *above* when z >= plane. Each triangle that
spans a plane then crosses it in exactly one segment, from its edge that runs down to its edge that runs
up, with the solid on the left. The section is that of a plane lowered by an infinitesimal amount, so
facets lying in the plane take no part: what is cut is the solid just below them.

Segments meet where their triangles share an edge, never where coordinates agree. Both triangles of an
edge compute its crossing point by the same arithmetic, so rings close exactly.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import bare, inner, kernel

# For the three bits "vertex 0, 1, 2 is above": which edge runs down, which runs up (edge e: e -> e + 1).
_DOWN = np.array([0, 0, 1, 1, 2, 0, 2, 0], dtype=np.int64)
_UP = np.array([0, 2, 0, 2, 1, 1, 0, 0], dtype=np.int64)
_NEXT = np.array([1, 2, 0], dtype=np.int64)
_LOW = np.int64(0xFFFFFFFF)
_MIX = np.uint64(0x9E3779B97F4A7C15)


@kernel
def vertex_levels(vertices, planes):
    """(n,) int32: number of planes at or below each vertex.

    ``vertices`` (n, 3) float64, ``planes`` (L,) float64 ascending. A vertex is above plane p exactly when
    its level exceeds p. O(n) for evenly spaced planes (guess, then step), O(n log L) otherwise.
    """
    n, count = vertices.shape[0], planes.shape[0]
    levels = np.empty(n, dtype=np.int32)
    span = planes[count - 1] - planes[0] if count else 0.0
    per_mm = (count - 1) / span if span > 0.0 else 0.0
    for i in range(n):
        z = vertices[i, 2]
        guess = (z - planes[0]) * per_mm if count else 0.0
        # An uneven spacing or a value outside the range makes the guess a poor start, never a wrong end.
        k = int(min(max(guess, 0.0), float(count)))
        steps = 0
        while steps < 4 and k < count and planes[k] <= z:
            k += 1
            steps += 1
        while steps < 4 and k > 0 and planes[k - 1] > z:
            k -= 1
            steps += 1
        if steps == 4:
            low, high = 0, count
            while low < high:
                middle = (low + high) >> 1
                if planes[middle] <= z:
                    low = middle + 1
                else:
                    high = middle
            k = low
        levels[i] = k
    return levels


@bare
def _crossing(vertices, key, plane):
    """Where edge ``key`` (lower vertex << 32 | upper vertex) crosses the plane; exact at its upper end."""
    below, above = key >> 32, key & _LOW
    z_above = vertices[above, 2]
    s = (z_above - plane) / (z_above - vertices[below, 2])
    x_above, y_above = vertices[above, 0], vertices[above, 1]
    return x_above + (vertices[below, 0] - x_above) * s, y_above + (vertices[below, 1] - y_above) * s


# Loops instead of slice assignments throughout: the same speed, and a quarter of the time to compile.
@inner
def _clear(table, size):
    for k in range(size):
        table[k] = -1


@inner
def _hash(key, shift):
    return np.int64((np.uint64(key) * _MIX) >> np.uint64(shift))


@inner
def _pair_ends(keys, base, n, table, partner):
    """Join segment ends that lie on the same mesh edge; returns the number of ends left alone.

    Segment s of n lies at ``keys[4 * (base + s)]``: the edge it enters by, the edge it leaves by. End 2 s is
    where segment s begins, 2 s + 1 where it stops. A stop is joined with a start first, as in a
    consistently wound mesh; what is left over on one edge (a face wound the wrong way) is joined next.
    """
    bits = 4
    while 1 << bits < 2 * n:
        bits += 1
    shift, mask = 64 - bits, (1 << bits) - 1
    _clear(table, mask + 1)
    for s in range(n):
        slot = _hash(keys[4 * (base + s)], shift)
        while table[slot] >= 0:
            slot = (slot + 1) & mask
        table[slot] = s
        partner[2 * s] = -1
    alone = 0
    for s in range(n):
        key = keys[4 * (base + s) + 1]
        slot = _hash(key, shift)
        partner[2 * s + 1] = -1
        while table[slot] >= 0:
            other = table[slot]
            if keys[4 * (base + other)] == key and partner[2 * other] < 0:
                partner[2 * s + 1] = 2 * other
                partner[2 * other] = 2 * s + 1
                break
            slot = (slot + 1) & mask
        if partner[2 * s + 1] < 0:
            alone += 1
    alone *= 2  # as many starts as stops are left
    if alone == 0:
        return 0
    _clear(table, mask + 1)
    for e in range(2 * n):
        if partner[e] >= 0:
            continue
        key = keys[4 * (base + (e >> 1)) + (e & 1)]
        slot = _hash(key, shift)
        while table[slot] >= 0:
            other = table[slot]
            if keys[4 * (base + (other >> 1)) + (other & 1)] == key and partner[other] < 0:
                partner[e] = other
                partner[other] = e
                alone -= 2
                break
            slot = (slot + 1) & mask
        if partner[e] < 0:
            table[slot] = e
    return alone


@inner
def _grown(array, size):
    bigger = np.empty(max(size, 2 * array.shape[0]), dtype=array.dtype)
    for k in range(array.shape[0]):
        bigger[k] = array[k]
    return bigger


@kernel
def count_segments(faces, levels, planes):
    """(L + 1,) int64: plane p has segments ``seg_start[p]`` .. ``seg_start[p + 1] - 1``. O(m + S)."""
    count = planes.shape[0]
    seg_start = np.zeros(count + 1, dtype=np.int64)
    for t in range(faces.shape[0]):
        a, b, c = levels[faces[t, 0]], levels[faces[t, 1]], levels[faces[t, 2]]
        for p in range(min(a, b, c), max(a, b, c)):
            seg_start[p + 1] += 1
    for p in range(count):
        seg_start[p + 1] += seg_start[p]
    return seg_start


@inner
def turn_round(points, begin, end):
    """Points ``begin`` .. ``end - 1`` (x, y one after the other) in the other order."""
    for k in range((end - begin) // 2):
        a, b = 2 * (begin + k), 2 * (end - 1 - k)
        x, y = points[a], points[a + 1]
        points[a], points[a + 1] = points[b], points[b + 1]
        points[b], points[b + 1] = x, y


@inner
def _written(vertices, faces, levels, planes, seg_start, keys, start):
    """Writes the segments of all planes, four numbers side by side: the edges they enter and leave by, and
    where they start. Planes are written in turns: one stream of memory a plane is all that the cache
    holds."""
    count = planes.shape[0]
    cursor = np.empty(count, dtype=np.int64)
    for p in range(count):
        cursor[p] = seg_start[p]
    for t in range(faces.shape[0]):
        a, b, c = levels[faces[t, 0]], levels[faces[t, 1]], levels[faces[t, 2]]
        for p in range(min(a, b, c), max(a, b, c)):
            above = int(a > p) | int(b > p) << 1 | int(c > p) << 2
            down, up = _DOWN[above], _UP[above]
            k = cursor[p]
            cursor[p] = k + 1
            key = np.int64(faces[t, _NEXT[down]]) << 32 | np.int64(faces[t, down])
            keys[4 * k] = key
            keys[4 * k + 1] = np.int64(faces[t, up]) << 32 | np.int64(faces[t, _NEXT[up]])
            start[4 * k + 2], start[4 * k + 3] = _crossing(vertices, key, planes[p])


@bare
def _end_of(vertices, keys, start, plane, base, end):
    """Where an end of a segment lies: its start is written, its stop is not."""
    at = 4 * (base + (end >> 1))
    if end & 1 == 0:
        return start[at + 2], start[at + 3]
    return _crossing(vertices, keys[at + 1], plane)


@bare
def _walked(vertices, keys, start, plane, base, partner, entry, seen, points, used):
    """Writes the chain that begins at an end, neighbours different; returns where it stops, and by how many
    its segments run along it rather than against."""
    votes, end = 0, entry
    x_last = y_last = np.nan
    while end >= 0:
        seen[end >> 1] = True
        x, y = _end_of(vertices, keys, start, plane, base, end)
        votes += 1 - 2 * (end & 1)
        if x != x_last or y != y_last:
            points[2 * used], points[2 * used + 1] = x, y
            x_last, y_last = x, y
            used += 1
        leave = end ^ 1
        end = partner[leave]
        if end == entry:
            break
        if end < 0:
            x, y = _end_of(vertices, keys, start, plane, base, leave)
            if x != x_last or y != y_last:
                points[2 * used], points[2 * used + 1] = x, y
                used += 1
    return used, votes


@inner
def _closed_once(points, begin, used):
    """Where a ring stops when its first point is not repeated."""
    while (
        used - begin > 1
        and points[2 * begin] == points[2 * used - 2]
        and points[2 * begin + 1] == points[2 * used - 1]
    ):
        used -= 1
    return used


@inner
def _ring_area(points, begin, used):
    x_last, y_last = points[2 * used - 2], points[2 * used - 1]
    x_first, y_first = points[2 * begin], points[2 * begin + 1]
    twice = 0.0
    for k in range(begin, used):
        x, y = points[2 * k], points[2 * k + 1]
        twice += (x_last - x_first) * (y - y_first) - (x - x_first) * (y_last - y_first)
        x_last, y_last = x, y
    return 0.5 * twice


@kernel
def section_chains(vertices, faces, levels, planes, seg_start, keys):
    """Rings and open chains in which the planes cut the mesh.

    Parameters
    ----------
    vertices (n, 3) float64; faces (m, 3) int32, counter-clockwise from outside; planes (L,) float64
    ascending; levels from ``vertex_levels``, seg_start from ``count_segments``.
    keys : (4 S,) int64, room for S segments. It is the caller's because numpy asks the system for large
        pages and numba does not: a tenth of the time.

    Returns
    -------
    points (2 P,) float64 : x, y of chain vertices, neighbours differ, a ring's first is not repeated.
    chain_start (C + 1,) int64 : chain c is points ``chain_start[c]`` .. ``chain_start[c + 1] - 1``.
    chain_open (C,) int64 : 1 where the mesh has a hole in that plane and the chain does not close.
    layer_start (L + 1,) int64 : chains of each plane.
    area (L,) float64 : signed area of the closed rings of each plane.

    Each chain runs the way most of its triangles say. Time O(m + S); memory 48 bytes a segment.
    """
    count = planes.shape[0]
    total = seg_start[count]
    largest = np.int64(0)
    for p in range(count):
        largest = max(largest, seg_start[p + 1] - seg_start[p])
    start = keys.view(np.float64)
    _written(vertices, faces, levels, planes, seg_start, keys, start)

    table = np.empty(4 * largest + 16, dtype=np.int32)
    partner = np.empty(2 * largest, dtype=np.int32)
    seen = np.empty(largest, dtype=np.bool_)

    points = np.empty(2 * (total + 2 * largest), dtype=np.float64)
    chain_start = np.zeros(1024, dtype=np.int64)
    chain_open = np.zeros(1024, dtype=np.int64)
    layer_start = np.zeros(count + 1, dtype=np.int64)
    area = np.zeros(count, dtype=np.float64)
    used = chains = np.int64(0)
    for p in range(count):
        base = seg_start[p]
        n = seg_start[p + 1] - base
        # A closed ring has as many points as segments, an open chain one more: at most 2 n.
        if points.shape[0] < 2 * (used + 2 * n):
            points = _grown(points, 2 * (used + 2 * n))
        alone = _pair_ends(keys, base, n, table, partner)
        for k in range(n):
            seen[k] = False
        # Open chains are walked from their ends (first round), rings from any of their segments (second).
        for opened in range(1 if alone else 0, -1, -1):
            for seed in range(2 * n if opened else n):
                entry = seed if opened else 2 * seed
                if seen[entry >> 1] or (opened and partner[entry] >= 0):
                    continue
                begin = used
                used, votes = _walked(
                    vertices, keys, start, planes[p], base, partner, entry, seen, points, used
                )
                if not opened:
                    used = _closed_once(points, begin, used)
                if used - begin < (2 if opened else 3):
                    used = begin
                    continue
                if votes < 0:
                    turn_round(points, begin, used)
                if not opened:
                    area[p] += _ring_area(points, begin, used)
                if chains + 2 > chain_start.shape[0]:
                    chain_start = _grown(chain_start, chains + 2)
                    chain_open = _grown(chain_open, chains + 2)
                chain_open[chains] = opened
                chains += 1
                chain_start[chains] = used
        layer_start[p + 1] = chains
    return points[: 2 * used], chain_start[: chains + 1], chain_open[:chains], layer_start, area

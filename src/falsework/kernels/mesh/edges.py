"""How the faces of a triangle mesh hang together: welding, edges, shells, winding, holes.

Everywhere: ``vertices`` (n, 3) float64, ``faces`` (m, 3) int32, both C-contiguous. Half-edge
``3 f + k`` runs from ``faces[f, k]`` to ``faces[f, (k + 1) % 3]``; indices of half-edges are int32.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.graph import join, numbered
from falsework.kernels.sorting import order_of


@kernel
def group_rows(keys):
    """Equal rows of ``keys`` (n, 3) int64, by open addressing. O(n) expected.

    Returns (group (n,) int32, first (k,) int32): groups are numbered in the order in which
    their first row appears, and ``first`` is that row.
    """
    n = keys.shape[0]
    size = 16
    while size < 2 * n:
        size *= 2
    mask = np.uint64(size - 1)
    table = np.full(size, -1, np.int32)
    group = np.empty(n, np.int32)
    first = np.empty(n, np.int32)
    count = 0
    for i in range(n):
        h = np.uint64(keys[i, 0]) * np.uint64(0x9E3779B97F4A7C15)
        h = (h ^ (h >> np.uint64(29))) + np.uint64(keys[i, 1]) * np.uint64(0xBF58476D1CE4E5B9)
        h = (h ^ (h >> np.uint64(32))) + np.uint64(keys[i, 2]) * np.uint64(0x94D049BB133111EB)
        h = (h ^ (h >> np.uint64(31))) * np.uint64(0x9E3779B97F4A7C15)
        slot = (h >> np.uint64(20)) & mask
        while True:
            g = table[slot]
            if g < 0:
                table[slot] = count
                group[i] = count
                first[count] = i
                count += 1
                break
            j = first[g]
            if keys[j, 0] == keys[i, 0] and keys[j, 1] == keys[i, 1] and keys[j, 2] == keys[i, 2]:
                group[i] = g
                break
            slot = (slot + np.uint64(1)) & mask
    return group, first[:count].copy()


@kernel
def sort_edges(faces, n):
    """(3m,) half-edges sorted by their undirected edge (lower, higher vertex), stable. O(n + m)."""
    half = 3 * faces.shape[0]
    flat = faces.ravel()
    order = np.arange(half).astype(np.int32)
    for turn in range(2):  # radix: by the higher vertex, then by the lower
        start = np.zeros(n + 1, np.int64)
        for h in range(half):
            a, b = flat[h], flat[h + 1 if h % 3 < 2 else h - 2]
            start[(max(a, b) if turn == 0 else min(a, b)) + 1] += 1
        for v in range(n):
            start[v + 1] += start[v]
        out = np.empty(half, np.int32)
        for i in range(half):
            h = order[i]
            a, b = flat[h], flat[h + 1 if h % 3 < 2 else h - 2]
            v = max(a, b) if turn == 0 else min(a, b)
            out[start[v]] = h
            start[v] += 1
        order = out
    return order


@inner
def run_of_edge(flat, order, i):
    """(low, high, j): vertices of the edge of half-edge ``order[i]``, and where those of other edges begin.

    ``flat`` (3 m,) corners of all faces, ``order`` half-edges sorted by edge. O(j - i).
    """
    h = order[i]
    a, b = flat[h], flat[h + 1 if h % 3 < 2 else h - 2]
    low, high = min(a, b), max(a, b)
    j = i + 1
    while j < len(order):
        g = order[j]
        c, d = flat[g], flat[g + 1 if g % 3 < 2 else g - 2]
        if min(c, d) != low or max(c, d) != high:
            break
        j += 1
    return low, high, j


@kernel
def pair_edges(faces, order):
    """Partner of each half-edge. O(m).

    Returns (partner (3m,) int32, counts (3,) int64). ``partner`` is the half-edge of the one other
    face on the edge, -1 where there is none (open), -2 where more than two faces meet.
    ``counts``: open edges, edges of more than two faces, pairs that run in the same direction.
    """
    half = 3 * faces.shape[0]
    flat = faces.ravel()
    partner = np.empty(half, np.int32)
    counts = np.zeros(3, np.int64)
    i = 0
    while i < half:
        h = order[i]
        j = run_of_edge(flat, order, i)[2]
        if j - i == 1:
            partner[h] = -1
            counts[0] += 1
        elif j - i == 2:
            g = order[i + 1]
            partner[h] = g
            partner[g] = h
            if flat[g] == flat[h]:
                counts[2] += 1
        else:
            counts[1] += 1
            for k in range(i, j):
                partner[order[k]] = -2
        i = j
    return partner, counts


@inner
def _between(vertices, a, b):
    """The way from vertex a to vertex b."""
    return vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]


@kernel
def pair_fans(vertices, faces, order, partner):
    """Pair the half-edges where an even number of faces, more than two, meet in one edge. In place.

    Seen along the edge, the faces are sorted by angle; two that enclose solid between them belong
    together, so bodies that only touch in an edge come apart. Needs outward winding. Edges whose
    directions do not alternate keep -2. Returns the number of edges left. O(m).
    """
    half = 3 * faces.shape[0]
    flat = faces.ravel()
    left = 0
    i = 0
    while i < half:
        h = order[i]
        if partner[h] != -2:
            i += 1
            continue
        low, high, j = run_of_edge(flat, order, i)
        k = j - i
        ex, ey, ez = _between(vertices, low, high)
        length = np.sqrt(ex * ex + ey * ey + ez * ez)
        angle = np.zeros(k)
        ahead = np.zeros(k, np.bool_)
        if k % 2 == 0 and length > 0.0:
            ex, ey, ez = ex / length, ey / length, ez / length
            u = np.zeros(
                3
            )  # across the edge: the axis that it follows least, less what of it follows the edge
            least = 0 if abs(ex) <= abs(ey) and abs(ex) <= abs(ez) else 1 if abs(ey) <= abs(ez) else 2
            u[least] = 1.0
            along = u[0] * ex + u[1] * ey + u[2] * ez
            u[0], u[1], u[2] = u[0] - ex * along, u[1] - ey * along, u[2] - ez * along
            across = np.sqrt(u[0] * u[0] + u[1] * u[1] + u[2] * u[2])
            u[0], u[1], u[2] = u[0] / across, u[1] / across, u[2] / across
            vx, vy, vz = ey * u[2] - ez * u[1], ez * u[0] - ex * u[2], ex * u[1] - ey * u[0]
            for s in range(k):
                g = order[i + s]
                ahead[s] = flat[g] == low
                wx, wy, wz = _between(vertices, low, flat[g + 2 if g % 3 == 0 else g - 1])
                angle[s] = np.arctan2(wx * vx + wy * vy + wz * vz, wx * u[0] + wy * u[1] + wz * u[2])
            rank = order_of(angle, k)
            good = True
            for s in range(k):
                this, following = rank[s], rank[(s + 1) % k]
                good &= ahead[this] != ahead[following]
                good &= angle[this] != angle[following]
            if good:
                for s in range(k):
                    this, following = rank[s], rank[(s + 1) % k]
                    if not ahead[this]:  # solid lies on the side of growing angle
                        partner[order[i + this]] = order[i + following]
                        partner[order[i + following]] = order[i + this]
            else:
                left += 1
        else:
            left += 1
        i = j
    return left


@kernel
def part_corners(faces, partner):
    """(3m,) int32 one number per vertex as seen through paired edges only. O(m).

    Corners of two faces get the same number when a chain of paired edges joins them round their
    vertex: fans that merely touch come apart, and open edges stay open.
    """
    half = 3 * faces.shape[0]
    flat = faces.ravel()
    parent = np.arange(half).astype(np.int32)
    for h in range(half):
        p = partner[h]
        if p > h:
            h_end = h + 1 if h % 3 < 2 else h - 2
            p_end = p + 1 if p % 3 < 2 else p - 2
            if flat[h] != flat[p]:
                p, p_end = p_end, p
            for x, y in ((h, p), (h_end, p_end)):
                join(parent, x, y)
    return numbered(parent)


@kernel
def wind_shells(faces, partner):
    """Walk each shell over its paired edges and say which faces must turn to agree. O(m).

    Returns (turn (m,) uint8, shell (m,) int32, shells, twisted): ``turn`` is relative to the lowest
    face of the shell, ``twisted`` counts edges that cannot be made to agree (a one-sided surface).
    """
    m = faces.shape[0]
    flat = faces.ravel()
    turn = np.zeros(m, np.uint8)
    shell = np.full(m, -1, np.int32)
    stack = np.empty(m, np.int32)
    shells = 0
    twisted = 0
    for seed in range(m):
        if shell[seed] >= 0:
            continue
        shell[seed] = shells
        stack[0] = seed
        top = 1
        while top > 0:
            top -= 1
            f = stack[top]
            for h in range(3 * f, 3 * f + 3):
                p = partner[h]
                if p < 0:
                    continue
                g = p // 3
                same = flat[h] == flat[p]
                want = turn[f] ^ np.uint8(1) if same else turn[f]
                if shell[g] < 0:
                    shell[g] = shells
                    turn[g] = want
                    stack[top] = g
                    top += 1
                elif turn[g] != want:
                    twisted += 1
        shells += 1
    return turn, shell, shells, twisted // 2


@kernel
def boundary_loops(faces, partner):
    """Open edges chained into loops, each walked along its faces' own direction. O(m).

    Returns (half (k,) int32, start (loops + 1,) int64): loop i is made of the half-edges
    ``half[start[i]:start[i + 1]]``. Chains that run into a twisted or crowded edge do not close and
    are left out. Needs consistent winding.
    """
    total = partner.shape[0]
    flat = faces.ravel()
    open_count = 0
    for h in range(total):
        if partner[h] == -1:
            open_count += 1
    half = np.empty(open_count, np.int32)
    start = np.zeros(open_count + 1, np.int64)
    used = np.zeros(total if open_count else 0, np.bool_)
    loops = 0
    fill = 0
    for seed in range(total if open_count else 0):
        if partner[seed] != -1 or used[seed]:
            continue
        begin = fill
        h = seed
        closed = False
        while True:
            used[h] = True
            half[fill] = h
            fill += 1
            g = h + 1 if h % 3 < 2 else h - 2
            steps = 0
            while partner[g] >= 0 and steps <= total:
                p = partner[g]
                if flat[p] == flat[g]:  # wound against each other: no way round
                    break
                g = p + 1 if p % 3 < 2 else p - 2
                steps += 1
            if partner[g] != -1:
                break
            if g == seed:
                closed = True
                break
            if used[g]:
                break
            h = g
        if closed:
            loops += 1
            start[loops] = fill
        else:
            fill = begin
    return half[:fill].copy(), start[: loops + 1].copy()


@kernel
def least_area_patch(points):
    """Triangles of least total area that span the closed loop ``points`` (n, 3). O(n³), O(n²) memory.

    Returns (n - 2, 3) int32 indices into ``points``, wound like the loop.
    Source: Barequet, Sharir, Filling gaps in the boundary of a polyhedron, CAGD 12 (1995).
    """
    n = points.shape[0]
    cost = np.zeros((n, n))
    via = np.zeros((n, n), np.int32)
    for gap in range(2, n):
        for i in range(n - gap):
            k = i + gap
            best = np.inf
            ex, ey, ez = (
                points[k, 0] - points[i, 0],
                points[k, 1] - points[i, 1],
                points[k, 2] - points[i, 2],
            )
            for j in range(i + 1, k):
                dx, dy, dz = (
                    points[j, 0] - points[i, 0],
                    points[j, 1] - points[i, 1],
                    points[j, 2] - points[i, 2],
                )
                x, y, z = dy * ez - dz * ey, dz * ex - dx * ez, dx * ey - dy * ex
                c = cost[i, j] + cost[j, k] + 0.5 * np.sqrt(x * x + y * y + z * z)
                if c < best:
                    best = c
                    via[i, k] = j
            cost[i, k] = best
    out = np.empty((max(n - 2, 0), 3), np.int32)
    stack = np.empty((n + 1, 2), np.int32)
    stack[0, 0], stack[0, 1] = 0, n - 1
    top = 1
    count = 0
    while top > 0:
        top -= 1
        i, k = stack[top, 0], stack[top, 1]
        if k - i < 2:
            continue
        j = via[i, k]
        out[count, 0], out[count, 1], out[count, 2] = i, j, k
        count += 1
        stack[top, 0], stack[top, 1] = i, j
        stack[top + 1, 0], stack[top + 1, 1] = j, k
        top += 2
    return out

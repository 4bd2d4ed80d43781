"""Triangle meshes as plain arrays: welding, edges, shells, winding, holes.

Everywhere: ``vertices`` (n, 3) float64, ``faces`` (m, 3) int32, both C-contiguous. Half-edge
``3 f + k`` runs from ``faces[f, k]`` to ``faces[f, (k + 1) % 3]``; indices of half-edges are int32.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def mesh_volume(vertices, faces):
    """Signed volume by the divergence theorem, taken about the first vertex. O(m)."""
    total = 0.0
    if faces.shape[0] == 0:
        return total
    ox, oy, oz = vertices[faces[0, 0]]
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0] - ox, vertices[a, 1] - oy, vertices[a, 2] - oz
        bx, by, bz = vertices[b, 0] - ox, vertices[b, 1] - oy, vertices[b, 2] - oz
        cx, cy, cz = vertices[c, 0] - ox, vertices[c, 1] - oy, vertices[c, 2] - oz
        total += ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    return total / 6.0


@njit(cache=True, nogil=True)
def finite_bounds(vertices):
    """(2, 3) lowest and highest corner of the finite vertices, and how many are not finite. O(n).

    Without any finite vertex the corners are inf and -inf.
    """
    out = np.empty((2, 3))
    out[0] = np.inf
    out[1] = -np.inf
    bad = 0
    for v in range(vertices.shape[0]):
        x, y, z = vertices[v, 0], vertices[v, 1], vertices[v, 2]
        if not (np.isfinite(x) and np.isfinite(y) and np.isfinite(z)):
            bad += 1
            continue
        out[0, 0], out[1, 0] = min(out[0, 0], x), max(out[1, 0], x)
        out[0, 1], out[1, 1] = min(out[0, 1], y), max(out[1, 1], y)
        out[0, 2], out[1, 2] = min(out[0, 2], z), max(out[1, 2], z)
    return out, bad


@njit(nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True)
def doubled_area(vertices, a, b, c):
    """Twice the vector area of a triangle, by the numbers of its corners."""
    ux, uy, uz = (
        vertices[b, 0] - vertices[a, 0],
        vertices[b, 1] - vertices[a, 1],
        vertices[b, 2] - vertices[a, 2],
    )
    vx, vy, vz = (
        vertices[c, 0] - vertices[a, 0],
        vertices[c, 1] - vertices[a, 1],
        vertices[c, 2] - vertices[a, 2],
    )
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@njit(cache=True, nogil=True)
def face_areas(vertices, faces):
    """(m,) area of each face. O(m)."""
    areas = np.empty(faces.shape[0])
    for f in range(faces.shape[0]):
        x, y, z = doubled_area(vertices, faces[f, 0], faces[f, 1], faces[f, 2])
        areas[f] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return areas


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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
        e = vertices[high] - vertices[low]
        length = np.sqrt(np.sum(e * e))
        angle = np.zeros(k)
        ahead = np.zeros(k, np.bool_)
        if k % 2 == 0 and length > 0.0:
            e = e / length
            u = np.zeros(3)
            u[np.argmin(np.abs(e))] = 1.0
            u = u - e * np.sum(u * e)
            u = u / np.sqrt(np.sum(u * u))
            v = np.array([e[1] * u[2] - e[2] * u[1], e[2] * u[0] - e[0] * u[2], e[0] * u[1] - e[1] * u[0]])
            for s in range(k):
                g = order[i + s]
                ahead[s] = flat[g] == low
                w = vertices[flat[g + 2 if g % 3 == 0 else g - 1]] - vertices[low]
                angle[s] = np.arctan2(np.sum(w * v), np.sum(w * u))
            rank = np.argsort(angle, kind="mergesort")
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


@njit(cache=True, nogil=True)
def root(parent, i):
    """The one that stands for all that hang together with i; the way there is shortened."""
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True, nogil=True)
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
                rx, ry = root(parent, x), root(parent, y)
                if rx < ry:
                    parent[ry] = rx
                elif ry < rx:
                    parent[rx] = ry
    number = np.empty(half, np.int32)
    count = 0
    for h in range(half):
        r = root(parent, h)
        if r == h:
            number[h] = count
            count += 1
        else:
            number[h] = number[r]
    return number


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def shell_figures(vertices, faces, shell, shells):
    """(shells, 11): signed volume, area, lowest corner, highest corner, vector area of each shell. O(m).

    The volume of an open shell depends on the point it is taken about: here the middle of its box.
    """
    out = np.zeros((shells, 11))
    out[:, 2:5] = np.inf
    out[:, 5:8] = -np.inf
    if faces.shape[0] == 0:
        return out
    ox, oy, oz = vertices[faces[0, 0]]
    for f in range(faces.shape[0]):
        s = shell[f]
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0] - ox, vertices[a, 1] - oy, vertices[a, 2] - oz
        bx, by, bz = vertices[b, 0] - ox, vertices[b, 1] - oy, vertices[b, 2] - oz
        cx, cy, cz = vertices[c, 0] - ox, vertices[c, 1] - oy, vertices[c, 2] - oz
        out[s, 0] += (ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)) / 6.0
        ux, uy, uz, wx, wy, wz = bx - ax, by - ay, bz - az, cx - ax, cy - ay, cz - az
        x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        out[s, 1] += 0.5 * np.sqrt(x * x + y * y + z * z)
        out[s, 8] += 0.5 * x
        out[s, 9] += 0.5 * y
        out[s, 10] += 0.5 * z
        for k in range(3):
            for d in range(3):
                out[s, 2 + d] = min(out[s, 2 + d], vertices[faces[f, k], d])
                out[s, 5 + d] = max(out[s, 5 + d], vertices[faces[f, k], d])
    for s in range(shells):
        mx, my, mz = (out[s, 2] + out[s, 5]) / 2, (out[s, 3] + out[s, 6]) / 2, (out[s, 4] + out[s, 7]) / 2
        out[s, 0] -= ((mx - ox) * out[s, 8] + (my - oy) * out[s, 9] + (mz - oz) * out[s, 10]) / 3.0
    return out


@njit(cache=True, nogil=True)
def inside_counts(vertices, faces, shell, points, owner, shells):
    """Which shells hold which points: parity of the faces below each point.

    ``points`` (q, 3) with ``owner`` (q,) int32, the shell each was taken from (which is skipped).
    Returns (q, shells) uint8, 1 where the point lies inside the shell. Give coordinates that are
    turned by an odd angle, so that no point lies exactly below an edge. A grid over the points
    in x and y keeps it near O(m + hits).
    """
    q = points.shape[0]
    out = np.zeros((q, shells), np.uint8)
    if q == 0:
        return out
    side = max(1, int(np.sqrt(q)))
    low_x, low_y = points[:, 0].min(), points[:, 1].min()
    step_x = max((points[:, 0].max() - low_x) / side, 1e-300)
    step_y = max((points[:, 1].max() - low_y) / side, 1e-300)
    cell = np.empty(q, np.int64)
    start = np.zeros(side * side + 1, np.int64)
    for i in range(q):
        cx = min(side - 1, int((points[i, 0] - low_x) / step_x))
        cy = min(side - 1, int((points[i, 1] - low_y) / step_y))
        cell[i] = cx * side + cy
        start[cell[i] + 1] += 1
    for c in range(side * side):
        start[c + 1] += start[c]
    slot = start[:-1].copy()
    listed = np.empty(q, np.int64)
    for i in range(q):
        listed[slot[cell[i]]] = i
        slot[cell[i]] += 1
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, bx, by, cx, cy = (
            vertices[a, 0],
            vertices[a, 1],
            vertices[b, 0],
            vertices[b, 1],
            vertices[c, 0],
            vertices[c, 1],
        )
        x0 = max(0.0, (min(ax, bx, cx) - low_x) / step_x)
        y0 = max(0.0, (min(ay, by, cy) - low_y) / step_y)
        x1 = min(side - 1.0, (max(ax, bx, cx) - low_x) / step_x)
        y1 = min(side - 1.0, (max(ay, by, cy) - low_y) / step_y)
        if x1 < 0.0 or y1 < 0.0:
            continue
        for gx in range(min(side - 1, int(min(x0, 1e9))), int(x1) + 1):
            for gy in range(min(side - 1, int(min(y0, 1e9))), int(y1) + 1):
                for k in range(start[gx * side + gy], start[gx * side + gy + 1]):
                    i = listed[k]
                    if owner[i] == shell[f]:
                        continue
                    px, py = points[i, 0], points[i, 1]
                    wa = (bx - px) * (cy - py) - (by - py) * (cx - px)
                    wb = (cx - px) * (ay - py) - (cy - py) * (ax - px)
                    wc = (ax - px) * (by - py) - (ay - py) * (bx - px)
                    if not ((wa > 0 and wb > 0 and wc > 0) or (wa < 0 and wb < 0 and wc < 0)):
                        continue
                    z = (wa * vertices[a, 2] + wb * vertices[b, 2] + wc * vertices[c, 2]) / (wa + wb + wc)
                    if z < points[i, 2]:
                        out[i, shell[f]] ^= 1
    return out


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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

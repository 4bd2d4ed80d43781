"""Rings of points layer by layer: simplifying, checking for crossings, nesting of holes.

Everywhere ``points`` is (2 P,) float64, x and y in turn; ring r is points ``ring_start[r]`` ..
``ring_start[r + 1] - 1``, its first not repeated; layer i owns rings ``layer_start[i]`` ..
``layer_start[i + 1] - 1``. Lengths in the points' own unit.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel

SIMPLE, TOUCHES, CROSSES = 0, 1, 2

# A vertex this near to a straight line adds nothing but rounding; the second attempt of tidy_rings.
_COLLINEAR = 1e-4
_RUN = 24  # longest run of edges that shares one box


@inner
def _orient(ax, ay, bx, by, cx, cy):
    """1 left, -1 right, 0 where rounding could decide."""
    left = (bx - ax) * (cy - ay)
    right = (by - ay) * (cx - ax)
    cross = left - right
    doubt = 4e-15 * (abs(left) + abs(right))
    return 1 if cross > doubt else (-1 if cross < -doubt else 0)


@inner
def _edges_meet(ax, ay, bx, by, cx, cy, dx, dy):
    """How edges a-b and c-d, whose boxes overlap, meet: 0 not at all, 1 touching, 2 crossing."""
    c_side, d_side = _orient(ax, ay, bx, by, cx, cy), _orient(ax, ay, bx, by, dx, dy)
    if c_side * d_side > 0:
        return 0
    a_side, b_side = _orient(cx, cy, dx, dy, ax, ay), _orient(cx, cy, dx, dy, bx, by)
    if a_side * b_side > 0:
        return 0
    return 2 if c_side * d_side < 0 and a_side * b_side < 0 else 1


@inner
def _runs_of_ring(points, first, last, edge, box, runs):
    """Cut a ring into runs of edges that keep one quadrant of direction; such a run cannot meet itself.

    Appends to ``edge`` (run: first edge, end edge, ring's first, ring's end) and ``box``
    (low x, high x, low y, high y); returns the new number of runs.
    """
    quadrant = -1
    begin = first
    x, y = points[2 * first], points[2 * first + 1]
    x_begin, y_begin = x, y
    for k in range(first, last + 1):
        here = -1
        if k < last:
            j = k + 1 if k + 1 < last else first
            u, v = points[2 * j], points[2 * j + 1]
            here = (1 if u >= x else 0) + (2 if v >= y else 0)
        if here != quadrant or k - begin == _RUN:
            if k > begin:
                b = 4 * runs
                edge[b], edge[b + 1], edge[b + 2], edge[b + 3] = begin, k, first, last
                # The run keeps its quadrant, so its ends are two corners of its box.
                box[b], box[b + 1] = (x_begin, x) if x >= x_begin else (x, x_begin)
                box[b + 2], box[b + 3] = (y_begin, y) if y >= y_begin else (y, y_begin)
                runs += 1
            quadrant, begin, x_begin, y_begin = here, k, x, y
        x, y = u, v
    return runs


@inner
def _runs_meet(points, edge, box, a, b):
    """Worst meeting between the edges of two runs whose boxes overlap; a shared corner does not count."""
    worst = 0
    a_first, a_end = edge[4 * a + 2], edge[4 * a + 3]
    b_first, b_end = edge[4 * b + 2], edge[4 * b + 3]
    for i in range(edge[4 * a], edge[4 * a + 1]):
        i_next = i + 1 if i + 1 < a_end else a_first
        ax, ay, bx, by = points[2 * i], points[2 * i + 1], points[2 * i_next], points[2 * i_next + 1]
        if (
            max(ax, bx) < box[4 * b]
            or min(ax, bx) > box[4 * b + 1]
            or max(ay, by) < box[4 * b + 2]
            or min(ay, by) > box[4 * b + 3]
        ):
            continue
        for j in range(edge[4 * b], edge[4 * b + 1]):
            j_next = j + 1 if j + 1 < b_end else b_first
            cx, cy, dx, dy = points[2 * j], points[2 * j + 1], points[2 * j_next], points[2 * j_next + 1]
            if max(cx, dx) < min(ax, bx) or min(cx, dx) > max(ax, bx):
                continue
            if max(cy, dy) < min(ay, by) or min(cy, dy) > max(ay, by):
                continue
            if i_next == j or j_next == i:
                # Neighbours share a corner; only turning straight back makes them overlap.
                along = (bx - ax) * (dx - cx) + (by - ay) * (dy - cy)
                if along < 0.0 and _orient(0.0, 0.0, bx - ax, by - ay, dx - cx, dy - cy) == 0:
                    worst = max(worst, 1)
                continue
            worst = max(worst, _edges_meet(ax, ay, bx, by, cx, cy, dx, dy))
            if worst == 2:
                return 2
    return worst


@inner
def _layer_status(points, ring_start, first, last, edge, box, order):
    """SIMPLE, TOUCHES or CROSSES for the rings ``first`` .. ``last - 1`` taken together.

    Sweep over runs sorted by their low x. O(n) to build, then as many box tests as runs overlap in x.
    """
    runs = np.int64(0)
    for r in range(first, last):
        runs = _runs_of_ring(points, ring_start[r], ring_start[r + 1], edge, box, runs)
    for k in range(runs):
        order[k] = k
    gap = 1
    while gap < runs // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for k in range(gap, runs):
            mine, j = order[k], k
            while j >= gap and box[4 * order[j - gap]] > box[4 * mine]:
                order[j] = order[j - gap]
                j -= gap
            order[j] = mine
        gap //= 3
    worst = 0
    for k in range(runs):
        a = order[k]
        for i in range(k + 1, runs):
            b = order[i]
            if box[4 * b] > box[4 * a + 1]:
                break
            if box[4 * b + 2] <= box[4 * a + 3] and box[4 * b + 3] >= box[4 * a + 2]:
                worst = max(worst, _runs_meet(points, edge, box, a, b))
                if worst == 2:
                    return 2
    return worst


@inner
def _is_spike(points, a, b, c):
    """Whether the path a, b, c turns straight back at b."""
    ux, uy = points[2 * b] - points[2 * a], points[2 * b + 1] - points[2 * a + 1]
    vx, vy = points[2 * c] - points[2 * b], points[2 * c + 1] - points[2 * b + 1]
    return ux * vx + uy * vy < 0.0 and _orient(0.0, 0.0, ux, uy, vx, vy) == 0


@inner
def _simplify_ring(points, first, last, tolerance, out, used):
    """Write the ring to ``out`` from ``used`` on with vertices dropped that lie within ``tolerance``.

    From each kept vertex a sector of directions is narrowed so that a straight edge within it passes all
    vertices met so far at ``tolerance`` or less; where the next vertex leaves the sector, or comes back,
    the one before it is kept. O(n). Returns the new end, or ``used`` where no area is left.
    """
    n = last - first
    start = first
    for k in range(first + 1, last):
        if points[2 * k] < points[2 * start] or (
            points[2 * k] == points[2 * start] and points[2 * k + 1] < points[2 * start + 1]
        ):
            start = k
    begin = used
    x0, y0 = points[2 * start], points[2 * start + 1]
    out[2 * used], out[2 * used + 1] = x0, y0
    used += 1
    k = 1
    while k <= n:
        # The sector's two bounding directions; right of the first or left of the second is outside.
        open_sector = True
        right_x = right_y = left_x = left_y = farthest = 0.0
        kept = k
        while k <= n:
            i = start + k
            if i >= last:
                i -= n
            x, y = points[2 * i], points[2 * i + 1]
            u, v = x - x0, y - y0
            square = u * u + v * v
            distance = np.sqrt(square)
            if distance <= tolerance and farthest <= tolerance:
                farthest = max(farthest, distance)
                kept = k
                k += 1
                continue
            if not open_sector and (right_x * v - right_y * u < 0.0 or left_x * v - left_y * u > 0.0):
                break
            if distance < farthest:
                break
            kept = k
            farthest = distance
            rx, ry = u * distance + tolerance * v, v * distance - tolerance * u
            lx, ly = u * distance - tolerance * v, v * distance + tolerance * u
            if open_sector:
                right_x, right_y, left_x, left_y = rx, ry, lx, ly
                open_sector = False
            else:
                if right_x * ry - right_y * rx > 0.0:
                    right_x, right_y = rx, ry
                if left_x * ly - left_y * lx < 0.0:
                    left_x, left_y = lx, ly
            k += 1
        k = kept + 1
        if kept < n:
            i = start + kept
            if i >= last:
                i -= n
            x0, y0 = points[2 * i], points[2 * i + 1]
            while used - begin >= 2:
                out[2 * used], out[2 * used + 1] = x0, y0
                if not _is_spike(out, used - 2, used - 1, used):
                    break
                used -= 1
            if out[2 * used - 2] != x0 or out[2 * used - 1] != y0:
                out[2 * used], out[2 * used + 1] = x0, y0
                used += 1
    while used - begin >= 3 and _is_spike(out, used - 2, used - 1, begin):
        used -= 1
    if used - begin < 3:
        return begin
    return used


@kernel
def tidy_rings(points, ring_start, layer_start, tolerance):
    """Simplified rings, layer by layer, that cross each other no more than the given ones do.

    A layer whose rings cross once simplified is done again to 1e-4, then with exact repeats and spikes
    alone removed. Rings of fewer than three vertices vanish.

    Returns points, ring_start, layer_start and status (L,) int64 (SIMPLE, TOUCHES, CROSSES). O(n).
    """
    layers = layer_start.shape[0] - 1
    largest = 0
    for i in range(layers):
        largest = max(largest, ring_start[layer_start[i + 1]] - ring_start[layer_start[i]])
    edge = np.empty(4 * largest + 4, dtype=np.int64)
    box = np.empty(4 * largest + 4, dtype=np.float64)
    order = np.empty(largest + 1, dtype=np.int64)
    out = np.empty(points.shape[0] + 2, dtype=np.float64)
    out_ring = np.zeros(ring_start.shape[0], dtype=np.int64)
    out_layer = np.zeros(layers + 1, dtype=np.int64)
    status = np.zeros(layers, dtype=np.int64)
    used = rings = np.int64(0)  # not literals: each would be compiled as a type of its own
    for i in range(layers):
        first_ring, first_point = rings, used
        for attempt in range(3):
            if attempt == 1 and tolerance <= _COLLINEAR:
                continue
            within = tolerance if attempt == 0 else (_COLLINEAR if attempt == 1 else 0.0)
            rings, used = first_ring, first_point
            for r in range(layer_start[i], layer_start[i + 1]):
                end = _simplify_ring(points, ring_start[r], ring_start[r + 1], within, out, used)
                if end > used:
                    used = end
                    rings += 1
                    out_ring[rings] = used
            status[i] = _layer_status(out, out_ring, first_ring, rings, edge, box, order)
            if status[i] < 2 or within == 0.0:
                break
        out_layer[i + 1] = rings
    return out[: 2 * used], out_ring[: rings + 1], out_layer, status


@inner
def _inside(points, first, last, x, y):
    """Whether (x, y) lies in the ring, by parity."""
    odd = False
    j = last - 1
    for k in range(first, last):
        yk, yj = points[2 * k + 1], points[2 * j + 1]
        if (yk > y) != (yj > y):
            xk = points[2 * k]
            if x < xk + (points[2 * j] - xk) * (y - yk) / (yj - yk):
                odd = not odd
        j = k
    return odd


@inner
def _holds(points, outer, outer_end, hole, hole_end):
    """Whether most of three vertices of the hole lie in the outer ring (one may touch it)."""
    step = (hole_end - hole) // 3
    votes = 0
    for k in range(3):
        p = hole + k * step
        if _inside(points, outer, outer_end, points[2 * p], points[2 * p + 1]):
            votes += 1
    return votes >= 2


@kernel
def ring_figures(points, ring_start, layer_start):
    """Signed area and owner of each ring, and each layer's status.

    Returns
    -------
    area (R,) float64 : positive for outer rings, negative for holes.
    owner (R,) int64 : for a hole the smallest outer ring of its layer around it, -1 where there is none;
        for an outer ring itself.
    status (L,) int64 : SIMPLE, TOUCHES or CROSSES.

    O(n), and for layers with several outer rings O(holes x outer rings) box tests.
    """
    layers = layer_start.shape[0] - 1
    rings = ring_start.shape[0] - 1
    area = np.empty(rings, dtype=np.float64)
    bounds = np.empty(4 * rings, dtype=np.float64)
    owner = np.empty(rings, dtype=np.int64)
    status = np.empty(layers, dtype=np.int64)
    largest = 0
    for i in range(layers):
        largest = max(largest, ring_start[layer_start[i + 1]] - ring_start[layer_start[i]])
    edge = np.empty(4 * largest + 4, dtype=np.int64)
    box = np.empty(4 * largest + 4, dtype=np.float64)
    order = np.empty(largest + 1, dtype=np.int64)
    for r in range(rings):
        first, last = ring_start[r], ring_start[r + 1]
        x0, y0 = points[2 * first], points[2 * first + 1]
        low_x, high_x, low_y, high_y = x0, x0, y0, y0
        xj, yj, twice = 0.0, 0.0, 0.0
        for k in range(first + 1, last):
            x, y = points[2 * k], points[2 * k + 1]
            low_x, high_x, low_y, high_y = min(low_x, x), max(high_x, x), min(low_y, y), max(high_y, y)
            x -= x0
            y -= y0
            twice += xj * y - x * yj
            xj, yj = x, y
        area[r] = 0.5 * twice
        bounds[4 * r], bounds[4 * r + 1], bounds[4 * r + 2], bounds[4 * r + 3] = low_x, high_x, low_y, high_y
    for i in range(layers):
        first, last = layer_start[i], layer_start[i + 1]
        status[i] = _layer_status(points, ring_start, first, last, edge, box, order)
        outers, only = 0, -1
        for r in range(first, last):
            if area[r] > 0.0:
                outers, only = outers + 1, r
        for r in range(first, last):
            owner[r] = r if area[r] > 0.0 else (only if outers == 1 else -1)
            if area[r] > 0.0 or outers <= 1:
                continue
            smallest = np.inf
            for q in range(first, last):
                if (
                    area[q] > -area[r]
                    and area[q] < smallest
                    and bounds[4 * q] <= bounds[4 * r]
                    and bounds[4 * q + 1] >= bounds[4 * r + 1]
                    and bounds[4 * q + 2] <= bounds[4 * r + 2]
                    and bounds[4 * q + 3] >= bounds[4 * r + 3]
                    and _holds(points, ring_start[q], ring_start[q + 1], ring_start[r], ring_start[r + 1])
                ):
                    smallest = area[q]
                    owner[r] = q
    return area, owner, status

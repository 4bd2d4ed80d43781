"""Whether the outline of a polygon follows the one beneath it all the way round, never far from it.

A ring *follows* another within a reach if two walkers can go once round them, each on its own, so that
whatever lies between them all the while is within the reach of the other ring or is material of the section
beneath. Then the rings wind equally often round every point in the air that is farther than the reach from
the other ring: the straight line between the walkers turns the one into the other and never meets the point.
So a polygon each of whose rings follows a ring of its own of another polygon, none of the other's left over,
has nothing in the air farther from the other than the reach.

Walkers no farther apart than the reach need no further look. The second walker may also cut a corner where
both ends of the cut lie within the reach of the corner and of the first walker, who waits: then so does all
that is swept meanwhile.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.outline.distance import RUN
from falsework.kernels.sorting import order_of, sort_part

FAR = 8.0  # so many reaches apart the walkers give up, and so do boxes


@inner
def _ring_boxes(points, ring_start):
    """(R, 4) boxes x0, y0, x1, y1 of rings, and (R,) twice their signed areas."""
    rings = ring_start.shape[0] - 1
    boxes, turn = np.empty((rings, 4)), np.zeros(rings)
    for r in range(rings):
        x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
        first = ring_start[r]
        ox, oy = points[first, 0], points[first, 1]
        for k in range(first, ring_start[r + 1] - 1):
            x, y = points[k, 0], points[k, 1]
            x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
            turn[r] += (x - ox) * (points[k + 1, 1] - oy) - (points[k + 1, 0] - ox) * (y - oy)
        boxes[r, 0], boxes[r, 1], boxes[r, 2], boxes[r, 3] = x0, y0, x1, y1
    return boxes, turn


@inner
def _boxes_near(boxes, a, b, reach):
    """Whether two boxes differ by no more than the reach on every side: those of rings that follow do."""
    return (
        abs(boxes[a, 0] - boxes[b, 0]) <= reach
        and abs(boxes[a, 1] - boxes[b, 1]) <= reach
        and abs(boxes[a, 2] - boxes[b, 2]) <= reach
        and abs(boxes[a, 3] - boxes[b, 3]) <= reach
    )


@inner
def _share_along(x, y, x0, y0, x1, y1):
    """Where on the way from (x0, y0), 0, to (x1, y1), 1, a point comes nearest."""
    ux, uy = x1 - x0, y1 - y0
    length2 = ux * ux + uy * uy
    if length2 == 0.0:
        return 1.0
    return min(max(((x - x0) * ux + (y - y0) * uy) / length2, 0.0), 1.0)


@inner
def _edge_runs(points, ring_start):
    """Boxes (B, 4) around runs of ``RUN`` edges of each ring, and (R + 1,) the first of each ring."""
    rings = ring_start.shape[0] - 1
    ring_run = np.zeros(rings + 1, np.int64)
    for r in range(rings):
        ring_run[r + 1] = ring_run[r] + (ring_start[r + 1] - ring_start[r] + RUN - 2) // RUN
    runs = np.empty((ring_run[rings], 4))
    for r in range(rings):
        for b in range(ring_run[r], ring_run[r + 1]):
            first = ring_start[r] + (b - ring_run[r]) * RUN
            x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
            for k in range(first, min(first + RUN + 1, ring_start[r + 1])):
                x, y = points[k, 0], points[k, 1]
                x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
            runs[b, 0], runs[b, 1], runs[b, 2], runs[b, 3] = x0, y0, x1, y1
    return runs, ring_run


@inner
def _is_material(x, y, points, ring_start, runs, ring_run, ring, end):
    """Whether rings ring..end, those of one polygon, hold a point, even-odd."""
    odd = False
    for r in range(ring, end):
        for b in range(ring_run[r], ring_run[r + 1]):
            if y < runs[b, 1] or y > runs[b, 3] or x > runs[b, 2]:
                continue
            first = ring_start[r] + (b - ring_run[r]) * RUN
            for k in range(first, min(first + RUN, ring_start[r + 1] - 1)):
                y0, y1 = points[k, 1], points[k + 1, 1]
                if (y0 <= y) != (y1 <= y) and x < points[k, 0] + (y - y0) / (y1 - y0) * (
                    points[k + 1, 0] - points[k, 0]
                ):
                    odd = not odd
    return odd


@inner
def _parted(hull, i, j, x0, y0, x1, y1):
    """Whether the line through two of the four corners, or, with i = j, along the edge, has all of the hull
    on one side and the edge beyond."""
    ux, uy = hull[j, 0] - hull[i, 0], hull[j, 1] - hull[i, 1]
    if i == j:
        ux, uy = x1 - x0, y1 - y0
    low, high = np.inf, -np.inf
    for k in range(4):
        v = ux * hull[k, 1] - uy * hull[k, 0]
        low, high = min(low, v), max(high, v)
    a, b = ux * y0 - uy * x0, ux * y1 - uy * x1
    return max(a, b) < low or min(a, b) > high


@inner
def _nothing_within(hull, points, ring_start, runs, ring_run, ring, end):
    """Whether no edge of rings ring..end touches the convex hull of four points (4, 2)."""
    x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
    for k in range(4):
        x0, x1 = min(x0, hull[k, 0]), max(x1, hull[k, 0])
        y0, y1 = min(y0, hull[k, 1]), max(y1, hull[k, 1])
    for r in range(ring, end):
        for b in range(ring_run[r], ring_run[r + 1]):
            if runs[b, 0] > x1 or runs[b, 2] < x0 or runs[b, 1] > y1 or runs[b, 3] < y0:
                continue
            first = ring_start[r] + (b - ring_run[r]) * RUN
            for k in range(first, min(first + RUN, ring_start[r + 1] - 1)):
                ax, ay, bx, by = points[k, 0], points[k, 1], points[k + 1, 0], points[k + 1, 1]
                if min(ax, bx) > x1 or max(ax, bx) < x0 or min(ay, by) > y1 or max(ay, by) < y0:
                    continue
                apart = _parted(hull, 0, 0, ax, ay, bx, by)
                for i in range(4):
                    for j in range(i + 1, 4):
                        apart = apart or _parted(hull, i, j, ax, ay, bx, by)
                if not apart:
                    return False
    return True


@inner
def _follows(points, ring_start, turn, runs, ring_run, a, b, ring, end, reach2):
    """Whether one walk, greedy, goes once round ring a and ring b, one of rings ring..end of the polygon
    beneath. False may be wrong, True never is. O(points of both) where they are near."""
    a_first, b_first = ring_start[a], ring_start[b]
    a_count, b_count = ring_start[a + 1] - a_first - 1, ring_start[b + 1] - b_first - 1
    same_way = (turn[a] > 0.0) == (turn[b] > 0.0)
    step = 1 if same_way else -1
    ax, ay = points[a_first, 0], points[a_first, 1]
    # the second walker starts where its ring is nearest to the first one's start
    nearest, edge, bx, by = np.inf, 0, 0.0, 0.0
    for k in range(b_count):
        x0, y0 = points[b_first + k, 0], points[b_first + k, 1]
        x1, y1 = points[b_first + k + 1, 0], points[b_first + k + 1, 1]
        t = _share_along(ax, ay, x0, y0, x1, y1)
        x, y = x0 + t * (x1 - x0), y0 + t * (y1 - y0)
        d = (x - ax) ** 2 + (y - ay) ** 2
        if d < nearest:
            nearest, edge, bx, by = d, k, x, y
    b_startx, b_starty = bx, by
    corner = edge + 1 if same_way else edge  # of the second ring, the next to come
    a_done, b_done = 0, 0  # corners passed; the second walker's last way is to where it started
    hull = np.empty((4, 2))
    while a_done < a_count or b_done <= b_count:
        a_next = a_first + min(a_done + 1, a_count)
        ax1, ay1 = points[a_next, 0], points[a_next, 1]
        bx1, by1 = b_startx, b_starty
        if b_done < b_count:
            b_next = b_first + (corner + step * b_done) % b_count
            bx1, by1 = points[b_next, 0], points[b_next, 1]
        a_may, b_may = a_done < a_count, b_done <= b_count
        # one goes on to its corner, the other to the point of its way beside that corner
        to_a = _share_along(ax1, ay1, bx, by, bx1, by1) if b_may else 0.0
        to_b = _share_along(bx1, by1, ax, ay, ax1, ay1) if a_may else 0.0
        fx, fy = bx + to_a * (bx1 - bx), by + to_a * (by1 - by)
        gx, gy = ax + to_b * (ax1 - ax), ay + to_b * (ay1 - ay)
        now2 = (ax - bx) ** 2 + (ay - by) ** 2
        inside = now2 > reach2 and a_done + b_done > 0
        a_goes = to_a < 1.0
        moved = False
        for _ in range(2):
            x0, y0, x1, y1 = (ax1, ay1, fx, fy) if a_goes else (gx, gy, bx1, by1)
            if a_may if a_goes else b_may:
                most2 = max(now2, (x0 - x1) ** 2 + (y0 - y1) ** 2)
                moved = most2 <= reach2
                if reach2 < most2 <= FAR * FAR * reach2 and (
                    inside or _is_material(x0, y0, points, ring_start, runs, ring_run, ring, end)
                ):
                    # what is within the reach of the second walker needs no look
                    off = 0.999 * np.sqrt(reach2 / most2)
                    hull[0, 0], hull[0, 1], hull[1, 0], hull[1, 1] = ax, ay, x0, y0
                    hull[2, 0], hull[2, 1] = bx + off * (ax - bx), by + off * (ay - by)
                    hull[3, 0], hull[3, 1] = x1 + off * (x0 - x1), y1 + off * (y0 - y1)
                    moved = _nothing_within(hull, points, ring_start, runs, ring_run, ring, end)
            if moved:
                ax, ay, bx, by = x0, y0, x1, y1
                break
            a_goes = not a_goes
        if moved:
            a_done, b_done = (a_done + 1, b_done) if a_goes else (a_done, b_done + 1)
            continue
        if b_done >= b_count:
            return False
        # cut the corner
        bx2, by2 = b_startx, b_starty
        if b_done + 1 < b_count:
            b_next = b_first + (corner + step * (b_done + 1)) % b_count
            bx2, by2 = points[b_next, 0], points[b_next, 1]
        t = _share_along(ax, ay, bx1, by1, bx2, by2)
        fx, fy = bx1 + t * (bx2 - bx1), by1 + t * (by2 - by1)
        if (
            now2 > reach2
            or (bx - bx1) ** 2 + (by - by1) ** 2 > reach2
            or (fx - bx1) ** 2 + (fy - by1) ** 2 > reach2
            or (fx - ax) ** 2 + (fy - ay) ** 2 > reach2
        ):
            return False
        b_done += 1
        bx, by = fx, fy
    return True


@kernel
def following(points, ring_start, polygon_ring, layer_polygon, reach):
    """(N,) whether a polygon lies nowhere farther than ``reach`` from one of the layer beneath it.

    ``points`` (P, 2), ring r is points[ring_start[r]:ring_start[r + 1]], its first point repeated at the end;
    polygon n owns rings polygon_ring[n]:polygon_ring[n + 1], the outer one first; layer l owns polygons
    layer_polygon[l]:layer_polygon[l + 1]. Rings of a layer do not cross.
    The outer ring must follow the other's, and each hole of the other must be followed by a hole of the
    polygon's own; further holes only take material away. False may be wrong, True never is. O(points) but
    for polygons whose boxes are alike.
    """
    out = np.zeros(polygon_ring.shape[0] - 1, np.bool_)
    boxes, turn = _ring_boxes(points, ring_start)
    taken = np.full(boxes.shape[0], -1, np.int64)  # by the hole of which other polygon
    runs, ring_run = _edge_runs(points, ring_start)
    reach2, far = reach * reach, FAR * reach
    for l in range(1, layer_polygon.shape[0] - 1):
        low, high = layer_polygon[l - 1], layer_polygon[l]
        left = np.empty(high - low)
        for q in range(low, high):
            left[q - low] = boxes[polygon_ring[q], 0]
        order = order_of(left, high - low)
        sort_part(left, 0, high - low)
        for p in range(layer_polygon[l], layer_polygon[l + 1]):
            outer = polygon_ring[p]
            for k in range(np.searchsorted(left, boxes[outer, 0] - far), high - low):
                if left[k] > boxes[outer, 0] + far:
                    break
                q = low + order[k]
                other = polygon_ring[q]
                if not _boxes_near(boxes, outer, other, far):
                    continue
                end = polygon_ring[q + 1]
                good = _follows(points, ring_start, turn, runs, ring_run, outer, other, other, end, reach2)
                for hole in range(other + 1, end):
                    if not good:
                        break
                    good = False
                    for own in range(outer + 1, polygon_ring[p + 1]):
                        if (
                            taken[own] != q
                            and _boxes_near(boxes, own, hole, far)
                            and _follows(
                                points, ring_start, turn, runs, ring_run, own, hole, other, end, reach2
                            )
                        ):
                            taken[own] = q
                            good = True
                            break
                if good:
                    out[p] = True
                    break
    return out

"""Whether the outline of a polygon follows the one beneath it all the way round, never far from it.

A ring *follows* another within a reach if two walkers can go once round them, each on its own, without ever
being farther apart than that (their Fréchet distance). Then the rings wind equally often round every point
that is farther than the reach from the second one: the straight line between the walkers turns the one into
the other and never meets the point. So a polygon each of whose rings follows a ring of its own of another
polygon, none of the other's left over, agrees with the other wherever the other's outline is farther away
than the reach.

The second walker may cut a corner where both ends of the cut lie within the reach of the corner and of the
first walker, who waits: then so does all that is swept meanwhile.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _boxes_near(boxes, a, b, reach):
    """Whether two boxes differ by no more than the reach on every side: those of rings that follow do."""
    return (
        abs(boxes[a, 0] - boxes[b, 0]) <= reach
        and abs(boxes[a, 1] - boxes[b, 1]) <= reach
        and abs(boxes[a, 2] - boxes[b, 2]) <= reach
        and abs(boxes[a, 3] - boxes[b, 3]) <= reach
    )


@njit(cache=True, nogil=True)
def _share_along(x, y, x0, y0, x1, y1):
    """Where on the way from (x0, y0), 0, to (x1, y1), 1, a point comes nearest."""
    ux, uy = x1 - x0, y1 - y0
    length2 = ux * ux + uy * uy
    if length2 == 0.0:
        return 1.0
    return min(max(((x - x0) * ux + (y - y0) * uy) / length2, 0.0), 1.0)


@njit(cache=True, nogil=True)
def _follows(points, a_first, a_end, b_first, b_end, same_way, reach2):
    """Whether one walk, greedy, goes once round both rings, the two never farther apart than the root of
    ``reach2``. False may be wrong, True never is. O(points of both)."""
    a_count, b_count = a_end - a_first - 1, b_end - b_first - 1
    step = 1 if same_way else -1
    ax, ay = points[a_first, 0], points[a_first, 1]
    # the second walker starts where its ring is nearest to the first one's start
    nearest, edge, bx, by = np.inf, 0, 0.0, 0.0
    for k in range(b_first, b_end - 1):
        x0, y0, x1, y1 = points[k, 0], points[k, 1], points[k + 1, 0], points[k + 1, 1]
        t = _share_along(ax, ay, x0, y0, x1, y1)
        x, y = x0 + t * (x1 - x0), y0 + t * (y1 - y0)
        d = (x - ax) ** 2 + (y - ay) ** 2
        if d < nearest:
            nearest, edge, bx, by = d, k - b_first, x, y
    if nearest > reach2:
        return False
    b_startx, b_starty = bx, by
    corner = edge + 1 if same_way else edge  # of the second ring, the next to come
    a_done, b_done = 0, 0  # corners passed; the second walker's last way is to where it started
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
        a_may = a_may and (fx - ax1) ** 2 + (fy - ay1) ** 2 <= reach2
        b_may = b_may and (gx - bx1) ** 2 + (gy - by1) ** 2 <= reach2
        if a_may and (to_a < 1.0 or not b_may):
            a_done += 1
            ax, ay, bx, by = ax1, ay1, fx, fy
        elif b_may:
            b_done += 1
            ax, ay, bx, by = gx, gy, bx1, by1
        elif b_done < b_count:
            # cut the corner
            bx2, by2 = b_startx, b_starty
            if b_done + 1 < b_count:
                b_next = b_first + (corner + step * (b_done + 1)) % b_count
                bx2, by2 = points[b_next, 0], points[b_next, 1]
            t = _share_along(ax, ay, bx1, by1, bx2, by2)
            fx, fy = bx1 + t * (bx2 - bx1), by1 + t * (by2 - by1)
            if (
                (bx - bx1) ** 2 + (by - by1) ** 2 > reach2
                or (fx - bx1) ** 2 + (fy - by1) ** 2 > reach2
                or (fx - ax) ** 2 + (fy - ay) ** 2 > reach2
            ):
                return False
            b_done += 1
            bx, by = fx, fy
        else:
            return False
    return True


@njit(cache=True, nogil=True)
def _rings_follow(points, ring_start, turn, a, b, reach2):
    """:func:`_follows` of two rings by number."""
    return _follows(
        points,
        ring_start[a],
        ring_start[a + 1],
        ring_start[b],
        ring_start[b + 1],
        (turn[a] > 0.0) == (turn[b] > 0.0),
        reach2,
    )


@njit(cache=True, nogil=True)
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
    reach2 = reach * reach
    for l in range(1, layer_polygon.shape[0] - 1):
        low, high = layer_polygon[l - 1], layer_polygon[l]
        left = boxes[polygon_ring[low:high], 0]
        order = np.argsort(left)
        left = left[order]
        for p in range(layer_polygon[l], layer_polygon[l + 1]):
            outer = polygon_ring[p]
            for k in range(np.searchsorted(left, boxes[outer, 0] - reach), high - low):
                if left[k] > boxes[outer, 0] + reach:
                    break
                q = low + order[k]
                other = polygon_ring[q]
                if not _boxes_near(boxes, outer, other, reach):
                    continue
                good = _rings_follow(points, ring_start, turn, outer, other, reach2)
                for hole in range(other + 1, polygon_ring[q + 1]):
                    if not good:
                        break
                    good = False
                    for own in range(outer + 1, polygon_ring[p + 1]):
                        if (
                            taken[own] != q
                            and _boxes_near(boxes, own, hole, reach)
                            and _rings_follow(points, ring_start, turn, own, hole, reach2)
                        ):
                            taken[own] = q
                            good = True
                            break
                if good:
                    out[p] = True
                    break
    return out

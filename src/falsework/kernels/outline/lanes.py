"""Where straight lanes pass through outlines, and the columns that stand in a lane.

Outlines are edges (E, 4) turned so that lanes run along x, as runs ``first`` (N + 1,) that each are closed
rings of one region, and the boxes around runs of them from ``beneath.run_boxes``.
"""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.outline.distance import RUN
from falsework.kernels.sorting import distinct, order_of, sort_part


@inner
def _gathered(edges, first, boxes, first_box, region, y, half, low, high, crossings):
    """The stretches of edges within ``half`` of a line into ``low`` and ``high``, where it crosses edges
    (an end on the line lies above it) into ``crossings``; how many of both."""
    n = c = 0
    for b in range(first_box[region], first_box[region + 1]):
        if boxes[b, 1] > y + half or boxes[b, 3] < y - half:
            continue
        start = first[region] + (b - first_box[region]) * RUN
        for e in range(start, min(start + RUN, first[region + 1])):
            x0, y0, x1, y1 = edges[e, 0], edges[e, 1], edges[e, 2], edges[e, 3]
            if y0 > y1:  # either way round an edge is cut alike
                x0, y0, x1, y1 = x1, y1, x0, y0
            if y0 > y + half or y1 < y - half:
                continue
            if (y0 < y) != (y1 < y):
                crossings[c] = x0 + (y - y0) / (y1 - y0) * (x1 - x0)
                c += 1
            a = x0 if y0 >= y - half else x0 + (y - half - y0) / (y1 - y0) * (x1 - x0)
            z = x1 if y1 <= y + half else x0 + (y + half - y0) / (y1 - y0) * (x1 - x0)
            low[n], high[n] = min(a, z), max(a, z)
            n += 1
    return n, c


@kernel
def passed(edges, first, boxes, first_box, region, across, half):
    """Stretches along x over which bands pass through regions.

    Band k is all within ``half`` of y = ``across`` (n,) and is asked of ``region`` (n,). A place is covered
    if anything of the region lies there within the band, edges included.
    Returns (m, 2) stretches, of each band apart and ascending, and (m,) whose they are.
    O(edges / RUN) and what is near, for each band.
    """
    room = 0
    for k in range(region.shape[0]):
        room = max(room, first[region[k] + 1] - first[region[k]])
    low, high, crossings = np.empty(2 * room), np.empty(2 * room), np.empty(room)
    found, owner = np.empty((64, 2)), np.empty(64, np.int64)
    count = 0
    for k in range(region.shape[0]):
        n, c = _gathered(edges, first, boxes, first_box, region[k], across[k], half, low, high, crossings)
        sort_part(crossings, 0, c)
        for j in range(0, c - 1, 2):
            low[n], high[n] = crossings[j], crossings[j + 1]
            n += 1
        order = order_of(low, n)
        j = 0
        while j < n:
            start, end = low[order[j]], high[order[j]]
            j += 1
            while j < n and low[order[j]] <= end:
                end = max(end, high[order[j]])
                j += 1
            if end > start:
                if count == owner.shape[0]:
                    found = np.concatenate((found, np.empty_like(found)))
                    owner = np.concatenate((owner, np.empty_like(owner)))
                found[count, 0], found[count, 1], owner[count] = start, end, k
                count += 1
    return found[:count].copy(), owner[:count].copy()


@kernel
def uncovered(stretches, layer, covers, cover_layer, layers):
    """What of stretches (n, 2) in ``layer`` (n,) lies outside all covers (c, 2) of the same layer and up to
    ``layers`` lower ones: (m, 2) stretches. ``cover_layer`` (c,) ascends."""
    found = np.empty((64, 2))
    n = 0
    for k in range(stretches.shape[0]):
        start = np.searchsorted(cover_layer, layer[k] - layers)
        end = np.searchsorted(cover_layer, layer[k], side="right")
        order = start + order_of(covers[start:end, 0], end - start)
        x, high = stretches[k, 0], stretches[k, 1]
        for c in range(order.shape[0] + 1):
            low, past = (covers[order[c], 0], covers[order[c], 1]) if c < order.shape[0] else (high, high)
            if min(low, high) > x:
                if n == found.shape[0]:
                    found = np.concatenate((found, np.empty_like(found)))
                found[n, 0], found[n, 1] = x, min(low, high)
                n += 1
            x = max(x, past)
    return found[:n].copy()


@kernel
def highest(stretches, height):
    """The upper edge of blocks over stretches (n, 2) of an axis, up to ``height`` (n,): ascending (m + 1,)
    ends of m cells and (m,) their heights, each unlike its neighbour's; −inf where no block is. O(n · m)."""
    at = distinct(stretches.copy().reshape(-1))
    top = np.full(max(at.shape[0] - 1, 0), -np.inf)
    for k in range(stretches.shape[0]):
        i = np.searchsorted(at, stretches[k, 0])
        while at[i] < stretches[k, 1]:
            top[i] = max(top[i], height[k])
            i += 1
    step = np.ones(at.shape[0], np.bool_)
    for k in range(1, at.shape[0] - 1):
        step[k] = top[k] != top[k - 1]
    return at[step], top[step[:-1]]


@inner
def _shrunk(at, top, by):
    """The same cells where the blocks beneath their upper edge are made smaller ``by`` so much on all
    sides."""
    count = at.shape[0]
    both = np.empty(2 * count)
    for k in range(count):
        both[k], both[count + k] = at[k] - by, at[k] + by
    ends = distinct(both)
    out = np.full(max(ends.shape[0] - 1, 0), -np.inf)
    for i in range(out.shape[0]):
        middle = 0.5 * (ends[i] + ends[i + 1])
        if middle - by < at[0] or middle + by > at[-1]:
            continue
        j = np.searchsorted(at, middle - by, side="right") - 1
        least = np.inf
        while j < top.shape[0] and at[j] < middle + by:
            least = min(least, top[j])
            j += 1
        out[i] = least - by
    return ends, out


@kernel
def columns(strips, strip_layer, top_mm, crossed, crossed_layer, height_mm, floor_mm, slack_mm):
    """Boxes (n, 4) x0, z0, x1, z1 that stand under strips, down to a floor or to what they stand on.

    ``strips`` (s, 2) stretches of a lane, those of a layer together, and ``strip_layer`` (s,); ``top_mm``
    (s,) how high they reach. ``crossed`` (c, 2) stretches of other layers' sections, ``crossed_layer`` (c,)
    and ``height_mm`` (c,) of them: what lies in a lower layer and under any strip of a layer is solid all
    down, but for ``slack_mm`` on all sides.
    """
    boxes = np.empty((64, 4))
    n = first = 0
    mine = np.empty(crossed.shape[0], np.bool_)
    while first < strips.shape[0]:
        end = first + 1
        while end < strips.shape[0] and strip_layer[end] == strip_layer[first]:
            end += 1
        low, high = strips[first:end, 0].min(), strips[first:end, 1].max()
        for k in range(crossed.shape[0]):
            beneath = crossed_layer[k] < strip_layer[first]
            mine[k] = beneath and crossed[k, 0] < high and crossed[k, 1] > low
        at, top = highest(crossed[mine], height_mm[mine])
        if at.shape[0]:
            at, top = _shrunk(at, top, slack_mm)
        at = np.concatenate((np.array([-np.inf]), at, np.array([np.inf])))
        top = np.concatenate((np.array([-np.inf]), top, np.array([-np.inf])))
        for s in range(first, end):
            i = np.searchsorted(at, strips[s, 0], side="right") - 1
            while at[i] < strips[s, 1]:
                x0, x1 = max(at[i], strips[s, 0]), min(at[i + 1], strips[s, 1])
                bottom = max(floor_mm, top[i])
                i += 1
                if bottom >= top_mm[s]:
                    continue
                if n and boxes[n - 1, 2] == x0 and boxes[n - 1, 1] == bottom and boxes[n - 1, 3] == top_mm[s]:
                    boxes[n - 1, 2] = x1
                    continue
                if n == boxes.shape[0]:
                    boxes = np.concatenate((boxes, np.empty_like(boxes)))
                boxes[n] = x0, bottom, x1, top_mm[s]
                n += 1
        first = end
    return boxes[:n].copy()

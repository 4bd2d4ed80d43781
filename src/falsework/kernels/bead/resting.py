"""What lies beneath strands: exact heights from a field of tops, exact lengths from the beads themselves.

The field has one cell of ``size`` mm per column and row: ``top`` (rows, columns) float32, the height of
what was last laid there, and ``owner`` uint8, whose it is (0: the bed). Heights are those of the strands, not
rounded to any grid; only outlines are.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import bare, bare_kernel, inner, kernel
from falsework.kernels.sorting import grouped

OWNERS = 5
BED, PART, SUPPORT, ASIDE, FLAT = range(OWNERS)  # aside: another body; flat: a line beside the print

_STEPS = 20  # samples of what lies beneath one strand, at most
_TWICE_STEPS = 16  # about as many of what lies under a strand of fill already


@inner
def drops(ends, top, left, bottom, size):
    """How far the field lies beneath each strand: the commonest drop along it and its share of the length.

    ends (n, 6) ax, ay, az, bx, by, bz. Returns (n,) mm and (n,) 0..1. Steps of one cell on the centre line,
    longer ones where there would be more than ``_STEPS``.
    """
    n = len(ends)
    rows, columns = top.shape
    drop = np.zeros(n)
    share = np.zeros(n)
    values = np.zeros(6)
    votes = np.zeros(6, np.int64)
    for s in range(n):
        ax, ay, az, bx, by, bz = ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3], ends[s, 4], ends[s, 5]
        # in cells
        x, y, dx, dy = (ax - left) / size, (ay - bottom) / size, (bx - ax) / size, (by - ay) / size
        steps = min(_STEPS, max(1, int(math.sqrt(dx * dx + dy * dy))))
        step = 1.0 / steps
        kinds = 0
        for k in range(steps):
            t = (k + 0.5) * step
            i, j = int(x + t * dx), int(y + t * dy)
            if i < 0 or j < 0 or i >= columns or j >= rows:
                continue
            d = az + t * (bz - az) - top[j, i]
            found = False
            for m in range(kinds):
                if abs(values[m] - d) < 0.002:
                    votes[m] += 1
                    found = True
                    break
            if not found and kinds < 6:
                values[kinds] = d
                votes[kinds] = 1
                kinds += 1
        best = 0
        for m in range(kinds):
            if votes[m] > votes[best]:
                best = m
        if kinds:
            drop[s] = values[best]
            share[s] = votes[best] / steps
    return drop, share


@bare
def _sides(dx, dy, long):
    """How a bead's straight part cuts rows, for ``_row``: slope and reach of its long sides, and of its ends.

    The reach of the long sides is for a half width of 1; it is infinite along x, that of the ends along y.
    """
    ux, uy = dx / long, dy / long
    side, reach = 0.0, np.inf
    if abs(uy) > 1e-9:
        side, reach = ux / uy, 1.0 / abs(uy)
    end, first, last = 0.0, -np.inf, np.inf
    if abs(ux) > 1e-9:
        end, first, last = -uy / ux, min(0.0, long / ux), max(0.0, long / ux)
    return side, reach, end, first, last


@bare
def _row(off, dy, r, side, reach, end, first, last):
    """(from, to) of a bead without its round ends in the row ``off`` above its start, in x from there.

    from > to where it does not reach that row.
    """
    if (reach == np.inf and abs(off) > r) or (first == -np.inf and not 0.0 <= off * dy <= dy * dy):
        return np.inf, -np.inf
    low, high = max(off * side - r * reach, off * end + first), min(off * side + r * reach, off * end + last)
    return (low, high) if low <= high else (np.inf, -np.inf)


@bare
def _with_ends(low, high, off, dx, dy, r):
    """The same with its round ends."""
    more = r * r - off * off
    if more >= 0.0:
        more = math.sqrt(more)
        low, high = min(low, -more), max(high, more)
    more = r * r - (off - dy) * (off - dy)
    if more >= 0.0:
        more = math.sqrt(more)
        low, high = min(low, dx - more), max(high, dx + more)
    return low, high


_SURELY = 1e-5  # mm, more than float32 takes from a height
_FINE = 32  # binary places of what is counted in whole cells
_ROUND_UP = (1 << _FINE) - 1


@bare
def _fine(cells):
    """As a whole number of ``2**-_FINE`` cells: sums and shifts of these are quicker than rounding."""
    return int(cells * 4294967296.0)


@bare
def _all_carry(top, owner, i0, i1, least, most, whose):
    """Whether cells i0 … i1 of a row all lie between ``least`` and ``most``, and are ``whose``."""
    i = i0
    while i <= i1:
        at = np.uintp(i)
        z = top[at]
        if z < least or z > most or owner[at] != whose:
            return False
        i += 1
    return True


@bare
def _hollow(top, inside, i0, i1, deep):
    """Whether one of the cells i0 … i1 of a row lies lower than ``deep``, and inside nothing filled."""
    for i in range(i0, i1 + 1):
        at = np.uintp(i)
        if top[at] < deep and inside[at] < deep:
            return True
    return False


@kernel
def rest(ends, half, height, top, owner, inside, left, bottom, size, contact, window, carry):
    """On what each strand rests, cell by cell beneath it, before any strand of its layer is laid.

    ends (n, 6); half (n,) half widths; height (n,). A strand rests where the field reaches to within
    ``contact`` times its height of its underside; where it lies deeper, by ``window`` mm at most, there is a
    gap. ``inside``, like ``top``: up to which height the cell lies inside what is filled, which is as good as
    carried. Returns shares of the cells beneath: share (n,) that carries it; resting and near (n, OWNERS)
    that carry it and that are seen through a gap, by owner; gap (n, OWNERS), the least such gap, mm
    (infinite: none); sunk (n,), the share that reaches above the nozzle; and the indices of the strands of
    which a cell, or if all carry one just beside, has a gap of more than ``carry`` mm. O(cells).
    """
    rows, columns = top.shape
    n = len(ends)
    share = np.empty(n)
    resting = np.zeros((n, OWNERS))
    near = np.zeros((n, OWNERS))
    gap = np.full((n, OWNERS), np.inf)
    sunk = np.zeros(n)
    doubtful = np.empty(n, np.int64)
    doubts = 0
    for s in range(n):
        ax, ay, az, bx, by, bz = ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3], ends[s, 4], ends[s, 5]
        h = height[s]
        floor = az - h
        # all in cells from here on; the middle of cell i lies at i
        x, y, r = (ax - left) / size - 0.5, (ay - bottom) / size - 0.5, half[s] / size
        dx, dy = (bx - ax) / size, (by - ay) / size
        wide = r + 0.5
        long = math.sqrt(dx * dx + dy * dy)
        side, reach, end, first, last = _sides(dx, dy, long)
        climb = (bz - az) / (long * long)
        least_z, most_z = min(0.0, bz - az), max(0.0, bz - az)
        # between these rows the ends are out of sight
        amid_from = min(0.0, dy) + wide * abs(dx) / long
        amid_to = max(0.0, dy) - wide * abs(dx) / long
        deep = 0.5 * (az + bz) - h - max(carry, contact * h) - 0.5 * abs(bz - az)
        seen = carried = ploughed = 0
        run = whose = 0  # cells of one owner in a row that carry it
        hollow = False
        edge = False  # whether a cell just outside is hollow, whose edge may reach in
        # what most rows of most strands are: all their cells carry, and nothing of them is in the way
        flat = az == bz
        least, most = np.float32(floor - contact * h + _SURELY), np.float32(az)
        middle = slope = across = around = 0
        if amid_from < amid_to:
            middle, slope = _fine(x - y * side), _fine(side)
            across, around = _fine(r * reach), _fine(wide * reach)
        j0 = max(0, math.ceil(y + min(0.0, dy) - wide))
        j1 = min(rows - 1, math.floor(y + max(0.0, dy) + wide))
        for j in range(j0, j1 + 1):
            off = j - y
            row = np.uintp(j)  # an index that cannot count from the end spares a check for every cell
            unsure = not edge and carried == seen  # whether cells just outside may still tell
            if amid_from < off < amid_to:
                at_row = middle + j * slope
                i0, i1 = (at_row - across + _ROUND_UP) >> _FINE, (at_row + across) >> _FINE
                k0, k1 = (at_row - around + _ROUND_UP) >> _FINE, (at_row + around) >> _FINE
            else:
                low, high = _row(off, dy, r, side, reach, end, first, last)
                i0, i1 = columns, -1
                if low <= high:
                    i0, i1 = math.ceil(x + low), math.floor(x + high)
                low, high = _row(off, dy, wide, side, reach, end, first, last)
                low, high = _with_ends(low, high, off, dx, dy, wide)
                if low > high:
                    continue
                k0, k1 = math.ceil(x + low), math.floor(x + high)
            i0, i1, k0, k1 = max(0, i0), min(columns - 1, i1), max(0, k0), min(columns - 1, k1)
            if not unsure:
                k0, k1 = i0, i1
            if flat and i0 <= i1 and _all_carry(top[row], owner[row], k0, k1, least, most, whose):
                seen += i1 + 1 - i0
                carried += i1 + 1 - i0
                run += i1 + 1 - i0
                continue
            if unsure:
                if i0 > i1:
                    i0, i1 = k1 + 1, k1
                edge = _hollow(top[row], inside[row], k0, i0 - 1, deep)
                edge |= _hollow(top[row], inside[row], i1 + 1, k1, deep)
            for i in range(i0, i1 + 1):
                at = np.uintp(i)
                air = floor - top[row, at]
                if climb != 0.0:
                    air += min(max(((i - x) * dx + off * dy) * climb, least_z), most_z)
                o = owner[row, at]
                seen += 1
                if air <= contact * h:
                    if o != whose:
                        resting[s, whose] += run
                        whose, run = o, 0
                    run += 1
                    carried += 1
                    if air < -h - 0.01:
                        ploughed += 1
                    continue
                if (air > carry or o == BED) and inside[row, at] < deep:
                    hollow = True
                if air <= window:
                    near[s, o] += 1.0
                    gap[s, o] = min(gap[s, o], air)
        resting[s, whose] += run
        i, j = int(x + 0.5 * dx + 0.5), int(y + 0.5 * dy + 0.5)
        if seen == 0 and 0 <= i < columns and 0 <= j < rows:
            # shorter or thinner than a cell: its middle stands for it
            air = 0.5 * (az + bz) - h - top[j, i]
            o = owner[j, i]
            seen = 1
            if air <= contact * h:
                resting[s, o] = 1.0
                carried = 1
                ploughed = int(air < -h - 0.01)
            else:
                hollow = (air > carry or o == BED) and inside[j, i] < deep
                if air <= window:
                    near[s, o] = 1.0
                    gap[s, o] = air
        if hollow or (edge and carried == seen):
            doubtful[doubts] = s
            doubts += 1
        if seen > 1:
            for o in range(OWNERS):
                resting[s, o] /= seen
                near[s, o] /= seen
        share[s] = carried / max(seen, 1)
        sunk[s] = ploughed / max(seen, 1)
    return share, resting, near, gap, sunk, doubtful[:doubts]


@bare
def _beside(x, y, z, dx, dy, r, h, top, left, bottom, size):
    """Whether something of height z lies at a strand's end: beyond it along (dx, dy); around it for 0, 0."""
    rows, columns = top.shape
    near = r + size  # far enough that a cell of a neighbour that touches lies within
    for j in range(
        max(0, int((y - near - bottom) / size)), min(rows - 1, int((y + near - bottom) / size)) + 1
    ):
        for i in range(
            max(0, int((x - near - left) / size)), min(columns - 1, int((x + near - left) / size)) + 1
        ):
            cx, cy = left + (i + 0.5) * size - x, bottom + (j + 0.5) * size - y
            if cx * cx + cy * cy > near * near or abs(top[j, i] - z) > 0.4 * h:
                continue
            if cx * dx + cy * dy >= 0.0:
                return True
    return False


@kernel
def lay(order, ends, half, height, kind, path, fills, travels, top, owner, woven, left, bottom, size):
    """Lay strands in their order: the field rises to their tops.

    order (m,): which strand comes, or −1 − t for the travel t, which lays nothing. ends (n, 6), half, height,
    kind (n,) uint8 owner to be, path (n,), fills (n,) whether it is no closed line; travels (t, ≥ 6).
    ``woven``, like ``owner``: whether the cell's strand was such a one; walls beside it take precedence.
    Returns twice (n,), the share of a strand laid over one of the same height, round ends left out; touch (n,
    2), whether something of the same height lay at the path's first and last end; struck (t,), mm of travel
    below what has been laid. O(cells).
    """
    rows, columns = top.shape
    twice = np.zeros(len(ends))
    touch = np.zeros((len(ends), 2), np.bool_)
    struck = np.zeros(len(travels))
    for m in range(len(order)):
        s = order[m]
        if s < 0:
            s = -1 - s
            ax, ay, az = travels[s, 0], travels[s, 1], travels[s, 2]
            dx, dy, dz = travels[s, 3] - ax, travels[s, 4] - ay, travels[s, 5] - az
            steps = int(math.sqrt(dx * dx + dy * dy) / size)
            for k in range(steps):
                t = (k + 0.5) / steps
                i = int((ax + t * dx - left) / size)
                j = int((ay + t * dy - bottom) / size)
                if 0 <= i < columns and 0 <= j < rows and top[j, i] > az + t * dz + 0.02:
                    struck[s] += size
            continue
        ax, ay, az, bx, by, bz = ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3], ends[s, 4], ends[s, 5]
        dx, dy = bx - ax, by - ay
        long = math.sqrt(dx * dx + dy * dy)
        r, h = half[s], height[s]
        if m == 0 or order[m - 1] < 0 or path[s] != path[s - 1]:
            touch[s, 0] = _beside(ax, ay, az, 0.0, 0.0, r, h, top, left, bottom, size)
        if m + 1 == len(order) or order[m + 1] < 0 or path[s + 1] != path[s]:
            touch[s, 1] = _beside(bx, by, bz, dx, dy, r, h, top, left, bottom, size)
        if long > 2.0 * r:  # shorter pieces lie in the round end of the one before
            inner = 0
            over = 0
            ux, uy = dx / long, dy / long
            steps = int((long - 2.0 * r) / size)
            climb = (bz - az) / long
            # in cells: the first point, half a step past the round end; each step is one cell long
            from_x = (ax + (r + 0.5 * size) * ux - left) / size
            from_y = (ay + (r + 0.5 * size) * uy - bottom) / size
            stride = max(1, steps // _TWICE_STEPS) if fills[s] else 1
            for k in range(0, steps, stride):
                i, j = int(from_x + k * ux), int(from_y + k * uy)
                if not (0 <= i < columns and 0 <= j < rows):
                    continue
                if k * size < r + size:  # it may lie in the round end of the strand before
                    cx, cy = left + (i + 0.5) * size - ax, bottom + (j + 0.5) * size - ay
                    if cx * cx + cy * cy < 1.1 * r * r:
                        continue
                inner += 1
                if abs(top[j, i] - (az + (r + (k + 0.5) * size) * climb)) < 0.1 * h:
                    over += 1
            if inner:
                twice[s] = over / inner
        # all in cells from here on; the middle of cell i lies at i
        x, y, r = (ax - left) / size - 0.5, (ay - bottom) / size - 0.5, r / size
        dx, dy, long = dx / size, dy / size, long / size
        side, reach, end, first, last = _sides(dx, dy, long)
        climb = (bz - az) / (long * long)
        least_z, most_z = min(0.0, bz - az), max(0.0, bz - az)
        whose, weaves = kind[s], fills[s]
        # between these rows the ends are out of sight
        amid_from, amid_to = min(0.0, dy) + r * abs(dx) / long, max(0.0, dy) - r * abs(dx) / long
        middle = slope = across = 0
        if amid_from < amid_to:
            middle, slope, across = _fine(x - y * side), _fine(side), _fine(r * reach)
        for j in range(
            max(0, math.ceil(y + min(0.0, dy) - r)), min(rows - 1, math.floor(y + max(0.0, dy) + r)) + 1
        ):
            off = j - y
            row = np.uintp(j)
            if amid_from < off < amid_to:
                at_row = middle + j * slope
                i0, i1 = (at_row - across + _ROUND_UP) >> _FINE, (at_row + across) >> _FINE
            else:
                low, high = _row(off, dy, r, side, reach, end, first, last)
                low, high = _with_ends(low, high, off, dx, dy, r)
                if low > high:
                    continue
                i0, i1 = math.ceil(x + low), math.floor(x + high)
            i, i1 = max(0, i0), min(columns - 1, i1)
            z = az
            while i <= i1:
                at = np.uintp(i)
                if climb != 0.0:
                    z = az + min(max(((i - x) * dx + off * dy) * climb, least_z), most_z)
                was = top[row, at]
                if z >= was:
                    if weaves:
                        woven[row, at] |= z > was + 0.1 * h
                    else:
                        woven[row, at] = 0
                    top[row, at] = z
                    owner[row, at] = whose
                i += 1
    return twice, touch, struck


@bare_kernel
def within(ax, ay, ux, uy, long, off, cx, cy, dx, dy, r):
    """Stretch (from, to) of a line within a bead: it starts at a and runs along u, shifted left by ``off``.

    The bead has half width ``r`` around c – c + d, with round ends. Empty (from > to) where it misses.
    """
    px, py = ax - uy * off, ay + ux * off
    low, high = np.inf, -np.inf
    for k in range(2):  # round ends
        mx, my = cx + k * dx - px, cy + k * dy - py
        along = mx * ux + my * uy
        across = mx * uy - my * ux
        if abs(across) < r:
            half = math.sqrt(r * r - across * across)
            low = min(low, along - half)
            high = max(high, along + half)
    size = math.hypot(dx, dy)
    if size > 1e-12:
        ex, ey = dx / size, dy / size
        mx, my = px - cx, py - cy
        first, last = -np.inf, np.inf
        slope = ux * ex + uy * ey  # progress along the bead
        begin = mx * ex + my * ey
        if abs(slope) > 1e-12:
            p, q = -begin / slope, (size - begin) / slope
            first, last = max(first, min(p, q)), min(last, max(p, q))
        elif begin < 0.0 or begin > size:
            first, last = np.inf, -np.inf
        slope = ux * ey - uy * ex
        begin = mx * ey - my * ex
        if abs(slope) > 1e-12:
            p, q = (-r - begin) / slope, (r - begin) / slope
            first, last = max(first, min(p, q)), min(last, max(p, q))
        elif abs(begin) > r:
            first, last = np.inf, -np.inf
        if first <= last:
            low = min(low, first)
            high = max(high, last)
    return max(low, 0.0), min(high, long)


LINES = 8  # parallel lines that stand for a strand's width


@bare
def _holds(ax, ay, bx, by, side_x, side_y, cx, cy, dx, dy, r):
    """Whether a bead of half width ``r`` around c – c + d covers the rectangle a – b with those half sides.

    A bead is convex: it does if it holds the four corners.
    """
    square = max(dx * dx + dy * dy, 1e-18)
    for k in range(4):
        sign = 1.0 if k % 2 == 0 else -1.0
        x = (ax if k < 2 else bx) + sign * side_x - cx
        y = (ay if k < 2 else by) + sign * side_y - cy
        t = min(1.0, max(0.0, (x * dx + y * dy) / square))
        x, y = x - t * dx, y - t * dy
        if x * x + y * y > r * r:
            return False
    return True


@kernel
def cover(
    ends,
    half,
    height,
    chosen,
    whole,
    beads,
    bead_z,
    start,
    index,
    left,
    bottom,
    size,
    columns,
    rows,
    contact,
    carry,
    spans,
    count,
):
    """Where chosen strands lie on beads of an earlier layer: exact stretches along each of ``LINES`` lines.

    ends (n, 6), half, height (n,); chosen (k,) indices. beads (m, 5), bead_z (m,) their tops; start, index:
    their bins. Beads up to ``carry`` mm beneath a strand's underside count. Sets ``whole`` (k,) where one
    bead in contact carries all of a strand; such strands are passed over. For the others appends rows
    (chosen's place, line, from, to, 1 where it is no gap but contact) to ``spans`` from ``count`` on. Returns
    the new count, or −1 where ``spans`` has no room.
    """
    seen = np.full(len(beads), -1, np.int64)
    near = np.empty(len(beads), np.int64)
    for c in range(len(chosen)):
        if whole[c]:
            continue
        s = chosen[c]
        ax, ay, az, bx, by, bz = ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3], ends[s, 4], ends[s, 5]
        dx, dy = bx - ax, by - ay
        long = math.hypot(dx, dy)
        if long <= 0.0:
            continue
        ux, uy = dx / long, dy / long
        under = 0.5 * (az + bz) - height[s]
        climb = 0.5 * abs(bz - az)
        touch = contact * height[s] + climb
        slack = max(carry + climb, touch)
        r = half[s]
        outer = r * (1.0 - 1.0 / LINES)  # where the outermost lines run
        x0, x1 = min(ax, bx) - r, max(ax, bx) + r
        y0, y1 = min(ay, by) - r, max(ay, by) + r
        found = 0
        j0 = max(0, int((y0 - bottom) / size))
        j1 = min(rows - 1, int((y1 - bottom) / size))
        for j in range(j0, j1 + 1):
            low_y, high_y = bottom + j * size - r, bottom + (j + 1) * size + r
            t0, t1 = 0.0, 1.0
            if abs(dy) > 1e-12:
                p, q = (low_y - ay) / dy, (high_y - ay) / dy
                t0, t1 = max(0.0, min(p, q)), min(1.0, max(p, q))
                if t0 > t1:
                    continue
            xa, xb = ax + t0 * dx, ax + t1 * dx
            i0 = max(0, int((min(xa, xb) - r - left) / size))
            i1 = min(columns - 1, int((max(xa, xb) + r - left) / size))
            for i in range(i0, i1 + 1):
                at = j * columns + i
                for m in range(start[at], start[at + 1]):
                    b = index[m]
                    if seen[b] == c:
                        continue
                    seen[b] = c
                    if bead_z[b] < under - slack or bead_z[b] > under + height[s] * 0.9:
                        continue
                    cx, cy, ex, ey, rb = beads[b, 0], beads[b, 1], beads[b, 2], beads[b, 3], beads[b, 4]
                    if min(cx, ex) - rb > x1 or max(cx, ex) + rb < x0:
                        continue
                    if min(cy, ey) - rb > y1 or max(cy, ey) + rb < y0:
                        continue
                    if under - bead_z[b] <= touch and _holds(
                        ax, ay, bx, by, -uy * outer, ux * outer, cx, cy, ex - cx, ey - cy, rb + 1e-9
                    ):
                        whole[c] = True
                        break
                    near[found] = b
                    found += 1
                if whole[c]:
                    break
            if whole[c]:
                break
        if whole[c]:
            continue
        if count + found * LINES > len(spans):
            return -1
        for k in range(found):
            b = near[k]
            for line in range(LINES):
                off = ((line + 0.5) / LINES - 0.5) * 2.0 * r
                low, high = within(
                    ax,
                    ay,
                    ux,
                    uy,
                    long,
                    off,
                    beads[b, 0],
                    beads[b, 1],
                    beads[b, 2] - beads[b, 0],
                    beads[b, 3] - beads[b, 1],
                    beads[b, 4],
                )
                if low < high:
                    spans[count, 0] = c
                    spans[count, 1] = line
                    spans[count, 2] = low
                    spans[count, 3] = high
                    spans[count, 4] = under - bead_z[b] <= touch
                    count += 1
    return count


@kernel
def stretches(spans, whole, long, needed, contact_only, share, runs):
    """Carried share of each chosen strand, and the stretches along which too little of its width is carried.

    spans (m, 5) and ``whole`` (k,) as ``cover`` left them, long (k,). A stretch is in air where fewer than
    ``needed`` of the lines are carried; with ``contact_only`` no gap is bridged. Into: share (k,), and
    ``runs`` rows (place, from, to, carried share of the width there); returns how many, or −1 where there is
    no room. O(m log m).
    """
    strands = len(long)
    of = np.empty(len(spans), np.int64)
    for m in range(len(spans)):
        of[m] = int(spans[m, 0])
    first, order = grouped(of, strands)
    n = 0
    for c in range(strands):
        if whole[c]:
            share[c] = 1.0
            continue
        mine = order[first[c] : first[c + 1]]
        k = 0
        key = np.empty(len(mine))
        for m in mine:
            if contact_only and spans[m, 4] == 0.0:
                continue
            mine[k] = m
            key[k] = spans[m, 1] * 1e7 + spans[m, 2]
            k += 1
        sorted_ = np.argsort(key[:k])
        # merged stretches of each line as signed steps
        at = np.empty(2 * k)
        step = np.empty(2 * k, np.int64)
        steps = 0
        total = 0.0
        m = 0
        while m < k:
            row = mine[sorted_[m]]
            line, low, high = spans[row, 1], spans[row, 2], spans[row, 3]
            m += 1
            while m < k and spans[mine[sorted_[m]], 1] == line and spans[mine[sorted_[m]], 2] <= high + 1e-9:
                high = max(high, spans[mine[sorted_[m]], 3])
                m += 1
            at[steps], step[steps] = low, 1
            at[steps + 1], step[steps + 1] = high, -1
            steps += 2
            total += high - low
        share[c] = total / (LINES * long[c])
        places = np.argsort(at[:steps])
        level = 0
        p = 0
        here = 0.0
        begin = -1.0  # of the stretch in air; none yet
        carried = 0.0
        while here < long[c]:
            # all steps at this place together: beads that meet leave no gap between them
            while p < steps and at[places[p]] <= here + 1e-9:
                level += step[places[p]]
                p += 1
            following = min(at[places[p]], long[c]) if p < steps else long[c]
            if level < needed:
                if begin < 0.0:
                    begin, carried = here, 0.0
                carried += level * (following - here)
            if begin >= 0.0 and (level >= needed or following >= long[c]):
                finish = here if level >= needed else following
                if finish - begin > 1e-6:
                    if n >= len(runs):
                        return -1
                    runs[n, 0] = c
                    runs[n, 1] = begin
                    runs[n, 2] = finish
                    runs[n, 3] = carried / (LINES * (finish - begin))
                    n += 1
                begin = -1.0
            here = following
    return n


@bare_kernel
def lies_inside(pieces, strands, ends, long, height, inside, left, bottom, size, carry, out):
    """Of stretches (m, ≥ 3: place in ``strands``, from, to) which run inside what is filled: two of three
    points along each lie where ``inside`` reaches to within ``carry`` mm of the underside. Into ``out``
    (m,).
    """
    rows, columns = inside.shape
    for p in range(len(pieces)):
        s = strands[int(pieces[p, 0])]
        under = 0.5 * (ends[s, 2] + ends[s, 5]) - height[s] - carry
        dx, dy = (ends[s, 3] - ends[s, 0]) / long[s], (ends[s, 4] - ends[s, 1]) / long[s]
        within_ = 0
        for share in (0.2, 0.5, 0.8):
            t = pieces[p, 1] + share * (pieces[p, 2] - pieces[p, 1])
            i = min(max(int((ends[s, 0] + t * dx - left) / size), 0), columns - 1)
            j = min(max(int((ends[s, 1] + t * dy - bottom) / size), 0), rows - 1)
            within_ += inside[j, i] >= under
        out[p] = within_ >= 2


@kernel
def reaches(points, top, owner, left, bottom, size, contact, carry, most):
    """How far each point (n, 4) x, y, underside, height is from what could carry it, mm; at most ``most``.

    Through a gap of up to ``carry`` mm anything carries but the bed.
    """
    rows, columns = top.shape
    far = np.full(len(points), most)
    span = int(most / size)
    for p in range(len(points)):
        x, y, under, h = points[p]
        i0, j0 = int((x - left) / size), int((y - bottom) / size)
        for ring in range(span + 1):
            if (ring - 1) * size > far[p]:
                break
            for j in range(max(0, j0 - ring), min(rows - 1, j0 + ring) + 1):
                edge = j == j0 - ring or j == j0 + ring
                stride = 1 if edge or ring == 0 else 2 * ring
                for i in range(i0 - ring, i0 + ring + 1, stride):
                    if not 0 <= i < columns:
                        continue
                    air = under - top[j, i]
                    if air <= contact * h or (air <= carry and owner[j, i] != BED):
                        cx, cy = left + (i + 0.5) * size - x, bottom + (j + 0.5) * size - y
                        far[p] = min(far[p], math.hypot(cx, cy))
    return far

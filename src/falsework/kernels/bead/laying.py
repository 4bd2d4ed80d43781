"""Strands of one layer before and after they are laid: apart from travels, measured, and looked over."""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.bead.resting import ASIDE, BED, FLAT, OWNERS, PART, SUPPORT, drops
from falsework.kernels.bead.strands import (
    AX,
    AY,
    AZ,
    BX,
    BY,
    BZ,
    DRAWN,
    FAN,
    LAYER,
    LINE,
    NOZZLE,
    PACE,
    STRAND,
    VOLUME,
)
from falsework.kernels.compiled import bare, bare_kernel, inner, kernel

REST_MM = 1e-6  # what is pushed along less than this is pushed at rest


@bare
def _length(row):
    """Length of a move in x, y; quicker than ``hypot``, and no machine is large enough to need that."""
    dx, dy = row[BX] - row[AX], row[BY] - row[AY]
    return math.sqrt(dx * dx + dy * dy)


@kernel
def sort_out(rows):
    """Strands, blobs and travels of ``rows`` (m, STRAND) apart.

    Returns rows of strands (n, STRAND), their ends (n, 6), length and section (n,), lowest and highest z;
    rows of travels and of blobs; order (n + travels,): which strand comes, or −1 − t for the travel t.
    """
    laid = moved = pushed = 0
    for k in range(len(rows)):
        long = _length(rows[k])
        if rows[k, VOLUME] > 0.0:
            laid += long > REST_MM
            pushed += long <= REST_MM
        else:
            moved += long > 0.0
    strands, travels, blobs = np.empty((laid, STRAND)), np.empty((moved, STRAND)), np.empty((pushed, STRAND))
    ends, lengths, section = np.empty((laid, 6)), np.empty(laid), np.empty(laid)
    order = np.empty(laid + moved, np.int64)
    laid = moved = pushed = 0
    low, top = np.inf, -np.inf
    for k in range(len(rows)):
        row = rows[k]
        long = _length(row)
        if row[VOLUME] > 0.0 and long > REST_MM:
            for c in range(STRAND):
                strands[laid, c] = row[c]
            for c in range(6):
                ends[laid, c] = row[c]
            lengths[laid] = long
            section[laid] = row[VOLUME] / long
            order[laid + moved] = laid
            low, top = min(low, row[AZ], row[BZ]), max(top, row[AZ], row[BZ])
            laid += 1
        elif row[VOLUME] > 0.0:
            blobs[pushed] = row
            pushed += 1
        elif long > 0.0:
            travels[moved] = row
            order[laid + moved] = -1 - moved
            moved += 1
    return strands, ends, lengths, section, low, top, travels, blobs, order


@bare_kernel
def bead_width(section, height):
    """Width of a bead of that section and height: a stadium's; where too thin for one, a round thread's."""
    stadium = section / height + height * (1.0 - 0.25 * math.pi)
    return stadium if stadium >= height else math.sqrt(4.0 / math.pi * section)


@bare_kernel
def bead_section(width, height):
    """The inverse of ``bead_width``."""
    if width >= height:
        return height * (width - height) + 0.25 * math.pi * height * height
    return 0.25 * math.pi * width * width


@inner
def _misfit(section, height, usual):
    """How far strands of that height would be from the usual width: median of the logarithm's size.

    Of many strands some hundreds stand for all.
    """
    stride = max(1, len(section) // 256)
    off = np.empty((len(section) + stride - 1) // stride)
    for k in range(len(off)):
        ratio = bead_width(section[k * stride], height) / usual
        off[k] = max(ratio, 1.0 / ratio)
    return math.log(np.median(off))


_CLEARLY = 0.04  # misfit by which a lower height must be better than a depth that fits
_DEEPEST_MM, _BIN_MM = 5.0, 0.001


@inner
def _layer_height(top, drop, clear, long, section, below, before, usual_height, usual_width, unlikely):
    """Height of a layer's strands: the commonest depth beneath them, unless their section denies it; that
    depth; and the share of the strands above it.

    A layer that hangs over a gap lies deeper above things than its strands are high; these would then be too
    narrow. The other candidates are the rise over the layer ``below``, its height ``before``, and the usual
    one; one of these must fit the section better by ``unlikely``.
    """
    candidates = np.array([top - below, before, usual_height])
    bins = int(_DEEPEST_MM / _BIN_MM) + 2
    votes, sums, counts = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    whole = 0.0
    for k in range(len(drop)):
        whole += long[k]
        if clear[k] > 0.5 and drop[k] > 0.02:
            at = int(min(round(drop[k] / _BIN_MM), bins - 1.0))
            votes[at] += long[k] * clear[k]
            sums[at] += drop[k]
            counts[at] += 1.0
    commonest = int(np.argmax(votes))
    best, least, slack, depth = usual_height, np.inf, 0.0, np.inf
    if votes[commonest] > 0.0 and commonest < bins - 1:
        best = depth = sums[commonest] / counts[commonest]
        least, slack = _misfit(section, best, usual_width), unlikely
        if best > 1.6 * usual_height and _misfit(section, usual_height, usual_width) <= unlikely:
            # lines over the gaps between those of every second layer beneath
            return usual_height, depth, votes[commonest] / whole
        if least <= unlikely:
            for h in candidates:  # through a narrow gap they lie a little deeper than they are high
                if 0.02 < h < depth - 1e-3:
                    misfit = _misfit(section, h, usual_width) + _CLEARLY
                    if misfit < least:
                        best, least = h, misfit
            return best, depth, votes[commonest] / whole
    for h in candidates:
        if 0.02 < h <= 3.0:
            misfit = _misfit(section, h, usual_width) + slack
            if misfit < least:
                best, least = h, misfit
    return best, depth, votes[commonest] / whole


_GROWN_MM = 0.02  # a path that begins to climb grows from nothing; lower than that its width tells nothing


@bare
def _strand_height(climbs, drop, clear, section, step, usual_width):
    """Height of one strand: the layer's, but for paths that climb, and fill of several layers at once.

    The latter lies that deep above what is beneath, and its section fits that height much better.
    """
    if climbs:
        if clear > 0.8 and abs(drop) <= _GROWN_MM and bead_width(section, _GROWN_MM) < 2.0 * usual_width:
            return _GROWN_MM
        if clear > 0.8 and _GROWN_MM < drop < 1.5 * step:
            as_drop = abs(math.log(bead_width(section, drop) / usual_width))
            return drop if as_drop < 0.7 else step
        return step
    if drop <= 2.0 * step - 0.02:
        return step
    height = step
    best = abs(math.log(bead_width(section, step) / usual_width)) - 0.25
    for layers in range(2, 4):
        tall = layers * step
        misfit = abs(math.log(bead_width(section, tall) / usual_width))
        if misfit < best and drop > tall - 0.02:
            height, best = tall, misfit
    return height


@kernel
def open_paths(path, ends, half):
    """(n,) whether each strand's path (n,) ends elsewhere than it began: fill, and not a wall.

    ends (n, 6), half (n,) half widths.
    """
    n = len(path)
    out = np.empty(n, np.bool_)
    begin = 0
    while begin < n:
        last = begin
        while last + 1 < n and path[last + 1] == path[begin]:
            last += 1
        gap = math.hypot(ends[begin, 0] - ends[last, 3], ends[begin, 1] - ends[last, 4])
        is_open = gap >= 2.4 * half[begin] or last <= begin + 1
        for k in range(begin, last + 1):
            out[k] = is_open
        begin = last + 1
    return out


@kernel
def measure(
    ends, path, long, section, top, field, left, bottom, size, below, before, usual_height, usual_width,
    unlikely,
):  # fmt: skip
    """Height of the layer, the commonest depth beneath its strands and how many lie so deep; (n,) height and
    half width of each strand, and whether its path (n,) is open; beads (n, 5) ax, ay, bx, by, half width, and
    (n,) their tops half way; O(n + cells along them).

    ``field``, ``left``, ``bottom``, ``size`` as for ``drops``; the rest as for ``_layer_height``.
    """
    drop, clear = drops(ends, field, left, bottom, size)
    step, depth, so_deep = _layer_height(
        top, drop, clear, long, section, below, before, usual_height, usual_width, unlikely
    )
    n = len(ends)
    height, half, beads, middle = np.empty(n), np.empty(n), np.empty((n, 5)), np.empty(n)
    for k in range(n):
        climbs = ends[k, 2] != ends[k, 5]
        height[k] = _strand_height(climbs, drop[k], clear[k], section[k], step, usual_width)
        half[k] = 0.5 * bead_width(section[k], height[k])
        beads[k, 0], beads[k, 1], beads[k, 2], beads[k, 3] = ends[k, 0], ends[k, 1], ends[k, 3], ends[k, 4]
        beads[k, 4] = half[k]
        middle[k] = 0.5 * (ends[k, 2] + ends[k, 5])
    return step, depth, so_deep, height, half, open_paths(path, ends, half), beads, middle


@kernel
def undersides(middle, height, chosen):
    """Lowest and highest underside of chosen strands, and the height of the highest of them."""
    low, high, tall = np.inf, -np.inf, 0.0
    for k in chosen:
        under = middle[k] - height[k]
        low, high, tall = min(low, under), max(high, under), max(tall, height[k])
    return low, high, tall


# what ``look_over`` marks: one bit each
FLOATS, FUSED_ON_TOP, FUSED_BELOW, STRAY, STARVED, OVERFED, TWICE, SUNK, GLUT = range(9)
MARKS = 9
# and sums up: mm³ rebuilt from outer measures; mm of length, of what asks for more than nozzles melt, the
# most of that in mm³/s; mm of the part's closed lines laid over what this layer has there already
REBUILT, WHOLE, TOO_FAST, MOST_MELT, CROSSED = range(5)
LOOKED = 5
# classes of strands: closed lines of the part, its open ones that lie on something, those over air; supports;
# what is neither. Lines beside the print belong to none
WALL, FILL, OVER_AIR, HOLDING, OTHER = range(5)
CLASSES = 5
# summed up for each: mm; mm³; mm times mm/s, fan share and °C
LONG, LAID, PACED, COOLED, HEATED = range(5)
CLASS_SUMS = 5
_GLUT, _GLUT_MM3 = 6.0, 8.0  # times the section of a usual strand, and mm³ beyond: no strand takes that
_LESS = 0.6  # of what a strand of the usual width takes: it may be starved
_ON_AIR = 0.4  # share of an open strand that rests, below which its section is that of a thread over air


@kernel
def look_over(
    rows, long, section, height, width, owner, fills, resting, near, gap, sunk, twice,
    first, knows_part, carry, usual_height, usual_width, nozzle, flattest, melted,
):  # fmt: skip
    """Strands of a laid layer with something about them, and sums over all.

    ``first``: the layer is the lowest; ``knows_part``: owners tell part from support; carry: widest gap that
    counts as one, mm; flattest: widest strand, in heights; fills (n,): no closed lines; melted: what nozzles
    melt, mm³/s. Returns marks (n,) uint16, one bit for each; mm of strands with each mark (MARKS,), sunk ones
    by their sunk share; mm³ by owner (OWNERS,); sums (LOOKED,) as named above; and by class (CLASSES,
    CLASS_SUMS).
    """
    marks = np.zeros(len(rows), np.uint16)
    lengths, by_owner, sums = np.zeros(MARKS), np.zeros(OWNERS), np.zeros(LOOKED)
    by_class = np.zeros((CLASSES, CLASS_SUMS))
    rebuilt = whole = fast = most = crossed = 0.0
    lies, shows = np.zeros(OWNERS), np.zeros(OWNERS)
    for k in range(len(rows)):
        l, h, w, o = long[k], height[k], width[k], owner[k]
        on = over = 0.0
        for c in range(OWNERS):
            lies[c], shows[c] = resting[k, c], near[k, c]
            on += lies[c]
            over += shows[c]
        rebuilt += bead_section(w, h) * l
        by_owner[o] += rows[k, VOLUME]
        whole += l
        melt = section[k] * rows[k, PACE]
        if melt > melted:
            fast += l
            most = max(most, melt)
        if o == PART and not fills[k] and rows[k, AZ] == rows[k, BZ]:
            crossed += l * twice[k]
        if o == FLAT:
            continue
        if o == PART:
            kind = (FILL if on >= _ON_AIR or first else OVER_AIR) if fills[k] else WALL
        else:
            kind = HOLDING if o == SUPPORT else OTHER
        mine = by_class[kind]
        mine[LONG] += l
        mine[LAID] += rows[k, VOLUME]
        mine[PACED] += l * rows[k, PACE]
        mine[COOLED] += l * rows[k, FAN]
        mine[HEATED] += l * rows[k, NOZZLE]
        mark = 0
        if on == 0.0 and first:
            mark |= (shows[BED] > 0.9) << FLOATS
        elif on == 0.0 and o == PART and shows[PART] > 0.1:
            mark |= (gap[k, PART] > 0.4 * h and gap[k, PART] <= carry) << FLOATS
        if knows_part and not first:
            mark |= (o == PART and lies[SUPPORT] > 0.3) << FUSED_ON_TOP
            mark |= (o == SUPPORT and lies[PART] > 0.3) << FUSED_BELOW
            mark |= (o == ASIDE and on < 0.3) << STRAY
        climbs = rows[k, AZ] != rows[k, BZ]
        if l > min(usual_width, 4.0 * h) and not (climbs and h <= _GROWN_MM):
            thin = section[k] < 0.25 * math.pi * h * h
            mark |= (thin or section[k] < _LESS * bead_section(usual_width, h)) << STARVED
            mark |= (w > 1.9 * max(usual_width, nozzle) or w > flattest * max(h, usual_height)) << OVERFED
            mark |= (twice[k] > 0.8 and not climbs) << TWICE
        if sunk[k] > 0.3:
            mark |= 1 << SUNK
            lengths[SUNK] += l * sunk[k]
        full = _GLUT * bead_section(usual_width, h)
        if section[k] > full and (section[k] - full) * l > _GLUT_MM3:
            mark |= 1 << GLUT
            lengths[GLUT] += l
        marks[k] = mark
        if mark:
            for c in range(SUNK):
                if mark >> c & 1:
                    lengths[c] += l
    sums[REBUILT], sums[WHOLE], sums[TOO_FAST], sums[MOST_MELT], sums[CROSSED] = (
        rebuilt,
        whole,
        fast,
        most,
        crossed,
    )
    return marks, lengths, by_owner, sums, by_class


# sums over strands as they come, for ``tally``
PUSHED, BLOBS, STRANDS, HOTTEST, HELD, HELD_LINE, COLD, COLD_LINE, UNASKED, UNASKED_LINE = range(10)
LOW, HIGH, REACH_LOW, REACH_HIGH = 10, 13, 16, 19  # x, y, z each: of strands, of all moves
SUMS = 22
BLOCK = 14
_TRAVEL_MM = 2.0  # shorter travels do without drawing back


def fresh_sums() -> np.ndarray:
    """Nothing seen yet."""
    sums = np.zeros(SUMS)
    sums[LOW:].reshape(4, 3)[:] = np.array([np.inf, -np.inf, np.inf, -np.inf])[:, None]
    return sums


@kernel
def tally(rows, coldest, sums, blocks):
    """Add up rows of strands (n, STRAND): into ``sums``, and by layer into ``blocks`` (≥ n, BLOCK).

    A block is layer, top z, line, mm, mm³ of strands, their box (least x, y, most x, y), first row and end
    of the rows, mm of travels after the first strand, of those with filament drawn back, and the seconds they
    take at the speed they ask for. Strands laid at
    0 °C or more and less than ``coldest`` count as cold; those laid before any heat was asked for, as
    unasked, with the line of the last. Returns how many blocks there are. O(n).
    """
    n = -1
    pushed = lost = 0.0  # apart and with what rounding takes, so that a long program's sum stays exact
    for k in range(len(rows)):
        row = rows[k]
        volume = row[VOLUME]
        for c in range(3):
            sums[REACH_LOW + c] = min(sums[REACH_LOW + c], row[BX + c])
            sums[REACH_HIGH + c] = max(sums[REACH_HIGH + c], row[BX + c])
        if volume <= 0.0:
            if n >= 0 and volume == 0.0:
                far = _length(row)
                if far > _TRAVEL_MM:
                    blocks[n, 11] += far
                    blocks[n, 12] += far * (row[DRAWN] > 0.0)
                    blocks[n, 13] += far / max(row[PACE], 1e-6)
            continue
        more = volume - lost
        lost = (pushed + more) - pushed - more
        pushed += more
        long = _length(row)
        if long <= REST_MM:
            sums[BLOBS] += volume
            continue
        sums[STRANDS] += 1.0
        for c in range(3):
            sums[LOW + c] = min(sums[LOW + c], row[AX + c], row[BX + c])
            sums[HIGH + c] = max(sums[HIGH + c], row[AX + c], row[BX + c])
        sums[HOTTEST] = max(sums[HOTTEST], row[NOZZLE])
        if row[DRAWN] == 1.0:
            sums[HELD] += 1.0
            if sums[HELD] == 1.0:
                sums[HELD_LINE] = row[LINE]
        if row[NOZZLE] < 0.0:
            sums[UNASKED] += 1.0
            sums[UNASKED_LINE] = row[LINE]
        elif row[NOZZLE] < coldest:
            sums[COLD] += 1.0
            if sums[COLD] == 1.0:
                sums[COLD_LINE] = row[LINE]
        if n < 0 or blocks[n, 0] != row[LAYER]:
            n += 1
            blocks[n, 0] = row[LAYER]
            blocks[n, 1] = -np.inf
            blocks[n, 2] = row[LINE]
            blocks[n, 3] = blocks[n, 4] = 0.0
            blocks[n, 5] = blocks[n, 6] = np.inf
            blocks[n, 7] = blocks[n, 8] = -np.inf
            blocks[n, 9] = k
            blocks[n, 11] = blocks[n, 12] = blocks[n, 13] = 0.0
        for c in range(2):
            blocks[n, 5 + c] = min(blocks[n, 5 + c], row[AX + c], row[BX + c])
            blocks[n, 7 + c] = max(blocks[n, 7 + c], row[AX + c], row[BX + c])
        blocks[n, 1] = max(blocks[n, 1], row[BZ])
        blocks[n, 3] += long
        blocks[n, 4] += volume
        blocks[n, 10] = k + 1
    sums[PUSHED] += pushed
    return n + 1

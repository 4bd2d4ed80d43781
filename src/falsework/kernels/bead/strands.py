"""From moves to strands: straight pieces of bead, their paths and layers, and bins to find them again."""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.bead.machine import (
    AT_FAN,
    AT_LINE,
    AT_NOZZLE,
    IS_DRAWN,
    PUSHED,
    SPEED,
    TO_X,
    TO_Y,
    TO_Z,
)
from falsework.kernels.compiled import kernel

# columns of a strand: both ends, mm³, mm/s, fan share, °C, held (1) or drawn back (0.5), line number, path,
# layer. Rows without volume are travels; rows with volume and without length are blobs.
AX, AY, AZ, BX, BY, BZ, VOLUME, PACE, FAN, NOZZLE, DRAWN, LINE, PATH, LAYER = range(14)
STRAND = 14

# what is carried from one call to the next
_X, _Y, _Z, _PATH, _MOVED, _AT_Z, _LAYER, _PITCH, _SPIRAL, _TURN = range(10)
CARRY = 10

_FLAT = 1e-5  # mm; a move that climbs less is level
_SAME = 5e-5  # mm; strands nearer in height are of one layer: programs write four digits at the most


def fresh_carry(pitch_mm: float) -> np.ndarray:
    """Nothing laid yet; ``pitch_mm`` is taken for a layer's height until two layers have told it."""
    carry = np.zeros(CARRY)
    carry[_LAYER] = -1.0
    carry[_MOVED] = 1.0
    carry[_PITCH] = pitch_mm
    return carry


@kernel
def strands(rows, carry, out):
    """Strands, blobs and travels of ``rows`` (n, COLUMNS) into ``out`` (≥ n, STRAND); returns how many.

    A path is what is laid without a travel in between. A level strand at another height than the last begins
    a layer; a climbing path is cut into layers of half a turn's rise, so that what lies beneath a strand is
    always of an earlier layer. O(n).
    """
    n = 0
    for k in range(len(rows)):
        row = rows[k]
        x, y, z = row[TO_X], row[TO_Y], row[TO_Z]
        dx, dy, dz = x - carry[_X], y - carry[_Y], z - carry[_Z]
        long = math.sqrt(dx * dx + dy * dy)
        pushed = row[PUSHED]
        if pushed <= 0.0 and long == 0.0 and dz == 0.0:
            continue
        if pushed > 0.0 and long > 1e-6:
            if carry[_MOVED] != 0.0:
                carry[_PATH] += 1.0
                carry[_MOVED] = 0.0
            if abs(dz) <= _FLAT:
                if carry[_LAYER] < 0.0 or abs(z - carry[_AT_Z]) > _SAME:
                    if z > carry[_AT_Z] + _SAME:
                        carry[_PITCH] = z - carry[_AT_Z]
                    carry[_LAYER] += 1.0
                    carry[_AT_Z] = z
                carry[_SPIRAL] = 0.0
            else:
                if (
                    carry[_SPIRAL] == 0.0
                    or z < carry[_TURN] - _SAME
                    or z - carry[_TURN] > 0.5 * carry[_PITCH]
                ):
                    carry[_LAYER] += 1.0
                    carry[_TURN] = carry[_Z]
                    carry[_SPIRAL] = 1.0
                carry[_AT_Z] = z
        elif pushed <= 0.0:
            carry[_MOVED] = 1.0
        to = out[n]
        to[AX], to[AY], to[AZ] = carry[_X], carry[_Y], carry[_Z]
        to[BX], to[BY], to[BZ] = x, y, z
        to[VOLUME] = pushed
        to[PACE] = row[SPEED]
        to[FAN] = row[AT_FAN]
        to[NOZZLE] = row[AT_NOZZLE]
        to[DRAWN] = row[IS_DRAWN]
        to[LINE] = row[AT_LINE]
        to[PATH] = carry[_PATH]
        to[LAYER] = carry[_LAYER]
        n += 1
        carry[_X], carry[_Y], carry[_Z] = x, y, z
    return n


@kernel
def span_at(ax, ay, bx, by, r, y, ends):
    """(from, to) in x of the bead of half width ``r`` around a–b at height y; round ends if ``ends``.

    from > to where it does not reach this y.
    """
    low, high = np.inf, -np.inf
    dx, dy = bx - ax, by - ay
    long = math.hypot(dx, dy)
    if ends:
        for k in range(2):
            cx = ax if k == 0 else bx
            off = y - (ay if k == 0 else by)
            if abs(off) <= r:
                half = math.sqrt(r * r - off * off)
                low = min(low, cx - half)
                high = max(high, cx + half)
    if long > 0.0:
        ux, uy = dx / long, dy / long
        off = y - ay
        first, last = -np.inf, np.inf
        if abs(ux) > 1e-12:
            p, q = -off * uy / ux, (long - off * uy) / ux
            first, last = max(first, min(p, q)), min(last, max(p, q))
        elif off * uy < 0.0 or off * uy > long:
            first, last = np.inf, -np.inf
        if abs(uy) > 1e-12:
            p, q = (off * ux - r) / uy, (off * ux + r) / uy
            first, last = max(first, min(p, q)), min(last, max(p, q))
        elif abs(off * ux) > r:
            first, last = np.inf, -np.inf
        if first <= last:
            low = min(low, ax + first)
            high = max(high, ax + last)
    return low, high


@kernel
def bins_of(beads, left, bottom, size, columns, rows):
    """Which beads touch which square: (start (columns · rows + 1,), bead index) in compressed rows.

    ``beads`` (n, 5) ax, ay, bx, by, half width. O(squares touched + squares).
    """
    start = np.zeros(columns * rows + 1, np.int64)
    index = np.zeros(0, np.int64)
    for turn in range(2):
        for b in range(len(beads)):
            ax, ay, bx, by, r = beads[b, 0], beads[b, 1], beads[b, 2], beads[b, 3], beads[b, 4]
            j0 = max(0, int((min(ay, by) - r - bottom) / size))
            j1 = min(rows - 1, int((max(ay, by) + r - bottom) / size))
            for j in range(j0, j1 + 1):
                # the stretch of the centre line within this row, grown by the half width
                y0, y1 = bottom + j * size - r, bottom + (j + 1) * size + r
                t0, t1 = 0.0, 1.0
                if abs(by - ay) > 1e-12:
                    p, q = (y0 - ay) / (by - ay), (y1 - ay) / (by - ay)
                    t0, t1 = max(0.0, min(p, q)), min(1.0, max(p, q))
                    if t0 > t1:
                        continue
                xa, xb = ax + t0 * (bx - ax), ax + t1 * (bx - ax)
                i0 = max(0, int((min(xa, xb) - r - left) / size))
                i1 = min(columns - 1, int((max(xa, xb) + r - left) / size))
                for i in range(i0, i1 + 1):
                    at = j * columns + i
                    if turn == 0:
                        start[at + 1] += 1
                    else:
                        index[start[at]] = b
                        start[at] += 1
        if turn == 0:
            for k in range(columns * rows):
                start[k + 1] += start[k]
            index = np.zeros(start[-1], np.int64)
    for k in range(columns * rows, 0, -1):  # filling moved each start to the next
        start[k] = start[k - 1]
    start[0] = 0
    return start, index

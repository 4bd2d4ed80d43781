"""Reads an RS-274 machine program: from its bytes to the moves that the machine makes.

The interpreter keeps all it knows in flat arrays, so that a program can be fed in pieces of any size:

state (STATE,) float64, see the names below; lengths mm, speeds mm/s, temperatures °C.
counts (KINDS,) int64 and firsts (KINDS, KEPT, 2) float64: how often something worth telling was met, and line
    number and a value of the first ``KEPT`` times.
codes (n, 3) int64: command words that are not followed, as letter · 10⁶ + ten times the number, how often,
    first line; the last row takes all that have no room.

O(bytes), no allocation but one small scratch array per call.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import inner, kernel

# state
X, Y, Z, E = 0, 1, 2, 3  # where the machine is; E counts all filament ever fed forward less back
HIGH = 4  # the farthest that E has been: what is fed beyond it comes out of the nozzle
OFFSET = 5  # .. 8: machine position less the program's own count, for X, Y, Z, E
FEED, UNIT, RELATIVE, E_RELATIVE, E_RULED = 9, 10, 11, 12, 13
PLANE, MODE, FAN, NOZZLE, BED, TOOL, DRAWN = 14, 15, 16, 17, 18, 19, 20
LINE, NEXT_N, ENDED, DWELL, CHORD = 21, 22, 23, 24, 25
FEED_SHARE, FLOW_SHARE, VOLUMETRIC, HEATED = 26, 27, 28, 29
FILAMENT = 30  # its section, mm²: what a millimetre of E pushes out where E is not a volume
BED_MOST = 31  # the hottest the bed is asked to be
PRINT_RATE, TRAVEL_RATE, FLAT_MOST, RISE_MOST = 32, 33, 34, 35  # accelerations and their limits, mm/s²
TOOL_HEAT, TOOLS = 36, 8  # heat asked of each of the first tools; −1: none
STATE = TOOL_HEAT + TOOLS

# kinds of things worth telling
GARBLED, UNKNOWN, TEXT, CHECKSUM, JUMP, BAD_ARC, CURVE, TOOL_CHANGE, PAUSE, AFTER_END, WILD, NO_FEED = range(
    12
)
SQUEEZE, PROBED, UNITS, LATE_HOME, MOVES, ARCS, FEEDLESS, BAD_CURVE = range(12, 20)
KINDS, KEPT = 20, 8

# columns of a move: where it ends, mm³ that come out of the nozzle, mm of E (back where negative), mm/s, fan
# share, °C asked of the nozzle (-1 before any), whether a word holds the filament back, line number, mm/s²
TO_X, TO_Y, TO_Z, PUSHED, FED, SPEED, AT_FAN, AT_NOZZLE, IS_DRAWN, AT_LINE, ACCELERATION = range(11)
COLUMNS = 11
ROOM = 2048  # rows that one line of a program may take: the chords of one arc

_MOST = 1e6  # mm; no machine is as large, and sums of such numbers are still exact to 1e-9 mm


def fresh_state(
    filament_mm2: float,
    volumetric: bool = False,
    chord_mm: float = 0.005,
    acceleration_mm_s2: float = 1000.0,
) -> np.ndarray:
    """State of a machine just switched on; curves become chords that leave them by at most ``chord_mm``.

    ``filament_mm2``: section of the filament. ``volumetric``: E counts mm³ and not mm of filament.
    ``acceleration_mm_s2`` holds until the program sets its own.
    """
    state = np.zeros(STATE)
    state[UNIT] = state[FEED_SHARE] = state[FLOW_SHARE] = 1.0
    state[PLANE], state[MODE], state[NEXT_N] = 17.0, -1.0, -1.0
    state[BED] = state[NOZZLE] = state[FAN] = 0.0
    state[CHORD] = chord_mm
    state[FILAMENT] = filament_mm2
    state[VOLUMETRIC] = float(volumetric)
    state[PRINT_RATE] = state[TRAVEL_RATE] = acceleration_mm_s2
    state[FLAT_MOST] = state[RISE_MOST] = _MOST
    state[TOOL_HEAT:] = -1.0
    return state


@inner
def _tally(counts, firsts, kind, line, value):
    seen = counts[kind]
    if seen < KEPT:
        firsts[kind, seen, 0] = line
        firsts[kind, seen, 1] = value
    counts[kind] = seen + 1


@inner
def _note_code(codes, letter, number, line):
    key = letter * 1_000_000 + np.int64(np.floor(number * 10.0 + 0.5))
    last = len(codes) - 1
    for k in range(last):
        if codes[k, 1] == 0:
            codes[k, 0] = key
            codes[k, 2] = line
        if codes[k, 0] == key:
            codes[k, 1] += 1
            return
    codes[last, 1] += 1


@inner
def _emit(out, n, state, x, y, z, e, line):
    """One straight move to x, y, z with the feed up to E = e."""
    row = out[n]
    row[TO_X] = x
    row[TO_Y] = y
    row[TO_Z] = z
    row[PUSHED] = max(0.0, e - state[HIGH]) * (1.0 if state[VOLUMETRIC] != 0.0 else state[FILAMENT])
    row[FED] = e - state[E]
    row[SPEED] = state[FEED] * state[FEED_SHARE]
    row[AT_FAN] = state[FAN]
    row[AT_NOZZLE] = state[NOZZLE] if state[HEATED] > 0.0 else -1.0
    row[IS_DRAWN] = state[DRAWN]
    row[AT_LINE] = line
    rate = state[PRINT_RATE] if e > state[E] else state[TRAVEL_RATE]
    most = state[RISE_MOST] if x == state[X] and y == state[Y] else state[FLAT_MOST]
    row[ACCELERATION] = min(rate, most)
    state[X] = x
    state[Y] = y
    state[Z] = z
    state[E] = e
    state[HIGH] = max(state[HIGH], e)
    return n + 1


@inner
def _arc(out, n, state, counts, firsts, value, given, target, clockwise, line):
    """Chords of a circular or helical move; a straight one where centre or radius make no sense."""
    plane = int(state[PLANE])
    a, b, c = 0, 1, 2
    if plane == 18:
        a, b, c = 2, 0, 1
    elif plane == 19:
        a, b, c = 1, 2, 0
    start_a, start_b, start_c = state[a], state[b], state[c]
    end_a, end_b, end_c = target[a], target[b], target[c]
    offsets = given & (1 << 8 | 1 << 9 | 1 << 10)  # I, J, K
    unit = state[UNIT]
    sound = True
    centre_a = centre_b = 0.0
    if offsets != 0:
        if given & (1 << (8 + a)):
            centre_a = value[8 + a] * unit
        if given & (1 << (8 + b)):
            centre_b = value[8 + b] * unit
        centre_a += start_a
        centre_b += start_b
    elif given & (1 << 17):  # R
        radius = value[17] * unit
        da, db = end_a - start_a, end_b - start_b
        chord = math.hypot(da, db)
        if chord < 1e-9 or 2.0 * abs(radius) < chord * (1.0 - 1e-3):
            sound = False
        else:
            rise = math.sqrt(max(0.0, radius * radius - 0.25 * chord * chord))
            # the centre lies left of the chord for a short arc to the left, or a long one to the right
            side = rise / chord if (radius > 0.0) != clockwise else -rise / chord
            centre_a = 0.5 * (start_a + end_a) - side * db
            centre_b = 0.5 * (start_b + end_b) + side * da
    else:
        sound = False
    e0, e1 = state[E], target[3]
    if sound:
        first = math.hypot(start_a - centre_a, start_b - centre_b)
        last = math.hypot(end_a - centre_a, end_b - centre_b)
        sound = first > 1e-6 and last > 1e-6 and first < _MOST
        if sound and abs(first - last) > max(0.02, 0.002 * first):
            _tally(counts, firsts, BAD_ARC, line, abs(first - last))
    if not sound:
        _tally(counts, firsts, BAD_ARC, line, -1.0)
        return _emit(out, n, state, target[0], target[1], target[2], e1, line)
    from_angle = math.atan2(start_b - centre_b, start_a - centre_a)
    sweep = math.atan2(end_b - centre_b, end_a - centre_a) - from_angle
    if math.hypot(end_a - start_a, end_b - start_b) < 1e-9:
        sweep = -2.0 * math.pi if clockwise else 2.0 * math.pi
    elif clockwise and sweep >= 0.0:
        sweep -= 2.0 * math.pi
    elif not clockwise and sweep <= 0.0:
        sweep += 2.0 * math.pi
    step = 2.0 * math.acos(max(0.0, 1.0 - state[CHORD] / max(first, state[CHORD])))
    chords = min(ROOM - 2, max(1, math.ceil(abs(sweep) / step)))
    point = np.empty(3)
    for k in range(1, chords + 1):
        share = k / chords
        if k == chords:
            point[a], point[b], point[c] = end_a, end_b, end_c
        else:
            angle = from_angle + sweep * share
            radius = first + (last - first) * share
            point[a] = centre_a + radius * math.cos(angle)
            point[b] = centre_b + radius * math.sin(angle)
            point[c] = start_c + (end_c - start_c) * share
        n = _emit(out, n, state, point[0], point[1], point[2], e0 + (e1 - e0) * share, line)
    counts[ARCS] += 1
    return n


@inner
def _curve(out, n, state, counts, firsts, value, given, target, quadratic, line):
    """Chords of a Bézier curve in x, y (z and feed in step with it); straight where it lacks control points.

    I, J lead from its start to the first control point, P, Q from its end to the second; of a quadratic one
    I, J lead to the only one.
    """
    needed = 1 << 8 | 1 << 9 if quadratic else 1 << 8 | 1 << 9 | 1 << 15 | 1 << 16
    _tally(counts, firsts, CURVE, line, 0.0)
    if given & needed != needed:
        _tally(counts, firsts, BAD_CURVE, line, 0.0)
        return _emit(out, n, state, target[0], target[1], target[2], target[3], line)
    unit = state[UNIT]
    x0, y0, z0, e0 = state[X], state[Y], state[Z], state[E]
    x3, y3 = target[0], target[1]
    x1, y1 = x0 + value[8] * unit, y0 + value[9] * unit
    if quadratic:  # as the cubic that it is
        x2, y2 = x3 + (x1 - x3) * 2.0 / 3.0, y3 + (y1 - y3) * 2.0 / 3.0
        x1, y1 = x0 + (x1 - x0) * 2.0 / 3.0, y0 + (y1 - y0) * 2.0 / 3.0
    else:
        x2, y2 = x3 + value[15] * unit, y3 + value[16] * unit
    # its second derivative is 6 times that at most, and chords leave it by an eighth of it over their square
    bend = max(math.hypot(x0 - 2 * x1 + x2, y0 - 2 * y1 + y2), math.hypot(x1 - 2 * x2 + x3, y1 - 2 * y2 + y3))
    if not bend < _MOST:
        _tally(counts, firsts, BAD_CURVE, line, 0.0)
        return _emit(out, n, state, x3, y3, target[2], target[3], line)
    chords = min(ROOM - 2, max(1, math.ceil(math.sqrt(0.75 * bend / state[CHORD]))))
    points = np.empty((chords + 1, 3))  # x, y and the way so far
    for k in range(chords + 1):
        t = k / chords
        s = 1.0 - t
        points[k, 0] = s * s * s * x0 + 3 * s * s * t * x1 + 3 * s * t * t * x2 + t * t * t * x3
        points[k, 1] = s * s * s * y0 + 3 * s * s * t * y1 + 3 * s * t * t * y2 + t * t * t * y3
        points[k, 2] = 0.0
        if k:
            step = math.hypot(points[k, 0] - points[k - 1, 0], points[k, 1] - points[k - 1, 1])
            points[k, 2] = points[k - 1, 2] + step
    whole = points[chords, 2]
    for k in range(1, chords + 1):
        share = points[k, 2] / whole if whole > 0.0 else k / chords
        x, y, z = points[k, 0], points[k, 1], z0 + share * (target[2] - z0)
        n = _emit(out, n, state, x, y, z, e0 + share * (target[3] - e0), line)
    return n


@inner
def _quiet_g(code):
    """Preparatory words that change nothing about where strands lie (tenths of the number)."""
    return code in (400, 490, 540, 610, 640, 800, 940, 980, 290, 300, 320, 330, 340, 270, 120, 310, 990)


@inner
def _quiet_m(code):
    """Miscellaneous words that change nothing about where strands lie."""
    return (
        code
        in (3, 4, 5, 6, 7, 8, 9, 17, 18, 20, 21, 22, 23, 24, 26, 27, 31, 42, 73, 75, 76, 77, 80, 81, 84, 85)
        or code in (86, 92, 105, 110, 111, 112, 113, 114, 115, 117, 118, 119, 120, 121, 141, 145, 150, 154)
        or code in (155, 191, 202, 203, 205, 206, 207, 208, 209, 211, 217, 218, 280, 300, 301)
        or code in (302, 303, 304, 355, 400, 401, 402, 403, 412, 413, 420, 425, 486, 500, 501, 502, 503)
        or code in (569, 572, 593, 851, 862, 900, 906, 907, 908, 913, 914, 997, 999)
    )


@inner
def _miscellaneous(code, state, counts, firsts, codes, value, given, line):
    """One M word of the line."""
    s_given = given & (1 << 18) != 0
    s = value[18]
    if code == 82 or code == 83:
        state[E_RELATIVE] = 1.0 if code == 83 else 0.0
        state[E_RULED] = 1.0
    elif code == 104 or code == 109:
        wanted = s if s_given else (value[17] if given & (1 << 17) else -1.0)
        tool = value[19] if given & (1 << 19) else state[TOOL]
        if wanted >= 0.0:
            if 0.0 <= tool < TOOLS:
                state[TOOL_HEAT + int(tool)] = wanted
            if tool == state[TOOL]:
                state[NOZZLE] = wanted
            state[HEATED] = 1.0
    elif code == 140 or code == 190:
        wanted = s if s_given else (value[17] if given & (1 << 17) else -1.0)
        if wanted >= 0.0:
            state[BED] = wanted
            state[BED_MOST] = max(state[BED_MOST], wanted)
    elif code == 106 or code == 107:
        if given & (1 << 15) == 0 or value[15] == 0.0:  # P: another fan than the one on the part
            share = 1.0
            if code == 107:
                share = 0.0
            elif s_given:
                share = s if s <= 1.0 else s / 255.0
            state[FAN] = min(1.0, max(0.0, share))
    elif code == 200:
        if given & (1 << 3):
            state[VOLUMETRIC] = 1.0 if value[3] > 0.0 else 0.0
    elif code == 220:
        if s_given and s > 0.0:
            state[FEED_SHARE] = 0.01 * s
    elif code == 221:
        if s_given and s >= 0.0:
            state[FLOW_SHARE] = 0.01 * s
    elif code == 201:  # the axes' own limits; of x and y the lesser
        x = value[23] if given & (1 << 23) else np.inf
        y = value[24] if given & (1 << 24) else np.inf
        if 0.0 < min(x, y) < np.inf:
            state[FLAT_MOST] = min(x, y) * state[UNIT]
        if given & (1 << 25) and value[25] > 0.0:
            state[RISE_MOST] = value[25] * state[UNIT]
    elif code == 204:  # S: all moves; P: strands; T: travels
        at = s if s_given else value[15] if given & (1 << 15) else 0.0
        if at > 0.0:
            state[PRINT_RATE] = at * state[UNIT]
        at = s if s_given else value[19] if given & (1 << 19) else 0.0
        if at > 0.0:
            state[TRAVEL_RATE] = at * state[UNIT]
    elif code in (0, 1, 25, 226, 600, 601):
        _tally(counts, firsts, PAUSE, line, code)
    elif code == 2 or code == 30:
        state[ENDED] = 1.0
    elif not _quiet_m(code):
        _tally(counts, firsts, UNKNOWN, line, code)
        _note_code(codes, 77, code, line)


@inner
def _execute(out, n, state, counts, firsts, codes, value, given, g_words, gs, m_words, ms, line, target):
    """What one line tells the machine to do, in the order of RS-274: modes first, motion last."""
    unit_before = state[UNIT]
    axes = given & (1 << 23 | 1 << 24 | 1 << 25 | 1 << 4)  # X Y Z E
    quadratic = False
    special = 0  # G4, G28, G92 and the like take the line's axes
    for k in range(gs):
        code = g_words[k]  # tenths
        if code in (0, 10, 20, 30):
            state[MODE] = code // 10
        elif code in (50, 51):
            special = 5
            quadratic = code == 51
        elif code in (170, 180, 190):
            state[PLANE] = code // 10
        elif code == 200:
            state[UNIT] = 25.4
        elif code == 210:
            state[UNIT] = 1.0
        elif code == 900 or code == 910:
            state[RELATIVE] = 1.0 if code == 910 else 0.0
            if state[E_RULED] == 0.0:
                state[E_RELATIVE] = state[RELATIVE]
        elif code == 40:
            special = 4
        elif code == 280:
            special = 28
        elif code == 920:
            special = 92
        elif code == 100 or code == 110:
            if code == 100 and given & (1 << 15 | 1 << 11):  # P, L: an offset, not a retraction
                _tally(counts, firsts, UNKNOWN, line, 10.0)
                _note_code(codes, 71, 10.0, line)
            else:
                state[DRAWN] = 1.0 if code == 100 else 0.0
            special = 10
        elif _quiet_g(code):
            special = 99
            if code in (290, 300, 320, 330, 340):
                counts[PROBED] += 1
        else:
            _tally(counts, firsts, UNKNOWN, line, code * 0.1)
            _note_code(codes, 71, code * 0.1, line)
            special = 99
    if state[UNIT] != unit_before:
        _tally(counts, firsts, UNITS, line, state[UNIT])
    if given & (1 << 5) and (special == 0 or special == 5):
        feed = value[5] * state[UNIT] / 60.0
        if feed > 0.0 and feed < _MOST:
            state[FEED] = feed
        else:
            _tally(counts, firsts, NO_FEED, line, feed)
    if gs > 0 or ms == 0:
        if special == 4:
            if given & (1 << 18):
                state[DWELL] += min(1e5, max(0.0, value[18]))
            elif given & (1 << 15):
                state[DWELL] += min(1e5, max(0.0, 0.001 * value[15]))
        elif special == 28:
            every = axes & (1 << 23 | 1 << 24 | 1 << 25) == 0
            for k in range(3):
                if every or given & (1 << (23 + k)):
                    state[k] = 0.0
                    state[OFFSET + k] = 0.0
            if counts[MOVES] > 0 and state[HIGH] > 0.0:
                _tally(counts, firsts, LATE_HOME, line, 0.0)
        elif special == 92:
            for k in range(4):
                bit = 1 << (23 + k) if k < 3 else 1 << 4
                if axes == 0:
                    state[OFFSET + k] = state[k]
                elif given & bit:
                    at = value[23 + k] if k < 3 else value[4]
                    state[OFFSET + k] = state[k] - at * state[UNIT]
        elif (special == 0 or special == 5) and axes != 0:
            if state[MODE] < 0.0 and special == 0:
                _tally(counts, firsts, GARBLED, line, -1.0)
                return n
            wild = False
            for k in range(4):
                bit = 1 << (23 + k) if k < 3 else 1 << 4
                target[k] = state[k]
                if given & bit:
                    by = (value[23 + k] if k < 3 else value[4]) * state[UNIT]
                    relative = state[RELATIVE] if k < 3 else state[E_RELATIVE]
                    if k == 3:
                        before = state[3] - state[OFFSET + 3]
                        step = by if relative != 0.0 else by - before
                        target[3] = state[3] + step * state[FLOW_SHARE]
                        if relative == 0.0 and state[FLOW_SHARE] != 1.0:
                            state[OFFSET + 3] += step * (state[FLOW_SHARE] - 1.0)
                    elif relative != 0.0:
                        target[k] = state[k] + by
                    else:
                        target[k] = by + state[OFFSET + k]
                if not abs(target[k]) < _MOST * (1000.0 if k == 3 else 1.0):
                    wild = True
            if wild:
                _tally(counts, firsts, WILD, line, 0.0)
                return n
            if state[FEED] <= 0.0 and counts[MOVES] == 0:
                _tally(counts, firsts, FEEDLESS, line, 0.0)
            if special == 5:
                n = _curve(out, n, state, counts, firsts, value, given, target, quadratic, line)
            elif state[MODE] >= 2.0:
                n = _arc(out, n, state, counts, firsts, value, given, target, state[MODE] == 2.0, line)
            else:
                n = _emit(out, n, state, target[0], target[1], target[2], target[3], line)
            counts[MOVES] += 1
    for k in range(ms):
        _miscellaneous(m_words[k], state, counts, firsts, codes, value, given, line)
    return n


_DIGITS = 17  # that a whole number of 64 bits holds with room to spare


@inner
def _long_number(text, first, end):
    """First digits of a number of many, as a whole number and how many of them are decimals."""
    whole = np.int64(0)
    digits = decimals = 0
    dotted = False
    for i in range(first, end):
        if text[i] == 46:
            dotted = True
        elif digits < _DIGITS:
            whole = whole * 10 + (text[i] - 48)
            digits += 1
            decimals += dotted
        elif not dotted:
            whole = np.int64(10**17)  # beyond any machine: told as wild
    return whole, decimals


@kernel
def interpret(text, end, state, counts, firsts, codes, out):
    """Run the whole lines of ``text[:end]`` (uint8) until they or the room in ``out`` are used up.

    ``end`` must lie behind a line's end, or at the program's. ``out`` (n, COLUMNS) float64, n > ROOM, takes
    the moves: each starts where the one before ended. Returns (bytes used, moves written).
    """
    value, target = np.zeros(26), np.empty(4)
    g_words = np.zeros(8, np.int64)
    m_words = np.zeros(4, np.int64)
    powers = 10.0 ** np.arange(0, 19)
    n = 0
    i = 0
    most = len(out) - ROOM
    while i < end and n <= most:
        state[LINE] += 1.0
        line = state[LINE]
        begin = i
        given = 0
        gs = ms = 0
        number = -1.0  # the N word
        garbled = False
        text_line = False
        while i < end:
            c = text[i]
            if c == 10 or c == 13:
                break
            if c <= 32:
                i += 1
                continue
            if c == 59:  # ; a comment to the end of the line
                while i < end and text[i] != 10 and text[i] != 13:
                    i += 1
                break
            if c == 40:  # ( a comment in brackets
                while i < end and text[i] != 41 and text[i] != 10 and text[i] != 13:
                    i += 1
                if i < end and text[i] == 41:
                    i += 1
                continue
            if c == 37 or c == 47:  # % tape ends, / optional line
                i += 1
                continue
            if c == 42:  # * checksum
                total = 0
                for k in range(begin, i):
                    total ^= text[k]
                i += 1
                said = 0
                digits = 0
                while i < end and 48 <= text[i] <= 57 and digits < 6:
                    said = said * 10 + text[i] - 48
                    digits += 1
                    i += 1
                if digits == 0 or said != total:
                    _tally(counts, firsts, CHECKSUM, line, said)
                continue
            if 97 <= c <= 122:
                c -= 32
            if c < 65 or c > 90:
                garbled = True
                i += 1
                continue
            letter = c - 65
            i += 1
            following = text[i] if i < end else 10
            while i < end and (text[i] == 32 or text[i] == 9):
                i += 1
            sign = 1.0
            at = i
            if i < end and (text[i] == 45 or text[i] == 43):
                if text[i] == 45:
                    sign = -1.0
                i += 1
            first = i
            whole = np.int64(0)
            while i < end and 48 <= text[i] <= 57:
                whole = whole * 10 + (text[i] - 48)
                i += 1
            digits = i - first
            decimals = 0
            if i < end and text[i] == 46:
                i += 1
                point = i
                while i < end and 48 <= text[i] <= 57:
                    whole = whole * 10 + (text[i] - 48)
                    i += 1
                decimals = i - point
                digits += decimals
            if digits > _DIGITS:
                whole, decimals = _long_number(text, first, i)
            if digits == 0:
                if 97 <= following <= 122:
                    following -= 32
                if i > at:  # a sign or a point and nothing behind it
                    garbled = True
                elif 65 <= following <= 90 or following == 95:
                    # a word of text: a message behind an M word, or a command of letters
                    if ms == 0:
                        text_line = gs == 0
                        garbled = gs != 0
                    while i < end and text[i] != 10 and text[i] != 13:
                        i += 1
                    break
                elif (gs > 0 and g_words[gs - 1] in (0, 10, 20, 30, 920)) or (gs == 0 and ms == 0):
                    garbled = True
                value[letter] = 0.0
                given |= 1 << letter
                continue
            amount = sign * (whole / powers[decimals])
            if letter == 6:  # G
                if gs < 8:
                    g_words[gs] = np.int64(math.floor(min(abs(amount), 1e6) * 10.0 + 0.5))
                    gs += 1
            elif letter == 12:  # M
                if ms < 4:
                    m_words[ms] = np.int64(min(abs(amount), 1e6))
                    ms += 1
                code = m_words[max(0, ms - 1)]
                if code in (16, 23, 28, 29, 32, 117, 118):  # what follows is text, not words
                    while i < end and text[i] != 10 and text[i] != 13 and text[i] != 42:
                        i += 1
            elif letter == 13:  # N
                number = amount
            elif letter == 19 and (ms == 0 or m_words[0] == 6):  # T; behind other M words it is their own
                if amount != state[TOOL]:
                    if counts[MOVES] > 0 or amount > 0:
                        _tally(counts, firsts, TOOL_CHANGE, line, amount)
                    state[TOOL] = amount
                    heat = state[TOOL_HEAT + int(amount)] if 0.0 <= amount < TOOLS else -1.0
                    if heat >= 0.0:  # of one that has none of its own it stays as it is
                        state[NOZZLE] = heat
            else:
                value[letter] = amount
                if given & (1 << letter) and (gs > 0 or ms == 0):
                    garbled = True  # the same word twice
                given |= 1 << letter
                if i < end and (text[i] == 46 or text[i] == 45 or text[i] == 43):
                    garbled = True  # two numbers in one
        # the line's end: \n, \r or \r\n
        if i < end and text[i] == 13:
            i += 1
            if i < end and text[i] == 10:
                i += 1
        elif i < end:
            i += 1
        if number >= 0.0:
            if ms > 0 and m_words[0] == 110:
                pass
            elif state[NEXT_N] >= 0.0 and number != state[NEXT_N]:
                _tally(counts, firsts, JUMP, line, number)
            state[NEXT_N] = number + 1.0
        if text_line:
            _tally(counts, firsts, TEXT, line, begin)
        elif garbled:
            _tally(counts, firsts, GARBLED, line, begin)
        elif gs > 0 or ms > 0 or given != 0:
            if state[ENDED] != 0.0:
                if gs > 0 or given != 0:
                    _tally(counts, firsts, AFTER_END, line, 0.0)
            else:
                n = _execute(
                    out, n, state, counts, firsts, codes, value, given, g_words, gs, m_words, ms, line, target
                )
    return i, n

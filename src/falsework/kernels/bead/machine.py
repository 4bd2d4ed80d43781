"""The machine that an RS-274 program runs on: what its commands do to it, and the moves that it makes.

All that is known of it lies in flat arrays, so that a program can be fed in pieces of any size:

state (STATE,) float64, see the names below; lengths mm, speeds mm/s, temperatures °C.
counts (KINDS,) int64 and firsts (KINDS, KEPT, 2) float64: how often something worth telling was met, and line
    number and a value of the first ``KEPT`` times.
codes (n, 4) int64: command words that are not followed, as letter · 10⁶ + ten times the number, how often,
    first line, first line once a strand was laid (0: none); the last row takes all that have no room.

What words mean follows RS-274 (NIST IR 6556) and, for words of its own, the open firmware's documentation
(see ``auditing.commands``). Numbers of commands are kept in tenths: G92.1 is 921.
"""

from __future__ import annotations

import math

import numpy as np

from falsework.kernels.compiled import bare

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
LAID = 36  # whether a strand has been laid
ASKED_MOST, ASKED_LINE, BED_LINE = (
    37,
    38,
    39,
)  # the hottest a nozzle is asked to be; lines of that and of the bed's
TOOL_HEAT, TOOLS = 40, 8  # heat asked of each of the first tools; −1: none
HOT_TOOLS = TOOL_HEAT + TOOLS  # of which tools any heat was asked, as a sum of 2 ** tool
RUSHED = (
    HOT_TOOLS + 1
)  # line that asks for heat while nothing waits for it; negative once strands are laid so
BED_BEGAN = RUSHED + 1  # heat asked of the bed when the first strand is laid
STATE = BED_BEGAN + 1

# kinds of things worth telling
GARBLED, UNKNOWN, TEXT, CHECKSUM, JUMP, BAD_ARC, CURVE, TOOL_CHANGE, PAUSE, AFTER_END, WILD, NO_FEED = range(
    12
)
UNITS, LATE_HOME, MOVES, ARCS, FEEDLESS, BAD_CURVE, COLD_ALLOWED, LIMITS_OFF, BED_LOWERED, LONG_WAIT = range(
    12, 22
)
EXTREME = 22  # a setting that no machine prints with
KINDS, KEPT = 23, 8
_HEATS_S = 20.0  # common practice, no source: who waits so long waits for heat
LONG_WAIT_S = 120.0  # common practice, no source: longer, between strands, than to wipe or to take a picture

# what is known of a line that is read: letters given, words of G and M, without sense, of text, a tool, a
# number
GIVEN, GS, MS, BAD, IS_TEXT, TOOLED, NUMBERED = range(7)
WORDS = 7
SOME_G, SOME_M = 8, 4  # words of a line that are kept

# letters of words, as places in the alphabet
_E, _F, G_WORD, _H, _I, _K, _L, M_WORD, N_WORD, _P, _Q, _R, _S, T_WORD = (
    ord(letter) - 65 for letter in "EFGHIKLMNPQRST"
)
_X, _Y, _Z = 23, 24, 25
_AXES = 1 << _X | 1 << _Y | 1 << _Z
_COUNTED = _AXES | 1 << _E

# commands that are followed, in tenths
RAPID, STRAIGHT, ARC_CLOCKWISE, ARC_COUNTER, _DWELL, _CUBIC, _QUADRATIC = 0, 10, 20, 30, 40, 50, 51
_DRAW_BACK, _FEED_AGAIN, _PLANE_XY, _PLANE_ZX, _PLANE_YZ, _INCHES, _MILLIMETRES = (
    100,
    110,
    170,
    180,
    190,
    200,
    210,
)
_HOME, _ABSOLUTE, _BY_STEPS, SET_COUNT = 280, 900, 910, 920
_STOP, _STOP_IF, _END, CHANGE_TOOL, _PRINT_PAUSE, _END_TAPE = 0, 10, 20, 60, 250, 300
_E_ABSOLUTE, _E_BY_STEPS = 820, 830
_HEAT, _FAN_ON, _FAN_OFF, _HEAT_WAIT, SET_LINE_NUMBER = 1040, 1060, 1070, 1090, 1100
_BED_HEAT, _BED_HEAT_WAIT, _VOLUMES, _RATE_LIMITS, _RATES = 1400, 1900, 2000, 2010, 2040
_SOFT_LIMITS, _SPEED_SHARE, _FLOW_SHARE, _WAIT_PIN, _COLD, _PARK_PAUSE, _PAUSE_AGAIN = (
    2110,
    2200,
    2210,
    2260,
    3020,
    6000,
    6010,
)
_AXIS_LIMITS, _MOTORS_IDLE, _MOTORS_OFF, _WAIT_HEAT = 5640, 180, 840, 1160
_SPEED_LIMITS, _PRESSURE, _PRESSURE_BY_TIME = 2030, 9000, 5720
_MOST_PRESSURE_S = 4.0  # common practice, no source: soft filament in long tubes asks for 2 s at most
_LEAST_LIMIT_MM_S = 5.0  # common practice, no source: no axis of a printer is held back so far

# columns of a move: where it ends, mm³ that come out of the nozzle, mm of E (back where negative), mm/s, fan
# share, °C asked of the nozzle (-1 before any), whether a word holds the filament back (1) or it is
# drawn back (0.5), line number, mm/s²
TO_X, TO_Y, TO_Z, PUSHED, FED, SPEED, AT_FAN, AT_NOZZLE, IS_DRAWN, AT_LINE, ACCELERATION = range(11)
COLUMNS = 11
_DRAWN_MM = 0.05  # of filament, from which it is drawn back
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
    state[TOOL_HEAT : TOOL_HEAT + TOOLS] = -1.0
    return state


def fresh_scratch() -> tuple[np.ndarray, ...]:
    """Room for one line: values by letter, where it leads, what is known of it, its G and its M words."""
    whole = np.int64
    return np.zeros(26), np.empty(4), np.zeros(WORDS, whole), np.zeros(SOME_G, whole), np.zeros(SOME_M, whole)


@bare
def tally(counts, firsts, kind, line, value):
    seen = counts[kind]
    if seen < KEPT:
        firsts[kind, seen, 0] = line
        firsts[kind, seen, 1] = value
    counts[kind] = seen + 1


@bare
def _note_code(codes, letter, code, line, laid):
    key = letter * 1_000_000 + code
    last = len(codes) - 1
    for k in range(last):
        if codes[k, 1] == 0:
            codes[k, 0] = key
            codes[k, 2] = line
        if codes[k, 0] == key:
            codes[k, 1] += 1
            if laid and codes[k, 3] == 0:
                codes[k, 3] = line
            return
    codes[last, 1] += 1


@bare
def _emit(out, n, state, x, y, z, e, line):
    """One straight move to x, y, z with the feed up to E = e."""
    row = out[n]
    before_x, before_y = state[X], state[Y]
    row[TO_X] = x
    row[TO_Y] = y
    row[TO_Z] = z
    row[PUSHED] = max(0.0, e - state[HIGH]) * (1.0 if state[VOLUMETRIC] != 0.0 else state[FILAMENT])
    row[FED] = e - state[E]
    row[SPEED] = state[FEED] * state[FEED_SHARE]
    row[AT_FAN] = state[FAN]
    row[AT_NOZZLE] = state[NOZZLE] if state[HEATED] > 0.0 else -1.0
    row[IS_DRAWN] = state[DRAWN] if state[DRAWN] != 0.0 else 0.5 * (e < state[HIGH] - _DRAWN_MM)
    row[AT_LINE] = line
    rate = state[PRINT_RATE] if e > state[E] else state[TRAVEL_RATE]
    most = state[RISE_MOST] if x == state[X] and y == state[Y] else state[FLAT_MOST]
    row[ACCELERATION] = min(rate, most)
    state[X] = x
    state[Y] = y
    state[Z] = z
    state[E] = e
    if row[PUSHED] > 0.0 and (x != before_x or y != before_y):
        if state[LAID] == 0.0:
            state[LAID], state[BED_BEGAN] = 1.0, state[BED]
        if state[RUSHED] > 0.0:
            state[RUSHED] = -state[RUSHED]
    state[HIGH] = max(state[HIGH], e)
    return n + 1


@bare
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
            tally(counts, firsts, BAD_ARC, line, abs(first - last))
    if not sound:
        tally(counts, firsts, BAD_ARC, line, -1.0)
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
    for k in range(1, chords + 1):
        share = k / chords
        if k == chords:
            target[a], target[b], target[c] = end_a, end_b, end_c
        else:
            angle = from_angle + sweep * share
            radius = first + (last - first) * share
            target[a] = centre_a + radius * math.cos(angle)
            target[b] = centre_b + radius * math.sin(angle)
            target[c] = start_c + (end_c - start_c) * share
        n = _emit(out, n, state, target[0], target[1], target[2], e0 + (e1 - e0) * share, line)
    counts[ARCS] += 1
    return n


@bare
def _cubic(t, a, b, c, d):
    """A coordinate of a cubic Bézier curve."""
    s = 1.0 - t
    return s * s * s * a + 3 * s * s * t * b + 3 * s * t * t * c + t * t * t * d


@bare
def _curve(out, n, state, counts, firsts, value, given, target, quadratic, line):
    """Chords of a Bézier curve in x, y (z and feed in step with it); straight where it lacks control points.

    I, J lead from its start to the first control point, P, Q from its end to the second; of a quadratic one
    I, J lead to the only one.
    """
    needed = 1 << 8 | 1 << 9 if quadratic else 1 << 8 | 1 << 9 | 1 << 15 | 1 << 16
    tally(counts, firsts, CURVE, line, 0.0)
    if given & needed != needed:
        tally(counts, firsts, BAD_CURVE, line, 0.0)
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
        tally(counts, firsts, BAD_CURVE, line, 0.0)
        return _emit(out, n, state, x3, y3, target[2], target[3], line)
    chords = min(ROOM - 2, max(1, math.ceil(math.sqrt(0.75 * bend / state[CHORD]))))
    whole = 0.0
    at_x, at_y = x0, y0
    for k in range(1, chords + 1):
        x, y = _cubic(k / chords, x0, x1, x2, x3), _cubic(k / chords, y0, y1, y2, y3)
        whole += math.hypot(x - at_x, y - at_y)
        at_x, at_y = x, y
    so_far = 0.0
    at_x, at_y = x0, y0
    for k in range(1, chords + 1):
        x, y = _cubic(k / chords, x0, x1, x2, x3), _cubic(k / chords, y0, y1, y2, y3)
        so_far += math.hypot(x - at_x, y - at_y)
        at_x, at_y = x, y
        share = so_far / whole if whole > 0.0 else k / chords
        n = _emit(out, n, state, x, y, z0 + share * (target[2] - z0), e0 + share * (target[3] - e0), line)
    return n


@bare
def _has(given, letter):
    return given & (1 << letter) != 0


@bare
def _heat(state, value, given, waits, line):
    """Heat asked of a nozzle: S, or R where it may also wait for it to cool; T another tool than the one in
    use. ``waits``: until it is as hot.
    """
    if not (_has(given, _S) or _has(given, _R)):
        return
    wanted = value[_S] if _has(given, _S) else value[_R]
    tool = value[T_WORD] if _has(given, T_WORD) else state[TOOL]
    if wanted < 0.0:
        return
    if 0.0 <= tool < TOOLS:
        was = state[TOOL_HEAT + int(tool)]
        state[TOOL_HEAT + int(tool)] = wanted
        if wanted > 0.0 and was <= 0.0:
            if was < 0.0:
                state[HOT_TOOLS] += 2.0 ** int(tool)
            if state[LAID] == 0.0 and not waits:
                state[RUSHED] = line
    if waits:
        state[RUSHED] = min(state[RUSHED], 0.0)
    if tool == state[TOOL]:
        state[NOZZLE] = wanted
    state[HEATED] = 1.0
    if wanted > state[ASKED_MOST]:
        state[ASKED_MOST], state[ASKED_LINE] = wanted, line


@bare
def _bed_heat(state, counts, firsts, value, given, line):
    if not (_has(given, _S) or _has(given, _R)):
        return
    wanted = value[_S] if _has(given, _S) else value[_R]
    if wanted >= 0.0:
        if state[LAID] != 0.0 and wanted < state[BED]:
            tally(counts, firsts, BED_LOWERED, line, wanted)
        state[BED] = wanted
        if wanted > state[BED_MOST]:
            state[BED_MOST], state[BED_LINE] = wanted, line


@bare
def _fan(state, value, given, on):
    """The fan on the part: up to 1 a share, above that of 255; P: another fan."""
    if _has(given, _P) and value[_P] != 0.0:
        return
    share = 1.0 if on else 0.0
    if on and _has(given, _S):
        share = value[_S] if value[_S] <= 1.0 else value[_S] / 255.0
    state[FAN] = min(1.0, max(0.0, share))


@bare
def _rate_limits(state, value, given):
    """The axes' own limits of acceleration; of x and y the lesser."""
    x = value[_X] if _has(given, _X) else np.inf
    y = value[_Y] if _has(given, _Y) else np.inf
    if 0.0 < min(x, y) < np.inf:
        state[FLAT_MOST] = min(x, y) * state[UNIT]
    if _has(given, _Z) and value[_Z] > 0.0:
        state[RISE_MOST] = value[_Z] * state[UNIT]


@bare
def _rates(state, value, given):
    """Accelerations. S: all moves; P: strands; T: travels."""
    both = value[_S] if _has(given, _S) else 0.0
    strands = value[_P] if _has(given, _P) else 0.0
    travels = value[T_WORD] if _has(given, T_WORD) else 0.0
    if both > 0.0 or strands > 0.0:
        state[PRINT_RATE] = (both if both > 0.0 else strands) * state[UNIT]
    if both > 0.0 or travels > 0.0:
        state[TRAVEL_RATE] = (both if both > 0.0 else travels) * state[UNIT]


@bare
def _safeguards(code, counts, firsts, value, given, line):
    """Words that let the machine feed cold filament (with its least heat, −1: any), or leave its room."""
    if code == _COLD:
        if _has(given, _P) and value[_P] > 0.0:
            tally(counts, firsts, COLD_ALLOWED, line, -1.0)
        elif _has(given, _S):
            tally(counts, firsts, COLD_ALLOWED, line, value[_S])
    elif (_has(given, _S) and value[_S] == 0.0) or (
        code == _AXIS_LIMITS and _has(given, _H) and value[_H] == 0.0
    ):
        tally(counts, firsts, LIMITS_OFF, line, 0.0)


@bare
def _extreme(code, value, given, unit):
    """Whether a word for how the machine moves or presses asks for what no machine prints with."""
    if code == _PRESSURE:
        return _has(given, _K) and abs(value[_K]) > _MOST_PRESSURE_S
    if code == _PRESSURE_BY_TIME:
        return _has(given, _S) and abs(value[_S]) > _MOST_PRESSURE_S
    if code == _SPEED_LIMITS:
        return (_has(given, _X) and value[_X] * unit < _LEAST_LIMIT_MM_S) or (
            _has(given, _Y) and value[_Y] * unit < _LEAST_LIMIT_MM_S
        )
    return False


@bare
def _shares(code, state, value, given):
    """Shares of speed and flow, and what E counts."""
    if code == _VOLUMES:
        if _has(given, 3):
            state[VOLUMETRIC] = 1.0 if value[3] > 0.0 else 0.0
    elif _has(given, _S):
        if code == _SPEED_SHARE and value[_S] > 0.0:
            state[FEED_SHARE] = 0.01 * value[_S]
        elif code == _FLOW_SHARE and value[_S] >= 0.0:
            state[FLOW_SHARE] = 0.01 * value[_S]


@bare
def _miscellaneous(code, state, counts, firsts, codes, value, given, line):
    """One M word of the line."""
    if code in (_E_ABSOLUTE, _E_BY_STEPS):
        state[E_RELATIVE] = 1.0 if code == _E_BY_STEPS else 0.0
        state[E_RULED] = 1.0
    elif code in (_HEAT, _HEAT_WAIT):
        _heat(state, value, given, code == _HEAT_WAIT, line)
    elif code in (_BED_HEAT, _BED_HEAT_WAIT):
        if code == _BED_HEAT_WAIT:  # takes minutes, in which a nozzle is hot long before
            state[RUSHED] = min(state[RUSHED], 0.0)
        _bed_heat(state, counts, firsts, value, given, line)
    elif code in (_FAN_ON, _FAN_OFF):
        _fan(state, value, given, code == _FAN_ON)
    elif code in (_VOLUMES, _SPEED_SHARE, _FLOW_SHARE):
        _shares(code, state, value, given)
    elif code == _RATE_LIMITS:
        _rate_limits(state, value, given)
    elif code == _RATES:
        _rates(state, value, given)
    elif code in (_STOP, _STOP_IF, _PRINT_PAUSE, _WAIT_PIN, _PARK_PAUSE, _PAUSE_AGAIN):
        state[RUSHED] = min(state[RUSHED], 0.0)
        tally(counts, firsts, PAUSE, line, code)
    elif code in (_END, _END_TAPE):
        state[ENDED] = 1.0
    elif code in (_COLD, _SOFT_LIMITS, _AXIS_LIMITS):
        _safeguards(code, counts, firsts, value, given, line)
    elif code == _WAIT_HEAT:
        state[RUSHED] = min(state[RUSHED], 0.0)
    elif _extreme(code, value, given, state[UNIT]):
        tally(counts, firsts, EXTREME, line, code)
    elif not ((code in (_MOTORS_OFF, _MOTORS_IDLE)) and _has(given, _S)):  # S: when idle for so long
        _note_code(codes, 77, code, line, state[LAID] != 0.0)


# what the line's axes are for
_MOTION, _FOR_DWELL, _FOR_CURVE, _FOR_DRAWING, _FOR_HOME, _FOR_COUNT, _FOR_OTHER = range(7)


@bare
def _mode(code, state, codes, given, line):
    """One G word of the line; returns what the line's axes are for."""
    if code in (RAPID, STRAIGHT, ARC_CLOCKWISE, ARC_COUNTER):
        state[MODE] = code // 10
    elif code in (_CUBIC, _QUADRATIC):
        return _FOR_CURVE
    elif code in (_PLANE_XY, _PLANE_ZX, _PLANE_YZ):
        state[PLANE] = code // 10
    elif code in (_INCHES, _MILLIMETRES):
        state[UNIT] = 25.4 if code == _INCHES else 1.0
    elif code in (_ABSOLUTE, _BY_STEPS):
        state[RELATIVE] = 1.0 if code == _BY_STEPS else 0.0
        if state[E_RULED] == 0.0:
            state[E_RELATIVE] = state[RELATIVE]
    elif code == _DWELL:
        return _FOR_DWELL
    elif code == _HOME:
        return _FOR_HOME
    elif code == SET_COUNT:
        return _FOR_COUNT
    elif (code == _DRAW_BACK and not (_has(given, _P) or _has(given, _L))) or code == _FEED_AGAIN:
        state[DRAWN] = 1.0 if code == _DRAW_BACK else 0.0
        return _FOR_DRAWING
    else:  # with P or L it is an offset, not a retraction
        _note_code(codes, 71, code, line, state[LAID] != 0.0)
        return _FOR_OTHER
    return _MOTION


@bare
def _home(state, counts, firsts, given, line):
    every = given & _AXES == 0
    for k in range(3):
        if every or _has(given, _X + k):
            state[k] = 0.0
            state[OFFSET + k] = 0.0
    if state[LAID] != 0.0:
        tally(counts, firsts, LATE_HOME, line, 0.0)


@bare
def _letter_of(axis):
    return _X + axis if axis < 3 else _E


@bare
def _set_count(state, value, given):
    for k in range(4):
        if given & _COUNTED == 0:
            state[OFFSET + k] = state[k]
        elif _has(given, _letter_of(k)):
            state[OFFSET + k] = state[k] - value[_letter_of(k)] * state[UNIT]


@bare
def _move(out, n, state, counts, firsts, value, given, target, curve, quadratic, line):
    """The line's motion: straight, along an arc, or along a curve."""
    if state[MODE] < 0.0 and not curve:
        tally(counts, firsts, GARBLED, line, -1.0)
        return n
    sane = True
    for k in range(4):
        target[k] = state[k]
        if _has(given, _letter_of(k)):
            by = value[_letter_of(k)] * state[UNIT]
            if k == 3:
                step = by if state[E_RELATIVE] != 0.0 else by - (state[E] - state[OFFSET + 3])
                target[3] = state[E] + step * state[FLOW_SHARE]
                if state[E_RELATIVE] == 0.0 and state[FLOW_SHARE] != 1.0:
                    state[OFFSET + 3] += step * (state[FLOW_SHARE] - 1.0)
            elif state[RELATIVE] != 0.0:
                target[k] = state[k] + by
            else:
                target[k] = by + state[OFFSET + k]
        sane &= abs(target[k]) < _MOST * (1000.0 if k == 3 else 1.0)
    if not sane:  # no machine can go there
        tally(counts, firsts, WILD, line, 0.0)
        return n
    if state[FEED] <= 0.0 and counts[MOVES] == 0:
        tally(counts, firsts, FEEDLESS, line, 0.0)
    if curve:
        n = _curve(out, n, state, counts, firsts, value, given, target, quadratic, line)
    elif state[MODE] >= 2.0:
        n = _arc(out, n, state, counts, firsts, value, given, target, state[MODE] == 2.0, line)
    else:
        n = _emit(out, n, state, target[0], target[1], target[2], target[3], line)
    counts[MOVES] += 1
    return n


@bare
def _wait(state, counts, firsts, value, given, line):
    seconds = 0.0
    if _has(given, _S):
        seconds = min(1e5, max(0.0, value[_S]))
    elif _has(given, _P):
        seconds = min(1e5, max(0.0, 0.001 * value[_P]))
    state[DWELL] += seconds
    if seconds > _HEATS_S:
        state[RUSHED] = min(state[RUSHED], 0.0)
    if seconds > LONG_WAIT_S and state[LAID] != 0.0:
        tally(counts, firsts, LONG_WAIT, line, seconds)


@bare
def execute(out, n, state, counts, firsts, codes, value, words, g_words, m_words, line, target):
    """What one line tells the machine to do, in the order of RS-274: modes first, motion last."""
    given, gs, ms = words[GIVEN], words[GS], words[MS]
    unit_before = state[UNIT]
    use = _MOTION
    quadratic = False
    for k in range(gs):
        if g_words[k] in (RAPID, STRAIGHT):  # most lines, which spares a call
            state[MODE] = g_words[k] // 10
            continue
        now = _mode(g_words[k], state, codes, given, line)
        if now != _MOTION:
            use = now
            quadratic = g_words[k] == _QUADRATIC
    if state[UNIT] != unit_before:
        tally(counts, firsts, UNITS, line, state[UNIT])
    moves = use in (_MOTION, _FOR_CURVE)
    if _has(given, _F) and moves:
        feed = value[_F] * state[UNIT] / 60.0
        if 0.0 < feed < _MOST:
            state[FEED] = feed
        else:
            tally(counts, firsts, NO_FEED, line, feed)
    if gs > 0 or ms == 0:
        if use == _FOR_DWELL:
            _wait(state, counts, firsts, value, given, line)
        elif use == _FOR_HOME:
            _home(state, counts, firsts, given, line)
        elif use == _FOR_COUNT:
            _set_count(state, value, given)
        elif moves and given & _COUNTED != 0:
            n = _move(out, n, state, counts, firsts, value, given, target, use == _FOR_CURVE, quadratic, line)
    for k in range(ms):
        _miscellaneous(m_words[k], state, counts, firsts, codes, value, given, line)
    return n

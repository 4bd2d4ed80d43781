"""The motion kernel: closed forms, a twin in plain Python, properties. Tolerances are those of rounding."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from falsework.kernels.bead.motion import path_times, rest_to_rest_times

A, CORNER = 1000.0, 8.0


def times(paths, speed=60.0, closed=False, acceleration=A, corner_speed=CORNER):
    start = np.cumsum([0] + [len(path) for path in paths])
    points = np.concatenate([np.asarray(path, dtype=float).reshape(-1, 2) for path in paths])
    speeds = np.broadcast_to(np.asarray(speed, dtype=float), len(paths)).copy()
    return path_times(points, start.astype(np.int64), closed, speeds, acceleration, corner_speed)


def twin(path, speed, closed, acceleration, corner_speed):
    """The same definition another way: speeds from angles, repeated until nothing changes."""
    path = [tuple(map(float, p)) for p in path]
    path += path[:1] if closed else []
    legs = [(q[0] - p[0], q[1] - p[1]) for p, q in pairwise(path) if p != q]
    if not legs:
        return 0.0
    lengths = [math.hypot(*leg) for leg in legs]
    limit = [0.0]
    for one, two in pairwise(legs):
        turn = abs(math.remainder(math.atan2(two[1], two[0]) - math.atan2(one[1], one[0]), 2 * math.pi))
        limit.append(
            speed
            if turn < 1e-9
            else min(speed, corner_speed * math.sqrt(1 / math.tan(turn / 2)))
            if turn < math.pi - 1e-9
            else 0.0
        )
    limit.append(0.0)
    changed = True
    while changed:
        changed = False
        for k, length in enumerate(lengths):
            for a, b in ((k, k + 1), (k + 1, k)):
                most = math.sqrt(limit[a] ** 2 + 2 * acceleration * length)
                if limit[b] > most * (1 + 1e-14):
                    limit[b], changed = most, True
    total = 0.0
    for length, u, v in zip(lengths, limit, limit[1:], strict=False):
        peak = min(speed, math.sqrt((u * u + v * v) / 2 + acceleration * length))
        ramp_up = (peak**2 - u**2) / (2 * acceleration)
        ramp_down = (peak**2 - v**2) / (2 * acceleration)
        total += (peak - u) / acceleration + (peak - v) / acceleration
        total += max(0.0, length - ramp_up - ramp_down) / peak
    return total


def test_square_with_rests_in_its_corners():
    # corner speed 0: four separate moves
    square = [(0, 0), (50, 0), (50, 50), (0, 50)]
    assert times([square], closed=True, corner_speed=0.0)[0] == pytest.approx(4 * 0.893333, rel=1e-6)


def test_right_angle_keeps_the_corner_speed():
    # each leg 50 mm from rest to 60 mm/s to 8 mm/s at 1000 mm/s²: by hand
    # ramps 0.060 s over 1.8 mm and 0.052 s over 1.768 mm, cruise 46.432 mm in 0.773867 s
    leg = 0.060 + 0.052 + (50 - 1.8 - 1.768) / 60
    assert times([[(0, 0), (50, 0), (50, 50)]])[0] == pytest.approx(2 * leg, rel=1e-12)


@pytest.mark.parametrize(("turn", "kept"), [(60, 8 * 3**0.25), (90, 8.0), (120, 8 / 3**0.25), (180, 0.0)])
def test_speed_kept_in_a_corner(turn, kept):
    # cot(30°) = √3, cot(45°) = 1, cot(60°) = 1/√3, cot(90°) = 0
    t = math.radians(turn)
    path = [(0, 0), (50, 0), (50 + 50 * math.cos(t), 50 * math.sin(t))]
    lost = (
        2 * (60 / A - kept / A) - 2 * (60**2 - kept**2) / (2 * A) / 60
    )  # slowing down and speeding up again
    straight = 100 / 60 + 60 / A
    assert times([path])[0] == pytest.approx(straight + lost, rel=1e-12)


def test_straight_on_is_one_move():
    one = times([[(0, 0), (30, 40)]])[0]
    assert times([[(0, 0), (3, 4), (3, 4), (15, 20), (30, 40)]])[0] == pytest.approx(one, rel=1e-12)


def test_short_bits_between_corners_look_ahead():
    # 1 mm steps of a staircase: the speed in each corner is 8, the peak between is √(64 + 1000)
    steps = 40
    path = [((k + 1) // 2, k // 2) for k in range(steps + 1)]
    peak = math.sqrt(64 + 1000)
    middle = (steps - 2) * 2 * (peak - 8) / A
    end = 2 * (2 * math.sqrt(32 + 1000) - 8) / A
    assert times([path])[0] == pytest.approx(middle + end, rel=1e-12)


def test_brakes_over_many_short_bits():
    # 20 collinear bits into a full stop of reversal: as if it were one segment
    there = [(x, 0.0) for x in np.linspace(0, 10, 21)]
    back = [(x, 0.0) for x in np.linspace(9.5, 0, 20)]
    assert times([there + back])[0] == pytest.approx(2 * (10 / 60 + 0.06), rel=1e-9)


def test_paths_without_length():
    got = times([[(1, 1)], [(2, 2), (2, 2)], [(0, 0), (1, 0)]], closed=True)
    assert got[0] == got[1] == 0.0
    assert got[2] == pytest.approx(2 * 0.0632455, rel=1e-6)  # there and back


def test_no_paths():
    none = path_times(np.zeros((0, 2)), np.zeros(1, dtype=np.int64), True, np.zeros(0), A, CORNER)
    assert none.shape == (0,)


coordinates = st.integers(-400, 400).map(lambda k: k / 8)
paths = st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=14)
speeds = st.floats(5, 300)
accelerations = st.floats(50, 20000)
corners = st.floats(0, 50)


@given(paths, speeds, st.booleans(), accelerations, corners)
def test_agrees_with_the_twin(path, speed, closed, acceleration, corner):
    got = times([path], speed, closed, acceleration, corner)[0]
    assert got == pytest.approx(twin(path, speed, closed, acceleration, corner), rel=1e-6, abs=1e-9)


def _length(path, closed):
    points = np.array(path + path[:1] if closed else path, dtype=float)
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


@given(paths, speeds, st.booleans(), accelerations, corners)
def test_bounds(path, speed, closed, acceleration, corner):
    """Never faster than full speed all the way, never slower than resting at every corner."""
    got = times([path], speed, closed, acceleration, corner)[0]
    points = np.array(path + path[:1] if closed else path, dtype=float)
    legs = np.hypot(*np.diff(points, axis=0).T)
    assert got >= _length(path, closed) / speed * (1 - 1e-12)
    assert got <= rest_to_rest_times(legs, speed, acceleration).sum() * (1 + 1e-9) + 1e-12


@given(paths, speeds, accelerations, corners, st.integers(2, 6))
def test_splitting_straight_lines_changes_nothing(path, speed, acceleration, corner, parts):
    # coordinates are multiples of 1/8, parts powers of two: the bits are exactly collinear
    parts = 2**parts
    points = np.array(path)
    share = np.arange(parts)[:, None] / parts
    split = [p + share * (q - p) for p, q in pairwise(points)] + [points[-1:]]
    one = times([path], speed, False, acceleration, corner)[0]
    many = times([np.concatenate(split)], speed, False, acceleration, corner)[0]
    assert many == pytest.approx(one, rel=1e-9, abs=1e-12)


@given(paths, speeds, accelerations, corners)
def test_backwards_takes_as_long(path, speed, acceleration, corner):
    there = times([path], speed, False, acceleration, corner)[0]
    assert times([path[::-1]], speed, False, acceleration, corner)[0] == pytest.approx(
        there, rel=1e-9, abs=1e-12
    )


@given(st.lists(paths, min_size=1, max_size=5), speeds, st.booleans())
def test_paths_do_not_know_each_other(many, speed, closed):
    together = times(many, speed, closed)
    assert together.tolist() == [times([path], speed, closed)[0] for path in many]


@given(paths, speeds, accelerations, corners, st.floats(1.01, 3))
def test_better_machines_are_not_slower(path, speed, acceleration, corner, more):
    base = times([path], speed, True, acceleration, corner)[0] * (1 + 1e-9) + 1e-12
    assert times([path], speed * more, True, acceleration, corner)[0] <= base
    assert times([path], speed, True, acceleration * more, corner)[0] <= base
    assert times([path], speed, True, acceleration, corner * more)[0] <= base


@given(st.lists(st.floats(0, 500), min_size=1, max_size=20), speeds, accelerations)
def test_separate_moves_are_paths_of_one_leg(lengths, speed, acceleration):
    got = rest_to_rest_times(np.array(lengths), speed, acceleration)
    assert got == pytest.approx(
        times([[(0, 0), (x, 0)] for x in lengths], speed, False, acceleration), rel=1e-9
    )

"""What lies beneath strands, against shapely and against plain arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from falsework.kernels.bead import resting as k
from falsework.kernels.bead.motion import move_times, path_times
from falsework.kernels.bead.strands import bins_of, span_at

COORDINATE = st.floats(-5.0, 5.0).map(lambda mm: round(mm, 9))  # GEOS loses lines of 1e-187 mm


def bead(ax: float, ay: float, bx: float, by: float, r: float) -> shapely.Geometry:
    """A bead's outline: chords of 1/256 of a quarter circle, short of it by at most 5e-6 of the radius."""
    return shapely.LineString([(ax, ay), (bx, by)]).buffer(r, quad_segs=256)


def lengths(line: shapely.Geometry, *of_bead: float) -> tuple[float, float]:
    """Least and most of a line that can lie within a bead: in chords within it, and in chords around it."""
    *ends, r = of_bead
    return line.intersection(bead(*ends, r)).length, line.intersection(bead(*ends, r * (1 + 1e-5))).length


@given(COORDINATE, COORDINATE, COORDINATE, COORDINATE, st.floats(0.1, 2.0), st.floats(-6, 6))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_row_through_a_bead(ax, ay, bx, by, r, y) -> None:
    low, high = span_at(ax, ay, bx, by, r, y, True)
    least, most = lengths(shapely.LineString([(-20, y), (20, y)]), ax, ay, bx, by, r)
    assert least - 1e-6 <= max(0.0, high - low) <= most + 1e-6
    if low < high:
        middle = shapely.Point(0.5 * (low + high), y)
        assert shapely.LineString([(ax, ay), (bx, by)]).distance(middle) <= r + 1e-6


@given(*[COORDINATE] * 8, st.floats(0.1, 2.0), st.floats(-0.3, 0.3))
@example(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.25)  # square to the bead, past its end
@example(0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 3.0, 0.2, 0.3)  # beside it
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_line_within_a_bead(ax, ay, bx, by, cx, cy, ex, ey, r, off) -> None:
    long = math.hypot(bx - ax, by - ay)
    if long < 0.1:
        return
    ux, uy = (bx - ax) / long, (by - ay) / long
    low, high = k.within(ax, ay, ux, uy, long, off, cx, cy, ex - cx, ey - cy, r)
    line = shapely.LineString([(ax - uy * off, ay + ux * off), (bx - uy * off, by + ux * off)])
    least, most = lengths(line, cx, cy, ex, ey, r)
    assert least - 1e-6 <= max(0.0, high - low) <= most + 1e-6


def test_bins_hold_every_bead_that_touches_them() -> None:
    rng = np.random.default_rng(5)
    beads = np.column_stack([rng.uniform(0, 30, (60, 4)), rng.uniform(0.1, 0.6, 60)])
    start, index = bins_of(beads, 0.0, 0.0, 2.5, 12, 12)
    for j in range(12):
        for i in range(12):
            square = shapely.box(2.5 * i, 2.5 * j, 2.5 * i + 2.5, 2.5 * j + 2.5)
            kept = set(index[start[j * 12 + i] : start[j * 12 + i + 1]].tolist())
            assert len(kept) == start[j * 12 + i + 1] - start[j * 12 + i]  # each once
            for b, (ax, ay, bx, by, r) in enumerate(beads):
                if shapely.LineString([(ax, ay), (bx, by)]).distance(square) < r - 1e-9:
                    assert b in kept


@pytest.mark.parametrize("seed", range(6))
def test_shares_and_stretches_against_areas(seed: int) -> None:
    """Strands over random beads: carried share of the area, and stretches in air along the middle."""
    rng = np.random.default_rng(seed)
    n, m = 12, 25
    beads = np.column_stack([rng.uniform(0, 20, (m, 4)), rng.uniform(0.3, 1.2, m)])
    start, index = bins_of(beads, 0.0, 0.0, 2.0, 11, 11)
    ends = np.zeros((n, 6))
    ends[:, [0, 1, 3, 4]] = rng.uniform(2, 18, (n, 4))
    ends[:, [2, 5]] = 0.4
    half, height = np.full(n, 0.225), np.full(n, 0.2)
    chosen, whole = np.arange(n), np.zeros(n, np.bool_)
    spans = np.empty((20_000, 5))
    count = k.cover(
        ends, half, height, chosen, whole, beads, np.full(m, 0.2), start, index, 0.0, 0.0, 2.0, 11, 11,
        0.1, 0.0, spans, 0,
    )  # fmt: skip
    long = np.hypot(ends[:, 3] - ends[:, 0], ends[:, 4] - ends[:, 1])
    share, runs = np.zeros(n), np.empty((1000, 4))
    many = k.stretches(spans[:count], whole, long, 4, False, share, runs)
    ground = shapely.union_all([bead(*b) for b in beads])
    for s in range(n):
        line = shapely.LineString([ends[s, :2], ends[s, 3:5]])
        flat = line.buffer(0.225, cap_style="flat")
        assert share[s] == pytest.approx(flat.intersection(ground).area / flat.area, abs=0.02)
        mine = runs[:many][runs[:many, 0] == s]
        assert np.all(mine[:, 1] < mine[:, 2]) and np.all(mine[1:, 1] >= mine[:-1, 2])
        # where at least half the width is carried cannot be far from where the middle is
        air = line.difference(ground).length
        assert (mine[:, 2] - mine[:, 1]).sum() == pytest.approx(air, abs=0.35 * (len(mine) + 2))


def test_a_bead_carries_a_strand_that_lies_within_it() -> None:
    beads = np.array([[0.0, 0.0, 10.0, 0.0, 0.3]])
    start, index = bins_of(beads, -1.0, -1.0, 2.0, 8, 2)
    ends = np.array(
        [[1.0, 0.05, 0.4, 9.0, -0.05, 0.4], [1.0, 0.2, 0.4, 9.0, 0.2, 0.4], [8, 0, 0.4, 12, 0, 0.4]]
    )
    whole, spans = np.zeros(3, np.bool_), np.empty((200, 5))
    half, height = np.full(3, 0.225), np.full(3, 0.2)
    k.cover(
        ends, half, height, np.arange(3), whole, beads, np.array([0.2]), start, index, -1.0, -1.0, 2.0, 8, 2,
        0.1, 0.0, spans, 0,
    )  # fmt: skip
    assert whole.tolist() == [True, False, False]


def test_full_spans_are_said_and_not_overrun() -> None:
    beads = np.tile([0.0, 0.0, 0.0, 10.0, 0.3], (40, 1))
    beads[:, [0, 2]] += np.linspace(0, 10, 40)[:, None]
    start, index = bins_of(beads, -1.0, -1.0, 2.0, 8, 8)
    ends = np.array([[0.0, 5.0, 0.4, 10.0, 5.0, 0.4]])
    spans = np.empty((10, 5))
    done = k.cover(
        ends, np.array([0.225]), np.array([0.2]), np.arange(1), np.zeros(1, np.bool_), beads,
        np.full(40, 0.2), start, index, -1.0, -1.0, 2.0, 8, 8, 0.1, 0.0, spans, 0,
    )  # fmt: skip
    assert done == -1


def test_move_times_are_those_of_a_path() -> None:
    """One path on the level: the same seconds as the kernel for outlines; heights and feeding add to it."""
    rng = np.random.default_rng(2)
    points = rng.uniform(0, 50, (40, 2))
    flat = np.column_stack([points, np.zeros(40)])
    speed = np.full(39, 60.0)
    ours = move_times(flat[0], flat[1:], np.zeros(39), speed, np.full(39, 1000.0), 8.0)
    start = np.array([0, 40], np.int64)
    assert ours.sum() == pytest.approx(path_times(points, start, False, np.array([60.0]), 1000.0, 8.0)[0])
    # straight on along a diagonal in space
    line = np.linspace([0.0, 0, 0], [30, 40, 50], 11)
    up = move_times(line[0], line[1:], np.zeros(10), np.full(10, 50.0), np.full(10, 1000.0), 8.0)
    long = float(np.linalg.norm(line[-1]))
    assert up.sum() == pytest.approx(long / 50.0 + 50.0 / 1000.0)
    # a retraction of 2 mm at 40 mm/s, at rest before and after: 2/40 + 40/1000 s, and the head stops for it
    fed = move_times(
        np.zeros(3), np.array([[10.0, 0, 0], [10, 0, 0], [20, 0, 0]]), np.array([0.0, -2.0, 0.0]),
        np.array([50.0, 40.0, 50.0]), np.full(3, 1000.0), 8.0,
    )  # fmt: skip
    assert fed == pytest.approx([10 / 50 + 0.05, 2 / 40 + 0.04, 10 / 50 + 0.05])


def test_reach_is_the_way_to_what_carries() -> None:
    top = np.zeros((100, 100), np.float32)
    top[:, :50] = 1.0  # everything left of x = 5
    points = np.array([[8.0, 5.0, 1.0, 0.2], [4.0, 5.0, 1.0, 0.2], [9.9, 5.0, 5.0, 0.2]])
    far = k.reaches(points, top, np.ones(top.shape, np.uint8), 0.0, 0.0, 0.1, 0.1, 0.0, 6.0)
    assert far[0] == pytest.approx(3.0, abs=0.1) and far[1] < 0.1 and far[2] == 6.0

"""Strands laid on the field of tops and found again, against plain distances; sums and marks of a layer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.kernels.bead import laying, resting
from falsework.kernels.bead import strands as cut

SIZE, CELLS = 0.25, 80
COORDINATE = st.floats(3.0, 17.0)


def middles() -> tuple[np.ndarray, np.ndarray]:
    at = (np.arange(CELLS) + 0.5) * SIZE
    x, y = np.meshgrid(at, at)
    return x, y


def fields() -> tuple[np.ndarray, np.ndarray]:
    return np.zeros((CELLS, CELLS), np.float32), np.zeros((CELLS, CELLS), np.uint8)


def along_and_across(ends: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Of every cell's middle: how far along the strand and how far from its line, mm."""
    x, y = middles()
    dx, dy = ends[3] - ends[0], ends[4] - ends[1]
    long = math.hypot(dx, dy)
    px, py = x - ends[0], y - ends[1]
    return (px * dx + py * dy) / long, np.abs(px * dy - py * dx) / long, long


def laid(ends: np.ndarray, r: float, top: np.ndarray, owner: np.ndarray, kind: int = 1):
    return resting.lay(
        np.arange(len(ends)), ends, np.full(len(ends), r), np.full(len(ends), 0.2),
        np.full(len(ends), kind, np.uint8), np.arange(len(ends), dtype=float), np.zeros(len(ends), np.bool_),
        np.zeros((0, cut.STRAND)), top, owner, np.zeros_like(owner), 0.0, 0.0, SIZE,
    )  # fmt: skip


@given(COORDINATE, COORDINATE, COORDINATE, COORDINATE, st.floats(0.1, 1.5), st.sampled_from([0.0, 0.1]))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_strand_raises_the_cells_within_it(ax, ay, bx, by, r, climb) -> None:
    if math.hypot(bx - ax, by - ay) < 0.01:
        return
    ends = np.array([ax, ay, 0.4, bx, by, 0.4 + climb])
    top, owner = fields()
    laid(ends[None], r, top, owner)
    along, across, long = along_and_across(ends)
    past = np.maximum(np.maximum(-along, along - long), 0.0)
    far = np.hypot(past, across)
    sure = np.abs(far - r) > 1e-6
    np.testing.assert_array_equal((top > 0.0)[sure], (far < r)[sure])
    np.testing.assert_array_equal(owner == 1, top > 0.0)
    z = 0.4 + climb * np.clip(along / long, 0.0, 1.0)
    np.testing.assert_allclose(top[top > 0.0], z[top > 0.0], atol=1e-6)


@given(COORDINATE, COORDINATE, COORDINATE, COORDINATE, st.floats(0.15, 1.0), st.integers(0, 5))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_strand_rests_on_the_cells_beneath_it(ax, ay, bx, by, r, seed) -> None:
    """Shares by owner, gaps and doubts over random ground, cell by cell."""
    if math.hypot(bx - ax, by - ay) < 0.5:
        return
    rng = np.random.default_rng(seed)
    ends = np.array([ax, ay, 0.6, bx, by, 0.6])
    top = rng.choice([0.0, 0.1, 0.4], (CELLS, CELLS), p=[0.1, 0.1, 0.8]).astype(np.float32)
    owner = rng.integers(1, 3, (CELLS, CELLS)).astype(np.uint8)
    share, rests, near, gap, sunk, doubtful = resting.rest(
        ends[None],
        np.array([r]),
        np.array([0.2]),
        top,
        owner,
        np.zeros_like(top),
        0.0,
        0.0,
        SIZE,
        0.1,
        5.0,
        0.35,
    )
    along, across, long = along_and_across(ends)
    edge = (np.abs(across - r) < 1e-9) | (np.abs(along) < 1e-9) | (np.abs(along - long) < 1e-9)
    beneath = (along >= 0.0) & (along <= long) & (across <= r)
    if edge.any() or not beneath.any():
        return
    carries = beneath & (top > 0.3)
    count = beneath.sum()
    assert share[0] == pytest.approx(carries.sum() / count)
    for o in (1, 2):
        assert rests[0, o] == pytest.approx((carries & (owner == o)).sum() / count)
        over = beneath & ~carries & (owner == o)
        assert near[0, o] == pytest.approx(over.sum() / count)
        assert gap[0, o] == pytest.approx(0.4 - top[over].max() if over.any() else np.inf)
    assert sunk[0] == 0.0
    if (beneath & (top == 0.0)).any():  # 0.4 mm of air is more than carries, 0.3 mm is not
        assert doubtful.tolist() == [0]


def test_a_hollow_just_beside_makes_a_strand_doubtful() -> None:
    top, owner = fields()
    top[:40] = 0.4  # solid up to y = 10
    half, height = np.full(2, 0.225), np.full(2, 0.2)
    ends = np.array([[4.0, 9.78, 0.6, 14.0, 9.78, 0.6], [4.0, 9.0, 0.6, 14.0, 9.0, 0.6]])
    share, *_, doubtful = resting.rest(
        ends, half, height, top, owner, np.zeros_like(top), 0.0, 0.0, SIZE, 0.1, 5.0, 0.0
    )
    assert share.tolist() == [1.0, 1.0] and doubtful.tolist() == [0]


def test_short_strands_of_a_curve_are_not_laid_twice_and_doubled_ones_are() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 60)
    xy = 10.0 + 7.0 * np.column_stack([np.cos(angle), np.sin(angle)])  # strands of 0.74 mm
    once = np.column_stack([xy[:-1], np.full(59, 0.2), xy[1:], np.full(59, 0.2)])
    top, owner = fields()
    twice, *_ = laid(once, 0.225, top, owner)
    assert (twice > 0.8).sum() <= 1  # the last meets the first
    again, *_ = laid(once, 0.225, top, owner)
    assert (again > 0.8).mean() > 0.4


def test_rows_are_sorted_out_and_added_up() -> None:
    rows = np.zeros((5, cut.STRAND))
    rows[:, cut.LAYER] = [0, 0, 0, 0, 1]
    rows[:, cut.LINE] = [3, 4, 5, 6, 9]
    rows[:, cut.NOZZLE] = 200.0
    rows[:, [cut.AZ, cut.BZ]] = 0.2
    rows[0, [cut.BX, cut.VOLUME]] = 3.0, 0.3  # a strand
    rows[1, [cut.AX, cut.BX, cut.BY]] = 3.0, 3.0, 4.0  # a travel
    rows[2, cut.VOLUME] = 0.05  # a blob
    rows[3, [cut.AX, cut.BY, cut.BX, cut.VOLUME]] = 3.0, 4.0, 6.0, 0.5
    rows[4, [cut.BX, cut.BZ, cut.VOLUME, cut.DRAWN]] = 2.0, 0.4, 0.2, 1.0
    strands, ends, long, section, low, top, travels, blobs, order = laying.sort_out(rows)
    assert strands[:, cut.LINE].tolist() == [3, 6, 9]
    assert travels[:, cut.LINE].tolist() == [4] and blobs[:, cut.LINE].tolist() == [5]
    assert long.tolist() == [3.0, 5.0, 2.0] and order.tolist() == [0, -1, 1, 2]
    np.testing.assert_allclose(section, [0.1, 0.1, 0.1])
    assert (low, top) == (0.2, 0.4)
    np.testing.assert_array_equal(ends, strands[:, :6])
    sums, blocks = laying.fresh_sums(), np.empty((5, laying.BLOCK))
    assert laying.tally(rows, 120.0, sums, blocks) == 2
    assert sums[laying.PUSHED] == pytest.approx(1.05) and sums[laying.BLOBS] == pytest.approx(0.05)
    assert sums[[laying.STRANDS, laying.HELD, laying.HELD_LINE, laying.COLD]].tolist() == [3, 1, 9, 0]
    np.testing.assert_allclose(blocks[:2, :5], [[0, 0.2, 3, 8.0, 0.8], [1, 0.4, 9, 2.0, 0.2]])


def test_a_long_sum_stays_exact() -> None:
    rows = np.zeros((200_000, cut.STRAND))
    rows[:, cut.BX], rows[:, cut.VOLUME] = 1.0, 0.1
    sums, blocks = laying.fresh_sums(), np.empty((len(rows), laying.BLOCK))
    laying.tally(rows, 120.0, sums, blocks)
    assert sums[laying.PUSHED] == pytest.approx(20_000.0, rel=1e-15)

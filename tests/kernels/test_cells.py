"""Pockets that a layer encloses, on small fields of cells; a library's components are the reference."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from falsework.kernels.bead import cells

SIZE = 0.5


def enclosed(top, woven, *, runs=None) -> tuple[int, np.ndarray]:
    """How many cells are enclosed at height 1, and which; the layer reaches over all of the field."""
    rows, columns = top.shape
    inside = np.full(top.shape, -1.0, np.float32)
    ends = np.array([[0.0, 0.0, 1.0, columns * SIZE, rows * SIZE, 1.0]])
    runs = cells.fresh_runs() if runs is None else runs
    frame = 0.0, 0.0, SIZE
    found = cells.enclose(top, woven, inside, ends, *frame, 1.0, 0.9, 0.2, runs)
    return found, inside == 1.0


def ring(*, fill: bool) -> tuple[np.ndarray, np.ndarray]:
    """A square line around a pocket of 4 × 4 cells, with one line of fill through it or none."""
    top, woven = np.zeros((12, 12), np.float32), np.zeros((12, 12), np.uint8)
    top[3:9, 3:9] = 1.0
    top[4:8, 4:8] = 0.0
    if fill:
        top[4:8, 5], woven[4:8, 5] = 1.0, 1
    return top, woven


def test_a_pocket_that_fill_goes_through_is_inside() -> None:
    count, inside = enclosed(*ring(fill=True))
    expected = np.zeros((12, 12), bool)
    expected[4:8, 4:8] = True
    expected[4:8, 5] = False  # the fill itself
    assert count == 12 and np.array_equal(inside, expected)


def test_a_pocket_without_fill_is_no_inside_nor_is_what_lies_outside() -> None:
    assert enclosed(*ring(fill=False))[0] == 0
    top, woven = ring(fill=True)
    top[6, 3] = top[6, 4] = 0.0  # a gap in the wall, left of the fill: that side is open
    count, inside = enclosed(top, woven)
    assert count == 8 and not inside[:, :5].any()


def test_too_little_room_is_said_before_anything_is_marked() -> None:
    count, inside = enclosed(*ring(fill=True), runs=cells.fresh_runs(4))
    assert count < 0 and not inside.any()


@settings(deadline=None)
@given(st.integers(4, 18), st.integers(4, 18), st.integers(0, 2**32 - 1), st.floats(0.2, 0.8))
def test_pockets_are_the_components_of_empty_cells(rows, columns, seed, share) -> None:
    """A general-purpose library's labels of components are the reference."""
    random = np.random.default_rng(seed)
    top = (random.random((rows, columns)) < share).astype(np.float32)
    woven = (random.random((rows, columns)) < 0.3).astype(np.uint8) * (top > 0).astype(np.uint8)
    labels, n = ndimage.label(top == 0)
    expected = np.zeros(top.shape, bool)
    for label in range(1, n + 1):
        mine = labels == label
        if mine[[0, -1]].any() or mine[:, [0, -1]].any():
            continue
        # every side of an empty cell that is a filled one
        sides = [np.roll(mine, by, axis) & (top > 0) for axis in (0, 1) for by in (-1, 1)]
        border, fill = sum(s.sum() for s in sides), sum(woven[s].sum() for s in sides)
        if fill >= cells.LEAST_SHARE * border:
            expected |= mine
    count, inside = enclosed(top, woven)
    assert np.array_equal(inside, expected) and count == expected.sum()

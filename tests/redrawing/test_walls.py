"""Stretches, lines and spokes: the small pieces of which walls are placed, and what touches a spared face."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.redrawing.changes.sparing import within_slab
from falsework.redrawing.changes.spokes import chains_of, spoke_length_mm, spokes
from falsework.redrawing.changes.walls import (
    Lane,
    Wall,
    below,
    both,
    let_down,
    lines_across,
    merged,
    stretches,
    turned,
    without,
)
from falsework.redrawing.site.ceiling import ceiling_of
from grounds import block, ground, worst

ends = st.lists(st.tuples(st.integers(0, 40), st.integers(1, 10)), max_size=6)


def sets(pairs: list[tuple[int, int]]) -> np.ndarray:
    return np.array([(a, a + b) for a, b in pairs], dtype=float).reshape(-1, 2)


@given(ends, ends)
@settings(deadline=None, derandomize=True)
def test_sets_of_stretches_are_sets(a: list, b: list) -> None:
    """Against sets of whole millimetres."""

    def cells(stretch: np.ndarray) -> set[int]:
        return {x for low, high in stretch for x in range(int(low), int(high))}

    one, two = merged(sets(a)), merged(sets(b))
    assert cells(one) == cells(sets(a))
    assert cells(both(one, two)) == cells(one) & cells(two)
    assert cells(without(one, two)) == cells(one) - cells(two)
    assert (one[1:, 0] > one[:-1, 1]).all()


@given(st.floats(-180, 180), st.floats(-20, 20))
@settings(deadline=None, derandomize=True, max_examples=30)
def test_a_wall_lies_where_it_is_turned_to(deg: float, across: float) -> None:
    """On a disc a wall of thickness t at distance d has 2 √(r² − (d + t/2)²) wholly under it."""
    turn = 2 * math.pi * np.arange(720) / 720
    disc = shapely.Polygon(25 * np.column_stack([np.cos(turn), np.sin(turn)]))
    found = stretches(disc, deg, across, 1.0)
    length = 2 * math.sqrt(25**2 - (abs(across) + 0.5) ** 2)
    assert found.shape == (1, 2)
    assert found[0, 1] - found[0, 0] == pytest.approx(length, rel=1e-3)
    wall = Wall(deg, across, 1.0, shapely.box(found[0, 0], 0, found[0, 1], 7.0))
    plan = wall.plans(found)[0]
    assert shapely.difference(plan, shapely.buffer(disc, 0.01)).area < 1e-6
    solid = wall.solid()
    assert solid.volume() == pytest.approx(wall.volume_mm3)
    x0, y0, z0, x1, y1, z1 = solid.bounding_box()
    assert (x0, y0, x1, y1) == pytest.approx(plan.bounds, abs=1e-6)
    assert (z0, z1) == pytest.approx((0.0, 7.0))


@given(st.floats(5, 80), st.floats(3, 20))
@settings(deadline=None, derandomize=True, max_examples=30)
def test_no_bay_is_longer_than_the_span(breadth: float, span: float) -> None:
    """Free at the low edge alone: one line behind it, the others evenly, and no more than are wanted."""
    footprint = shapely.box(0, 0, 30, breadth)
    free = np.array([[0.0, 0.0, 30.0, 0.0]])
    across = lines_across(footprint, free, 0.0, 0.5, 0.1, span)
    assert across[0] == pytest.approx(0.1 + 0.25)
    faces = [*(y + 0.25 for y in across)], [*(y - 0.25 for y in across[1:]), breadth]
    bays = np.subtract(faces[1], faces[0])
    assert bays.max() <= span + 1e-6
    assert np.ptp(bays) < 1e-6
    if len(across) > 1:  # one fewer would not do
        assert (breadth - 0.1 - 0.5 * (len(across) - 1)) / (len(across) - 1) > span


def test_spokes_go_round_a_disc_and_along_a_square() -> None:
    turn = 2 * math.pi * np.arange(72) / 72
    ring = 10 * np.column_stack([np.cos(turn), np.sin(turn)])
    free = np.hstack([ring, np.roll(ring, -1, axis=0)])
    found = spokes(chains_of(free), 0.4, 0.1, 100.0, 45.0)
    # 360° by 45°, and a little for the length of the edge
    assert len(found) == 9
    disc = shapely.Polygon(ring)
    for spoke in found:
        assert abs(spoke.across_mm) < 0.5  # towards the middle
        assert spoke_length_mm(spoke, disc, 0.1) == pytest.approx(20.0 - 0.1, abs=0.1)

    square = np.array([[0, 0, 12, 0], [12, 0, 12, 12], [12, 12, 0, 12], [0, 12, 0, 0]], dtype=float)
    found = spokes(chains_of(square), 0.4, 0.1, 6.0, 45.0)
    assert len(found) == 4 * 3  # both ends and the middle of each side
    assert sorted({round(spoke.deg) % 360 for spoke in found}) == [0, 90, 180, 270]


def test_what_of_a_triangle_lies_in_a_slab() -> None:
    """A tall triangle through a slab, one in its face, one beside it, one around it, and one
    that is in the slab where it is not over the square."""
    square = shapely.box(0, 0, 10, 10)
    through = [[5, 5, -20], [5, 6, -20], [5, 5, 20]]
    in_face = [[2, 2, 3], [8, 2, 3], [2, 8, 3]]
    beside = [[10, 0, 0], [10, 10, 0], [10, 0, 3]]
    around = [[-50, -50, 1], [100, -50, 1], [0, 100, 1]]
    over = [[-50, -50, -9], [100, -50, -9], [0, 100, 30]]
    crossing = within_slab(np.array([through, in_face, beside, around, over], dtype=float), square, 0.0, 3.0)
    assert crossing.tolist() == [True, False, False, True, False]
    assert turned(square, 90.0).bounds == pytest.approx((-10, 0, 0, 10))


def test_a_wall_ends_on_the_bed_and_none_hangs_beneath_it() -> None:
    """A tie under a low underside would end beneath the bed: there is none."""
    on = ground(block((0, 0, 0), (4, 10, 6)) + block((0, 0, 4), (20, 10, 6)))
    site = worst(on)
    under = below(on, ceiling_of(site), 1.0)
    low, _, high, _ = ceiling_of(site).footprint.bounds
    layer = site.underside.layers[0]
    path = Lane(0.0, 0.0, 0.45, ((layer, np.array([[low + 2.0, high - 2.0]])),))
    top_mm = np.full(on.stack.count, 3.0)
    wall = let_down(under, path, top_mm)
    assert wall is not None
    assert wall.profile.bounds == pytest.approx((low + 2.0, 0.0, high - 2.0, 3.0), abs=1e-9)
    assert let_down(under, path, np.full(on.stack.count, -0.2)) is None

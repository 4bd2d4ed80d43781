"""What follows the outline beneath it: what must be found, what must never be, and growth by shapely."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, translate

from falsework.kernels.outline.following import following
from falsework.layers.polygons import repair

REACH = 0.25
BLOCK = shapely.box(0, 0, 20, 10)


def follows(beneath, upper, reach: float = REACH) -> list[bool]:
    """Whether each polygon of ``upper`` follows one of ``beneath``."""
    polygons, layer = shapely.get_parts(np.array([beneath, upper], dtype=object), return_index=True)
    _, points, (rings, owners) = shapely.to_ragged_array(polygons)
    start = np.searchsorted(layer, np.arange(3))
    found = following(points, rings.astype(np.int64), owners.astype(np.int64), start, reach)
    assert not found[: start[1]].any()  # nothing lies beneath the lowest layer
    return found[start[1] :].tolist()


def wavy(radius: float, count: int, phase: float = 0.0) -> shapely.Polygon:
    turn = 2 * np.pi * (np.arange(count) + phase) / count
    far = radius * (1 + 0.2 * np.sin(5 * turn))
    return shapely.Polygon(np.column_stack([far * np.cos(turn), far * np.sin(turn)]))


def test_copies_follow_wherever_their_rings_start_and_whichever_way_they_run():
    other = shapely.Polygon(np.roll(np.array(BLOCK.exterior.coords)[:-1], 2, axis=0)[::-1])
    assert follows(BLOCK, BLOCK) == follows(BLOCK, other) == [True]


def test_walls_that_step_out_follow_up_to_the_reach():
    for step, holds in ((0.17, True), (0.24, False), (-0.17, True)):  # a square corner steps √2 as far
        assert follows(BLOCK, shapely.box(-step, -step, 20 + step, 10 + step)) == [holds]
    assert follows(BLOCK, translate(BLOCK, 0.249, 0.0)) == [True]
    assert follows(BLOCK, translate(BLOCK, 0.251, 0.0)) == [False]


def test_corners_of_holes_that_narrow_are_cut():
    """At a hole's corner the material is within the step of both its sides, its corner √2 times as far."""
    beneath = BLOCK - shapely.box(5, 3, 15, 7)
    for step, holds in ((0.24, True), (0.26, False)):
        assert follows(beneath, BLOCK - shapely.box(5 + step, 3 + step, 15 - step, 7 - step)) == [holds]


def test_walls_that_step_in_follow_as_far_as_anyone_looks():
    for step, holds in ((0.5, True), (1.3, True), (2.1, False)):
        assert follows(BLOCK, shapely.box(step, step, 20 - step, 10 - step)) == [holds]
    beneath = BLOCK - shapely.box(5, 4, 15, 6)
    assert follows(beneath, BLOCK - shapely.box(4, 3, 16, 7)) == [True]


def test_walls_that_step_in_over_a_gap_do_not_follow():
    notched = BLOCK - shapely.box(9, -1, 11, 5)
    assert follows(notched, shapely.box(1, 1, 19, 9)) == [False]
    assert follows(notched, shapely.box(1, 1, 19, 9) - shapely.box(8, -1, 12, 6)) == [True]
    moat = BLOCK - (shapely.box(0.5, 0.5, 19.5, 9.5) - shapely.box(1.2, 1.2, 18.8, 8.8))
    assert follows(moat, shapely.box(1.3, 1.3, 18.7, 8.7)) == [True]  # on the island
    assert follows(moat, shapely.box(1.05, 1.05, 18.95, 8.95)) == [True]  # past it, by less than the reach
    assert follows(moat, shapely.box(0.85, 0.85, 19.15, 9.15)) == [False]  # into the moat


def test_other_corners_on_the_same_curve_follow():
    assert follows(wavy(10, 400), wavy(10, 977, 0.3)) == [True]


def test_a_hole_that_is_filled_does_not_follow():
    beneath = BLOCK - shapely.box(5, 3, 15, 7)
    assert follows(beneath, BLOCK) == [False]
    assert follows(BLOCK, beneath) == [True]  # a new one only takes material away


def test_two_holes_beneath_need_two_above():
    """Two holes side by side, each near the one of the upper layer: that cannot stand for both."""
    beneath = shapely.box(0, 0, 4, 4) - shapely.box(1, 1, 1.2, 3) - shapely.box(1.25, 1, 1.45, 3)
    assert follows(beneath, shapely.box(0, 0, 4, 4) - shapely.box(1.1, 1, 1.3, 3)) == [False]


def test_a_disc_on_a_ring_whole_or_slit_does_not_follow():
    ring = wavy(10, 200) - wavy(9.9, 200)  # thinner than the reach
    assert follows(ring, wavy(10, 200)) == [False]
    slit = shapely.orient_polygons(ring - shapely.box(0, -0.05, 20, 0.05))
    assert follows(slit, wavy(10, 200)) == [False]


def test_each_piece_is_judged_by_itself():
    beneath = shapely.MultiPolygon([BLOCK, translate(BLOCK, 40, 0)])
    upper = shapely.MultiPolygon([translate(BLOCK, 0.1, 0), translate(BLOCK, 43, 0), translate(BLOCK, 80, 0)])
    assert follows(beneath, upper) == [True, False, False]


@st.composite
def outlines(draw) -> shapely.Polygon:
    """A star of straight sides with a few holes, some of them slits that reach outside."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    turn = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(5, 40)))
    far = rng.uniform(1.0, 6.0, len(turn))
    shape = shapely.Polygon(np.column_stack([far * np.cos(turn), far * np.sin(turn)])).buffer(0)
    for _ in range(rng.integers(0, 4)):
        x, y, w, h = rng.uniform([-3, -3, 0.1, 0.1], [3, 3, 3, 3])
        shape = shape - rotate(shapely.box(x, y, x + w, y + h), rng.uniform(0, 90))
    biggest = shapely.get_parts(shape)[np.argmax(shapely.area(shapely.get_parts(shape)))]
    return shapely.orient_polygons(biggest)


@settings(max_examples=400, deadline=None)
@given(outlines(), st.floats(-1.5, 0.3), st.sampled_from([0.0, 0.1, 0.6]), st.integers(0, 2**32 - 1))
def test_what_follows_lies_within_the_reach(beneath, grow, fill, seed):
    """Grown, shrunk, moved, gaps filled or not: where it follows, nothing sticks out of growth."""
    rng = np.random.default_rng(seed)
    upper = shapely.buffer(shapely.buffer(beneath, fill, quad_segs=2), grow - fill, join_style="mitre")
    upper = translate(repair(np.array([upper]))[0], *rng.uniform(-0.1, 0.1, 2))
    if rng.uniform() < 0.3:
        upper = shapely.union_all([shapely.Polygon(p.exterior) for p in shapely.get_parts(upper)])
    if upper.is_empty:
        return
    within = shapely.buffer(beneath, REACH, quad_segs=64)
    for polygon, found in zip(shapely.get_parts(upper), follows(beneath, upper), strict=True):
        if found:
            assert shapely.area(polygon - within) < 1e-4 * REACH * polygon.length

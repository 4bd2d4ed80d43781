"""Scan lines against plain-Python twins and hand-drawn cases."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from falsework.kernels.outline.strips import (
    carried_spans,
    fit_strips,
    panel_levels,
    stack_panels,
    subtract_spans,
)
from falsework.layers.polygons import rings_of


def fit(polygon, spacing, half, phase=0.0):
    points, ring_start, cell_start = rings_of(np.array([polygon], dtype=object))
    return fit_strips(points, ring_start, cell_start, spacing, np.array([phase]), np.array([half]))


def test_a_box_takes_the_whole_length_of_every_line_that_fits() -> None:
    found = fit(shapely.box(1.0, -0.3, 9.0, 4.3), 2.0, 0.2)
    assert found[:, 1].tolist() == [0, 1, 2]
    np.testing.assert_allclose(found[:, 2:], [[1.0, 9.0]] * 3, atol=1e-9)


def test_a_line_too_near_the_edge_is_left_out() -> None:
    assert fit(shapely.box(0, -0.1, 9, 1.9), 2.0, 0.2).shape == (0, 4)


def test_a_slanted_edge_costs_its_slope_times_the_width() -> None:
    found = fit(shapely.Polygon([(0, -5), (10, -5), (10, 5), (-10, 5), (-5, 0)]), 20.0, 0.5)
    # At v = 0.5 the left edge (slope -1) is at -5.5, at -0.5 on the lower edge u = -4.5.
    np.testing.assert_allclose(found[0, 2:], [-4.5, 10.0], atol=1e-5)


@settings(max_examples=60, deadline=None)
@example([(2.0, 0.0, 1.5), (-1.0, 2.5, 2.5)], 0.5)  # an edge that reaches across the notch between them
@given(
    st.lists(st.tuples(st.floats(-9, 9), st.floats(-9, 9), st.floats(0.5, 4)), min_size=1, max_size=5),
    st.floats(0.05, 0.6),
)
def test_strips_lie_inside_and_are_as_long_as_they_can_be(discs, half) -> None:
    region = shapely.union_all([shapely.Point(x, y).buffer(r, quad_segs=5) for x, y, r in discs])
    for polygon in shapely.get_parts(region):
        found = fit(polygon, 1.3, half)
        for _, k, a, b in found:
            strip = shapely.box(a, k * 1.3 - half, b, k * 1.3 + half)
            assert strip.difference(polygon.buffer(1e-5)).area < 1e-9
            for longer in ((a - 0.01, b), (a, b + 0.01)):
                grown = shapely.box(longer[0], k * 1.3 - half, longer[1], k * 1.3 + half)
                assert not polygon.contains(grown)


def keys(line, layer, stride=100):
    return np.array(line) * stride + np.array(layer)


def test_carried_spans_follow_what_lies_beneath() -> None:
    layer = np.array([0, 1, 2, 3])
    span = np.array([[0.0, 10.0], [0.0, 12.0], [5.0, 20.0], [30.0, 40.0]])
    found = carried_spans(
        keys([0] * 4, layer), layer, span, np.empty(0, np.int64), np.empty((0, 2)), 0.5, 2.0, 1.0
    )
    np.testing.assert_allclose(found, [[0, 0, 10], [1, 0, 10.5], [2, 5, 11.0]])


def test_ground_carries_and_short_gaps_are_bridged() -> None:
    layer = np.array([5])
    ground_key = keys([0, 0, 0], [5, 5, 5])
    ground = np.array([[0.0, 2.0], [3.5, 5.0], [9.0, 12.0]])
    found = carried_spans(keys([0], layer), layer, np.array([[0.0, 10.0]]), ground_key, ground, 0.0, 2.0, 0.5)
    np.testing.assert_allclose(found, [[0, 0, 5], [0, 9, 10]])


def test_another_line_does_not_carry() -> None:
    layer = np.array([0, 1])
    span = np.array([[0.0, 10.0], [0.0, 10.0]])
    found = carried_spans(
        keys([0, 1], layer), layer, span, np.empty(0, np.int64), np.empty((0, 2)), 0.5, 2.0, 1.0
    )
    assert found[:, 0].tolist() == [0]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.floats(0, 10), st.floats(0.1, 5)), max_size=12),
    st.lists(st.tuples(st.integers(0, 2), st.floats(0, 10), st.floats(0.1, 5)), max_size=12),
)
def test_subtraction_leaves_the_measure_of_the_difference(spans, others) -> None:
    spans, others = sorted(spans), sorted(others)
    key = np.array([s[0] for s in spans], dtype=np.int64)
    span = np.array([(s[1], s[1] + s[2]) for s in spans]).reshape(-1, 2)
    other_key = np.array([s[0] for s in others], dtype=np.int64)
    other = np.array([(s[1], s[1] + s[2]) for s in others]).reshape(-1, 2)
    found = subtract_spans(key, span, other_key, other, 0.0)
    for i in range(len(spans)):
        covered = shapely.union_all(
            [shapely.LineString([(a, 0), (b, 0)]) for a, b in other[other_key == key[i]]]
        )
        own = shapely.LineString([(span[i, 0], 0), (span[i, 1], 0)])
        left = found[found[:, 0] == i]
        np.testing.assert_allclose((left[:, 2] - left[:, 1]).sum(), own.difference(covered).length, atol=1e-9)


def test_panels_end_where_spans_branch() -> None:
    span = np.array([[0.0, 10.0], [0.0, 10.0], [0.0, 4.0], [6.0, 10.0], [0.0, 4.0]])
    panel = stack_panels(keys([0] * 5, [0, 1, 2, 2, 3]), span, 0.5)
    assert panel.tolist() == [0, 0, 1, 2, 1]


def test_levels_of_a_straight_wall_are_its_ends() -> None:
    z = np.arange(11) * 0.2
    levels = panel_levels(np.zeros(10, np.int64), np.arange(10), np.tile([1.0, 5.0], (10, 1)), z, 0.06)
    np.testing.assert_allclose(levels, [[0, 0.0, 1.03, 4.97], [0, 2.0, 1.03, 4.97]], atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 2.0), min_size=1, max_size=25))
def test_levels_stay_inside_the_stairs(highs) -> None:
    n = len(highs)
    span = np.column_stack([np.zeros(n), 5.0 + np.array(highs)])
    levels = panel_levels(np.zeros(n, np.int64), np.arange(n), span, np.arange(n + 1.0), 0.1)
    stairs = shapely.union_all([shapely.box(a, i, b, i + 1) for i, (a, b) in enumerate(span)])
    outline = [(b, z) for _, z, _, b in levels] + [(a, z) for _, z, a, _ in levels[::-1]]
    assert shapely.Polygon(outline).difference(stairs.buffer(1e-9)).area < 1e-9
    assert levels[0, 1] == 0 and levels[-1, 1] == n

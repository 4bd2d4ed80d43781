"""Distances and insides against shapely, the reference twin."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.need.measure import Outlines
from stacks import stack_of


def ragged(rng: np.random.Generator):
    """Sections with holes, several outlines, an empty one, and hundreds of edges."""

    def star(x, y, size):
        turn = np.sort(rng.uniform(0, 2 * np.pi, 90))
        reach = size * rng.uniform(0.5, 1.0, 90)
        return shapely.Polygon(np.column_stack([x + reach * np.cos(turn), y + reach * np.sin(turn)])).buffer(
            0
        )

    full = [star(0, 0, 8) - shapely.Point(0, 0).buffer(2), star(15, 3, 5) | star(2, 3, 6), star(1, 1, 9)]
    return [full[0], full[1], shapely.Polygon(), full[2]]


@pytest.mark.parametrize("number", range(4))
def test_distance_and_beneath_against_shapely(number):
    rng = np.random.default_rng(number)
    sections = ragged(rng)
    outlines = Outlines(stack_of(sections))
    xy = rng.uniform(-10, 22, (400, 2))
    layer = rng.integers(0, 4, 400)
    points = shapely.points(xy)
    found = outlines.distance_mm(xy, layer)
    expected = shapely.distance(points, np.array(sections, dtype=object)[layer])
    empty = layer == 2
    assert np.isinf(found[empty]).all()
    assert np.allclose(found[~empty], expected[~empty], atol=1e-9)
    owner = rng.integers(0, 9, 400)
    farthest = outlines.farthest_mm(xy[~empty], layer[~empty], owner[~empty], 10)
    assert farthest.tolist() == [max(found[~empty & (owner == k)], default=0.0) for k in range(10)]
    assert np.isinf(outlines.farthest_mm(xy, layer, np.zeros(400, np.int64), 1))[0]

    top, lowest = np.full(400, 4), rng.integers(0, 4, 400)
    below = outlines.beneath(xy, top, lowest)
    for k in range(400):
        held = [l for l in range(lowest[k], 4) if sections[l].contains(points[k])]
        assert below[k] == (held[-1] if held else lowest[k] - 1)


def test_below_the_first_layer_there_is_nothing():
    outlines = Outlines(stack_of([shapely.box(0, 0, 1, 1)]))
    assert np.isinf(outlines.distance_mm(np.zeros((1, 2)), np.array([-1])))[0]

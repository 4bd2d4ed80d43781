"""Patches against the plain way: every pair of strips measured by shapely, then searched through."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, translate

from falsework.need.join import join_strips
from falsework.need.measure import polygon_edges

REACH = 0.225


def patches(strips, layer) -> list[int]:
    edges, first = polygon_edges(np.array(strips, dtype=object))
    label, count = join_strips(edges, first, np.array(layer), REACH)
    assert set(label.tolist()) == set(range(count))
    return label.tolist()


def plainly(strips, layer) -> list[int]:
    label = list(range(len(strips)))
    for k, strip in enumerate(strips):
        for j in range(k):
            if 1 <= layer[k] - layer[j] <= 2 and strip.distance(strips[j]) <= REACH:
                gone, stays = max(label[k], label[j]), min(label[k], label[j])
                label = [stays if l == gone else l for l in label]
    return [sorted(set(label)).index(l) for l in label]


@st.composite
def strips_by_layer(draw):
    """Bars, rings and stars of up to 60 corners in a few layers, crowded enough to meet now and then."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    room = draw(st.sampled_from([4.0, 9.0, 20.0]))
    layer = np.sort(rng.integers(0, 6, rng.integers(1, 30)))
    turn = 2 * np.pi * np.arange(60) / 60
    strips = []
    for _ in layer:
        far = rng.uniform(0.5, 1.5, 60)
        kind = rng.integers(3)
        if kind == 0:
            shape = rotate(shapely.box(-2, -0.05, 2, 0.05), rng.uniform(0, 180))
        elif kind == 1:
            shape = shapely.Point(0, 0).buffer(2.0) - shapely.Point(0, 0).buffer(rng.uniform(0.5, 1.9))
        else:
            shape = shapely.Polygon(np.column_stack([far * np.cos(turn), far * np.sin(turn)]))
        strips.append(shapely.orient_polygons(translate(shape, *rng.uniform(0, room, 2))))
    return strips, layer.tolist()


@settings(max_examples=150, deadline=None)
@given(strips_by_layer())
def test_against_every_pair_measured(found):
    assert patches(*found) == plainly(*found)


BAR = shapely.box(0, 0, 4, 1)


@pytest.mark.parametrize(
    ("strips", "layer", "expected"),
    [
        ([BAR, BAR], [0, 1], [0, 0]),
        ([BAR, BAR], [0, 2], [0, 0]),
        ([BAR, BAR], [0, 3], [0, 1]),
        ([BAR, BAR], [1, 1], [0, 1]),  # of one layer they join through others alone
        ([BAR, translate(BAR, 4.2, 0), translate(BAR, 4.2, 0)], [0, 0, 1], [0, 0, 0]),
        ([BAR, translate(BAR, 4.22, 0)], [0, 1], [0, 0]),
        ([BAR, translate(BAR, 4.23, 0)], [0, 1], [0, 1]),
        ([BAR, shapely.box(1, 0.4, 2, 0.6)], [0, 1], [0, 0]),  # inside, its edges farther than the reach
        ([BAR - shapely.box(0.5, 0.1, 3.5, 0.9), shapely.box(1, 0.4, 2, 0.6)], [0, 1], [0, 1]),  # in its hole
        ([shapely.box(-10, -0.1, 10, 0.1), shapely.box(-0.1, -10, 0.1, 10)], [0, 1], [0, 0]),  # crossing
        ([BAR, translate(BAR, 0, 5), translate(BAR, 0, 5), BAR], [0, 0, 1, 1], [0, 1, 1, 0]),
    ],
)
def test_what_hangs_together(strips, layer, expected):
    assert patches([shapely.orient_polygons(s) for s in strips], layer) == expected

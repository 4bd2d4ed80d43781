"""Chords against plain shapely cuts and against shapes of known width."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate

from falsework.kernels.outline.chords import best_bridges, depth_inside
from falsework.need.measure import Outlines, polygon_edges
from stacks import stack_of


def tagged(polygon, anchors):
    edges, first = polygon_edges(np.array([polygon]))
    middles = shapely.points(0.5 * (edges[:, :2] + edges[:, 2:]))
    return edges, first, shapely.distance(middles, anchors) < 1e-9


def twin(polygon, anchors, degrees: float, spacing: float):
    """Share of the area on carried chords, and the longest anchored at both ends, cut by shapely."""
    flat, ends = rotate(polygon, -degrees, origin=(0, 0)), rotate(anchors, -degrees, origin=(0, 0))
    x0, y0, x1, y1 = flat.bounds
    lines = int(np.clip(np.ceil((y1 - y0) / spacing), 8, 64))
    chords = []
    for k in range(lines):
        y = y0 + (k + 0.5) * (y1 - y0) / lines
        cut = shapely.intersection(flat, shapely.LineString([(x0 - 1, y), (x1 + 1, y)]))
        for chord in shapely.get_parts(cut):
            held = all(ends.distance(shapely.Point(c)) < 1e-6 for c in chord.coords)
            chords.append((k, chord.bounds[0], chord.bounds[2], held))
    anchored = [c for c in chords if c[3]]
    beside = int(spacing / ((y1 - y0) / lines))
    carried = sum(
        b - a
        for k, a, b, _ in chords
        if any(abs(k - j) <= beside and c - spacing <= a and b <= d + spacing for j, c, d, _ in anchored)
    )
    longest = max((b - a for _, a, b, _ in anchored), default=0.0)
    return carried / sum(b - a for _, a, b, _ in chords), longest


@pytest.mark.parametrize("number", range(6))
def test_against_shapely(number):
    """Random stars with a hole, a random third of their edges anchored: the share of the direction found."""
    rng = np.random.default_rng(number)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 24))
    reach = rng.uniform(6, 10, 24)
    star = shapely.Polygon(np.column_stack([reach * np.cos(turn), reach * np.sin(turn)]))
    polygon = shapely.orient_polygons(star - shapely.Point(0, 0).buffer(1.5, quad_segs=3))
    edges, _ = polygon_edges(np.array([polygon]))
    chosen = edges[rng.uniform(size=len(edges)) < 0.34]
    anchors = shapely.MultiLineString([[(a, b), (c, d)] for a, b, c, d in chosen])
    edges, first, anchored = tagged(polygon, anchors)
    share, span, direction = best_bridges(edges, first, anchored, 0.5, 0.9)
    expected_share, expected_span = twin(polygon, anchors, direction[0], 0.5)
    assert share[0] == pytest.approx(expected_share, abs=1e-6)
    assert span[0] == pytest.approx(expected_span, abs=1e-6)
    assert share[0] >= max(twin(polygon, anchors, 5.0 * k, 0.5)[0] for k in range(36)) - 1e-6


@pytest.mark.parametrize("turn", [0.0, 12.34, 88.0])
def test_rectangle_anchored_all_round(turn):
    rectangle = rotate(shapely.box(0, 0, 40, 7), turn, origin=(0, 0))
    edges, first, anchored = tagged(rectangle, rectangle.boundary)
    share, span, direction = best_bridges(edges, first, anchored, 0.45, 0.9)
    assert share[0] == pytest.approx(1.0)
    assert span[0] == pytest.approx(7.0, abs=1e-3)
    assert abs((direction[0] - turn - 90 + 90) % 180 - 90) < 0.2


def test_nothing_anchored():
    box = shapely.box(0, 0, 4, 4)
    edges, first, anchored = tagged(box, shapely.Point(99, 99))
    assert [float(a[0]) for a in best_bridges(edges, first, anchored, 0.45, 0.9)] == [0.0, 0.0, 0.0]


def test_depth_of_a_ceiling_and_of_a_round_one():
    """Chord middles reach the middle of a rectangle exactly, of a circle to half a spacing's sagitta."""
    for hole, depth, error in (
        (shapely.box(5, 5, 25, 15), 5.0, 1e-9),
        (shapely.Point(12, 12).buffer(6, quad_segs=32), 6.0, 0.02),
    ):
        outlines = Outlines(stack_of([shapely.box(0, 0, 30, 30) - hole]))
        edges, first = polygon_edges(np.array([shapely.orient_polygons(hole)]))
        found = depth_inside(edges, first, np.array([1]), 0.45, *outlines.arrays)[0]
        assert depth - error <= found <= depth + 1e-9

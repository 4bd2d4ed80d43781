"""Fields over outlines and nets of heights, against shapely and arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.kernels.field.grids import cover, extend, pits, sample, surface_above
from falsework.kernels.field.nets import net_of
from falsework.need.measure import polygon_edges
from solids import box


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_cover_finds_the_lowest_polygon_that_holds_a_vertex(seed: int) -> None:
    rng = np.random.default_rng(seed)
    polygons = np.array(
        [shapely.convex_hull(shapely.multipoints(rng.uniform(0, 10, (7, 2)))) for _ in range(3)], dtype=object
    )
    polygons[1] = polygons[1].difference(shapely.Point(5, 5).buffer(1.0))
    polygons = np.array([p for q in polygons for p in shapely.get_parts(q)], dtype=object)
    layer = np.arange(len(polygons), dtype=np.int64) + 3
    out = np.full((25, 30), -1, np.int32)
    edges, first = polygon_edges(polygons)
    cover(edges, first, layer, -0.517, -0.231, 0.411, out)
    y, x = np.mgrid[:25, :30]
    x, y = -0.517 + 0.411 * x, -0.231 + 0.411 * y
    want = np.full(out.shape, -1)
    for polygon, number in zip(polygons[::-1], layer[::-1], strict=True):
        want[shapely.contains_xy(polygon, x, y)] = number
    assert (out == want).all()


def test_surface_above_is_the_first_face_that_looks_the_right_way() -> None:
    low, high = box((4, 4, 2), (1, 1, 3)), box((4, 4, 2), (1, 1, 8))
    vertices = np.concatenate([low[0], high[0]])
    faces = np.concatenate([low[1], high[1] + len(low[0])]).astype(np.int32)
    out = np.empty((12, 12))
    for least, down, up in ((0.0, 3.0, 5.0), (4.0, 8.0, 5.0), (9.0, np.inf, 10.0)):
        asked = np.full(out.shape, least)
        surface_above(vertices, faces, True, asked, 0.27, 0.31, 0.5, out)
        assert (out[2:9, 2:9] == pytest.approx(down)) if math.isfinite(down) else np.isinf(out).all()
        assert np.isinf(out[0]).all()
        surface_above(vertices, faces, False, asked, 0.27, 0.31, 0.5, out)
        assert out[2:9, 2:9] == pytest.approx(up)


def test_a_plane_is_continued_and_sampled_exactly() -> None:
    y, x = np.mgrid[:20, :20] * 0.3
    plane = 1.0 + 0.7 * x - 0.4 * y
    known = plane.copy()
    known[(x - 3) ** 2 + (y - 3) ** 2 > 4.0] = np.nan
    extend(known, 3)
    filled = np.isfinite(known)
    assert filled.sum() > 180
    assert known[filled] == pytest.approx(plane[filled], abs=1e-6)
    assert sample(plane, 0.0, 0.0, 0.3, 1.234, 4.321) == pytest.approx(1.0 + 0.7 * 1.234 - 0.4 * 4.321)


@settings(max_examples=10, deadline=None, derandomize=True)
@given(st.floats(0.0, math.tau), st.floats(-0.4, 0.4))
def test_a_net_keeps_its_creases(turn: float, shift: float) -> None:
    """Of a gable at any turn the vertices lie on its planes; a few, where the ridge cuts off a cell's corner,
    lie beside them by a part of a cell."""
    step = 0.25
    y, x = np.mgrid[:41, :41] * step - 5.0
    across = x * math.cos(turn) + y * math.sin(turn) - shift
    z = 3.0 - np.abs(across)
    points, faces, rim = net_of(z, np.ones((40, 40), bool), -5.0, -5.0, step)
    on = 3.0 - np.abs(points[:, 0] * math.cos(turn) + points[:, 1] * math.sin(turn) - shift)
    off = np.abs(points[:, 2] - on)
    assert np.quantile(off, 0.95) < 5e-3
    assert off.max() < 0.5 * step
    a, b, c = (points[faces[:, k]] for k in range(3))
    areas = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    assert (areas > 0.0).all()
    volume = float(areas @ (a + b + c)[:, 2]) / 3.0
    middle = (a + b + c)[:, :2] / 3.0
    inside = 3.0 - np.abs(middle[:, 0] * math.cos(turn) + middle[:, 1] * math.sin(turn) - shift)
    assert volume == pytest.approx(float(areas @ inside), rel=1e-3)
    assert len(rim) == 4 * 39


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_pits_are_plateaus_with_nothing_lower_beside_them(seed: int) -> None:
    chance = np.random.default_rng(seed)
    level = chance.integers(-1, 4, (7, 9))
    found, want = pits(level), np.full(level.shape, -1)
    left = {(int(r), int(s)) for r, s in np.argwhere(level >= 0)}
    number = 0
    for start in sorted(left):
        if start not in left:
            continue
        plateau, edge, lowest = {start}, [start], True
        while edge:
            r, s = edge.pop()
            for at in ((r + a, s + b) for a in (-1, 0, 1) for b in (-1, 0, 1)):
                if not (0 <= at[0] < 7 and 0 <= at[1] < 9) or level[at] < 0 or at in plateau:
                    continue
                lowest &= level[at] >= level[start]
                if level[at] == level[start]:
                    plateau.add(at)
                    edge.append(at)
        left -= plateau
        if lowest:
            for at in plateau:
                want[at] = number
            number += 1
    assert (found == want).all()

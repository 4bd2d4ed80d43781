"""Where lanes pass through outlines, and what stands in them, against shapely, the reference twin."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.kernels.outline.lanes import columns, highest, uncovered
from falsework.redrawing.changes.walls import Turned, merged, turned

whole = st.integers(0, 12)
boxes = st.lists(st.tuples(whole, whole, st.integers(1, 6), st.integers(1, 6)), min_size=1, max_size=6)
blocks = st.lists(st.tuples(whole, st.integers(1, 6), st.integers(1, 9)), max_size=6)


def covered(region: shapely.Geometry, band: shapely.Geometry) -> np.ndarray:
    """Stretches along x of what a band and a region share."""
    x0, _, x1, _ = shapely.bounds(shapely.get_parts(shapely.intersection(region, band))).T
    return merged(np.column_stack([x0, x1])[x1 > x0])


@settings(deadline=None, derandomize=True)
@given(boxes, whole, st.sampled_from([0.0, 0.5, 1.0]))
def test_bands_along_edges_and_through_corners(some: list, y: int, half: float) -> None:
    """On whole millimetres nearly every band lies along an edge or ends at a corner."""
    region = shapely.union_all([shapely.box(x, z, x + a, z + b) for x, z, a, b in some])
    found, of = Turned(np.array([region]), 0.0).passed(np.zeros(1, np.int64), float(y), half)
    band = shapely.box(-99, y - half, 99, y + half) if half else shapely.LineString([(-99, y), (99, y)])
    assert found.tolist() == covered(region, band).tolist()
    assert (of == 0).all()


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("half", [0.0, 0.3])
def test_bands_through_ragged_outlines_with_holes(number: int, half: float) -> None:
    rng = np.random.default_rng(number)

    def star(size: float) -> shapely.Geometry:
        turn, reach = np.sort(rng.uniform(0, 2 * np.pi, 90)), size * rng.uniform(0.5, 1.0, 90)
        return shapely.Polygon(np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])).buffer(0)

    regions = np.array([star(9) - star(4), shapely.Polygon(), star(3)], dtype=object)
    deg = float(rng.uniform(-180, 180))
    region, across = rng.integers(0, 3, 40), rng.uniform(-10, 10, 40)
    found, of = Turned(regions, deg).passed(region, across, half)
    lying = turned(regions, -deg)
    for k in range(40):
        ends = [(-99.0, across[k]), (99.0, across[k])]
        band = shapely.box(-99, across[k] - half, 99, across[k] + half) if half else shapely.LineString(ends)
        expected = covered(lying[region[k]], band)
        assert found[of == k].shape == expected.shape
        assert np.allclose(found[of == k], expected, atol=1e-9)


@settings(deadline=None, derandomize=True)
@given(blocks, blocks, st.integers(0, 3))
def test_what_no_cover_of_some_layers_lies_over(some: list, covers: list, layers: int) -> None:
    """Against sets of whole millimetres."""

    def arrays(blocks: list) -> tuple[np.ndarray, np.ndarray]:
        stretch = np.array([(x, x + a) for x, a, _ in blocks], dtype=float).reshape(-1, 2)
        return stretch, np.array([l for *_, l in blocks], dtype=np.int64)

    found = uncovered(*arrays(some), *arrays(sorted(covers, key=lambda one: one[2])), layers)
    expected: list[int] = []
    for x, a, l in some:
        over = {m for low, b, k in covers if l - layers <= k <= l for m in range(low, low + b)}
        expected += [m for m in range(x, x + a) if m not in over]
    assert [m for low, high in found for m in range(int(low), int(high))] == expected
    assert (found[:, 1] > found[:, 0]).all()


@settings(deadline=None, derandomize=True)
@given(blocks)
def test_the_upper_edge_of_blocks(some: list) -> None:
    stretch = np.array([(x, x + a) for x, a, _ in some], dtype=float).reshape(-1, 2)
    at, top = highest(stretch, np.array([h for _, _, h in some], dtype=float))
    assert (np.diff(at) > 0).all() and (top[1:] != top[:-1]).all()
    for x in np.arange(-0.5, 20.0):
        expected = max((h for low, a, h in some if low < x < low + a), default=-np.inf)
        cell = np.searchsorted(at, x) - 1
        assert (top[cell] if 0 <= cell < len(top) else -np.inf) == expected


@settings(deadline=None, derandomize=True, max_examples=200)
@given(
    st.lists(st.tuples(whole, st.integers(1, 4), st.integers(4, 9)), min_size=1, max_size=4),
    st.lists(st.tuples(whole, st.integers(1, 6), st.integers(1, 9)), max_size=6),
)
def test_columns_stand_on_what_lies_beneath_their_strips(strips: list, crossed: list) -> None:
    """Against the areas: of each layer's columns all is taken away that lies beneath, a little less wide."""
    strips.sort(key=lambda one: one[2])
    part = np.array([(x, x + a) for x, a, _ in strips], dtype=float)
    layer = np.array([l for *_, l in strips])
    solid = np.array([(x, x + a) for x, a, _ in crossed], dtype=float).reshape(-1, 2)
    under = np.array([l for *_, l in crossed], dtype=np.int64)
    slack = 0.25
    found = columns(part, layer, layer + 0.5, solid, under, under.astype(float), 0.0, slack)
    expected = []
    for own in np.unique(layer):
        mine = part[layer == own]
        some = (under < own) & (solid[:, 0] < mine.max()) & (solid[:, 1] > mine.min())
        beneath = shapely.union_all(shapely.box(solid[some, 0], -1.0, solid[some, 1], under[some]))
        beneath = shapely.buffer(beneath, -slack, join_style="mitre")
        standing = shapely.union_all(shapely.box(mine[:, 0], 0.0, mine[:, 1], own + 0.5))
        expected.append(shapely.difference(standing, beneath))
    whole_area = shapely.union_all(expected)
    assert shapely.symmetric_difference(shapely.union_all(shapely.box(*found.T)), whole_area).area < 1e-9

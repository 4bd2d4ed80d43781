"""Columns against a slow twin (point in polygon by shapely) and against cases counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from falsework.kernels.column.air import (
    BED_CELLS,
    BED_NM,
    CELLS,
    LAND_COLUMN,
    LAND_HIGHEST_NM,
    LAND_LOWEST_NM,
    LAND_NM,
    LAND_ROW,
    NEVER_NM,
    PART_NM,
    RECORD_WIDTH,
    TALLY_WIDTH,
    drop_columns,
)
from stacks import stack_of

WIDTH, ROWS = 23, 17
LAYER_NM = 200_000


def _empty(undersides: int) -> np.ndarray:
    tally = np.zeros((undersides, TALLY_WIDTH), np.int64)
    tally[:, LAND_LOWEST_NM] = NEVER_NM
    tally[:, LAND_HIGHEST_NM] = -1
    return tally


def _run(sections, needs, width=WIDTH):
    """Tally and records; ``needs`` are (layer, region, underside), sorted by layer."""
    solid = stack_of(sections)
    over = stack_of([region for _, region, _ in needs])
    undersides = 1 + max((u for _, _, u in needs), default=0)
    tally = _empty(undersides)
    records = np.empty((ROWS * width * len(needs), RECORD_WIDTH), np.int32)
    found = drop_columns(
        solid.points_mm,
        solid.ring_start,
        solid.layer_start,
        LAYER_NM * np.arange(len(sections) + 1),
        over.points_mm,
        over.ring_start,
        over.layer_start,
        np.array([i for i, _, _ in needs], dtype=np.int64),
        np.array([u for _, _, u in needs], dtype=np.int64),
        ROWS,
        width,
        tally,
        records,
    )
    return tally, records[:found]


def _twin(sections, needs):
    """The obvious way: every sample point, every region, every layer beneath it, by point in polygon."""
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(ROWS))
    inside = [shapely.contains_xy(s, x.ravel(), y.ravel()).reshape(x.shape) for s in sections]
    records = []
    for layer, region, u in needs:
        mine = shapely.contains_xy(region, x.ravel(), y.ravel()).reshape(x.shape)
        for row, column in zip(*np.nonzero(mine), strict=True):
            below = [k for k in range(layer) if inside[k][row, column]]
            landing = below[-1] if below else -1
            if landing < 0 or landing < layer - 1:
                records.append((row, column, layer, landing, u))
    return np.array(records, dtype=np.int32).reshape(-1, RECORD_WIDTH)


def _tally_of(records, undersides):
    tally = _empty(undersides)
    for row, column, layer, landing, u in records.tolist():
        tally[u, CELLS] += 1
        if landing < 0:
            tally[u, BED_CELLS] += 1
            tally[u, BED_NM] += layer * LAYER_NM
        else:
            ground = (landing + 1) * LAYER_NM
            tally[u, PART_NM] += layer * LAYER_NM - ground
            tally[u, LAND_COLUMN] += column
            tally[u, LAND_ROW] += row
            tally[u, LAND_NM] += ground
            tally[u, LAND_LOWEST_NM] = min(tally[u, LAND_LOWEST_NM], ground)
            tally[u, LAND_HIGHEST_NM] = max(tally[u, LAND_HIGHEST_NM], ground)
    return tally


@st.composite
def shapes(draw):
    """Unions and differences of stars and boxes, off the sample points by an odd shift, partly off the
    grid."""
    shape = Polygon()
    for _ in range(draw(st.integers(0, 4))):
        cx, cy = draw(st.integers(-3, 25)) + 0.137, draw(st.integers(-3, 20)) + 0.291
        if draw(st.booleans()):
            piece = box(cx, cy, cx + draw(st.integers(1, 12)), cy + draw(st.integers(1, 12)))
        else:
            radii = np.array(draw(st.lists(st.integers(1, 9), min_size=3, max_size=9)), dtype=float)
            angle = np.linspace(0.0, 2.0 * np.pi, len(radii), endpoint=False) + 0.1
            star = np.column_stack([cx + radii * np.cos(angle), cy + radii * np.sin(angle)])
            piece = shapely.make_valid(Polygon(star))
        shape = shape - piece if draw(st.integers(0, 3)) == 0 else shape | piece
    polygons = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
    return shapely.union_all(polygons) if polygons else Polygon()


@settings(max_examples=60, deadline=None)
@given(st.lists(shapes(), min_size=1, max_size=6), st.data())
def test_every_column_agrees_with_point_in_polygon(sections, data):
    needs = []
    for layer, section in enumerate(sections):
        needs.append((layer, section, data.draw(st.integers(0, 2))))
        if data.draw(st.booleans()):  # a second underside in the same layer, whatever lies under it
            needs.append((layer, data.draw(shapes()), 2))
    tally, records = _run(sections, needs)
    expected = _twin(sections, needs)
    np.testing.assert_array_equal(records, expected)
    np.testing.assert_array_equal(tally, _tally_of(expected, len(tally)))


def test_columns_stand_on_the_shelf_and_on_the_bed():
    shelf, top = box(0.5, 0.5, 4.5, 3.5), box(0.5, 0.5, 9.5, 3.5)  # 4 x 3 and 9 x 3 samples
    sections = [shelf, shelf, Polygon(), Polygon(), Polygon(), top]
    tally, records = _run(sections, [(5, top, 0)])
    assert tally[0].tolist() == [
        27,
        15,
        15 * 5 * LAYER_NM,
        12 * 3 * LAYER_NM,
        3 * (1 + 2 + 3 + 4),
        4 * (1 + 2 + 3),
        12 * 2 * LAYER_NM,
        2 * LAYER_NM,
        2 * LAYER_NM,
    ]
    assert records[0].tolist() == [1, 1, 5, 1, 0]
    assert records[-1].tolist() == [3, 9, 5, -1, 0]


def test_regions_that_share_an_edge_on_sample_points_share_no_cell():
    left, right = box(2.0, 3.0, 6.0, 9.0), box(6.0, 3.0, 11.0, 9.0)
    tally, records = _run([Polygon(), Polygon()], [(1, left, 0), (1, right, 1)])
    assert tally[:, CELLS].tolist() == [4 * 6, 5 * 6]
    assert len(np.unique(records[:, :2], axis=0)) == 9 * 6


def test_cells_straight_above_the_part_are_not_over_air():
    block = box(0.5, 0.5, 8.5, 8.5)
    wider = box(0.5, 0.5, 10.5, 8.5)
    tally, records = _run([block, wider], [(1, wider, 0)])  # the need is given too large on purpose
    assert tally[0, CELLS] == tally[0, BED_CELLS] == 2 * 8
    assert set(records[:, 1].tolist()) == {9, 10}


def test_a_hole_in_the_part_is_air():
    ring = box(0.5, 0.5, 10.5, 10.5) - box(3.5, 3.5, 7.5, 7.5)
    lid = box(3.5, 3.5, 7.5, 7.5)
    tally, _ = _run([ring, ring, ring, ring | lid], [(3, lid, 0)])
    assert tally[0, CELLS] == tally[0, BED_CELLS] == 16
    assert tally[0, BED_NM] == 16 * 3 * LAYER_NM


def test_records_beyond_their_room_are_counted_only():
    solid = stack_of([Polygon(), Polygon()])
    over = stack_of([box(0.5, 0.5, 4.5, 4.5)])
    room = np.zeros((3, RECORD_WIDTH), np.int32)
    one = np.array([1], dtype=np.int64)
    tally = _empty(1)
    found = drop_columns(
        solid.points_mm,
        solid.ring_start,
        solid.layer_start,
        LAYER_NM * np.arange(3),
        over.points_mm,
        over.ring_start,
        over.layer_start,
        one,
        one - 1,
        ROWS,
        WIDTH,
        tally,
        room,
    )
    assert found == tally[0, CELLS] == 16
    assert room[:, :2].tolist() == [[1, 1], [1, 2], [1, 3]]


@pytest.mark.parametrize("teeth", [40, 400])
def test_rows_with_many_crossings_come_out_sorted(teeth):
    """A comb: every row crosses each tooth twice; the teeth are given in a scrambled order."""
    order = np.random.default_rng(1).permutation(teeth)
    comb = shapely.multipolygons([box(2 * k + 0.5, 0.5, 2 * k + 1.5, ROWS - 0.5) for k in order])
    tally, records = _run([Polygon(), comb], [(1, comb, 0)], width=2 * teeth)
    assert tally[0, CELLS] == teeth * (ROWS - 1)
    first_row = records[records[:, 0] == 1]
    np.testing.assert_array_equal(first_row[:, 1], 2 * np.arange(teeth) + 1)

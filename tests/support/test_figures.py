"""Areas and volumes of columns against closed forms, and what must not change them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, affinity, box

from falsework.errors import Cancelled
from falsework.process import Process
from falsework.support.figures import MOST_CELLS, columns_beneath, grid_over, standing_figures
from falsework.watch import Watch
from stacks import need_of, over_air, stack_of

PROCESS = Process()
HALF_LINE_MM = 0.5 * PROCESS.line_width_mm
LAYER_MM = 0.2


def _disc(radius_mm: float):
    return Point(0.0, 0.0).buffer(radius_mm, quad_segs=180)  # area short by 1.3e-5


def _table():
    """Plate of 60 x 40 on four legs of 5 x 5, 20 mm high; between the legs a shelf of 20 x 40, 2 mm high."""
    legs = shapely.union_all([box(x, y, x + 5, y + 5) for x in (0, 55) for y in (0, 35)])
    sections = [legs | box(20, 0, 40, 40)] * 10 + [legs] * 90 + [box(0, 0, 60, 40)] * 5
    bed_mm2, part_mm2 = 60 * 40 - 4 * 25 - 20 * 40, 20 * 40
    return sections, bed_mm2, part_mm2


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0])
def test_table_over_a_shelf(turn_deg):
    """Unbiased; 0.3 % for the volumes (measured: 0.01 % along the axes, 0.1 % turned)."""
    sections, bed_mm2, part_mm2 = _table()
    sections = [affinity.rotate(s, turn_deg, origin=(0, 0)) for s in sections]
    figures = standing_figures(stack_of(sections), need_of(over_air(sections)), PROCESS)
    assert figures.cell_mm == HALF_LINE_MM
    assert figures.area_mm2[0] == pytest.approx(bed_mm2 + part_mm2, rel=3e-3)
    assert figures.bed_area_mm2[0] == pytest.approx(bed_mm2, rel=3e-3)
    assert figures.bed_volume_mm3[0] == pytest.approx(bed_mm2 * 20.0, rel=3e-3)
    assert figures.part_volume_mm3[0] == pytest.approx(part_mm2 * 18.0, rel=3e-3)
    center = np.array(affinity.rotate(Point(30, 20), turn_deg, origin=(0, 0)).coords[0])
    np.testing.assert_allclose(figures.landing_mm[0], [*center, 2.0], atol=0.05)
    np.testing.assert_allclose(figures.landing_range_mm[0], [2.0, 2.0], atol=1e-9)


def test_cone_standing_on_its_tip():
    """Frustum from 2 to 22 mm radius in 20 mm, beneath its slope: π (R² H - H/3 (R² + R r + r²)); within 1 %.

    The sections reach from the first layer's middle to the last one's, so do R, r and H. No bias.
    """
    middle = LAYER_MM * (np.arange(100) + 0.5)
    radius = 2.0 + middle
    sections = [_disc(r) for r in radius]
    r, big, high = radius[0], radius[-1], middle[-1] - middle[0]
    exact = np.pi * (big**2 * high - high / 3.0 * (big**2 + big * r + r**2))
    exact += np.pi * (big**2 - r**2) * middle[0]
    figures = standing_figures(stack_of(sections), need_of(over_air(sections)), PROCESS, cell_mm=HALF_LINE_MM)
    assert figures.bed_volume_mm3[0] == pytest.approx(exact, rel=1e-2)
    assert figures.part_volume_mm3[0] == 0.0
    assert np.isnan(figures.landing_mm[0]).all()
    assert np.isnan(figures.landing_range_mm[0]).all()


def test_sphere_on_the_bed():
    """Beneath the lower half of a sphere: cylinder less half sphere, π R³ / 3; within 1 %. No bias."""
    radius_mm = 10.0
    middle = LAYER_MM * (np.arange(100) + 0.5)
    sections = [_disc(np.sqrt(radius_mm**2 - (z - radius_mm) ** 2)) for z in middle]
    figures = standing_figures(stack_of(sections), need_of(over_air(sections)), PROCESS, cell_mm=HALF_LINE_MM)
    assert figures.bed_volume_mm3[0] == pytest.approx(np.pi * radius_mm**3 / 3.0, rel=1e-2)


@settings(max_examples=15, deadline=None)
@given(st.floats(3.0, 30.0), st.floats(3.0, 30.0), st.floats(-50, 50), st.floats(-50, 50), st.floats(0, 90))
def test_a_plate_in_mid_air_anywhere_on_the_bed(width_mm, depth_mm, x_mm, y_mm, turn_deg):
    """The area errs by less than a quarter of outline times cell, without bias."""
    plate = affinity.rotate(box(x_mm, y_mm, x_mm + width_mm, y_mm + depth_mm), turn_deg)
    sections = [Polygon()] * 10 + [plate]
    figures = standing_figures(stack_of(sections), need_of([(10, plate, 0)]), PROCESS, cell_mm=0.2)
    assert abs(figures.area_mm2[0] - width_mm * depth_mm) < 0.25 * plate.length * 0.2
    assert figures.bed_area_mm2[0] == figures.area_mm2[0]
    assert figures.bed_volume_mm3[0] == pytest.approx(2.0 * figures.area_mm2[0], rel=1e-12)


def test_single_columns_add_up_to_the_figures():
    sections, _, _ = _table()
    stack, need = stack_of(sections), need_of(over_air(sections))
    figures = standing_figures(stack, need, PROCESS, cell_mm=0.5)
    columns = columns_beneath(stack, need, PROCESS, cell_mm=0.5)
    height = columns.top_mm - columns.bottom_mm
    cell_mm2 = columns.cell_mm**2
    assert len(height) * cell_mm2 == pytest.approx(figures.area_mm2.sum(), rel=1e-12)
    assert height[columns.on_bed].sum() * cell_mm2 == pytest.approx(figures.bed_volume_mm3.sum(), rel=1e-9)
    assert height[~columns.on_bed].sum() * cell_mm2 == pytest.approx(figures.part_volume_mm3.sum(), rel=1e-9)
    np.testing.assert_allclose(
        columns.x_y_mm[~columns.on_bed].mean(axis=0), figures.landing_mm[0, :2], rtol=1e-9
    )
    assert shapely.contains_xy(sections[-1], *columns.x_y_mm.T).all()


def test_undersides_of_unsorted_regions_keep_their_own_figures():
    low, high = box(0, 0, 10, 10), box(20, 0, 40, 10)
    sections = [Polygon()] * 5 + [low] + [Polygon()] * 4 + [high]
    need = need_of([(10, high, 0), (5, low, 1)])
    figures = standing_figures(stack_of(sections), need, PROCESS)
    np.testing.assert_allclose(figures.area_mm2, [200.0, 100.0], rtol=5e-3)
    np.testing.assert_allclose(figures.bed_volume_mm3, [400.0, 100.0], rtol=5e-3)


def test_nothing_over_air_gives_empty_figures():
    sections = [box(0, 0, 10, 10)] * 3
    figures = standing_figures(stack_of(sections), need_of([], []), PROCESS)
    assert figures.area_mm2.shape == (0,)
    assert figures.landing_mm.shape == (0, 3)
    assert len(columns_beneath(stack_of(sections), need_of([], []), PROCESS).top_mm) == 0


@given(st.floats(0.01, 3000.0), st.floats(0.01, 3000.0), st.none() | st.floats(0.001, 5.0))
def test_the_grid_covers_its_points_and_keeps_its_cap(width_mm, depth_mm, cell_mm):
    corners = np.array([[0.0, 0.0], [width_mm, 0.0], [width_mm, depth_mm], [0.0, depth_mm]])
    grid = grid_over(corners, cell_mm, PROCESS.line_width_mm)
    if cell_mm is None:
        assert grid.rows * grid.columns <= MOST_CELLS
    else:
        assert grid.cell_mm == cell_mm
    cells = grid.to_cells(corners)
    assert cells.min() > -1.0
    assert (cells.max(axis=0) <= [grid.columns, grid.rows]).all()
    np.testing.assert_allclose(grid.to_mm(cells), corners, atol=1e-9 * max(width_mm, depth_mm))


def test_a_small_part_gets_a_finer_grid():
    corners = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    assert grid_over(corners, None, 0.45).cell_mm < 0.03
    assert grid_over(corners * 100.0, None, 0.45).cell_mm >= 0.225


def test_stop_is_heard():
    sections, _, _ = _table()
    with pytest.raises(Cancelled):
        standing_figures(
            stack_of(sections), need_of(over_air(sections)), PROCESS, watch=Watch(stop=lambda: True)
        )

"""Walls narrower than a line, on plain shapes whose share is known."""

from __future__ import annotations

import pytest
import shapely

from falsework.layers.thin import thin_walls
from stacks import stack_of

BLOCK = shapely.box(0, 0, 20, 10)


@pytest.mark.parametrize(("width_mm", "thin"), [(0.44, True), (0.46, False)])
def test_a_wall_is_thin_below_the_width_of_a_line(width_mm: float, thin: bool) -> None:
    wall = shapely.box(30, 0, 30 + width_mm, 10)
    found = thin_walls(stack_of([BLOCK | wall] * 100), 0.45)
    assert found.share == pytest.approx(width_mm / (20 + width_mm) if thin else 0.0, rel=1e-6)
    if thin:
        assert found.where_mm == pytest.approx((30 + width_mm / 2, 5.0, 0.1), abs=1e-6)


def test_layers_that_are_thin_alone_count_whatever_their_area() -> None:
    needle = shapely.box(5, 5, 5.2, 5.2)
    found = thin_walls(stack_of([BLOCK] * 30 + [needle] * 30), 0.45)
    assert found.share == pytest.approx(0.5)
    assert found.where_mm[2] == pytest.approx(6.1)


def test_a_fin_of_a_wide_part_does_not_count() -> None:
    assert thin_walls(stack_of([BLOCK | shapely.box(20, 4, 40, 4.1)] * 5), 0.45).share == 0.0

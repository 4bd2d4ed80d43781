"""Sections of the part near a contact: closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.release.hold import necks_of
from release.scenes import PLA
from stacks import need_of, stack_of, underside

WELD = PLA.material.weld_strength_mpa


def disc(radius: float) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(radius, quad_segs=32)


def test_an_hourglass_tears_at_its_waist():
    # radius |z − 10| + 2 with a foot made wider, so that the bulk lies below the waist
    middles = 0.2 * (np.arange(100) + 0.5)
    radius = np.abs(middles - 10.0) + 2.0
    radius[:5] = 15.0
    sections = [disc(r) for r in radius]
    flare = [(i, sections[i] - sections[i - 1], 0) for i in range(60, 100)]
    stack, need = stack_of(sections), need_of(flare, [underside(1)])
    neck = necks_of(stack, need, {1}, PLA)[1]
    # sections at mid-height: the narrowest has radius 2.1; exact for its 128-gon
    assert neck.area_mm2 == pytest.approx(disc(radius.min()).area, rel=1e-6)
    inside = disc(radius.min()).buffer(-PLA.wall_lines * PLA.line_width_mm).area
    expected = WELD * (neck.area_mm2 - (1 - PLA.fill) * inside)
    assert neck.bears_n == pytest.approx(expected, rel=1e-6)


def test_a_ledge_tears_along_its_root():
    # a wall 20 mm wide and 8 mm thick with a ledge 5 layers thick; its root is 20 mm × 1 mm
    wall, ledge = shapely.box(0, 0, 20, 8), shapely.box(0, 8, 20, 20)
    sections = [wall | ledge if 30 <= i < 35 else wall for i in range(60)]
    stack, need = stack_of(sections), need_of([(30, ledge, 0)], [underside(1)])
    neck = necks_of(stack, need, {1}, PLA)[1]
    # the line's ends lie on the outline and are cut by about 0.05 mm each
    assert neck.area_mm2 == pytest.approx(20.0 * 1.0, rel=0.006)
    # thinner than two solid skins: all plastic
    assert neck.bears_n == pytest.approx(WELD * neck.area_mm2)


def test_a_thick_root_is_two_solid_skins_and_fill_between():
    # the same with a ledge of 40 layers: 8 mm, of which the skins are solid and the rest is filled
    wall, ledge = shapely.box(0, 0, 20, 8), shapely.box(0, 8, 20, 20)
    sections = [wall | ledge if 10 <= i < 50 else wall for i in range(60)]
    neck = necks_of(stack_of(sections), need_of([(10, ledge, 0)], [underside(1)]), {1}, PLA)[1]
    assert neck.area_mm2 == pytest.approx(20.0 * 8.0, rel=0.006)
    share = 2.0 * PLA.solid_layers * PLA.layer_height_mm / 8.0 + PLA.fill
    assert share < 1.0 and neck.bears_n == pytest.approx(WELD * neck.area_mm2 * share)


def test_an_island_hangs_by_the_narrowest_section_above_it():
    # a lobe that starts in mid-air, rises as a rod of 9 mm² and joins a plate on a post
    post, rod = shapely.box(0, 0, 10, 10), shapely.box(20, 0, 23, 3)
    plate = shapely.box(0, 0, 23, 10)
    sections = [post] * 20 + [post | shapely.box(18, 0, 25, 7)] * 5 + [post | rod] * 10 + [plate] * 5
    need = need_of([(20, shapely.box(18, 0, 25, 7), 0)], [underside(1)])
    neck = necks_of(stack_of(sections), need, {1}, PLA)[1]
    assert neck.area_mm2 == pytest.approx(9.0)


def test_only_the_asked_undersides_are_measured():
    sections = [disc(3)] * 5 + [disc(6)] * 5
    need = need_of([(5, disc(6) - disc(3), 0)], [underside(1)])
    assert necks_of(stack_of(sections), need, set(), PLA) == {}

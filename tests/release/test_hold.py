"""Sections of the part near a contact: closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.droop.laws import Laws
from falsework.release.hold import bed_hold_of, bonds_of, necks_of, sections_of
from release.scenes import PLA, piece, scheme_of
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


def test_the_widest_way_to_the_bulk_counts() -> None:
    """A lobe that hangs from the plate by a post of 4 and by one of 9 mm² side by side: by the wider one; and
    what joins nothing has none."""
    plate, lobe = shapely.box(0, 0, 20, 10), shapely.box(0, 0, 10, 5)
    posts = shapely.box(0, 0, 2, 2) | shapely.box(5, 0, 8, 3)
    sections = sections_of(stack_of([lobe] * 3 + [posts] * 3 + [plate] * 3 + [shapely.box(50, 50, 51, 51)]))
    narrow = [float(sections.polygon[k].area) if k >= 0 else None for k in sections.narrowest]
    assert narrow[:3] == [9.0, 9.0, 9.0]
    assert sorted(narrow[3:9]) == [4.0, 4.0, 4.0, 9.0, 9.0, 9.0]
    assert narrow[9:] == [200.0, 200.0, 200.0, None]


def test_a_root_counts_ten_millimetres_up_and_no_farther_than_it_goes() -> None:
    """A ledge 20 mm wide of 80 layers, 16 mm: 10 mm count. One of 3 layers that has a gap above: 0.6 mm."""
    wall, ledge = shapely.box(0, 0, 20, 8), shapely.box(0, 8, 20, 20)
    tall = [wall | ledge if 5 <= i < 85 else wall for i in range(90)]
    neck = necks_of(stack_of(tall), need_of([(5, ledge, 0)], [underside(1)]), {1}, PLA)[1]
    assert neck.area_mm2 == pytest.approx(20.0 * 10.0, rel=0.006)
    twice = [wall | ledge if 5 <= i < 8 or 30 <= i < 50 else wall for i in range(60)]
    neck = necks_of(stack_of(twice), need_of([(5, ledge, 0)], [underside(1)]), {1}, PLA)[1]
    assert neck.area_mm2 == pytest.approx(20.0 * 0.6, rel=0.006)
    for layers in (3, 12, 41, 45, 46, 49):  # it ends between two of the twelve that are looked at first
        low = [wall | ledge if 5 <= i < 5 + layers else wall for i in range(90)]
        neck = necks_of(stack_of(low), need_of([(5, ledge, 0)], [underside(1)]), {1}, PLA)[1]
        assert neck.area_mm2 == pytest.approx(20.0 * 0.2 * layers, rel=0.006)
    single = [wall | ledge if i == 5 else wall for i in range(9)]
    neck = necks_of(stack_of(single), need_of([(5, ledge, 0)], [underside(1)]), {1}, PLA)[1]
    assert neck.area_mm2 == pytest.approx(20.0 * 0.2, rel=0.006)


def test_what_holds_a_piece_is_its_contact_above_and_its_scar_below() -> None:
    """By the shares of a full weld at either gap; the bed holds half a N a mm², by a factor of 2.276."""
    laws = Laws(PLA)
    scheme = scheme_of(
        [], [piece(contact=10.0), piece(contact=0.0, scar=4.0), piece(contact=10.0, scar=4.0)], 0.2
    )
    above, below, both = bonds_of(scheme, laws)
    share = laws.bond_share(0.2)
    assert above.value == pytest.approx(WELD * 10.0 * share.value)
    assert (above.low, above.high) == pytest.approx((WELD * 10.0 * share.low, WELD * 10.0 * share.high))
    assert 0.0 < below.low < below.value < below.high < WELD * 4.0
    assert both.value == pytest.approx(above.value + below.value)
    assert both.low == pytest.approx(above.low + below.low) and both.basis == "uncalibrated"
    held = bed_hold_of(piece(foot=8.0))
    assert (held.value, held.low, held.high) == pytest.approx((4.0, 4.0 / 2.27602, 4.0 * 2.27602), rel=1e-5)

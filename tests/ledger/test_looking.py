"""What there is to look at on a test piece and on an everyday print, on plans made by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest

from falsework.coupon.reading import ConditionKind
from falsework.ledger.looking import spots_of_piece, spots_of_plan, summary
from falsework.need.underside import UndersideKind
from ledger.samples import OVERHANG, SUPPORT, piece
from plans import bracket_plan, underside

WHOLE = ("let_go", "finish", "droop_mm", "clean_up_min")
PLAN = bracket_plan()
LINES_ALONE = replace(PLAN.process, structure=replace(PLAN.process.structure, interface_layers=0))


def looked_at(*undersides, pieces=(), **changes):
    return spots_of_plan(replace(PLAN, undersides=undersides, pieces=pieces, **changes))


def test_pieces_that_share_an_underside_are_looked_at_by_themselves():
    """The bracket: two pieces carry underside 1; a bridge and a small slope are left alone."""
    spots = {spot.cell: spot for spot in spots_of_plan(PLAN)}
    assert list(spots) == ["piece 1", "piece 2", "underside 1", "underside 2", "underside 3"]
    assert spots["piece 1"].outcomes == ("let_go", "clean_up_min")
    assert spots["piece 1"].what == "the support that carries underside 1, z 0.0 to 24.6 mm"
    carried, bridge, slope = (spots[f"underside {n}"] for n in (1, 2, 3))
    assert carried.condition.kind is ConditionKind.SUPPORT and carried.outcomes == ("finish", "droop_mm")
    assert carried.condition.air_gap_mm == pytest.approx(PLAN.gap.realised_mm)
    assert carried.air_beneath_mm == 25.0
    assert carried.what == "over support; 800 mm² near x 110, y 110, z 25 mm"
    assert bridge.condition.kind is ConditionKind.BRIDGE and bridge.condition.span_mm == 36.0
    assert bridge.condition.speed_mm_s == PLAN.process.bridge_speed_mm_s
    assert "where it is widest" in bridge.what and bridge.outcomes == ("finish", "droop_mm")
    assert slope.condition.kind is ConditionKind.OVERHANG
    assert slope.condition.speed_mm_s == PLAN.process.wall_speed_mm_s


def test_one_piece_under_one_underside_is_one_reading():
    alone = replace(PLAN, pieces=PLAN.pieces[:1])
    spots = spots_of_plan(alone)
    assert [spot.cell for spot in spots] == ["underside 1", "underside 2", "underside 3"]
    assert spots[0].outcomes == WHOLE
    assert "over piece 1 of the support" in spots[0].what
    island = underside(4, UndersideKind.ISLAND)
    assert len(spots_of_plan(replace(alone, undersides=(*PLAN.undersides, island)))) == 3


def test_a_piece_under_two_undersides_tries_the_longer_and_what_carries_nothing_is_not_asked_for():
    short, long = underside(1, extent_mm=7.0), underside(2, extent_mm=31.0)
    both, idle = (
        replace(PLAN.pieces[0], undersides=(1, 2)),
        replace(PLAN.pieces[1], undersides=()),
    )
    spots = looked_at(short, long, pieces=(both, idle))
    assert [spot.cell for spot in spots] == ["piece 1", "underside 1", "underside 2"]
    assert spots[0].condition.span_mm == 31.0
    assert "carries undersides 1, 2," in spots[0].what
    assert [spot.outcomes for spot in spots[1:]] == [("finish", "droop_mm")] * 2


def test_a_second_piece_under_one_of_two_undersides_leaves_none_of_them_alone():
    both, second = replace(PLAN.pieces[0], undersides=(1, 2)), replace(PLAN.pieces[1], undersides=(2,))
    spots = looked_at(underside(1), underside(2), pieces=(both, second))
    assert [spot.cell for spot in spots] == ["piece 1", "piece 2", "underside 1", "underside 2"]


def test_pieces_are_asked_about_as_they_come_off():
    off = replace(PLAN, release=SimpleNamespace(order=(2, 1)))
    assert [spot.cell for spot in spots_of_plan(off)][:2] == ["piece 2", "piece 1"]
    # one that never comes off is asked about where its number stands, after those that do
    kept = replace(PLAN, release=SimpleNamespace(order=(2,)))
    assert [spot.cell for spot in spots_of_plan(kept)][:2] == ["piece 2", "piece 1"]


@pytest.mark.parametrize(
    ("along_deg", "lines_deg", "crossing_deg"), [(30, 0, 30), (170, 10, 20), (10, 100, 90)]
)
def test_strands_over_bare_lines_cross_them_at_the_lesser_angle(along_deg, lines_deg, crossing_deg):
    process = replace(LINES_ALONE, structure=replace(LINES_ALONE.structure, line_angle_deg=lines_deg))
    bridge = underside(1, UndersideKind.BRIDGE, span_direction_deg=float(along_deg))
    (spot,) = looked_at(bridge, pieces=PLAN.pieces[:1], process=process)
    assert spot.condition.crossing_deg == pytest.approx(crossing_deg)
    assert spot.condition.span_mm == bridge.span_mm


@pytest.mark.parametrize(
    ("kind", "process"),
    [(UndersideKind.BRIDGE, PLAN.process), (UndersideKind.CANTILEVER, LINES_ALONE)],
    ids=["closed roof", "no span"],
)
def test_over_a_closed_roof_or_without_a_span_no_crossing_is_told(kind, process):
    turned = underside(1, kind, span_direction_deg=30.0)
    (spot,) = looked_at(turned, pieces=PLAN.pieces[:1], process=process)
    assert spot.condition.crossing_deg is None


def test_the_angle_of_a_slope_is_that_of_its_share_over_air():
    """A reach of one layer height is 45°, whatever the mean angle of the patch."""
    reach = underside(1, UndersideKind.HOLDS, free_length_mm=PLAN.process.layer_height_mm, angle_deg=80.0)
    (spot,) = looked_at(reach)
    assert spot.condition.angle_deg == pytest.approx(45.0)
    assert "where it is flattest" in spot.what
    # a bridge without a span, as older plans have them, is a slope too
    (spot,) = looked_at(replace(reach, kind=UndersideKind.BRIDGE, span_mm=0.0, free_length_mm=1.0))
    assert spot.condition.angle_deg == pytest.approx(
        math.degrees(math.atan(1.0 / PLAN.process.layer_height_mm))
    )


def test_the_cells_of_a_piece_tell_what_can_be_read_off_them():
    a1, a2, b1 = spots_of_piece(piece())
    assert (a1.cell, a1.what, a1.outcomes) == ("a1", "the roof from below", WHOLE)
    assert (a1.nominal_mm, b1.nominal_mm) == (2.0, None)
    assert a2.calipers == "across the roof" and a2.condition == SUPPORT
    assert b1.gap_method == "one layer of 0.1 mm under the gap"
    bare = replace(piece(), cells=(replace(piece().cells[0], condition=OVERHANG),))
    assert spots_of_piece(bare)[0].outcomes == ("finish", "droop_mm")


def test_what_the_ledger_keeps_of_a_plan():
    kept = summary(PLAN)
    assert (kept["undersides"], kept["pieces"]) == (3, 2)
    assert kept["size_mm"] == [50.0, 20.0, 30.0]
    assert kept["part_g"] == 11.2 and kept["support_g"] == pytest.approx(2 * 4.27)
    assert kept["time_s"] == 5400.0 + 2 * 1800.0

"""The rules of the audit one by one: sites, undersides, supports, causes, heat, order; figures by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace as Given

import numpy as np
import pytest
import shapely

from falsework import load_process
from falsework.auditing import (
    causes,
    copies,
    flow,
    foreign,
    gather,
    inventory,
    pipeline,
    supports,
    survey,
    undersides,
)
from falsework.auditing.copies import FoundCopies, Instead
from falsework.auditing.deposit import ASIDE, BED, FLAT, PART, SUPPORT
from falsework.auditing.flow import Fed, FlowChange
from falsework.auditing.foreign import ForeignStrands, foreign_findings
from falsework.auditing.plate import BedHeights, StrandCluster
from falsework.auditing.safety import HeatLimits, heat_limits, safety_findings
from falsework.auditing.sites import FindingSite, Sites, _few, _near, box_of, place_of, run_sites, site_of
from falsework.auditing.support_amounts import SupportAmounts, _turns, amount_findings
from falsework.auditing.survey import Usual
from falsework.auditing.undersides import Planned, _loops, _meets, _middle, _Tells
from falsework.auditing.value import Decision, Finding, FindingLevel, Place, UndersideAudit
from falsework.auditing.verdict import answer, grouped, ranked
from falsework.droop.belief import PRIOR
from falsework.droop.estimate import Estimate
from falsework.kernels.bead import machine as rs274
from falsework.kernels.bead import strands as cut
from falsework.need.underside import UndersideKind
from falsework.process.derived import Gap
from falsework.request.standing import Standing
from stacks import underside

PLA = load_process("pla-0.4")
USUAL = Usual(0.2, 0.45)
NOTE, CAUTION, FAULT, RUIN = FindingLevel


# --- where ---


def strands(*ends, z=1.0, path=None, length=None, owner=PART):
    """A layer of strands (x0, y0, x1, y1), each on a line of its own from 11 on."""
    flat = np.array(ends, float).reshape(-1, 4)
    count = len(flat)
    rows = np.zeros((count, cut.STRAND))
    rows[:, cut.LINE] = 11 + np.arange(count)
    rows[:, cut.PATH] = np.arange(count) if path is None else path
    at = np.full(count, z)
    full = np.column_stack([flat[:, :2], at, flat[:, 2:], at])
    long = np.hypot(flat[:, 2] - flat[:, 0], flat[:, 3] - flat[:, 1])
    return Given(
        index=7,
        z_mm=z,
        step_mm=0.2,
        ends=full,
        rows=rows,
        length_mm=long if length is None else np.array(length, float),
        middles=0.5 * (flat[:, :2] + flat[:, 2:]),
        width_mm=np.full(count, 0.45),
        height_mm=np.full(count, 0.2),
        section_mm2=np.full(count, 0.08),
        owner=np.full(count, owner),
        resting=np.zeros((count, 4)),
        near=np.zeros((count, 4)),
        gap_mm=np.full((count, 4), np.inf),
    )


def test_a_site_points_at_a_long_strand_near_its_middle() -> None:
    layer = strands((0, 0, 10, 0), (0, 4, 10, 4), (0, 9, 10, 9), (5, 5, 5.2, 5), (50, 50, 60, 60))
    site = site_of(layer, np.array([0, 1, 2, 3]), 30.2, 0.4)
    assert site.at_mm == (5.0, 4.0)  # not the short one, though it lies nearer
    assert site.box_mm == (0.0, 0.0, 10.0, 9.0) and site.lines == (11, 14)
    assert (site.layer, site.z_mm, site.amount, site.value, site.more, site.own_lines) == (
        7,
        1.0,
        30.2,
        0.4,
        4,
        (),
    )


@pytest.mark.parametrize(
    ("lines", "few"),
    [
        ([5.0], ()),
        ([5.0, 6.0, 7.0], ()),
        ([5.0, 7.0], (5, 7)),
        ([7.0, 5.0, 5.0], (5, 7)),
        (np.arange(0, 900, 2), ()),
    ],
)
def test_lines_one_by_one_unless_they_are_many_or_follow_one_another(lines, few) -> None:
    assert _few(np.array(lines)) == few


def test_stretches_beside_each_other_are_one_site() -> None:
    start = np.array([[0.0, 0], [0.5, 0], [40.0, 0], [80.0, 0]])
    runs = Given(
        start=start,
        end=start + np.array([0, 4.0]),
        length_mm=np.array([4.0, 6.0, 5.0, 1.0]),
        lines=np.array([3, 9, 5, 1]),
    )
    layer = Given(runs=runs, index=2, z_mm=0.6)
    first, second = sorted(
        run_sites(layer, np.array([0, 1, 2]), np.array([4.0, 6.0, 5.0])), key=lambda s: s.at_mm
    )
    assert (first.amount, first.value, first.at_mm, first.lines, first.more) == (
        6.0,
        6.0,
        (0.5, 2.0),
        (3, 9),
        2,
    )
    assert first.box_mm == (0.0, 0.0, 0.5, 4.0)
    assert (second.amount, second.more, second.layer) == (5.0, 1, 2)
    assert box_of(np.array([[1.0, 5], [3.0, 2]])) == (1.0, 2.0, 3.0, 5.0)


def site(layer: int, x: float, amount: float = 1.0) -> FindingSite:
    return FindingSite(
        layer, 0.2 * layer, amount, (x, 0.0), (x, 0.0, x + 1, 1.0), (layer, layer + 1), amount, 1
    )


def test_sites_over_each_other_are_one_and_a_layer_may_lie_between() -> None:
    sites = Sites()
    for one in (site(1, 0.0), site(2, 0.0, 3.0), site(4, 0.0), site(7, 0.0, 5.0), site(7, 90.0, 2.0)):
        sites.add(one)
    assert [(s.layer, s.layers, s.amount, s.more) for s in sites.joined()] == [
        (7, 1, 5.0, 1),
        (1, 3, 3.0, 3),
        (7, 1, 2.0, 1),
    ]
    assert sites.count == 5
    near = sorted({gap for gap in np.arange(0.0, 9.0, 0.25) if _near((0, 0, 1, 1), (1 + gap, 0, 9, 1))})
    assert near == sorted(
        {gap for gap in np.arange(0.0, 9.0, 0.25) if _near((0, 0, 1, 1), (0, 1 + gap, 1, 9))}
    )
    assert near == sorted(
        {gap for gap in np.arange(0.0, 9.0, 0.25) if _near((1 + gap, 0, 9, 1), (0, 0, 1, 1))}
    )
    assert near == sorted(
        {gap for gap in np.arange(0.0, 9.0, 0.25) if _near((0, 1 + gap, 1, 9), (0, 0, 1, 1))}
    )
    assert 0.0 in near and 8.75 not in near


def test_layers_are_numbered_by_height_from_one() -> None:
    found = place_of(site(3, 0.0), np.array([0.2, 0.4, 0.6, 0.8]))
    assert (found.layer, found.z_mm, found.lines, found.layers) == (3, pytest.approx(0.6), (3, 4), 1)


# --- undersides ---


def planned(**changes) -> Planned:
    values = {
        "standings": [Standing.BED, Standing.LEAVE],
        "gap": Gap(0.4, 2, 0.4),
        "gap_below": Gap(0.2, 1, 0.2),
        "interface_layers": [2, 0],
        "spacing_mm": 2.0,
        "closed_lines": 1,
        "sets": 1,
        "side_gap_mm": 0.4,
    }
    return Planned(**(values | changes))


def audited(**changes) -> UndersideAudit:
    values = {
        "number": 1,
        "kind": UndersideKind.CANTILEVER,
        "area_mm2": 100.0,
        "height_mm": 10.0,
        "standing": Standing.BED,
        "planned_gap_mm": 0.4,
        "strands_mm": 200.0,
        "carried_share": 0.9,
        "gap_mm": 0.4,
        "interface_layers": 2,
        "spacing_mm": 2.0,
        "closed_lines": 1,
        "direction_deg": None,
        "fan": 1.0,
        "speed_mm_s": 30.0,
        "nozzle_c": 210.0,
        "longest_in_air_mm": 0.0,
        "droop_mm": None,
        "verdict": "",
    }
    return UndersideAudit(**(values | changes))


PLACE = Place(1, 0.2, (0.0, 0.0), (0.0, 0.0, 1.0, 1.0), (1, 2))


def told(audit, plan=None, under=None, foot=0.0):
    auditor = Given(
        need=Given(undersides=(under or underside(1, UndersideKind.CANTILEVER),)),
        place=lambda n: PLACE,
        planned=planned() if plan is None else plan,
        limits=Given(usual=USUAL, span_mm=12.0),
        foot=lambda n: (foot, None),
    )
    found = list(undersides.underside_findings(auditor, [audit]))
    assert all(number == audit.number for number, _ in found)
    return [(f.kind, f.level) for _, f in found]


@pytest.mark.parametrize(
    ("changes", "kinds"),
    [
        ({}, []),
        ({"strands_mm": 0.0}, [("not printed", FAULT)]),
        ({"strands_mm": 0.0, "area_mm2": 4.0}, []),
        ({"carried_share": 0.6}, []),
        ({"carried_share": 0.59}, [("barely supported", FAULT)]),
        ({"carried_share": 0.3}, [("barely supported", FAULT)]),
        ({"carried_share": 0.29}, [("unsupported", FAULT)]),
        ({"standing": Standing.LEAVE, "carried_share": 0.61}, [("unwanted", CAUTION)]),
        ({"standing": Standing.LEAVE, "carried_share": 0.6}, []),
        # the lines of the body reach up to the gap where interface layers should be
        ({"carried_share": 0.3, "interface_layers": 0}, [("interface", FAULT)]),
        ({"carried_share": 0.36, "interface_layers": 0}, [("barely supported", FAULT), ("interface", FAULT)]),
        (
            {"carried_share": 0.3, "interface_layers": 0, "spacing_mm": 3.21},
            [("barely supported", FAULT), ("interface", FAULT), ("spacing", CAUTION)],
        ),
        (
            {"carried_share": 0.3, "interface_layers": 0, "spacing_mm": None},
            [("barely supported", FAULT), ("interface", FAULT)],
        ),
        # gaps: nearly none; off by more than rounding; by nearly a layer
        ({"gap_mm": None}, []),
        ({"gap_mm": 0.019}, [("no gap", FAULT)]),
        ({"gap_mm": 0.021}, [("gap", FAULT)]),
        ({"gap_mm": 0.361}, []),
        ({"gap_mm": 0.359}, [("gap", CAUTION)]),
        ({"gap_mm": 0.441}, [("gap", CAUTION)]),
        ({"gap_mm": 0.579}, [("gap", CAUTION)]),
        ({"gap_mm": 0.581}, [("gap", FAULT)]),
        ({"interface_layers": 1}, [("interface", CAUTION)]),
        ({"interface_layers": 0}, [("interface", FAULT)]),
        ({"interface_layers": None}, []),
        ({"spacing_mm": 1.31}, []),
        ({"spacing_mm": 1.29}, [("spacing", CAUTION)]),
        ({"spacing_mm": 3.0}, []),
        ({"spacing_mm": 3.01}, [("spacing", CAUTION)]),
        ({"closed_lines": 0}, [("perimeter", CAUTION)]),
        ({"closed_lines": 3}, []),
        ({"closed_lines": None}, []),
    ],
)
def test_what_is_wrong_at_an_underside(changes, kinds) -> None:
    assert told(audited(**changes)) == kinds


def test_what_a_designed_support_may_have_otherwise() -> None:
    """Its body narrows beneath, so that fewer interface layers are seen; none at all are missed."""
    free = planned(spacing_mm=None, closed_lines=None)
    assert told(audited(interface_layers=1, spacing_mm=9.0, closed_lines=0), free) == []
    assert told(audited(interface_layers=0), free) == [("interface", FAULT)]
    none = planned(spacing_mm=None, closed_lines=None, interface_layers=[0, 0])
    assert told(audited(interface_layers=1), none) == []
    assert told(audited(interface_layers=1), planned(interface_layers=[0, 0])) == [("interface", CAUTION)]
    assert told(audited(closed_lines=1), planned(closed_lines=0)) == [("perimeter", CAUTION)]
    assert told(audited(carried_share=0.3, interface_layers=0), free) == [("interface", FAULT)]


def test_support_that_stands_on_the_part_where_it_may_not() -> None:
    assert told(audited(), foot=5.1) == [("stands on part", FAULT)]
    assert told(audited(), foot=5.0) == []
    assert told(audited(standing=Standing.BED_OR_PART), foot=50.0) == []


@pytest.mark.parametrize(
    ("direction", "through", "span", "kinds"),
    [
        (121.0, 20.0, 12.0, [("bridge direction", FAULT)]),
        (-31.0, 20.0, 12.0, [("bridge direction", FAULT)]),
        (30.0, 20.0, 12.0, []),
        (179.0, 20.0, 12.0, []),
        (90.0, 15.6, 12.0, []),
        (90.0, 15.7, 12.0, [("bridge direction", FAULT)]),
        (90.0, 20.0, 0.9, []),
        (90.0, 8.0, 4.0, [("bridge direction", CAUTION)]),  # it holds this way, too
        (None, 20.0, 12.0, []),
    ],
)
def test_bridges_that_are_laid_the_long_way(direction, through, span, kinds) -> None:
    """Strands that run more than 30° off the span of 0°, and 1.3 times as far through air."""
    bridge = replace(underside(1, UndersideKind.BRIDGE), span_mm=span, span_direction_deg=0.0)
    audit = audited(
        kind=UndersideKind.BRIDGE,
        standing=Standing.LEAVE,
        carried_share=0.0,
        direction_deg=direction,
        longest_in_air_mm=through,
    )
    assert told(audit, under=bridge) == kinds
    assert told(replace(audit, carried_share=0.6), under=bridge) == []


def test_words_and_figures_of_what_is_told_of_an_underside() -> None:
    tells = _Tells(underside(1), audited(), PLACE)
    (found,) = undersides._gap(replace(tells, audit=audited(gap_mm=0.6)), planned(), 0.2)
    assert (
        found.says
        == "underside 1, at height 10.0 mm, has an air gap of 0.6 mm, wider than the 0.4 mm planned"
    )
    assert (found.found, found.planned, found.unit, found.underside, found.place) == (
        0.6,
        0.4,
        "mm",
        1,
        PLACE,
    )
    (less,) = undersides._gap(replace(tells, audit=audited(gap_mm=0.2)), planned(), 0.2)
    assert "narrower than" in less.says


def test_weighted_middles_and_boxes() -> None:
    assert _middle([]) is None
    assert _middle([(3.0, 1.0), (1.0, 5.0), (2.0, 1.0)]) == 1.0
    assert _middle([(3.0, 4.0), (1.0, 1.0), (2.0, 1.0)]) == 3.0
    assert _meets((0, 0, 2, 2), (2, 2, 3, 3)) and not _meets((0, 0, 2, 2), (2.1, 0, 3, 3))
    assert not _meets((0, 0, 2, 2), (0, 2.1, 3, 3)) and not _meets((2.1, 0, 3, 3), (0, 0, 2, 2))
    assert not _meets((0, 2.1, 3, 3), (0, 0, 2, 2))


def test_closed_paths_of_a_support() -> None:
    """A square that closes, one that stops short by more than 0.6 of a width, a tiny one, two strands."""
    square = [(0, 0, 3, 0), (3, 0, 3, 3), (3, 3, 0, 3), (0, 3, 0, 0)]
    gap = [(9, 0, 12, 0), (12, 0, 12, 3), (12, 3, 9, 3), (9, 3, 9, 0.3)]
    tiny = [(20, 0, 20.6, 0), (20.6, 0, 20.6, 0.6), (20.6, 0.6, 20, 0.6), (20, 0.6, 20, 0)]
    back = [(30, 0, 33, 0), (33, 0, 30, 0)]
    layer = strands(*square, *gap, *tiny, *back, path=[1] * 4 + [2] * 4 + [3] * 4 + [4] * 2)
    assert _loops(layer, np.arange(14)) == [(0.0, 0.0, 3.0, 3.0)]


def auditor_of(below, loops=None, area=400.0, plan=None):
    window = shapely.box(0, 0, math.sqrt(area), math.sqrt(area))
    auditor = Given(windows={0: (window, 5.0)}, limits=Given(usual=USUAL), planned=plan)
    kept = Given(below=below, loops=loops or {})
    return undersides.UndersideAuditor._pattern(auditor, 0, kept, 0.4)


def test_the_make_of_a_support_by_its_strands_layer_by_layer() -> None:
    """400 mm² of dense lines, pitch 0.45 - 0.2 (1 - π/4) = 0.4071: 982.6 mm; from 70 % on dense. Two are,
    eight of the body have 200 mm: 2 mm apart, of two sets 4."""
    z = [round(4.0 - 0.2 * k, 1) for k in range(12)]
    below = dict(zip(z, [980.0, 700.0] + [200.0] * 10, strict=True))
    loops = dict.fromkeys(z, 1)
    assert auditor_of(below, loops) == (2, pytest.approx(2.0), 1)
    assert auditor_of(below, loops, plan=planned(sets=2))[1] == pytest.approx(4.0)
    # 680 mm are less than 70 %, but far more than 1.8 times the body's: dense, of less extent
    assert auditor_of({**below, z[1]: 680.0}, loops)[0] == 2
    assert auditor_of({**below, z[1]: 361.0}, loops)[0] == 2
    assert auditor_of({**below, z[1]: 359.0}, loops)[0] == 1
    # crumbs above are no layer: less than a tenth of the fullest
    assert auditor_of({**below, 4.2: 97.0}, loops) == (2, pytest.approx(2.0), 1)
    assert auditor_of({**below, 4.2: 99.0}, loops)[0] == 0
    assert auditor_of(below, loops, area=11.9) == (None, None, None)
    assert auditor_of({4.0: 980.0, 3.8: 980.0}, loops) == (2, None, None)
    assert auditor_of({}) == (None, None, None)
    assert auditor_of(below, {})[2] == 0


def sums(**changes):
    kept = undersides._Sums()
    for name, value in changes.items():
        setattr(kept, name, value)
    return kept


def audited_of(kept, plan=None, flat=()):
    auditor = Given(
        planned=plan, flat=set(flat), limits=Given(laws=Given(bridge_droop=lambda mm: Estimate(mm, 0, 0)))
    )
    return undersides.UndersideAuditor._audited(auditor, underside(1), kept)


def test_what_became_of_an_underside_from_its_sums() -> None:
    kept = sums(length=100.0, hollow=80.0, carried=60.0, gaps=[(0.4, 50.0), (0.2, 10.0)])
    kept.turn, kept.fan, kept.speed, kept.heat, kept.longest = complex(-60.0, 0.0), 50.0, 3000.0, 21000.0, 7.0
    found = audited_of(kept, planned())
    assert (found.carried_share, found.gap_mm, found.direction_deg) == (0.75, 0.4, 90.0)
    assert (found.fan, found.speed_mm_s, found.nozzle_c) == (0.5, 30.0, 210.0)
    assert (found.longest_in_air_mm, found.droop_mm.value) == (7.0, 7.0)
    assert (found.standing, found.planned_gap_mm, found.interface_layers) == (Standing.BED, 0.4, None)
    bare = audited_of(
        sums(length=100.0, hollow=80.0, carried=8.0, gaps=[(0.4, 9.0)], turn=complex(40.0, 0.0))
    )
    assert (bare.gap_mm, bare.direction_deg, bare.droop_mm, bare.standing) == (
        None,
        None,
        None,
        Standing.LEAVE,
    )
    assert bare.planned_gap_mm == 0.0
    nothing = audited_of(sums())
    assert (nothing.carried_share, nothing.fan, nothing.speed_mm_s, nothing.nozzle_c) == (
        0.0,
        None,
        None,
        None,
    )
    assert audited_of(sums(length=1.0, hollow=1.0, carried=3.0)).carried_share == 1.0
    left = audited_of(sums(length=1.0), planned(standings=[Standing.LEAVE]))
    assert left.planned_gap_mm == 0.0


def test_which_underside_is_left_alone_and_what_gap_lies_beneath_feet() -> None:
    need = Given(undersides=("first", "second"))
    left = undersides.UndersideAuditor.left_alone
    assert left(Given(planned=None, need=need), 1) is None
    assert left(Given(planned=planned(), need=need), 1) is None
    assert left(Given(planned=planned(), need=need), 2) == "second"
    below = undersides.UndersideAuditor.gap_below
    assert below(Given(below_gaps=[(0.2, 3.0), (0.4, 2.1)])) == 0.2
    assert below(Given(below_gaps=[(0.2, 5.0)])) is None


def test_strands_laid_over_an_underside_add_up() -> None:
    """One of 10 mm along x, half of it over the underside and free; one of 4 mm along y on support."""
    layer = strands((0, 0, 10, 0), (2, 0, 2, 4))
    layer.near[1, SUPPORT], layer.gap_mm[1, SUPPORT] = 0.8, 0.4
    layer.resting[1, SUPPORT] = 0.15
    layer.resting[0, PART] = 0.25
    layer.rows[:, cut.FAN], layer.rows[:, cut.PACE], layer.rows[:, cut.NOZZLE] = 0.5, 40.0, 200.0
    layer.runs = Given(strand=np.array([0, 5]), length_mm=np.array([6.0, 90.0]))
    kept, auditor = sums(), Given(tops=np.array([1.0]))
    auditor._place = lambda one, some: some.tolist()
    undersides.UndersideAuditor._strands_over(auditor, kept, layer, np.array([0, 1]), np.array([0.5, 1.0]))
    assert (kept.length, kept.hollow, kept.carried) == pytest.approx((9.0, 0.75 * 5 + 4.0, 0.95 * 4.0))
    assert kept.gaps == [(0.4, pytest.approx(3.2)), (0.0, pytest.approx(0.6))]
    assert kept.turn == pytest.approx(complex(3.75 - 4.0, 0.0))
    assert (kept.fan, kept.speed, kept.heat, kept.longest) == pytest.approx((4.5, 360.0, 1800.0, 6.0))
    assert kept.place == [0, 1]


# --- supports ---


def test_supports_that_float_are_told_by_what_lies_beneath() -> None:
    """A support of 30 mm whose second layer lies at 3 mm, far above: off the bed; on the part with a gap of
    1 mm: off the part; above its own layers: layers missing."""

    none = Given(strand=np.zeros(0, int), held=np.zeros((0, 2), int), length_mm=np.zeros(0))

    def take(beneath, gap, second_z=3.0, floats=30.0, first_at=60.0, runs=None):
        auditor = supports.SupportAuditor(Given(usual=USUAL, span_mm=12.0), 0.2)
        auditor.take(strands((first_at, 0, first_at + 30, 0), z=0.2, owner=SUPPORT))
        layer = strands((0, 0, floats, 0), (0, 9, 30, 9), z=second_z, owner=SUPPORT)
        layer.resting[1] = 1.0
        layer.runs = runs if runs is not None else none
        layer.near[0, beneath], layer.gap_mm[0, beneath] = 1.0, gap
        auditor.take(layer)
        return [(f.kind, f.level, round(f.found, 3)) for f in auditor.findings(np.array([0.2, second_z]))]

    assert take(BED, 2.8) == [("support off the bed", RUIN, 2.8)]
    assert take(PART, 1.0) == [("support off the part", FAULT, 1.0)]
    assert take(PART, 0.5) == []  # two layers and a half are meant
    assert take(PART, 0.51) == [("support off the part", FAULT, 0.51)]
    assert take(SUPPORT, 0.6) == [("support layers missing", FAULT, 0.6)]
    # where it has been a layer and more beneath, layers are missing, whatever is seen
    assert take(BED, 0.9, second_z=1.2, first_at=0.0) == [("support layers missing", FAULT, 0.8)]
    # a few strands: told with caution from 3 mm and 8 % on
    assert take(BED, 2.8, floats=5.0) == [("support off the bed", CAUTION, 2.8)]
    assert take(BED, 2.8, floats=2.9) == []
    assert take(BED, 2.8, floats=10.0) == [("support off the bed", RUIN, 2.8)]
    # high up most of it must hang
    assert take(BED, 5.0, second_z=5.0, floats=29.0) == []
    assert take(BED, 5.0, second_z=5.0, floats=31.0) == [("support off the bed", RUIN, 4.8)]
    # held at both ends it bridges: by what is beneath, or for 3 mm by strands beside it
    for held, length, told in ((1, 11.9, 0), (1, 12.1, 1), (2, 2.9, 0), (2, 3.1, 1), (0, 1.0, 1)):
        runs = Given(strand=np.array([0]), held=np.full((1, 2), held), length_mm=np.array([length]))
        assert len(take(BED, 2.8, runs=runs)) == told


def test_words_of_supports_that_float() -> None:
    one = site(3, 0.0, 12.0)
    for value, layers in (
        (0.2, "a layer is"),
        (0.29, "a layer is"),
        (0.31, "2 layers are"),
        (1.0, "5 layers are"),
    ):
        said = supports._says("support off the bed", replace(one, value=value), 0.2)
        assert (
            said == f"a support begins {value:.2f} mm above the bed, on nothing: {layers} missing beneath it"
        )
    assert "hangs 0.40 mm above its own layer beneath: 2 layers are missing" in supports._says(
        "support layers missing", replace(one, value=0.4), 0.2
    )
    assert (
        supports._says_of_few("support off the part", replace(one, value=0.4))
        == "12 mm of support begin 0.40 mm above the part, on nothing"
    )
    assert "above their own layer" in supports._says_of_few("support layers missing", one)
    cells = supports._cells(np.array([[1.0, 1.0], [-1.0, 5.0]]), around=False)
    stride = 1 << 20
    assert cells.tolist() == [0, -stride + 2]
    nine = supports._cells(np.array([[1.0, 1.0]]), around=True)
    assert sorted(nine.tolist()) == sorted(i * stride + j for i in (-1, 0, 1) for j in (-1, 0, 1))
    assert supports._in(nine, [np.array([stride + 1])]).tolist() == [True]
    assert supports._in(nine, [np.array([2 * stride])]).tolist() == [False]
    assert supports._in(nine, []).tolist() == [False]


def test_the_shift_of_one_set_of_points_against_another() -> None:
    rng = np.random.default_rng(4)
    asked = rng.uniform(0.0, 30.0, (300, 2)) * [1.0, 0.5]
    weight = np.ones(300)
    before, by, after = supports._compared((asked + np.array([6.0, -3.0]), weight), (asked, weight))
    assert by == pytest.approx([6.0, -3.0]) and after > 0.95 > before
    same, by, after = supports._compared((asked, weight), (asked, weight))
    assert (same, after) == pytest.approx((1.0, 1.0)) and by == pytest.approx([0.0, 0.0])
    far, _, _ = supports._compared((asked + np.array([200.0, 0.0]), weight), (asked, weight))
    assert far == 0.0


def moved(by, share=1.0, turned=False):
    """What is said of supports that are moved, or turned, and of which so many mm are printed."""
    middle = np.random.default_rng(4).uniform(0.0, 30.0, (400, 2)) * [1.0, 0.5]
    ends = np.concatenate([middle - np.array([1.0, 0]), middle + np.array([1.0, 0])], axis=1)
    wanted = Given(layer=np.zeros(400, int), ends_mm=ends, lengths_mm=np.full(400, 2.0))
    at = middle[:, ::-1] if turned else middle + by
    figures = (2.0 * share, 0.2, 0.2, 0.0, 0.0)  # length, height, top, section, direction
    rows = np.column_stack([at, *(np.full(400, v) for v in figures)])
    placed = Given(placement=Given(shift_mm=(0.0, 0.0, 0.0), turn_deg=0.0), to_part=lambda xy: xy)
    auditor = Given(middles=[rows])
    return list(supports.shift_finding(auditor, placed, wanted, np.array([0.2])))


def test_supports_moved_aside() -> None:
    (one,) = moved([5.0, 0.0])
    assert one.says.startswith(
        "the supports are the planned ones, but moved aside by 5.0 mm (+5.0 mm in x, +0.0"
    )
    assert (one.kind, one.unit, round(one.found, 3)) == ("support shifted", "mm", 5.0)
    assert moved([0.7, 0.0]) == [] and moved([0.0, 0.0]) == []
    assert moved([5.0, 0.0], share=0.74) == [] and moved([5.0, 0.0], share=1.35) == []
    assert len(moved([5.0, 0.0], share=0.76)) == 1
    (other,) = moved([0.0, 0.0], turned=True)
    assert "turned, mirrored, moved in part" in other.says and other.unit == ""


def amounts(printed, planned_mm=None, interface=None, fed=None, along=None, in_place=1.0) -> SupportAmounts:
    count = len(printed)
    return SupportAmounts(
        np.array(printed, float),
        np.full(count, 100.0) if planned_mm is None else np.array(planned_mm, float),
        np.zeros(count) if interface is None else np.array(interface, float),
        np.ones(count) if fed is None else np.array(fed, float),
        np.full(count, np.nan) if along is None else np.array(along, float),
        in_place,
    )


@pytest.mark.parametrize(
    ("of", "found"),
    [
        (amounts([100] * 8), []),
        (amounts([0] + [100] * 7), []),  # a brim lies in the first layer, too
        (amounts([100, 100, 29, 29, 100, 100, 100, 100]), [("support layers missing", FAULT)]),
        (amounts([100, 100, 31, 31, 100, 100, 100, 100]), []),
        (amounts([100, 100, 29, 100, 100, 100, 100, 100]), []),  # one
        (amounts([100] * 6 + [0, 0]), []),  # at an end
        (amounts([75] * 8), []),
        (amounts([73] * 8), [("spacing", CAUTION)]),
        (amounts([66] * 8), [("spacing", CAUTION)]),
        (amounts([64] * 8), [("spacing", FAULT)]),
        (amounts([139] * 8), []),
        (amounts([141] * 8), [("spacing", CAUTION)]),
        (amounts([161] * 8), [("spacing", FAULT)]),
        (amounts([161] * 8, in_place=0.75), [("spacing", CAUTION)]),
        (amounts([161] * 8, in_place=0.49), []),
        (amounts([20] * 3, [20] * 3), []),  # of so few nothing is said
        (amounts([64] * 8, interface=[0] * 6 + [51] * 2), [("spacing", FAULT), ("interface", FAULT)]),
        (amounts([64] * 8, interface=[0] * 6 + [50] * 2), [("spacing", FAULT)]),
        (
            amounts([100] * 8, interface=[0] * 6 + [100] * 2, along=[np.nan] * 6 + [-0.51] * 2),
            [("interface", FAULT)],
        ),
        (amounts([100] * 8, interface=[0] * 6 + [100] * 2, along=[np.nan] * 6 + [-0.49] * 2), []),
        (
            amounts([100] * 8, interface=[0] * 6 + [100] * 2, along=[np.nan] * 6 + [-1.0] * 2, in_place=0.75),
            [],
        ),
        (amounts([100] * 8, fed=[0.64] * 8), [("starved", FAULT)]),
        (amounts([100] * 8, fed=[0.66] * 8), []),
        (amounts([100] * 8, fed=[1.59] * 8), []),
        (amounts([100] * 8, fed=[1.61] * 8), [("overfed", FAULT)]),
        (amounts([100] * 8, fed=[np.nan] * 7 + [0.1]), []),
        (amounts([11] * 8, [11] * 8, fed=[0.1] * 8), []),
    ],
)
def test_amounts_of_supports(of, found) -> None:
    assert [(f.kind, f.level) for f in amount_findings(of)] == found


def test_which_way_a_layers_strands_run() -> None:
    """Twice the angle: 90° is -1; two ways alike have none; half and half of one way and another is none."""
    layer = np.array([0, 0, 1, 1, 2, 2, 2, 2])
    way = np.array([90.0, -90.0, 0.0, 90.0, 0.0, 0.0, 0.0, 90.0])
    found = _turns(layer, np.ones(8), way, 4)
    assert found[0] == pytest.approx(-1.0 + 0j) and np.isnan(found[1].real) and np.isnan(found[3].real)
    assert np.isnan(found[2].real)  # (3 - 1) / 4 is no more than half
    assert _turns(layer[4:], np.array([1.0, 1, 1.1, 1]), way[4:], 3)[2] == pytest.approx(1.0 + 0j)


FOREIGN = ForeignStrands(0.0, 0, 0.0, 0, 0.0, 0.0, 1000.0)


def test_strands_where_nothing_was_planned() -> None:
    def kinds(of, amount=None):
        return [(f.kind, f.level) for f in foreign_findings("cowl", of, 10.0, amount)]

    many = {"stray_mm": 5000.0, "stray_layers": 50, "beside_mm": 9000.0}
    assert kinds(FOREIGN) == []
    assert kinds(replace(FOREIGN, **many)) == [("stray", FAULT)]
    told = next(iter(foreign_findings("cowl", replace(FOREIGN, **many), 10.0, None)))
    assert told.says.startswith("5 m of strands stand beside cowl")
    assert kinds(replace(FOREIGN, outline_mm=5000.0, outline_layers=50)) == [("outline", FAULT)]
    (wide,) = foreign_findings("cowl", replace(FOREIGN, outline_mm=5000.0, outline_layers=50), 10.0, None)
    assert wide.says.startswith("5 m of strands run just outside cowl's outline")
    assert kinds(replace(FOREIGN, over_mm=500.0, over_top_mm=12.0)) == [("too high", RUIN)]
    as_many = amounts([100] * 8)
    (elsewhere,) = foreign_findings("cowl", replace(FOREIGN, **many), 10.0, as_many)
    assert elsewhere.kind == "support shifted" and elsewhere.says.startswith(
        "5 m of support stand where none"
    )
    assert kinds(replace(FOREIGN, **many), replace(as_many, in_place=0.49)) == []
    assert kinds(replace(FOREIGN, **many, outline_layers=0), amounts([2000] * 8)) == [("stray", FAULT)]


# --- causes ---


def fed_of(share=1.0, first=1.0, change=None) -> Fed:
    return Fed(share, first, 0.4, change)


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.5, ("underfed", "half as much filament as the strands need")),
        (0.59, ("underfed", "the strands get 59 % of the filament that they need")),
        (0.41, ("underfed", "the strands get 41 %")),
        (2.0, ("overfed throughout", "twice as much filament as the strands have room for")),
        (1.7, ("overfed throughout", "1.7 times as much")),
        (2.3, ("overfed throughout", "2.3 times as much")),
        (1.0, None),
        (None, None),
    ],
)
def test_too_little_or_too_much_filament_all_through(share, said) -> None:
    found = list(causes.filament_findings(fed_of(share), PLA))
    assert [(f.kind, f.level) for f in found] == ([] if said is None else [(said[0], RUIN)])
    if said is not None:
        assert found[0].says.startswith(said[1])


@pytest.mark.parametrize(
    ("beneath", "above", "kind", "words", "line"),
    [
        (
            1.0,
            0.5,
            "underfed",
            "from height 4.0 mm on the strands get 50 % of the filament that they need",
            (77,),
        ),
        (0.5, 1.0, "underfed", "up to height 4.0 mm the strands get 50 %", ()),
        (
            1.0,
            2.0,
            "overfed throughout",
            "from height 4.0 mm on the strands get 200 % of the filament that they have room",
            (77,),
        ),
        (1.0, 0.99, None, "", ()),
    ],
)
def test_flow_that_changes_on_the_way_up(beneath, above, kind, words, line) -> None:
    found = list(causes.filament_findings(fed_of(1.0, change=FlowChange(4.0, 77, beneath, above)), PLA))
    assert [f.kind for f in found] == ([kind] if kind else [])
    assert all(f.says.startswith(words) and f.lines == line for f in found)


@pytest.mark.parametrize(
    ("z", "first", "share", "kind", "level", "off"),
    [
        (0.2, 1.0, 1.0, None, None, 0),
        (0.2, 0.83, 1.0, None, None, 0),  # 0.034 mm
        (0.2, 0.82, 1.0, "z offset", CAUTION, 0.036),
        (0.2, 1.2, 1.0, "z offset", FAULT, -0.04),
        (0.1, 2.0, 1.0, "z offset", CAUTION, -0.1),  # half a layer: as some lay it on purpose
        (0.4, 0.7, 1.0, "z offset", FAULT, 0.12),
        (0.4, 0.87, 1.0, None, None, 0),  # within 14 % of it
        (0.4, 0.5, 1.0, "first layer missing", RUIN, 0.4),
        (0.2, 0.29, 1.0, None, None, 0),
        (0.2, 2.7, 1.0, None, None, 0),
        (0.2, None, 1.0, None, None, 0),
        (0.2, 0.5, 0.5, None, None, 0),
    ],
)
def test_a_first_layer_that_is_fed_for_another_height(z, first, share, kind, level, off) -> None:
    found = Given(z_mm=np.array([z]), line=np.array([42.0]), first_layer=0)
    told = list(causes.height_findings(fed_of(share, first), found, USUAL))
    assert [(f.kind, f.level) for f in told] == ([(kind, level)] if kind else [])
    if kind:
        assert told[0].lines == (42,) and told[0].found == pytest.approx(off)


@pytest.mark.parametrize(
    ("instead", "kind", "words", "figure"),
    [
        (Instead(None, True, (0, 0), 1.0), "mirrored", "cowl is printed mirrored", None),
        (
            Instead(None, False, (0, 0), 1.0, 1.0, 0.6),
            "too low",
            "the lowest 0.60 mm of cowl are missing",
            -0.6,
        ),
        (
            Instead(None, False, (0, 0), 1.0, 1.05),
            "scale",
            "cowl is printed 5.0 % too high, and as wide",
            1.05,
        ),
        (Instead(None, False, (0, 0), 1.0, 0.9), "scale", "cowl is printed 10.0 % too low", 0.9),
        (
            Instead(None, False, (0, 0), 25.4),
            "scale",
            "cowl is printed 25.4 times as large: inches taken for",
            25.4,
        ),
        (
            Instead(None, False, (0, 0), 1 / 25.4),
            "scale",
            "cowl is printed 3.94 % as large: millimetres taken",
            1 / 25.4,
        ),
        (Instead(None, False, (0, 0), 0.9), "scale", "cowl is printed 90 % as large", 0.9),
        (
            Instead(None, False, (90, 180), 1.0),
            "other position",
            "cowl is printed in another position: turned by 90° about x and by 180° about y",
            None,
        ),
    ],
)
def test_what_is_printed_instead_of_the_part(instead, kind, words, figure) -> None:
    (found,) = causes.part_findings(Given(name="cowl"), FoundCopies((), instead), None, USUAL)
    assert (found.kind, found.level, found.found) == (kind, RUIN, figure) and found.says.startswith(words)


def test_a_part_that_is_nowhere_to_be_found() -> None:
    (found,) = causes.part_findings(Given(name="cowl"), FoundCopies((), None), None, USUAL)
    assert (found.kind, found.level) == ("other part", RUIN)


@pytest.mark.parametrize(
    ("height", "unit", "words", "told"),
    [(5.08, 25.4, 1, True), (5.08, 1.0, 2, True), (5.08, 1.0, 1, False), (2.0, 25.4, 1, False)],
)
def test_inches_and_millimetres_mixed_up(height, unit, words, told) -> None:
    state = np.ones(rs274.UNIT + 1)
    state[rs274.UNIT] = unit
    found = Given(reading=Given(state=state, count=lambda what: words))
    assert bool(list(causes.unit_findings(Usual(height, 0.45), found))) is told


@pytest.mark.parametrize(
    ("share", "was", "fits"),
    [
        ((1.75 / 2.85) ** 2, 1.75, 2.85),
        ((2.85 / 1.75) ** 2, 2.85, 1.75),
        (1.0, 1.75, None),
        (0.5, 1.75, None),
        (None, 1.75, None),
    ],
)
def test_filament_that_the_amounts_fit(share, was, fits) -> None:
    assert causes.fitting_diameter(fed_of(share), was) == fits


# --- flow by layers ---


def votes(*shares, widths=None):
    return [
        flow._Vote(0.2 * k, 10 * k, s, 0.4 * s if widths is None else widths[k]) for k, s in enumerate(shares)
    ]


def test_where_the_flow_changes_on_the_way_up() -> None:
    """Two layers on each side at least; by 1.3 times; and what the strands get changes with it."""
    found = flow._change(votes(1.0, 1.0, 1.0, 0.7, 0.7))
    assert found == FlowChange(pytest.approx(0.6), 30, 1.0, 0.7)
    assert flow._change(votes(1.0, 1.0, 0.78, 0.78)) is None
    assert flow._change(votes(1.0, 1.0, 1.0, 0.5)) is None
    assert flow._change(votes(1.0, 1.0, 0.7, 0.7, widths=[0.4] * 4)) is None  # lines that lie farther apart
    ragged = votes(1.0, 1.9, 1.0, 1.9, 0.5, 0.5)
    assert flow._change(ragged) is None
    assert flow._change([]) is None


def test_whether_a_class_lies_as_all_lines_do() -> None:
    assert flow._alike(0.4, 0.4) and flow._alike(0.53, 0.4) and flow._alike(0.3, 0.4)
    assert not flow._alike(0.55, 0.4) and not flow._alike(0.29, 0.4)
    assert not flow._alike(None, 0.4) and not flow._alike(0.4, None)


def test_share_of_what_dense_lines_need() -> None:
    """Pitches of 0.4 mm fed for 0.36; sparse lines at 4 mm do not count; forty points at least."""
    dense = np.tile([0.4, 0.36], (60, 1))
    sparse = np.tile([4.0, 0.36], (20, 1))
    assert flow._share(np.concatenate([dense, sparse])) == pytest.approx((0.9, 0.4))
    assert flow._share(dense[:39]) == (None, None) and flow._share(dense[:40])[0] == pytest.approx(0.9)
    off, right = np.tile([0.4, 0.2], (400, 1)), np.tile([0.4, 0.4], (40, 1))
    assert flow._of_most([off, right, right, right])[0] == pytest.approx(1.0)  # most layers say so
    assert flow._of_most([off, off, off, right])[0] == pytest.approx(0.5)
    assert flow._of_most([off, right])[0] == pytest.approx(0.5)
    assert flow._of_most([np.zeros((0, 2))]) == (None, None)


# --- heat ---


def asked(nozzle=0.0, bed=0.0, left=0.0, bed_left=0.0, **changes):
    state = np.zeros(400)
    state[rs274.ASKED_MOST], state[rs274.ASKED_LINE] = nozzle, 5
    state[rs274.BED_MOST], state[rs274.BED_LINE] = bed, 6
    state[rs274.TOOL_HEAT + 1], state[rs274.BED] = left, bed_left
    lists = {"allowed": changes.pop("allowed", ()), "off": changes.pop("off", ())}
    firsts = np.zeros((60, rs274.KEPT, 2))
    for k, row in enumerate(lists["allowed"]):
        firsts[rs274.COLD_ALLOWED, k] = row
    counts = {rs274.COLD_ALLOWED: len(lists["allowed"]), rs274.LIMITS_OFF: len(lists["off"])}
    reading = Given(
        state=state,
        lines=99,
        firsts=firsts,
        count=lambda what: counts.get(what, 0),
        first_lines=lambda what: lists["off"],
        unfollowed=list,
    )
    values = {"cold": 0, "cold_line": 7, "unasked": 0, "unasked_line": 8, "hottest_c": 0.0}
    return Given(reading=reading, **(values | changes))


LIMITS = HeatLimits(275.0, "gull bears", 110.0, "beds bear in general")


@pytest.mark.parametrize(
    ("found", "told"),
    [
        (asked(275.0, 110.0), []),
        (asked(276.0), [("nozzle too hot", RUIN, (5,))]),
        (asked(bed=111.0), [("bed too hot", RUIN, (6,))]),
        (asked(left=50.0), []),
        (asked(left=120.0), [("left hot", RUIN, (99,))]),
        (asked(bed_left=1.0), [("left hot", RUIN, (99,))]),
        (asked(cold=3), [("cold", RUIN, (7,))]),
        (asked(unasked=3), []),
        (asked(unasked=3, hottest_c=200.0), [("cold", CAUTION, (8,))]),
        (asked(allowed=((12, 0.0), (14, 100.0))), [("cold allowed", RUIN, (12, 14))]),
        (asked(allowed=((12, 200.0),)), []),
        (asked(off=(3, 4)), [("limits off", RUIN, (3, 4))]),
    ],
)
def test_what_is_dangerous(found, told) -> None:
    assert [(f.kind, f.level, f.lines) for f in safety_findings(found, LIMITS)] == told


def test_words_of_what_is_dangerous() -> None:
    (hot,) = safety_findings(asked(276.0), LIMITS)
    assert hot.says.startswith("the nozzle is asked to be at 276 °C, more than the 275 °C that gull bears")
    assert (hot.found, hot.planned) == (276.0, 275.0)
    (left,) = safety_findings(asked(left=120.0, bed_left=60.0), LIMITS)
    assert "leaves the nozzle at 120 °C and the bed at 60 °C" in left.says and left.found == 120.0
    (one,) = safety_findings(asked(cold=1), LIMITS)
    assert one.says.startswith("one strand is laid before")
    (any_,) = safety_findings(asked(allowed=((12, 0.0),)), LIMITS)
    assert any_.says.startswith("line 12 lets the machine feed filament at any temperature")
    (some,) = safety_findings(asked(allowed=((12, 100.0),)), LIMITS)
    assert "down to 100 °C" in some.says


def test_whose_limit_of_heat_it_is() -> None:
    hot = replace(PLA, printer=replace(PLA.printer, name="gull", nozzle_limit_c=300.0, bed_limit_c=120.0))
    general = heat_limits(hot, given=False)
    assert (general.nozzle_of, general.bed_of) == ("hot ends bear in general", "beds bear in general")
    mine = heat_limits(hot, given=True)
    assert (
        mine.nozzle_c < 300.0
        and mine.nozzle_of == "PLA bears"
        and (mine.bed_c, mine.bed_of) == (120.0, "gull bears")
    )
    cool = replace(hot, printer=replace(hot.printer, nozzle_limit_c=220.0))
    assert (heat_limits(cool, given=True).nozzle_c, heat_limits(cool, given=True).nozzle_of) == (
        220.0,
        "gull bears",
    )


# --- order and answers ---


def finding(kind, level=FAULT, box=None, lines=(1, 2), z=1.0, count=1, underside=0) -> Finding:
    place = None if box is None else Place(1, z, (box[0], box[1]), box, lines)
    return Finding(0, kind, level, f"{kind} here", "cure", count, place, (), underside)


def test_what_is_told_first() -> None:
    found = ranked(
        [
            finding("time", CAUTION),
            finding("gap", CAUTION, (0, 0, 1, 1), (9, 9)),
            finding("gap", CAUTION, (90, 0, 91, 1), (3, 3)),
            finding("fan", CAUTION, (0, 50, 1, 51), count=9),
            finding("bed heat", CAUTION),
            finding("scale", RUIN),
            finding("left hot", FAULT),
        ]
    )
    # gravest; what holds for all; then by how often it is met, by kind, by line; at last what may show in all
    assert [(f.kind, f.place.lines[0] if f.place else 0) for f in found] == [
        ("scale", 0),
        ("left hot", 0),
        ("bed heat", 0),
        ("fan", 1),
        ("gap", 3),
        ("gap", 9),
        ("time", 0),
    ]
    assert [f.number for f in found] == [1, 2, 3, 4, 5, 6, 7]


def test_causes_reach_what_lies_within_five_millimetres() -> None:
    cause = finding("support off the bed", RUIN, (0, 0, 10, 10))
    for box, follows in (
        ((15, 0, 20, 5), True),
        ((15.1, 0, 20, 5), False),
        ((0, 15, 5, 20), True),
        ((0, 15.1, 5, 20), False),
        ((-10, 0, -5, 5), True),
        ((-10, 0, -5.1, 5), False),
        ((0, -10, 5, -5), True),
        ((0, -10, 5, -5.1), False),
    ):
        found = {f.kind: f for f in ranked([cause, finding("on nothing", FAULT, box)])}
        assert bool(found["on nothing"].follows) is follows
        assert found["on nothing"].level is (NOTE if follows else FAULT)


def test_the_head_strikes_lower_down_what_hung_before() -> None:
    def follows(lines, z):
        hung = finding("on nothing", FAULT, (0, 0, 5, 5), (10, 20), 3.0)
        return {f.kind: f for f in ranked([hung, finding("strikes", FAULT, (0, 0, 5, 5), lines, z)])}[
            "strikes"
        ].follows

    assert follows((30, 40), 2.0) == "on nothing"
    assert follows((5, 40), 2.0) == "" and follows((30, 40), 3.0) == ""


def test_of_two_that_follow_from_each_other_the_earlier_counts() -> None:
    spots = [finding("overfed", FAULT, (0, 0, 5, 5)), finding("laid twice", FAULT, (0, 0, 5, 5))]
    assert {f.kind: f.follows for f in ranked(spots)} == {"laid twice": "", "overfed": "laid twice"}
    whole = [finding("overfed", FAULT), finding("laid twice", FAULT, (0, 0, 5, 5))]
    assert {f.kind: f.follows for f in ranked(whole)} == {"overfed": "", "laid twice": "overfed"}
    fewer = [finding("spacing", CAUTION), finding("interface", FAULT)]
    assert {f.kind: f.follows for f in ranked(fewer)} == {"spacing": "", "interface": ""}
    as_grave = [finding("spacing", FAULT), finding("interface", FAULT)]
    assert {f.kind: f.follows for f in ranked(as_grave)} == {"spacing": "", "interface": "spacing"}
    assert (
        ranked([finding("spacing"), finding("interface", NOTE)])[1].follows == ""
    )  # a note stays what it is


def test_findings_of_one_kind_and_level_are_told_as_one() -> None:
    three = ranked(
        [finding("gap", FAULT), finding("gap", FAULT), finding("gap", FAULT), finding("gap", CAUTION)]
    )
    first, second = grouped(three)
    assert (first.says, first.findings) == ("gap here; the same at 2 more places", (1, 2, 3))
    assert (second.says, second.level) == ("gap here", CAUTION)
    (pair,) = grouped(ranked([finding("gap"), finding("gap")]))
    assert pair.says.endswith("the same at 1 more place")


def test_answers_in_words() -> None:
    two = answer(ranked([finding("gap", CAUTION), finding("fan", CAUTION)]), as_planned=True)
    assert (
        two.says == "Print it: no problem found that spoils it, though 2 things may show." and two.folded == 0
    )
    assert answer((), as_planned=True).says == "Print it: it does what the plan asks for."
    notes = answer(ranked([finding("gap", NOTE)]), as_planned=False)
    assert notes.says == "Print it: no problem found." and (notes.groups, notes.folded) == ((), 1)
    look = answer(ranked([finding(f"k{k}", FAULT) for k in range(6)]), as_planned=False)
    assert look.says == "Look at these 6 things before you print: k0 here; k1 here."
    assert len(look.groups) == 5 and look.folded == 1 and look.decision is Decision.LOOK
    five = answer(ranked([finding(f"k{k}", FAULT) for k in range(5)]), as_planned=False)
    assert five.says.startswith("Look at these five before")
    ruin = answer(ranked([finding("a", FAULT), finding("b", RUIN)]), as_planned=False)
    assert ruin.says == "Do not print this: b here." and len(ruin.groups) == 2


@pytest.mark.parametrize(
    ("audit", "findings", "said"),
    [
        (audited(), [], "as planned"),
        (audited(planned_gap_mm=0.0, carried_share=0.3), [], "carried"),
        (audited(planned_gap_mm=0.0, carried_share=0.29), [], "as planned"),
        (audited(strands_mm=0.0), [], "not printed"),
        (audited(), [finding("gap", CAUTION), finding("interface", FAULT)], "fault: interface, gap"),
    ],
)
def test_an_underside_in_short(audit, findings, said) -> None:
    assert pipeline._in_short(audit, findings) == said


# --- the part in the program ---


def body(x, high, area=100.0, flat=False, low=0.0):
    return StrandCluster((x, 0.0, x + 10.0, 10.0), low, high, area, flat)


def test_bodies_beside_the_part(monkeypatch) -> None:
    """What meets no copy's shadow, is lower than nine tenths of the print (no tower) and takes 25 mm²."""
    monkeypatch.setattr(pipeline.planar, "transform", lambda region, by: region)
    copy = Given(shadow=shapely.box(0, 0, 10, 10), to_program=None)

    large = Given(vertices=np.array([[0.0, 0, 0], [200, 200, 0]]))  # no body is about as wide

    def told(*others, short=()):
        read = Given(found=Given(ground=Given(bodies=(body(0.0, 20.0), *others))))
        return [
            f.says.partition(" printed")[0]
            for f in pipeline._beside(large, FoundCopies((copy,), None, short), read)
        ]

    assert told(body(40.0, 5.0)) == ["another body is"]
    assert told(body(40.0, 5.0), body(60.0, 7.0)) == ["2 other bodies are"]
    assert told(body(40.0, 18.0)) == [] and told(body(40.0, 17.9)) == ["another body is"]
    assert told(body(40.0, 5.0, area=25.0)) == [] and told(body(40.0, 5.0, flat=True)) == []
    assert told(body(5.0, 5.0)) == []
    assert told(body(40.0, 5.0), short=(5.0,)) == []


def test_strands_in_air_over_an_underside_that_the_plan_leaves() -> None:
    left = Given(droop_mm=Estimate(1.0, 0.5, 2.0))

    def auditors(number, alone=None):
        return Given(
            undersides=(
                Given(number_at=lambda p: 0),
                Given(number_at=lambda p: number, left_alone=lambda n: alone),
            )
        )

    def told(one, *how):
        (found,) = pipeline._expected([one], auditors(*how))
        return found.underside, found.level, found.says

    hangs = replace(finding("overhang", FAULT, (0, 0, 1, 1)), droop_mm=Estimate(2.0, 1.0, 3.0))
    assert told(hangs, 3, left) == (3, NOTE, "overhang here; the plan leaves underside 3 as it is")
    more = replace(hangs, droop_mm=Estimate(2.1, 1.0, 3.0))
    assert told(more, 3, left) == (3, FAULT, "overhang here")
    assert told(hangs, 3) == (3, FAULT, "overhang here") and told(hangs, 0) == (0, FAULT, "overhang here")
    assert told(replace(hangs, droop_mm=None), 3, left) == (3, FAULT, "overhang here")
    assert told(replace(hangs, kind="gap"), 3, left) == (0, FAULT, "overhang here")
    assert told(replace(hangs, place=None), 3, left) == (0, FAULT, "overhang here")


@pytest.mark.parametrize(
    ("height", "width", "strict", "figures"),
    [
        (0.2, 0.45, True, (0.2, 0.45, 0.4, 210.0)),
        (0.2, 0.23, True, (0.2, 0.23, 0.2, 210.0)),  # too thin for the bore: another
        (0.2, 1.01, True, (0.2, 1.01, 0.9, 210.0)),
        (0.2, 1.0, True, (0.2, 1.0, 0.4, 210.0)),
        (0.5, 0.6, True, (0.5, 0.6, 0.53, 210.0)),
        (0.2, 0.45, False, (0.2, 0.45, 0.4, 240.0)),
        (0.01, 0.45, False, (0.03, 0.45, 0.4, 240.0)),
        (3.0, 9.0, False, (2.4, 3.2, 2.84, 240.0)),
    ],
)
def test_the_process_as_the_program_prints_it(height, width, strict, figures) -> None:
    found = Given(z_mm=np.array([0.25]), first_layer=0, hottest_c=240.0)
    made = pipeline._as_printed(PLA, Usual(height, width), found, strict=strict)
    assert (
        made.layer_height_mm,
        made.line_width_mm,
        made.nozzle_mm,
        made.material.nozzle_temperature_c,
    ) == pytest.approx(figures)
    if made.nozzle_mm != 0.4 or not strict:
        assert made.first_layer_height_mm == pytest.approx(
            0.25 if made.nozzle_mm >= 0.25 else made.layer_height_mm
        )


def test_heat_of_a_process_that_the_program_tells() -> None:
    for hottest, heat in ((0.0, 210.0), (60.0, 120.0), (900.0, 500.0)):
        found = Given(z_mm=np.array([0.2]), first_layer=0, hottest_c=hottest)
        assert pipeline._as_printed(PLA, USUAL, found, strict=False).material.nozzle_temperature_c == heat


def test_whose_word_counts_where_copies_disagree() -> None:
    def copy(*owners):
        return Given(owners=lambda z, h, ends: np.array(owners, np.uint8))

    ends = np.zeros((4, 6))
    assert pipeline._owners((), 0.2, 0.2, ends).tolist() == [PART] * 4
    one, other = copy(PART, SUPPORT, ASIDE, ASIDE), copy(SUPPORT, ASIDE, SUPPORT, PART)
    assert pipeline._owners((one, other), 0.2, 0.2, ends).tolist() == [PART, SUPPORT, SUPPORT, PART]
    assert pipeline._owners((other, one), 0.2, 0.2, ends).tolist() == [PART, SUPPORT, SUPPORT, PART]


def found_bodies(*bodies, sample=None, labels=None):
    ground = Given(bodies=bodies, body_at=lambda xy: np.array([1 if x < 50 else 2 for x in xy[:, 0]]))
    return Given(ground=ground, sample=sample or {}, z_mm=np.array([0.2, 0.4]), layers=2)


def cube(high=10.0):
    vertices = np.array([[x, y, z] for x in (0.0, 4.0) for y in (0.0, 5.0) for z in (0.0, high)])
    from falsework.part.part import Part

    return Part("cube", vertices, np.array([[0, 1, 2]]))


def test_how_large_the_part_would_be_by_the_height_of_what_is_printed() -> None:
    part = cube()
    assert copies._scale_by_height(
        part, found_bodies(body(0, 11.0), body(0, 30.0, flat=True))
    ) == pytest.approx(1.1)
    assert copies._scale_by_height(part, found_bodies(body(0, 10.19))) is None
    assert copies._scale_by_height(part, found_bodies(body(0, 9.79))) == pytest.approx(0.979)
    assert copies._scale_by_height(part, found_bodies()) is None


def test_a_part_mirrored_turned_and_scaled_stands_on_the_bed() -> None:
    part = cube()
    mirrored = copies._changed(part, True, (0, 0), 1.0)
    assert mirrored.vertices[:, 0].min() == -4.0 and mirrored.faces.tolist() == [[2, 1, 0]]
    for turn, size in (((90, 0), (4, 10, 5)), ((0, 90), (10, 5, 4)), ((180, 0), (4, 5, 10))):
        turned = copies._changed(part, False, turn, 2.0).vertices
        assert np.ptp(turned, axis=0) == pytest.approx(2.0 * np.array(size)) and turned[
            :, 2
        ].min() == pytest.approx(0.0)
    # a corner: turned by 90° about x what points along y points up
    up = copies._changed(part, False, (90, 0), 1.0).vertices
    assert up[2] - up[0] == pytest.approx([0.0, 0.0, 5.0])
    over = copies._changed(part, False, (0, 90), 1.0).vertices
    assert over[4] - over[0] == pytest.approx([0.0, 0.0, -4.0])


def test_ways_in_which_the_part_may_lie_instead() -> None:
    """Mirrored; as large as its height says; turned where it is then about as high as what is printed."""
    ways = [
        (m, turn, round(scale, 3))
        for m, turn, scale, _ in copies._other_ways(cube(), found_bodies(body(0, 5.0)))
    ]
    assert ways == [(True, (0, 0), 1.0), (False, (0, 0), 0.5), (False, (90, 0), 1.0), (False, (270, 0), 1.0),
                    (False, (0, 90), 1.0), (False, (0, 270), 1.0)]  # fmt: skip
    same = [turn for _, turn, _, _ in copies._other_ways(cube(), found_bodies(body(0, 10.0)))]
    assert same == [(0, 0), (180, 0)]
    assert [t for _, t, _, _ in copies._other_ways(cube(), found_bodies(body(0, 11.4)))] == [
        (0, 0),
        (0, 0),
        (180, 0),
    ]
    assert [t for _, t, _, _ in copies._other_ways(cube(), found_bodies(body(0, 11.7)))] == [(0, 0), (0, 0)]


def rows_at(*ends):
    rows = np.zeros((len(ends), cut.STRAND))
    for k, (x0, y0, x1, y1) in enumerate(ends):
        rows[k, [cut.AX, cut.AY, cut.BX, cut.BY]] = x0, y0, x1, y1
    return rows


def test_samples_of_one_body_alone(monkeypatch) -> None:
    monkeypatch.setattr(copies, "replace", lambda of, **how: Given(**how))
    sample = {0: rows_at((0, 0, 90, 0), (0, 0, 120, 0)), 1: rows_at((80, 0, 90, 0))}
    found = Given(ground=found_bodies().ground, sample=sample)
    assert {k: len(v) for k, v in copies.only_body(found, 1).sample.items()} == {0: 1}
    assert {k: len(v) for k, v in copies.only_body(found, 2).sample.items()} == {0: 1, 1: 1}


def raft(margin, dz=0.6, z=0.2):
    west, south, east, north = margin
    placed = Given(
        placement=Given(shift_mm=(0.0, 0.0, dz)),
        stack=Given(regions=[shapely.box(0, 0, 10, 10)]),
        to_program=None,
    )
    corners = (-west, -south, 10 + east, 10 + north)
    sample = {0: rows_at(corners, (*corners[2:], *corners[:2]))}
    return copies.on_raft(Given(sample=sample, z_mm=np.array([z])), placed)


def test_a_raft_reaches_past_the_part_on_all_sides(monkeypatch) -> None:
    monkeypatch.setattr(copies.planar, "transform", lambda region, by: region)
    assert raft((1.1, 1.1, 1.1, 1.1))
    for side in range(4):
        assert not raft(tuple(0.9 if k == side else 1.1 for k in range(4)))
    assert not raft((2.0,) * 4, dz=0.0) and not raft((2.0,) * 4, z=0.60015) and raft((2.0,) * 4, z=0.60005)


def copies_of(monkeypatch, bodies, first=0.99, taken=0.95):
    copy = Given(shadow=shapely.box(1, 1, 2, 2), to_program=None)
    asked = []
    monkeypatch.setattr(copies.planar, "transform", lambda region, by: region)
    monkeypatch.setattr(copies, "only_body", lambda found, k: k)
    monkeypatch.setattr(
        copies,
        "place_in",
        lambda part, found, usual, around_mm: asked.append(found) or Given(placement=Given(covered=taken)),
    )
    found = list(copies._others(None, found_bodies(*bodies), USUAL, 1.0, copy))
    return asked, [(top, meant) for _, top, meant in found]


def test_further_copies_are_looked_for_among_bodies_of_about_that_size(monkeypatch) -> None:
    first = body(0, 10.0)
    assert copies_of(monkeypatch, [first]) == ([], [])
    assert copies_of(monkeypatch, [first, body(20, 10.0)]) == ([2], [(10.0, 10.0)])
    assert copies_of(monkeypatch, [first, body(20, 10.0)], taken=0.89) == ([2], [])
    for high, looked in ((10.29, True), (10.31, False), (1.51, True), (1.49, False)):
        assert bool(copies_of(monkeypatch, [first, body(20, high)])[0]) is looked
    for area, looked in ((249.0, True), (251.0, False), (41.0, True), (39.0, False)):
        assert bool(copies_of(monkeypatch, [first, body(20, 10.0, area)])[0]) is looked
    # one that is cut short may be wider above
    assert copies_of(monkeypatch, [first, body(20, 5.0, 17.0)])[0] == [2]
    assert copies_of(monkeypatch, [first, body(20, 5.0, 15.0)])[0] == []
    assert copies_of(monkeypatch, [first, body(20, 10.0, flat=True)])[0] == []
    many = [first, *(body(20.0 * k, 10.0) for k in range(1, 60))]
    assert len(copies_of(monkeypatch, many)[0]) == 39


def test_copies_that_end_too_low(monkeypatch) -> None:
    tops = [("a", 10.0, 10.0), ("b", 9.71, 10.0), ("c", 9.69, 10.0)]
    monkeypatch.setattr(copies, "_others", lambda *how: iter(tops))
    found = copies._with_others(None, None, USUAL, 1.0, "first")
    assert found.copies == ("first", "a", "b") and found.short_mm == (9.69,)


def test_followed_all_round_in_many_layers(monkeypatch) -> None:
    def many(*shares):
        monkeypatch.setattr(copies, "uncovered", lambda *how: [(0, s, 0) for s in shares])
        return copies._in_many_layers(None, None, USUAL)

    assert many(*[0.98] * 6) and not many(*[0.98] * 5)
    assert many(*[0.98] * 4, *[0.1] * 6) and not many(*[0.98] * 3, *[0.1] * 7)
    assert not many(*[0.97] * 6)


# --- the ground ---


def test_bodies_on_the_bed_and_lines_beside_the_print() -> None:
    """Squares of 1.25 mm from -250 mm on; a line 0.2 mm high beside a body of 5 mm; one from 2 mm."""
    ground = BedHeights()
    ground.low[200:204, 200:208], ground.high[200:204, 200:208] = 0.0, 5.0
    ground.low[300, 200:220], ground.high[300, 200:220] = 0.0, 0.2
    ground.low[400:402, 400:402], ground.high[400:402, 400:402] = 2.0, 4.0
    found = ground.bodies
    assert [b.flat for b in found] == [False, True, False]
    assert found[0].box_mm == (0.0, 0.0, 10.0, 5.0) and found[0].area_mm2 == 32 * 1.25**2
    assert (found[0].low_mm, found[0].high_mm) == (0.0, 5.0)
    points = np.array([[1.0, 1.0], [5.0, 126.0], [251.0, 251.0], [90.0, 90.0], [9999.0, -9999.0]])
    assert ground.body_at(points).tolist() == [1, 2, 3, 0, 0]
    assert ground.flat_at(points).tolist() == [False, True, False, False, False] and ground.has_flat
    assert ground.high_up(points).tolist() == [False, False, True, False, False]
    low = BedHeights()
    low.low[0, 0], low.high[0, 0] = 0.0, 0.89
    low.low[5, 5], low.high[5, 5] = 0.0, 0.3
    assert [b.flat for b in low.bodies] == [False, True]  # lower than 0.34 of the highest
    low = BedHeights()
    low.low[0, 0], low.high[0, 0] = 0.0, 9.0
    low.low[5, 5], low.high[5, 5] = 0.0, 0.91
    assert not low.has_flat


# --- strands in air ---


def in_air(**changes):
    """One stretch of 10 mm, held nowhere, far out; with the kinds of site that it makes."""
    values = {"length": 10.0, "reach": 3.0, "held": (0, 0), "straight": 10.0, "owner": PART, "carried": 1.0}
    values |= changes
    layer = strands((0, 0, 10, 0), owner=values["owner"])

    class Runs(Given):
        def __len__(self):
            return 1

    layer.runs = Runs(
        strand=np.array([0]),
        held=np.array([values["held"]]),
        start=np.array([[0.0, 0]]),
        end=np.array([[values["straight"], 0.0]]),
        reach_mm=np.array([values["reach"]]),
        length_mm=np.array([values["length"]]),
        carried=np.array([values["carried"]]),
        lines=np.array([5]),
    )
    strict = values.get("strict", False)
    layer.rows[:, cut.FAN], layer.rows[:, cut.PACE] = values.get("fan", 1.0), values.get("pace", 30.0)
    limits = Given(
        process=replace(PLA, bridge_speed_mm_s=30.0), span_mm=40.0, sag_mm=0.3, strict=strict,
        laws=Given(overhang_droops=lambda mm: np.array([0.1 * mm])),
    )  # fmt: skip
    taker = gather.Gatherer(limits, None)
    taker._in_air(layer)
    return {kind: round(sites.kept[0].amount, 3) for kind, sites in taker.sites.items()}


@pytest.mark.parametrize(
    ("changes", "kinds"),
    [
        ({}, {"starts in air": 3.0}),
        ({"reach": 0.67}, {}),  # within a width and a half of what carries it
        ({"reach": 0.68}, {"starts in air": 0.68}),
        ({"length": 0.67, "straight": 0.67}, {}),
        ({"reach": 2.6, "owner": SUPPORT}, {}),  # the roof of a support may reach a spacing past its body
        ({"held": (1, 0)}, {"ends in air": 3.0}),
        ({"held": (0, 1)}, {"starts in air": 3.0}),
        ({"held": (1, 1)}, {}),
        ({"held": (1, 1), "length": 41.0, "straight": 41.0, "reach": 20.0}, {"long bridge": 41.0}),
        ({"held": (1, 1), "length": 40.0, "straight": 40.0, "reach": 20.0}, {}),
        (
            {"held": (1, 1), "length": 41.0, "straight": 41.0, "reach": 2.9},
            {"overhang": 2.9},
        ),  # along a ledge
        # out into the air and back, held at both ends
        ({"held": (1, 1), "length": 41.0, "straight": 20.0, "reach": 5.0}, {"ends in air": 5.0}),
        ({"held": (1, 1), "length": 20.0, "straight": 5.0, "reach": 5.0}, {"overhang": 5.0}),
        ({"held": (1, 1), "length": 8.9, "straight": 2.0, "reach": 5.0}, {}),
        ({"held": (1, 1), "length": 20.0, "straight": 13.0, "reach": 5.0}, {}),
        ({"held": (1, 1), "length": 20.0, "straight": 5.0, "reach": 2.9}, {}),
        ({"reach": 1e9}, {"on nothing": 10.0}),
        ({"reach": 1e9, "length": 0.44, "straight": 0.44}, {}),
        ({"strict": True, "held": (1, 1), "carried": 0.09, "fan": 0.74}, {"fan over air": 10.0}),
        ({"strict": True, "held": (1, 1), "carried": 0.09, "fan": 0.76}, {}),
        ({"strict": True, "held": (1, 1), "carried": 0.1, "fan": 0.0}, {}),
        ({"strict": True, "held": (1, 1), "carried": 0.09, "pace": 48.1}, {"fast over air": 10.0}),
        ({"strict": True, "held": (1, 1), "carried": 0.09, "pace": 47.9}, {}),
        ({"strict": True, "held": (1, 1), "carried": 0.0, "length": 5.0, "straight": 5.0, "fan": 0.0}, {}),
    ],
)
def test_strands_in_air(changes, kinds) -> None:
    assert in_air(**changes) == kinds


def test_limits_follow_from_the_layers() -> None:
    thin = gather.limits_of(PLA, PRIOR, USUAL, gap_mm=0.4, knows_part=True, strict=False)
    assert (thin.sag_mm, thin.carry_mm) == pytest.approx((0.3, 0.62))
    thick = gather.limits_of(PLA, PRIOR, Usual(0.4, 0.6), gap_mm=1.2, knows_part=True, strict=False)
    assert (thick.sag_mm, thick.carry_mm) == pytest.approx((0.4, 1.82))
    assert thin.span_mm == pytest.approx(thin.laws.longest_clean_bridge_mm(0.3).value)
    gap = gather.limits_of(PLA, PRIOR, USUAL, gap_mm=0.41, knows_part=True, strict=False)
    assert gap.carry_mm == pytest.approx(0.635)


def test_what_is_pushed_out_at_rest_place_by_place() -> None:
    taker = gather.Gatherer(Given(), None)
    taker._laid = True
    blobs = rows_at((0, 0, 5, 5), (0, 0, 5.001, 5), (0, 0, 9, 9))
    blobs[:, cut.VOLUME] = 0.6, 0.5, 1.0
    blobs[:, cut.LINE] = 3, 8, 9
    taker._blobs(Given(blobs=blobs, index=4, z_mm=0.8))
    (one,) = taker.sites["blob"].kept
    assert (one.amount, one.lines, one.layer, one.at_mm) == (pytest.approx(1.1), (3, 8), 4, (5.0, 5.0))


@pytest.mark.parametrize(
    ("volume", "body", "flat", "told"),
    [(20.1, 1, False, 1), (19.9, 1, False, 0), (90.0, 0, False, 0), (90.0, 1, True, 0)],
)
def test_what_is_pushed_out_before_the_first_strands_counts_only_amid_the_print(
    volume: float, body: int, flat: bool, told: int
) -> None:
    ground = Given(body_at=lambda xy: np.full(len(xy), body), flat_at=lambda xy: np.full(len(xy), flat))
    taker = gather.Gatherer(Given(), ground)
    blobs = rows_at((0, 0, 5, 5))
    blobs[:, cut.VOLUME] = volume
    taker._blobs(Given(blobs=blobs, index=0, z_mm=0.2))
    assert taker.sites["blob"].count == told


def test_travels_that_strike_what_stands() -> None:
    taker = gather.Gatherer(Given(), None)
    travels = rows_at((0, 0, 4, 8), (10, 0, 0, 6), (1, 1, 2, 2))
    travels[:, cut.BZ], travels[:, cut.LINE] = 0.8, [3, 5, 9]
    layer = Given(struck_mm=np.array([1.5, 4.0, 1.0]), travels=travels, index=4)
    taker._struck(layer)
    (one,) = taker.sites["strikes"].kept
    assert (one.amount, one.value, one.more, one.lines) == (5.5, 4.0, 2, (3, 5))
    assert one.at_mm == (5.0, 3.0) and one.box_mm == (0.0, 0.0, 10.0, 6.0)
    taker._struck(Given(struck_mm=np.array([1.0]), travels=travels[2:], index=5))
    assert taker.sites["strikes"].count == 1


def test_a_layer_on_a_raft() -> None:
    taker = gather.Gatherer(Given(), None)
    layer = strands((0, 0, 10, 10))
    taker._boxes = [(-2.0, -2.0, 12.0, 12.0)]
    assert not taker._on_raft(layer)
    taker._boxes *= 2
    assert taker._on_raft(layer)
    for k in range(4):
        box = [-2.0, -2.0, 12.0, 12.0]
        box[k] = (-0.9, -0.9, 10.9, 10.9)[k]
        taker._boxes[1] = tuple(box)
        assert not taker._on_raft(layer)
    taker._boxes = [(-2.0, -2.0, 12.0, 12.0)] * 8
    assert not taker._on_raft(layer)


def test_bodies_most_of_which_floats() -> None:
    """Of a body of 40 mm 24 must, and 10 mm at least; lines beside the print do not count."""
    layer = strands((0, 0, 24, 0), (0, 5, 16, 5), (60, 0, 69, 0), (60, 5, 90, 5), owner=PART)
    ground = Given(body_at=lambda xy: np.array([1 if x < 50 else 2 for x in xy[:, 0]]))
    taker = gather.Gatherer(Given(knows_part=False), ground)
    assert taker._of_bodies(layer, np.array([0])).tolist() == [0]
    assert taker._of_bodies(layer, np.array([1])).tolist() == []
    assert taker._of_bodies(layer, np.array([0, 2])).tolist() == [0]
    layer.owner[3] = FLAT
    assert taker._of_bodies(layer, np.array([2])).tolist() == []  # all of it, but 9 mm


def first_of(*lengths) -> int:
    layers = survey._Layers()
    layers.blocks = [
        np.array([[k, 0.2 * (k + 1), 10.0, v, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 0.0]])
        for k, v in enumerate(lengths)
    ]
    layers.sample = {k: [rows_at((0.0, 0.0, v, 0.0))] for k, v in enumerate(lengths)}
    found = Given(ground=Given(has_flat=False), sample={})
    layers.into(found)
    return found.first_layer


def test_a_layer_is_one_of_the_print_from_five_millimetres_of_strands() -> None:
    assert first_of(4.9, 5.1, 9.0) == 1 and first_of(5.1, 4.9) == 0 and first_of(1.0, 2.0) == 0


@pytest.mark.parametrize(
    ("layers", "each_mm3", "kind"),
    [(5, 6.1, "stray"), (4, 9.0, None), (9, 3.3, None), (5, 20.5, "overlap"), (5, 19.5, "stray")],
)
def test_another_body_against_a_copy(monkeypatch, layers, each_mm3, kind) -> None:
    """30 mm³ through five layers; from 0.35 of the part's 285.7 mm³ it is a part. What lies over the part,
    on another body, or no higher than a brim does not count."""

    monkeypatch.setattr(foreign, "_labels", lambda copies, ground: np.array([1]))

    def row(x, z, path=1.0, width=each_mm3):
        return [x, 0.0, path, 0.0, z, width, 0.0]

    rows = [row(20.0, 1.0 + 0.2 * k) for k in range(layers)]
    rows += [row(0.0, 1.0 + 0.2 * k) for k in range(9)]  # the part itself
    rows += [row(90.0, 1.0 + 0.2 * k) for k in range(9)]  # a body apart
    rows += [row(20.0, 0.1, width=99.0)]
    placed = Given(
        placement=Given(shift_mm=(0.0, 0.0, 0.0)), to_part=lambda xy: xy, shadow=shapely.box(-5, -5, 5, 5)
    )
    ground = Given(body_at=lambda xy: np.where(xy[:, 0] > 50.0, 2, 1))
    found = list(
        foreign.against_findings(
            "post.stl", Given(middles=[np.array(rows)]), (placed,), ground, 5 * 20.0 / 0.35
        )
    )
    assert [f.kind for f in found] == ([kind] if kind else [])
    assert not found or (found[0].count, found[0].found) == (layers, pytest.approx(layers * each_mm3))


@pytest.mark.parametrize(
    ("bare_mm2", "of_mm2", "told"),
    [(3.0, 10.0, False), (3.1, 10.0, True), (4.0, 80.0, False), (4.1, 80.0, True), (3.1, 80.0, False)],
)
def test_bare_places_tell_from_three_square_millimetres_and_a_twentieth_on(bare_mm2, of_mm2, told) -> None:
    layer = Given(bare=bare_mm2, walls=of_mm2)
    assert inventory._bare([layer], "bare", "walls") == ([layer] if told else [])

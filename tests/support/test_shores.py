"""Shores: how they narrow, where they stand, what they cost, and that each strand of them rests."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely

from falsework.auditing import audit
from falsework.droop.laws import Laws
from falsework.need.needmap import need_map
from falsework.part.demo import demo_parts
from falsework.planning import Plan, plan
from falsework.process import load_process
from falsework.process.forces import BED_BOND_MPA, LEAST_TOPPLE_SAFETY, NOZZLE_DRAG_N
from falsework.process.settings import Process, Structure
from falsework.request.standing import Standing
from falsework.support.design import post_side_mm
from falsework.support.generate import build_scheme
from programs import of_plan
from stacks import stack_of

DESIGNED, CURTAIN = (Process(structure=Structure(form=form)) for form in ("designed", "curtain"))


def scheme_of(sections, process=DESIGNED, standing=Standing.BED_OR_PART):
    stack = stack_of(sections, 0.2)
    need = need_map(stack, Laws(process))
    return build_scheme(stack, need, [standing] * len(need.undersides), process)


def all_of(scheme):
    bands = np.array([scheme.body, scheme.cap, scheme.sole, scheme.foot])
    return shapely.union_all(bands, axis=0, grid_size=1e-6)


def table(legs=150, long=40.0):
    """Two legs under a plate."""
    feet = shapely.box(0, 0, 5, 30) | shapely.box(long - 5, 0, long, 30)
    return [feet] * legs + [shapely.box(0, 0, long, 30)] * 5


def test_a_shore_narrows_to_a_post_and_carries_as_much() -> None:
    shore, curtain = scheme_of(table()), scheme_of(table(), CURTAIN)
    area, full = shapely.area(all_of(shore)), shapely.area(all_of(curtain))
    assert area[147] == pytest.approx(full[147], rel=1e-3)
    assert area[10] < 0.05 * full[10]
    (piece,), (other,) = shore.pieces, curtain.pieces
    assert piece.contact_mm2 == pytest.approx(other.contact_mm2, rel=1e-3)
    assert piece.cost.mass_g < 0.4 * other.cost.mass_g and piece.cost.time_s < 0.4 * other.cost.time_s
    assert not piece.weak and piece.why.startswith("shores with bays of ")
    assert "next best" in piece.why and other.why == ""


def test_mirrored_and_turned_parts_give_mirrored_and_turned_shores() -> None:
    sections = table(60)
    first = all_of(scheme_of(sections))
    for way in ((-1, 0, 0, 1), (1, 0, 0, -1), (0, -1, 1, 0)):
        matrix = (*way, 0.0, 0.0)
        turned = [shapely.affinity.affine_transform(s, matrix) for s in sections]
        there = all_of(scheme_of(turned))
        for one, other in zip(first, there, strict=True):
            expected = shapely.affinity.affine_transform(one, matrix)
            assert expected.symmetric_difference(other).area <= 0.02 * max(one.area, 1.0)


def test_a_mirrored_part_takes_as_much() -> None:
    sections = [s | shapely.box(10, 0, 14, 12) for s in table(60)[:40]] + table(60)[40:]
    mirrored = [shapely.affinity.affine_transform(s, (-1, 0, 0, 1, 0, 0)) for s in sections]
    grams = [sum(p.cost.mass_g for p in scheme_of(one).pieces) for one in (sections, mirrored)]
    assert grams[0] == pytest.approx(grams[1], rel=0.05)


def test_a_shore_leans_over_and_stands_beside_the_part() -> None:
    """A shelf over a step: a curtain stands on the step, a shore need not."""
    post, step = shapely.box(0, 0, 5, 20), shapely.box(0, 0, 14, 20)
    sections = [step] * 10 + [post] * 140 + [shapely.box(0, 0, 20, 20)] * 5
    shore, curtain = scheme_of(sections), scheme_of(sections, CURTAIN)
    assert sum(p.scar_mm2 for p in curtain.pieces) > 100
    assert sum(p.scar_mm2 for p in shore.pieces) < 1
    assert sum(p.contact_mm2 for p in shore.pieces) == pytest.approx(
        sum(p.contact_mm2 for p in curtain.pieces), rel=0.01
    )


def test_posts_bear_what_a_cantilever_must() -> None:
    """From memory: a cantilever of length H gives way by F H³ / 3 E I; a thin square tube has I = 2/3 b³ t; a
    bonded square turns about its edge at σ b³ / 3."""
    process = load_process("pla-0.4")
    height = np.array([5.0, 20.0, 60.0, 150.0])
    side = post_side_mm(height, np.ones(4, dtype=bool), process)
    width = process.line_width_mm
    moment = 2.0 / 3.0 * side**3 * width
    gives = NOZZLE_DRAG_N * height**3 / (3.0 * 3300.0 * moment)
    assert (gives <= width * (1 + 1e-9)).all() and gives[-1] == pytest.approx(width)
    foot = side + 2.0 * process.structure.foot_widening_mm
    assert (BED_BOND_MPA * foot**3 / 3.0 >= LEAST_TOPPLE_SAFETY * NOZZLE_DRAG_N * height * (1 - 1e-9)).all()
    on_part = post_side_mm(height, np.zeros(4, dtype=bool), process)
    assert (on_part >= side).all() and (np.diff(side) >= 0).all()


@cache
def designed(name: str) -> Plan:
    return plan(demo_parts()[name](), DESIGNED, release=False)


@pytest.mark.parametrize("name", ["table", "mooring cleat"])
def test_every_strand_of_a_program_rests(name) -> None:
    """The audit of a program that lays the strands as they are finds none that starts in mid-air."""
    made = designed(name)
    assert any("shores" in piece.why for piece in made.pieces)
    found = audit(of_plan(made).end().bytes(), made).findings
    assert [f.says for f in found if f.kind == "starts in air" and not f.underside] == []


@pytest.mark.parametrize("name", ["table", "ventilator cowl", "mooring cleat"])
def test_designed_supports_take_no_more_than_a_curtain(name) -> None:
    shores, curtain = designed(name), plan(demo_parts()[name](), CURTAIN, release=False)
    assert shores.support_cost.mass_g <= 1.02 * curtain.support_cost.mass_g
    assert shores.support_cost.time_s <= 1.02 * curtain.support_cost.time_s
    marks = [sum(p.scar_mm2 for p in made.pieces) for made in (shores, curtain)]
    assert marks[0] <= marks[1]


def test_what_is_set_is_kept() -> None:
    """Lanes at the spacing that is set, a crossed weave, closed lines."""
    wide = replace(DESIGNED, structure=replace(DESIGNED.structure, lane_spacing_mm=10.0))
    lines = []
    for process in (DESIGNED, wide):
        strands = scheme_of(table(20, 60.0), process).strands
        mine = (strands.role == 0) & (strands.layer == 15)
        lines.append(len(np.unique(strands.ends_mm[mine, 1].round(3))))
    assert lines[1] < lines[0]
    crossed = replace(DESIGNED, structure=replace(DESIGNED.structure, weave="crossed", perimeter_lines=2))
    strands = scheme_of(table(20, 60.0), crossed).strands
    assert {0, 1, 2} <= set(strands.role.tolist())


@pytest.mark.parametrize("side", [0.5, 1.0])
def test_undersides_hardly_larger_than_a_line(side) -> None:
    post = shapely.box(0, 0, 3, 3)
    sections = [post] * 30 + [post | shapely.box(3, 1, 3 + side, 1 + side)] * 5
    scheme = scheme_of(sections)
    assert all(np.isfinite(p.cost.mass_g) for p in scheme.pieces)

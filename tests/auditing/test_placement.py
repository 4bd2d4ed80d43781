"""The part is found in the program by its outlines alone."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from audited import box_part, table_plan
from falsework.auditing import FindingLevel, audit
from falsework.auditing.placement import place_in
from falsework.auditing.survey import survey, usual
from falsework.planning import plan as make_plan
from falsework.process import load_process
from programs import Writer, of_plan

PROCESS = load_process("pla-0.4")


def placed(plan, program: bytes):
    found = survey(program, PROCESS)
    return place_in(plan.geometry.part, found, usual(found), around_mm=3.0)


@functools.cache
def l_plan():
    part = box_part(((0, 0, 0), (24, 6, 2)), ((0, 0, 0), (6, 15, 2)), ((0, 0, 2), (24, 4, 4)))
    return make_plan(part, PROCESS, standing="leave", release=False)


@given(st.floats(-180, 180), st.floats(-60, 60), st.floats(-60, 60))
@example(68.5, 0.0, 0.0)  # least squares settled 0.9° off on the lines beside the right ones
@settings(max_examples=8, deadline=None, derandomize=True)
def test_any_turn_and_shift_is_found(turn: float, x: float, y: float) -> None:
    """An L without any symmetry: its place to 0.01 mm, its turn to 0.02°."""
    program = of_plan(l_plan(), turn_deg=turn, shift=(x, y)).end().bytes()
    found = placed(l_plan(), program)
    placement = found.placement
    assert placement.covered > 0.99
    off = (placement.turn_deg - turn + 180.0) % 360.0 - 180.0
    assert abs(off) < 0.02
    middle = l_plan().geometry.part.vertices[:, :2].mean(axis=0)
    angle = np.radians(turn)
    there = middle @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + [x, y]
    np.testing.assert_allclose(found.to_program(middle[None])[0], there, atol=0.01)
    np.testing.assert_allclose(found.to_part(found.to_program(middle[None]))[0], middle, atol=1e-9)


def test_a_part_on_a_raft_is_found_above_it() -> None:
    import shapely

    writer = Writer()
    plan = l_plan()
    x0, y0, x1, y1 = plan.geometry.stack.regions[0].bounds
    raft = shapely.box(x0 - 3, y0 - 3, x1 + 3, y1 + 3)
    for k in range(3):
        writer.slab(raft, round(0.2 * (k + 1), 6), 0.2, angle_deg=90.0 * (k % 2))
    program = of_plan(plan, writer, lift=0.6).end().bytes()
    found = placed(plan, program).placement
    assert found.shift_mm == pytest.approx((0.0, 0.0, 0.6), abs=0.01)
    assert found.covered > 0.99


def test_supports_do_not_draw_it_away() -> None:
    program = of_plan(table_plan(), turn_deg=5.0, shift=(12.0, -9.0)).end().bytes()
    found = placed(table_plan(), program).placement
    assert found.turn_deg == pytest.approx(5.0, abs=0.01)


def test_whose_strands_are() -> None:
    """Everything laid for the part counts as the part's, everything else as support."""
    plan = table_plan()
    writer = Writer()
    program = of_plan(plan, writer, turn_deg=40.0, shift=(90.0, 0.0)).end().bytes()
    result = audit(program, plan)
    own = plan.support_cost.volume_mm3
    # strands are priced with their round ends' share; written ones are as long as their centre lines
    assert result.figures.support_mm3 == pytest.approx(own, rel=0.05)
    assert result.figures.aside_mm3 == 0.0
    whole = result.figures.part_mm3 + result.figures.support_mm3
    assert whole == pytest.approx(result.figures.pushed_mm3, rel=1e-3)


def test_another_part_is_told() -> None:
    program = of_plan(l_plan()).end().bytes()
    result = audit(program, part=box_part(((0, 0, 0), (9, 9, 12))))
    assert result.placement is None and result.worst is FindingLevel.RUIN
    assert result.findings[0].kind == "other part"

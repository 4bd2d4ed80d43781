"""Tips, corners and knife edges: each gets a head of support beneath, or it is said what is in the way."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework import Plan, UndersideKind, load_process, plan
from falsework.planning.readiness import readiness
from falsework.request.standing import Standing
from falsework.support import starts
from falsework.wording.figures import plain
from hung import TIPS, block, cone, drawn, gallows

PLA = load_process("pla-0.4")


@cache
def planned(name: str, layer_mm: float, standing: str = "auto") -> Plan:
    process = replace(PLA, layer_height_mm=layer_mm, first_layer_height_mm=layer_mm)
    return plan(drawn(gallows(TIPS[name]())), process, standing=standing, release=False)


@pytest.mark.parametrize("layer_mm", [0.12, 0.28])
@pytest.mark.parametrize("name", TIPS)
def test_a_head_lies_beneath_every_tip(name, layer_mm):
    made = planned(name, layer_mm)
    assert made.starts and all(start.carried for start in made.starts)
    assert made.geometry is not None
    strands, stack = made.geometry.scheme.strands, made.geometry.stack
    for start in made.starts:
        layer = int(np.searchsorted(stack.z_mm, start.at_mm[2] - 1e-6)) - 1 - made.gap.layers
        here = strands.ends_mm[strands.layer == layer].reshape(-1, 2, 2)
        lines = shapely.linestrings(here)
        tip = shapely.Point(start.at_mm[:2])
        assert shapely.distance(lines, tip).min() <= made.process.line_width_mm
        near = here[shapely.dwithin(lines, tip, 2.0)]
        width = np.ptp(near.reshape(-1, 2), axis=0)
        assert width.max() > 3.0 * made.process.line_width_mm  # as wide as a head, not one thread


@pytest.mark.parametrize("name", TIPS)
def test_a_tip_left_is_named_and_the_plan_is_not_ready(name):
    made = planned(name, 0.2, "leave")
    found = readiness(made)
    assert not found.ready and found.headline == "not ready to print"
    (reason,) = [r for r in found.reasons if r.notice.code == "island-left"]
    island = next(u for u in made.undersides if u.kind is UndersideKind.ISLAND)
    assert reason.notice.underside == island.number and "falls" in reason.notice.text
    assert reason.notice in made.warnings
    chosen = made.alternatives[3]
    assert chosen.left_count >= 1 and chosen.left_mm2 > 0.0
    assert planned(name, 0.2).alternatives[0].left_count >= 1


def test_overruled_from_the_bed_it_is_built_or_the_obstacle_is_said(monkeypatch):
    """A wide block beneath the tip: nothing reaches it from the bed; the block's upper side is named."""
    solid = gallows(cone(30)) + block((-4, -6, 0), (32, 6, 7))
    made = plan(drawn(solid), PLA, standing="leave", overrules={1: Standing.BED}, release=False)
    island = made.undersides[0]
    assert island.kind is UndersideKind.ISLAND
    why = made.choices[0].why
    assert "the part is in the way" in why and "z 7.0" in plain(why)
    monkeypatch.setattr(starts, "_MOST_CORNERS", 4)  # outlines as plain as may be: the same obstacle
    again = plan(drawn(solid), PLA, standing="leave", overrules={1: Standing.BED}, release=False)
    assert again.choices[0].why == why
    free = plan(drawn(gallows(cone(30))), PLA, standing="leave", overrules={1: Standing.BED}, release=False)
    assert any(1 in piece.undersides for piece in free.pieces)


def test_gaps_that_take_all_the_height_are_said_with_figures():
    """0.4 mm beneath the tip lies the part: two gaps need 0.6 mm."""
    solid = gallows(cone(30)) + block((-4, -6, 0), (32, 6, 11.6))
    made = plan(drawn(solid), PLA, standing="bed-or-part", release=False)
    (choice,) = [c for c in made.choices if made.undersides[c.underside - 1].kind is UndersideKind.ISLAND]
    assert choice.chosen is Standing.LEAVE
    assert "gaps take" in plain(choice.why)
    assert not readiness(made).ready


def test_wider_heads_are_a_setting():
    def head_mm2(widths: float) -> float:
        process = replace(PLA, structure=replace(PLA.structure, head_widths=widths))
        made = plan(drawn(gallows(cone(30))), process, release=False)
        assert made.geometry is not None
        roofs = made.geometry.scheme.cap
        (start,) = made.starts
        layer = round(start.at_mm[2] / PLA.layer_height_mm) - 1 - made.gap.layers
        return float(shapely.intersection(roofs[layer], shapely.Point(start.at_mm[:2]).buffer(4.0)).area)

    for widths in (4.0, 5.0, 10.0):
        disc_mm2 = np.pi / 4 * (widths * PLA.line_width_mm) ** 2
        assert head_mm2(widths) == pytest.approx(disc_mm2, rel=0.15)


@settings(max_examples=6, deadline=None)
@given(
    half_deg=st.floats(10.0, 60.0),
    height_mm=st.floats(2.0, 16.0),
    layer_mm=st.sampled_from([0.12, 0.2, 0.3]),
    standing=st.sampled_from(["auto", "bed", "leave"]),
)
def test_each_island_is_carried_or_named(half_deg, height_mm, layer_mm, standing):
    process = replace(PLA, layer_height_mm=layer_mm, first_layer_height_mm=layer_mm)
    made = plan(drawn(gallows(cone(half_deg, height_mm))), process, standing=standing, release=False)
    said = " ".join(reason.notice.text for reason in readiness(made).reasons)
    islands = {u.number for u in made.undersides if u.kind is UndersideKind.ISLAND}
    assert islands == {start.underside for start in made.starts}
    for start in made.starts:
        assert start.carried or f"underside {start.underside}" in said
    if standing == "leave" and islands:
        assert made.alternatives[3].left_count >= len(islands)
    if standing != "leave":
        assert all(start.carried for start in made.starts)

"""Corbels in courses: volumes by arithmetic, and the proof on changed parts of many shapes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.need.strips import biased_reach_mm
from falsework.need.underside import UndersideKind
from falsework.part import demo_parts
from falsework.planning import inspect
from falsework.redrawing.body.solids import mesh_of, prism
from falsework.redrawing.changes.courses import DRAWN_IN, LEGS, courses
from falsework.redrawing.changes.draft import Draft, Refusal
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.crumbs import swept
from falsework.redrawing.proof.prove import ChangeProof, prove
from falsework.redrawing.site.ground import asks, ground_of
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from grounds import PROCESS, block, ground, proved

BACK = DRAWN_IN * PROCESS.reach_mm
STEEP = PROCESS.layer_height_mm / BACK  # rise per length of the flanks


def asking(on: PlannedPart) -> list[UndersideSite]:
    return [UndersideSite(on, under) for under in on.need.undersides if asks(under, on.process)]


def drawn(site: UndersideSite) -> tuple[Draft, ChangeProof]:
    draft = courses(site)
    assert isinstance(draft, Draft)
    return draft, prove(site.ground, swept(Changed(site.ground, (draft,))))


def closed(solid: Manifold) -> bool:
    mesh = trimesh.Trimesh(*mesh_of(solid), process=False)
    return bool(mesh.is_watertight and mesh.is_winding_consistent)


def test_a_square_ledge_takes_less_than_a_wedge() -> None:
    """It recedes from its tip and from both its ends: c (L² w / 2 - L³ / 3) in the limit of thin layers."""
    on = ground(block((0, 0, 0), (5, 20, 24)) + block((4, 0, 20), (13, 20, 24)))
    draft, proof = proved(on, courses)
    drawn_in = BACK * np.arange(1, math.floor(8.0 / BACK) + 1)
    want = PROCESS.layer_height_mm * float(((8.0 - drawn_in) * (20.0 - 2.0 * drawn_in)).sum())
    assert want == pytest.approx(STEEP * (8.0**2 * 20.0 / 2 - 8.0**3 / 3), rel=0.05)
    assert proof.added_mm3 == pytest.approx(want, rel=0.02)
    assert proof.left_mm2 == proof.new_mm2 == 0.0
    assert draft.added[0].solid.bounding_box()[2] > 20.0 - 8.0 * STEEP - 0.3
    assert closed(proof.changed.solid)


def test_a_ball_on_a_stalk_takes_a_cone() -> None:
    """The cone from where the ball ceases to hold down to the stalk, less what is there already."""
    ball, stalk, height = 8.0, 2.0, 20.0
    solid = Manifold.sphere(ball, 96).translate((0, 0, height)) + Manifold.cylinder(height, stalk, stalk, 48)
    held = biased_reach_mm(PROCESS.reach_mm)
    touch = math.atan(PROCESS.layer_height_mm / held)  # from straight beneath the middle
    rim, z_rim = ball * math.sin(touch), -ball * math.cos(touch)
    z_root = z_rim - (rim - stalk) * STEEP
    z = np.linspace(z_root, z_rim, 20_001)
    cone = stalk + (z - z_root) / STEEP
    there = np.maximum(stalk**2, ball**2 - z**2)
    want = math.pi * float(np.trapezoid(np.maximum(cone**2 - there, 0.0), z))
    (site,) = asking(ground(solid))
    _, proof = drawn(site)
    assert proof.faults == ()
    assert proof.added_mm3 == pytest.approx(want, rel=0.06)
    assert closed(proof.changed.solid)


def test_a_ball_that_hangs_beside_a_wall_leans_on_it() -> None:
    """A cone to two lines, then a prop that leans: not one that comes down to the bed."""
    ball, away, height = 5.0, 9.0, 40.0
    solid = block((0, -15, 0), (4, 15, 60)) + block((0, -3, 45), (4 + away + 3, 3, 60))
    solid += Manifold.sphere(ball, 96).translate((4 + away, 0, height))
    on = ground(solid)
    island = next(site for site in asking(on) if site.underside.kind is UndersideKind.ISLAND)
    draft, proof = drawn(island)
    assert proof.faults == ()
    assert draft.added[0].solid.bounding_box()[2] > height - ball - 1.1 * (away + ball) * STEEP
    assert not any("bed" in note for note in draft.notes)
    column = math.pi * 0.5**2 * away * STEEP
    cone = math.pi * (ball * math.sin(math.atan(STEEP))) ** 3 * STEEP / 3
    assert proof.added_mm3 < cone + 2.0 * column
    assert closed(proof.changed.solid)


def test_what_finds_no_part_comes_down_to_the_bed_and_says_so() -> None:
    solid = block((0, 0, 0), (6, 10, 34)) + block((0, 0, 30), (60, 10, 34)) + block((50, 3, 24), (54, 7, 31))
    island = next(site for site in asking(ground(solid)) if site.underside.kind is UndersideKind.ISLAND)
    draft, proof = drawn(island)
    assert draft.added[0].solid.bounding_box()[2] == pytest.approx(0.0, abs=1e-9)
    assert any("bed" in note for note in draft.notes)
    assert proof.faults == ()
    # two lines wide, as it need be: a pillar under it all would take sixteen times as much
    assert proof.added_mm3 < 24.0 * 4.0


def test_nothing_to_carry_is_refused() -> None:
    on = ground(block((0, 0, 0), (5, 20, 24)) + block((4, 0, 20), (13, 20, 24)))
    _, proof = proved(on, courses)
    carried = replace(on, solid=proof.changed.solid, stack=proof.changed.stack)
    refusal = courses(UndersideSite(carried, on.need.undersides[0]))
    assert isinstance(refusal, Refusal)
    assert refusal.why


def test_courses_end_where_they_are_more_than_pays() -> None:
    on = ground(block((0, 0, 0), (5, 20, 24)) + block((4, 0, 20), (13, 20, 24)))
    (site,) = asking(on)
    whole = courses(site)
    assert isinstance(whole, Draft)
    refusal = courses(site, 0.5 * whole.added[0].solid.volume())
    assert isinstance(refusal, Refusal) and "it would add more than" in refusal.why


def test_courses_that_would_stand_on_legs_are_drawn_only_without_end() -> None:
    """A knob far out over the bed: nothing but a leg of 24 mm carries it. A cone ends in a tip, no leg."""
    solid = block((0, 0, 0), (6, 10, 34)) + block((0, 0, 30), (60, 10, 34)) + block((50, 3, 24), (54, 7, 31))
    island = next(site for site in asking(ground(solid)) if site.underside.kind is UndersideKind.ISLAND)
    refusal = courses(island, 1e6)
    assert isinstance(refusal, Refusal) and refusal.harms == (LEGS,)
    assert isinstance(courses(island), Draft)
    cone = Manifold.sphere(8, 96).translate((0, 0, 20)) + Manifold.cylinder(20, 2, 2, 48)
    (site,) = asking(ground(cone))
    assert isinstance(courses(site, 1e6), Draft)


@settings(max_examples=4, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.floats(-12, 12), st.floats(-12, 12), st.floats(3, 12), st.floats(3, 12), st.floats(10, 24)
        ),
        min_size=1,
        max_size=3,
    ),
    st.floats(0, 90),
)
def test_beneath_many_blocks_nothing_is_left_to_ask(
    blocks: list[tuple[float, float, float, float, float]], turn: float
) -> None:
    solid = prism(shapely.box(-4, -4, 4, 4), 0.0, 30.0) + prism(shapely.box(-16, -16, 16, 16), 26.0, 30.0)
    for x, y, wide, deep, low in blocks:
        solid += prism(shapely.box(x - wide / 2, y - deep / 2, x + wide / 2, y + deep / 2), low, 27.0)
    on = ground(solid.rotate((0, 0, turn)))
    for site in asking(on)[:2]:
        draft, proof = drawn(site)
        assert not [fault for fault in proof.faults if "still ask" in fault]
        assert closed(draft.added[0].solid)


@pytest.mark.parametrize("name", ["lamp bracket", "ventilator cowl"])
def test_undersides_of_demo_parts_are_gone(name: str) -> None:
    on = ground_of(inspect(demo_parts()[name](), PROCESS))
    for site in asking(on)[1:3]:
        assert drawn(site)[1].faults == ()

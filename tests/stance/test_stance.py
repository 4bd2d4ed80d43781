"""How a part stands: closed forms by elementary statics, and what must hold for any part."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework import Plan, load_process, plan
from falsework.need.underside import NeedMap
from falsework.planning import pipeline
from falsework.planning.readiness import readiness
from falsework.process.forces import BED_BOND_MPA, GRAVITY_M_S2, LEAST_TOPPLE_SAFETY, NOZZLE_DRAG_N
from falsework.stance import Balance
from falsework.support.generate import build_supports
from falsework.support.statics import hulls, moments, section_modulus
from hung import block, drawn

PLA = load_process("pla-0.4")


def standing(solid: Manifold, **changes) -> Plan:
    return plan(drawn(solid), replace(PLA, **changes), standing="leave", release=False)


def weight_n(made: Plan) -> float:
    return made.part_cost.volume_mm3 * PLA.material.density_g_cm3 * 1e-6 * GRAVITY_M_S2


def test_moments_of_a_ring_about_the_origin():
    """Plain geometry: A, A x, and I + A x² of a rectangle with a rectangular hole."""
    import shapely

    ring = shapely.box(1, 2, 5, 8) - shapely.box(2, 3, 4, 7)
    area, sx, sy, sxx, sxy, syy = moments(np.array([ring], dtype=object))[0]
    assert area == pytest.approx(24 - 8)
    assert (sx, sy) == pytest.approx((24 * 3 - 8 * 3, 24 * 5 - 8 * 5))
    assert sxx == pytest.approx(4**3 * 6 / 12 + 24 * 9 - (2**3 * 4 / 12 + 8 * 9))
    assert syy == pytest.approx(6**3 * 4 / 12 + 24 * 25 - (4**3 * 2 / 12 + 8 * 25))
    assert sxy == pytest.approx(16 * 3 * 5)


@settings(max_examples=10, deadline=None)
@given(a=st.floats(2.0, 30.0), b=st.floats(2.0, 30.0), layers=st.integers(10, 300))
def test_a_prism_tips_over_its_narrow_side(a, b, layers):
    """Elementary statics: (W b/2 + σ a b · b/3) / (F h), about the long edge."""
    height = 0.2 * layers
    made = standing(block((0, 0, 0), (a, b, height)))
    narrow, long = min(a, b), max(a, b)
    righting = weight_n(made) * narrow / 2 + BED_BOND_MPA * long * narrow * narrow / 3
    assert made.stance.safety == pytest.approx(
        righting / (NOZZLE_DRAG_N * height), rel=1e-2
    )  # a line's corners are round
    assert made.stance.height_mm == pytest.approx(height)
    assert made.stance.stands == (made.stance.safety >= LEAST_TOPPLE_SAFETY)


@settings(max_examples=30, deadline=None)
@given(post=st.floats(2.0, 12.0), out=st.floats(0.0, 60.0), share=st.floats(0.15, 1.0))
def test_whether_a_part_stands_is_said_without_its_weight_as_with_it(post, out, share):
    """A post with an arm: some stand with any weight, some with none, some as long as they are light."""
    made = standing(block((0, 0, 0), (post, 12, 26)) + block((0, 0, 26), (post + out, 12, 30)))
    stack = made.geometry.stack
    nothing = NeedMap.nothing(PLA.reach_mm, PLA.limit_deg)
    volume_mm3 = float(stack.areas_mm2 @ stack.heights_mm)
    known = Balance(stack, nothing, share * volume_mm3, PLA).may_stand(np.zeros(0, dtype=bool))
    assert Balance(stack, nothing, volume_mm3, PLA).stands_filled(0.15, lambda: share) == known


def test_the_weight_of_what_stands_anyway_is_not_asked_for():
    made = standing(block((0, 0, 0), (30, 30, 10)))
    full = Balance(made.geometry.stack, NeedMap.nothing(PLA.reach_mm, PLA.limit_deg), 9000.0, PLA)
    assert full.stands_filled(0.15, lambda: pytest.fail("asked for"))


def test_an_l_tips_towards_its_arm():
    """A post 4 × 20 × 30 with an arm 60 mm out at its top: the weight lies beyond the edge x = 4.

    Elementary statics about that edge: its weight tips with its distance, the bond σ A b/3 alone rights.
    """
    made = standing(block((0, 0, 0), (4, 20, 30)) + block((0, 0, 26), (64, 20, 30)))
    post, arm = 4 * 20 * 26, 64 * 20 * 4
    centre = (post * 2 + arm * 32) / (post + arm)
    w = weight_n(made)
    righting = BED_BOND_MPA * 80 * 4 / 3
    turning = NOZZLE_DRAG_N * 30 + w * (centre - 4)
    assert centre > 4
    assert made.stance.safety == pytest.approx(righting / turning, rel=5e-3)
    assert made.stance.towards_deg == 0.0


def test_a_part_may_fall_before_its_counterweight_is_printed():
    """An arm to one side from z 38 to 48, the same to the other from z 48 to 58: whole it is in balance, when
    the first is done it is not."""
    post = block((-1, -10, 0), (1, 10, 60))
    one = block((-1, -10, 38), (100, 10, 48))
    other = block((-100, -10, 48), (1, 10, 58))
    whole = standing(post + one + other).stance
    assert whole.safety < standing(post).stance.safety
    assert whole.height_mm == pytest.approx(48.0)
    assert whole.towards_deg == 0.0


@pytest.mark.parametrize(("wedge_mm", "stands"), [(1.0, False), (12.0, True)])
def test_a_cylinder_on_a_wedge(wedge_mm, stands):
    """A disc ∅40 on edge, let down on a wedge of which only a strip of the given width meets the bed.

    Elementary statics: about the strip's edge W b/2 + σ (t b) b/3 hold against F h.
    """
    disc = Manifold.cylinder(10, 20, 20, 128).rotate([90, 0, 0]).translate([0, 10, 22])
    wedge = block((-wedge_mm / 2, 0, 0), (wedge_mm / 2, 10, 4))
    made = standing(disc + wedge)
    narrow_mm = min(wedge_mm, 10.0)  # else it tips along its axis first
    righting = weight_n(made) * narrow_mm / 2 + BED_BOND_MPA * 10 * wedge_mm * narrow_mm / 3
    by_hand = righting / (NOZZLE_DRAG_N * 42.0)
    assert made.stance.safety == pytest.approx(by_hand, rel=1e-2)
    assert made.stance.stands is stands
    assert ("topples" in [r.notice.code for r in readiness(made).reasons]) is not stands


def test_a_rod_on_end_topples_and_a_rim_holds_it():
    """∅6 × 150 on end; about its edge π r⁴/4 + π r² r² over 2 r, times the bond."""
    made = standing(Manifold.cylinder(150, 3, 3, 128))
    second = math.pi * 3**4 / 4 + math.pi * 9 * 9
    by_hand = (weight_n(made) * 3 + BED_BOND_MPA * second / 6) / (NOZZLE_DRAG_N * 150)
    assert made.stance.safety == pytest.approx(by_hand, rel=1e-2)
    assert made.stance.topples and made.stance.foot is not None
    assert made.stance.foot.cost.price > 0.0 and made.stance.foot.safety >= LEAST_TOPPLE_SAFETY
    lying = standing(Manifold.cylinder(150, 3, 3, 128).rotate([0, 90, 0]))
    assert lying.stance.safety > made.stance.safety


def test_a_first_layer_of_two_knife_edges_is_too_narrow():
    feet = block((0, 0, 0), (0.15, 20, 5)) + block((9.85, 0, 0), (10, 20, 5))
    made = standing(feet + block((0, 0, 5), (10, 20, 10)))
    assert made.stance.narrow and not made.stance.stands
    assert readiness(made).reasons[0].notice.code == "narrow-first-layer"


def test_support_beneath_an_arm_holds_the_part():
    """A thin L, supported: it leans on the support, so the edge it would tip over lies farther out."""
    solid = block((0, 0, 0), (2, 20, 30)) + block((0, 0, 26), (100, 20, 46))
    bare = standing(solid)
    made = plan(drawn(solid), PLA, standing="bed", release=False)
    assert bare.stance.topples and not made.stance.topples
    assert made.stance.held_by


def test_a_long_flat_plate_curls_more_than_a_short_one():
    long, short = (standing(block((0, 0, 0), (x, 20, 12))).stance for x in (200, 40))
    assert (long.corners, short.corners) == (4, 4)
    assert long.curl_mm > 5 * short.curl_mm
    assert standing(Manifold.cylinder(12, 50, 50, 128)).stance.corners == 0


def test_the_stance_is_read_back_equal():
    made = standing(Manifold.cylinder(150, 3, 3, 128))
    assert Plan.from_json(made.to_json()) == made


def test_a_ball_gets_a_foot_of_support():
    """On a spot of 5 mm² it would fall over: what holds by itself is carried all the same, and it stands."""
    made = plan(drawn(Manifold.sphere(10, 96)), PLA, release=False)
    assert not made.stance.topples and made.stance.held_by
    assert any(c.chosen.value == "bed" and "does not fall over" in c.why for c in made.choices)
    asked = plan(drawn(Manifold.sphere(10, 96)), PLA, standing="leave", release=False)
    assert asked.stance.topples and not asked.pieces


@settings(max_examples=8, deadline=None)
@given(foot=st.floats(1.0, 8.0), arm=st.floats(20.0, 90.0), height=st.floats(15.0, 60.0))
def test_no_support_does_more_than_may_stand_foresees(foot, arm, height):
    """A post with an arm: where it stands on supports, it was foreseen that it may."""
    solid = block((0, 0, 0), (foot, 20, height)) + block((0, 0, height - 4), (arm, 20, height))
    made = plan(drawn(solid), PLA, standing="bed", release=False)
    ground = made.geometry
    balance = Balance(ground.stack, ground.need, made.part_cost.volume_mm3, PLA)
    every = np.ones(len(made.undersides), dtype=bool)
    assert balance.may_stand(every) or made.stance.topples
    assert balance.may_stand(~every) == (not standing(solid).stance.topples)


def test_supports_that_cannot_hold_a_part_are_not_built_to_find_that_out(monkeypatch):
    """A cone on its tip: whatever is carried, it falls; its supports are made once."""
    made, build = [], build_supports
    monkeypatch.setattr(pipeline, "build_supports", lambda *a, **how: made.append(1) or build(*a, **how))
    planned = plan(drawn(Manifold.cylinder(60, 0.3, 15, 64)), PLA, release=False)
    assert planned.stance.topples and len(made) == 1


def test_a_rim_does_not_hold_a_part_on_a_needle():
    """A cone ∅30 × 60 on its tip: what is left of the tip bears no moment, so no rim is offered."""
    made = standing(Manifold.cylinder(60, 0.3, 15, 64))
    assert made.stance.topples and made.stance.foot is None


def test_section_moduli_of_the_handbook():
    """A disc's π r³ / 4; a square's least is over its diagonal, b³ / (6 √2)."""
    disc = np.array([shapely.Point(7.0, -3.0).buffer(2.0, quad_segs=64)])
    assert section_modulus(moments(disc)[0], hulls(disc)[0]) == pytest.approx(math.pi * 2.0, rel=5e-3)
    square = np.array([shapely.box(7.0, -3.0, 10.0, 0.0)])
    found = section_modulus(moments(square)[0], hulls(square)[0])
    assert found == pytest.approx(27.0 / (6 * math.sqrt(2)), rel=1e-3)

"""Drawn-in fins: counts and volumes by arithmetic, feet and ties, and the proof on the changed part."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold

from falsework.process.forces import BED_BOND_MPA, LEAST_TOPPLE_SAFETY, NOZZLE_DRAG_N
from falsework.redrawing.changes.draft import Draft
from falsework.redrawing.changes.fins import fins
from falsework.redrawing.changes.footing import foot_breadth_mm
from falsework.redrawing.changes.neck import POST_MM, WINDOW_MM, necked, snap_force_n
from falsework.redrawing.changes.walls import Wall
from falsework.redrawing.proof.prove import prove
from falsework.redrawing.site.value import UndersideSite
from grounds import PROCESS, block, ground, proved, refused, spared, worst

LINE = PROCESS.line_width_mm


def shelf(reach: float, breadth: float, height: float) -> Manifold:
    """A shelf of 4 that hangs from a wall of 10 towards +x."""
    return block((0, 0, 0), (10, breadth, height + 4)) + block(
        (0, 0, height), (10 + reach, breadth, height + 4)
    )


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(18, 50), st.integers(5, 15), st.sampled_from([1.0, 2.0, 4.0]))
def test_a_low_shelf_gets_fins_along_its_edge(reach: int, breadth: int, height: float) -> None:
    """So low that they want neither feet nor ties: one at the free edge, the others evenly up to the wall."""
    on = ground(shelf(reach, breadth, height))
    inset = 0.5 * on.need.reach_mm
    between = max(0, math.ceil((reach - inset - LINE - on.span_mm) / (on.span_mm + LINE) - 1e-9))
    draft, proof = proved(on, fins)
    assert [region.name for region in draft.added] == [f"fin {k + 1}" for k in range(1 + between)]
    long_mm = breadth - 2 * inset
    windows = math.floor((long_mm - POST_MM) / (POST_MM + WINDOW_MM)) if height > 1.2 else 0
    fin_mm3 = LINE * (long_mm * height - windows * WINDOW_MM * PROCESS.layer_height_mm)
    assert proof.added_mm3 == pytest.approx((1 + between) * fin_mm3, rel=1e-6)
    assert draft.by_hand and "eye protection" in draft.by_hand


def test_fins_are_one_line_thick_end_clear_of_walls_and_touch() -> None:
    """A ledge between two cheeks: fins along the back wall keep the side gap from the cheeks."""
    solid = block((0, 0, 0), (10, 40, 24)) + block((0, 0, 20), (24, 40, 24))
    solid += block((0, 0, 0), (24, 5, 24)) + block((0, 35, 0), (24, 40, 24))
    on = ground(solid)
    draft, proof = proved(on, fins)
    corner = on.part.bounds_mm[0]
    for region in draft.added:
        if region.name.startswith("fin"):
            box = np.array(region.solid.bounding_box()).reshape(2, 3) - corner
            size = box[1] - box[0]
            assert min(size[:2]) == pytest.approx(LINE, abs=1e-6)
            assert box[0, 0] >= 10.0 and box[0, 1] >= 5.0 + 0.4 - 1e-6 and box[1, 1] <= 35.0 - 0.4 + 1e-6
            assert 20.0 < box[1, 2] <= 20.1 + 1e-6  # up into the ledge, by less than a layer
    # the drawing is one body: the fins hang on it by their line of contact
    assert len(proof.changed.solid.decompose()) == 1


def test_tall_fins_get_ties_and_feet() -> None:
    on = ground(shelf(15, 30, 30))
    draft, _ = proved(on, fins)
    names = [region.name.split()[0] for region in draft.added]
    assert names.count("fin") == 1 and names.count("foot") == 1
    assert names.count("tie") == math.ceil((30 - on.need.reach_mm) / (30 * LINE))
    foot = next(region.solid for region in draft.added if region.name == "foot 1")
    x0, _, z0, x1, _, z1 = foot.bounding_box()
    assert z0 == 0.0 and z1 == pytest.approx(2 * 0.2)
    assert x1 - x0 >= max(3 * LINE, foot_breadth_mm(30, 30 - on.need.reach_mm)) - 1e-6
    top = max(region.solid.bounding_box()[5] for region in draft.added if region.name.startswith("tie"))
    assert top <= 30.0 - 0.4 + 1e-6  # ties stay clear of the underside


def test_the_foot_balances_the_nozzles_drag() -> None:
    """Stress at the edge of a rectangular bond in bending, 6 M / (L b²), with the safety asked for."""
    breadth = foot_breadth_mm(40.0, 10.0)
    moment = LEAST_TOPPLE_SAFETY * NOZZLE_DRAG_N * 40.0
    assert 6 * moment / (10.0 * breadth**2) == pytest.approx(BED_BOND_MPA)


def test_an_island_stands_on_fins() -> None:
    solid = block((0, 0, 0), (6, 12, 30)) + block((0, 0, 26), (30, 12, 30)) + block((20, 0, 8), (30, 12, 27))
    on = ground(solid)
    island = next(under for under in on.need.undersides if under.kind == "island")
    draft = fins(UndersideSite(on, island))
    assert isinstance(draft, Draft), draft
    assert prove(on, draft).good
    assert [region.name for region in draft.added if "fin" in region.name] == ["fin 1", "fin 2"]


def test_round_undersides_stand_on_spokes() -> None:
    mushroom = Manifold.cylinder(20, 6, 6, 96) + Manifold.cylinder(4, 14, 14, 96).translate((0, 0, 10))
    draft, _ = proved(ground(mushroom), fins)
    assert "square to the free edge" in draft.words
    fin = [region for region in draft.added if region.name.startswith("fin")]
    assert 8 <= len(fin) <= 40
    # none is longer than from the gap beside the stem to the rim
    for region in fin:
        assert region.solid.volume() <= LINE * (8.0 - 0.4) * 10.1 + 1e-6


def test_fins_on_the_part_are_said_to_leave_a_mark() -> None:
    solid = shelf(15, 20, 20) + block((0, 0, 0), (30, 20, 4))
    draft, proof = proved(ground(solid), fins)
    marks = [note for note in draft.notes if "leave a mark" in note]
    assert len(marks) == 1
    assert not any(region.name.startswith("foot") for region in draft.added)
    assert proof.added_mm3 > 16.0 * LINE * 19.0


def test_ramps_are_carried() -> None:
    def ramp(deg: float) -> Manifold:
        run, rise = 24.0, 24.0 / math.tan(math.radians(deg))
        points = [(0, 0), (8, 0), (8, 8), (8 + run, 8 + rise), (8 + run, 12 + rise), (0, 12 + rise)]
        profile = Manifold.extrude(CrossSection([points]), 20).rotate((90, 0, 0))
        return profile.translate((0, 20, 0))

    proved(ground(ramp(75.0)), fins)
    proved(ground(ramp(66.0)), fins)


def test_spared_faces_are_not_touched() -> None:
    solid = shelf(15, 20, 20) + block((0, 0, 0), (30, 20, 4))
    on = ground(solid)
    floor = spared(on, lambda c: np.isclose(c[:, :, 2], 4.0))
    assert "must stay" in refused(floor, fins).why
    assert "must stay" in refused(spared(on, lambda c: np.isclose(c[:, :, 2], 20.0)), fins).why
    back = spared(on, lambda c: np.isclose(c[:, :, 0], 0.0))
    assert isinstance(fins(worst(back)), Draft)


def test_a_neck_is_a_layer_of_posts_beneath_a_whole_line_and_its_force_is_that_of_a_beam() -> None:
    on = ground(shelf(15, 30, 10))
    wall = Wall(0.0, 5.0, LINE, shapely.box(0.0, 0.0, 20.0, 10.1))
    one = necked(wall, on.stack)
    count = int((20.0 - POST_MM) // (POST_MM + WINDOW_MM))
    assert wall.profile.area - one.wall.profile.area == pytest.approx(count * WINDOW_MM * 0.2)
    assert one.section_mm2 == pytest.approx((20.0 - count * WINDOW_MM) * LINE)
    _, level = one.wall.sections(on.stack.middles_mm[:51])
    pieces = np.bincount(level, minlength=51)
    # the ceiling begins with layer 50: beneath it a whole line, then posts, then a whole wall
    assert pieces[49] == 1 and pieces[48] == count + 1 and (pieces[:48] == 1).all()
    strength = PROCESS.material.weld_strength_mpa
    assert snap_force_n(one, PROCESS) == pytest.approx(strength * one.section_mm2 * LINE / 6.0 / 5.05)
    low = Wall(0.0, 5.0, LINE, shapely.box(0.0, 9.2, 20.0, 10.1))
    assert necked(low, on.stack).wall is low

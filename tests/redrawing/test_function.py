"""What a change harms of the part's function, in closed forms; dimensions to be typed into a drawing."""

from __future__ import annotations

import math

import pytest
from manifold3d import Manifold

from falsework.part.part import Part
from falsework.planning import inspect
from falsework.redrawing.body.placement import placement_of
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.changes.corbel import corbel
from falsework.redrawing.changes.dimensions import of_solids
from falsework.redrawing.changes.draft import ChangeKind, Draft, Region
from falsework.redrawing.changes.roof import peaked_roof
from falsework.redrawing.features.candidates import candidates
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.function import FeatureRoom, drop_words, rooms_of, touches_of
from falsework.redrawing.proof.whole import body_faults
from falsework.redrawing.site.ground import ground_of
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.wording import figures
from grounds import PROCESS, block, ground, proved, worst


def with_rooms(solid: Manifold) -> tuple[PlannedPart, tuple[FeatureRoom, ...]]:
    part = Part("test", *mesh_of(solid))
    on = ground_of(inspect(part, PROCESS))
    return on, rooms_of(candidates(part), placement_of(part, on.part, (0.0, 0.0, 0.0), 1.0), on)


def harms(
    on: PlannedPart, rooms: tuple[FeatureRoom, ...], solid: Manifold, kind: ChangeKind
) -> tuple[str, ...]:
    """What a body does that is added in the frame of the part's lowest corner."""
    there = solid.translate(tuple(on.part.bounds_mm[0]))
    draft = Draft(kind, 1, "", added=(Region("body", there),))
    return touches_of(Changed(on, (draft,)), rooms, 1.0)


def bored() -> Manifold:
    return block((0, 0, 0), (40, 40, 20)) - Manifold.cylinder(22, 10, 10, 96).translate((20, 20, -1))


def test_a_bore_that_is_narrowed_says_to_what() -> None:
    on, rooms = with_rooms(bored())
    (said,) = harms(on, rooms, block((25.2, 10, 4), (35, 30, 8)), ChangeKind.CORBEL)
    assert said == "bore 1 (Ø 20.0), which it narrows to 10.4: drill after"
    (said,) = harms(on, rooms, block((5, 18, 4), (35, 22, 8)), ChangeKind.RIBS)
    assert said == "bore 1 (Ø 20.0), which it closes: drill after"


def test_a_sleeve_in_a_bore_narrows_it_and_does_not_close_it() -> None:
    on, rooms = with_rooms(bored())
    sleeve = Manifold.cylinder(4, 11, 11, 96) - Manifold.cylinder(6, 6, 6, 96).translate((0, 0, -1))
    (said,) = harms(on, rooms, sleeve.translate((20, 20, 4)), ChangeKind.CORBEL)
    assert said == "bore 1 (Ø 20.0), which it narrows to 12.0: drill after"


def test_what_is_broken_off_and_what_keeps_clear_harms_nothing() -> None:
    on, rooms = with_rooms(bored())
    assert harms(on, rooms, block((5, 18, 4), (35, 22, 8)), ChangeKind.FINS) == ()
    assert harms(on, rooms, block((5, 5, 19), (9, 9, 30)), ChangeKind.CORBEL) == ()
    assert harms(on, rooms, block((0, 18, 4), (10.02, 22, 8)), ChangeKind.CORBEL) == ()  # rounding


def test_a_pocket_that_is_filled_says_how_much_of_it() -> None:
    on, rooms = with_rooms(block((0, 0, 0), (40, 30, 20)) - block((5, 5, -1), (35, 25, 5)))
    (said,) = (s for s in harms(on, rooms, block((5, 5, 0), (11, 25, 5)), ChangeKind.CORBEL) if "pocket" in s)
    assert said == f"pocket 1, {figures.share(0.2)} of whose room it fills"
    assert harms(on, rooms, block((5, 5, 0), (11, 25, 5)), ChangeKind.FINS) == ()


def test_a_thin_wall_may_have_a_fillet_at_its_foot_and_is_not_made_thick() -> None:
    on, rooms = with_rooms(block((0, 0, 0), (40, 30, 5)) + block((5, 14, 4), (35, 15, 25)))
    assert harms(on, rooms, block((5, 10, 5), (35, 14, 8)), ChangeKind.CORBEL) == ()
    (said,) = harms(on, rooms, block((5, 10, 5), (35, 14, 15)), ChangeKind.CORBEL)
    assert said == f"thin wall 1, {figures.share(0.25)} of which it makes thick"
    assert harms(on, rooms, block((5, 10, 5), (35, 14, 15)), ChangeKind.FINS) == ()


def test_a_slot_that_is_crossed_says_how_much_of_it() -> None:
    fork = block((0, 0, 0), (28, 30, 34)) - block((4, -1, 4), (24, 31, 35))
    on, rooms = with_rooms(fork)
    (said,) = harms(on, rooms, block((3, 14, 4), (25, 17, 34)), ChangeKind.RIBS)
    assert said == "slot 1, which it crosses, taking 10\u00a0% of its room"


def test_a_shaft_may_have_a_fillet_and_no_sleeve() -> None:
    shaft = block((0, 0, 0), (40, 40, 5)) + Manifold.cylinder(40, 6, 6, 96).translate((20, 20, 4))
    on, rooms = with_rooms(shaft)
    ring = Manifold.cylinder(4, 9, 9, 96).translate((20, 20, 5))
    assert harms(on, rooms, ring, ChangeKind.CORBEL) == ()
    sleeve = Manifold.cylinder(20, 9, 9, 96).translate((20, 20, 10))
    (said,) = harms(on, rooms, sleeve, ChangeKind.CORBEL)
    assert said == "pin 1 (Ø 12.0), 51\u00a0% of which it covers"


def test_what_stands_before_a_screw_hole_or_on_letters_harms_them() -> None:
    wall = block((0, 0, 0), (6, 40, 40)) - Manifold.cylinder(8, 2, 2, 48).rotate((0, 90, 0)).translate(
        (-1, 20, 20)
    )
    on, rooms = with_rooms(wall)
    (said,) = harms(on, rooms, block((6, 15, 19), (12, 25, 24)), ChangeKind.CORBEL)
    assert said == "bore 1, before whose mouth it takes the room of a screw's head"
    assert harms(on, rooms, block((6, 15, 25), (12, 25, 30)), ChangeKind.CORBEL) == ()  # beside it
    (said,) = harms(
        on, rooms, block((3, 15, 15), (12, 25, 25)), ChangeKind.CORBEL
    )  # closed, which says it all
    assert said == "bore 1 (Ø 4.0), which it closes: drill after"
    marks = [block((5.5, 8 + 6 * k, 10), (6.1, 9 + 6 * k, 30)) for k in range(4)]
    on, rooms = with_rooms(block((0, 0, 0), (6, 40, 40)) - Manifold.compose(marks))
    (said,) = harms(on, rooms, block((5.9, 5, 12), (12, 35, 18)), ChangeKind.CORBEL)
    assert said == "relief 1, which it covers"
    assert harms(on, rooms, block((5.9, 5, 33), (12, 35, 39)), ChangeKind.CORBEL) == ()


def test_bodies_that_are_apart_stay_apart() -> None:
    apart = Manifold.compose([block((0, 0, 0), (10, 10, 10)), block((12, 0, 0), (22, 10, 10))])
    on = ground_of(inspect(Part("pair", *mesh_of(apart)), PROCESS))
    between = block((9, 2, 2), (13, 8, 8)).translate(tuple(on.part.bounds_mm[0]))
    draft = Draft(ChangeKind.CORBEL, 1, "", added=(Region("body", between),))
    assert "it would join bodies that are apart" in body_faults(Changed(on, (draft,)))
    fins = Draft(ChangeKind.FINS, 1, "", added=(Region("body", between),))  # broken off again
    assert body_faults(Changed(on, (fins,))) == []


@pytest.mark.parametrize("radius", [4.0, 10.0])
def test_a_level_bore_becomes_a_drop_with_its_apex_at_r_over_sine(radius: float) -> None:
    solid = block((0, 0, 0), (30, 3 * radius, 6 * radius))
    hole = Manifold.cylinder(40, radius, radius, 192).rotate((0, 90, 0))
    on, rooms = with_rooms(solid - hole.translate((-5, 1.5 * radius, 3 * radius)))
    draft, _ = proved(on, peaked_roof)
    (said,) = drop_words(draft, rooms, 1.0)
    angle = math.radians(float(said.split("planes ")[1].split("°")[0]))
    apex = float(said.split("apex ")[1].split(" mm")[0])
    assert apex == pytest.approx(radius / math.sin(angle), abs=0.01)
    # the angle that is said is the one that was drawn: that of the process's limit, a degree steeper
    assert apex == pytest.approx(radius / math.sin(math.radians(on.need.limit_deg - 1.0)), rel=0.015)
    ridge = next(one for one in of_solids(draft)).words(on.part.bounds_mm[0])
    assert ridge.startswith(("ridge of the roof from (0.", "ridge of the roof from (-0."))


def test_a_corbel_is_told_as_chamfers_along_its_edges() -> None:
    on = ground(block((0, 0, 0), (20, 20, 40)) + block((0, 0, 30), (35, 20, 40)))
    draft = corbel(worst(on))
    assert isinstance(draft, Draft)
    (one,) = draft.dimensions
    said = one.words(on.part.bounds_mm[0])
    assert "legs 15.00 mm under the ceiling" in said
    assert "(20.00, 20.00, 30.00)" in said and "(20.00, 0.00, 30.00)" in said
    down = float(said.split("and ")[1].split(" mm")[0])
    angle = math.radians(float(said.split("chamfer ")[1].split("°")[0]))
    assert down == pytest.approx(15.0 / math.tan(angle), rel=0.005)


def test_chamfers_that_meet_reach_half_way_and_one_that_meets_the_bed_ends_there() -> None:
    gate = block((0, 0, 0), (10, 20, 40)) + block((40, 0, 0), (50, 20, 40)) + block((0, 0, 30), (50, 20, 40))
    draft = corbel(worst(ground(gate)))
    assert isinstance(draft, Draft)
    assert len(draft.dimensions) == 2
    assert all("legs 15.00 mm under the ceiling" in one.phrase for one in draft.dimensions)
    low = ground(block((0, 0, 0), (20, 20, 14)) + block((0, 0, 4), (35, 20, 14)))
    draft = corbel(worst(low))
    assert isinstance(draft, Draft)
    assert "4.00 mm down the wall to the bed, which cuts it off there" in draft.dimensions[0].phrase


def test_a_round_corbel_is_told_as_a_cone() -> None:
    mushroom = Manifold.cylinder(40, 8, 8, 96) + Manifold.cylinder(6, 16, 16, 96).translate((0, 0, 34))
    on = ground(mushroom)
    draft = corbel(UndersideSite(on, worst(on).underside))
    assert isinstance(draft, Draft)
    (one,) = draft.dimensions
    said = one.words(on.part.bounds_mm[0] + (16.0, 16.0, 0.0))
    assert "about the axis through (0.00, 0.00, 34.00): radius 16.00 mm at the ceiling, 8.00 mm" in said

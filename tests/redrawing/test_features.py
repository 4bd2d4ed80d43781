"""What a part is for, found on solids whose figures are known: threads, slots, counterbores, screws."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold

from falsework.part import demo_parts, read_part
from falsework.part.part import Part
from falsework.part.placing import turn_matrix
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.features.candidates import Candidate, candidates
from falsework.redrawing.features.inside import inside_part
from falsework.redrawing.features.screws import fits_screw
from falsework.redrawing.features.zones import SKIN_MM, Cylinder, Skins


def found(solid: Manifold, sort: str) -> list[Candidate]:
    return [c for c in candidates(Part("test", *mesh_of(solid))) if c.sort == sort]


def screw(lead_mm: float, turns: float, right: bool = True) -> Manifold:
    """A disc of radius 4 that screws about an axis 0.6 from its middle: radii from 3.4 to 4.6."""
    disc = CrossSection.circle(4.0, 160).translate((0.6, 0.0))
    twist = 360.0 * turns * (1.0 if right else -1.0)
    return Manifold.extrude(disc, lead_mm * turns, int(160 * turns), twist)


@pytest.mark.parametrize("right", [True, False])
def test_an_outer_thread_is_found_with_its_lead(right: bool) -> None:
    (thread,) = found(screw(1.5, 6.0, right).translate((3.0, 2.0, 1.0)), "thread")
    assert thread.words.startswith("outer thread Ø 9.2 mm, lead ") and "along z" in thread.words
    lead_mm = float(thread.words.split("lead ")[1].split(" mm")[0])
    assert lead_mm == pytest.approx(1.5, rel=0.1)  # a little long: facets lie off the true flank
    assert isinstance(thread.zone, Cylinder)
    assert thread.zone.inner_mm == pytest.approx(3.4, abs=0.1)
    assert thread.zone.outer_mm == pytest.approx(4.6, abs=0.1)
    assert thread.zone.foot[:2] == pytest.approx((3.0, 2.0), abs=0.05)


def test_an_inner_thread_is_one_and_its_room_is_the_hole() -> None:
    nut = Manifold.cube((20, 20, 8), True).translate((0, 0, 4)) - screw(1.5, 7.0).translate((0, 0, -1.2))
    (thread,) = found(nut, "thread")
    assert thread.words.startswith("inner thread")
    assert isinstance(thread.zone, Cylinder) and thread.zone.inner_mm == 0.0
    assert thread.zone.solid().volume() == pytest.approx(np.pi * 4.5**2 * 8.0, rel=0.05)


def recess(wide_mm: float, far_mm: float = 30.0) -> Manifold:
    """A block of 40 × 30 × 20 with a recess 5 deep in its lower face, from y = 5 to ``far_mm`` − 5."""
    hole = Manifold.cube((wide_mm, far_mm - 10, 5)).translate((5, 5, 0))
    return Manifold.cube((40, 30, 20)) - hole


@pytest.mark.parametrize(("wide_mm", "walls"), [(30.0, 4), (60.0, 3)])
def test_a_pocket_has_walls_on_three_sides_at_least(wide_mm: float, walls: int) -> None:
    (pocket,) = found(recess(wide_mm), "pocket")
    size = "30 × 20" if walls == 4 else "35 × 20"
    assert pocket.words.startswith(f"pocket {size} mm, 5 mm deep, whose floor looks along -z, at ")
    assert pocket.zone is not None
    assert pocket.zone.solid().volume() == pytest.approx(float(size[:2]) * 20 * 5, rel=0.03)
    held = recess(wide_mm) + Manifold.cube((2, 2, 5)).translate((20, 14, 0))  # and a stud on its floor
    bored = held - Manifold.cylinder(30, 4, 4, 64).translate((12, 15, -1))  # and a hole in it
    assert len(found(bored, "pocket")) == 1


@pytest.mark.parametrize("thick_mm", [0.45, 1.2, 1.5])
def test_a_thin_wall_is_one_up_to_three_lines(thick_mm: float) -> None:
    wall = Manifold.cube((30, thick_mm, 20)).translate((5, 10, 4)).rotate((0, 0, 25))
    walls = found(Manifold.cube((60, 60, 5)).translate((-20, -10, 0)) + wall, "thin wall")
    if thick_mm > 1.35:
        assert walls == []
        return
    (one,) = walls
    assert f"wall {thick_mm:.2g} mm thick across (" in one.words and "30 × 19 mm" in one.words
    assert isinstance(one.zone, Skins)
    assert one.zone.solid().volume() == pytest.approx(2 * 30 * 19 * SKIN_MM, rel=0.02)


def test_two_walls_with_air_between_are_no_thin_wall() -> None:
    plate = Manifold.cube((40, 40, 4))
    walls = [Manifold.cube((30, 2, 20)).translate((5, y, 3)) for y in (10, 13)]
    assert found(plate + walls[0] + walls[1], "thin wall") == []


def test_what_has_walls_on_two_sides_is_a_slot_and_a_blind_bore_a_bore() -> None:
    groove = Manifold.cube((40, 30, 20)) - Manifold.cube((30, 60, 5)).translate((5, -5, 0))
    assert found(groove, "pocket") == [] and len(found(groove, "slot")) == 0
    blind = Manifold.cube((40, 30, 20)) - Manifold.cylinder(10, 6, 6, 96).translate((20, 15, 0))
    assert found(blind, "pocket") == [] and len(found(blind, "bore")) == 1
    channel = Manifold.cube((40, 30, 20)) - Manifold.cube((8, 60, 5)).translate((16, -5, 0))
    assert found(channel, "pocket") == []  # open at both its ends, which are short
    eight = Manifold.cube((60, 60, 20), True) - Manifold.cylinder(30, 20, 20, 8, True)  # flats, not floors
    assert found(eight, "pocket") == []
    assert [c for c in candidates(demo_parts()["table"]()) if c.sort == "pocket"] == []


@pytest.mark.parametrize("name", ["table", "gull", "pulley block", "lamp bracket"])
def test_what_is_no_thread_is_none(name: str) -> None:
    assert not [c for c in candidates(demo_parts()[name]()) if c.sort == "thread"]


def test_a_ring_of_coarse_facets_is_none() -> None:
    part = read_part(Path(__file__).parents[1] / "data" / "torus.3mf")
    assert not [c for c in candidates(part) if c.sort == "thread"]


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.floats(6.0, 25.0), st.tuples(*[st.floats(-180.0, 180.0)] * 3))
def test_a_slot_is_found_with_its_width_however_it_lies(
    wide_mm: float, turn: tuple[float, float, float]
) -> None:
    fork = Manifold.cube((wide_mm + 8.0, 30.0, 34.0)) - Manifold.cube((wide_mm, 32.0, 30.0)).translate(
        (4.0, -1.0, 4.0)
    )
    vertices, faces = mesh_of(fork)
    part = Part("fork", vertices @ turn_matrix(turn).T, faces)
    (slot,) = [c for c in candidates(part) if c.sort == "slot"]
    assert slot.words.startswith(f"slot {wide_mm:.3g} mm wide")
    assert slot.zone is not None
    assert slot.zone.solid().volume() == pytest.approx(wide_mm * 30.0 * 30.0, rel=0.03)


def test_the_legs_of_a_table_make_no_slot() -> None:
    assert not [c for c in candidates(demo_parts()["table"]()) if c.sort == "slot"]


def test_a_counterbore_a_blind_bore_and_a_screw_hole_are_told_apart() -> None:
    plate = Manifold.cube((60, 20, 12))
    plate -= Manifold.cylinder(20, 1.7, circular_segments=48).translate((10, 10, -1))
    plate -= Manifold.cylinder(6, 3.2, circular_segments=48).translate((10, 10, 8))
    plate -= Manifold.cylinder(8, 5.0, circular_segments=48).translate((40, 10, 6))
    words = sorted(c.words for c in found(plate, "bore"))
    assert any("Ø 3.4 mm" in w and "through, takes an M3 screw" in w for w in words)
    assert any("Ø 6.4 mm" in w and "counterbore of one Ø 3.4 mm" in w for w in words)
    assert any("Ø 10.0 mm" in w and ", blind" in w for w in words)


def ledge_with_marks(depth_mm: float) -> Manifold:
    """Three letters L, strokes of 1 mm, beneath a ledge; sunk where the depth is below 0."""
    ledge = Manifold.cube((5, 40, 40)) + Manifold.cube((30, 40, 4)).translate((0, 0, 36))
    marks = Manifold()
    for k in range(3):
        letter = Manifold.cube((1, 6, abs(depth_mm))) + Manifold.cube((8, 1, abs(depth_mm)))
        marks += letter.translate((10, 8 + 9 * k, 36 - max(depth_mm, 0.0)))
    return ledge + marks if depth_mm > 0.0 else ledge - marks


@pytest.mark.parametrize("depth_mm", [0.6, -0.8])
def test_letters_on_a_face_are_found_with_their_depth_and_their_room(depth_mm: float) -> None:
    (relief,) = found(ledge_with_marks(depth_mm), "relief")
    said = f"3 marks {'raised' if depth_mm > 0.0 else 'sunk'} by {abs(depth_mm):.1f} mm"
    assert relief.words.startswith(said) and "looks along -z" in relief.words
    assert relief.zone is not None
    low, high = np.reshape(relief.zone.solid().bounding_box(), (2, 3))
    # from the floors (or the face) to a hair past the tops (or the face), below it
    assert low[2] == pytest.approx(36.0 - max(depth_mm, 0.0) - 0.3, abs=0.06)
    assert high[2] == pytest.approx(36.0 - min(depth_mm, 0.0), abs=0.06)
    part = Part("test", *mesh_of(ledge_with_marks(depth_mm)))
    strokes = 3 * 13.0  # three floors
    walls = 3 * 28.0 * abs(depth_mm)
    corners = part.vertices[part.faces[list(relief.faces)]]
    areas = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]),
        axis=1,
    )
    assert 0.5 * areas.sum() == pytest.approx(strokes + walls, rel=0.01)


def test_two_grooves_and_a_step_are_no_letters() -> None:
    plate = Manifold.cube((40, 40, 6)) - Manifold.cube((30, 2, 1)).translate((5, 8, 5))
    plate -= Manifold.cube((30, 2, 1)).translate((5, 16, 5))
    plate -= Manifold.cube((41, 12, 1)).translate((-0.5, 29, 5))
    assert found(plate, "relief") == []


def test_before_the_open_mouths_of_a_screw_hole_there_is_room_for_a_head() -> None:
    plate = Manifold.cube((40, 20, 12))
    plate -= Manifold.cylinder(14, 2.0, circular_segments=96).translate((10, 10, -1))  # through
    plate -= Manifold.cylinder(8, 2.0, circular_segments=96).translate((20, 10, 6))  # blind
    plate -= Manifold.cylinder(14, 5.0, circular_segments=96).translate((32, 10, -1))  # no screw is so wide
    mouths = sorted(len(c.mouths) for c in found(plate, "bore"))
    assert mouths == [0, 1, 2]
    (blind,) = [c for c in found(plate, "bore") if len(c.mouths) == 1]
    low, high = np.reshape(blind.mouths[0].solid().bounding_box(), (2, 3))
    assert low == pytest.approx((16.0, 6.0, 12.0), abs=0.1)
    assert high == pytest.approx((24.0, 14.0, 24.0), abs=0.1)


def test_a_nut_needs_room_around_an_outer_thread() -> None:
    (thread,) = found(screw(1.5, 6.0), "thread")
    assert isinstance(thread.zone, Cylinder)
    wide = thread.zone.solid().bounding_box()[3]
    assert wide == pytest.approx(2 * thread.zone.outer_mm - thread.zone.inner_mm, abs=0.05)


def test_screws_by_their_clearance_holes() -> None:
    assert fits_screw(3.2) == fits_screw(3.4) == "M3" and fits_screw(5.5) == "M5"
    assert fits_screw(3.0) == fits_screw(7.5) == fits_screw(20.0) == ""


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.lists(st.tuples(*[st.floats(-6.0, 6.0)] * 3), min_size=1, max_size=20))
def test_inside_is_inside(points: list[tuple[float, float, float]]) -> None:
    shell = Manifold.cube((8, 8, 8), True) - Manifold.cube((4, 4, 4), True)
    at = np.array(points)
    reach = np.abs(at).max(axis=1)
    clear = (np.abs(reach - 4.0) > 1e-3) & (np.abs(reach - 2.0) > 1e-3)
    said = inside_part(Part("shell", *mesh_of(shell)), at)
    assert (said == ((reach < 4.0) & (reach > 2.0)))[clear].all()

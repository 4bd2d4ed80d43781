"""Positions of boxes and of what is put together from them: every figure has a closed form."""

from __future__ import annotations

import math
from functools import cache
from importlib import import_module

import numpy as np
import pytest
from manifold3d import Manifold

from falsework.cost import Rates, part_cost
from falsework.kernels.column.intervals import BASE_AREA, FIGURES, HEIGHT
from falsework.layers import layer_boundaries, stack_layers
from falsework.orientation import price_map
from falsework.orientation.body import own_frame, thinned
from falsework.orientation.directions import even_directions, fit_ratios, rotations_to_up, spin_for
from falsework.orientation.price import part_estimate
from falsework.orientation.room import check_room, room_for
from falsework.orientation.shortlist import resting_lies, shortlist
from falsework.orientation.value import Orientation, Search
from falsework.part.part import Part
from falsework.part.placing import place
from falsework.process import load_process
from falsework.request import Context, MarkedFaces, Wish
from falsework.request.weights import Weights
from falsework.wording.figures import plain
from falsework.wording.notices import AlwaysTooLow, NeverFits, TooLow
from solids import box, merged, part_of

PLA = load_process("pla-0.4")  # builds 220 × 220 × 250 mm; walls of two lines of 0.45 mm, layers of 0.2 mm
ONE = Context(cores=1)
# a post of 10 × 10 × 40 mm, and across its head a bar of 40 × 10 × 8 mm
TEE = part_of(
    *merged(box((10.0, 10.0, 40.0), (-5.0, -5.0, 0.0)), box((40.0, 10.0, 8.0), (-20.0, -5.0, 40.0)))
)
MIDDLE_MM = (4000.0 * 20.0 + 3200.0 * 44.0) / 7200.0  # height of its centre of mass
ROUGH = {"rel": 0.01, "abs": 0.5}  # what columns a 256th of the part wide may be off
UNDERSIDES = MarkedFaces(directions=((0.0, 0.0, -1.0),))


@cache
def found(part: Part, **wished):
    return shortlist(part, Wish(PLA, **wished), ONE, Search(directions=50), refine=False)


def lies_of_tee(**wished) -> tuple[Orientation, ...]:
    return found(TEE, **wished).lies


def test_a_tee_as_it_came() -> None:
    """Both ends of the bar, 15 × 10 mm each, are carried from the bed, 40 mm beneath."""
    lie = lies_of_tee()[0]
    assert (lie.up, lie.turn_deg, lie.fits) == ((0.0, 0.0, 1.0), (0.0, 0.0, 0.0), True)
    assert (lie.width_mm, lie.depth_mm, lie.height_mm) == pytest.approx((40.0, 10.0, 48.0))
    assert lie.base_mm2 == pytest.approx(100.0, **ROUGH)
    assert lie.contact_mm2 == pytest.approx(300.0, **ROUGH) == lie.foot_mm2
    assert lie.bed_volume_mm3 == pytest.approx(12000.0, **ROUGH)
    assert lie.unreached_mm2 == lie.part_volume_mm3 == lie.uneven_share == 0.0
    assert lie.standing == "bed" and not lie.needs_no_support
    assert lie.base_lean_deg == pytest.approx(math.degrees(math.atan(5.0 / MIDDLE_MM)), abs=0.6)
    assert 0.0 < lie.support_g < lie.filament_g and 0.0 < lie.support_s < lie.time_s


def test_a_tee_lies_best_on_its_side() -> None:
    """Either side is the same: 10 × 40 and 40 × 8 mm on the bed, 10 mm high, without support."""
    today, first, second = lies_of_tee()
    for lie in (first, second):
        assert abs(lie.up[1]) == pytest.approx(1.0) and lie.height_mm == pytest.approx(10.0)
        assert sorted((lie.width_mm, lie.depth_mm)) == pytest.approx([40.0, 48.0])
        assert lie.base_mm2 == pytest.approx(720.0, **ROUGH)
        assert lie.needs_no_support and lie.standing == "leave"
        assert lie.contact_mm2 == lie.support_g == lie.support_s == 0.0
        assert lie.price.total < today.price.total
    assert first.up[1] == pytest.approx(-second.up[1])
    assert first.price.total == pytest.approx(second.price.total, rel=1e-3)
    assert first.width_mm > first.depth_mm or first.turn_deg[2] % 180.0 == 90.0
    list_ = found(TEE)
    assert list_.never_fits is None and list_.supportless >= 1 and list_.device == "cpu"
    assert (list_.thinned_mm, list_.cells) == (0.0, 256)


def test_what_is_extruded_costs_what_the_process_says() -> None:
    """22 of a kilogram, a half an hour; twice as dear an hour is to somebody, twice the time's share."""
    rates = Rates(PLA)
    for lie in lies_of_tee():
        volume_mm3 = lie.filament_g / rates.mass_g(1.0)
        assert lie.price.filament == pytest.approx(rates.price(volume_mm3, 0.0))
        assert lie.price.time == pytest.approx(0.5 * lie.time_s / 3600.0)
        assert lie.filament_g - lie.support_g < rates.mass_g(7200.0)
    hasty = lies_of_tee(weights=Weights(time=2.0))[0]
    assert hasty.price.time == pytest.approx(2.0 * lies_of_tee()[0].price.time)


@pytest.mark.parametrize("marks", [{"show": UNDERSIDES}, {"spare": UNDERSIDES}])
def test_faces_to_keep_clean_are_counted_where_supports_touch_them(marks) -> None:
    today, *others = lies_of_tee(**marks)
    assert today.show_bed_mm2 == pytest.approx(300.0, **ROUGH) == today.show_any_mm2
    assert today.price.show > 0.0 == others[0].price.show
    assert lies_of_tee()[0].show_any_mm2 == lies_of_tee()[0].price.show == 0.0


def test_what_stands_on_the_part_marks_it_twice() -> None:
    """A tee on a plate of 60 × 30 mm: all its supports stand on that, 40 mm beneath the bar."""
    plate = box((60.0, 30.0, 4.0), (-30.0, -15.0, 0.0))
    tee = (TEE.vertices + np.array([0.0, 0.0, 4.0]), TEE.faces)
    level = MarkedFaces(directions=((0.0, 0.0, -1.0), (0.0, 0.0, 1.0)))
    lie = found(part_of(*merged(plate, tee)), show=level).lies[0]
    assert lie.contact_mm2 == pytest.approx(300.0, **ROUGH) == lie.unreached_mm2
    assert lie.part_volume_mm3 == pytest.approx(12000.0, **ROUGH)
    assert lie.bed_volume_mm3 == lie.foot_mm2 == lie.show_bed_mm2 == 0.0
    assert lie.show_any_mm2 == pytest.approx(600.0, **ROUGH)  # beneath the bar and upon the plate
    assert (lie.standing, lie.base_mm2) == ("bed-or-part", pytest.approx(1800.0, **ROUGH))
    assert lie.price.scars > 0.0 == lies_of_tee()[0].price.scars


def test_a_bridge_is_as_long_as_its_posts_are_apart() -> None:
    """Two posts 30 mm apart with a beam across, to a row or two of columns."""
    posts = box((10.0, 10.0, 20.0)), box((10.0, 10.0, 20.0), (40.0, 0.0, 0.0))
    lie = found(part_of(*merged(*posts, box((50.0, 10.0, 8.0), (0.0, 0.0, 20.0))))).lies[0]
    assert lie.longest_bridge_mm == pytest.approx(30.0, abs=2.0)
    assert lie.contact_mm2 == pytest.approx(300.0, **ROUGH) and lie.base_mm2 == pytest.approx(200.0, **ROUGH)
    assert lie.bed_volume_mm3 == pytest.approx(6000.0, **ROUGH) and lies_of_tee()[0].longest_bridge_mm == 0.0


@pytest.mark.parametrize(
    ("wished", "compared"),
    [
        ({}, (False, False)),
        ({"show": UNDERSIDES}, (True, False)),
        ({"spare": UNDERSIDES}, (True, False)),
        ({"load_axis": (0.0, 0.0, 1.0)}, (False, True)),
    ],
)
def test_what_is_wished_for_is_compared(monkeypatch, wished, compared) -> None:
    """Faces to keep clean, few as they may be, and a load: each is a sort of its own to be best in."""
    module = import_module("falsework.orientation.shortlist")  # the package has a function of that name
    asked, chosen = [], module._chosen
    monkeypatch.setattr(module, "_chosen", lambda some, *sorts: asked.append(sorts) or chosen(some, *sorts))
    shortlist(TEE, Wish(PLA, **wished), ONE, Search(directions=50), refine=False)
    assert asked == [compared]


def test_load_across_the_layers_is_what_the_axis_has_of_the_vertical() -> None:
    upright, lying = lies_of_tee(load_axis=(0.0, 0.0, 1.0), weights=Weights(strength=3.0))[:2]
    assert (upright.across_layers, upright.price.strength) == (pytest.approx(1.0), pytest.approx(3.0))
    assert (lying.across_layers, lying.price.strength) == (pytest.approx(0.0), pytest.approx(0.0))
    slanting = lies_of_tee(load_axis=(0.6, 0.0, 0.8), weights=Weights(strength=3.0))[0]
    assert slanting.price.strength == pytest.approx(3.0 * 0.64)


@pytest.mark.parametrize(
    ("least_deg", "most", "heights_mm"),
    [
        (5.0, 4, [10.0, 10.0, 48.0, 48.0]),  # on either side, on the bar, on the foot
        (12.0, 3, [10.0, 10.0, 48.0]),
        (60.0, 9, [10.0, 10.0]),
        (80.0, 9, []),
    ],
)
def test_resting_faces_on_which_it_bears_a_lean(least_deg, most, heights_mm) -> None:
    """On its sides over 70°, on the bar 15.6°, on its foot 9°; the cheapest first."""
    lies = resting_lies(TEE, Wish(PLA), ONE, least_deg, most)
    assert [lie.height_mm for lie in lies] == pytest.approx(heights_mm)
    totals = [lie.price.total for lie in lies]
    assert totals == sorted(totals) and all(lie.base_lean_deg > least_deg for lie in lies)


def test_a_sheet_rests_on_nothing() -> None:
    corners = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [0.0, 9.0, 0.0]])
    assert resting_lies(part_of(corners, [[0, 1, 2]]), Wish(PLA), ONE, 0.0, 3) == []


def test_a_block_that_fits_in_no_position() -> None:
    """A cube of 300 mm in a room of 220 × 220 × 250: at 73.3 % it would."""
    said = found(part_of(*box((300.0, 300.0, 300.0))))
    assert said.never_fits == NeverFits("test", (220.0, 220.0, 250.0), 73.3)
    assert said.supportless == 0 and not any(lie.fits for lie in said.lies)


def test_what_is_lower_than_half_its_first_layer_has_none() -> None:
    leaf = found(part_of(*box((40.0, 30.0, 0.05))))
    assert leaf.never_fits is None and TooLow() in leaf.lies[0].misfits and not leaf.lies[0].fits
    assert leaf.lies[1].fits and leaf.lies[1].height_mm >= 0.1
    grain = found(part_of(*box((0.04, 0.04, 0.04))))
    assert grain.never_fits == AlwaysTooLow("test")


# --- every side ---


def at(priced, up) -> int:
    return int(np.argmax(priced.ups @ np.asarray(up, float)))


def test_a_bar_does_not_fit_upright_and_a_leaning_tower_does_not_stand() -> None:
    """280 mm in a room 250 mm high; a tower whose middle lies 15 mm beside, on a foot of 10 mm."""
    bar = price_map(part_of(*box((280.0, 10.0, 10.0))), Wish(PLA), ONE)
    assert [bool(bar.fits[at(bar, up)]) for up in np.eye(3)] == [False, True, True]
    assert [bool(bar.fits[at(bar, -up)]) for up in np.eye(3)] == [False, True, True]
    vertices, faces = box((10.0, 10.0, 40.0))
    tower = price_map(part_of(vertices + 0.75 * vertices[:, 2:] * [1.0, 0.0, 0.0], faces), Wish(PLA), ONE)
    assert [bool(tower.stands[at(tower, up)]) for up in ((0, 0, 1), (0, 0, -1), (0, 1, 0), (0, -1, 0))] == [
        False,
        False,
        True,
        True,
    ]
    assert tower.totals[at(tower, (0, 1, 0))] == pytest.approx(tower.totals[at(tower, (0, -1, 0))], rel=0.01)
    assert len(tower.ups) == 1006


# --- fitting ---


def test_how_far_the_farthest_corner_lies_says_whether_all_positions_fit() -> None:
    """A spike of 240 mm with a thin wing at half its height: the wing's corner is near, the tip is not."""
    spike = np.array([[0, 0, 0], [5, 0, 0], [0, 5, 0], [0, 0, 240], [30, 0, 120.0]])
    ratio = fit_ratios(spike, rotations_to_up(np.array([[0.0, 0, 1], [1, 0, 0]])), (220.0, 220.0, 235.0))
    assert ratio[0] == pytest.approx(235.0 / 240.0, rel=1e-4) and 1.0 < ratio[1] < 1.3


@pytest.mark.parametrize(("over_mm", "fits"), [(0.0008, True), (0.0015, False)])
def test_a_micrometre_too_long_is_forgiven(over_mm, fits) -> None:
    width = 100.0 + over_mm
    square = np.array([[0.0, 0.0], [width, 0.0], [width, width], [0.0, width]])
    assert (spin_for(square, (100.0, 100.0))[1] >= 1.0) is fits
    for bed in ((100.0, 300.0), (300.0, 100.0)):
        assert (spin_for(square, bed)[1] >= 1.0) is fits
    cube = np.array([[x, y, z] for x in (0.0, 9.0) for y in (0.0, 9.0) for z in (0.0, width)])
    ratio = fit_ratios(cube, rotations_to_up(np.array([[0.0, 0.0, 1.0]])), (300.0, 300.0, 100.0))
    assert (float(ratio[0]) >= 1.0) is fits


def test_a_plate_that_fits_on_edge_alone_is_to_be_turned_about_y() -> None:
    """240 × 200 × 10 mm: flat it is too long, on its long edge 240 mm too, on its short one it fits."""
    lying = place(part_of(*box((240.0, 200.0, 10.0))), bed_mm=(220.0, 220.0))
    way = room_for(lying, PLA)
    assert way is not None and way.turn_deg is not None
    assert abs(way.turn_deg[1]) == 90.0 and way.share == pytest.approx(220.0 / 240.0, abs=1e-3)
    assert room_for(place(lying, turn_deg=way.turn_deg, bed_mm=(220.0, 220.0)), PLA) is None


@pytest.mark.parametrize(
    ("size", "cut"), [((640.0, 860.0, 240.0), "12 or more pieces"), ((640.0, 1090.0, 240.0), None)]
)
def test_a_cut_into_more_than_twelve_is_no_advice(size, cut) -> None:
    with pytest.raises(Exception, match="as it came") as caught:
        check_room(place(part_of(*box(size)), bed_mm=(220.0, 220.0)), PLA)
    said = plain(caught.value.cure)
    assert (
        said.startswith("Scale it (--scale 0.") and (cut or "; with") in said and ("cut" in said) == bool(cut)
    )


# --- the part itself ---


@pytest.mark.parametrize("size", [(12.0, 12.0, 12.0), (12.0, 12.0, 60.0), (8.0, 8.0, 60.0)])
def test_time_of_a_post_is_that_of_its_layers(size) -> None:
    """Within a fifth where a tenth to a quarter of it comes with every layer, however little is in it."""
    x, y, z = size
    stack = stack_layers(place(part_of(*box(size)), bed_mm=(220.0, 220.0)), layer_boundaries(z, 0.2, 0.2))
    cost = part_cost(stack, PLA)[0]
    figures = np.zeros((1, FIGURES))
    figures[0, HEIGHT], figures[0, BASE_AREA] = z, x * y
    around, skin_mm = 2.0 * (x + y), PLA.solid_layers * PLA.layer_height_mm
    sums = np.array([[around * z, 2.0 * x * y, 2.0 * skin_mm * x * y, 2.0 * skin_mm * around]])
    volume, time = part_estimate(figures, sums, x * y * z, PLA)
    assert float(volume[0]) == pytest.approx(cost.volume_mm3, rel=0.02)
    assert float(time[0]) == pytest.approx(cost.time_s, rel=0.2)


@pytest.mark.parametrize(("cuts", "kept"), [(3, 108), (20, 4800), (21, 12)])
def test_a_closed_mesh_of_up_to_five_thousand_faces_is_searched_as_it_is(cuts, kept) -> None:
    """However much could be taken out of it: of every face of a cube cut so often either way, all but two."""
    mesh = Manifold.cube((10.0, 10.0, 10.0)).refine(cuts).to_mesh64()
    cube = part_of(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))
    body, tolerance_mm = thinned(cube, cube.vertices, np.zeros(len(cube.faces), bool), 0.05)
    assert (len(cube.faces), len(body.faces)) == (12 * cuts**2, kept)
    assert tolerance_mm == (0.05 if kept == 12 else 0.0)


def test_a_turned_cube_has_its_faces_for_axes_and_a_post_its_own() -> None:
    for vertices, faces in (box((10.0, 10.0, 10.0)), box((10.0, 10.0, 30.0))):
        for way in even_directions(5):
            turn = rotations_to_up(way[None], 40.0)[0]
            frame = own_frame(vertices @ turn.T, faces) @ turn
            assert np.sort(np.abs(frame), axis=1) == pytest.approx(np.tile([0.0, 0.0, 1.0], (3, 1)), abs=1e-6)
            assert np.linalg.det(frame) == pytest.approx(1.0)


def test_the_larger_of_the_faces_of_a_bevelled_post_are_its_axes() -> None:
    """Alike in four ways, with sides of 6 mm and bevels of 2.8."""
    side, bevel = np.array([5.0, 5.0]), np.array([0.0, 2.0])
    corner = [side - bevel, side - bevel[::-1]]
    outline = np.array([c @ [[x, 0.0], [0.0, y]] for x in (1, -1) for y in (1, -1) for c in corner])
    post = Manifold.hull_points(np.array([[*xy, z] for xy in outline for z in (0.0, 30.0)])).to_mesh64()
    vertices, faces = np.asarray(post.vert_properties)[:, :3], np.asarray(post.tri_verts).astype(np.int32)
    for way in even_directions(6):
        turn = rotations_to_up(way[None], 40.0)[0]
        frame = own_frame(vertices @ turn.T, faces) @ turn
        assert np.sort(np.abs(frame), axis=1) == pytest.approx(np.tile([0.0, 0.0, 1.0], (3, 1)), abs=1e-6)

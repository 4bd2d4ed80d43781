"""Layer stacks against closed forms: areas of sections of flat-faceted solids are exact."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.errors import Cancelled, PartError, ProcessError
from falsework.layers import layer_boundaries, stack_layers
from falsework.watch import Watch
from solids import (
    DAMAGED,
    SEVERAL,
    ball_of_squares,
    box,
    inside_out,
    merged,
    mesh_volume,
    ngon_area,
    part_of,
    revolved,
    sphere,
    spindle,
)

EXACT = 1e-12  # relative; rounding only


def areas(mesh, z_mm, health=None, **options):
    part = part_of(*mesh) if health is None else part_of(*mesh, health)
    return stack_layers(part, np.asarray(z_mm, dtype=float), **options).areas_mm2


@pytest.mark.parametrize(
    ("top", "first", "height", "expected"),
    [
        (10.0, 0.2, 0.2, 50),  # a whole number of layers
        (10.09, 0.2, 0.2, 50),  # the 51st would have its middle above the top
        (10.11, 0.2, 0.2, 51),
        (10.1, 0.2, 0.2, 50),  # middle exactly at the top: not inside
        (0.3, 0.5, 0.2, 1),
        (1.0, 0.4, 0.3, 3),
    ],
)
def test_last_layer_is_the_one_whose_middle_is_still_inside(top, first, height, expected):
    z = layer_boundaries(top, first, height)
    assert len(z) == expected + 1
    assert z[0] == 0.0 and z[1] == first
    np.testing.assert_allclose(np.diff(z[1:]), height, rtol=1e-9)
    assert 0.5 * (z[-1] + z[-2]) < top


def test_layer_boundaries_refuse_what_cannot_be_printed():
    with pytest.raises(PartError, match="middle of the first layer"):
        layer_boundaries(0.05, 0.2, 0.2)
    with pytest.raises(ProcessError, match="layer height"):
        layer_boundaries(10.0, 0.2, 0.0)
    with pytest.raises(ProcessError, match="ascend"):
        stack_layers(part_of(*box()), np.array([0.0, 1.0, 1.0]))


def test_a_box_is_four_corners_in_every_layer():
    stack = stack_layers(part_of(*box((30, 20, 10), (1, 2, 0))), layer_boundaries(10, 0.2, 0.2))
    assert stack.count == 50
    assert np.array_equal(np.diff(stack.ring_start), np.full(50, 4))
    np.testing.assert_allclose(stack.areas_mm2, 600.0, rtol=EXACT)
    np.testing.assert_allclose(stack.volume_mm3, 6000.0, rtol=EXACT)
    assert stack.widest_stitch_mm == 0.0 and len(stack.stitched_layers) == 0


def test_flat_faces_in_the_middle_of_a_layer_are_in_it():
    """A step at z = 10 lies exactly at the middle of layer 9.8 .. 10.2: see ``test_ties.py`` for why."""
    wide, narrow = box((20, 20, 10)), box((10, 10, 10), (5, 5, 10))
    z = np.array([9.4, 9.8, 10.2, 10.6])
    np.testing.assert_allclose(areas(merged(wide, narrow), z, SEVERAL), [400, 400, 100], rtol=1e-5)
    narrow_below = merged(box((10, 10, 10), (5, 5, 0)), box((20, 20, 10), (0, 0, 10)))
    np.testing.assert_allclose(areas(narrow_below, z, SEVERAL), [100, 400, 400], rtol=1e-5)
    # The same for the bottom and the top of one box.
    np.testing.assert_allclose(areas(box(), [-1.0, 1.0, 3.0, 17.0]), [100, 100, 100], rtol=1e-5)


def test_cone_exact_at_every_height():
    mesh = spindle([0, 10, 0], [0.0, 0.0, 20.0], 37)
    z = layer_boundaries(20.0, 0.3, 0.3)
    middle = 0.5 * (z[1:] + z[:-1])
    expected = ngon_area(10.0, 37) * (1.0 - middle / 20.0) ** 2
    np.testing.assert_allclose(areas(mesh, z, simplify_mm=0.0), expected, rtol=1e-10)


def test_archimedes_sphere():
    """Area of a sphere's section: pi (r² - (z - r)²). Facets cut corners: the mesh errs to the small side."""
    z = layer_boundaries(20.0, 0.1, 0.1)
    middle = 0.5 * (z[1:] + z[:-1])
    expected = np.pi * (100.0 - (middle - 10.0) ** 2)
    found = areas(sphere(10.0, 720, 720), z, simplify_mm=0.0)
    assert np.all(found < expected)
    np.testing.assert_allclose(found[5:-5], expected[5:-5], rtol=1e-4)
    np.testing.assert_allclose(found @ np.diff(z), 4.0 / 3.0 * np.pi * 1000.0, rtol=2e-4)


def test_pappus_torus_has_a_hole_in_every_layer():
    """Volume = profile area x path of its centroid; for n sides the path is n sin(2 pi / n) R."""
    t = 2.0 * np.pi * np.arange(64) / 64
    sides, path, tube = 90, 20.0, 5.0
    mesh = revolved(path + tube * np.cos(t), tube * (1 + np.sin(t)), sides)
    z = layer_boundaries(2 * tube, 0.02, 0.02)
    stack = stack_layers(part_of(*mesh), z)
    profile = 0.5 * 64 * np.sin(2 * np.pi / 64) * tube**2
    np.testing.assert_allclose(
        stack.volume_mm3, profile * sides * np.sin(2 * np.pi / sides) * path, rtol=3e-4
    )
    assert np.array_equal(np.diff(stack.layer_start), np.full(stack.count, 2))
    assert all(
        len(shapely.get_parts(r)) == 1 and len(shapely.get_parts(r)[0].interiors) == 1 for r in stack.regions
    )
    # At the middle the profile reaches from R - r to R + r.
    np.testing.assert_allclose(
        areas(mesh, [4.9, 5.1], simplify_mm=0.0), ngon_area(25, sides) - ngon_area(15, sides), rtol=1e-9
    )


def test_a_knife_edge_in_the_plane_has_no_area():
    """A roof whose ridge lies exactly in a section plane, and one whose ridge points down into it."""
    v = np.array([[0, 0, 0], [10, 0, 0], [10, 6, 0], [0, 6, 0], [0, 3, 5], [10, 3, 5]], dtype=float)
    f = np.array([[0, 2, 1], [0, 3, 2], [0, 1, 5], [0, 5, 4], [2, 3, 4], [2, 4, 5], [0, 4, 3], [1, 2, 5]])
    for health in (None, DAMAGED):
        stack = stack_layers(part_of(v, f, *([health] if health else [])), np.array([1.0, 4.0, 6.0, 8.0]))
        np.testing.assert_allclose(stack.areas_mm2, [30.0, 0.0, 0.0], atol=1e-9)
        assert np.array_equal(np.diff(stack.layer_start), [1, 0, 0])
    turned = v * [1, -1, -1] + [0, 6, 5]
    np.testing.assert_allclose(areas((turned, f), [-1.0, 1.0, 4.0]), [0.0, 30.0], atol=1e-9)


def test_apex_in_the_plane_leaves_nothing():
    assert areas(spindle([0, 10, 0], [0.0, 0.0, 20.0], 12), [19.0, 21.0])[0] == 0.0


def test_nested_and_overlapping_shells_count_once():
    z = layer_boundaries(10.0, 0.5, 0.5)
    nested = merged(box(), box((4, 4, 4), (3, 3, 3)))
    np.testing.assert_allclose(areas(nested, z, SEVERAL), 100.0, rtol=1e-9)
    overlap = merged(box(), box(at=(6, 7, 0)))
    np.testing.assert_allclose(areas(overlap, z, SEVERAL), 200.0 - 4 * 3, rtol=1e-9)
    twice = merged(box(), box())
    np.testing.assert_allclose(areas(twice, z, SEVERAL), 100.0, rtol=1e-9)
    apart = stack_layers(part_of(*merged(box(), box(at=(20, 0, 0))), SEVERAL), z)
    np.testing.assert_allclose(apart.areas_mm2, 200.0, rtol=1e-9)
    assert np.array_equal(np.diff(apart.layer_start), np.full(apart.count, 2))


def test_an_inward_shell_stays_a_void():
    z = layer_boundaries(10.0, 0.5, 0.5)
    hollow = merged(box(), inside_out(box((4, 4, 4), (3, 3, 3))))
    middle = 0.5 * (z[1:] + z[:-1])
    expected = np.where((middle > 3) & (middle < 7), 84.0, 100.0)
    for health in (None, SEVERAL):
        np.testing.assert_allclose(areas(hollow, z, health), expected, rtol=1e-9)


def test_a_mesh_inside_out_as_a_whole_is_turned():
    z = layer_boundaries(10.0, 0.5, 0.5)
    for health in (None, DAMAGED):
        stack = stack_layers(part_of(*inside_out(box()), *([health] if health else [])), z)
        np.testing.assert_allclose(stack.areas_mm2, 100.0, rtol=1e-9)
        assert shapely.is_ccw(shapely.get_exterior_ring(shapely.get_parts(stack.regions))).all()


def test_solid_lies_to_the_left():
    t = 2.0 * np.pi * np.arange(16) / 16
    stack = stack_layers(
        part_of(*revolved(20 + 5 * np.cos(t), 5 + 5 * np.sin(t), 30)), np.linspace(0, 10, 21)
    )
    for r in range(len(stack.ring_start) - 1):
        p = stack.points_mm[stack.ring_start[r] : stack.ring_start[r + 1]]
        q = np.roll(p, -1, axis=0)
        area = 0.5 * np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])
        assert (area > 0) == (np.hypot(*p[0]) > 20)


@pytest.mark.parametrize("missing, flipped", [(0.005, 0.0), (0.0, 0.01), (0.005, 0.01)])
def test_few_missing_and_flipped_faces_spoil_no_layer(missing, flipped):
    vertices, faces = ball_of_squares(15.0, 40)
    z = layer_boundaries(30.0, 0.2, 0.2)
    whole = areas((vertices, faces), z)
    for seed in range(4):
        rng = np.random.default_rng(seed)
        damaged = faces.copy()
        turn = rng.random(len(faces)) < flipped
        damaged[turn] = damaged[turn][:, ::-1]
        damaged = damaged[rng.random(len(faces)) >= missing]
        stack = stack_layers(part_of(vertices, damaged, DAMAGED), z)
        off = np.flatnonzero(np.abs(stack.areas_mm2 - whole) > 0.01 * whole)
        assert np.isin(off, stack.stitched_layers).all()
        assert len(off) <= 4  # the smallest sections, where one face is a large share of the ring
        np.testing.assert_allclose(stack.volume_mm3, whole @ np.diff(z), rtol=1e-3)
        if missing:
            assert 0.0 < stack.widest_stitch_mm <= 4.0
            assert len(stack.stitched_layers)
        else:
            assert len(off) == 0 and len(stack.stitched_layers) == 0


def test_a_missing_wall_is_closed_straight_and_said():
    vertices, faces = box((20, 20, 10))
    stack = stack_layers(part_of(vertices, faces[:-2], DAMAGED), layer_boundaries(10, 0.5, 0.5))
    np.testing.assert_allclose(stack.areas_mm2, 400.0, rtol=1e-9)
    assert stack.widest_stitch_mm == pytest.approx(20.0)
    assert len(stack.stitched_layers) == stack.count


def test_loose_sheets_are_dropped_and_said():
    vertices, faces = box((20, 20, 10))
    fin = np.array([[30, 0, 2.0], [38, 0.5, 2.0], [34, 1.0, 8.0], [42, 0.2, 8.0]])
    mesh = merged((vertices, faces), (fin, np.array([[0, 1, 2], [1, 3, 2]])))
    stack = stack_layers(part_of(*mesh, DAMAGED), layer_boundaries(10, 0.5, 0.5))
    np.testing.assert_allclose(stack.areas_mm2, 400.0, rtol=1e-9)
    middles = stack.middles_mm
    assert np.array_equal(stack.stitched_layers, np.flatnonzero((middles > 2) & (middles <= 8)))
    assert stack.widest_stitch_mm == 0.0


def test_simplifying_loses_less_than_the_tolerance_times_the_outline():
    mesh = sphere(20.0, 900, 450)
    z = layer_boundaries(40.0, 0.25, 0.25)
    exact = stack_layers(part_of(*mesh), z, simplify_mm=0.0)
    short = stack_layers(part_of(*mesh), z)
    lost = exact.areas_mm2 - short.areas_mm2
    assert np.all(lost > -1e-9)
    assert np.all(lost <= 0.001 * shapely.length(exact.regions))
    assert lost.sum() < 1e-4 * exact.areas_mm2.sum()
    assert len(short.points_mm) < 0.5 * len(exact.points_mm)
    points = shapely.points(exact.points_mm[exact.ring_start[80] : exact.ring_start[81]])
    gap = shapely.distance(points, shapely.boundary(short.regions[80]))
    assert gap.max() <= 0.001 + 1e-9


def test_a_wall_thinner_than_the_tolerance_does_not_cross_itself():
    """A tube with walls of 1.5 µm, simplified at 5 µm: the layer falls back until its rings are apart."""
    t = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    mesh = revolved([20.0, 20.0015, 20.0015, 20.0], [0, 0, 5, 5], len(t))
    stack = stack_layers(part_of(*mesh), np.array([0.0, 1.0, 2.0]), simplify_mm=0.005)
    assert shapely.is_valid(stack.regions).all()
    np.testing.assert_allclose(stack.areas_mm2, ngon_area(20.0015, 2000) - ngon_area(20, 2000), rtol=1e-3)


def test_same_bytes_twice_and_from_any_memory_order():
    vertices, faces = merged(sphere(15.0), box((5, 5, 20), (10, 0, 0)))
    z = layer_boundaries(30.0, 0.2, 0.2)
    one = stack_layers(part_of(vertices, faces, SEVERAL), z)
    two = stack_layers(part_of(np.asfortranarray(vertices), faces.astype(np.int64), SEVERAL), z)
    for name in ("points_mm", "ring_start", "layer_start"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes()


def test_layers_above_and_below_the_part_are_empty():
    stack = stack_layers(part_of(*box(at=(0, 0, 2))), np.arange(-5.0, 20.0))
    assert np.array_equal(stack.areas_mm2 > 0, (stack.middles_mm > 2) & (stack.middles_mm < 12))
    empty = stack_layers(part_of(*box()), np.array([50.0, 51.0, 52.0]))
    assert empty.volume_mm3 == 0.0 and shapely.is_empty(empty.regions).all()


def test_uneven_layers():
    z = np.concatenate([[0.0], np.cumsum(0.02 + 0.5 * np.random.default_rng(3).random(60) ** 4)])
    middle = 0.5 * (z[1:] + z[:-1])
    mesh = spindle([0, 10, 0], [0.0, 0.0, 20.0], 12)
    expected = ngon_area(10.0, 12) * np.clip(1.0 - middle / 20.0, 0, None) ** 2
    np.testing.assert_allclose(areas(mesh, z, simplify_mm=0.0), expected, rtol=1e-10)


def test_cancel_stops_the_work():
    with pytest.raises(Cancelled):
        stack_layers(part_of(*box()), np.array([0.0, 1.0]), Watch(stop=lambda: True))


def test_volume_of_closed_meshes_within_a_thousandth():
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    for mesh in (
        sphere(12.0),
        ball_of_squares(9.0, 20),
        revolved(15 + (4 + np.cos(3 * t)) * np.cos(t), 6 + (4 + np.cos(3 * t)) * np.sin(t), 60),
    ):
        mesh = (mesh[0] - [0, 0, mesh[0][:, 2].min()], mesh[1])
        z = layer_boundaries(mesh[0][:, 2].max(), 0.1, 0.1)
        found = areas(mesh, z) @ np.diff(z)
        assert found == pytest.approx(mesh_volume(mesh), rel=1e-3)

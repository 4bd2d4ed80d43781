"""The polygon operations: round trips, repairs, and what they promise about empties."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon

from falsework.layers.polygons import (
    EMPTY,
    areas_only,
    clean,
    despiked,
    gathered,
    intersect,
    offset,
    parts,
    regions_from_rings,
    repair,
    rings_of,
    simplified,
    subtract,
    unite,
)

SQUARE = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], dtype=float)


def moved(ring, x, y):
    return ring + np.array([x, y])


def regions(*geometries):
    array = np.empty(len(geometries), dtype=object)
    array[:] = geometries
    return array


def flat(*layers):
    """Rings per layer as the flat arrays of a stack."""
    rings = [r for layer in layers for r in layer]
    return (
        np.concatenate([np.zeros((0, 2)), *rings]),
        np.cumsum([0, *(len(r) for r in rings)]),
        np.cumsum([0, *(len(layer) for layer in layers)]),
    )


def test_holes_go_to_the_smallest_outer_around_them():
    """An island in a hole in a square, with a hole of its own, listed in an awkward order; and a stranger."""
    island = 2 + 0.6 * SQUARE
    far = moved(SQUARE, 20, 0)
    rings = [
        (4 + 0.2 * SQUARE)[::-1],  # hole of the island
        SQUARE,
        far,
        island,
        (1 + 0.8 * SQUARE)[::-1],  # hole of the square
    ]
    rings.append(moved(0.1 * SQUARE, 24, 4)[::-1])  # hole of the far square
    layer, empty, plain = regions_from_rings(*flat(rings, [], [SQUARE]))
    assert shapely.is_valid(layer)
    assert sorted(p.area for p in layer.geoms) == pytest.approx([36 - 4, 100 - 64, 100 - 1])
    assert [len(p.interiors) for p in layer.geoms] == [1, 1, 1]
    assert empty.is_empty and plain.area == 100.0


def test_a_hole_outside_every_outer_is_left_out():
    layer = regions_from_rings(*flat([SQUARE, (moved(SQUARE, 50, 0))[::-1], moved(SQUARE, 0, 30)]))[0]
    assert layer.area == 200.0 and shapely.is_valid(layer)


def test_touching_and_crossing_rings_are_repaired():
    pinched = np.array([[0, 0], [4, 0], [2, 2], [4, 4], [0, 4], [2, 2]], dtype=float)
    hole_at_corner = np.array([[0, 0], [3, 4], [4, 3]], dtype=float)
    bow = np.array([[0, 0], [4, 4], [4, 1], [0, 3]], dtype=float)
    spike = np.array([[0, 0], [4, 0], [4, 2], [9, 2], [4, 2], [4, 4], [0, 4]], dtype=float)
    found = regions_from_rings(*flat([pinched], [SQUARE, hole_at_corner[:, ::1]], [bow], [spike]))
    assert shapely.is_valid(found).all()
    assert set(shapely.get_type_id(found)) <= {3, 6}
    assert found[0].area == pytest.approx(8.0)
    assert found[3].area == pytest.approx(16.0)


def test_a_hole_that_runs_along_its_outer_ring_stays_a_hole():
    """The walls of a bore that breaks through the side of a part: repaired line by line, it was filled."""
    notch = np.array([[0, 3], [0, 7], [5, 7], [5, 3]], dtype=float)
    outer = np.array([[0, 0], [10, 0], [10, 10], [0, 10], [0, 7], [0, 3]], dtype=float)
    layer = regions_from_rings(*flat([outer, notch]))[0]
    assert shapely.is_valid(layer)
    assert layer.area == pytest.approx(100.0 - 20.0)


def test_no_rings_at_all():
    found = regions_from_rings(np.zeros((0, 2)), np.zeros(1, int), np.zeros(4, int))
    assert len(found) == 3 and shapely.is_empty(found).all()


def test_rings_of_is_the_inverse():
    two = shapely.union_all([Polygon(SQUARE, [(4 + 0.2 * SQUARE)]), Point(30, 5).buffer(4)])
    given = regions(two, EMPTY, Polygon(SQUARE[::-1]), Polygon())
    points, ring_start, layer_start = rings_of(given)
    assert ring_start.dtype == layer_start.dtype == np.int64
    assert np.array_equal(np.diff(layer_start), [3, 0, 1, 0])
    back = regions_from_rings(points, ring_start, layer_start)
    assert shapely.equals(back, given).all()
    signed = [
        0.5 * np.sum(np.cross(np.c_[p, 0 * p[:, 0]], np.c_[np.roll(p, -1, 0), 0 * p[:, 0]])[:, 2])
        for p in np.split(points, ring_start[1:-1])
    ]
    assert sorted(np.sign(signed)) == [-1, 1, 1, 1]
    nothing = rings_of(regions(EMPTY, EMPTY))
    assert len(nothing[0]) == 0 and list(nothing[1]) == [0] and list(nothing[2]) == [0, 0, 0]


def test_offset_is_exact_on_straight_edges_and_short_in_corners():
    square = regions(Polygon(SQUARE), EMPTY)
    grown = offset(square, 2.0)
    exact = 100 + 4 * 10 * 2 + np.pi * 4
    assert exact * (1 - 0.02) < grown[0].area < exact
    assert grown[0].bounds == pytest.approx((-2, -2, 12, 12))
    assert offset(square, 2.0, segments=64)[0].area == pytest.approx(exact, rel=1e-4)
    corner = shapely.Point(10, 10).distance(grown[0].exterior)
    assert 2.0 * np.cos(np.pi / 16) - 1e-9 <= corner <= 2.0
    assert offset(square, -2.0)[0].area == pytest.approx(36.0)
    assert offset(square, -6.0)[0].is_empty and grown[1].is_empty
    each = offset(regions(Polygon(SQUARE), Polygon(SQUARE)), np.array([-1.0, -2.0]))
    assert shapely.area(each) == pytest.approx([64.0, 36.0])


def test_operations_work_elementwise_and_return_areas_alone():
    a = regions(Polygon(SQUARE), Polygon(SQUARE), EMPTY)
    b = regions(Polygon(moved(SQUARE, 5, 5)), Polygon(moved(SQUARE, 10, 0)), Polygon(SQUARE))
    assert shapely.area(unite(a, b)) == pytest.approx([175, 200, 100])
    assert shapely.area(subtract(a, b)) == pytest.approx([75, 100, 0])
    common = intersect(a, b)  # the second pair shares an edge: shapely answers with a line
    assert shapely.area(common) == pytest.approx([25, 0, 0])
    for result in (unite(a, b), subtract(a, b), common):
        assert set(shapely.get_type_id(result)) <= {3, 6}


def test_areas_only_looks_into_collections():
    mixed = shapely.GeometryCollection(
        [Point(0, 0), Polygon(SQUARE), shapely.MultiPolygon([Polygon(moved(SQUARE, 20, 0))])]
    )
    found = areas_only(regions(mixed, None, Point(1, 1), Polygon(SQUARE)))
    assert shapely.area(found) == pytest.approx([200, 0, 0, 100])
    assert set(shapely.get_type_id(found)) <= {3, 6}


def test_clean_drops_slivers_and_keeps_the_rest():
    sliver = shapely.box(0, 20, 10, 20.01)
    given = regions(shapely.MultiPolygon([Polygon(SQUARE), sliver]), sliver, EMPTY)
    assert shapely.area(clean(given, 0.05)) == pytest.approx([100, 0, 0])
    assert shapely.area(clean(given, 0.001)) == pytest.approx([100.1, 0.1, 0])


def test_parts_and_gathered_are_inverse():
    given = regions(
        shapely.MultiPolygon([Polygon(SQUARE), Polygon(moved(SQUARE, 20, 0))]), EMPTY, Polygon(SQUARE)
    )
    polygons, index = parts(given)
    assert list(index) == [0, 0, 2]
    assert shapely.equals(gathered(polygons, index, 3), given).all()
    assert len(parts(regions(EMPTY))[0]) == 0
    assert len(parts(np.empty(0, dtype=object))[0]) == 0


def test_repair_leaves_valid_geometry_untouched():
    good, bad = Polygon(SQUARE), Polygon([(0, 0), (4, 4), (4, 1), (0, 3)])
    found = repair(regions(good, bad))
    assert found[0] is good and shapely.is_valid(found[1])


def test_spikes_go_and_nothing_else() -> None:
    """A spike along an edge, of no width or of a hair's, carries nothing; what has none stays as it is."""
    square = shapely.box(0, 0, 4, 4)
    spike = shapely.Polygon([(0, 0), (4, 0), (4, 4), (2, 4), (9, 4 + 1e-9), (9, 4), (0, 4)])
    blunt = shapely.Polygon([(0, 0), (4, 0), (4, 4), (7, 4), (7, 4 + 1e-6), (0, 4 + 1e-6)])
    found, index = despiked(np.array([square, spike, blunt], dtype=object))
    assert index.tolist() == [0, 1, 2]
    assert found[0] is square
    for one in found[1:]:
        assert one.bounds == pytest.approx((0, 0, 4, 4), abs=1e-3)
        assert one.area == pytest.approx(16.0, abs=1e-3)


def test_what_offsets_leave_is_simplified_to_areas() -> None:
    """As found beneath a rib cage: a hole that is larger than the outline around it, beside a sound area."""
    outline = [(85.23, 123.016), (85.73, 122.878), (85.73, 122.8779), (85.23, 123.016)]
    hole = [(85.73, 122.878), (85.739, 122.875), (85.763, 122.866), (85.772, 122.863), (87.608, 122.031)]
    hole += [(87.713, 121.938), (87.813, 121.99), (87.943, 122.15), (87.973, 122.259)]
    sound = Polygon([(73.2, 124.1), (71.9, 124.6), (70.1, 125.8)])
    odd = shapely.MultiPolygon([Polygon(outline, [hole]), sound])
    square = Polygon(SQUARE)
    of_odd, of_square = simplified(regions(odd, square), 0.045)
    assert {of_odd.geom_type, of_square.geom_type} <= {"Polygon", "MultiPolygon"}
    assert of_odd.is_valid and of_odd.intersection(sound).area == pytest.approx(sound.area)
    assert of_square.equals(square)
    points, *_ = rings_of(regions(of_odd))
    assert len(points) >= 3

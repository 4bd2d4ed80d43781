"""Column intervals against a twin that asks every column for every triangle, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.column import intervals as k
from falsework.orientation.body import body_of
from falsework.orientation.device import ColumnLimits, figures_here
from falsework.orientation.directions import even_directions, rotations_to_up
from solids import ball_of_squares, box, inside_out, merged, mesh_volume, ngon_area, revolved, spindle

TOUCH = 0.1


def figures(mesh, up=(0.0, 0.0, 1.0), grid=256, limit=45.0, show=None, spin=17.3, rim=0.0):
    vertices, faces = mesh
    faces = np.asarray(faces, np.int32)
    marked = np.zeros(len(faces), bool) if show is None else show
    body = body_of(np.asarray(vertices, float), faces, marked)
    up = np.atleast_2d(np.asarray(up, float))
    up = up / np.linalg.norm(up, axis=1)[:, None]
    rotations = rotations_to_up(up, spin)
    return figures_here(body, rotations, ColumnLimits(grid, limit, TOUCH, rim, rim))


def twin(mesh, rotation, grid, limit):
    """Bed and part volume, contact, unreached, base and solid sums by asking all triangles for all columns.

    Float64, points in triangles by edge functions, no half-open rules: samples must not lie on edges.
    """
    points = mesh[0] @ rotation.T
    points = points - points.min(axis=0)
    cell = points.max(axis=0)[:2] / grid
    corners = points[mesh[1]]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    sums = np.zeros(6)
    for r in range(grid):
        for s in range(grid):
            q = (np.array([s, r]) + 0.5) * cell

            def side(p, o, q=q):
                return (o[:, 0] - p[:, 0]) * (q[1] - p[:, 1]) - (o[:, 1] - p[:, 1]) * (q[0] - p[:, 0])

            sides = np.stack([side(a, b), side(b, c), side(c, a)])
            hit = np.flatnonzero((sides > 0).all(axis=0) | (sides < 0).all(axis=0))
            slope = normal[hit, :2] / normal[hit, 2:]
            z = a[hit, 2] - ((q - a[hit, :2]) * slope).sum(axis=1)
            steep = normal[hit, 2] / np.linalg.norm(normal[hit], axis=1)
            winding, ground, on_bed, start = 0, 0.0, True, 0.0
            for i in np.argsort(z, kind="stable"):
                if steep[i] < 0:
                    if winding == 0:
                        start = z[i]
                        if on_bed and z[i] <= TOUCH:
                            sums[4] += 1
                        elif -steep[i] > np.sin(np.radians(limit)) + k.LIMIT_BIAS and z[i] - ground > TOUCH:
                            sums[2] += 1
                            sums[0 if on_bed else 1] += z[i] - ground
                            sums[3] += not on_bed
                    winding += 1
                else:
                    winding -= 1
                    if winding == 0:
                        sums[5] += z[i] - start
                        ground, on_bed = z[i], False
    return sums * cell.prod()


TWIN_COLUMNS = [k.BED_VOLUME, k.PART_VOLUME, k.CONTACT_AREA, k.UNREACHED_AREA, k.BASE_AREA, k.SOLID_VOLUME]


@pytest.mark.parametrize("seed", range(6))
def test_kernel_meets_its_twin(seed):
    """Heights in single precision: 1e-4 of each sum."""
    rng = np.random.default_rng(seed)
    mesh = merged(
        spindle([0, 6, 9, 3, 7, 0], [0, 2, 9, 14, 20, 23], 13),
        box((22.0, 7.0, 3.0), (-9.0, -4.0, 16.3)),
    )
    up = rng.normal(size=3)
    grid = 40
    got = figures(mesh, up, grid, limit=40.0)[0]
    rotation = rotations_to_up((up / np.linalg.norm(up))[None], 17.3)[0]
    expected = twin(mesh, rotation, grid, 40.0)
    assert got[k.UNEVEN] == 0.0
    assert np.all(np.abs(got[TWIN_COLUMNS] - expected) <= 1e-4 * expected)


def test_box_stands_by_itself():
    got = figures(box((20.0, 10.0, 30.0)))[0]
    assert got[k.CONTACT_AREA] == 0.0
    assert got[k.SOLID_VOLUME] == pytest.approx(6000.0, rel=0.01)
    assert got[k.BASE_AREA] == pytest.approx(200.0, rel=0.01)
    assert got[k.HEIGHT] == pytest.approx(30.0, abs=1e-4)
    # centre 15 mm high, 5 mm from the long edges; the hull of cells errs by a cell, outwards
    assert got[k.BASE_LEAN_DEG] == pytest.approx(np.degrees(np.arctan2(5.0, 15.0)), abs=0.6)
    assert got[k.LEAN_DEG] == got[k.BASE_LEAN_DEG]
    inner = figures(box((20.0, 10.0, 30.0)), rim=1.0)[0]
    assert inner[k.BASE_LEAN_DEG] == pytest.approx(np.degrees(np.arctan2(4.0, 15.0)), abs=0.6)


T_BEAM = merged(box((10.0, 10.0, 40.0), (-5.0, -5.0, 0.0)), box((50.0, 10.0, 8.0), (-25.0, -5.0, 40.0)))
L_BEAM = merged(box((10.0, 10.0, 40.0)), box((30.0, 10.0, 10.0), (10.0, 0.0, 30.0)))


def test_t_in_three_lies():
    """1 %: the sampling of the edges at 256 columns."""
    upright, turned, side = figures(T_BEAM, [[0, 0, 1], [0, 0, -1], [0, 1, 0]])
    assert upright[k.BED_VOLUME] == pytest.approx(400.0 * 40.0, rel=0.01)
    assert upright[k.CONTACT_AREA] == pytest.approx(400.0, rel=0.01)
    assert upright[k.SPAN] == 0.0  # two cantilevers bridge nothing
    assert turned[k.CONTACT_AREA] == 0.0 and side[k.CONTACT_AREA] == 0.0
    lying = figures(T_BEAM, [1, 0, 0])[0]  # on the bar's end: the stem, 10 wide, sticks out 20 mm up
    assert lying[k.BED_VOLUME] == pytest.approx(40.0 * 10.0 * 20.0, rel=0.01)


def test_l_in_three_lies():
    upright, turned, end = figures(L_BEAM, [[0, 0, 1], [0, 0, -1], [-1, 0, 0]])
    assert upright[k.BED_VOLUME] == pytest.approx(300.0 * 30.0, rel=0.01)
    assert turned[k.CONTACT_AREA] == 0.0
    # on the arm's end: the leg's inner side, 30 by 10, lies 30 mm high
    assert end[k.BED_VOLUME] == pytest.approx(300.0 * 30.0, rel=0.01)


def test_cone_on_its_tip():
    """A blunt cone on its tip: two thirds of its cylinder are air. The tip's column is on the bed: −0.1 %."""
    sides, radius, height = 48, 20.0, 12.0
    cone = spindle([0, radius, 0], [0, height, height], sides)
    got = figures(cone, [[0, 0, 1], [0, 0, -1]])
    assert got[0, k.BED_VOLUME] == pytest.approx(2 / 3 * ngon_area(radius, sides) * height, rel=0.01)
    assert got[0, k.BASE_LEAN_DEG] < 5.0
    assert got[1, k.CONTACT_AREA] == 0.0


def test_cylinder_on_its_side():
    """Facets of half a degree decide at once whether they hold: 2 %."""
    radius, length = 10.0, 50.0
    cylinder = spindle([0, radius, radius, 0], [0, 0, length, length], 720)
    got = figures(cylinder, [[0, 0, 1], [1, 0, 0], [0.3, -0.8, 0.0]])
    s = c = np.sqrt(0.5)
    expected = length * radius**2 * (2 * s - s * c - np.pi / 4)
    assert got[0, k.CONTACT_AREA] == 0.0
    assert got[1:, k.BED_VOLUME] == pytest.approx(expected, rel=0.02)


def test_sphere_is_the_same_in_every_direction():
    radius, limit = 15.0, 45.0
    rho = radius * np.cos(np.radians(limit))
    expected = np.pi * rho**2 * radius - 2 * np.pi / 3 * (radius**3 - (radius**2 - rho**2) ** 1.5)
    got = figures(ball_of_squares(radius, 60), even_directions(40), limit=limit)
    assert got[:, k.BED_VOLUME] == pytest.approx(expected, rel=0.04)  # facets of 1.5°
    assert got[:, k.SOLID_VOLUME] == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.005)
    assert got[:, k.CONTACT_AREA] == pytest.approx(np.pi * rho**2, rel=0.04)


def bowl(outer=20.0, inner=17.0, sides=180, bands=90):
    """Half a hollow sphere, its rim up at z = outer."""
    t = np.radians(np.linspace(0.0, 90.0, bands + 1))
    out_r, out_z = outer * np.sin(t), outer * (1.0 - np.cos(t))
    in_r, in_z = inner * np.sin(t), outer - inner * np.cos(t)
    return spindle(np.concatenate([out_r, in_r[::-1]]), np.concatenate([out_z, in_z[::-1]]), sides)


def test_bowl_up_and_down():
    outer, inner = 20.0, 17.0
    up, down = figures(bowl(outer, inner), [[0, 0, 1], [0, 0, -1]])
    rho = outer * np.sqrt(0.5)
    beneath = np.pi * rho**2 * outer - 2 * np.pi / 3 * (outer**3 - (outer**2 - rho**2) ** 1.5)
    assert up[k.BED_VOLUME] == pytest.approx(beneath, rel=0.02)
    rho = inner * np.sqrt(0.5)
    inside = 2 * np.pi / 3 * (inner**3 - (inner**2 - rho**2) ** 1.5)
    assert down[k.BED_VOLUME] == pytest.approx(inside, rel=0.02)
    assert up[k.PART_VOLUME] == down[k.PART_VOLUME] == 0.0


def test_what_the_part_stands_beneath_is_out_of_reach():
    """A shelf over a floor: its air ends on the part; marks on the shelf and on the floor count apart."""
    bracket = merged(
        box((30.0, 12.0, 4.0)), box((6.0, 12.0, 26.0), (0, 0, 4.0)), box((30.0, 12.0, 4.0), (0, 0, 30.0))
    )
    facing_up = np.zeros(36, bool)
    facing_up[[2, 3]] = True  # the floor's top
    got = figures(bracket, show=facing_up)[0]
    area = 24.0 * 12.0
    assert got[k.PART_VOLUME] == pytest.approx(area * 26.0, rel=0.01)
    assert got[k.BED_VOLUME] == 0.0
    assert got[k.UNREACHED_AREA] == got[k.CONTACT_AREA] == pytest.approx(area, rel=0.01)
    assert got[k.SHOW_LANDING_AREA] == got[k.UNREACHED_AREA]
    assert got[k.SHOW_PART_AREA] == got[k.SHOW_BED_AREA] == 0.0


GATE = merged(box((5.0, 8.0, 20.0)), box((5.0, 8.0, 20.0), (25.0, 0, 0)), box((30.0, 8.0, 5.0), (0, 0, 20.0)))


@pytest.mark.parametrize("spin", [0.0, 17.3, 45.0, 68.0])
def test_bridge_is_measured_between_its_anchors(spin):
    """20 mm long, 8 wide: the free sides anchor nothing. At most 8 % and two cells too long."""
    got = figures(GATE, spin=spin)[0]
    cells = np.hypot(got[k.WIDTH], got[k.DEPTH]) / 256
    assert 20.0 - 2 * cells <= got[k.SPAN] <= 20.0 * 1.09 + 2 * cells


def test_facets_at_the_limit_hold():
    """A 45° chamfer under a limit of 45° needs nothing, whatever the turn about z."""
    funnel = spindle([0, 5, 15, 0], [0, 0, 10, 10], 4)
    flat = np.sqrt(0.5) * 10.0  # run of the faces' middles for 10 mm of rise: steeper than 45° from level
    limit = np.degrees(np.arctan2(flat, 10.0))
    for spin in (0.0, 17.3, 33.0):
        assert figures(funnel, limit=limit, spin=spin)[0, k.CONTACT_AREA] == 0.0
        assert figures(funnel, limit=limit - 0.5, spin=spin)[0, k.CONTACT_AREA] > 100.0


def test_shells_that_touch_or_overlap_count_once():
    stacked = merged(
        box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (0, 0, 10.0)), box((6, 6, 15.0), (2, 2, 2))
    )
    got = figures(stacked, [[0, 0, 1], [0.2, 0.1, 1.0]])
    assert got[:, k.SOLID_VOLUME] == pytest.approx(2000.0, rel=0.01)
    assert got[0, k.CONTACT_AREA] == 0.0
    assert got[:, k.UNEVEN] == pytest.approx(0.0)


def test_inside_out_is_turned():
    right, wrong = figures(T_BEAM)[0], figures(inside_out(T_BEAM))[0]
    assert wrong == pytest.approx(right)


def test_open_mesh_is_counted_and_still_useful():
    """A T without its top and without one wall: the air beneath its arms is as it was."""
    vertices, faces = T_BEAM
    opened = np.delete(faces, [14, 15, 16, 17], axis=0)
    whole, got = figures(T_BEAM)[0], figures((vertices, opened))[0]
    assert got[k.UNEVEN] > 0.5
    assert got[k.BED_VOLUME] == pytest.approx(whole[k.BED_VOLUME], rel=0.01)


def test_closed_mesh_is_even_everywhere():
    mesh = ball_of_squares(10.0, 25)
    got = figures(mesh, even_directions(50), grid=128)
    assert got[:, k.UNEVEN].max() == 0.0
    assert got[:, k.SOLID_VOLUME] == pytest.approx(mesh_volume(mesh), rel=0.01)


def test_flat_and_empty_outlines_give_zeros():
    sheet = (np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0.0]]), np.array([[0, 1, 2], [0, 2, 3]]))
    got = figures(sheet, [[1, 0, 0], [0, 0, 1]], spin=0.0)
    assert np.isfinite(got).all()
    assert got[0, k.BED_VOLUME] == 0.0


def test_many_crossings_of_one_column_are_kept():
    """120 plates: more crossings than there is room for at first."""
    plates = merged(*[box((10.0, 10.0, 0.5), (0, 0, 1.5 * i)) for i in range(120)])
    got = figures(plates, grid=64)[0]
    assert got[k.SOLID_VOLUME] == pytest.approx(120 * 50.0, rel=0.02)
    assert got[k.PART_VOLUME] == pytest.approx(119 * 100.0, rel=0.02)


def test_facet_sums_of_a_box():
    body = body_of(*box((20.0, 10.0, 30.0)), np.zeros(12, bool))
    got = k.facet_sums(body.areas, body.normals, np.array([[0, 0, 1.0], [1.0, 0, 0]]), 0.8, 0.9)
    assert got[0] == pytest.approx([1800.0, 400.0, 320.0, 0.0])
    assert got[1] == pytest.approx([1600.0, 600.0, 480.0, 0.0])


def test_profile_of_a_tube_has_no_need():
    tube = revolved([16, 20, 20, 16], [0, 0, 70, 70], 96)
    assert figures(tube)[0, k.CONTACT_AREA] == 0.0


def test_a_lower_edge_in_the_air_is_seen():
    """A bar turned 45° about its length on a post: its faces hold, its lower edge does not.

    Two overhangs of 15 mm, a line of 0.4 mm wide, 30 mm up: 1 % and a cell.
    """
    bar = box((40.0, 7.0, 7.0), (-20.0, -3.5, -3.5))
    c = np.sqrt(0.5)
    turned = bar[0] @ np.array([[1, 0, 0], [0, c, -c], [0, c, c]]).T + [0.0, 0.0, 30.0 + 7.0 * c]
    post = box((10.0, 10.0, 33.0), (-5.0, -5.0, 0.0))
    mesh = merged((turned, bar[1]), post)
    got = figures(mesh, [[0, 0, 1], [1, 0, 0.02]], limit=48.0, rim=0.2)
    assert got[0, k.CONTACT_AREA] == pytest.approx(30.0 * 0.4, rel=0.02)
    assert got[0, k.BED_VOLUME] == pytest.approx(30.0 * 0.4 * 30.0, rel=0.02)
    assert figures(mesh, limit=48.0, rim=0.0)[0, k.CONTACT_AREA] == 0.0
    # on its end the edges rise steeply and hold
    upright = (turned, bar[1])
    assert figures(upright, [0, 1, 1], limit=48.0, rim=0.2)[0, k.CONTACT_AREA] == 0.0


def foreseen(mesh, ups, limit, rim, show):
    """What facets and lower edges say: area in need, air to the bed, marked area, area on the bed."""
    body = body_of(np.asarray(mesh[0], float), np.asarray(mesh[1], np.int32), show)
    low = k.extents(np.ascontiguousarray(body.vertices.T), ups)[:, 0]
    sums = k.facet_needs(body.areas, body.normals, body.middles, body.show, ups, low, limit, TOUCH)
    ridges = k.ridge_needs(
        body.vertices, body.normals, body.edges, body.beside, body.show, ups, low, limit, TOUCH, rim
    )
    sums[:, :3] += ridges
    return sums, ridges


def test_facets_and_lower_edges_say_what_columns_find():
    """Nothing crosses here: areas agree within 2 % and 0.5 mm², mostly above: half of a facet or an edge may
    lie on the bed.

    The air down to the bed is never less than that of the columns, which the part may stand in.
    """
    ups = even_directions(37)  # no multiple of the directions that are summed side by side
    tube, ball = revolved([16, 20, 20, 16], [0, 0, 50, 50], 96), ball_of_squares(14.0, 24)
    for mesh in (tube, ball, box((30.0, 12.0, 8.0))):
        show = np.arange(len(mesh[1])) % 3 == 0
        got = figures(mesh, ups, limit=48.0, show=show, rim=0.2)
        sums, _ = foreseen(mesh, ups, 48.0, 0.2, show)
        assert (np.abs(sums[:, 0] - got[:, k.CONTACT_AREA]) <= 0.02 * got[:, k.CONTACT_AREA] + 0.5).all()
        marked = got[:, k.SHOW_BED_AREA] + got[:, k.SHOW_PART_AREA]
        assert sums[:, 2] == pytest.approx(marked, rel=0.05, abs=1.0)
        found = got[:, k.BED_VOLUME] + got[:, k.PART_VOLUME]
        assert (sums[:, 1] >= 0.97 * found - 1.0).all()
        free = got[:, k.UNREACHED_AREA] == 0.0
        assert sums[free, 1] == pytest.approx(found[free], rel=0.03, abs=1.0)
        assert free.any()


def test_what_lies_on_the_bed_needs_nothing():
    mesh = box((20.0, 10.0, 30.0))
    sums, _ = foreseen(mesh, np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]), 48.0, 0.2, np.zeros(12, bool))
    assert sums[:, :3] == pytest.approx(0.0)
    assert sums[:, 3] == pytest.approx([200.0, 300.0])


def test_lower_edges_are_summed_as_columns_sum_them():
    """The bar of ``test_a_lower_edge_in_the_air_is_seen`` alone: its lower edge rests, lifted it does not."""
    bar = box((40.0, 7.0, 7.0), (-20.0, -3.5, -3.5))
    c = np.sqrt(0.5)
    turned = bar[0] @ np.array([[1, 0, 0], [0, c, -c], [0, c, c]]).T + [0.0, 0.0, 30.0 + 7.0 * c]
    foot = box((1.0, 1.0, 1.0), (100.0, 0.0, 0.0))
    up, show = np.array([[0.0, 0.0, 1.0]]), np.ones(12, bool)
    assert foreseen((turned, bar[1]), up, 48.0, 0.2, show)[1] == pytest.approx(0.0)
    above = foreseen(merged((turned, bar[1]), foot), up, 48.0, 0.2, np.ones(24, bool))[1][0]
    assert above == pytest.approx([40.0 * 0.4, 40.0 * 0.4 * turned[:, 2].min(), 40.0 * 0.4], rel=1e-5)

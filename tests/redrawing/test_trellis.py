"""Crossed fins: arches by arithmetic, and the proof under balls, ellipsoids and a ring."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.layers.stack import Floats
from falsework.need.measure import Outlines, measure_strips
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.changes.fins import fins
from falsework.redrawing.changes.neck import POST_MM, slotted
from falsework.redrawing.changes.trellis import APEX_LAYERS, MARGIN_DEG, _Lattice, trellis
from falsework.redrawing.changes.walls import StandingWalls, Wall, directions, runs
from falsework.redrawing.site.ceiling import ceiling_of, may_ask, stack_near
from falsework.redrawing.site.value import PlannedPart
from grounds import PROCESS, block, ground, proved, worst

LINE, LAYER = PROCESS.line_width_mm, PROCESS.layer_height_mm


def ball(radii: tuple[float, float, float], height: float) -> Manifold:
    """An ellipsoid whose lowest point is so high above the bed, and a foot far away from it on the bed."""
    a, b, c = radii
    return Manifold.sphere(1.0, 96).scale(radii).translate((a, b, height + c)) + block(
        (3 * a, 0, 0), (3 * a + 4, 4, 1)
    )


def crossed(on: PlannedPart) -> StandingWalls:
    site = worst(on)
    found = trellis(site, ceiling_of(site))
    assert found is not None
    return found


def lower_edge(wall: Wall) -> list[Floats]:
    """(k, 2) corners of the lower edge of each connected part of an arch, from end to end."""
    out = []
    for part in shapely.get_parts(wall.profile):
        ring = shapely.get_coordinates(shapely.orient_polygons(part).exterior)[:-1]
        low, high = part.bounds[0], part.bounds[2]
        start = int(np.lexsort((ring[:, 1], ring[:, 0]))[0])
        ring = np.roll(ring, -start, axis=0)
        end = next(k for k in range(len(ring)) if ring[k, 0] > high - 1e-9)
        assert ring[0, 0] == pytest.approx(low)
        out.append(ring[: end + 1])
    return out


@pytest.mark.parametrize("height", [3.0, 20.0])
def test_a_ball_in_mid_air_stands_on_crossed_fins(height: float) -> None:
    on = ground(ball((8.0, 8.0, 8.0), height))
    draft, proof = proved(on, fins)
    assert draft.added[0].name == "crossed fins"
    assert "crossed fins" in draft.words and "spring from others" in draft.words
    assert "eye protection" in draft.by_hand
    mesh = trimesh.Trimesh(*mesh_of(proof.changed.solid), process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert len(proof.changed.solid.decompose()) == len(on.solid.decompose())  # each of them hangs on the ball


def test_arches_recede_at_the_limit_and_no_faster() -> None:
    """Their lower edge rises from where they spring by 1 / tan(limit) a millimetre, so that it prints."""
    on = ground(ball((12.0, 7.0, 6.0), 10.0))
    found = crossed(on)
    assert found.standing and found.arches
    steep = 1.0 / math.tan(math.radians(on.need.limit_deg - MARGIN_DEG))
    for wall in found.arches:
        for edge in lower_edge(wall):
            run, rise = np.diff(edge, axis=0).T
            held = run > 1e-6
            # but for the pieces in which it is drawn, a tenth long: less than the reach
            assert (np.abs(rise[held]) >= steep * (run[held] - 0.1) - 0.02).all()


def test_arches_are_higher_than_their_openings_and_lines_thick() -> None:
    on = ground(ball((12.0, 7.0, 6.0), 10.0))
    for wall in crossed(on).walls:
        assert wall.thick_mm == LINE
        for part in shapely.get_parts(wall.profile):
            _, low, _, high = part.bounds
            assert high - low >= APEX_LAYERS * LAYER - 1e-6


@pytest.mark.parametrize(("radii", "most"), [((12.0, 7.0, 6.0), 0.8), ((20.0, 20.0, 10.0), 0.7)])
def test_they_stand_on_posts_that_snap(radii: tuple[float, float, float], most: float) -> None:
    """A slot along their tops; the layers allow it (``proved``), and the notes say what it comes to."""
    on = ground(ball(radii, 8.0))
    found = crossed(on)
    each = zip(found.walls, found.posts_mm2, strict=True)
    slotted_mm2 = [(mm2, LINE * head_mm(wall)) for wall, mm2 in each if mm2]
    assert len(slotted_mm2) > 0.5 * len(found.walls)
    assert sum(post for post, _ in slotted_mm2) < most * sum(head for _, head in slotted_mm2)
    draft, _ = proved(on, fins)
    note = next(note for note in draft.notes if "slot" in note)
    assert "snaps" in note and "uncalibrated" in note


def head_mm(wall: Wall) -> float:
    return float(np.diff(runs(wall.profile), axis=1).sum())


def test_a_slot_lies_between_crossings_and_is_one_layer_high() -> None:
    on = ground(block((0, 0, 0), (60, 20, 10)))
    top = 8.2 + 1.5 * LAYER  # to the middle of the second layer of what it carries
    wall = Wall(0.0, 5.0, LINE, shapely.box(10.0, 0.0, 40.0, top))
    one = slotted(wall, [20.0], (2, 1.8), on.stack)
    windows = shapely.get_parts(shapely.difference(wall.profile, one.wall.profile))
    low, high = shapely.bounds(windows)[:, 1], shapely.bounds(windows)[:, 3]
    assert len(windows) == 10 // 3 + 20 // 3
    assert low == pytest.approx(8.2 - 3 * LAYER) and high == pytest.approx(8.2 - 2 * LAYER)
    assert np.ptp(shapely.bounds(windows)[:, [0, 2]], axis=1) == pytest.approx(1.8)
    crossing = shapely.LineString([(20.0, 0.0), (20.0, 20.0)])
    assert shapely.distance(windows, crossing).min() > 0.5 * POST_MM - 1e-6
    assert one.section_mm2 == pytest.approx((30.0 - 1.8 * len(windows)) * LINE)


def test_they_reach_no_deeper_than_their_bays_ask() -> None:
    """Only what stands goes down to the bed, from whatever height; the arches stay near the ball."""
    for height in (20.0, 60.0):
        found = crossed(ground(ball((8.0, 8.0, 8.0), height)))
        assert min(wall.profile.bounds[1] for wall in found.standing) == 0.0
        assert min(wall.profile.bounds[1] for wall in found.arches) > height - 8.0


def test_a_flat_ring_in_mid_air_is_carried() -> None:
    ring = Manifold.cylinder(3.0, 16.0, 16.0, 96) - Manifold.cylinder(9.0, 9.0, 9.0, 96).translate((0, 0, -1))
    on = ground(ring.translate((0, 0, 12)) + block((30, 0, 0), (34, 4, 1)))
    _, proof = proved(on, fins)
    assert proof.left_mm2 == proof.new_mm2 == 0.0


@settings(max_examples=5, deadline=None, derandomize=True)
@given(st.integers(3, 12), st.integers(3, 12), st.integers(3, 9), st.sampled_from([2.0, 9.0]))
def test_ellipsoids_are_carried(a: int, b: int, c: int, height: float) -> None:
    """Whatever their shape: ``proved`` asks that nothing of them is left and nothing is new."""
    proved(ground(ball((float(a), float(b), float(c)), height)), fins)


@pytest.mark.parametrize("radii", [(12.0, 7.0, 6.0), (9.0, 9.0, 4.0)])
def test_what_new_fins_do_not_touch_is_as_if_done_anew(radii: tuple) -> None:
    """After every round: what is known of each strip is what measuring all of them says, and fins are drawn
    as if it were for the first time."""
    on = ground(ball(radii, 6.0))
    site = worst(on)
    ceiling = ceiling_of(site)
    lattice = _Lattice(site, ceiling, directions(ceiling)[0])
    bays, laid, kept = lattice.first(), 0, 0
    for number in range(1, 5):
        before = set(shapely.to_wkb(lattice.strips))
        left = lattice.left_by(lattice.fins[laid:])
        kept += len(before & set(shapely.to_wkb(lattice.strips)))
        stack = stack_near(on, lattice.first_layer, lattice.sections)
        anew = measure_strips(lattice.strips, lattice.strip_layer, Outlines(stack), LINE)
        assert np.allclose(lattice.depth_mm, anew.depth, atol=1e-9)
        assert (lattice.bad == lattice._bad(anew)).all()
        assert (lattice.may_ask == may_ask(on, anew)).all()
        again = [wall.profile for wall in lattice.built().walls]
        for fin in lattice.fins:
            fin.drawn = None
        assert shapely.equals_exact(again, [wall.profile for wall in lattice.built().walls]).all()
        if left is None:
            break
        laid = len(lattice.fins)
        bays = lattice.parted(bays, left, number, LINE)
    assert number > 1 and kept > 0

"""Corbels: volumes by arithmetic, and the proof on the changed part for ledges of many outlines."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.need.underside import UndersideKind
from falsework.part import demo_parts
from falsework.planning import inspect
from falsework.process.settings import Process
from falsework.redrawing.body.solids import prism
from falsework.redrawing.changes.corbel import corbel
from falsework.redrawing.changes.draft import Draft, Refusal
from falsework.redrawing.changes.field import slope_of
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.crumbs import swept
from falsework.redrawing.proof.prove import prove
from falsework.redrawing.site.ground import asks, ground_of
from falsework.redrawing.site.value import UndersideSite
from grounds import PROCESS, block, ground, proved, worst

THIN = replace(PROCESS, layer_height_mm=0.1, first_layer_height_mm=0.1)
SQUARE = replace(PROCESS, line_width_mm=0.4)
COARSE = replace(PROCESS, line_width_mm=0.9, layer_height_mm=0.5, first_layer_height_mm=0.5, nozzle_mm=0.8)
SLOPE = slope_of(PROCESS, first_layer=False)


def post_and_plate(
    post: shapely.Polygon, plate: shapely.Polygon, height: float, thick: float = 4.0
) -> Manifold:
    """A plate on a post, both drawn up from outlines in the plane."""
    return prism(post, 0.0, height + 1.0) + prism(plate, height, height + thick)


def volume_mm3(solid: Manifold, process: Process = PROCESS) -> float:
    """What the corbel of the worst underside adds, proved."""
    _, proof = proved(ground(solid, process), corbel)
    assert proof.removed_mm3 == pytest.approx(0.0, abs=1e-6)
    return proof.added_mm3


@pytest.mark.parametrize("process", [PROCESS, THIN, SQUARE, COARSE], ids=["0.2", "0.1", "45°", "0.5"])
def test_a_straight_ledge_takes_a_wedge(process: Process) -> None:
    """L² c / 2 for each length of wall, c the rise per length: thin layers reach farther and take less."""
    slope = slope_of(process, first_layer=False)
    assert slope == pytest.approx(1.0 / math.tan(math.radians(process.limit_deg - 1.0)))
    solid = block((0, 0, 0), (5, 20, 24)) + block((4, 0, 20), (13, 20, 24))
    assert volume_mm3(solid, process) == pytest.approx(8.0**2 * slope / 2.0 * 20.0, rel=1e-6)


def test_a_wedge_is_a_handful_of_triangles_and_ends_at_the_edge() -> None:
    on = ground(block((0, 0, 0), (5, 20, 24)) + block((4, 0, 20), (13, 20, 24)))
    draft, _ = proved(on, corbel)
    solid = draft.added[0].solid
    assert solid.num_tri() <= 40
    box = np.array(solid.bounding_box()).reshape(2, 3) - on.part.bounds_mm[0]
    assert box[1, 0] == pytest.approx(13.0, abs=1e-6)
    assert box[:, 1] == pytest.approx([0.0, 20.0], abs=1e-6)
    assert 0.0 < box[1, 2] - 20.0 <= 0.1 + 1e-6


def test_a_square_plate_on_a_square_stem_takes_a_frustum() -> None:
    """Less the stem: on each side L² c / 2 · a, at each corner two half pyramids, c L³ / 3."""
    side, reach = 10.0, 8.0
    post = shapely.box(-5, -5, 5, 5)
    plate = shapely.box(-5 - reach, -5 - reach, 5 + reach, 5 + reach)
    want = SLOPE * (4 * side * reach**2 / 2 + 4 * reach**3 / 3)
    for turn in (0.0, 17.0):
        turned = [shapely.affinity.rotate(shape, turn, origin=(0, 0)) for shape in (post, plate)]
        assert volume_mm3(post_and_plate(*turned, 20.0)) == pytest.approx(want, rel=2e-3)


def test_a_disc_on_a_stem_takes_a_cone_s_frustum() -> None:
    """c ∫ (R − ρ) 2 π ρ dρ from r to R."""
    stem, rim = 6.0, 16.0
    point = shapely.Point(0, 0)
    solid = post_and_plate(point.buffer(stem, quad_segs=24), point.buffer(rim, quad_segs=24), 24.0)
    want = SLOPE * math.pi * (rim**3 / 3 - rim * stem**2 + 2 * stem**3 / 3)
    assert volume_mm3(solid) == pytest.approx(want, rel=0.01)


@pytest.mark.parametrize("side", [20.0, 30.0])
def test_a_cube_shaped_cavity_is_closed_from_its_four_walls(side: float) -> None:
    """Each wall sends ∫ c s² / 2 over both its halves, c a³ / 24: four of them, c a³ / 6."""
    outer, wall = side + 8.0, 4.0
    room = block((wall, wall, wall), (wall + side, wall + side, wall + side))
    on = ground(block((0, 0, 0), (outer, outer, side + 12.0)) - room)
    draft = corbel(worst(on))
    assert not isinstance(draft, Refusal)
    proof = prove(on, draft)
    assert proof.left_mm2 == proof.new_mm2 == 0.0
    assert proof.added_mm3 == pytest.approx(SLOPE * side**3 / 6.0, rel=2e-3)


def test_where_the_wall_recedes_it_goes_on_until_it_is_inside() -> None:
    """A ledge on a wall that leans back beneath it, less than the limit."""
    lean = 0.5  # run per height
    profile = shapely.Polygon([(0, 0), (14 - 20 * lean, 0), (14, 20), (22, 20), (22, 24), (0, 24)])
    solid = Manifold.extrude(_section(profile), 20.0).rotate((90, 0, 0)).translate((0, 20, 0))
    # the way from the edge falls by c, the wall's face by 1 / lean: they meet 8 c / (1/lean - c) behind it
    meet = 8.0 * SLOPE / (1.0 / lean - SLOPE)
    depth = SLOPE * (8.0 + meet)
    want = 20.0 * (0.5 * 8.0 * depth)  # a triangle: edge, root and where it meets; its base the ledge
    assert volume_mm3(solid) == pytest.approx(want, rel=0.02)


def _section(profile: shapely.Polygon):
    from manifold3d import CrossSection

    return CrossSection([np.asarray(profile.exterior.coords)[:-1]])


@settings(max_examples=10, deadline=None, derandomize=True)
@given(
    st.sampled_from(["box", "L", "round"]),
    st.floats(0.0, 90.0),
    st.floats(4.0, 9.0),
    st.floats(3.0, 8.0),
)
def test_beneath_many_ledges_nothing_is_left_to_ask(
    kind: str, turn: float, stem: float, reach: float
) -> None:
    wide = shapely.box(-stem, -stem, stem, stem)
    plate = {
        "box": shapely.box(-stem, -stem - reach, stem + reach, stem + reach),
        "L": shapely.box(-stem, -stem, stem + reach, stem).union(
            shapely.box(stem + reach / 2, -stem, stem + reach, stem + reach)
        ),
        "round": shapely.Point(1, 0.5).buffer(1.5 * stem + reach, quad_segs=18),
    }[kind]
    turned = [shapely.affinity.rotate(shape, turn, origin=(0, 0)) for shape in (wide, plate)]
    on = ground(post_and_plate(*turned, 30.0))
    for underside in on.need.undersides[:1]:
        draft = corbel(UndersideSite(on, underside))
        assert not isinstance(draft, Refusal)
        proof = prove(on, draft)
        assert not [fault for fault in proof.faults if "ask" in fault]


def test_what_hangs_in_mid_air_is_refused() -> None:
    solid = block((0, 0, 0), (30, 10, 4)) + block((0, 0, 0), (4, 10, 30)) + block((0, 0, 26), (30, 10, 30))
    solid += block((24, 2, 16), (28, 8, 27))
    on = ground(solid)
    island = next(under for under in on.need.undersides if under.kind is UndersideKind.ISLAND)
    refusal = corbel(UndersideSite(on, island))
    assert isinstance(refusal, Refusal)
    assert "mid-air" in refusal.why


def test_to_the_bed_is_said() -> None:
    draft, _ = proved(ground(block((0, 0, 0), (5, 20, 9)) + block((4, 0, 5), (25, 20, 9))), corbel)
    assert any("bed" in note for note in draft.notes)
    assert draft.added[0].solid.bounding_box()[2] >= 0.0


@pytest.mark.parametrize("name", ["pulley block", "table"])
def test_undersides_of_demo_parts_are_gone(name: str) -> None:
    on = ground_of(inspect(demo_parts()[name](), PROCESS))
    asking = [under for under in on.need.undersides if asks(under, on.process)]
    assert asking
    for under in asking:
        draft = corbel(UndersideSite(on, under))
        assert isinstance(draft, Draft)
        assert prove(on, swept(Changed(on, (draft,)))).faults == ()

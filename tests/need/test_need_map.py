"""Undersides of shapes whose answer is known by arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate

from falsework.droop.laws import Laws
from falsework.errors import Cancelled
from falsework.need.needmap import need_map, with_support
from falsework.need.strips import biased_reach_mm
from falsework.need.underside import UndersideKind
from falsework.process.settings import Process
from falsework.watch import Watch
from stacks import stack_of

USUAL = Process()  # 0.45 x 0.2: reach 0.225, limit 48.4°
SQUARE = replace(USUAL, line_width_mm=0.4)  # layers half as high as wide: limit 45°
COARSE = replace(USUAL, line_width_mm=1.4, layer_height_mm=0.9, first_layer_height_mm=0.9, nozzle_mm=1.2)
THIN = replace(USUAL, layer_height_mm=0.1, first_layer_height_mm=0.1)


def disc(radius: float, sides: int = 256):
    """A regular polygon with the area of the circle, so that closed forms of area hold to rounding."""
    turn = 2 * math.pi * (np.arange(sides) + 0.5) / sides
    grown = radius * math.sqrt(2 * math.pi / (sides * math.sin(2 * math.pi / sides)))
    return shapely.Polygon(np.column_stack([grown * np.cos(turn), grown * np.sin(turn)]))


def leaning(degrees: float, process: Process, layers: int = 30, both: bool = False):
    """A block 8 mm thick that leans out towards +x (and −x, if ``both``) by an angle from the vertical."""
    step = math.tan(math.radians(degrees)) * process.layer_height_mm
    sections = [
        shapely.box(-i * step if both else 0.0 + i * step, 0, 8 + i * step, 30) for i in range(layers)
    ]
    return stack_of(sections, process.layer_height_mm)


def only(need):
    assert len(need.undersides) == 1
    return need.undersides[0]


def test_a_block_needs_nothing():
    need = need_map(stack_of([shapely.box(0, 0, 10, 10)] * 20), Laws(USUAL))
    assert need.undersides == () and len(need.regions) == 0
    assert need.reach_mm == USUAL.reach_mm and need.limit_deg == USUAL.limit_deg


def test_an_empty_stack_needs_nothing():
    assert need_map(stack_of([shapely.Polygon()] * 3), Laws(USUAL)).undersides == ()


# --- the limit ---------------------------------------------------------------------------------------------


def process_with_limit(degrees: float) -> Process:
    """0.4 mm lines at the layer height that puts the limit at an angle from the vertical."""
    height = 0.2 / math.tan(math.radians(degrees))
    return replace(SQUARE, layer_height_mm=height, first_layer_height_mm=height)


@pytest.mark.parametrize("limit", [30.0, 45.0, 60.0])
def test_the_limit_from_both_sides(limit):
    """At the limit a wall holds whatever the rounding; a degree beyond, it does not.

    30° and 60° tell the angle from the vertical from the angle from the horizontal, which agree at 45°.
    """
    process = process_with_limit(limit)
    assert process.limit_deg == pytest.approx(limit)
    for lean in (limit - 1, limit, np.nextafter(limit, 90)):
        assert need_map(leaning(lean, process), Laws(process)).undersides == ()
        assert need_map(leaning(lean, process, both=True), Laws(process)).undersides == ()
    beyond = only(need_map(leaning(limit + 1, process), Laws(process)))
    assert beyond.kind is UndersideKind.CANTILEVER
    assert beyond.angle_deg == pytest.approx(limit + 1, abs=0.05)
    assert len(need_map(leaning(limit + 1, process, both=True), Laws(process)).undersides) == 2


def test_a_wall_at_the_limit_holds_at_every_turn_and_place():
    stack = leaning(45.0, SQUARE)
    for k in range(24):
        moved = [translate(rotate(s, 15 * k + 1, origin=(0, 0)), 1234.5, -777.7) for s in stack.regions]
        assert need_map(stack_of(moved), Laws(SQUARE)).undersides == ()


def test_square_corners_do_not_count_against_the_faces():
    """An inverted pyramid at 45° steps out by √2 of its faces' step along its edges, and holds."""
    sections = [shapely.box(-5 - 0.2 * i, -5 - 0.2 * i, 5 + 0.2 * i, 5 + 0.2 * i) for i in range(30)]
    assert need_map(stack_of(sections), Laws(SQUARE)).undersides == ()


def test_more_fan_reaches_farther():
    lean = leaning(45.0, SQUARE)
    assert need_map(lean, Laws(replace(SQUARE, fan=1.0))).undersides == ()
    assert len(need_map(lean, Laws(replace(SQUARE, fan=0.5))).undersides) == 1


# --- closed forms of area and angle ------------------------------------------------------------------------


@pytest.mark.parametrize("process", [USUAL, COARSE, THIN], ids=["0.2", "0.9", "0.1"])
@pytest.mark.parametrize("degrees", [62.0, 72.0])
def test_inverted_cone(process, degrees):
    """All of it lies beyond the limit where the limit is below: projected area π (R² − r²), angle to 1°."""
    h = process.layer_height_mm
    degrees = max(degrees, process.limit_deg + 5)
    radii = 10 + math.tan(math.radians(degrees)) * h * np.arange(16)
    under = only(need_map(stack_of([disc(r) for r in radii], h), Laws(process)))
    assert under.kind is UndersideKind.CANTILEVER
    assert under.area_mm2 == pytest.approx(math.pi * (radii[-1] ** 2 - radii[0] ** 2), rel=1e-6)
    assert under.angle_deg == pytest.approx(degrees, abs=1.0)
    assert under.free_length_mm == pytest.approx(radii[1] - radii[0], rel=1e-3)
    assert under.extent_mm == pytest.approx(radii[-1] - radii[0], rel=1e-3)
    assert under.layers == (1, 15) and under.height_mm == pytest.approx(h)


def test_a_cone_below_the_limit_needs_nothing():
    radii = 10 + math.tan(math.radians(40)) * 0.2 * np.arange(16)
    assert need_map(stack_of([disc(r) for r in radii]), Laws(USUAL)).undersides == ()


def test_ball_on_the_bed():
    """The zone of a sphere beyond the limit projects to π R² cos² θ, less what lies on the bed.

    Exact against the layers' own radii; against the smooth sphere the last layer may miss or exceed by one
    step, which at 50° is 0.24 mm of radius.
    """
    radius, h = 15.0, 0.2
    middles = h * (np.arange(150) + 0.5)
    radii = np.sqrt(radius**2 - (radius - middles) ** 2)
    under = only(need_map(stack_of([disc(r) for r in radii]), Laws(USUAL)))
    steps = np.diff(radii)
    last = int(np.flatnonzero(steps > biased_reach_mm(USUAL.reach_mm))[-1]) + 1
    assert under.area_mm2 == pytest.approx(math.pi * (radii[last] ** 2 - radii[0] ** 2), rel=1e-5)
    zone = math.pi * ((radius * math.cos(math.radians(USUAL.limit_deg))) ** 2 - radii[0] ** 2)
    assert under.area_mm2 == pytest.approx(zone, abs=2 * math.pi * radii[last] * 0.24)
    assert under.layers == (1, last)
    assert 48 < under.angle_deg < 75


def test_ring_lying_on_the_bed_has_two_undersides():
    """A torus: the outer and the inner zone, each against the layers' own radii."""
    big, small = 20.0, 6.0
    middles = 0.2 * (np.arange(60) + 0.5)
    half = np.sqrt(small**2 - (small - middles) ** 2)
    need = need_map(stack_of([disc(big + s) - disc(big - s) for s in half]), Laws(USUAL))
    last = int(np.flatnonzero(np.diff(half) > biased_reach_mm(USUAL.reach_mm))[-1]) + 1
    outer = math.pi * ((big + half[last]) ** 2 - (big + half[0]) ** 2)
    inner = math.pi * ((big - half[0]) ** 2 - (big - half[last]) ** 2)
    assert [u.kind for u in need.undersides] == [UndersideKind.CANTILEVER] * 2
    assert [u.area_mm2 for u in need.undersides] == pytest.approx([outer, inner], rel=1e-5)


@pytest.mark.parametrize("degrees", [55.0, 60.0, 70.0, 80.0])
def test_ramps_report_their_angle(degrees):
    assert only(need_map(leaning(degrees, USUAL), Laws(USUAL))).angle_deg == pytest.approx(degrees, abs=0.1)


@pytest.mark.parametrize("wide_mm", [3.0, 12.0, 50.0])
def test_a_slope_between_two_walls_does_not_hold_because_its_corners_do(wide_mm):
    """A ramp at 70° in a slot: every strip ends on the slot's walls, and the middle is carried by nothing."""
    step = 0.2 * math.tan(math.radians(70.0))
    walls = shapely.union(shapely.box(-2, -4, 30, 0), shapely.box(-2, wide_mm, 30, wide_mm + 4))
    layers = [shapely.union(walls, shapely.box(-2, 0, step * k, wide_mm)) for k in range(1, 40)]
    slope = only(need_map(stack_of(layers), Laws(USUAL)))
    assert slope.kind is UndersideKind.BRIDGE and slope.angle_deg == pytest.approx(70.0, abs=0.5)
    assert slope.area_mm2 > 0.5 * wide_mm * step * 37


# --- bridges -----------------------------------------------------------------------------------------------


def table(posts, top, turn: float = 0.0, posts_layers: int = 10, top_layers: int = 3):
    def turned(g):
        return rotate(g, turn, origin=(3, 4))

    return stack_of([turned(posts)] * posts_layers + [turned(top)] * top_layers)


@pytest.mark.parametrize("turn", [0.0, 30.0, 17.3, 90.0, 133.3])
def test_slab_on_two_walls_is_a_bridge(turn):
    """Walls 20 mm apart: span to 0.01 mm, direction across them to 0.2°."""
    walls = shapely.box(0, 0, 2, 12) | shapely.box(22, 0, 24, 12)
    under = only(need_map(table(walls, shapely.box(0, 0, 24, 12), turn), Laws(USUAL)))
    assert under.kind is UndersideKind.BRIDGE
    assert under.span_mm == pytest.approx(20.0, abs=0.01)
    off = (under.span_direction_deg - turn + 90) % 180 - 90
    assert abs(off) < 0.2
    assert under.bridge_share > 0.99 and under.angle_deg == 90.0
    assert under.area_mm2 == pytest.approx(240.0, rel=1e-6)
    assert under.free_length_mm == pytest.approx(10.0, rel=0.01)
    assert under.layers == (10, 10)


def test_ceiling_all_round_bridges_the_shorter_way():
    ceiling = shapely.box(0, 0, 30, 22)
    room = ceiling - shapely.box(5, 5, 25, 17)
    under = only(need_map(table(room, ceiling), Laws(USUAL)))
    assert (under.kind, under.span_mm, under.span_direction_deg) == (
        UndersideKind.BRIDGE,
        pytest.approx(12.0),
        90.0,
    )
    assert under.free_length_mm == pytest.approx(6.0, rel=0.02)


def test_ceiling_around_a_column():
    """Strands may end on the column: still a bridge, and the strands beside the column set its span."""
    ceiling = shapely.box(0, 0, 30, 22)
    room = ceiling - shapely.box(5, 5, 25, 17) | shapely.box(14, 10, 16, 12)
    under = only(need_map(table(room, ceiling), Laws(USUAL)))
    assert under.kind is UndersideKind.BRIDGE and under.span_mm == pytest.approx(12.0)
    assert under.area_mm2 == pytest.approx(240 - 4)


def test_a_knife_edge_anchors_nothing():
    thick = shapely.box(0, 0, 2, 12) | shapely.box(22, 0, 24, 12)
    knife = shapely.box(0, 0, 2, 12) | shapely.box(22, 0, 22.1, 12)
    half_line = shapely.box(0, 0, 2, 12) | shapely.box(22, 0, 22.25, 12)
    assert only(need_map(table(thick, thick.envelope), Laws(USUAL))).kind is UndersideKind.BRIDGE
    assert only(need_map(table(half_line, half_line.envelope), Laws(USUAL))).kind is UndersideKind.BRIDGE
    on_knife = only(need_map(table(knife, knife.envelope), Laws(USUAL)))
    assert on_knife.kind is UndersideKind.CANTILEVER and on_knife.bridge_share < 0.1


def test_table_on_four_legs_is_no_bridge():
    """Legs of 3 mm under a top of 30 x 20: straight strands between legs carry less than half of it."""
    top = shapely.box(0, 0, 30, 20)
    legs = shapely.union_all([shapely.box(x, y, x + 3, y + 3) for x in (0, 27) for y in (0, 17)])
    under = only(need_map(table(legs, top), Laws(USUAL)))
    assert under.kind is UndersideKind.CANTILEVER
    assert 0.2 < under.bridge_share < 0.5
    assert under.free_length_mm == pytest.approx(math.hypot(12, 7), rel=0.03)
    assert under.span_mm == 0.0


def test_wide_legs_make_a_bridge_of_the_table():
    """The same table on legs that leave 1.5 mm of 20 between them: strands carry 92 % of it."""
    top = shapely.box(0, 0, 30, 20)
    legs = shapely.union_all([shapely.box(x, y, x + 3, y + 9.25) for x in (0, 27) for y in (0, 10.75)])
    under = only(need_map(table(legs, top), Laws(USUAL)))
    assert under.kind is UndersideKind.BRIDGE and under.span_mm == pytest.approx(24.0, abs=0.1)


def test_a_keel_between_posts_sags_like_its_lowest_strands():
    """The lowest layer bridges 14 mm, the flanks step out from it by 0.31 mm a layer: most area is flank, yet
    the strands between the posts do not droop like a ledge half as long as the span."""
    posts = shapely.box(-15, -8, -7, 8) | shapely.box(7, -8, 15, 8)
    step = 0.2 * math.tan(math.radians(57))
    keel = [posts | shapely.box(-15, -1 - step * i, 15, 1 + step * i) for i in range(15)]
    under = only(need_map(stack_of([posts] * 40 + keel), Laws(USUAL)))
    strands, flank_mm = Laws(USUAL).bridge_droop(14.0), Laws(USUAL).overhang_droops(np.array([step]))[0]
    assert under.kind is UndersideKind.CANTILEVER and under.free_length_mm == pytest.approx(7, rel=0.01)
    assert strands.value > flank_mm
    assert under.droop_mm.value == pytest.approx(strands.value, rel=1e-3)


def test_a_bellied_strip_between_posts_is_a_bridge():
    """A strip 2 mm wide at its ends, 2.6 in the middle: the strands of the belly lie beside carried ones."""
    posts = shapely.box(-15, -8, -7, 8) | shapely.box(7, -8, 15, 8)
    belly = shapely.Polygon([(-8, -1), (0, -1.3), (8, -1), (8, 1), (0, 1.3), (-8, 1)])
    under = only(need_map(stack_of([posts] * 40 + [posts | belly] * 2), Laws(USUAL)))
    assert under.kind is UndersideKind.BRIDGE and under.span_mm == pytest.approx(14.0)


@pytest.mark.parametrize("process", [USUAL, replace(USUAL, fan=0.3)])
def test_another_gap_needs_no_new_measuring(process):
    sections = [shapely.box(-2, 0, 2, 15)] * 30 + [shapely.box(-9, 0, 9, 15)] * 3
    wide = replace(process, structure=replace(process.structure, air_gap_layers=4.0, interface_layers=0))
    assert (
        with_support(need_map(stack_of(sections), Laws(process)), Laws(wide)).undersides
        == need_map(stack_of(sections), Laws(wide)).undersides
    )


# --- cantilevers -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("process", "arm"), [(USUAL, 13.0), (COARSE, 13.0), (THIN, 2.0)])
def test_t_shape(process, arm):
    """Two arms: each a cantilever of exactly its own length, and flat."""
    stem, top = shapely.box(-2, 0, 2, 15), shapely.box(-2 - arm, 0, 2 + arm, 15)
    need = need_map(stack_of([stem] * 10 + [top] * 3, process.layer_height_mm), Laws(process))
    assert [u.kind for u in need.undersides] == [UndersideKind.CANTILEVER] * 2
    for under in need.undersides:
        assert under.free_length_mm == pytest.approx(arm, rel=1e-9)
        assert under.extent_mm == pytest.approx(arm, rel=1e-9)
        assert under.area_mm2 == pytest.approx(15 * arm, rel=1e-6)
        assert under.angle_deg == 90.0
        assert under.droop_mm.value <= 10 * process.layer_height_mm  # it hangs above the bed


def test_longer_ledges_droop_more_and_support_stops_it():
    droops = []
    for arm in (1.0, 2.0, 4.0, 8.0):
        stem, top = shapely.box(-2, 0, 2, 15), shapely.box(-2, 0, 2 + arm, 15)
        under = only(need_map(stack_of([stem] * 60 + [top] * 3), Laws(USUAL)))
        droops.append(under.droop_mm.value)
        assert under.supported_droop_mm.value <= under.droop_mm.value
    assert droops == sorted(droops) and droops[-1] > 4 * droops[0]
    assert under.supported_droop_mm.value < 0.3 < under.droop_mm.value


# --- islands -----------------------------------------------------------------------------------------------


def test_hook():
    """A lip that hangs from an arm starts in mid-air, 2 mm above the bed."""
    post, lip = shapely.box(0, 0, 5, 5), shapely.box(15, 0, 18, 5)
    arm = shapely.box(0, 0, 18, 5)
    need = need_map(stack_of([post] * 10 + [post | lip] * 10 + [arm] * 3), Laws(USUAL))
    island, bridge = need.undersides
    assert island.kind is UndersideKind.ISLAND and island.number == 1
    assert island.area_mm2 == pytest.approx(15.0) and island.layers == (10, 10)
    assert island.droop_mm.value == pytest.approx(2.0) and island.droop_mm.high == pytest.approx(2.0)
    assert island.height_mm == pytest.approx(2.0) and island.angle_deg == 90.0
    # once the lip is there, it carries the arm's other end
    assert bridge.kind is UndersideKind.BRIDGE and bridge.span_mm == pytest.approx(10.0)


def test_what_starts_above_the_part_falls_onto_the_part():
    slab, post = shapely.box(0, 0, 20, 5), shapely.box(0, 0, 5, 5)
    lip = shapely.box(15, 0, 18, 5)
    need = need_map(stack_of([slab] * 4 + [post] * 6 + [post | lip] * 5), Laws(USUAL))
    assert only(need).droop_mm.value == pytest.approx(6 * 0.2)


def test_ball_above_the_bed_is_one_island():
    radius = 5.0
    middles = 0.2 * (np.arange(50) + 0.5)
    radii = np.sqrt(radius**2 - (radius - middles) ** 2)
    column = shapely.box(20, 0, 25, 5)  # something else that stands on the bed
    ball = [column] * 10 + [column | disc(r) for r in radii]
    under = only(need_map(stack_of(ball), Laws(USUAL)))
    assert under.kind is UndersideKind.ISLAND and under.layers[0] == 10
    last = int(np.flatnonzero(np.diff(radii) > biased_reach_mm(USUAL.reach_mm))[-1]) + 1
    assert under.area_mm2 == pytest.approx(math.pi * radii[last] ** 2, rel=1e-5)


def test_a_stack_that_does_not_stand_on_the_bed_is_an_island():
    grounded = stack_of([shapely.box(0, 0, 5, 5)] * 4)
    raised = replace(grounded, z_mm=grounded.z_mm + 3.0)
    assert need_map(grounded, Laws(USUAL)).undersides == ()
    under = only(need_map(raised, Laws(USUAL)))
    assert under.kind is UndersideKind.ISLAND and under.droop_mm.value == pytest.approx(3.0)


# --- what holds --------------------------------------------------------------------------------------------


def chamfered(steps: int, step_mm: float, height_mm: float):
    sections = [shapely.box(0, 0, 10 + step_mm * min(max(i - 4, 0), steps), 10) for i in range(12)]
    return stack_of(sections, height_mm)


def test_a_60_degree_facet_shorter_than_a_line_holds_and_a_longer_one_does_not():
    step = 0.2 * math.tan(math.radians(60))  # 0.346 mm
    short = only(need_map(chamfered(1, step, 0.2), Laws(USUAL)))
    assert short.kind is UndersideKind.HOLDS and short.extent_mm == pytest.approx(step)
    assert only(need_map(chamfered(2, step, 0.2), Laws(USUAL))).kind is UndersideKind.CANTILEVER


def test_a_shallow_stair_of_thick_layers_does_not_hold():
    """0.9 mm layers that step out by 0.8 of a 1.4 mm line: one step holds, four in a row do not."""
    assert only(need_map(chamfered(1, 1.12, 0.9), Laws(COARSE))).kind is UndersideKind.HOLDS
    assert only(need_map(chamfered(4, 1.12, 0.9), Laws(COARSE))).kind is UndersideKind.CANTILEVER


def test_thousands_of_specks_make_one_row():
    specks = shapely.union_all([shapely.box(x, 10, x + 0.3, 10.3) for x in range(0, 60, 2)])
    block = shapely.box(0, 0, 60, 10)
    sections = [block] + [block | specks if i % 4 == 0 else block for i in range(1, 41)]
    arm = block | shapely.box(60, 0, 65, 10)
    need = need_map(stack_of([*sections, arm]), Laws(USUAL))
    assert [u.kind for u in need.undersides] == [UndersideKind.CANTILEVER, UndersideKind.HOLDS]
    assert need.undersides[1].area_mm2 == pytest.approx(10 * 30 * 0.09, rel=1e-6)
    assert (need.region_underside == 1).sum() == 300


# --- the map -----------------------------------------------------------------------------------------------


def test_the_map_is_complete_and_numbered():
    post, lip = shapely.box(0, 0, 5, 5), shapely.box(15, 0, 18, 5)
    arm = shapely.box(0, 0, 30, 5)
    stack = stack_of([post] * 10 + [post | lip] * 10 + [arm] * 3)
    need = need_map(stack, Laws(USUAL))
    assert [u.number for u in need.undersides] == [1, 2, 3]
    for k, under in enumerate(need.undersides):
        regions, layers = need.of(k)
        assert shapely.area(regions).sum() == pytest.approx(under.area_mm2)
        assert (layers.min(), layers.max()) == under.layers
        x, y, z = under.center_mm
        assert any(
            g.covers(shapely.Point(x, y)) and z == stack.z_mm[i] for g, i in zip(regions, layers, strict=True)
        )
    assert shapely.is_ccw(shapely.get_exterior_ring(need.regions)).all()


def test_same_stack_same_map():
    stack = leaning(70, USUAL, both=True)
    first, second = need_map(stack, Laws(USUAL)), need_map(stack, Laws(USUAL))
    assert first.undersides == second.undersides
    assert shapely.to_wkb(first.regions).tolist() == shapely.to_wkb(second.regions).tolist()


def test_it_tells_and_can_be_stopped():
    told = []
    need_map(leaning(70, USUAL), Laws(USUAL), watch=Watch(tell=lambda step, done: told.append((step, done))))
    assert [done for _, done in told] == sorted(done for _, done in told) and len(told) >= 4
    with pytest.raises(Cancelled):
        need_map(leaning(70, USUAL), Laws(USUAL), watch=Watch(stop=lambda: True))

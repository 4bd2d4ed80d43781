"""The part's own cost: closed forms on plain solids, conservation of volume, hand-counted moves."""

import dataclasses
import math
import subprocess
import sys

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.cost import part_cost
from falsework.errors import Cancelled
from falsework.layers.stack import LayerStack
from falsework.process import bead_section_mm2, builtin, override
from falsework.watch import Watch

PROCESS = builtin("pla-0.4")
PITCH = bead_section_mm2(0.45, 0.2) / 0.2


def stack_of(regions, heights_mm=0.2):
    """A ``LayerStack`` whose sections are these polygons; rings oriented as the contract asks."""
    regions = np.array(regions, dtype=object)
    heights = np.broadcast_to(np.asarray(heights_mm, dtype=float), len(regions))
    rings, layer_start = [], [0]
    for region in regions:
        for polygon in shapely.get_parts(shapely.orient_polygons(region)):
            rings += [np.asarray(ring.coords)[:-1] for ring in (polygon.exterior, *polygon.interiors) if ring]
        layer_start.append(len(rings))
    return LayerStack(
        np.concatenate([[0.0], np.cumsum(heights)]),
        np.concatenate([*rings, np.zeros((0, 2))]),
        np.cumsum([0] + [len(ring) for ring in rings]).astype(np.int64),
        np.array(layer_start, dtype=np.int64),
        0.0,
        np.zeros(0, dtype=np.int64),
    )


def box(width, depth, at=(0.0, 0.0)):
    return shapely.box(at[0], at[1], at[0] + width, at[1] + depth)


def test_box_by_hand():
    stack = stack_of([box(30, 20)] * 50)
    cost, layers = part_cost(stack, PROCESS)
    core = (30 - 4 * PITCH) * (20 - 4 * PITCH)
    solid = np.zeros(50, dtype=bool)
    solid[:4] = solid[-4:] = True
    assert layers.wall_mm2 == pytest.approx(600 - core, rel=1e-12)
    assert layers.solid_mm2 == pytest.approx(np.where(solid, core, 0), rel=1e-12)
    assert layers.sparse_mm2 == pytest.approx(np.where(solid, 0, core), rel=1e-12)
    assert layers.volume_mm3 == pytest.approx(0.2 * np.where(solid, 600, 600 - core + 0.15 * core), rel=1e-12)
    assert cost.volume_mm3 == pytest.approx(layers.volume_mm3.sum(), rel=1e-12)
    assert cost.time_s == pytest.approx(layers.time_s.sum(), rel=1e-12)
    assert cost.mass_g == pytest.approx(cost.volume_mm3 * 1.24e-3, rel=1e-12)


def _move(length, speed, acceleration=1000.0):
    if length * acceleration < speed**2:
        return 2 * math.sqrt(length / acceleration)
    return length / speed + speed / acceleration


def test_time_of_one_layer_by_hand():
    # second layer of a hollow box without fill or solid layers: two walls and one travel
    process = dataclasses.replace(PROCESS, fill=0.0, solid_layers=0)
    _, layers = part_cost(stack_of([box(40, 30)] * 3), process)
    v, a = 45.0, 1000.0
    c = 60.0 - math.sqrt(0.045 * 60.0 * a)  # a corner at 60 mm/s costs 45 ms

    def side(length, *ends):
        return sum((v - e) / a for e in ends) + (length - sum((v * v - e * e) / (2 * a) for e in ends)) / v

    outline = side(40, 0, c) + side(30, c, c) + side(40, c, c) + side(30, c, 0)
    length = (1200 - (40 - 4 * PITCH) * (30 - 4 * PITCH)) / PITCH
    hop = 0.7124 * math.sqrt(40 * 30)
    assert layers.time_s[1] == pytest.approx(outline * length / 140 + _move(hop, 120), rel=1e-9)
    # the two walls' centre lines, half and one and a half pitches in, have just that length
    assert length == pytest.approx((140 - 4 * PITCH) + (140 - 12 * PITCH), rel=1e-12)
    assert layers.time_s[0] > 1.5 * layers.time_s[1]  # 20 mm/s instead of 45


def test_fill_time_of_a_disc():
    # mean chord of a disc is π d / 4; the walls cancel between two fills
    disc = shapely.Point(0, 0).buffer(25, quad_segs=64)
    base = dataclasses.replace(PROCESS, solid_layers=0)
    times = {
        fill: part_cost(stack_of([disc] * 3), dataclasses.replace(base, fill=fill))[1].time_s[1]
        for fill in (0.0, 0.25, 0.5)
    }
    radius = 25 - 2 * PITCH
    chord = math.pi * 2 * radius / 4

    def fill_time(fill):
        lines = math.pi * radius**2 * fill / (PITCH * chord)
        return lines * (_move(chord, 60) + _move(PITCH / fill, 60))

    # 1 %: the disc is a polygon whose outline may move by 0.02 mm, and so may the travels' number
    assert times[0.5] - times[0.25] == pytest.approx(fill_time(0.5) - fill_time(0.25), rel=0.01)


def test_solid_layers_follow_a_step():
    # a plinth of 30 × 30 × 4 with a 10 × 30 × 4 block on one end: the plinth's open top is solid
    stack = stack_of([box(30, 30)] * 20 + [box(10, 30)] * 20)
    _, layers = part_cost(stack, PROCESS)
    inset = 2 * PITCH
    core = (30 - 2 * inset) ** 2
    under_block = (10 - inset) * (30 - 2 * inset)
    assert layers.sparse_mm2[10] == pytest.approx(core, rel=1e-9)
    assert layers.sparse_mm2[16:20] == pytest.approx([under_block] * 4, rel=1e-4)  # along lanes
    assert layers.sparse_mm2[15] == pytest.approx(core, rel=1e-9)
    assert layers.sparse_mm2[[3, 36]] == pytest.approx([0, 0])


def test_ceiling_of_a_slot_thinner_than_the_solid_layers():
    # two layers of air inside a block: four solid layers above and below it, the slot seen though it is thin
    slot = shapely.difference(box(30, 30), box(10, 10, (10, 10)))
    stack = stack_of([box(30, 30)] * 15 + [slot] * 2 + [box(30, 30)] * 15)
    _, layers = part_cost(stack, PROCESS)
    for i in (11, 14, 17, 20):
        assert layers.solid_mm2[i] == pytest.approx(100, rel=1e-4)
    assert layers.solid_mm2[[10, 21]] == pytest.approx([0, 0], abs=1e-9)


def test_thin_wall_takes_its_own_volume_and_no_more():
    # 0.5 mm wide: narrower than the wall lines together, so all of it is wall and nothing is laid twice
    stack = stack_of([box(50, 0.5)] * 30)
    cost, layers = part_cost(stack, PROCESS)
    assert cost.volume_mm3 == pytest.approx(50 * 0.5 * 6, rel=1e-12)
    assert layers.sparse_mm2.sum() == layers.solid_mm2.sum() == 0
    # about one pass of 61 mm at 45 mm/s (first layer slower), not two rounds of 101 mm
    assert 1.2 < layers.time_s[1] < 2.2


def test_first_layer_of_another_height():
    process = override(PROCESS, {"first_layer_height_mm": "0.3", "fill": "1"})
    stack = stack_of([box(20, 20)] * 10, [0.3] + [0.2] * 9)
    cost, layers = part_cost(stack, process)
    assert cost.volume_mm3 == pytest.approx(400 * 2.1, rel=1e-12)
    assert layers.volume_mm3[0] == pytest.approx(400 * 0.3, rel=1e-12)


def test_few_layers_and_none():
    empty_cost, empty = part_cost(stack_of([]), PROCESS)
    assert empty_cost.volume_mm3 == empty_cost.time_s == 0 and len(empty.time_s) == 0
    cost, layers = part_cost(stack_of([box(10, 10)] * 3), PROCESS)  # fewer than the solid layers
    assert cost.volume_mm3 == pytest.approx(60, rel=1e-12)
    assert layers.sparse_mm2.sum() == 0
    cost, layers = part_cost(stack_of([box(10, 10), shapely.Polygon(), box(10, 10)]), PROCESS)
    assert layers.volume_mm3 == pytest.approx([20, 0, 20], rel=1e-12)
    assert layers.time_s[1] == 0
    assert math.isfinite(cost.time_s)


def test_regions_that_touch_in_lines_and_points():
    # sections that share only edges or corners with their neighbours give lines and points when cut
    steps = [box(10, 10), box(10, 10, (8, 0)), shapely.union_all([box(10, 10, (8, 8)), box(3, 3, (0, 0))])]
    cost, layers = part_cost(stack_of(steps * 6), dataclasses.replace(PROCESS, fill=1.0))
    assert cost.volume_mm3 == pytest.approx(stack_of(steps * 6).volume_mm3, rel=1e-12)
    assert (layers.sparse_mm2 >= 0).all() and (layers.solid_mm2 >= 0).all()


def test_can_be_stopped_and_tells_its_steps():
    told = []
    watch = Watch(tell=lambda step, fraction: told.append((step, fraction)))
    part_cost(stack_of([box(10, 10)] * 12), PROCESS, watch)
    assert [step for step, _ in told] == ["walls", "solid layers", "times"]
    with pytest.raises(Cancelled):
        part_cost(stack_of([box(10, 10)] * 12), PROCESS, Watch(stop=lambda: True))


def test_wavy_column_within_the_stated_error():
    # a wavy outline of 360 points against an inset that is not simplified: areas within 5 % of the line
    # width times the outline
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    radius = 20 + 2 * np.cos(5 * turn)
    region = shapely.Polygon(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]))
    _, layers = part_cost(stack_of([region] * 12), PROCESS)
    exact = region.area - region.buffer(-2 * PITCH, quad_segs=32).area
    assert abs(layers.wall_mm2[6] - exact) < 0.05 * 0.45 * region.length


def test_detailed_stacks_are_divided_in_chosen_layers():
    # every third layer stands for its neighbours: a step of the part blurs over three layers, full fill stays
    # exact; 3 % on the volume of a plinth with a tapering block
    widths = [30.0] * 20 + list(np.linspace(20, 10, 31))
    stack = stack_of([box(width, 30) for width in widths])
    whole, exact = part_cost(stack, PROCESS)
    some, layers = part_cost(stack, PROCESS, every=3)
    assert some.volume_mm3 == pytest.approx(whole.volume_mm3, rel=0.03)
    assert some.time_s == pytest.approx(whole.time_s, rel=0.03)
    assert some != whole
    assert layers.sparse_mm2[[3, 47]] == pytest.approx([0, 0])
    assert layers.sparse_mm2[[4, 46]] == pytest.approx(exact.sparse_mm2[[4, 46]], rel=1e-12)
    full = part_cost(stack, dataclasses.replace(PROCESS, fill=1.0), every=5)[0]
    assert full.volume_mm3 == pytest.approx(stack.volume_mm3, rel=1e-12)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 12), st.integers(0, 12), st.integers(1, 14), st.integers(1, 14)),
        min_size=1,
        max_size=4,
    ),
    st.integers(0, 5),
    st.sampled_from(["pla-0.25", "pla-0.4", "abs-1.2"]),
    st.floats(0, 1),
)
def test_volume_between_hollow_and_solid(corners, solid_layers, name, fill):
    """Any stack of overlapping blocks: full fill is the part's volume, less fill never more."""
    process = dataclasses.replace(builtin(name), solid_layers=solid_layers)
    blocks = [box(w, d, (x, y)) for x, y, w, d in corners]
    regions = [shapely.union_all(blocks[: 1 + k % len(blocks)]) for k in range(11)]
    stack = stack_of(regions, process.layer_height_mm)
    full = part_cost(stack, dataclasses.replace(process, fill=1.0))[0]
    some, layers = part_cost(stack, dataclasses.replace(process, fill=fill))
    assert full.volume_mm3 == pytest.approx(stack.volume_mm3, rel=1e-9)
    assert some.volume_mm3 <= full.volume_mm3 * (1 + 1e-12)
    assert (layers.wall_mm2 > 0).all()
    assert layers.wall_mm2 + layers.solid_mm2 + layers.sparse_mm2 == pytest.approx(stack.areas_mm2, rel=1e-9)
    # no head is faster than its fastest speed: all beads laid at it take less
    section = bead_section_mm2(process.line_width_mm, process.layer_height_mm)
    assert some.time_s >= some.volume_mm3 / section / process.fill_speed_mm_s


def test_cost_alone_does_not_load_the_kernels():
    code = "import sys, falsework.cost.cost; print('numba' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"

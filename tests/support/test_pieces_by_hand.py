"""The small steps by which supports are shaped, on boxes: regions by layer, cells, walls, bays, costs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace as Given

import numpy as np
import pytest
import shapely

from falsework.cost import Rates
from falsework.cost.cost import Cost
from falsework.kernels.graph import joined_groups
from falsework.process import bead_section_mm2, load_process
from falsework.process.derived import Gap
from falsework.process.forces import BED_BOND_MPA, NOZZLE_PRESS_N
from falsework.request.standing import Standing
from falsework.request.store import Store
from falsework.support import design, draft, making, shores, stability
from falsework.support.bulk import Bulk, section_tolerance_mm
from falsework.support.cells import Cells, bands_of, cells_of, facing, on_bed, renumbered
from falsework.support.design import CURTAIN, WIDE, WIDE_NAME, Clear, SupportSite, post_side_mm
from falsework.support.heads import _alone, _fits, _narrow, heads_of
from falsework.support.scheme import Role
from falsework.support.shores import Bays, Lean, bays_of, coarser, drawn_together, plain_around
from falsework.support.solid import _blocks, _plates, _slabs, _tubes, solid_of
from falsework.support.stability import Brace, CellAreas, check_pieces, foot_to_stay_mm2, remedy_text
from falsework.support.starts import _floor_mm, _obstacle, starts_of
from falsework.support.strands import (
    Lines,
    Walls,
    _bounds_turned,
    _closed_rows,
    _dense_rows,
    _united,
    piece_middles,
    strands_of,
    turned,
    walls_of,
)
from falsework.support.sweep import (
    Surroundings,
    Swept,
    carried,
    filled,
    reaching_bed,
    shifted,
    shifted_flags,
    sifted,
    swept_down,
    with_heads,
)
from falsework.watch import QUIET
from falsework.wording.figures import plain
from stacks import need_of, stack_of, underside

PLA = load_process("pla-0.4")
STRUCTURE = replace(
    PLA.structure,
    spacing_mm=3.0,
    lane_spacing_mm=8.0,
    interface_layers=2,
    interface_layers_below=1,
    foot_layers=2,
    foot_widening_mm=1.0,
    perimeter_lines=0,
    line_angle_deg=0.0,
    weave="parallel",
    side_gap_mm=0.4,
    air_gap_layers=2.0,
    air_gap_below_layers=1.0,
)
MINE = replace(PLA, structure=STRUCTURE)
WIDTH, EMPTY, box = PLA.line_width_mm, shapely.Polygon(), shapely.box


def regions(*polygons) -> np.ndarray:
    return np.array(polygons, dtype=object)


def areas(found) -> list[float]:
    return [round(float(a), 6) for a in shapely.area(found)]


# --- layers and cells ---


def test_layers_are_shifted_and_empty_past_the_ends() -> None:
    one = regions(box(0, 0, 1, 1), box(0, 0, 2, 1), box(0, 0, 3, 1))
    assert areas(shifted(one, 1)) == [2.0, 3.0, 0.0]
    assert areas(shifted(one, 0)) == [1.0, 2.0, 3.0]
    assert areas(shifted(one, -2)) == [0.0, 0.0, 1.0]
    assert areas(shifted(one, 5)) == [0.0, 0.0, 0.0]
    flags = np.array([True, False, True])
    assert shifted_flags(flags, 1).tolist() == [False, True, False]
    assert shifted_flags(flags, -1).tolist() == [False, True, False]
    assert shifted_flags(flags, -2).tolist() == [False, False, True]
    assert shifted_flags(flags, 7).tolist() == [False] * 3


def test_what_faces_what() -> None:
    first = regions(box(0, 0, 1, 1), box(5, 0, 6, 1), box(0, 0, 9, 1))
    other = regions(box(0.5, 0, 2, 1), box(3, 3, 4, 4), box(5.5, 0.5, 7, 2), box(0, 0, 1, 1))
    i, j = facing(np.array([4, 4, 5]), first, np.array([4, 4, 4, 5]), other)
    assert list(zip(i.tolist(), j.tolist(), strict=True)) == [(0, 0), (1, 2), (2, 3)]


def test_groups_are_numbered_by_their_first_member() -> None:
    assert joined_groups(5, np.array([4, 1]), np.array([0, 3])).tolist() == [0, 1, 2, 1, 0]
    assert renumbered(np.array([3, 1, 3]), np.array([False, True, False, True])).tolist() == [1, 0, 1]


def two_towers() -> Cells:
    """A tower 4 mm square over 3 layers, beside it one of 2 layers, 2 mm square, that starts on layer 1."""
    one, other = box(0, 0, 4, 4), box(10, 0, 12, 2)
    return cells_of(regions(one, one | other, one | other), slim_below_mm=3.0)


def test_cells_and_the_pieces_that_they_make() -> None:
    cells = two_towers()
    assert cells.layer.tolist() == [0, 1, 1, 2, 2] and cells.pieces == 2
    wide = cells.piece == cells.piece[0]
    assert cells.width_mm[wide] == pytest.approx(np.full(3, 4.0))
    assert cells.slim.tolist() == (~wide).tolist()
    assert sorted(zip(cells.lower.tolist(), cells.upper.tolist(), strict=True))[0][0] == 0
    assert len(cells.lower) == 3
    assert on_bed(cells, 2).tolist() == [True, *wide[1:3].tolist(), False, False]
    assert not on_bed(cells, 0).any()
    left = cells.only(np.arange(2) != cells.piece[0])
    assert left.layer.tolist() == [1, 2] and left.piece.tolist() == [0, 0]
    assert (left.lower.tolist(), left.upper.tolist()) == ([0], [1])
    assert areas(left.polygon) == [4.0, 4.0]


def test_what_is_too_narrow_to_print_is_parted_from_the_rest() -> None:
    """A disc of 0.5 mm fits into a strip 1.1 mm wide and not into one of 0.9; specks are left out."""
    both = regions(box(0, 0, 9, 1.1) | box(0, 5, 9, 5.9) | box(20, 0, 20.02, 0.02))
    wide, narrow = sifted(both, 0.5)
    assert areas(wide) == [9.9] and areas(narrow) == [pytest.approx(8.1, abs=1e-3)]


def test_columns_go_down_to_what_lies_beneath_and_no_farther() -> None:
    """A strip under layer 4; a block on layers 0 and 1 takes half of it there."""
    part, strip = box(0, 0, 5, 10), box(0, 0, 10, 10)
    sections = regions(part, part, EMPTY, EMPTY, strip)
    strips = regions(EMPTY, EMPTY, EMPTY, EMPTY, strip)
    found = swept_down(strips, sections, WIDTH)
    assert areas(found) == pytest.approx([50.0, 50.0, 100.0, 100.0, 0.0], abs=0.2)
    bed = reaching_bed(found, sections)
    assert areas(bed) == pytest.approx([50.0, 50.0, 50.0, 50.0, 0.0], abs=0.2)
    assert areas(reaching_bed(regions(EMPTY, EMPTY), regions(part, part))) == [0.0, 0.0]


def test_notches_narrower_than_four_lines_are_filled() -> None:
    slot = box(0, 0, 20, 20).difference(box(9, -1, 9 + 3.5 * WIDTH, 15))
    assert filled(slot, WIDTH).area == pytest.approx(400.0, rel=0.005)
    wide = box(0, 0, 20, 20).difference(box(6, -1, 6 + 6 * WIDTH, 15))
    assert filled(wide, WIDTH).area == pytest.approx(400.0 - 6 * WIDTH * 15, rel=0.01)


@pytest.mark.parametrize(
    ("layer", "first", "tolerance"), [(0.2, 0.2, 0.03), (0.1, 0.2, 0.015), (0.2, 0.12, 0.018)]
)
def test_sections_stray_by_well_under_half_a_layer(layer, first, tolerance) -> None:
    process = replace(PLA, layer_height_mm=layer, first_layer_height_mm=first)
    assert section_tolerance_mm(process) == pytest.approx(tolerance)


def around_of(sections, columns, seen=None) -> Surroundings:
    sections = regions(*sections)
    bulk = Bulk(sections, section_tolerance_mm(MINE))
    side_mm = MINE.structure.side_gap_mm
    swept = Swept(bulk, side_mm, regions(*columns), sections if seen is None else regions(*seen))
    return Surroundings(swept, MINE)


def test_where_no_support_may_be() -> None:
    """A plate on layers 6 and 7 over a block on layers 0 and 1: two layers of gap above, one below."""
    block, plate, column = box(0, 0, 4, 4), box(0, 0, 10, 10), box(0, 0, 10, 10)
    sections = [block] * 2 + [EMPTY] * 4 + [plate] * 2
    around = around_of(sections, [column] * 6 + [EMPTY] * 2)
    blocked = areas(around.blocked)
    lip = 4.2 * 4.2 + 2 * 0.2 * 4.0 + 0.2 * 0.2 * 2.0  # roughly: half the clearance beside the next layer
    assert blocked[2] == pytest.approx(lip, rel=0.05)  # the gap on the block, and its lip
    assert blocked[3] == 0.0
    assert blocked[4] == pytest.approx(100.0, rel=0.01)
    assert blocked[5] == pytest.approx(10.4**2, rel=0.01)
    assert blocked[0] == pytest.approx(4.86**2, rel=0.01)  # 0.4 + 0.03 all around
    assert blocked[6:] == [0.0, 0.0]
    assert areas(around.near_above(1)) == [0, 0, 0, 100.0, 100.0, 0, 0, 0]
    assert areas(around.near_above(2)) == [0, 0, 100.0, 100.0, 100.0, 0, 0, 0]
    assert areas(around.near_below(1)) == [0, 0, 16.0, 16.0, 0, 0, 0, 0]
    ground = around.ground(3, 0.5, box(-9, -9, 30, 30))
    assert ground.area == pytest.approx(25.0, rel=0.02)  # through the gap alone: half a mm around the block
    beside = around.ground(2, 0.5, box(-9, -9, 30, 30))
    assert beside.area == pytest.approx(5.8**2, rel=0.03)  # and sideways through the clearance


def test_what_nothing_carries_is_taken_away_from_the_bed_up() -> None:
    """A column whose left half hangs from layer 2 on: half a mm of it is carried by what is beside."""
    wide, right = box(0, 0, 10, 10), box(5, 0, 10, 10)
    out = regions(right, right, wide, wide, wide)
    opened = regions(EMPTY, box(0, 0, 5, 10), EMPTY, EMPTY, EMPTY)
    around = around_of([EMPTY] * 5, [wide] * 5)
    found = carried(out, opened, around, 0.5, 0.4)
    assert areas(found) == pytest.approx([50.0, 50.0, 55.0, 60.0, 65.0], rel=0.01)


def test_sections_are_as_wide_as_the_heads_beneath_them() -> None:
    need = need_of([(1, box(0, 0, 1, 1), 0), (2, box(5, 0, 6, 1), 0)], [underside(1)])
    found = with_heads(
        regions(EMPTY, box(0, 0, 1, 1), box(5, 0, 6, 1)), regions(box(0, 0, 2, 2), EMPTY), need
    )
    assert areas(found) == [0.0, 4.0, 1.0]


def test_a_column_is_cap_sole_foot_and_body() -> None:
    """Twelve layers under a plate, half of it over a block: two layers of cap beneath the gap, one of sole on
    it, two of foot on the bed."""
    block, wide, right = box(0, 0, 5, 10), box(0, 0, 10, 10), box(5, 0, 10, 10)
    sections = [block] * 2 + [EMPTY] * 12 + [wide] * 2
    support = [right] * 3 + [wide] * 9 + [EMPTY] * 4
    around = around_of(sections, support)
    cells = cells_of(regions(*support), 2.0)
    bands = bands_of(cells, around, 2, 1, 2, 0.4, Store())
    assert sorted(bands.cap.layer.tolist()) == [10, 11] and areas(bands.cap.polygon) == [100.0, 100.0]
    assert bands.sole.layer.tolist() == [3] and areas(bands.sole.polygon) == [50.0]
    assert bands.foot.layer.tolist() == [0, 1] and areas(bands.foot.polygon) == [50.0, 50.0]
    body = dict(zip(cells.layer.tolist(), areas(bands.body), strict=True))
    assert (body[0], body[2], body[3], body[5], body[11]) == (0.0, 50.0, 50.0, 100.0, 0.0)
    none = bands_of(cells, around, 0, 0, 0, 0.4, Store())
    assert sum(areas(none.body)) == pytest.approx(50.0 * 3 + 100.0 * 9)


# --- heads ---


def test_a_disc_fits_or_does_not() -> None:
    """Of 1 mm across: into a square of 2, into the lobe of a key, not into a strip of 0.9 or a bit of 0.8."""
    key = box(0, 0, 20, 0.3) | shapely.Point(20, 0).buffer(0.7)
    shapes = regions(box(0, 0, 2, 2), key, box(0, 0, 9, 0.9), box(0, 0, 0.8, 0.8), box(0, 0, 9, 1.02))
    assert _fits(shapes, 0.5).tolist() == [True, True, False, False, True]


def test_what_starts_alone_gets_a_plate_and_what_is_wide_about_it_carries_the_rest() -> None:
    """A bit of 0.4 mm: by itself; beside a wide strip of its own underside; beside one of another's."""
    bit = box(0, 0, 0.4, 0.4)
    own = need_of([(3, bit, 0), (4, box(0.42, -3, 6, 3), 0)], [underside(1)])
    other = need_of([(3, bit, 0), (4, box(0.42, -3, 6, 3), 1)], [underside(1), underside(2)])
    starts = np.array([0])
    assert _alone(need_of([(3, bit, 0)], [underside(1)]), starts, 0.9, 0.3).tolist() == [0]
    assert _alone(other, starts, 0.9, 0.3).tolist() == [0]
    # what lies about it within half a head is seen, and it is carried where a printable bit reaches it
    assert _alone(need_of([(3, box(0, 0, 2, 2), 0)], [underside(1)]), starts, 0.9, 0.3).tolist() == []
    assert _alone(own, starts, 0.9, 0.3).tolist() == [0]
    near = need_of([(3, bit, 0), (4, box(0.0, 0.42, 3, 3), 0), (4, box(0.4, -1, 3, 0.45), 0)], [underside(1)])
    assert len(_alone(near, starts, 0.9, 0.3)) in (0, 1)


def test_strips_of_a_footprint_that_is_nowhere_wide_get_plates() -> None:
    """Two strips of 0.3 mm that lie 0.04 mm apart are one of 0.64; three are one of 0.98."""

    def strips(many):
        return [(k, box(0, 0.34 * k, 9, 0.34 * k + 0.3), 0) for k in range(many)]

    two, three = (need_of(strips(many), [underside(1)]) for many in (2, 3))
    assert _narrow(two, np.arange(2), 0.4).tolist() == [0, 1]
    assert _narrow(three, np.arange(3), 0.4).tolist() == []
    beside = need_of([*strips(2), (5, box(0, 20, 9, 29), 0)], [underside(1)])
    assert _narrow(beside, np.arange(3), 0.4).tolist() == []  # something of the underside is printable
    single = need_of(strips(1), [underside(1)])
    plates = heads_of(single, np.array([True]), MINE)
    reach = MINE.head_reach_mm
    bounds = shapely.bounds(plates[0])
    assert bounds[0] == pytest.approx(-(reach - 0.5 * 2 * 2.7 / 18.6), rel=0.02)
    assert heads_of(single, np.array([False]), MINE)[0].is_empty


# --- walls and strands ---


def test_points_are_turned_along_and_across() -> None:
    uv = turned(np.array([[1.0, 0.0], [0.0, 1.0]]), 90.0)
    assert uv == pytest.approx(np.array([[0.0, -1.0], [1.0, 0.0]]))


def body_cells(layers: int = 4, long: float = 12.0, broad: float = 10.0) -> Cells:
    return cells_of(regions(*[box(0, 0, long, broad)] * layers), slim_below_mm=4.0)


def test_walls_stand_on_the_bed_at_their_phase() -> None:
    """Lines along x every 3 mm from 1 mm on, in a body of 12 x 10 mm: at 1, 4 and 7."""
    cells = body_cells()
    lines = Lines(Role.LINE, 0.0, 3.0, np.array([1.0]))
    ground = np.full(4, EMPTY, dtype=object)
    none = np.zeros(4, dtype=np.int64)
    walls = walls_of(cells, np.ones(4, bool), lines, none, ground, WIDTH, 0.3)
    assert sorted(set(np.round(walls.offset_mm, 6).tolist())) == [1.0, 4.0, 7.0]
    assert len(walls.layer) == 12 and sorted(set(walls.layer.tolist())) == [0, 1, 2, 3]
    assert walls.span_mm == pytest.approx(np.tile([0.0, 12.0], (12, 1)))
    # with a closed line around, they end where it runs, but for a bite into it
    ringed = walls_of(cells, np.ones(4, bool), lines, none + 1, ground, WIDTH, 0.3)
    assert (ringed.span_mm[:, 0] > 0.5 * WIDTH).all() and (ringed.span_mm[:, 0] < WIDTH).all()
    few = walls_of(cells, cells.layer < 2, lines, none, ground, WIDTH, 0.3)
    assert sorted(set(few.layer.tolist())) == [0, 1]


@pytest.mark.parametrize(("widths", "kept"), [(1.55, True), (1.45, False)])
def test_walls_shorter_than_one_and_a_half_lines_are_left_out(widths, kept) -> None:
    cells = cells_of(regions(*[box(0, 0, widths * WIDTH, 30)] * 2), 0.1)
    lines = Lines(Role.LINE, 0.0, 3.0, np.array([1.0]))
    ground, none = np.full(2, EMPTY, dtype=object), np.zeros(2, np.int64)
    assert bool(len(walls_of(cells, np.ones(2, bool), lines, none, ground, WIDTH, 0.3).layer)) is kept


def test_walls_that_start_in_the_air_stand_where_the_part_carries_them() -> None:
    cells = cells_of(regions(EMPTY, EMPTY, box(0, 0, 12, 10), box(0, 0, 12, 10)), slim_below_mm=4.0)
    lines = Lines(Role.LINE, 0.0, 3.0, np.array([1.0]))
    half = np.array([EMPTY, EMPTY, box(0, 0, 12, 5), box(0, 0, 12, 5)], dtype=object)
    walls = walls_of(cells, np.ones(2, bool), lines, np.zeros(2, np.int64), half, WIDTH, 0.3)
    assert sorted(set(np.round(walls.offset_mm, 6).tolist())) == [1.0, 4.0]


def test_regions_of_owners_are_united() -> None:
    found = _united(regions(box(0, 0, 1, 1), box(5, 0, 6, 2), box(1, 0, 2, 1)), np.array([2, 0, 2]), 4)
    assert areas(found) == [2.0, 0.0, 2.0, 0.0]


def test_dense_strands_lie_side_by_side_about_the_middle() -> None:
    """A band of 6 x 2 mm along y with lines of 0.45 mm across: 13 of them, each 2 mm less a line's ends."""
    cells = cells_of(regions(box(0, 0, 6, 2)), 0.1)
    bands = bands_of(cells, around_of([EMPTY], [box(0, 0, 6, 2)]), 0, 0, 1, 0.4, Store())
    ends, layer, role, piece = _dense_rows(bands.foot, Role.FOOT, 90.0, WIDTH)
    assert len(ends) == 13 and set(layer.tolist()) == {0} and set(piece.tolist()) == {0}
    assert set(role.tolist()) == {int(Role.FOOT)}
    x = np.sort(ends[:, 0])
    assert np.diff(x) == pytest.approx(np.full(12, WIDTH)) and x.mean() == pytest.approx(3.0)
    length = np.abs(ends[:, 3] - ends[:, 1])
    assert length == pytest.approx(np.full(13, 2.0 - WIDTH))
    assert 0.5 * (ends[:, 1] + ends[:, 3]) == pytest.approx(np.full(13, 1.0))


def test_closed_lines_run_inside_the_body_one_within_the_other() -> None:
    cells = cells_of(regions(box(0, 0, 6, 4)), 0.1)
    ends, layer, role, _ = _closed_rows(cells, cells.polygon, np.array([2]), WIDTH, Store())
    lengths = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    first, second = 2 * (6 + 4) - 8 * 0.5 * WIDTH, 2 * (6 + 4) - 8 * 1.5 * WIDTH
    assert lengths.sum() == pytest.approx(first + second) and len(ends) == 8
    assert set(role.tolist()) == {int(Role.PERIMETER)} and set(layer.tolist()) == {0}
    # one hardly as wide as the line still gets one
    slim = cells_of(regions(box(0, 0, 6, 0.99 * WIDTH)), 9.0)
    ends, *_ = _closed_rows(slim, slim.polygon, np.array([1]), WIDTH, Store())
    assert len(ends) == 4
    assert len(_closed_rows(slim, slim.polygon, np.array([0]), WIDTH, Store())[0]) == 0


def test_middles_of_pieces_across_their_lines() -> None:
    cells = two_towers()
    across_x = piece_middles(cells, 90.0)  # lines along y: across is −x
    assert np.sort(np.abs(across_x)).tolist() == pytest.approx([2.0, 11.0])
    assert np.sort(piece_middles(cells, 0.0)).tolist() == pytest.approx([1.0, 2.0])
    assert _bounds_turned(regions(box(1, 2, 5, 9)), 0.0).tolist() == [[2.0, 9.0]]


def test_lines_give_way_to_interface_layers_and_all_is_sorted() -> None:
    """Of a wall over 4 layers the foot's two layers are dense: its strands are those of layers 2 and 3."""
    cells = body_cells()
    bands = bands_of(cells, around_of([EMPTY] * 4, [box(0, 0, 12, 10)] * 4), 0, 0, 2, 0.4, Store())
    lines = Lines(Role.LINE, 0.0, 3.0, np.array([1.0]))
    none = np.zeros(4, dtype=np.int64)
    walls = walls_of(cells, np.ones(4, bool), lines, none, np.full(4, EMPTY, dtype=object), WIDTH, 0.3)
    strands = strands_of(cells, bands, [(walls, np.array([1.0]))], none, 0.0, WIDTH, Store())
    mine = strands.role == Role.LINE
    assert sorted(strands.layer[mine].tolist()) == [2, 2, 2, 3, 3, 3]
    assert strands.ends_mm[mine][0] == pytest.approx([0.5 * WIDTH, 1.0, 12.0 - 0.5 * WIDTH, 1.0])
    assert strands.layer.tolist() == sorted(strands.layer.tolist())
    foot = strands.role == Role.FOOT
    assert np.count_nonzero(foot) == 2 * 26 and set(strands.layer[foot].tolist()) == {0, 1}
    upright = np.abs(strands.ends_mm[foot][:, 2] - strands.ends_mm[foot][:, 0])
    assert upright == pytest.approx(np.zeros(52))  # across the body's lines


# --- solids ---


def volume(shells) -> float:
    a, b, c = (shells.vertices[shells.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def test_plates_and_slabs_are_closed_and_as_large_as_they_should_be() -> None:
    cells = body_cells()
    z = 0.2 * np.arange(5)
    lines = Lines(Role.LINE, 30.0, 3.0, np.array([1.0]))
    none = np.zeros(4, dtype=np.int64)
    walls = walls_of(cells, np.ones(4, bool), lines, none, np.full(4, EMPTY, dtype=object), WIDTH, 0.3)
    length = float((walls.span_mm[:, 1] - walls.span_mm[:, 0]).sum())
    assert volume(_plates(walls, z, WIDTH)) == pytest.approx(length * 0.2 * WIDTH, rel=0.02)
    empty = replace(walls, key=walls.key[:0])
    assert len(_plates(empty, z, WIDTH).faces) == 0
    same = regions(box(0, 0, 5, 4), box(0, 0, 5, 4), box(0, 0, 5, 3), box(9, 0, 9.01, 0.01))
    blocks = _blocks(same, np.array([1, 2, 3, 3]), np.array([0, 0, 0, 0]))
    assert list(zip(blocks.first.tolist(), blocks.last.tolist(), strict=True)) == [(1, 2), (3, 3)]
    made = _slabs(blocks, 0.2 * np.arange(6))
    assert volume(made) == pytest.approx(20.0 * 0.4 + 15.0 * 0.2)
    assert made.vertices[:, 2].min() == pytest.approx(0.2) and made.vertices[:, 2].max() == pytest.approx(0.8)
    tubes = _tubes(cells, cells.polygon, 1, WIDTH)
    assert len(tubes.first) == 1 and (tubes.first[0], tubes.last[0]) == (0, 3)
    ring = 12.0 * 10.0 - (12.0 - 2 * WIDTH) * (10.0 - 2 * WIDTH)
    assert areas(tubes.polygon)[0] == pytest.approx(ring, rel=0.02) and areas(tubes.polygon)[0] <= ring


# --- bays and shores ---


def test_heads_are_divided_into_bays_of_about_a_side() -> None:
    """95 mm in bays of 40: 95 / 40 is 2.4, three where it is over 2.3; 91 mm are two."""
    for long, many in ((95.0, 3), (91.0, 2), (51.0, 1), (53.0, 2)):
        heads = regions(box(0, 0, long, 10))
        found = bays_of(heads, np.array([2]), np.array([0]), 4, 40.0)
        assert len(found.piece) == many
        assert found.at_mm[:, 0] == pytest.approx((np.arange(many) + 0.5) * long / many, abs=0.02)
        assert found.at_mm[:, 1] == pytest.approx(np.full(many, 5.0))
        assert set(found.side_mm.tolist()) == {40.0} and found.post_mm.tolist() == [0.0] * many
        assert shapely.area(found.heads).sum(axis=0) == pytest.approx(
            [0, 0, long * 10 + (many - 1) * 0.2, 0], abs=1e-6
        )


def test_a_post_is_as_thick_as_the_way_from_its_landing_to_its_topmost_head_asks_for() -> None:
    """200 layers of 0.2 mm: heads in layers 150 and 179 end at 36 mm; one stands on layer 49, 10 mm up."""
    heads = np.full((2, 200), shapely.Polygon(), dtype=object)
    heads[:, [150, 179]] = box(0, 0, 10, 10)
    bays = Bays(heads, np.zeros(2, int), np.full(2, 40.0), np.zeros((2, 2)), np.zeros(2))
    site = Given(stack=Given(z_mm=0.2 * np.arange(201)), process=PLA)
    found = design._sized(bays, np.array([-1, 49]), site).post_mm
    assert found == pytest.approx(post_side_mm(np.array([36.0, 26.0]), np.array([True, False]), PLA))
    assert found[0] < post_side_mm(np.array([40.0]), np.array([True]), PLA)[0]


def test_each_piece_has_bays_of_its_own_about_the_middle_of_its_heads() -> None:
    heads = regions(box(0, 0, 10, 10), box(0, 0, 10, 2), box(50, 0, 60, 10))
    found = bays_of(heads, np.array([1, 2, 2]), np.array([0, 0, 4]), 3, 40.0)
    assert found.piece.tolist() == [0, 4]
    assert found.at_mm[0] == pytest.approx([5.0, (100 * 5 + 20 * 1) / 120.0])


def test_layers_are_united_by_so_many() -> None:
    row = [box(0, 0, 1, 1), box(1, 0, 2, 1), EMPTY, EMPTY, box(0, 0, 3, 1)]
    found = coarser(np.array([row], dtype=object), 2)
    assert found.shape == (1, 3) and areas(found[0]) == [2.0, 0.0, 3.0]


def test_edges_move_towards_the_post_and_not_past_it() -> None:
    """A square of 10 mm at the origin, a post of 2 mm in its middle, half a mm a layer: by √½ of it each way
    while both sides are out, until it is the post."""
    square = box(-5, -5, 5, 5)
    heads = np.array([[EMPTY] * 13 + [square]], dtype=object)
    bays = Bays(heads, np.array([0]), np.array([40.0]), np.zeros((1, 2)), np.array([2.0]))
    out, landed = drawn_together(bays, np.full(14, EMPTY, dtype=object), Lean(0.5, 1.8))
    side = np.sqrt(np.array(areas(out[0])))
    step = 2 * 0.5 / np.sqrt(2.0)
    assert side[12] == pytest.approx(10.0 - step, abs=0.02)
    assert side[10] == pytest.approx(10.0 - 3 * step, abs=0.05)
    assert side[0] == pytest.approx(2.0, abs=1e-6) and (np.diff(side) >= -1e-9).all()
    assert landed.tolist() == [0.0]
    rail = box(-5, -0.5, 5, 0.5)
    heads = np.array([[EMPTY, rail]], dtype=object)
    bays = replace(bays, heads=heads)
    out, _ = drawn_together(bays, np.full(2, EMPTY, dtype=object), Lean(0.5, 1.8))
    west, _, east, _ = shapely.bounds(out[0, 0])
    assert (east, west) == (pytest.approx(4.5, abs=0.02), pytest.approx(-4.5, abs=0.02))


def test_a_shore_goes_straight_down_beside_what_is_in_its_way_and_lands_on_it() -> None:
    square = box(0, 0, 4, 4)
    heads = np.array([[EMPTY, EMPTY, EMPTY, square]], dtype=object)
    bays = Bays(heads, np.array([0]), np.array([40.0]), np.array([[12.0, 2.0]]), np.array([2.0]))
    wall = np.array([box(4.2, -5, 6, 9)] * 3 + [EMPTY], dtype=object)
    out, landed = drawn_together(bays, wall, Lean(0.5, 1.8))
    assert all(shapely.area(shapely.intersection(o, w)) < 1e-9 for o, w in zip(out[0], wall, strict=True))
    assert landed[0] < 0.5
    floor = np.array([box(-5, -5, 9, 9), EMPTY, EMPTY, EMPTY], dtype=object)
    out, landed = drawn_together(bays, floor, Lean(0.5, 1.8))
    assert out[0, 0].is_empty and landed[0] > 8.0


def test_slivers_are_left_out_and_plain_outlines_are_a_little_larger() -> None:
    found = shores._without_slivers(regions(box(0, 0, 5, 5) | box(9, 0, 9.1, 5), box(0, 0, 0.1, 5)))
    assert areas(found) == [pytest.approx(25.0, abs=1e-3), 0.5]  # a sliver by itself is kept
    disc = shapely.Point(0, 0).buffer(10.0, quad_segs=64)
    around = plain_around(regions(disc))[0]
    assert around.contains(disc) and around.area < np.pi * 10.3**2
    assert shapely.get_num_coordinates(around) < 60
    assert shores._are(
        regions(box(0, 0, 1, 1), box(0, 0, 1, 2)), regions(box(0, 0, 1, 1), box(0, 0, 1, 1))
    ).tolist() == [True, False]


def test_posts_as_wide_as_drag_asks() -> None:
    """At 90 mm on the bed: bends at 90 (0.2 / 2 E w²)^⅓, topples at (3 x 1.5 x 0.2 H / 0.5)^⅓ less twice the
    foot's widening; never thinner than four lines."""
    low, high = post_side_mm(np.array([1.0, 90.0]), np.array([True, True]), MINE)
    assert low == pytest.approx(4 * WIDTH)
    e = 1e3 * MINE.material.youngs_modulus_gpa
    bends, stands = 90 * (0.2 / (2 * e * WIDTH**2)) ** (1 / 3), (3 * 1.5 * 0.2 * 90 / 0.5) ** (1 / 3)
    assert high == pytest.approx(max(bends, stands - 2.0, 4 * WIDTH))
    on_part = float(post_side_mm(np.array([90.0]), np.array([False]), MINE)[0])
    bond = stability.part_bond_mpa(MINE)
    stands = (3 * 1.5 * 0.2 * 90 / bond) ** (1 / 3)
    assert on_part == pytest.approx(max(bends, 1.1 * stands + 0.1 * WIDTH, 4 * WIDTH))


# --- designs ---


def site_of(support, under=None, sections=None) -> SupportSite:
    count = len(support)
    none = [EMPTY] * count
    stack = stack_of(none if sections is None else sections)
    return SupportSite(
        stack, regions(*support), regions(*none), regions(*none), regions(*(under or none)), 0.3, 8.0, MINE
    )


def cost_of(length_mm: float, seconds: float, more: float = 0.0) -> Cost:
    section = bead_section_mm2(WIDTH, MINE.layer_height_mm)
    cost = Rates(MINE).cost(length_mm * section, length_mm / MINE.support_speed_mm_s + seconds)
    return replace(cost, price=cost.price + more)


def test_a_curtain_is_lines_a_dense_foot_and_paths() -> None:
    """20 x 10 mm over 4 layers with lines every 3 mm, two layers of foot; not slim."""
    support = [box(0, 0, 20, 10)] * 4
    cells = cells_of(regions(*support), 0.0)
    (found,) = design._curtain_costs(cells, np.zeros(1), 3.0, MINE)
    length = 4 * 200.0 / 3.0 + 2 * 200.0 / WIDTH
    chord = np.pi * 200.0 / 60.0
    expected = cost_of(length, 0.35 * 4 * (200.0 / 3.0 / chord))
    assert (found.volume_mm3, found.time_s, found.price) == pytest.approx(
        (expected.volume_mm3, expected.time_s, expected.price)
    )
    # slim: its outline, one path with four corners and the way back; on the part from layer 1 on
    slim = [EMPTY, *[box(0, 0, 20, 2)] * 3]
    cells = cells_of(regions(*slim), 0.0)
    (found,) = design._curtain_costs(cells, np.array([40.0]), 3.0, MINE)
    expected = cost_of(3 * 44.0 + 40.0 / WIDTH, 3 * (0.35 + 5 * 0.02), 0.0015 * 40.0)
    assert (found.time_s, found.price) == pytest.approx((expected.time_s, expected.price))


def test_area_of_the_part_on_which_each_piece_stands() -> None:
    support = [box(0, 0, 4, 4) | box(10, 0, 14, 4) | box(20, 0, 24, 4)]
    under = [box(0, 0, 0.1, 4) | box(10, 0, 10.2, 4)]
    cells = cells_of(regions(*support), 0.0)
    assert design._stood_mm2(cells, site_of(support, under)) == pytest.approx([0.4, 0.8, 0.0])


def empty_bays(side, piece) -> Bays:
    count = len(side)
    heads = np.full((count, 4), EMPTY, dtype=object)
    return Bays(heads, np.array(piece), np.array(side), np.zeros((count, 2)), np.zeros(count))


def priced(price: float) -> Cost:
    return replace(Cost(), price=price, mass_g=price, time_s=60.0 * price)


def test_ways_to_build_a_piece_are_sorted_by_price_and_the_wide_curtain_is_only_told() -> None:
    support = [box(0, 0, 20, 10)] * 4
    cells = cells_of(regions(*support), 0.0)

    def row_of(sides, *prices):
        spots = Given(cells=cells, stood_mm2=np.zeros(1))
        posts = Given(spots=spots, bays=empty_bays(sides, [0] * len(sides)), costs=prices)
        (row,) = design._table(posts, site_of(support))
        return row

    row = row_of([40.0, 40.0, 80.0], *(priced(p) for p in (1e-4, 2e-4, 1e-4)))
    assert list(row) == [80.0, 40.0, CURTAIN, WIDE]
    assert row[40.0].price == pytest.approx(3e-4)
    assert row[WIDE].price < row[CURTAIN].price
    assert list(row_of([40.0, 40.0, 80.0], *[priced(50.0)] * 3)) == [CURTAIN, 80.0, 40.0, WIDE]
    assert list(row_of([40.0, 80.0], *[priced(50.0)] * 2)) == [CURTAIN, 80.0, 40.0, WIDE]  # the larger bays


def told(side_mm, prices, pieces):
    made = Given(side_mm=np.array(side_mm), prices=prices)
    return design.Design._told(made, pieces)


def test_why_a_piece_is_built_so_and_what_else_could_be() -> None:
    prices = [
        {40.0: priced(1.0), CURTAIN: priced(2.0), WIDE: priced(0.5)},
        {80.0: priced(3.0), 40.0: priced(4.0), CURTAIN: priced(9.0), WIDE: priced(1.0)},
    ]
    why, others = told([40.0, 80.0], prices, [0])
    assert plain(why) == "shores with bays of 40 mm; next best curtain, about 2.0 g and 2 min"
    assert [o.structure for o in others] == ["curtain", WIDE_NAME]
    why, others = told([40.0, 80.0], prices, [0, 1])
    assert plain(why).startswith("shores with bays of 40 mm and shores with bays of 80 mm; next best shores")
    # of 80 mm for the first, which has none of them, its cheapest shores
    assert [(o.structure[-6:], o.cost.price) for o in others] == [
        (" 80 mm"[-6:], 4.0),
        (" 40 mm"[-6:], 5.0),
        ("urtain", 11.0),
        (WIDE_NAME[-6:], 1.5),
    ]
    why, others = told([CURTAIN], [{CURTAIN: priced(1.0), WIDE: priced(0.5)}], [0])
    assert (why, [o.structure for o in others]) == ("curtain", [WIDE_NAME])


def test_posts_are_widened_and_curtains_take_over_piece_by_piece(monkeypatch) -> None:
    asked = []
    monkeypatch.setattr(
        Clear,
        "drawn",
        lambda self, bays, lean: asked.append(bays) or bays.heads,
    )
    bays = replace(empty_bays([40.0] * 3, [0, 1, 1]), post_mm=np.array([2.0, 3.0, 4.0]))
    support = [box(0, 0, 4, 4) | box(10, 0, 14, 4)] * 4
    cells = cells_of(regions(*support), 0.0)
    clear = Clear(regions(*[EMPTY] * 4), np.zeros(2, bool))
    made = design.Design(
        site_of(support),
        clear,
        cells,
        np.array([40.0, 40.0]),
        ({}, {}),
        bays,
        bays.heads,
        regions(),
        np.empty(0, int),
        np.empty(0, int),
    )
    wider = made.with_posts(np.array([1.0, 1.5]))
    assert wider.bays.post_mm.tolist() == [2.0, 4.5, 6.0] and made.bays.post_mm.tolist() == [2.0, 3.0, 4.0]
    assert [one.piece.tolist() for one in asked] == [[1, 1]]
    straight = made.with_curtains(np.array([False, True]))
    assert straight.side_mm.tolist() == [40.0, CURTAIN] and straight.bays.piece.tolist() == [0]
    assert areas(straight.support) == [16.0] * 4 and areas(made.support) == [0.0] * 4


def test_a_place_beside_the_part_is_the_nearest_from_which_a_post_reaches_the_bed(monkeypatch) -> None:
    """Free where x is 3 or more: at a radius of 3 mm straight along x; a shore leans 0.27 mm a layer."""
    monkeypatch.setattr(
        design, "_landing", lambda at, side, layer, site: np.where(at[:, 0] >= 3.0 - 1e-9, -1, 5)
    )
    site = site_of([EMPTY])
    assert design._beside(np.zeros(2), 100, 1.8, site) == pytest.approx([3.0, 0.0])
    assert design._beside(np.zeros(2), 12, 1.8, site) == pytest.approx([3.0, 0.0])  # 12 x 0.27 = 3.24 mm
    assert design._beside(np.zeros(2), 11, 1.8, site) is None  # 2.97 mm
    monkeypatch.setattr(design, "_landing", lambda at, side, layer, site: np.full(len(at), 5))
    assert design._beside(np.zeros(2), 1000, 1.8, site) is None


def test_of_the_posts_of_a_bay_the_cheapest_is_kept(monkeypatch) -> None:
    bays = empty_bays([40.0, 40.0, 80.0], [0, 0, 1])
    monkeypatch.setattr(
        design,
        "_with_posts",
        lambda b, site: (design.joined_bays([b, b.only(np.array([1]))]), np.array([0, 1, 2, 1])),
    )
    monkeypatch.setattr(design, "_shore_costs", lambda b, s, c: [priced(p) for p in (5.0, 4.0, 3.0, 2.0)])
    found, costs = design._best_posts(bays, None, None)
    assert [c.price for c in costs] == [5.0, 2.0, 3.0] and found.side_mm.tolist() == [40.0, 40.0, 80.0]
    none = empty_bays([], [])
    assert design._best_posts(replace(none, piece=np.empty(0, int)), None, None)[1] == []


# --- checks ---


def checked(cells: Cells, closed: int = 1, walls=(), tie_mm=0.0, structure=STRUCTURE, scar=0.0, dense=1.0):
    z = 0.2 * np.arange(int(cells.layer.max()) + 2)
    area = shapely.area(cells.polygon)
    scars = np.where(cells.layer == cells.layer.min(), scar, 0.0)
    lines = np.where(cells.slim, closed, 0).astype(np.int64)
    process = replace(PLA, structure=structure)
    return check_pieces(
        cells, list(walls), lines, np.full(cells.pieces, tie_mm), CellAreas(scars, dense * area), z, process
    )


def tower(wide: float, deep: float, layers: int, slim: float = 5.0) -> Cells:
    return cells_of(regions(*[box(0, 0, wide, deep)] * layers), slim)


def test_a_strip_is_half_as_broad_as_its_hydraulic_width() -> None:
    """20 x 2 mm, 10 mm high: hydraulic width 40 x 4 / 44 = 3.64, half of it 1.82."""
    found = checked(tower(20.0, 2.0, 50))
    assert found.slenderness[0] == pytest.approx(10.0 / (2.0 * 40.0 / 44.0))
    side = 2.0 * 40.0 / 44.0
    long = 22.0 - side
    moment = (long * side**3 - (long - 2 * WIDTH) * (side - 2 * WIDTH) ** 3) / 12.0
    weight = 9.81e-6 * 1.24 * 40.0 * 10.0
    load = NOZZLE_PRESS_N + weight
    expected = np.pi**2 * 3300.0 * moment / (2 * 10.0) ** 2 / load
    assert found.buckling_safety[0] == pytest.approx(expected, rel=1e-3)
    thick = checked(tower(20.0, 2.0, 50), closed=3)  # its lines fill it
    solid = long * side**3 / 12.0
    assert thick.buckling_safety[0] == pytest.approx(np.pi**2 * 3300.0 * solid / 400.0 / load, rel=1e-3)


def test_a_column_is_thickened_until_it_is_stocky_enough() -> None:
    """40 mm high and 1 mm square: slenderness 40; at most 20 asks for 2 mm, so half a mm on every side."""
    stocky = replace(STRUCTURE, wall_slenderness=20.0)
    found = checked(tower(1.0, 1.0, 200), structure=stocky)
    assert found.slenderness[0] == pytest.approx(40.0) and found.weak[0]
    assert found.wanted.thicken_mm[0] >= 0.5 and found.wanted.thicken_mm[0] % 0.25 == 0.0
    most = checked(tower(1.0, 1.0, 2000), structure=stocky)
    assert most.wanted.thicken_mm[0] == 3.0
    fine = checked(tower(4.0, 4.0, 20), structure=stocky)
    assert fine.wanted.thicken_mm[0] == 0.0 and not fine.weak[0]


def test_the_middle_width_of_a_column_counts() -> None:
    shapes = [box(0, 0, 3, 3)] * 30 + [box(0, 0, 1, 1)] * 2 + [box(0, 0, 3, 3)] * 30
    found = checked(cells_of(regions(*shapes), 5.0))
    assert found.slenderness[0] == pytest.approx(12.4 / 3.0)


def lines_in(cells: Cells, role=Role.LINE, long: float = 20.0) -> Walls:
    layers = np.arange(len(cells.layer))
    zero = np.zeros(len(layers), dtype=np.int64)
    span = np.tile([0.0, long], (len(layers), 1))
    return Walls(0.0, 3.0, role, np.zeros(len(layers)), span, layers, zero, zero, layers)


def test_what_holds_a_wall() -> None:
    """20 mm long and 40 high: free; a grid's other set every 3 mm; the closed line at its ends; ties."""
    cells = tower(20.0, 10.0, 200)
    crossed = replace(STRUCTURE, weave="crossed")
    both = (lines_in(cells), lines_in(cells, Role.CROSS))
    slender = {
        "free": checked(cells, walls=both[:1]).slenderness[0],
        "lone set of a grid": checked(cells, walls=both[:1], structure=crossed).slenderness[0],
        "grid": checked(cells, walls=both, structure=crossed).slenderness[0],
        "ties": checked(cells, walls=both, tie_mm=8.0).slenderness[0],
    }
    expected = {"free": 40.0, "lone set of a grid": 40.0, "grid": 3.0, "ties": 8.0}
    assert slender == pytest.approx({name: mm / WIDTH for name, mm in expected.items()})
    tall = (lines_in(cells, long=20.0), lines_in(cells, Role.CROSS, long=2.0))
    assert checked(cells, walls=tall).buckling_safety == checked(cells, walls=tall[:1]).buckling_safety
    z = 0.2 * np.arange(201)
    area = shapely.area(cells.polygon)
    ringed = check_pieces(
        cells, [both[0]], np.ones(200, np.int64), np.zeros(1), CellAreas(0 * area, area), z, MINE
    )
    assert ringed.slenderness[0] == pytest.approx(20.0 / WIDTH)


def test_ties_are_wanted_as_far_apart_as_slenderness_lets_them_and_not_nearer_than_four_lines() -> None:
    cells = tower(20.0, 10.0, 200)
    for limit, tie in ((20.0, 9.0), (30.0, 13.0), (5.0, 2.0)):
        found = checked(cells, walls=(lines_in(cells),), structure=replace(STRUCTURE, wall_slenderness=limit))
        assert found.wanted.tie_mm[0] == tie  # whole mm of 20, 30 and 5 times 0.45
    low = tower(20.0, 10.0, 10)
    assert checked(low, walls=(lines_in(low),)).wanted.tie_mm[0] == 0.0


def test_a_foot_is_widened_by_whole_steps_at_most_eight_millimetres() -> None:
    found = checked(tower(4.0, 4.0, 400, slim=1.0))
    safety = found.topple_safety[0]
    assert 0.0 < safety < 1.5
    factor = np.cbrt(1.5 / safety)
    assert found.wanted.widen_mm[0] == np.ceil(4.0 * (factor - 1.0)) / 2.0
    assert checked(tower(3.0, 3.0, 3000, slim=1.0)).wanted.widen_mm[0] <= 8.0
    floating = cells_of(regions(*[EMPTY] * 5, *[box(0, 0, 2, 2)] * 200), 1.0)
    assert checked(floating).wanted.widen_mm[0] == 0.0  # it has no foot


def test_what_leans_off_its_foot_turns_by_its_own_weight() -> None:
    """A foot of 10 mm with a head of 40 x 10 x 2 mm that reaches 35 mm past it: the weight pulls it over."""
    foot, head = box(0, 0, 10, 10), box(5, 0, 45, 10)
    lean = checked(cells_of(regions(*[foot] * 20, *[head] * 10), 1.0))
    upright = checked(cells_of(regions(*[foot] * 20, *[box(-15, 0, 25, 10)] * 10), 1.0))
    area = 100.0 * 4.0 + 400.0 * 2.0
    weight = 9.81e-6 * 1.24 * area
    middle = (400.0 * 5.0 + 800.0 * 25.0) / 1200.0
    holds = BED_BOND_MPA * 10.0**3 / 3.0
    turning = 0.2 * 6.0 + weight * (middle - 10.0)
    assert lean.topple_safety[0] == pytest.approx(holds / turning, rel=0.02)
    assert upright.topple_safety[0] > lean.topple_safety[0]


def test_a_foot_that_stays_holds_a_fifth_more_than_what_it_carries() -> None:
    from falsework.droop.bond import top_of
    from falsework.droop.laws import Laws

    share = Laws(MINE).bond_share(0.4, top_of(MINE, 2)).value
    expected = 1.2 * 30.0 * share * 100.0 / 0.5
    assert foot_to_stay_mm2(np.array([0.0, 100.0]), MINE).tolist() == pytest.approx([0.0, expected])


def test_remedies_in_words_and_together() -> None:
    assert (
        plain(remedy_text(8.0, 2.5, 0.75))
        == "lines tied every 8 mm, columns thickened by 0.75 mm a side, foot 2.5 mm wider"
    )
    assert remedy_text(0.0, 0.0, 0.0) == ""
    one = Brace(np.array([8.0, 0.0]), np.array([1.0, 0.0]), np.array([0.0, 0.5]))
    also = one.also(Brace(np.array([5.0, 5.0]), np.array([2.0, 1.0]), np.array([0.25, 0.25])))
    assert (also.tie_mm.tolist(), also.widen_mm.tolist(), also.thicken_mm.tolist()) == (
        [8, 0],
        [3, 1],
        [0.25, 0.75],
    )
    assert one.reshapes and not Brace(np.ones(1), np.zeros(1), np.zeros(1)).reshapes
    assert Brace(np.ones(1), np.zeros(1), np.ones(1)).reshapes
    left = one.only(np.array([False, True]))
    assert (left.tie_mm.tolist(), left.widen_mm.tolist(), left.thicken_mm.tolist()) == ([0.0], [0.0], [0.5])


# --- drafts ---


def place_of(blocked=None, sections=None, layers: int = 4):
    none = regions(*[EMPTY] * layers)
    return Given(
        process=MINE,
        blocked=none if blocked is None else regions(*blocked),
        reach_mm=0.3,
        stack=stack_of(sections or [EMPTY] * layers),
        need=None,
        gap=Gap(0.4, 2, 0.4),
        around=around_of(sections or [EMPTY] * layers, [box(0, 0, 9, 9)] * layers),
        kept=Store(),
    )


def test_feet_are_widened_clear_of_the_part_and_within_the_layer_beneath() -> None:
    """A square of 4 mm: 6 mm on its two layers of foot; on the second only as far as on the first."""
    support = regions(*[box(0, 0, 4, 4)] * 4)
    found = draft._with_feet(support, 2, place_of())
    assert areas(found) == pytest.approx([36.0, 36.0, 16.0, 16.0])
    wall = place_of(blocked=[box(4.5, -9, 9, 9), EMPTY, EMPTY, EMPTY])
    assert areas(draft._with_feet(support, 2, wall)) == pytest.approx([33.0, 33.0, 16.0, 16.0])
    hanging = regions(EMPTY, *[box(0, 0, 4, 4)] * 3)
    assert areas(draft._with_feet(hanging, 2, place_of())) == pytest.approx([0.0, 16.0, 16.0, 16.0])


def test_feet_of_some_pieces_are_widened_further() -> None:
    support = regions(*[box(0, 0, 4, 4) | box(20, 0, 24, 4)] * 3)
    cells = cells_of(support, 1.0)
    wide = np.where(np.arange(2) == cells.piece[0], 2.0, 0.0)
    first = float(shapely.bounds(cells.polygon[0])[0])
    found = draft._widened(support[:2], cells, wide, place_of())
    assert areas(found) == pytest.approx([64.0 + 16.0] * 2)
    assert shapely.bounds(found[0])[0] == pytest.approx(min(first - 2.0, 0.0) if first == 0.0 else 0.0)
    assert areas(draft._widened(support[:2], cells, np.zeros(2), place_of())) == pytest.approx([32.0] * 2)


def test_how_much_wider_a_foot_must_be_to_stay_on_the_bed(monkeypatch) -> None:
    """4 x 4 mm that lack 20 mm²: by w it grows by 16 w + 4 w² = 20, w = 1; not where it stands on the part,
    is large enough, or would have to spread by more than 8 mm."""
    cells = cells_of(regions(*[box(0, 0, 4, 4) | box(20, 0, 24, 4)] * 2), 1.0)
    monkeypatch.setattr(
        draft, "contacts_of", lambda *how: (np.array([0, 1]), np.array([0, 0]), np.array([5.0, 7.0]))
    )
    seen = []
    monkeypatch.setattr(
        draft, "foot_to_stay_mm2", lambda carried, process: seen.append(carried.tolist()) or np.array(wants)
    )
    drafted = Given(cells=cells)

    def widen(foot=(16.0, 16.0), scar=(0.0, 0.0)):
        check = Given(foot_mm2=np.array(foot), scar_mm2=np.array(scar))
        return draft._to_stay_mm(drafted, check, place_of()).tolist()

    wants = [36.0, 16.0]
    assert widen() == pytest.approx([1.0, 0.0]) and seen == [[5.0, 7.0]]
    wants = [36.0, 36.0]
    assert widen(scar=(0.0, 0.1)) == pytest.approx([1.0, 0.0])
    wants = [16.0 + 16 * 8 + 4 * 64, 16.0 + 16 * 8.1 + 4 * 8.1**2]
    assert widen() == pytest.approx([8.0, 0.0])


def test_remedies_pass_to_the_pieces_that_the_old_ones_became_part_of() -> None:
    old = cells_of(regions(box(0, 0, 4, 4) | box(6, 0, 10, 4)), 1.0)
    new = cells_of(regions(box(0, 0, 10, 4)), 1.0)
    brace = Brace(np.array([5.0, 6.0]), np.array([1.0, 2.0]), np.array([0.5, 0.25]))
    moved = draft._renumbered(brace, old, new)
    assert (moved.tie_mm.tolist(), moved.widen_mm.tolist(), moved.thicken_mm.tolist()) == (
        [0.0],
        [2.0],
        [0.5],
    )


@pytest.mark.parametrize(
    ("hole", "safety", "slender", "buckling", "sound"),
    [
        (5.0, 1.2, 1.0, 9.0, True),  # half a mm around it
        (5.0, 0.9, 1.0, 9.0, False),
        (5.0, 1.2, 99.0, 9.0, False),
        (5.0, 1.2, 1.0, 0.5, False),
        (7.0, 1.2, 1.0, 9.0, False),  # too far away
    ],
)
def test_what_stands_in_a_bore_cannot_fall(hole, safety, slender, buckling, sound) -> None:
    """A column of 4 mm in a hole, the part around its lowest fifth and more."""
    gap = 0.5 * (hole - 4.0)
    ring = box(-20, -20, 24, 24).difference(box(-gap, -gap, 4 + gap, 4 + gap))
    place = place_of(sections=[ring] * 3 + [EMPTY] * 7, layers=10)
    cells = cells_of(regions(*[box(0, 0, 4, 4)] * 10), 1.0)
    check = Given(
        slenderness=np.array([slender]),
        buckling_safety=np.array([buckling]),
        topple_safety=np.array([safety]),
        weak=np.array([True]),
        top_mm=np.array([2.0]),
        bottom_mm=np.array([0.0]),
    )
    assert draft._in_bores(check, cells, place).tolist() == [sound]
    low = place_of(sections=[ring] + [EMPTY] * 9, layers=10)  # around less than a fifth of it
    assert draft._in_bores(check, cells, low).tolist() == [False]


# --- what is built in the end ---


def tally(price, weak, takes, stuck=None):
    return making._Tally(
        np.array(takes, float),
        np.array(price, float),
        np.zeros(len(price)),
        np.array(weak),
        np.zeros(len(price), bool) if stuck is None else np.array(stuck),
    )


@pytest.mark.parametrize(
    ("price", "weak", "mend", "curtain_price", "curtain_weak", "beaten"),
    [
        (5.0, False, False, 6.0, False, False),
        (6.0, False, False, 6.0, False, True),  # as dear
        (7.0, False, False, 6.0, True, False),  # a weak curtain is no better
        (5.0, True, False, 6.0, False, True),  # a weak shore beside a sound curtain
        (5.0, True, True, 6.0, False, False),  # its posts will be widened
        (7.0, True, False, 6.0, True, True),
    ],
)
def test_when_a_curtain_beats_shores(price, weak, mend, curtain_price, curtain_weak, beaten) -> None:
    built, curtain = (
        tally([price], [weak], [[1.0, 1.0]]),
        tally([curtain_price], [curtain_weak], [[2.0, 2.0]]),
    )
    found = making._beaten(built, curtain, np.array([mend]), np.array([True]))
    assert found.tolist() == [beaten]


def test_where_all_doubtful_together_take_more_those_that_do_are_curtains() -> None:
    built = tally([1.0, 1.0, 1.0], [False] * 3, [[9.0, 1.0], [1.0, 1.0], [9.0, 9.0]])
    curtain = tally([2.0, 2.0, 2.0], [False] * 3, [[3.0, 5.0], [3.0, 5.0], [1.0, 1.0]])
    doubtful = np.array([True, True, False])
    assert making._beaten(built, curtain, np.zeros(3, bool), doubtful).tolist() == [True, False, True]
    assert making._sums(np.array([1, 1, 0]), np.array([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]]), 3).tolist() == [
        [5.0, 6.0],
        [4.0, 6.0],
        [0.0, 0.0],
    ]
    assert making._any(np.array([2, 0]), np.array([True, False]), 3).tolist() == [False, False, True]
    assert curtain.first(2).price.tolist() == [2.0, 2.0]


def test_what_stays_in_costs_more_than_what_leaves(monkeypatch) -> None:
    """Two minutes of hand work and one and a half a cm² under the part; marks where it stands on it."""
    cells = cells_of(regions(*[box(0, 0, 4, 4)] * 7), 1.0)
    seen = []

    def leaving(polygon, layer, piece, count, outlines):
        seen.append(layer.tolist())
        return np.array([free])

    monkeypatch.setattr(making, "leaving", leaving)
    made = Given(
        draft=Given(cells=cells),
        check=Given(scar_mm2=np.array([10.0]), topple_safety=np.array([3.0]), weak=np.array([True])),
        costs=[priced(1.0)],
        taken=np.array([[5.0, 6.0]]),
        contact_mm2=np.array([200.0]),
    )
    free = True
    out = making._tallied(made, np.array([1]), 2, None)
    marks = 0.0015 * 10.0
    assert out.price.tolist() == pytest.approx([0.0, 1.0 + marks]) and seen == [[0, 3, 6]]
    assert out.safety.tolist() == [np.inf, 3.0] and out.weak.tolist() == [False, True]
    assert out.takes.tolist() == [[0.0, 0.0], [5.0, 6.0]] and not out.stuck.any()
    free = False
    stuck = making._tallied(made, np.array([1]), 2, None)
    assert stuck.price[1] - out.price[1] == pytest.approx((2.0 + 1.5 * 2.0) * 0.2)
    assert stuck.stuck.tolist() == [False, True]


# --- starts and obstacles ---


def strands_at(ends, layer):
    from falsework.support.scheme import SupportStrands

    count = len(ends)
    return SupportStrands(
        np.array(ends, float).reshape(-1, 4),
        np.array(layer),
        np.zeros(count, np.int8),
        np.zeros(count, np.int64),
    )


def test_a_start_is_carried_by_strands_a_gap_beneath_it_or_two_layers_more() -> None:
    """A square of 2 mm that starts on layer 9, two layers of gap: strands of layers 6, 5 and 4 count."""
    square = box(0, 0, 2, 2)
    need = need_of([(9, square, 0)], [underside(1)])
    need = replace(need, region_starts=np.array([True]))
    sections = [box(-5, -5, 5, 5)] * 3 + [EMPTY] * 6 + [square]
    across = [(-1.0, y, 3.0, y) for y in (0.2, 0.6, 1.0, 1.4, 1.8)]

    def start(layer, ends=across, structure=STRUCTURE):
        (one,) = starts_of(
            stack_of(sections),
            need,
            strands_at(ends, [layer] * len(ends)),
            Gap(0.4, 2, 0.4),
            replace(PLA, structure=structure),
        )
        return one

    assert [(start(k).carried, start(k).piece) for k in (7, 6, 5, 4, 3)] == [
        (False, 0),
        (True, 1),
        (True, 1),
        (True, 1),
        (False, 0),
    ]
    one = start(6)
    assert (one.area_mm2, one.falls_mm) == pytest.approx((4.0, 9 * 0.2 - 3 * 0.2))
    assert one.at_mm[2] == pytest.approx(1.8) and one.carried_share == pytest.approx(1.0)
    # a lone strand along its edge: 0.45 mm of 2 lie over it with an interface; without one half a spacing
    edge = [(-1.0, 0.0, 3.0, 0.0)]
    assert start(6, edge).carried_share == pytest.approx(0.45 / 2.0, rel=0.02) and not start(6, edge).carried
    bare = start(6, edge, replace(STRUCTURE, interface_layers=0))
    assert bare.carried_share == pytest.approx((1.5 + 0.45) / 2.0, rel=0.02) and bare.carried
    # farther than a line away nothing lies beneath it, whatever its reach
    far = start(6, [(-1.0, -0.5, 3.0, -0.5)], replace(STRUCTURE, interface_layers=0))
    assert (far.carried, far.piece, far.carried_share) == (False, 0, 0.0)
    assert _floor_mm(
        stack_of(sections), np.array([[1.0, 1.0], [9.0, 9.0]]), np.array([9, 9])
    ).tolist() == pytest.approx([0.6, 0.0])


@pytest.mark.parametrize(
    ("beneath", "standing", "kind", "room_mm"),
    [
        (box(-5, -5, 9, 9), Standing.BED_OR_PART, "gap", 1.2),
        (box(-5, -5, 9, 9), Standing.BED, "part", None),
        (EMPTY, Standing.BED, "gap", 1.8),
        (box(-5, -5, 1.0, 9), Standing.BED, "gap", 1.8),  # a third of it: support passes beside
    ],
)
def test_what_stands_in_the_way_of_support(beneath, standing, kind, room_mm) -> None:
    strip = box(0, 0, 4, 4)
    need = need_of([(9, strip, 0)], [underside(1)])
    sections = regions(*[beneath] * 3, *[EMPTY] * 6, strip)
    found = _obstacle(need, 0, standing, regions(EMPTY), sections, 0.2 * np.arange(11), MINE)
    assert found.what == kind
    if room_mm is not None:
        assert found.room_mm == pytest.approx(room_mm)


class Chosen:
    """A design of three pieces, each its own group, that tells what is asked of it."""

    def __init__(self, side, prices):
        self.side_mm = np.array(side, float)
        self.prices = [{CURTAIN: Cost(volume_mm3=v, time_s=t)} for v, t in prices]
        self.layer = self.heads = self.outlines = None
        self.piece = np.arange(3)
        self.done = []

    def groups(self, cells):
        return np.arange(3), np.arange(3)

    def curtain(self, pieces):
        self.done.append(("tried", pieces.tolist()))

    def with_curtains(self, pieces):
        self.done.append(("curtains", pieces.tolist()))
        return self

    def with_shores(self, pieces):
        self.done.append(("shores", pieces.tolist()))
        return self

    def with_posts(self, times):
        self.done.append(("posts", [round(t, 3) for t in times.tolist()]))
        return self


@pytest.mark.parametrize(
    ("change", "last", "done"),
    [
        ({}, False, []),  # all stand, and none comes near a curtain's price
        # half as much as asked: posts wider by a tenth more than the cube root of 2; at most twice as wide
        ({"safety": [0.75, 9.0, 9.0]}, False, [("posts", [1.386, 1.0, 1.0])]),
        ({"safety": [0.01, 1.5, 9.0]}, False, [("posts", [2.0, 1.0, 1.0])]),
        ({"safety": [0.75, 9.0, 9.0]}, True, []),  # no second time
        ({"safety": [9.0, 9.0, 0.1]}, False, []),  # a curtain has no posts
        # from 0.45 of the estimate of a curtain, that is built too, and is the cheaper one
        ({"takes": [[46.0, 1.0], [44.0, 1.0], [99.0, 1.0]]}, False, [[True, False, False]]),
        ({"takes": [[1.0, 1.0], [1.0, 46.0], [1.0, 1.0]]}, False, [[False, True, False]]),
        ({"weak": [True, False, True]}, False, [[True, False, False]]),
        ({"stuck": [False, True, True]}, False, [[False, True, False]]),
        ({"weak": [True, False, False], "safety": [0.75, 9, 9]}, False, [("posts", [1.386, 1.0, 1.0])]),
        ({"weak": [True, False, False], "safety": [0.75, 9, 9]}, True, [[True, False, False]]),
        # dear in one group, to be widened in another
        (
            {"stuck": [False, True, False], "safety": [0.75, 9, 9]},
            False,
            [[False, True, False], ("posts", [1.386, 1.0, 1.0])],
        ),
    ],
)
def test_posts_are_widened_and_curtains_built_where_shores_are_in_doubt(
    monkeypatch, change, last, done
) -> None:
    """Two pieces of shores and a curtain; curtains are estimated at 100 mm³ and 100 s each."""
    values = {"safety": [9.0] * 3, "weak": [False] * 3, "stuck": [False] * 3, "takes": [[1.0, 1.0]] * 3}
    values |= change
    built = making._Tally(
        np.array(values["takes"]),
        np.full(3, 5.0),
        np.array(values["safety"], float),
        np.array(values["weak"]),
        np.array(values["stuck"]),
    )
    curtain = tally([1.0] * 4, [False] * 4, [[1e3, 1e3]] * 4)
    tallies = [built, curtain]
    monkeypatch.setattr(making, "_tallied", lambda *how: tallies.pop(0))
    cells = Given(pieces=3, layer=None, polygon=None, piece=np.arange(3))
    made = Given(draft=Given(cells=cells))
    monkeypatch.setattr(making, "made_of", lambda *how: made)
    monkeypatch.setattr(making, "facing", lambda *how: (np.arange(3), np.arange(3)))
    one = Chosen([3.0, 3.0, CURTAIN], [(100.0, 100.0)] * 3)
    found = making._better(one, made, None, last, QUIET)
    told = []
    for item in done:
        told += [("tried", item), ("curtains", item)] if isinstance(item, list) else [item]
    assert one.done == told and (found is one) == bool(done)


@pytest.mark.parametrize(
    ("sides", "weak", "last", "raised"),
    [
        ([CURTAIN, 40.0], True, False, True),
        ([CURTAIN], True, False, False),  # none are to be had
        ([CURTAIN, 40.0], False, False, False),
        ([CURTAIN, 40.0], True, True, False),  # no second time
    ],
)
def test_a_curtain_that_does_not_stand_gives_way_to_shores(monkeypatch, sides, weak, last, raised) -> None:
    built = tally([5.0] * 3, [False, False, weak], [[1.0, 1.0]] * 3)
    built.safety[:] = 9.0
    monkeypatch.setattr(making, "_tallied", lambda *how: built)
    one = Chosen([3.0, 3.0, CURTAIN], [(100.0, 100.0)] * 3)
    one.prices[2] = dict.fromkeys(sides, Cost(volume_mm3=100.0, time_s=100.0))
    made = Given(draft=Given(cells=None))
    found = making._better(one, made, None, last, QUIET)
    told = [("shores", [False, False, True]), ("posts", [1.0, 1.0, 1.3])]
    assert one.done == (told if raised else []) and (found is one) == raised


def test_what_is_built_is_bettered_at_most_twice(monkeypatch) -> None:
    asked = []

    def better(one, made, place, last, watch):
        asked.append((one, last))
        return wanted.pop(0) if wanted else None

    monkeypatch.setattr(making, "_resting", lambda support, place: support)
    monkeypatch.setattr(making, "made_of", lambda support, shores, place, watch: support)
    monkeypatch.setattr(making, "_better", better)
    one, two, three = (Given(support=k, shores=None) for k in (1, 2, 3))
    wanted: list[object] = []
    assert making.best_made(one, None) == (one, 1) and asked == [(one, False)]
    wanted, asked[:] = [two, three], []
    assert making.best_made(one, None) == (three, 3)
    assert asked == [(one, False), (two, True)]


def test_what_nothing_carries_is_looked_for_where_it_hangs(monkeypatch) -> None:
    """What stands out by no more than a layer holds by itself does not hang; what is thinner than half a
    line is not built at all."""
    seen = []

    def carried(regions, hanging, around, reach_mm, width_mm):
        seen.append(areas(hanging))
        assert (around, reach_mm, width_mm) == ("around", 0.3, pytest.approx(0.9 * WIDTH))
        return regions

    monkeypatch.setattr(making, "carried", carried)
    place = Given(process=MINE, reach_mm=0.3, around="around", kept=Store())
    sliver = shapely.union(box(0, 0, 5.3, 5), box(9, 0, 9 + 0.4 * WIDTH, 5))
    found = making._resting(regions(box(0, 0, 5, 5), sliver, box(0, 0, 9.3, 5)), place)
    assert areas(found) == pytest.approx([25.0, 26.5, 46.5], abs=0.01)
    # each layer is told what hangs of the one above it: of 4 mm more, all but the reach
    assert seen == [pytest.approx([0.0, (9.3 - 5.6) * 5.0, 0.0], abs=0.01)]


@pytest.fixture
def drafting(monkeypatch):
    """``drafted`` with one piece, whose checks ask for what each case says, one after the other."""
    done: list[object] = []
    cells = Given(pieces=1)

    def run(*asked, shores=None, stay=0.0, weave="parallel"):
        done.clear()
        checks = [Given(wanted=Brace(*(np.array([float(v)]) for v in one))) for one in asked]

        def checked(one, areas, place):
            done.append("check")
            return checks.pop(0) if len(checks) > 1 else checks[0]

        def with_feet(support, layers, place):
            done.append(f"feet of {layers}")
            return support.copy()

        def note(name, back):
            def noted(*how):
                done.append(name(*how) if callable(name) else name)
                return back(*how)

            return noted

        monkeypatch.setattr(draft, "_checked", checked)
        monkeypatch.setattr(draft, "_with_feet", with_feet)
        monkeypatch.setattr(draft, "_cells", lambda *how: (cells, np.zeros(1, bool)))
        monkeypatch.setattr(
            draft, "_banded", lambda c, s, brace, p: draft.SupportDraft(c, s, None, None, [], brace)
        )
        monkeypatch.setattr(draft, "_areas", lambda *how: None)
        monkeypatch.setattr(draft, "_to_stay_mm", lambda *how: np.array([stay]))
        monkeypatch.setattr(draft, "_renumbered", lambda brace, old, new: brace)
        monkeypatch.setattr(
            draft, "_thickened", note(lambda *how: f"thicker {how[2][0]:g}", lambda support, *how: support)
        )
        monkeypatch.setattr(
            draft, "_widened", note(lambda *how: f"wider {how[2][0]:g}", lambda feet, *how: feet)
        )
        monkeypatch.setattr(draft, "_walled", note("walls", lambda one, place: one))
        monkeypatch.setattr(draft, "_tied", note(lambda *how: f"tied {how[1][0]:g}", lambda one, *how: one))
        process = replace(MINE, structure=replace(STRUCTURE, weave=weave, foot_layers=4))
        found, _ = draft.drafted(regions(*[EMPTY] * 3), shores, Given(process=process))
        return list(done), found.brace

    return run


def test_a_draft_that_stands_is_left_as_it_is(drafting) -> None:
    done, brace = drafting((0, 0, 0))
    assert done == ["feet of 3", "check", "walls", "check"] and not brace.reshapes


def test_feet_are_widened_at_most_twice_and_columns_thickened_once(drafting) -> None:
    done, brace = drafting((0, 1.5, 0.5), (0, 0.5, 0.25), (0, 0.5, 0.25))
    assert done == [
        *("feet of 3", "check"),
        *("thicker 0.5", "feet of 3", "wider 1.5", "check"),
        *("wider 0.5", "check"),
        *("walls", "check"),
    ]
    assert (brace.widen_mm[0], brace.thicken_mm[0]) == (2.0, 0.5)
    done, _ = drafting((0, 1.5, 0), (0, 0, 0.25))
    assert done == ["feet of 3", "check", "wider 1.5", "check", "walls", "check"]


def test_feet_of_shores_are_as_wide_as_it_takes_to_stay(drafting) -> None:
    done, brace = drafting((0, 1.0, 0), (0, 0, 0), shores=regions(EMPTY), stay=2.5)
    assert "wider 2.5" in done and brace.widen_mm[0] == 2.5
    assert "wider 3" in drafting((0, 3.0, 0), (0, 0, 0), shores=regions(EMPTY), stay=2.5)[0]
    assert not any(one.startswith("wider") for one in drafting((0, 0, 0), stay=2.5)[0])  # a curtain


def test_ties_are_drawn_where_lines_run_one_way(drafting) -> None:
    done, _ = drafting((4.0, 0, 0))
    assert done == ["feet of 3", "check", "walls", "check", "tied 4", "check"]
    assert "tied 4" not in drafting((4.0, 0, 0), weave="crossed")[0]


def test_cells_of_shores_are_slim_up_to_a_lane_and_two_lines(monkeypatch) -> None:
    """Elsewhere up to twice a line and its distance: 2 x (3.0 + 0.45) mm; closed lines run around both."""
    monkeypatch.setattr(draft, "lane_spacing_mm", lambda process: 8.0)
    support = regions(shapely.union_all([box(0, 0, 6.8, 6.8), box(20, 0, 27, 7), box(40, 0, 48.8, 8.8)]))
    cells, shore = draft._cells(support, None, MINE)
    assert cells.slim.tolist() == [True, False, False] and not shore.any()
    cells, shore = draft._cells(support, regions(box(39, -1, 60, 20)), MINE)
    assert cells.slim.tolist() == [True, False, True] and shore.tolist() == [False, False, True]
    more = shapely.union_all([box(40, 0, 49, 9)])
    assert draft._cells(regions(more), regions(more), MINE)[0].slim.tolist() == [False]


def test_columns_that_run_into_a_broad_cell_with_others_are_held_there() -> None:
    """Two legs under one plate are a frame; one under a plate of its own is not."""
    legs = shapely.union_all([box(0, 0, 2, 2), box(18, 0, 20, 2), box(40, 0, 42, 2)])
    plates = shapely.union_all([box(0, 0, 20, 2), box(36, -4, 46, 6)])
    cells = cells_of(regions(legs, legs, plates), 3.5)
    slim = np.flatnonzero(cells.slim)
    assert slim.tolist() == [0, 1, 2, 3, 4, 5]
    chain = np.array([0, 1, 2, 0, 1, 2])
    held = stability._held_above(cells, slim, chain, 3)
    on = {int(c): bool(h) for c, h in zip(chain, held[chain], strict=True)}
    at = [round(float(shapely.centroid(cells.polygon[k]).x)) for k in slim[:3]]
    assert dict(zip(at, (on[int(c)] for c in chain[:3]), strict=True)) == {1: True, 19: True, 41: False}


def volume_mm3(mesh) -> float:
    a, b, c = np.moveaxis(mesh.vertices[mesh.faces], 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


@pytest.mark.parametrize(
    ("lines", "tube_mm2"),
    [(0, 0.0), (1, 9.88**2 - 8.98**2), (2, 9.88**2 - 8.08**2)],  # 0.06 mm inside, each line 0.45 mm
)
def test_the_solid_is_of_slabs_and_tubes(lines, tube_mm2) -> None:
    """A block of 10 x 10 mm, five layers of 0.2 mm: two of foot, one of cap, between them closed lines."""
    whole = regions(*[box(0, 0, 10, 10)] * 5)
    cells, body = cells_of(whole, 1.0), regions(EMPTY, EMPTY, *whole[2:4], EMPTY)

    def dense(*layers):
        rows = np.array(layers, np.int64)
        return Given(polygon=whole[rows], layer=rows, piece=np.zeros(len(rows), np.int64))

    bands = Given(cap=dense(4), sole=dense(), foot=dense(0, 1), body=body)
    mesh = solid_of(cells, bands, [], np.full(5, lines), 0.2 * np.arange(6), 0.45)
    assert volume_mm3(mesh) == pytest.approx(60.0 + 0.4 * tube_mm2, rel=1e-3)
    assert (mesh.vertices[:, 2].min(), mesh.vertices[:, 2].max()) == pytest.approx((0.0, 1.0))

"""Whole pieces: sound meshes, limits kept, places shuffled, costs and needs as a plan would find them."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import manifold3d as m3
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from coupon.pieces import piece
from falsework.coupon import (
    ConditionKind,
    Coupon,
    CouponKind,
    PieceLimits,
    Shape,
    candidate_conditions,
    design_coupon,
    printed,
    support_condition,
)
from falsework.coupon.conditions import run_mm
from falsework.coupon.supports import process_of
from falsework.droop.laws import Laws
from falsework.errors import Cancelled, PartError, ProcessError
from falsework.files.threemf import split_mesh
from falsework.kernels.mesh.measures import mesh_volume
from falsework.need.underside import UndersideKind as Need
from falsework.planning import inspect, plan
from falsework.process import builtin, builtin_names
from falsework.support.bulk import section_tolerance_mm
from falsework.watch import Watch

KINDS = pytest.mark.parametrize("kind", list(CouponKind))


def check(coupon: Coupon) -> None:
    """What every piece must keep to."""
    printer = coupon.process.printer
    room = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    assert coupon.minutes <= coupon.most_minutes and coupon.grams <= coupon.most_grams
    assert coupon.minutes == pytest.approx(sum(b.minutes for b in coupon.batches))
    assert coupon.grams == pytest.approx(sum(b.grams for b in coupon.batches))
    labels = [cell.label for cell in coupon.cells]
    assert len(set(labels)) == len(labels)
    assert {cell.batch for cell in coupon.cells} == set(range(len(coupon.batches)))
    for number, (batch, body) in enumerate(zip(coupon.batches, coupon.geometry.bodies, strict=True)):
        assert body.part.health.closed and body.part.health.bodies == 1
        assert not body.part.health.findings
        assert body.part.volume_mm3 > 0  # outward
        low, high = body.part.bounds_mm
        assert (low >= -1e-9).all() and (high <= np.array(room) + 1e-9).all()
        assert low[2] == 0.0
        for cell in coupon.cells:
            if cell.batch == number:
                assert cell.condition.fan == batch.fan
                for k in (0, 1):
                    assert low[k] - 1e-6 <= cell.middle_mm[k] - 0.5 * cell.size_mm[k]
                    assert cell.middle_mm[k] + 0.5 * cell.size_mm[k] <= high[k] + 1e-6
        supported = [
            c.label for c in coupon.cells if c.condition.kind is ConditionKind.SUPPORT and c.batch == number
        ]
        assert sorted(set(body.piece_cell)) == sorted(supported)
        check_supports(coupon, body)


def check_supports(coupon: Coupon, body) -> None:
    """Closed outward shells, under their own cells, clear of the piece by the gaps."""
    faces = body.support_faces
    edges = Counter()
    for a, b in ((0, 1), (1, 2), (2, 0)):
        edges.update(map(tuple, faces[:, [a, b]].tolist()))
    assert all(edges[(b, a)] == n for (a, b), n in edges.items())
    for number, label in enumerate(body.piece_cell):
        mine = faces[body.face_piece == number]
        assert mesh_volume(body.support_vertices, np.ascontiguousarray(mine)) > 0
        cell = coupon.cell(label)
        points = body.support_vertices[np.unique(mine)]
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        assert np.abs(middle[:2] - cell.middle_mm).max() < 0.5 * coupon.process.structure.spacing_mm + 3.0


@KINDS
@pytest.mark.parametrize("name", builtin_names())
def test_every_piece_for_every_built_in_process(name: str, kind: CouponKind) -> None:
    coupon = piece(kind, name)
    check(coupon)
    assert len(coupon.cells) >= 3
    wanted = candidate_conditions(kind, Laws(coupon.process))
    assert len(coupon.cells) + len(coupon.left_out) == len(wanted)
    assert {c.condition for c in coupon.cells} <= set(wanted)
    assert coupon.cell(coupon.cells[0].label) is coupon.cells[0]


@settings(max_examples=8, deadline=None)
@given(
    name=st.sampled_from(builtin_names()),
    share=st.floats(0.3, 0.8),
    fan=st.sampled_from([0.0, 0.2, 1.0]),
    spacing=st.floats(1.0, 3.0),
    dense=st.integers(0, 4),
    first=st.floats(0.5, 1.2),
    bed=st.sampled_from([120.0, 220.0]),
    kind=st.sampled_from(list(CouponKind)),
)
def test_pieces_for_processes_of_all_sorts(
    name: str,
    share: float,
    fan: float,
    spacing: float,
    dense: int,
    first: float,
    bed: float,
    kind: CouponKind,
) -> None:
    base = builtin(name)
    height = share * base.nozzle_mm
    structure = replace(
        base.structure,
        spacing_mm=spacing * base.structure.spacing_mm,
        interface_layers=dense,
        line_angle_deg=37.0,
        weave="crossed" if dense == 3 else "parallel",
    )
    process = replace(
        base,
        layer_height_mm=height,
        first_layer_height_mm=min(first * height, base.nozzle_mm),
        fan=fan,
        structure=structure,
        printer=replace(base.printer, build_width_mm=bed, build_depth_mm=bed),
    )
    check(design_coupon(kind, process, seed=5, limits=PieceLimits(minutes=120, grams=60)))


@pytest.mark.parametrize("kind", [CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP])
def test_the_same_seed_gives_the_same_piece_and_another_shuffles_it(kind: CouponKind) -> None:
    process = builtin("pla-0.4")
    first, again, other = design_coupon(kind, process, seed=1), piece(kind), piece(kind, seed=2)
    assert first == again and first.to_json() == again.to_json()
    for one, two in zip(first.geometry.bodies, again.geometry.bodies, strict=True):
        assert one.part == two.part
        assert np.array_equal(one.support_vertices, two.support_vertices)
    assert other.code != first.code

    def order(coupon: Coupon):
        return [cell.condition for cell in sorted(coupon.cells, key=lambda cell: cell.label)]

    assert Counter(order(first)) == Counter(order(other))
    assert order(first) != order(other)
    assert order(first) != candidate_conditions(kind, Laws(process))[: len(first.cells)]


def test_a_coupon_survives_its_json_and_other_texts_are_refused() -> None:
    coupon = piece(CouponKind.GAP)
    assert Coupon.from_json(coupon.to_json()) == coupon
    with pytest.raises(PartError, match="Make the test piece again"):
        Coupon.from_json("{}")


@pytest.mark.parametrize("kind", [CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP])
def test_limits_cut_cells_and_the_piece_says_which(kind: CouponKind) -> None:
    process = builtin("pla-0.4")
    whole = design_coupon(kind, process, seed=1, limits=PieceLimits(minutes=200, grams=200))
    assert not whole.left_out
    small = design_coupon(kind, process, seed=1, limits=PieceLimits(minutes=0.6 * whole.minutes, grams=200))
    light = design_coupon(kind, process, seed=1, limits=PieceLimits(minutes=200, grams=0.6 * whole.grams))
    for cut, unit in ((small, "min"), (light, "g")):
        check(cut)
        assert 0 < len(cut.cells) < len(whole.cells)
        assert len(cut.left_out) == len(whole.cells) - len(cut.cells)
        assert all(unit in one.why and one.what for one in cut.left_out)
    # what is kept comes from the front of the list: nearest the threshold, then the ends
    kept = {cell.condition for cell in small.cells}
    assert candidate_conditions(kind, Laws(process))[0] in kept


def test_a_limit_too_tight_for_one_cell_is_refused() -> None:
    with pytest.raises(ProcessError, match=r"not even one cell .* more than 1"):
        design_coupon(CouponKind.GAP, builtin("pla-0.4"), limits=PieceLimits(minutes=1))
    process = builtin("pla-0.4")
    tiny = replace(process, printer=replace(process.printer, build_width_mm=25, build_depth_mm=25))
    with pytest.raises(ProcessError, match="the bed has no room"):
        design_coupon(CouponKind.GAP, tiny)


def test_a_small_bed_gets_columns_side_by_side() -> None:
    process = builtin("pla-0.4")
    small = replace(process, printer=replace(process.printer, build_width_mm=120, build_depth_mm=70))
    coupon = design_coupon(CouponKind.OVERHANG, small, seed=1)
    check(coupon)
    assert len(coupon.cells) == len(piece(CouponKind.OVERHANG).cells)
    assert len({round(cell.middle_mm[0] - 0.5 * cell.size_mm[0], 3) for cell in coupon.cells}) > 1


@pytest.mark.parametrize("name", ["pla-0.4", "petg-1.2"])
def test_a_plan_of_the_same_mesh_costs_the_same(name: str) -> None:
    """Exactly, without supports. With them within 8 %: where lines count from the bed's corner, a cell a few
    lines wide may get one more or less of them (1 % at 0.4 mm, 6 % at 1.2 mm)."""
    process = builtin(name)
    fan = piece(CouponKind.OVERHANG, name)
    cost = plan(fan.geometry.bodies[0].part, process, standing="leave", release=False).part_cost
    assert (cost.time_s / 60, cost.mass_g) == pytest.approx((fan.minutes, fan.grams), rel=1e-9)
    gap = design_coupon(
        CouponKind.GAP, process, cells=[support_condition(process, run_mm(Laws(process)))] * 3
    )
    printed_with = process_of(gap.cells[0].condition, process)  # with the small feet of test pieces
    result = plan(gap.geometry.bodies[0].part, printed_with, standing="bed", release=False)
    cost = result.part_cost + result.support_cost
    assert (cost.time_s / 60, cost.mass_g) == pytest.approx((gap.minutes, gap.grams), rel=0.08)


@pytest.mark.parametrize("name", ["pla-0.4", "abs-0.25"])
def test_fins_past_the_limit_reach_as_far_as_their_angle_says(name: str) -> None:
    coupon = piece(CouponKind.OVERHANG, name)
    process = coupon.process
    found = inspect(coupon.geometry.bodies[0].part, process)
    angles = [cell.condition.angle_deg for cell in coupon.cells]
    past = sorted(a for a in angles if a > process.limit_deg)
    seen = sorted(found.undersides, key=lambda u: u.angle_deg)
    assert [u.angle_deg for u in seen] == pytest.approx(past, abs=0.05)
    for underside, angle in zip(seen, past, strict=True):
        step = process.layer_height_mm * math.tan(math.radians(angle))
        assert underside.free_length_mm == pytest.approx(step, abs=2e-4)


@pytest.mark.parametrize("name", ["pla-0.4", "petg-0.8"])
def test_rungs_are_bridges_of_their_span(name: str) -> None:
    coupon = piece(CouponKind.BRIDGE, name)
    for number, body in enumerate(coupon.geometry.bodies):
        found = inspect(body.part, coupon.process)
        spans = sorted(cell.condition.span_mm for cell in coupon.cells if cell.batch == number)
        assert all(u.kind is Need.BRIDGE for u in found.undersides)
        assert sorted(u.span_mm for u in found.undersides) == pytest.approx(spans, abs=1e-3)


def test_the_confirmation_piece_has_an_underside_of_each_class() -> None:
    coupon = piece(CouponKind.CONFIRM)
    found = inspect(coupon.geometry.bodies[0].part, coupon.process)
    kinds = {u.kind for u in found.undersides}
    assert {Need.BRIDGE, Need.CANTILEVER, Need.ISLAND} <= kinds
    assert [cell.shape for cell in coupon.cells if cell.shape is Shape.FIN]
    assert max(u.span_mm for u in found.undersides if u.kind is Need.BRIDGE) == pytest.approx(
        next(c.condition.span_mm for c in coupon.cells if c.shape is Shape.RUNG)
    )


def test_given_cells_are_built_in_the_order_wanted() -> None:
    process = builtin("pla-0.4")
    wanted = [support_condition(process, 30.0, air_gap_mm=n * 0.2) for n in (2, 1, 3)]
    coupon = design_coupon(CouponKind.GAP, process, cells=wanted, limits=PieceLimits(minutes=10))
    assert 0 < len(coupon.cells) < 3
    assert {cell.condition for cell in coupon.cells} == set(wanted[: len(coupon.cells)])
    slopes = [
        printed(ConditionKind.OVERHANG, process, angle_deg=a, fan=f) for a in (40.0, 50.0) for f in (1.0, 0.5)
    ]
    assert [b.fan for b in design_coupon(CouponKind.OVERHANG, process, cells=slopes).batches] == [1.0, 0.5]


GOOD = support_condition(builtin("pla-0.4"), 30.0)


@pytest.mark.parametrize(
    ("kind", "condition", "wrong"),
    [
        (CouponKind.BRIDGE, GOOD, "is not tried on this piece"),
        (CouponKind.GAP, replace(GOOD, air_gap_mm=0.3), "no whole number of 0.2 mm layers"),
        (CouponKind.GAP, replace(GOOD, air_gap_mm=0.0), "no whole number"),
        (CouponKind.GAP, replace(GOOD, span_mm=20.0), "would run less than 20 mm"),
        (CouponKind.GAP, replace(GOOD, layer_height_mm=0.1), "layer_height_mm is 0.1, the process has 0.2"),
        (CouponKind.GAP, replace(GOOD, spacing_mm=None), "spacing_mm is missing"),
        (CouponKind.GAP, replace(GOOD, weave="waves"), "weave is 'waves'"),
        (CouponKind.GAP, replace(GOOD, interface_layers=99), "interface_layers is 99"),
        (CouponKind.OVERHANG, replace(GOOD, kind=ConditionKind.OVERHANG, angle_deg=89.0), "cannot lean 89°"),
    ],
)
def test_conditions_that_a_piece_cannot_have_are_refused(kind: CouponKind, condition, wrong: str) -> None:
    with pytest.raises(ProcessError, match="cell 2: .*" + wrong):
        good = candidate_conditions(kind, Laws(builtin("pla-0.4")))[0]
        design_coupon(kind, builtin("pla-0.4"), cells=[good, condition])
    with pytest.raises(ProcessError, match="no cells"):
        design_coupon(kind, builtin("pla-0.4"), cells=[])


def test_droop_is_what_the_jaws_read_beyond_the_nominal_thickness() -> None:
    cell = piece(CouponKind.GAP).cells[0]
    assert cell.droop_of(cell.nominal_mm + 0.15) == pytest.approx(0.15)
    with pytest.raises(ValueError, match="no thickness"):
        replace(cell, nominal_mm=None).droop_of(1.0)


def test_designing_can_be_stopped() -> None:
    with pytest.raises(Cancelled):
        design_coupon(CouponKind.GAP, builtin("pla-0.4"), watch=Watch(stop=lambda: True))


def solids_of(vertices: np.ndarray, faces: np.ndarray) -> m3.Manifold:
    """Overlapping closed shells as one solid of manifold3d."""
    count = len(vertices)
    ends = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    _, shell = connected_components(coo_array((np.ones(len(ends[0])), ends), shape=(count, count)))
    own = shell[faces[:, 0]]
    parts = []
    for number in np.unique(own):
        used, index = np.unique(faces[own == number], return_inverse=True)
        corners = index.reshape(-1, 3).astype(np.uint64)
        parts.append(m3.Manifold(m3.Mesh64(np.ascontiguousarray(vertices[used]), corners)))
    return m3.Manifold.batch_boolean(parts, m3.OpType.Add)


@pytest.mark.parametrize("name", ["pla-0.25", "petg-0.8"])
@pytest.mark.parametrize("kind", [CouponKind.GAP, CouponKind.CONFIRM])
def test_supports_keep_off_piece_and_neighbours_by_exactly_the_gaps(name: str, kind: CouponKind) -> None:
    """Distances as manifold3d measures them between the finished solids."""
    coupon = piece(kind, name)
    (body,) = coupon.geometry.bodies
    whole = solids_of(body.part.vertices, body.part.faces)
    meshes = split_mesh(body.support_vertices, body.support_faces, body.face_piece, len(body.piece_cell))
    supports = [solids_of(vertices, faces) for vertices, faces in meshes]
    process = coupon.process
    side_mm = process.structure.side_gap_mm + section_tolerance_mm(process)  # clearance errs to the wide side
    for label, support in zip(body.piece_cell, supports, strict=True):
        expected = min(side_mm, coupon.cell(label).condition.air_gap_mm)
        assert support.min_gap(whole, 10.0) == pytest.approx(expected, abs=1e-4)
    for a, b in pairwise(supports):
        assert a.min_gap(b, 10.0) > process.line_width_mm


@pytest.mark.parametrize("name", ["pla-0.4", "petg-0.8", "pla-1.2"])
@pytest.mark.parametrize("kind", list(CouponKind))
def test_pieces_stay_closed_where_a_reader_takes_near_corners_for_one(kind: CouponKind, name: str) -> None:
    """Corners up to a hundredth of a millimetre apart become one, flat triangles go: every edge still has as
    many faces on one side as on the other."""
    for body in piece(kind, name).geometry.bodies:
        for vertices, faces in (
            (body.part.vertices, body.part.faces),
            (body.support_vertices, body.support_faces),
        ):
            for step_mm in (1e-4, 1e-3, 1e-2):
                places = np.round(np.asarray(vertices) / step_mm).astype(np.int64)
                _, merged = np.unique(places, axis=0, return_inverse=True)
                corners = merged.ravel()[np.asarray(faces).reshape(-1, 3)]
                a, b, c = corners.T
                corners = corners[(a != b) & (b != c) & (c != a)]
                edges = np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]])
                there, times = np.unique(edges, axis=0, return_counts=True)
                back, times_back = np.unique(edges[:, ::-1], axis=0, return_counts=True)
                assert np.array_equal(there, back) and np.array_equal(times, times_back)

"""The solids of cells against closed forms: leans, spans, gaps in whole layers, nominal thicknesses."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from falsework.coupon import (
    ConditionKind,
    CouponKind,
    Shape,
    candidate_conditions,
    printed,
    support_condition,
)
from falsework.coupon.conditions import run_mm
from falsework.coupon.shapes import draft_of
from falsework.coupon.sizes import sizes_of
from falsework.coupon.supports import built, layers_of, part_of
from falsework.droop.laws import Laws
from falsework.process import builtin


def cell(condition, shape, process):
    """The draft of one cell and its part."""
    draft = draft_of(condition, shape, sizes_of([condition], Laws(process)), True)
    return draft, part_of("cell", draft.solid)


def face_normals(part):
    """(m, 3) unit normals and (m,) areas."""
    a, b, c = (part.vertices[part.faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    return cross / length[:, None], 0.5 * length


@pytest.mark.parametrize("name", ["abs-0.25", "pla-0.4", "petg-1.2"])
def test_a_fin_leans_as_asked_and_nothing_else_looks_down(name: str) -> None:
    process = builtin(name)
    for condition in candidate_conditions(CouponKind.OVERHANG, Laws(process)):
        draft, part = cell(condition, Shape.FIN, process)
        normals, areas = face_normals(part)
        down = (normals[:, 2] < -1e-6) & (part.vertices[part.faces].max(axis=1)[:, 2] > 1e-6)
        # the angle of an underside from the vertical is that of its normal below the horizontal
        lean = np.degrees(np.arcsin(-normals[down, 2]))
        assert lean == pytest.approx(condition.angle_deg, abs=1e-6)
        rise = part.bounds_mm[1, 2] - draft.underside_mm
        slanted = draft.wide_mm * rise / math.cos(math.radians(condition.angle_deg))
        assert areas[down].sum() == pytest.approx(slanted, rel=1e-9)
        assert rise >= 5 * process.layer_height_mm - 1e-9


@pytest.mark.parametrize("name", ["abs-0.25", "pla-0.4", "petg-1.2"])
def test_a_rung_spans_exactly_what_it_says(name: str) -> None:
    process = builtin(name)
    for condition in candidate_conditions(CouponKind.BRIDGE, Laws(process)):
        draft, part = cell(condition, Shape.RUNG, process)
        normals, areas = face_normals(part)
        corners = part.vertices[part.faces]
        under = (normals[:, 2] < -0.999) & (corners[:, :, 2].min(axis=1) > 1e-6)
        x = corners[under][:, :, 0]
        assert x.max() - x.min() == pytest.approx(condition.span_mm, abs=1e-9)
        assert corners[under][:, :, 2] == pytest.approx(draft.underside_mm)
        wall_lines = 2 * max(2, process.wall_lines)
        assert areas[under].sum() == pytest.approx(condition.span_mm * wall_lines * process.line_width_mm)


@pytest.mark.parametrize("height_mm", [0.1, 0.2, 0.9])
@pytest.mark.parametrize("layers", [1, 2, 3])
@pytest.mark.parametrize("dense", [0, 2])
def test_between_support_and_roof_are_exactly_so_many_layers(
    height_mm: float, layers: int, dense: int
) -> None:
    process = builtin("pla-0.4")
    if height_mm == 0.9:
        process = replace(process, nozzle_mm=1.4, line_width_mm=1.4, first_layer_height_mm=0.9)
    process = replace(process, layer_height_mm=height_mm)
    gap = layers * height_mm
    condition = support_condition(process, run_mm(Laws(process)), air_gap_mm=gap, interface_layers=dense)
    draft, part = cell(condition, Shape.ROOF, process)
    made = built(draft, process)
    roof = part.vertices[part.vertices[:, 2] > 1e-6][:, 2]
    assert np.isclose(roof, draft.underside_mm).any()
    assert draft.underside_mm - made.vertices_mm[:, 2].max() == pytest.approx(gap, abs=1e-9)
    assert made.scheme.gap.layers == layers
    stack = layers_of(part, process)
    top = np.flatnonzero(made.scheme.strands.layer == made.scheme.strands.layer.max())
    last = made.scheme.strands.layer[top[0]]
    assert stack.z_mm[last + 1] + gap == pytest.approx(draft.underside_mm)


@pytest.mark.parametrize("name", ["pla-0.25", "petg-0.4", "abs-1.2"])
@pytest.mark.parametrize("crossing", [0.0, 90.0])
@pytest.mark.parametrize("dense", [0, 2])
def test_the_top_lines_cross_the_strands_as_asked_and_run_20_mm(
    name: str, crossing: float, dense: int
) -> None:
    process = builtin(name)
    condition = support_condition(
        process, run_mm(Laws(process)), crossing_deg=crossing, interface_layers=dense, weave="parallel"
    )
    made = built(cell(condition, Shape.ROOF, process)[0], process)
    strands = made.scheme.strands
    top = strands.layer == strands.layer.max()
    ends = strands.ends_mm[top]
    along = np.degrees(np.arctan2(np.abs(ends[:, 3] - ends[:, 1]), np.abs(ends[:, 2] - ends[:, 0])))
    assert along == pytest.approx(crossing, abs=1e-6)  # the part's strands run along x
    x = ends[:, [0, 2]]
    assert (
        x.max() - x.min() + process.line_width_mm >= 20.0 - condition.spacing_mm
    )  # half of it beyond either end
    low, high = made.vertices_mm.min(axis=0), made.vertices_mm.max(axis=0)
    assert high[0] - low[0] >= 20.0


@pytest.mark.parametrize("name", ["petg-0.6", "pla-1.2"])
def test_every_support_cell_is_built_of_lines_from_the_bed(name: str) -> None:
    process = builtin(name)
    for condition in candidate_conditions(CouponKind.WEAVE, Laws(process)):
        made = built(cell(condition, Shape.ROOF, process)[0], process)
        (piece,) = made.scheme.pieces
        assert piece.bottom_mm == 0.0
        assert not piece.weak
        assert piece.contact_mm2 > 0.7 * condition.span_mm * made.draft.wide_mm
        roles = set(made.scheme.strands.role.tolist())
        assert 0 in roles  # lines
        assert (1 in roles) == (condition.weave == "crossed")
        assert (2 in roles) == bool(condition.perimeter_lines)


def test_the_jaws_read_the_nominal_thickness_off_a_print_that_did_not_sag() -> None:
    """Layers stacked as they are printed, beads with round ends, steps and all."""
    process = builtin("pla-0.4")
    for angle in (35.0, 50.0, 65.0):
        condition = printed(ConditionKind.OVERHANG, process, angle_deg=angle)
        draft, part = cell(condition, Shape.FIN, process)
        stack = layers_of(part, process)
        lean = math.radians(angle)
        normal = np.array([math.cos(lean), -math.sin(lean)])
        low, high = [], []
        for region, z0, z1 in zip(stack.regions, stack.z_mm[:-1], stack.z_mm[1:], strict=True):
            if z0 > draft.underside_mm - 1e-6:
                x0, _, x1, _ = region.bounds
                ends = np.array([[x0, 0.5 * (z0 + z1)], [x1, 0.5 * (z0 + z1)]])
                ends[:, 0] += np.array([0.5, -0.5]) * (z1 - z0)  # middles of the half circles
                low.append(min(ends @ normal) - 0.5 * (z1 - z0))
                high.append(max(ends @ normal) + 0.5 * (z1 - z0))
        assert max(high) - min(low) == pytest.approx(draft.nominal_mm, abs=1e-3)
    flat = support_condition(process, run_mm(Laws(process)))
    draft, part = cell(flat, Shape.ROOF, process)
    assert part.bounds_mm[1, 2] - draft.underside_mm == pytest.approx(draft.nominal_mm)


@pytest.mark.parametrize("shape", [Shape.LEDGE, Shape.PEG])
def test_ledge_and_peg_stand_over_support_of_their_own(shape: Shape) -> None:
    process = builtin("pla-0.6")
    draft, part = cell(support_condition(process, run_mm(Laws(process))), shape, process)
    assert part.health.closed and part.health.bodies == 1
    made = built(draft, process)
    assert len(made.scheme.pieces) == 1
    gap = draft.underside_mm - made.vertices_mm[:, 2].max()
    assert gap == pytest.approx(2 * process.layer_height_mm)

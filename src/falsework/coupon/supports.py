"""One cell as layers: its supports, by the generator of real plans, and what it takes to print."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from falsework.cost import part_cost
from falsework.cost.cost import Cost
from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.shapes import CellSolid
from falsework.coupon.sizes import FOOT_LAYERS, foot_widening_mm
from falsework.droop.belief import PRIOR, Belief
from falsework.droop.laws import Laws
from falsework.droop.parameters import NAMES, Parameters
from falsework.layers import layer_boundaries, stack_layers
from falsework.layers.stack import Floats, LayerStack
from falsework.need import need_map
from falsework.part.health import healed_part
from falsework.part.part import Part
from falsework.part.raw import joined
from falsework.process.derived import whole_layers
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.support.generate import build_scheme
from falsework.support.scheme import SupportScheme

if TYPE_CHECKING:
    from manifold3d import Manifold

_SLIVER_MM = 0.002  # unions leave slivers; what is finer than this is simplified away


@dataclass(frozen=True, eq=False)
class Built:
    """A cell with its supports and their mesh ``vertices_mm`` (n, 3), in the cell's frame.

    ``scheme`` is None for cells without support; its own frame is shifted (see ``_evenly``).
    """

    draft: CellSolid
    scheme: SupportScheme | None
    vertices_mm: Floats
    cost: Cost


def part_of(name: str, solid: Manifold) -> Part:
    """A solid as a part of clean triangles."""
    mesh = solid.as_original().simplify(_SLIVER_MM).to_mesh64()
    vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    faces = np.array(mesh.tri_verts, dtype=np.int64)
    return healed_part(name, joined([("", vertices, faces)]), subject=name)


def layers_of(part: Part, process: Process) -> LayerStack:
    """The part's sections at the process's layers."""
    top = float(part.bounds_mm[1, 2])
    z_mm = layer_boundaries(top, process.first_layer_height_mm, process.layer_height_mm)
    return stack_layers(part, z_mm)


def process_of(condition: Condition, process: Process) -> Process:
    """The process with the fan and the structure of supports that a cell tries.

    Gaps are set in whole layers. The part's strands run along x, so the angle that they make with the top
    lines sets the direction of the support's lines: the lines' own, or across them where a dense roof, whose
    strands run across the body's lines, lies on top. It is a curtain's lines that are read. Feet are kept
    small: they bear on nothing that is read.
    """
    if condition.kind is not ConditionKind.SUPPORT:
        return replace(process, fan=condition.fan)
    assert condition.air_gap_mm is not None and condition.spacing_mm is not None
    dense = condition.interface_layers or 0
    crossing = 90.0 if condition.crossing_deg is None else condition.crossing_deg
    structure = replace(
        process.structure,
        form="curtain",
        weave=condition.weave or process.structure.weave,
        spacing_mm=condition.spacing_mm,
        line_angle_deg=90.0 - crossing if dense else crossing,
        perimeter_lines=condition.perimeter_lines or 0,
        interface_layers=dense,
        air_gap_layers=float(whole_layers(condition.air_gap_mm, process.layer_height_mm)),
        air_gap_mm=0.0,
        foot_layers=min(process.structure.foot_layers, FOOT_LAYERS),
        foot_widening_mm=foot_widening_mm(process),
    )
    return replace(process, fan=condition.fan, structure=structure)


def built(draft: CellSolid, process: Process) -> Built:
    """The cell with its supports and its cost, as a plan would make and reckon them."""
    mine = process_of(draft.condition, process)
    if draft.condition.kind is not ConditionKind.SUPPORT:
        cost = part_cost(layers_of(part_of("cell", draft.solid), mine), mine)[0]
        return Built(draft, None, np.empty((0, 3)), cost)
    shift = np.array([*_evenly(draft, mine), 0.0])
    stack = layers_of(part_of("cell", draft.solid.translate(tuple(shift))), mine)
    need = need_map(stack, Laws(mine, _any_belief()))
    near = 0.5 * mine.layer_height_mm
    standings = [
        Standing.BED if abs(u.height_mm - draft.underside_mm) < near else Standing.LEAVE
        for u in need.undersides
    ]
    scheme = build_scheme(stack, need, standings, mine)
    cost = sum((piece.cost for piece in scheme.pieces), part_cost(stack, mine)[0])
    return Built(draft, scheme, scheme.vertices - shift, cost)


@cache
def _any_belief() -> Belief:
    """A belief of one draw: what stands beneath a cell does not depend on how far it would droop."""
    draw = {name: getattr(PRIOR.draws, name)[:1] for name in NAMES}
    return Belief(Parameters(**draw), PRIOR.by_layers[:1])


def _evenly(draft: CellSolid, process: Process) -> tuple[float, float]:
    """Shift in x and y that sets the body's lines evenly about the middle of the cell.

    Lines count from the origin, as in a plan. In a cell a few lines wide it matters whether one or two fit:
    a line or a space comes to lie in the middle, whichever leaves less of the cell beyond the last line.
    """
    assert draft.condition.span_mm is not None
    spacing, half_line = process.structure.spacing_mm, 0.5 * process.line_width_mm
    run = draft.condition.span_mm - 2 * process.structure.side_gap_mm
    shifts = []
    for length in (run, draft.wide_mm):
        places = (0.5 * length - half_line) / spacing
        on_line, on_space = math.floor(places), math.floor(places + 0.5) - 0.5
        shifts.append(0.5 * spacing if on_space > on_line else 0.0)
    return shifts[0], shifts[1]

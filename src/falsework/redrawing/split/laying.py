"""How a piece is best laid down, and what its layers say of that."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from falsework.cost import price as price_of
from falsework.cost.weights import Weights
from falsework.droop import Belief
from falsework.lie.best import lie_of_row
from falsework.lie.body import body_of
from falsework.lie.directions import even_directions, resting_directions
from falsework.lie.search import FINE_GRID, FLAT_WORTH, judge_of
from falsework.lie.value import Care, Lie
from falsework.part.part import Floats, Part
from falsework.planning import plan
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.redrawing.ground import asks
from falsework.redrawing.solids import mesh_of
from falsework.redrawing.split.bodies import SHOWN, marks_of
from falsework.redrawing.split.value import Printed
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

COARSE_GRID = 64
RESTING, EVEN = 16, 24  # directions that a piece is looked at in, besides its cut faces
FINER = 4  # of these, looked at again


@dataclass(frozen=True, eq=False)
class Laid:
    """The best lie of a piece by columns; ``on_cut``: on one of the cut faces."""

    lie: Lie
    on_cut: bool


def laid(
    name: str, solid: Manifold, origin: int, cut_up: Floats, process: Process, weights: Weights, care: Care
) -> Laid:
    """Lay a piece down on a cut face (``cut_up`` (k, 3) points up from each), or better where that pays.

    ``origin``: whose marks say which faces are shown.
    """
    vertices, faces = mesh_of(solid)
    body = body_of(vertices - vertices.mean(axis=0), faces, marks_of(solid, origin) == SHOWN)
    judge = judge_of(body, process, weights, care, None)
    others = np.concatenate([-cut_up, resting_directions(body.points, RESTING), even_directions(EVEN)])
    coarse = judge(others, COARSE_GRID, QUIET, "")
    few = np.argsort(coarse.rank, kind="stable")[:FINER]
    looked = judge(np.concatenate([cut_up, others[few]]), FINE_GRID, QUIET, "")
    best = int(np.argmin(looked.rank))
    on_cut = int(np.argmin(looked.rank[: len(cut_up)]))
    if looked.rank[on_cut] <= FLAT_WORTH * looked.rank[best]:
        best = on_cut
    part = Part(name, vertices, faces)
    lie = lie_of_row(part, judge, looked, best, np.eye(3), today_too=False)
    return Laid(
        replace(lie, label="on its cut face" if best < len(cut_up) else "on another side"), best < len(cut_up)
    )


def printed(
    part: Part,
    turn_deg: tuple[float, float, float],
    process: Process,
    weights: Weights,
    belief: Belief,
    watch: Watch,
) -> Printed:
    """What a plan says of a part laid down so."""
    return said_by(
        plan(part, process, turn_deg=turn_deg, weights=weights, release=False, belief=belief, watch=watch)
    )


def said_by(planned: Plan) -> Printed:
    """The figures of a plan in one price: the part's printing and what its undersides cost as chosen."""
    process, weights = planned.process, planned.weights
    chosen = next(row for row in planned.alternatives if row.name == "chosen")
    own = planned.part_cost
    asking = sum(asks(underside, process) for underside in planned.undersides)
    return Printed(
        part=own,
        support=planned.support_cost,
        undersides=asking,
        needs_no_support=asking == 0,
        price=weights.filament * price_of(own.volume_mm3, 0.0, process)
        + weights.time * price_of(0.0, own.time_s, process)
        + chosen.objective,
    )


def part_of(name: str, solid: Manifold) -> Part:
    """A solid as a part, ready to be planned."""
    vertices, faces = mesh_of(solid)
    return Part(name, vertices, faces)

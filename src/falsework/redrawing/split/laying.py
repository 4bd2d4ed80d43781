"""How a piece is best laid down, and what its layers say of that."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from falsework.droop import Belief
from falsework.orientation.body import body_of
from falsework.orientation.directions import resting_directions
from falsework.orientation.search import FINE_GRID, FLAT_WORTH, judge_of
from falsework.orientation.shortlist import orientation_of_row
from falsework.orientation.value import Orientation
from falsework.part.part import Floats, Part
from falsework.planning import plan_for, totals
from falsework.process.settings import Process
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.printed import Printed, price_in_all, printed_of
from falsework.redrawing.split.bodies import SHOWN, marks_of
from falsework.request.context import Context
from falsework.request.value import Placing, Request, Wish
from falsework.request.weights import Weights
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

COARSE_GRID = 64
RESTING, FINER = 16, 3  # sides that a piece is looked at on, besides its cut faces; of these again, finer
ON_CUT = "on its cut face"


@dataclass(frozen=True, eq=False)
class PieceOrientations:
    """Lies of a piece by columns: the best of those on a cut face, and the best of the others."""

    on_cut: Orientation
    other: Orientation

    @property
    def best(self) -> Orientation:
        """The better of the two; the cut face where that costs hardly more."""
        if self.on_cut.fits != self.other.fits:
            return self.on_cut if self.on_cut.fits else self.other
        return self.on_cut if self.on_cut.price.total <= FLAT_WORTH * self.other.price.total else self.other


def laid(
    name: str, solid: Manifold, origin: int, cut_up: Floats, process: Process, weights: Weights
) -> PieceOrientations:
    """Lay a piece down: on its cut faces (``cut_up`` (k, 3) points up from each), and on its other sides.

    ``origin``: whose marks say which faces are shown.
    """
    vertices, faces = mesh_of(solid)
    body = body_of(vertices - vertices.mean(axis=0), faces, marks_of(solid, origin) == SHOWN)
    judge = judge_of(body, process, weights, None)
    others = np.concatenate([-cut_up, resting_directions(body.points, RESTING)])
    coarse = judge(others, COARSE_GRID, QUIET, "")
    few = np.argsort(coarse.rank, kind="stable")[:FINER]
    looked = judge(np.concatenate([cut_up, others[few]]), FINE_GRID, QUIET, "")
    part, count = Part(name, vertices, faces), len(cut_up)
    on_cut, other = (
        orientation_of_row(part, judge, looked, row, np.eye(3), today_too=False)
        for row in (int(np.argmin(looked.rank[:count])), count + int(np.argmin(looked.rank[count:])))
    )
    return PieceOrientations(replace(on_cut, label=ON_CUT), replace(other, label="on another side"))


def printed(
    part: Part,
    turn_deg: tuple[float, float, float],
    process: Process,
    weights: Weights,
    belief: Belief,
    watch: Watch,
) -> Printed:
    """What a plan says of a part laid down so."""
    request = Request(part, Placing(turn_deg=turn_deg), Wish(process, weights=weights))
    return printed_of(plan_for(request, Context(belief=belief, watch=watch), alone=True, compared=False))


def price_by_layers(
    part: Part,
    turn_deg: tuple[float, float, float],
    process: Process,
    weights: Weights,
    belief: Belief,
    watch: Watch,
) -> float:
    """The price of ``printed``, without building any support."""
    return price_in_all(totals(part, process, turn_deg=turn_deg, weights=weights, belief=belief, watch=watch))


def part_of(name: str, solid: Manifold) -> Part:
    """A solid as a part, ready to be planned."""
    vertices, faces = mesh_of(solid)
    return Part(name, vertices, faces)

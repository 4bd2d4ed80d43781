"""``Placement``: how the part's own frame came to lie on the bed, and what lies in its files."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.layers.stack import Floats
from falsework.part.part import Part
from falsework.part.placing import turn_matrix


@dataclass(frozen=True, eq=False)
class Placement:
    """``placed = turn · (scale · own) + shift``: turn (3, 3), shift (3,) in mm."""

    turn_deg: tuple[float, float, float]
    turn: Floats
    scale: float
    shift_mm: Floats

    @property
    def words(self) -> str:
        """In which frame files are written, whose origin is the drawing's."""
        if self.scale == 1.0 and np.array_equal(self.turn, np.eye(3)):
            return "the frame of the drawing, in mm"
        done = [] if self.scale == 1.0 else [f"scaled by {self.scale:g}"]
        if not np.array_equal(self.turn, np.eye(3)):
            done.append("turned as it is to be printed, by ({:g}, {:g}, {:g})°".format(*self.turn_deg))
        return f"the frame of the drawing, {' and '.join(done)} about its origin, in mm"

    def filed(self, placed_mm: Floats) -> Floats:
        """(n, 3) points of the placed part in the frame of the files: scaled and turned, not moved."""
        filed: Floats = placed_mm - self.shift_mm
        return filed


def placement_of(part: Part, placed: Part, turn_deg: tuple[float, float, float], scale: float) -> Placement:
    """The placement that took ``part`` to ``placed``, which has the same corners in the same order."""
    turn = turn_matrix(turn_deg)
    shift = placed.vertices[0] - scale * (turn @ part.vertices[0])
    return Placement(turn_deg, turn, scale, shift)

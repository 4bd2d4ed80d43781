"""``Placement``: how the part's own frame came to lie on the bed, and the way back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from falsework.layers.stack import Floats
from falsework.part.part import Part
from falsework.part.placing import turn_matrix

if TYPE_CHECKING:
    from manifold3d import Manifold


@dataclass(frozen=True, eq=False)
class Placement:
    """``placed = turn · (scale · own) + shift``: turn (3, 3), shift (3,) in mm."""

    turn: Floats
    scale: float
    shift_mm: Floats

    def own(self, placed_mm: Floats) -> Floats:
        """(n, 3) points of the placed part in the part's own frame and size."""
        own: Floats = (placed_mm - self.shift_mm) @ self.turn / self.scale
        return own

    def solid_in_own_frame(self, solid: Manifold) -> Manifold:
        """A solid of the placed part in the part's own frame and size."""
        back = self.turn.T / self.scale
        return solid.transform(np.column_stack([back, -back @ self.shift_mm]))


def placement_of(part: Part, placed: Part, turn_deg: tuple[float, float, float], scale: float) -> Placement:
    """The placement that took ``part`` to ``placed``, which has the same corners in the same order."""
    turn = turn_matrix(turn_deg)
    shift = placed.vertices[0] - scale * (turn @ part.vertices[0])
    return Placement(turn, scale, shift)

"""``UndersideSite``: everything that is known of one underside when a change for it is drawn."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.droop.belief import Belief
from falsework.droop.laws import Laws
from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, LayerStack
from falsework.need.measure import Outlines
from falsework.need.underside import NeedMap, Underside
from falsework.part.part import Part
from falsework.process.settings import Process

if TYPE_CHECKING:
    from manifold3d import Manifold

    from falsework.cost.cost import Cost
    from falsework.redrawing.body.solids import ShellCounts

# Of a part with more points the cost is taken in every second, third, … layer, with a change and without: it
# moved the difference by half a per cent.
PRICED_POINTS = 40_000


@dataclass(frozen=True, eq=False)
class PlannedPart:
    """The planned part as changes see it, in its place on the bed; the same for all of its undersides.

    ``solid`` is ``part`` as one closed body. ``spared`` (m,) marks faces of ``part`` that must stay as they
    are. ``span_mm``: the longest flat bridge that the process prints cleanly. ``origin_mm`` (3,): where the
    origin of the files lies, which is the drawing's.
    """

    part: Part
    solid: Manifold
    stack: LayerStack
    need: NeedMap
    process: Process
    belief: Belief
    spared: NDArray[np.bool_]
    span_mm: float
    origin_mm: Floats = field(default_factory=lambda: np.zeros(3))

    @property
    def laws(self) -> Laws:
        """How its strands droop and bond."""
        return Laws(self.process, self.belief)

    @cached_property
    def outlines(self) -> Outlines:
        """The stack's outlines, for questions about inside and distance."""
        return Outlines(self.stack)

    @cached_property
    def cost(self) -> Cost:
        """What the part takes as it is, without supports, as closely as changes are priced."""
        from falsework.cost import part_cost

        return part_cost(self.stack, self.process, every=self.priced_every)[0]

    @property
    def priced_every(self) -> int:
        """Every how many layers changes are priced."""
        return 1 + len(self.stack.points_mm) // PRICED_POINTS

    @cached_property
    def layer_costs(self) -> dict[tuple[int, int], Cost]:
        """Costs of ranges of its layers, as far as they have been counted."""
        return {}

    @cached_property
    def shells(self) -> ShellCounts:
        """How many bodies, voids and handles the part has."""
        from falsework.redrawing.body.solids import shells_of

        return shells_of(self.solid)

    @cached_property
    def voids(self) -> list[Manifold]:
        """Closed voids of the part, as solids: nobody reaches what is in them."""
        from falsework.redrawing.body.solids import turned_out

        return [turned_out(shell) for shell in self.solid.decompose() if shell.volume() < 0.0]

    def in_a_void(self, solid: Manifold) -> bool:
        """Whether most of a solid lies in a closed void."""
        volume = solid.volume()
        return any((solid ^ void).volume() > 0.5 * volume for void in self.voids)

    def footprint(self, number: int) -> planar.Geometry:
        """Where an underside lies in plan, a line width more all around."""
        if number not in self._footprints:
            mine = self.need.regions[self.need.region_underside == number - 1]
            self._footprints[number] = overlay.buffer(
                overlay.union_all(mine), self.process.line_width_mm, quad_segs=2
            )
        return self._footprints[number]

    @cached_property
    def _footprints(self) -> dict[int, planar.Geometry]:
        """Those that have been asked for."""
        return {}

    @cached_property
    def face_boxes(self) -> tuple[Floats, Floats]:
        """(m, 3) lowest and (m, 3) highest corner of each face of the part."""
        corners = self.part.vertices[self.part.faces]
        return corners.min(axis=1), corners.max(axis=1)


@dataclass(frozen=True, eq=False)
class UndersideSite:
    """One underside on its ground."""

    ground: PlannedPart
    underside: Underside

    @property
    def index(self) -> int:
        """Place of the underside in ``ground.need.undersides``."""
        return self.underside.number - 1

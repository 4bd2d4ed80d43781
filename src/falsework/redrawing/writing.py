"""``FileWriter``: from a changed solid to what its files hold, the layers of that, and its plan."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from falsework.layers import planar
from falsework.layers.slicing import TIE_MM
from falsework.layers.stack import Floats, LayerStack
from falsework.need.underside import NeedMap
from falsework.part.part import Part
from falsework.planning import inspect_for
from falsework.planning.value import Plan
from falsework.redrawing.body.written import roundings, written_part
from falsework.redrawing.proof.whole import Written, mended
from falsework.redrawing.request import RedrawRequest
from falsework.redrawing.site.value import PlannedPart
from falsework.request.marks import NO_FACES, MarkedFaces
from falsework.request.store import Store
from falsework.request.value import Placing, Request
from falsework.watch import Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

SPARED_SET = "faces to keep"
JITTER_MM = 1e-5  # a verdict that flips when corners move by this is none
_KEPT = 8  # results of steps: more than a plan has
_TIED_MM = (
    TIE_MM + 2.0 * JITTER_MM
)  # from the middle of a layer: jitter may not decide in which one a face lies


@dataclass(frozen=True, eq=False)
class FileWriter:
    """``shift_mm`` (3,): from the frame of the files to the place of the ground.

    ``store``: what is kept of the last few that were written, for the plan of the one that is taken.
    """

    asked: RedrawRequest
    ground: PlannedPart
    shift_mm: Floats
    store: Store = field(default_factory=lambda: Store(_KEPT))

    def written(self, solid: Manifold, watch: Watch) -> Written:
        """The solid as its files hold it, looked at."""
        sets = {SPARED_SET: self.ground.spared}
        watch.at("rounding as files do", 0.0)
        for tried in roundings(solid, self.shift_mm):
            read = watch.part(0.1, 0.5)
            part = written_part(self.ground.part, self.ground.solid, tried, sets, self.shift_mm, read)
            if not mended(self.ground.part, part):
                break
        return self._seen(part, self.store, watch.part(0.5, 1.0))

    def jittered(self, written: Written, watch: Watch) -> Written:
        """The same with every corner moved by up to ``JITTER_MM``, always alike.

        Those half way up a layer keep their height: into which layer a level face there falls is the part's
        own matter, and moved corner by corner it would be torn between both. So do those on the bed, for the
        part would come to lie elsewhere.
        """
        part = written.part
        chance = np.random.default_rng(len(part.vertices))
        moved = chance.uniform(-JITTER_MM, JITTER_MM, part.vertices.shape)
        height, middles = part.vertices[:, 2] + self.shift_mm[2], self.ground.stack.middles_mm
        above = np.clip(np.searchsorted(middles, height), 1, len(middles) - 1)
        off_mm = np.minimum(np.abs(height - middles[above - 1]), np.abs(height - middles[above]))
        moved[(off_mm < _TIED_MM) | (height < _TIED_MM), 2] = 0.0
        return self._seen(replace(part, vertices=part.vertices + moved), Store(_KEPT), watch)

    def plan(self, written: Written, watch: Watch) -> Plan:
        """The plan of the written part, as it lies in its files."""
        spare = MarkedFaces(face_sets=(SPARED_SET,)) if self.ground.spared.any() else NO_FACES
        context = replace(self.asked.context, store=self.store)
        return replace(self.asked, context=context).plan(self._request(written.part, spare), watch)

    def _request(self, part: Part, spare: MarkedFaces = NO_FACES) -> Request:
        """What was asked of the part, of one that lies in its files as it is printed."""
        return Request(part, Placing(), replace(self.asked.wish.of_supports, spare=spare))

    def _seen(self, part: Part, store: Store, watch: Watch) -> Written:
        seen = inspect_for(self._request(part), replace(self.asked.context, store=store, watch=watch))
        assert seen.ground is not None
        away_mm = (part.vertices[0] + self.shift_mm - seen.ground.part.vertices[0])[:2]
        return Written(
            part, self.shift_mm, _moved(seen.ground.stack, away_mm), _need_moved(seen.ground.need, away_mm)
        )


def _moved(stack: LayerStack, away_mm: Floats) -> LayerStack:
    return replace(stack, points_mm=stack.points_mm + away_mm)


def _need_moved(need: NeedMap, away_mm: Floats) -> NeedMap:
    return replace(need, regions=planar.transform(need.regions, lambda xy: xy + away_mm))

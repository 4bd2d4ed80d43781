"""``Changed``: the part with changes made to it, as a body and as layers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from typing import TYPE_CHECKING

import numpy as np

from falsework.layers import layer_boundaries, overlay, planar, stack_layers
from falsework.layers.polygons import EMPTY, areas_only
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.part.part import Part
from falsework.redrawing.body.solids import STEP, mesh_of, united, without_specks
from falsework.redrawing.changes.draft import ChangeKind, Draft, Region
from falsework.redrawing.site.value import PlannedPart
from falsework.watch import breathe

if TYPE_CHECKING:
    from manifold3d import Manifold

BROKEN_OFF = (ChangeKind.FINS, ChangeKind.MEMBRANE)  # or cut out, after printing: thin by design
GROWN_MM = 1e-6  # rounding of a height


@dataclass(frozen=True, eq=False)
class Changed:
    """The ground's part with changes made, in order.

    ``solid`` is the body that results. ``stack`` has its layers, made without it: the ground's, with plane
    sections of the changes added and taken away.
    """

    ground: PlannedPart
    drafts: tuple[Draft, ...]

    @cached_property
    def _body(self) -> tuple[Manifold, float, float]:
        return applied(self.ground.solid, self.drafts)

    @property
    def solid(self) -> Manifold:
        """The body of the part with the changes."""
        return self._body[0]

    @property
    def volumes_mm3(self) -> tuple[float, float]:
        """What came and what went, mm³; of fins alone, whose body is not made, as they are printed."""
        fins = [draft.kind for draft in self.drafts] == [ChangeKind.FINS]
        return self._laid[1:] if fins else self._body[1:]

    @cached_property
    def lasting(self) -> Changed | None:
        """The part with those changes that stay on it; None if none does."""
        stay = tuple(draft for draft in self.drafts if draft.kind not in BROKEN_OFF)
        if len(stay) == len(self.drafts):
            return self
        return Changed(self.ground, stay) if stay else None

    @cached_property
    def z_mm(self) -> Floats:
        """The layers' boundaries, with more on top if the part grew."""
        process, regions = self.ground.process, [r for draft in self.drafts for r in draft.added]
        top_mm = max((region.solid.bounding_box()[5] for region in regions), default=0.0)
        if top_mm <= float(self.ground.part.bounds_mm[1, 2]) + GROWN_MM:
            return self.ground.stack.z_mm
        return layer_boundaries(top_mm, process.first_layer_height_mm, process.layer_height_mm)

    @cached_property
    def span(self) -> tuple[int, int]:
        """First and last layer whose section the changes' boxes reach."""
        boxes = [r.solid.bounding_box() for draft in self.drafts for r in (*draft.added, *draft.removed)]
        if not boxes:  # nothing is changed: it does as it is
            undersides = self.ground.need.undersides
            spans = [undersides[draft.underside - 1].layers for draft in self.drafts]
            return min(a for a, _ in spans), max(b for _, b in spans)
        low, high = min(box[2] for box in boxes), max(box[5] for box in boxes)
        middles = 0.5 * (self.z_mm[1:] + self.z_mm[:-1])
        first = int(np.clip(np.searchsorted(middles, low), 0, len(middles) - 1))
        return first, max(first, int(np.searchsorted(middles, high, side="right")) - 1)

    @property
    def heights_mm(self) -> Floats:
        """(n,) heights of the layers ``span``."""
        heights: Floats = np.diff(self.z_mm)[self.span[0] : self.span[1] + 1]
        return heights

    def of(self, stack: LayerStack) -> Regions:
        """(n,) sections that another stack has in the layers ``span``, empty past its top."""
        first, last = self.span
        sections = stack.regions[first : last + 1]
        return np.concatenate([sections, np.full(last + 1 - first - len(sections), EMPTY, dtype=object)])

    @property
    def before(self) -> Regions:
        """(n,) sections of the layers ``span`` as they were."""
        return self.of(self.ground.stack)

    @cached_property
    def own(self) -> Regions:
        """(n,) what of ``before`` the changes leave: the part's own walls."""
        left = self.before
        for _, removed in self._each:
            left = areas_only(overlay.difference(left, removed))
        return left

    @cached_property
    def stack(self) -> LayerStack:
        """The ground's layers with those of ``span`` changed."""
        old, (first, last) = self.ground.stack, self.span
        regions = np.concatenate([old.regions[:first], self._laid[0], old.regions[last + 1 :]])
        return LayerStack.of(self.z_mm, regions, old.widest_stitch_mm, old.stitched_layers)

    @cached_property
    def _laid(self) -> tuple[Regions, float, float]:
        """(n,) sections with the changes laid in, and the volumes that come and go by them."""
        regions, came_mm3, went_mm3 = self.before, 0.0, 0.0
        for added, removed in self._each:
            more = areas_only(overlay.union(regions, added))
            left = areas_only(overlay.difference(more, removed))
            came_mm3 += float((planar.area(more) - planar.area(regions)) @ self.heights_mm)
            went_mm3 += float((planar.area(more) - planar.area(left)) @ self.heights_mm)
            regions = left
        return regions, came_mm3, went_mm3

    @property
    def added(self) -> Regions:
        """(n,) what the changes add in the layers ``span``, within the part or not."""
        return self._overlaid([added for added, _ in self._each])

    @cached_property
    def sections(self) -> Regions:
        """(n,) what the changes cover in the layers ``span``, added or taken away."""
        return self._overlaid([covered for both in self._each for covered in both])

    @cached_property
    def _each(self) -> list[tuple[Regions, Regions]]:
        """(n,) sections of what each change adds and takes away."""
        return [(self._sections(draft.added), self._sections(draft.removed)) for draft in self.drafts]

    def _overlaid(self, several: Sequence[Regions]) -> Regions:
        some = [one for one in several if not planar.is_empty(one).all()]
        if not some:
            return np.full(self.span[1] + 1 - self.span[0], EMPTY, dtype=object)
        return reduce(lambda a, b: areas_only(overlay.union(a, b)), some)

    def _sections(self, regions: Sequence[Region]) -> Regions:
        first, last = self.span
        if not regions:
            return np.full(last + 1 - first, EMPTY, dtype=object)
        whole = united([region.solid for region in regions])
        return stack_layers(
            Part("", *mesh_of(whole)), np.ascontiguousarray(self.z_mm[first : last + 2])
        ).regions

    def near(self, regions: Regions, layer: Indices) -> tuple[int, ...]:
        """Undersides whose changes lie within two lines and two layers of one of the regions."""
        first, last = self.span
        reach_mm, found = 2.0 * self.ground.process.line_width_mm, []
        within = (layer >= first - 2) & (layer <= last + 2)
        for draft, both in zip(self.drafts, self._each, strict=True):
            for step in (-2, -1, 0, 1, 2):
                at = np.clip(layer[within] + step - first, 0, last - first)
                if any(planar.dwithin(regions[within], side[at], reach_mm).any() for side in both):
                    found.append(draft.underside)
                    break
        return tuple(found)

    def around(self, spots_mm: Sequence[tuple[float, ...]]) -> tuple[int, ...]:
        """Undersides of whose changes one lies, by its box, within two lines of one of the spots."""
        reach_mm, found = 2.0 * self.ground.process.line_width_mm, []
        for draft in self.drafts:
            boxes = np.array([r.solid.bounding_box() for r in (*draft.added, *draft.removed)]).reshape(-1, 6)
            spots = np.array(spots_mm).reshape(-1, 1, 3)
            inside = (spots > boxes[:, :3] - reach_mm) & (spots < boxes[:, 3:] + reach_mm)
            if inside.all(axis=2).any():
                found.append(draft.underside)
        return tuple(found)

    def box(self, margin_mm: float) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 around all that is changed and the margin."""
        boxes = np.array([r.solid.bounding_box() for d in self.drafts for r in (*d.added, *d.removed)])
        if len(boxes) == 0:
            return 0.0, 0.0, margin_mm, margin_mm
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0) - margin_mm, boxes[:, 3:5].max(axis=0) + margin_mm
        return float(x0), float(y0), float(x1), float(y1)


def applied(solid: Manifold, drafts: tuple[Draft, ...]) -> tuple[Manifold, float, float]:
    """The solid with changes applied in order, and the volumes that came and went, mm³."""
    added_mm3 = removed_mm3 = 0.0
    volume = solid.volume()
    for some in _batches(drafts):
        added = [region.solid.as_original() for draft in some for region in draft.added]
        removed = [region.solid.as_original() for draft in some for region in draft.removed]
        if added:
            more = united(added)
            breathe(STEP)
            solid += more
            added_mm3 += solid.volume() - volume
            volume = solid.volume()
        if removed:
            solid -= united(removed)
            removed_mm3 += volume - solid.volume()
            volume = solid.volume()
    return without_specks(solid), added_mm3, removed_mm3


def _batches(drafts: tuple[Draft, ...]) -> list[list[Draft]]:
    """The drafts in their order, those together that follow each other and only add: these need no order."""
    batches: list[list[Draft]] = []
    for draft in drafts:
        if batches and not draft.removed and not batches[-1][-1].removed:
            batches[-1].append(draft)
        else:
            batches.append([draft])
    return batches

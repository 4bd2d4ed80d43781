"""Stepped holes: a bore goes on above a wider hole, whose ceiling nothing carries on its inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.redrawing.site.ceiling import Ceiling
from falsework.redrawing.site.value import PlannedPart

LEAST_BORE_WIDTHS = 1.0  # a bore narrower than this closes by itself


@dataclass(frozen=True, eq=False)
class SteppedHole:
    """A stepped hole.

    ``layer``: the first of the ceiling. ``wide``: the outline of the hole beneath it, with nothing cut out;
    ``bore``: what of that stays open in ``layer``, one polygon or several. ``closed``: the part goes all
    round the hole beneath, so that something may have to fit into it.
    """

    layer: int
    wide: planar.Polygon
    bore: planar.MultiPolygon
    closed: bool

    def bore_in(self, ground: PlannedPart, layer: int) -> planar.Geometry:
        """What is open above the wide hole in another layer."""
        return opened(self.wide, ground, layer)


def stepped_hole(ground: PlannedPart, ceiling: Ceiling) -> SteppedHole | None:
    """The stepped hole that an underside is the ceiling of; None if it is not one.

    The wide hole is the closed hole of the layer beneath in which the ceiling lies, or else, for a ceiling
    that something carries on its outside all the same, the ceiling's own outline.
    """
    layer = ceiling.main
    region = ceiling.regions[int(np.searchsorted(ceiling.layers, layer))]
    inner = region.representative_point()
    for polygon in planar.get_parts(ground.stack.regions[layer - 1]):
        for ring in polygon.interiors:
            hole = planar.Polygon(ring)
            if hole.contains(inner) and planar.area(overlay.difference(region, hole)) < 1e-3 * region.area:
                return _found(ground, layer, hole, True)
    parts = planar.get_parts(region)
    outer = [planar.Polygon(part.exterior) for part in parts if len(part.interiors)]
    return _found(ground, layer, outer[0], False) if len(outer) == 1 and len(parts) == 1 else None


def _found(ground: PlannedPart, layer: int, wide: planar.Polygon, closed: bool) -> SteppedHole | None:
    bore = opened(wide, ground, layer)
    least_mm2 = (LEAST_BORE_WIDTHS * ground.process.line_width_mm) ** 2
    above = min(layer + 1, ground.stack.count - 1)
    through = overlay.intersection(bore, opened(wide, ground, above))
    kept = [p for p in planar.get_parts(bore) if p.area > least_mm2 and p.intersects(through)]
    return SteppedHole(layer, wide, planar.MultiPolygon(kept), closed) if kept else None


def opened(wide: planar.Polygon, ground: PlannedPart, layer: int) -> planar.Geometry:
    """What of a hole's outline is open in a layer, without slivers along its edge."""
    if layer >= ground.stack.count:
        return wide
    sliver = 0.1 * ground.process.line_width_mm
    open_ = overlay.difference(wide, ground.stack.regions[layer])
    parts = planar.get_parts(open_)
    return overlay.union_all(parts[~planar.is_empty(offset_mitred(parts, -sliver))])

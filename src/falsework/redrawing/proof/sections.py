"""Sections of the changed layers: walls that are too thin, the smallest section, what differs elsewhere."""

from __future__ import annotations

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, clean, gathered, offset_mitred, parts, repair
from falsework.layers.slicing import SIMPLIFY_MM
from falsework.layers.stack import LayerStack, Regions
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.site.ground import DAB_WIDTHS2

THIN_WIDTHS = 2.0  # walls are at least so many lines
WALL_WIDTHS = 5.0  # what is thin for less than so many lines is the tip of a wedge, or a nick
SAME_DIGITS = (6, 6)  # of bounds and area, mm and mm², of parts of sections that are the same
_WRITTEN_DIGITS = (3, 2)  # of those that have been rounded as files do


def outside_mm3(changed: Changed, stack: LayerStack) -> float:
    """Volume that differs outside the changed regions, by the body's layers: what came and what went.

    What is no wider than outlines may have moved, for having fewer points, does not count.
    """
    moved_mm = 2.0 * SIMPLIFY_MM
    before, after = unlike(changed.before, changed.of(stack), _WRITTEN_DIGITS)
    differs = clean(areas_only(overlay.symmetric_difference(before, after)), moved_mm)
    within = offset_mitred(changed.sections, moved_mm)
    outside = planar.area(overlay.difference(differs, within))
    return float(outside @ changed.heights_mm)


def unlike(one: Regions, other: Regions, digits: tuple[int, int] = SAME_DIGITS) -> tuple[Regions, Regions]:
    """Both without the connected parts that they have in common, by bounds and area to so many digits."""
    pieces, layer = zip(*(parts(regions) for regions in (one, other)), strict=True)
    known = [
        np.column_stack([l, planar.bounds(p).round(digits[0]), planar.area(p).round(digits[1])])
        for p, l in zip(pieces, layer, strict=True)
    ]
    _, which, count = np.unique(np.concatenate(known), axis=0, return_inverse=True, return_counts=True)
    own = np.split(count[which] == 1, [len(pieces[0])])
    a, b = (gathered(p[o], l[o], len(one)) for p, l, o in zip(pieces, layer, own, strict=True))
    return a, b


def new_thin_mm2(before: Regions, after: Regions, changed: Regions, line_mm: float) -> float:
    """The largest section, of any changed layer, that is narrower than two lines and was not before; 0 where
    there is none longer than a tip or a nick."""
    radius, least_mm2 = 0.5 * THIN_WIDTHS * line_mm * 0.98, DAB_WIDTHS2 * line_mm**2

    def thin(regions: Regions) -> Regions:
        open_ = offset_mitred(offset_mitred(regions, -radius), 1.2 * radius)
        return overlay.difference(regions, repair(open_))

    some = ~planar.is_empty(changed)
    now, before, changed = thin(after[some]), before[some], changed[some]
    some = planar.area(now) > least_mm2
    new = overlay.difference(now[some], offset_mitred(thin(before[some]), 0.3 * line_mm))
    pieces, layer = planar.get_parts(new, return_index=True)
    near = planar.area(pieces) > least_mm2
    near[near] = planar.dwithin(pieces[near], changed[some][layer[near]], 2.0 * radius)
    pieces = pieces[near]
    if len(pieces) == 0:
        return 0.0
    rings = planar.get_exterior_ring(planar.oriented_envelope(pieces))
    long_mm = np.array([np.hypot(*np.diff(planar.get_coordinates(r), axis=0).T).max() for r in rings])
    return float(planar.area(pieces)[long_mm > WALL_WIDTHS * line_mm].max(initial=0.0))


def smallest_mm2(regions: Regions, changed: Regions, line_mm: float) -> float:
    """Smallest connected section, mm², that meets what is ``changed`` in its layer; 0 where none does."""
    pieces, layer = planar.get_parts(regions, return_index=True)
    area = planar.area(pieces)
    hit = area > DAB_WIDTHS2 * line_mm**2
    hit[hit] = planar.dwithin(pieces[hit], changed[layer[hit]], 0.1 * line_mm)
    return float(area[hit].min()) if hit.any() else 0.0

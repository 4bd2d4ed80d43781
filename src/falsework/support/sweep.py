"""Where support stands: columns swept down from the undersides, then gaps and clearance taken off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.layers.polygons import areas_only, gathered, parts
from falsework.layers.stack import Regions
from falsework.need.underside import NeedMap
from falsework.process.derived import air_gap, air_gap_below
from falsework.process.settings import Process
from falsework.support.scheme import Standing
from falsework.watch import QUIET, Watch

EMPTY = shapely.MultiPolygon()
SECTION_TOLERANCE_MM = 0.01  # sections are simplified by this much; the side clearance is widened to match
_OUTLINE_TOLERANCE_MM = 0.02  # outlines of swept columns: the side that faces no part may stray by this
_OVERLAP_MM = 0.05  # strips grow by this before they join, so that strayed outlines leave no seams
_SPECK_MM2 = 1e-3


def empties(count: int) -> Regions:
    """(count,) empty regions."""
    return np.full(count, EMPTY, dtype=object)


def shifted(regions: Regions, by: int) -> Regions:
    """Entry i is ``regions[i + by]``, empty past the ends."""
    out = empties(len(regions))
    if by >= 0:
        out[: len(regions) - by] = regions[by:]
    else:
        out[-by:] = regions[:by]
    return out


def simplified(regions: Regions, tolerance_mm: float) -> Regions:
    """Fewer vertices, each still one of the old ones; repaired where a ring came to cross itself."""
    thin: Regions = shapely.simplify(regions, tolerance_mm, preserve_topology=False)
    crossed = ~shapely.is_valid(thin)
    if crossed.any():
        thin[crossed] = shapely.buffer(thin[crossed], 0)
    return thin


def printable(regions: Regions, radius_mm: float) -> Regions:
    """Without the connected parts into which no disc of that radius fits, and without lines and points.

    Narrow necks and fins of wider parts stay: strands are fitted strictly and leave them out by themselves.
    """
    return sifted(regions, radius_mm)[0]


def sifted(regions: Regions, radius_mm: float) -> tuple[Regions, Regions]:
    """What is :func:`printable`, and the connected parts that are not."""
    polygons, owner = parts(areas_only(regions))
    area, outline = shapely.area(polygons), shapely.length(polygons)
    good = area > _SPECK_MM2
    narrow = np.flatnonzero(good & (2.0 * area < 4.0 * radius_mm * outline))
    good[narrow] = ~shapely.is_empty(shapely.buffer(polygons[narrow], -radius_mm, quad_segs=2))
    count = len(regions)
    return gathered(polygons[good], owner[good], count), gathered(polygons[~good], owner[~good], count)


def sources(need: NeedMap, chosen: NDArray[np.bool_], sections: Regions) -> Regions:
    """(L,) what of each layer lies over air in the chosen undersides, ready to be swept down."""
    mine = chosen[need.region_underside]
    out = empties(len(sections))
    if not mine.any():
        return out
    layer = need.region_layer[mine]
    strips = shapely.buffer(
        shapely.simplify(need.regions[mine], SECTION_TOLERANCE_MM, preserve_topology=False),
        _OVERLAP_MM,
        join_style="mitre",
    )
    strips = shapely.intersection(strips, sections[layer])
    order = np.argsort(layer, kind="stable")
    starts = np.flatnonzero(np.diff(layer[order], prepend=-1))
    for first, group in zip(starts, np.split(strips[order], starts[1:]), strict=True):
        out[layer[order[first]]] = group[0] if len(group) == 1 else shapely.union_all(group)
    return out


def swept_down(strips: Regions, sections: Regions) -> Regions:
    """D_i = (D_{i+1} ∪ strips_{i+1}) \\ sections_i: everything between an underside and what lies beneath it.

    No clearance is taken off here: thin strips lie within the clearance of the part beneath and would vanish.
    """
    out = empties(len(sections))
    blank, no_strip = shapely.is_empty(sections), shapely.is_empty(strips)
    here = EMPTY
    for i in range(len(sections) - 2, -1, -1):
        if not no_strip[i + 1]:
            here = shapely.union(here, strips[i + 1])
        if here.is_empty:
            continue
        if not blank[i]:
            here = shapely.difference(here, sections[i])
        thin = shapely.simplify(here, _OUTLINE_TOLERANCE_MM, preserve_topology=False)
        here = thin if shapely.is_valid(thin) else shapely.buffer(thin, 0)
        out[i] = here
    return out


def reaching_bed(columns: Regions, cleared: Regions) -> Regions:
    """What of the columns has nothing of ``cleared`` (sections with clearance) anywhere beneath."""
    active = np.flatnonzero(~shapely.is_empty(columns))
    if not len(active):
        return columns
    top = active[-1] + 1
    box = shapely.total_bounds(columns)
    beneath = shapely.clip_by_rect(cleared[:top], box[0] - 1, box[1] - 1, box[2] + 1, box[3] + 1)
    shade = empties(top)
    total = EMPTY
    for i in range(top):
        if not beneath[i].is_empty:
            total = shapely.simplify(shapely.union(total, beneath[i]), SECTION_TOLERANCE_MM)
        shade[i] = total
    out = columns.copy()
    out[:top] = shapely.difference(columns[:top], shade)
    return out


class Surroundings:
    """The part as supports must avoid it: sections, simplified, with clearance and gaps, per layer."""

    def __init__(self, sections: Regions, process: Process) -> None:
        structure = process.structure
        self.gap_layers = air_gap(process)[1]
        self.gap_below_layers = air_gap_below(process)[1]
        self.side_mm = structure.side_gap_mm
        self.sections = simplified(sections, SECTION_TOLERANCE_MM)
        self.cleared: Regions = shapely.buffer(
            self.sections, structure.side_gap_mm + SECTION_TOLERANCE_MM, quad_segs=6
        )

    def blocked(self) -> Regions:
        """(L,) where no support may be: the part with clearance, the gap under it and the gap on it."""
        out = self.cleared
        for k in range(1, self.gap_layers + 1):
            out = shapely.union(out, shifted(self.sections, k))
        for k in range(1, self.gap_below_layers + 1):
            out = shapely.union(out, shifted(self.sections, -k))
        return out

    def near_above(self, layers: int) -> Regions:
        """(L,) the part seen from below within ``layers`` layers past the gap: there a roof belongs."""
        return self._united(range(self.gap_layers + 1, self.gap_layers + layers + 1))

    def near_below(self, layers: int) -> Regions:
        """(L,) the part within ``layers`` layers beneath, past the gap: there a floor belongs."""
        gap = self.gap_below_layers
        return self._united(range(-gap - layers, -gap))

    def _united(self, shifts: range) -> Regions:
        out = empties(len(self.sections))
        for k in shifts:
            out = shapely.union(out, shifted(self.sections, k))
        return out

    def ground(self, layer: int, reach_mm: float, window: shapely.Geometry) -> shapely.Geometry:
        """Where the part beneath carries ``layer``: through the gap, sideways through the clearance."""
        lowest = max(0, layer - 1 - self.gap_below_layers)
        near = shapely.clip_by_rect(self.sections[lowest:layer], *window.bounds)
        reach = np.full(len(near), reach_mm)
        reach[-1] += self.side_mm
        ground: shapely.Geometry = shapely.union_all(shapely.buffer(near, reach, quad_segs=4))
        return ground


def carried(
    regions: Regions, open_beneath: Regions, around: Surroundings, reach_mm: float, least_mm: float
) -> Regions:
    """Takes away, from the bed upwards, what rests neither on support, on the bed nor on the part beneath.

    Columns rest on themselves by the way they are swept. ``open_beneath`` (L,): where layer i has nothing of
    the column beneath the next layer. A layer may reach ``reach_mm`` past what carries it; what is left
    narrower than ``least_mm`` goes too.
    """
    out, gone = regions.copy(), open_beneath.copy()
    margin = around.side_mm + 2.0 * reach_mm
    for i in range(1, len(regions)):
        if gone[i - 1].is_empty or out[i].is_empty:
            continue
        over = shapely.intersection(out[i], gone[i - 1])
        if over.area < _SPECK_MM2:
            continue
        window = shapely.box(*(over.bounds + margin * np.array([-1, -1, 1, 1])))
        rest = shapely.difference(over, around.ground(i, reach_mm, window))
        if rest.area < _SPECK_MM2:
            continue
        beneath = shapely.clip_by_rect(out[i - 1], *window.bounds)
        hanging = shapely.difference(rest, shapely.buffer(beneath, reach_mm, quad_segs=4))
        if hanging.area < _SPECK_MM2:
            continue
        left = printable(np.array([shapely.difference(out[i], hanging)], dtype=object), 0.5 * least_mm)[0]
        gone[i] = shapely.union(gone[i], shapely.difference(out[i], left))
        out[i] = left
    return out


def support_regions(
    around: Surroundings,
    need: NeedMap,
    standings: Sequence[Standing],
    process: Process,
    watch: Watch = QUIET,
) -> tuple[Regions, Regions]:
    """(L,) regions filled by support, and (L,) where none may be.

    Bed standing keeps only columns that are clear of the part, with clearance, all the way to the bed.
    """
    where = np.array([str(s) for s in standings], dtype=object)
    anywhere, bed = where == Standing.ANYWHERE, where == Standing.BED
    sections = around.sections
    watch.at("sweeping supports down", 0.0)
    columns = swept_down(sources(need, anywhere, sections), sections)
    if bed.any():
        on_bed = swept_down(sources(need, bed, sections), sections)
        on_bed = reaching_bed(on_bed, around.cleared)
        columns = shapely.union(columns, on_bed) if anywhere.any() else on_bed
    active = ~shapely.is_empty(columns)
    blocked = empties(len(sections))
    if not active.any():
        return columns, blocked
    watch.at("taking gaps off", 0.5)
    blocked = around.blocked()
    out = empties(len(sections))
    out[active] = shapely.difference(columns[active], blocked[active])
    out, dropped = sifted(simplified(out, 0.5 * SECTION_TOLERANCE_MM), 0.45 * process.line_width_mm)
    return carried(out, dropped, around, need.reach_mm, 0.9 * process.line_width_mm), blocked

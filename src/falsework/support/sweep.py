"""Where support stands: columns swept down from the undersides, then gaps and clearance taken off."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import dealt, side_by_side
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, gathered, offset_mitred, parts, simplified
from falsework.layers.stack import Indices, LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.request.store import Store
from falsework.support.bulk import EMPTY, Bulk, empties
from falsework.support.heads import heads_of
from falsework.support.sparing import Spared, kept_free
from falsework.watch import QUIET, Watch

_OUTLINE_TOLERANCE_MM = 0.02  # outlines of swept columns: the side that faces no part may stray by this
_NOTCH_LINES = 4.0  # notches and holes of swept columns narrower than so many line widths are filled
_STRAY_LINES = 0.35  # and outlines may stray by so many, less than what holds by itself
_MORE_VERTICES = 1.3  # they are plain enough until they have so many times the vertices they last had
_OVERLAP_MM = 0.05  # strips grow by this before they join, so that strayed outlines leave no seams
_SPECK_MM2 = 1e-3
_MOST_STAGES = 24  # kept of one sweep: some ten for each gap
_HAND = 4  # layers that a core takes at least


def shifted(regions: Regions, by: int) -> Regions:
    """Entry i is ``regions[i + by]``, empty past the ends."""
    out = empties(len(regions))
    if by >= 0:
        out[: max(len(regions) - by, 0)] = regions[by:]
    else:
        out[-by:] = regions[:by]
    return out


def shifted_flags(flags: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Entry i is ``flags[i + by]``, False past the ends."""
    out = np.zeros_like(flags)
    if by >= 0:
        out[: max(len(flags) - by, 0)] = flags[by:]
    else:
        out[-by:] = flags[:by]
    return out


def printable(regions: Regions, radius_mm: float) -> Regions:
    """Without the connected parts into which no disc of that radius fits, and without lines and points.

    Narrow necks and fins of wider parts stay: strands are fitted strictly and leave them out by themselves.
    """
    return sifted(regions, radius_mm)[0]


def sifted(regions: Regions, radius_mm: float) -> tuple[Regions, Regions]:
    """What is :func:`printable`, and the connected parts that are not."""
    polygons, owner = parts(areas_only(regions))
    area, outline = planar.area(polygons), planar.length(polygons)
    good = area > _SPECK_MM2
    narrow = np.flatnonzero(good & (2.0 * area < 4.0 * radius_mm * outline))
    good[narrow] = ~planar.is_empty(overlay.buffer(polygons[narrow], -radius_mm, quad_segs=2))
    count = len(regions)
    return gathered(polygons[good], owner[good], count), gathered(polygons[~good], owner[~good], count)


def sources(need: NeedMap, chosen: NDArray[np.bool_], sections: Regions, heads: Regions) -> Regions:
    """(L,) what of each layer lies over air in the chosen undersides, ready to be swept down.

    ``heads`` (N,) plates beneath what is too narrow (see :func:`heads_of`).
    """
    mine = chosen[need.region_underside]
    out = empties(len(sections))
    if not mine.any():
        return out
    layer = need.region_layer[mine]
    strips = offset_mitred(
        planar.simplify(need.regions[mine], _OUTLINE_TOLERANCE_MM, preserve_topology=False), _OVERLAP_MM
    )
    strips = overlay.intersection(strips, sections[layer])
    plated = ~planar.is_empty(heads[mine])
    strips[plated] = overlay.union(strips[plated], heads[mine][plated])
    order = np.argsort(layer, kind="stable")
    starts = np.flatnonzero(np.diff(layer[order], prepend=-1))
    for first, group in zip(starts, np.split(strips[order], starts[1:]), strict=True):
        out[layer[order[first]]] = group[0] if len(group) == 1 else overlay.union_all(group)
    return out


def with_heads(sections: Regions, heads: Regions, need: NeedMap) -> Regions:
    """(L,) sections as wide as the heads beneath them: from there down the gap is taken off."""
    out = sections.copy()
    for k in np.flatnonzero(~planar.is_empty(heads)).tolist():
        layer = need.region_layer[k]
        out[layer] = overlay.union(out[layer], heads[k])
    return out


def filled(region: planar.Geometry, line_width_mm: float) -> planar.Geometry:
    """The region with narrow notches and holes filled, in few vertices."""
    half_mm = 0.5 * _NOTCH_LINES * line_width_mm
    back = offset_mitred(offset_mitred(region, half_mm, limit=2.0), -half_mm, limit=2.0)
    return simplified(np.array([back], dtype=object), _STRAY_LINES * line_width_mm)[0]


def swept_down(strips: Regions, sections: Regions, line_width_mm: float) -> Regions:
    """D_i = (D_{i+1} ∪ strips_{i+1}) \\ sections_i: everything between an underside and what lies beneath it.

    No clearance is taken off here: thin strips lie within the clearance of the part beneath and would vanish.
    The ends of strips make a comb of an outline; notches and holes into which no line of support fits
    are filled, which leaves a tenth of the vertices to all that follows.
    """
    out = empties(len(sections))
    blank, no_strip = planar.is_empty(sections), planar.is_empty(strips)
    here, few = EMPTY, 0
    for i in range(len(sections) - 2, -1, -1):
        if not no_strip[i + 1]:
            here = overlay.union(here, strips[i + 1])
            if planar.get_num_coordinates(here) > _MORE_VERTICES * few:
                here = filled(here, line_width_mm)
                few = planar.get_num_coordinates(here)
        if here.is_empty:
            continue
        if not blank[i]:
            here = overlay.difference(here, sections[i])
        thin = planar.simplify(here, _OUTLINE_TOLERANCE_MM, preserve_topology=False)
        here = thin if planar.is_valid(thin) else overlay.buffer(thin, 0)
        out[i] = here
    return out


def reaching_bed(columns: Regions, cleared: Regions) -> Regions:
    """What of the columns has nothing of ``cleared`` (sections with clearance) anywhere beneath."""
    active = np.flatnonzero(~planar.is_empty(columns))
    if not len(active):
        return columns
    top = active[-1] + 1
    box = planar.total_bounds(columns)
    beneath = overlay.intersection(cleared[:top], planar.box(*(box + np.array([-1.0, -1.0, 1.0, 1.0]))))
    shade = empties(top)
    total = EMPTY
    for i in range(top):
        if not beneath[i].is_empty:
            total = planar.simplify(overlay.union(total, beneath[i]), _OUTLINE_TOLERANCE_MM)
        shade[i] = total
    out = columns.copy()
    out[:top] = overlay.difference(columns[:top], shade)
    return out


class Surroundings:
    """The part as supports must avoid it, per layer: sections, with side clearance, and the gaps."""

    def __init__(self, swept: Swept, process: Process) -> None:
        self.gap_layers = process.air_gap.layers
        self.gap_below_layers = process.air_gap_below.layers
        self.side_mm = swept.side_mm
        self.sections, self.free, self._swept = swept.sections, swept.free, swept

    def landings(self) -> Regions:
        """(L,) where the part beneath may carry a wall, generously: past the gap or beside the clearance."""
        return self._swept.united(-1, (-1 - self.gap_below_layers,))

    @cached_property
    def blocked(self) -> Regions:
        """(L,) where no support may be: the part with clearance, the gap under it and the gap on it.

        Between two sections a lip may stick out past both: the layers next to each count with half the
        clearance. Empty in layers without support.
        """
        shifts = (*range(-self.gap_below_layers, 0), *range(1, self.gap_layers + 1))
        used = ~planar.is_empty(self._swept.columns)
        beside = used | shifted_flags(used, 1) | shifted_flags(used, -1)
        lips = self._swept.bulk.lips(self.side_mm, beside)
        around = self._swept.united(0, shifts)

        def with_lips(layers: Indices) -> Regions:
            out = around[layers]
            for by in (-1, 1):
                out = overlay.union(out, shifted(lips, by)[layers])
            return out

        out = around.copy()
        out[used] = self._swept.rows(("blocked", self.side_mm, shifts), used, shifts, with_lips)[used]
        return out

    def near_above(self, layers: int) -> Regions:
        """(L,) the part seen from below within ``layers`` layers past the gap: there a cap belongs."""
        return self._swept.united(None, tuple(range(self.gap_layers + 1, self.gap_layers + layers + 1)))

    def near_below(self, layers: int) -> Regions:
        """(L,) the part within ``layers`` layers beneath, past the gap: there a sole belongs."""
        gap = self.gap_below_layers
        return self._swept.united(None, tuple(range(-gap - layers, -gap)))

    def ground(self, layer: int, reach_mm: float, window: planar.Geometry) -> planar.Geometry:
        """Where the part beneath carries ``layer``: through the gap, sideways through the clearance."""
        lowest = max(0, layer - 1 - self.gap_below_layers)
        near = overlay.intersection(self.sections[lowest:layer], window)
        reach = np.full(len(near), reach_mm)
        reach[-1] += self.side_mm
        ground: planar.Geometry = overlay.union_all(overlay.buffer(near, reach, quad_segs=4))
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
    asks = np.flatnonzero(~planar.is_empty(out[1:]) & ~planar.is_empty(gone[:-1])) + 1
    bits, owner = _over(out[asks], gone[asks - 1])  # of all layers at once: most have none
    owner = asks[owner]

    def hanging(i: int, bits: Regions) -> planar.Geometry:
        if not len(bits):
            return EMPTY
        over = planar.multipolygons(bits)
        window = _about(over, margin)
        beneath = overlay.intersection(out[i - 1], window)
        rest = overlay.difference(over, overlay.buffer(beneath, reach_mm, quad_segs=4))
        if rest.area < _SPECK_MM2:
            return EMPTY
        left = overlay.difference(rest, around.ground(i, reach_mm, window))
        return EMPTY if left.area < _SPECK_MM2 else left

    # All layers are looked at as they are, beside each other; then again where one beneath has changed.
    at_first = by_layer(lambda i: hanging(i, bits[owner == i]), np.unique(owner))
    changed = False
    for i in range(1, len(regions)):
        lost = at_first.get(i, EMPTY)
        if changed:
            lost = hanging(i, _over(out[i : i + 1], gone[i - 1 : i])[0])
        changed = not lost.is_empty
        if changed:
            rest = np.array([overlay.difference(out[i], lost)], dtype=object)
            left = printable(rest, 0.5 * least_mm)[0]
            gone[i] = overlay.union(gone[i], overlay.difference(out[i], left))
            out[i] = left
    return out


def _over(regions: Regions, open_beneath: Regions) -> tuple[Regions, NDArray[np.int64]]:
    """The connected parts of what the regions have over what is open, and the index of the region of each."""
    bits, owner = parts(areas_only(overlay.intersection(regions, open_beneath)))
    good = planar.area(bits) > _SPECK_MM2  # what rounding left beside outlines are mostly specks
    return bits[good], owner[good]


def by_layer(
    what: Callable[[int], planar.Geometry], layers: Sequence[int] | NDArray[np.int64]
) -> dict[int, planar.Geometry]:
    """``what`` of each layer, layers dealt out among the cores."""
    hands = [hand.tolist() for hand in dealt(np.asarray(layers, dtype=np.int64), _HAND)]
    found = side_by_side([partial(lambda hand: [what(i) for i in hand], hand) for hand in hands])
    return {
        i: one for hand, made in zip(hands, found, strict=True) for i, one in zip(hand, made, strict=True)
    }


def _about(region: planar.Geometry, margin_mm: float) -> planar.Geometry:
    """Boxes about each connected part: of a large layer with bits here and there only what is near them."""
    boxes = planar.bounds(planar.get_parts(region)) + margin_mm * np.array([-1.0, -1.0, 1.0, 1.0])
    return overlay.union_all(planar.box(*boxes.T))


@dataclass(frozen=True, eq=False)
class Swept:
    """Columns of support before any gap is taken off, and the part around them; all (L,) regions.

    ``bulk`` the part around them, which they clear by ``side_mm``; ``columns`` whatever lies straight beneath
    the undersides that are to be carried; ``seen`` the sections as supports see them from below: with the
    heads beneath tips; ``free`` where none may be for the sake of spared faces, None where nothing is spared.
    Changing the air gap leaves them all as they are. ``stages``: what was made of these columns.
    """

    bulk: Bulk
    side_mm: float
    columns: Regions
    seen: Regions
    free: Regions | None = None
    stages: Store = field(default_factory=lambda: Store(_MOST_STAGES), init=False, repr=False)

    @property
    def sections(self) -> Regions:
        return self.bulk.sections

    def rows(
        self,
        key: Hashable,
        wanted: NDArray[np.bool_],
        shifts: tuple[int, ...],
        make: Callable[[Indices], Regions],
    ) -> Regions:
        """As ``rows`` of the bulk, but those layers for this sweep alone that see a head ``shifts`` above."""
        headed = wanted & self._headed(shifts)
        out = self.bulk.rows(key, wanted & ~headed, make)
        if headed.any():
            out[headed] = make(np.flatnonzero(headed))
        return out

    def united(self, clear: int | None, shifts: tuple[int, ...]) -> Regions:
        """(L,) the sections of the layers that lie ``shifts`` above each layer (negative: beneath), united.

        With them, unless None, the cleared section ``clear`` layers above; else the shifts follow each other.
        Empty in layers above all columns.
        """
        return self.stages.get(("united", clear, shifts), lambda: self._united(clear, shifts))

    def _united(self, clear: int | None, shifts: tuple[int, ...]) -> Regions:
        used, headed = beneath_top(self.columns), self._headed(shifts)
        if clear is not None:
            out = self.bulk.beside(self.side_mm, clear, shifts, used & ~headed)
        else:
            out = self.bulk.stretch(shifts[0] if shifts else 0, len(shifts), used & ~headed)
        mine = used & headed
        if mine.any():
            *fewer, last = shifts
            solid = self.sections if last < 0 else self.seen
            out[mine] = overlay.union(self.united(clear, tuple(fewer))[mine], shifted(solid, last)[mine])
        return out

    def _headed(self, shifts: tuple[int, ...]) -> NDArray[np.bool_]:
        """(L,) layers that see a head so many layers above them."""
        own = np.array([a is not b for a, b in zip(self.seen, self.sections, strict=True)], dtype=bool)
        out = np.zeros_like(own)
        for by in shifts:
            if by > 0:
                out |= shifted_flags(own, by)
        return out


def sweep_columns(
    stack: LayerStack,
    need: NeedMap,
    standings: Sequence[Standing],
    process: Process,
    watch: Watch = QUIET,
    *,
    spared: Spared | None = None,
    bulk: Bulk | None = None,
) -> Swept:
    """Sweeps every underside that may be supported straight down.

    ``standings`` has one entry per underside. Bed standing keeps only columns that are clear of the part,
    with clearance, all the way to the bed. Columns that would touch ``spared`` faces are left out. ``bulk``
    is that of the same stack, with what other sweeps made of it for the same need.
    """
    where = np.array([str(s) for s in standings], dtype=object)
    anywhere, bed = where == Standing.BED_OR_PART, where == Standing.BED
    watch.at("sweeping supports down", 0.0)
    bulk = bulk or Bulk.of(stack, process)
    side_mm, sections = process.structure.side_gap_mm, bulk.sections
    if not (anywhere.any() or bed.any()):
        return Swept(bulk, side_mm, empties(stack.count), sections)
    columns, on_bed = side_by_side(
        [
            partial(columns_of, bulk, need, anywhere, process),
            partial(columns_of, bulk, need, bed, process, on_bed=True),
        ]
    )
    if bed.any():
        columns = overlay.union(columns, on_bed) if anywhere.any() else on_bed
    seen = with_heads(sections, heads_of(need, anywhere | bed, process), need)
    if spared is None:
        return Swept(bulk, side_mm, columns, seen)
    watch.at("keeping supports off faces", 0.9)
    used = beneath_top(columns)
    free = kept_free(spared, need, standings, sections, used, side_mm + bulk.stray_mm)
    return Swept(bulk, side_mm, areas_only(overlay.difference(columns, free)), seen, free)


def columns_of(
    bulk: Bulk, need: NeedMap, chosen: NDArray[np.bool_], process: Process, *, on_bed: bool = False
) -> Regions:
    """(L,) whatever lies straight beneath the ``chosen`` undersides, (U,); ``on_bed``: and reaches the bed,
    clear of the part."""
    if not chosen.any():
        return empties(len(bulk.sections))
    key, side_mm = (process.head_reach_mm, chosen.tobytes()), process.structure.side_gap_mm
    if on_bed:
        return bulk.kept.get(
            ("columns on bed", side_mm, *key),
            lambda: reaching_bed(columns_of(bulk, need, chosen, process), bulk.cleared(side_mm)),
        )

    def swept() -> Regions:
        strips = sources(need, chosen, bulk.sections, heads_of(need, chosen, process))
        return swept_down(strips, bulk.sections, process.line_width_mm)

    return bulk.kept.get(("columns", *key), swept)


def beneath_top(columns: Regions) -> NDArray[np.bool_]:
    """(L,) layers in which support may be: up to the highest column, for shores lean beside the part."""
    full = np.flatnonzero(~planar.is_empty(columns))
    used: NDArray[np.bool_] = np.arange(len(columns)) <= full.max(initial=-1)
    return used


def support_regions(
    swept: Swept, around: Surroundings, reach_mm: float, process: Process
) -> tuple[Regions, Regions]:
    """(L,) regions filled by support, and (L,) where none may be."""
    active = ~planar.is_empty(swept.columns)
    if not active.any():
        return swept.columns, empties(len(active))
    blocked = around.blocked
    out = empties(len(active))
    out[active] = overlay.difference(swept.columns[active], blocked[active])
    out, dropped = sifted(simplified(out, _OUTLINE_TOLERANCE_MM), 0.45 * process.line_width_mm)
    return carried(out, dropped, around, reach_mm, 0.9 * process.line_width_mm), blocked

"""What is built, as it comes out: a design with its strands and costs, held against the curtain it replaces.

Estimates choose what to build; what was built is then reckoned strand by strand. Shores that would topple get
wider posts; those that come out dearer than a curtain, in filament or in time, give way to one.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.cost.cost import Cost
from falsework.cost.strands import Laying
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, digest_of, offset_mitred
from falsework.layers.stack import Floats, Indices, Regions
from falsework.need.measure import Outlines
from falsework.process.depends import support_depends
from falsework.process.forces import LEAST_TOPPLE_SAFETY
from falsework.support.cells import facing
from falsework.support.contacts import contacts_of
from falsework.support.design import CURTAIN, SCAR_PRICE_MM2, STUCK_PRICE, STUCK_PRICE_MM2, Design
from falsework.support.draft import SupportDraft, SupportPlace, drafted
from falsework.support.leaving import leaving
from falsework.support.scheme import SupportStrands
from falsework.support.stability import StabilityCheck
from falsework.support.strands import strands_of
from falsework.support.sweep import carried, printable, shifted
from falsework.watch import QUIET, Watch

_SPECK_MM2 = 1e-3
_NEAR = 0.45  # of a curtain's estimate, from which it is built as well: estimates may be twice too high
_WIDER = 1.1  # posts are made so much wider than just enough not to topple
_MOST_WIDER = 2.0
_SURE = 1.3  # times as wide are the posts of what did not stand as a curtain
_EVERY = 3  # layers of a piece that are looked at for ways out


@dataclass(frozen=True, eq=False)
class Made:
    """Supports as drafted and checked where they are built, in strands, with what each piece takes."""

    place: SupportPlace
    draft: SupportDraft
    check: StabilityCheck
    strands: SupportStrands
    costs: list[Cost]

    def only(self, kept: NDArray[np.bool_]) -> Made:
        """The pieces kept, (pieces,), which are numbered anew in their order."""
        costs = [cost for cost, one in zip(self.costs, kept, strict=True) if one]
        return Made(self.place, self.draft.only(kept), self.check.only(kept), self.strands.only(kept), costs)

    @cached_property
    def taken(self) -> Floats:
        """(pieces, 2) filament in mm³ and seconds of each piece."""
        return np.array([(c.volume_mm3, c.time_s) for c in self.costs]).reshape(-1, 2)

    @cached_property
    def contacts(self) -> tuple[Indices, Indices, Floats]:
        """Pieces, undersides and the area in which one carries the other."""
        return contacts_of(self.draft.cells, self.place.need, self.place.gap)

    @property
    def contact_mm2(self) -> Floats:
        """(pieces,) area over which each carries."""
        piece, _, contact = self.contacts
        return np.bincount(piece, weights=contact, minlength=self.draft.cells.pieces).astype(np.float64)


def made_of(support: Regions, shores: Regions | None, place: SupportPlace, watch: Watch = QUIET) -> Made:
    """(L,) regions as they are built; ``shores`` of them are shores, None: all is a curtain."""
    process = place.process
    outlines = digest_of(support), b"" if shores is None else digest_of(shores)
    draft, check, strands = place.kept.get(
        ("laid", *outlines, support_depends(process)), lambda: _laid(support, shores, place, watch)
    )
    costs = Laying(process, process.support_speed_mm_s).costs(
        strands.piece, draft.cells.pieces, strands.ends_mm, strands.layer, place.stack.heights_mm
    )
    return Made(place, draft, check, strands, costs)


def _laid(
    support: Regions, shores: Regions | None, place: SupportPlace, watch: Watch
) -> tuple[SupportDraft, StabilityCheck, SupportStrands]:
    draft, check = drafted(support, shores, place, watch.part(0.0, 0.8))
    watch.at("laying the strands of supports", 0.8)
    process = place.process
    strands = strands_of(
        draft.cells,
        draft.bands,
        draft.walls,
        draft.closed_lines,
        process.structure.line_angle_deg,
        process.line_width_mm,
        place.cellwise,
    )
    return draft, check, strands


def best_made(design: Design, place: SupportPlace, watch: Watch = QUIET) -> tuple[Design, Made]:
    """The design as it is built: no shores topple that need not, none are dearer than a curtain."""
    made = made_of(_resting(design.support, place), design.shores, place, watch.part(0.0, 0.3))
    for number, last in enumerate((False, True)):
        again = watch.part(0.3 + 0.35 * number, 0.65 + 0.35 * number)
        better = _better(design, made, place, last, again.part(0.0, 0.5))
        if better is None:
            break
        design = better
        made = made_of(_resting(design.support, place), design.shores, place, again.part(0.5, 1.0))
    return design, made


def _resting(support: Regions, place: SupportPlace) -> Regions:
    """Support without what is too narrow to print, and what nothing would carry."""
    return place.kept.get(("resting", digest_of(support)), lambda: _what_rests(support, place))


def _what_rests(support: Regions, place: SupportPlace) -> Regions:
    width = place.process.line_width_mm
    regions = printable(support, 0.45 * width)
    beneath = offset_mitred(shifted(regions, -1), place.reach_mm, limit=1.5)
    hanging = overlay.difference(regions, beneath)
    hanging[planar.area(hanging) < _SPECK_MM2] = planar.MultiPolygon()
    return carried(regions, shifted(areas_only(hanging), 1), place.around, place.reach_mm, 0.9 * width)


def _better(design: Design, made: Made, place: SupportPlace, last: bool, watch: Watch) -> Design | None:
    """The design with wider posts where shores topple and shores where curtains do not stand, unless this is
    the ``last`` time, and curtains where shores are dearer; None where nothing of that helps."""
    watch.at("what would be cheaper straight down", 0.0)
    label, of_piece = design.groups(made.draft.cells)
    count = int(max(label.max(initial=-1), of_piece.max(initial=-1))) + 1
    shored = np.zeros(count, dtype=bool)
    shored[label[design.side_mm != CURTAIN]] = True
    built = _tallied(made, of_piece, count, design.outlines)
    mend = shored & (built.safety < LEAST_TOPPLE_SAFETY) & (not last)
    guess = np.array([(row[CURTAIN].volume_mm3, row[CURTAIN].time_s) for row in design.prices])
    near = (built.takes > _NEAR * _sums(label, guess.reshape(-1, 2), count)).any(axis=1)
    doubtful = shored & (near | (built.weak & ~mend) | built.stuck)
    dear = np.zeros(count, dtype=bool)
    if doubtful.any():
        straight = made_of(design.curtain(doubtful[label]), None, place, watch.part(0.3, 1.0))
        cells = straight.draft.cells
        i, j = facing(design.layer, design.heads, cells.layer, cells.polygon)
        group = np.full(cells.pieces, count)  # of what carries no heads: nobody's
        group[cells.piece[j]] = label[design.piece[i]]
        curtain = _tallied(straight, group, count + 1, design.outlines).first(count)
        dear = doubtful & _beaten(built, curtain, mend, doubtful)
    mend &= ~dear
    falls = built.weak & ~shored & (not last)
    falls &= _any(label, np.array([max(row) > CURTAIN for row in design.prices]), count)
    if not (dear.any() or mend.any() or falls.any()):
        return None
    if falls.any():  # no further time is left in which these posts would be widened
        design = design.with_shores(falls[label]).with_posts(np.where(falls, _SURE, 1.0)[label])
    if dear.any():
        design = design.with_curtains(dear[label])
    if mend.any():
        # what holds a foot grows with the cube of its breadth
        times = _WIDER * np.cbrt(LEAST_TOPPLE_SAFETY / np.maximum(built.safety, 1e-3))
        design = design.with_posts(np.where(mend, np.minimum(times, _MOST_WIDER), 1.0)[label])
    return design


@dataclass(frozen=True, eq=False)
class _Tally:
    """Of every group of pieces: (G, 2) filament in mm³ and seconds, price with marks and hand work, the least
    safety against toppling, whether it is weak, and whether it cannot leave whole."""

    takes: Floats
    price: Floats
    safety: Floats
    weak: NDArray[np.bool_]
    stuck: NDArray[np.bool_]

    def first(self, count: int) -> _Tally:
        return _Tally(*(getattr(self, f.name)[:count] for f in fields(self)))


def _tallied(made: Made, group: Indices, count: int, outlines: Outlines) -> _Tally:
    cells, check = made.draft.cells, made.check
    some = cells.layer % _EVERY == 0
    free = leaving(cells.polygon[some], cells.layer[some], cells.piece[some], cells.pieces, outlines)
    price = np.array([cost.price for cost in made.costs]) + SCAR_PRICE_MM2 * check.scar_mm2
    price += np.where(free, 0.0, STUCK_PRICE + STUCK_PRICE_MM2 * made.contact_mm2)
    safety = np.full(count, np.inf)
    np.minimum.at(safety, group, check.topple_safety)
    return _Tally(
        _sums(group, made.taken, count),
        _sums(group, price[:, None], count)[:, 0],
        safety,
        _any(group, check.weak, count),
        _any(group, ~free, count),
    )


def _beaten(
    built: _Tally, curtain: _Tally, mend: NDArray[np.bool_], doubtful: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """(count,) groups that are dearer than their curtain, or weak where it is not; and where the doubtful
    together would take more filament or time than curtains, those that do, unless only the curtain is
    weak."""
    weak = built.weak & ~mend
    beaten = (weak & ~curtain.weak) | ((built.price >= curtain.price) & (weak | ~curtain.weak))
    now = np.where(beaten[:, None], curtain.takes, built.takes)[doubtful].sum(axis=0)
    more: NDArray[np.bool_] = now > curtain.takes[doubtful].sum(axis=0)
    if more.any():
        beaten |= (built.takes > curtain.takes)[:, more].any(axis=1) & (weak | ~curtain.weak)
    return beaten


def _any(label: Indices, flags: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    out = np.zeros(count, dtype=bool)
    out[label[flags]] = True
    return out


def _sums(label: Indices, values: Floats, count: int) -> Floats:
    return np.column_stack([np.bincount(label, weights=v, minlength=count) for v in values.T])

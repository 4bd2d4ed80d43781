"""Second pass over a program: layer by layer, what each strand is and what it lies on."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.plate import FLAT_MM
from falsework.auditing.reading import Program, moves
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.kernels.bead import cells, laying
from falsework.kernels.bead import resting as field_of
from falsework.kernels.bead import strands as cut
from falsework.kernels.bead.resting import ASIDE, BED, FLAT, OWNERS, PART, SUPPORT
from falsework.layers.stack import Floats, Indices
from falsework.process.settings import Process
from falsework.watch import QUIET, Watch

__all__ = ["ASIDE", "BED", "CONTACT", "FLAT", "OWNERS", "PART", "SUPPORT", "Layer", "Runs", "rebuild"]

CONTACT = 0.1  # of a strand's height: what lies no deeper beneath its underside carries it
WINDOW_MM = 5.0  # how deep beneath a strand a gap is still looked for
FAR_MM = 6.0  # how far sideways something that carries is looked for
_CELLS = 6_000_000  # of the field of tops, at most
_SHELVES = 6  # earlier layers kept as beads
_MOST_STRANDS = 400_000  # of one layer judged at a time; more come in several goes
_FEW, _ANYWHERE_MM = 24, 1e6  # strands for which beads are not put into squares first; larger than any bed
_SLACK = 2.5  # layers of gap that still carry
_RECENT = 3.2  # layers in which fill must come back
_UNLIKELY = 0.15  # misfit by which another height must be better than the commonest depth


@dataclass(frozen=True, eq=False)
class Runs:
    """Stretches of paths with too little beneath them; arrays (m,) or (m, 2).

    ``strand``: the first strand in the layer; ``length_mm`` along the path; ``start``, ``end``: x, y of both
    ends; ``held``: what holds each end: 0 nothing, 1 material beneath, 2 a neighbour of the same layer;
    ``carried``: share of the width carried along it, still; ``reach_mm``: the farthest that the strand's edge
    is from what carries it, ``FAR_MM`` where nothing near does; ``lines``: first and last line of the
    program.
    """

    strand: Indices
    length_mm: Floats
    start: Floats
    end: Floats
    held: Indices
    carried: Floats
    reach_mm: Floats
    lines: Indices

    def __len__(self) -> int:
        return len(self.strand)


@dataclass(frozen=True, eq=False)
class Layer:
    """One layer as laid: its strands in order with what lies beneath each.

    ``ends`` (n, 6) both ends x, y, z; ``rows`` (n, STRAND) as ``kernels.bead.strands`` gives them;
    ``length_mm``, ``section_mm2``, ``height_mm``, ``width_mm`` (n,); ``owner`` (n,) part, support or aside.
    ``share`` (n,) of a strand's area that rests on material; ``resting``, ``near`` (n, OWNERS) shares that
    rest on, or lie over a gap above, the bed, the part, a support, something else; ``gap_mm`` (n, OWNERS) the
    least such gap; ``sunk`` (n,) share that must plough through what is there; ``twice`` (n,) share laid over
    itself.
    ``blobs`` and ``travels`` (k, STRAND); ``struck_mm`` (travels,) length through what is there.
    """

    index: int
    z_mm: float
    step_mm: float  # height of its strands, as most of them have it
    depth_mm: float  # what lies beneath most often lies so deep, and
    so_deep: float  # beneath that share of the strands
    rows: Floats
    ends: Floats
    length_mm: Floats
    section_mm2: Floats
    height_mm: Floats
    width_mm: Floats
    owner: NDArray[np.uint8]
    fills: NDArray[np.bool_]
    share: Floats
    resting: Floats
    near: Floats
    gap_mm: Floats
    sunk: Floats
    twice: Floats
    runs: Runs
    blobs: Floats
    travels: Floats
    struck_mm: Floats

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def middles(self) -> Floats:
        """(n, 2) x, y half way along each strand."""
        return 0.5 * (self.ends[:, 0:2] + self.ends[:, 3:5])


Owners = Callable[[float, float, Floats], NDArray[np.uint8]]
"""Whose strands are: called with the layer's top, its height and (n, 6) ends; returns (n,) uint8."""


def all_part(z_mm: float, height_mm: float, ends: Floats) -> NDArray[np.uint8]:
    """Where no part is known, everything counts as the part's."""
    return np.full(len(ends), PART, np.uint8)


@dataclass(frozen=True)
class Carrying:
    """What counts as carried, and whose strands are.

    ``span_mm``: held stretches shorter than this bridge without trouble; ``carry_mm``: through a gap no wider
    than this, what is beneath still carries, but for the bed; ``owners`` as :data:`Owners`.
    """

    span_mm: float = 2.0
    carry_mm: float = 0.0
    owners: Owners = all_part


TOUCHING = Carrying()  # only what touches carries


def rebuild(
    program: Program,
    found: ProgramSurvey,
    process: Process,
    usual: Usual,
    *,
    carrying: Carrying = TOUCHING,
    volumetric: bool = False,
    watch: Watch = QUIET,
) -> Iterator[Layer]:
    """The layers of a program in its order, each judged against what was laid before it.

    ``found``: its survey; ``usual``: height and width that settle which of several readings of a strand is
    meant. Memory: the field of tops (at most 6 M cells) and a few layers, whatever the program's length.
    """
    grid = _Field(found, process)
    needed = math.ceil(field_of.LINES * (1.0 - process.reach_fraction) - 1e-9)
    state = _State(grid, found, usual, carrying, needed, usual.height_mm)
    for index, rows in by_layer(program, process, volumetric, watch):
        layer = _judged(index, rows, state)
        if layer is not None:
            yield layer


def by_layer(
    program: Program, process: Process, volumetric: bool, watch: Watch
) -> Iterator[tuple[int, Floats]]:
    """Index and rows of one layer after the other; a very large one in several goes."""
    carry = cut.fresh_carry(process.layer_height_mm)
    kept: list[Floats] = []
    count, current = 0, 0
    for rows, _ in moves(program, process.filament_section_mm2, volumetric=volumetric, watch=watch):
        out = np.empty((len(rows), cut.STRAND))
        out = out[: cut.strands(rows, carry, out)]
        layer = out[:, cut.LAYER]
        for piece in np.split(out, np.flatnonzero(np.diff(layer)) + 1):
            if len(piece) == 0:
                continue
            at = max(0, int(piece[0, cut.LAYER]))
            if kept and (at != current or count > _MOST_STRANDS):
                yield current, np.concatenate(kept)
                kept, count = [], 0
            current = at
            kept.append(piece)
            count += len(piece)
    if kept:
        yield current, np.concatenate(kept)


class _Field:
    """Tops and owners of what has been laid, by cell of the bed."""

    def __init__(self, found: ProgramSurvey, process: Process) -> None:
        margin = 2.0 * FAR_MM
        self.left, self.bottom = (float(v) - margin for v in found.low[:2])
        wide, deep = (float(v) + 2.0 * margin for v in (found.high - found.low)[:2])
        fine = 0.5 * min(process.line_width_mm, 2.0 * process.nozzle_mm)
        self.size = max(fine, math.sqrt(wide * deep / _CELLS), max(wide, deep) / 30_000)
        shape = int(deep / self.size) + 1, int(wide / self.size) + 1
        self.top = np.zeros(shape, np.float32)
        self.owner = np.zeros(shape, np.uint8)
        self.woven = np.zeros(shape, np.uint8)  # whether the last strand there was fill
        self.inside = np.full(
            shape, -1.0, np.float32
        )  # height up to which the cell lies inside what is filled
        self.runs = cells.fresh_runs()  # scratch, kept for its size
        self.bin = max(2.0, 8.0 * self.size, math.sqrt(wide * deep / 250_000))
        self.columns, self.rows = int(wide / self.bin) + 1, int(deep / self.bin) + 1

    def enclose(self, ends: Floats, z_mm: float, step_mm: float) -> None:
        """Note which cells a layer that has been laid encloses."""
        heights = z_mm, z_mm - 0.5 * step_mm, z_mm - _RECENT * step_mm
        while cells.enclose(self.top, self.woven, self.inside, ends, *self.frame, *heights, self.runs) < 0:
            self.runs = cells.fresh_runs(2 * self.runs.shape[1])

    @property
    def frame(self) -> tuple[float, float, float]:
        return self.left, self.bottom, self.size


@dataclass(eq=False)
class _State:
    """What all layers share, and what one hands to the next."""

    grid: _Field
    found: ProgramSurvey
    usual: Usual
    carrying: Carrying
    needed: int  # lines of a strand's width that must be carried
    height_mm: float
    z_mm: float = 0.0
    path: float = -1.0
    shelves: deque[_Shelf] = field(default_factory=lambda: deque(maxlen=_SHELVES))
    spans: Floats = field(default_factory=lambda: np.empty((1024, 5)))  # scratch, kept for its size

    def owners(self, z_mm: float, height_mm: float, ends: Floats) -> NDArray[np.uint8]:
        owner = self.carrying.owners(z_mm, height_mm, ends)
        ground = self.found.ground
        if ground.has_flat and z_mm < FLAT_MM:
            owner[ground.flat_at(0.5 * (ends[:, 0:2] + ends[:, 3:5]))] = FLAT
        return owner


class _Bins(NamedTuple):
    """Beads by square, in compressed rows, and where the squares lie: as ``kernels.bead`` takes them."""

    start: Indices
    beads: Indices
    left: float
    bottom: float
    size: float
    columns: int
    rows: int


@dataclass(eq=False)
class _Shelf:
    """Beads of one earlier layer; binned when they are first asked for."""

    beads: Floats  # (n, 5) ax, ay, bx, by, half width
    z: Floats
    low_mm: float
    high_mm: float
    bins: _Bins | None = None

    def binned(self, field: _Field, sought: int) -> _Bins:
        """Beads by square of the bed; where few strands are ``sought``, all of them as one square."""
        if self.bins is not None:
            return self.bins
        if sought <= _FEW:
            start, beads = np.array([0, len(self.beads)]), np.arange(len(self.beads))
            return _Bins(start, beads, -_ANYWHERE_MM, -_ANYWHERE_MM, 2.0 * _ANYWHERE_MM, 1, 1)
        frame = field.left, field.bottom, field.bin, field.columns, field.rows
        start, beads = cut.bins_of(self.beads, *frame)
        self.bins = _Bins(start, beads, *frame)
        return self.bins


@dataclass(eq=False)
class _Beads:
    """Strands of the layer at hand; ``share`` (n,) of each that rests, ``doubtful`` the ones to look at
    closer.
    """

    rows: Floats
    ends: Floats
    middle: Floats
    long: Floats
    half: Floats
    height: Floats
    share: Floats
    doubtful: Indices

    @property
    def path(self) -> Floats:
        return self.rows[:, cut.PATH]

    @property
    def unit(self) -> Floats:
        """(n, 2) the way each runs."""
        return (self.ends[:, 3:5] - self.ends[:, 0:2]) / self.long[:, None]


def _judged(index: int, rows: Floats, state: _State) -> Layer | None:
    field, usual, carry = state.grid, state.usual, state.carrying.carry_mm
    rows, ends, long, section, low, top, travels, blobs, order = laying.sort_out(rows)
    if len(rows) == 0:
        return None
    step, depth, so_deep, height, half, fills, beads, middle = laying.measure(
        ends, rows[:, cut.PATH], long, section, top, field.top, *field.frame, state.z_mm, state.height_mm,
        usual.height_mm, usual.width_mm, _UNLIKELY,
    )  # fmt: skip
    owner = state.owners(top, step, ends)
    share, resting, near, gap, sunk, doubtful = field_of.rest(
        ends, half, height, field.top, field.owner, field.inside, *field.frame, CONTACT, WINDOW_MM, carry
    )
    laid = _Beads(rows, ends, middle, long, half, height, share, doubtful)
    # before it is laid: what carries it is looked for in what was there
    runs = _NO_RUNS
    if len(doubtful):
        pieces = _stretches(laid, state)
        runs = _runs(pieces[~_inside(pieces, laid, state)], laid, state)
    twice, touch, struck = field_of.lay(
        order, ends, half, height, owner, laid.path, fills, travels, field.top, field.owner, field.woven,
        *field.frame,
    )  # fmt: skip
    if index % 2 == 0 or carry < _SLACK * step:  # what is a layer old is near enough, where gaps carry
        field.enclose(ends, top, step)
    if len(runs):
        runs = _held_beside(runs, touch, laid.path)
    state.shelves.append(_Shelf(beads, middle, low, top))
    state.height_mm, state.z_mm, state.path = step, top, float(laid.path[-1])
    return Layer(
        index, top, step, depth, so_deep, rows, ends, long, section, height, 2.0 * half, owner, fills, share,
        resting, near, gap, sunk, twice, runs, blobs, travels, struck, )  # fmt: skip


def _stretches(laid: _Beads, state: _State) -> Floats:
    """(m, 4) place in ``doubtful``, from, to, carried share of stretches in air; sets ``share`` of these."""
    field, doubtful, height, carry = state.grid, laid.doubtful, laid.height, state.carrying.carry_mm
    low, high, tall = laying.undersides(laid.middle, height, doubtful)
    low, high = low - max(tall, carry), high + tall
    whole = np.zeros(len(doubtful), np.bool_)
    spans, count = state.spans, 0
    for shelf in reversed(state.shelves):  # what carries is most often what was laid last
        if shelf.high_mm < low or shelf.low_mm > high:
            continue
        while True:
            more = field_of.cover(
                laid.ends, laid.half, height, doubtful, whole, shelf.beads, shelf.z,
                *shelf.binned(field, len(doubtful)), CONTACT, carry, spans, count,
            )  # fmt: skip
            if more >= 0:
                count = more
                break
            state.spans = spans = np.concatenate([spans, np.empty_like(spans)])
        if whole.all():
            laid.share[doubtful] = 1.0
            return np.zeros((0, 4))
    # the bed carries whatever is one strand high; through a gap it carries nothing
    under = laid.middle[doubtful] - height[doubtful]
    on_bed = np.flatnonzero(under < CONTACT * height[doubtful])
    if len(on_bed):
        rows = np.empty((len(on_bed) * field_of.LINES, 5))
        rows[:, 0] = np.repeat(on_bed, field_of.LINES)
        rows[:, 1] = np.tile(np.arange(field_of.LINES), len(on_bed))
        rows[:, 2] = 0.0
        rows[:, 3] = np.repeat(laid.long[doubtful[on_bed]], field_of.LINES)
        rows[:, 4] = 1.0
        spans = np.concatenate([spans[:count], rows])
        count = len(spans)
    spans = spans[:count]
    own_long = laid.long[doubtful]
    found, carried = _in_air(spans, whole, own_long, state.needed, contact_only=False)
    if np.any(spans[:, 4] == 0.0):
        carried = _in_air(spans, whole, own_long, state.needed, contact_only=True)[1]
    laid.share[doubtful] = carried
    return found


def _inside(pieces: Floats, laid: _Beads, state: _State) -> NDArray[np.bool_]:
    """(m,) which stretches in air run inside what is filled, most of three points along each."""
    field = state.grid
    out = np.zeros(len(pieces), np.bool_)
    field_of.lies_inside(
        pieces, laid.doubtful, laid.ends, laid.long, laid.height, field.inside, *field.frame,
        state.carrying.carry_mm, out,
    )  # fmt: skip
    return out


def _in_air(
    spans: Floats, whole: NDArray[np.bool_], long: Floats, needed: int, *, contact_only: bool
) -> tuple[Floats, Floats]:
    """Stretches in air (m, 4) and (k,) the carried share of each strand's area, from the spans beneath."""
    found = np.empty((len(spans) // 2 + 2 * len(long) + 16, 4))
    share = np.zeros(len(long))
    n = field_of.stretches(spans, whole, long, needed, contact_only, share, found)
    return found[:n], share


@dataclass(eq=False)
class _Joined:
    """Stretches of one path that follow one another: places of the first and last, and which is whose."""

    strand: Indices  # of each piece
    begin: Floats
    finish: Floats
    first: Indices
    last: Indices
    group: Indices


def _joined(pieces: Floats, laid: _Beads) -> _Joined:
    strand = laid.doubtful[pieces[:, 0].astype(np.int64)]
    begin, finish, path = pieces[:, 1], pieces[:, 2], laid.path
    joins = np.zeros(len(pieces), bool)
    joins[1:] = (
        (strand[1:] == strand[:-1] + 1)
        & (path[strand[1:]] == path[strand[:-1]])
        & (finish[:-1] >= laid.long[strand[:-1]] - 1e-6)
        & (begin[1:] <= 1e-6)
    )
    first = np.flatnonzero(~joins)
    return _Joined(strand, begin, finish, first, np.append(first[1:], len(pieces)) - 1, np.cumsum(~joins) - 1)


def _runs(pieces: Floats, laid: _Beads, state: _State) -> Runs:
    """Stretches joined along their paths, with how each end is held by what lies beneath."""
    if len(pieces) == 0:
        return _NO_RUNS
    path, long, half, ends = laid.path, laid.long, laid.half, laid.ends
    j = _joined(pieces, laid)
    first, last = j.first, j.last
    length: Floats = np.bincount(j.group, weights=j.finish - j.begin, minlength=len(first)).astype(np.float64)
    carried = np.bincount(j.group, weights=(j.finish - j.begin) * pieces[:, 3], minlength=len(first))
    a, b = j.strand[first], j.strand[last]
    unit = laid.unit
    start = ends[a, 0:2] + unit[a] * j.begin[first][:, None]
    end = ends[b, 0:2] + unit[b] * j.finish[last][:, None]

    opens = np.diff(path, prepend=state.path) != 0.0  # first strand of its path
    closes = np.append(opens[1:], True)  # it may go on in the next layer, if it climbs
    free_start = opens[a] & (j.begin[first] <= 1e-6)
    free_end = closes[b] & (j.finish[last] >= long[b] - 1e-6)
    held = np.column_stack([~free_start, ~free_end]).astype(np.int64)
    # a closed path goes on where it began
    begins = np.union1d([0], np.flatnonzero(opens))
    finishes = np.append(begins[1:], len(path)) - 1
    gap = np.hypot(*(ends[begins, 0:2] - ends[finishes, 3:5]).T)
    ring = (gap < 1.2 * half[begins]) & (finishes > begins + 1) & opens[begins]
    of_path = np.searchsorted(begins, np.arange(len(path)), side="right") - 1
    on_ring = ring[of_path]
    # both ends of a ring that is nowhere carried stay free; else each goes on in the other
    whole = free_start & free_end
    held[on_ring[a] & free_start & ~whole, 0] = 1
    held[on_ring[b] & free_end & ~whole, 1] = 1
    run_path = of_path[a]
    tails = {int(run_path[k]): k for k in np.flatnonzero(on_ring[b] & free_end & ~whole)}
    drop = np.zeros(len(a), bool)
    for k in np.flatnonzero(on_ring[a] & free_start & ~whole):
        t = tails.get(int(run_path[k]))
        if t is not None and t != k:
            length[t] += length[k]
            carried[t] += carried[k]
            end[t] = end[k]
            b[t] = b[k]
            drop[k] = True
    sought = np.flatnonzero(
        ~drop & ((length > state.carrying.span_mm) | ((held == 0).any(axis=1) & (length > laid.height[a])))
    )
    reach = _reaches(sought, j, laid, state)
    # a ring beside what carries it leans on it all round
    leans = whole & on_ring[a] & (reach > 0.0) & (reach < FAR_MM)
    held[leans] = 1
    # round ends of strands leave small hollows where they meet others
    keep = ~drop & ((length > 0.5 * half[a]) | (held == 0).any(axis=1))
    lines = np.sort(
        np.column_stack([laid.rows[a, cut.LINE], laid.rows[b, cut.LINE]]).astype(np.int64), axis=1
    )
    return Runs(
        a[keep], length[keep], start[keep], end[keep], held[keep],
        (carried / np.maximum(length, 1e-9))[keep], reach[keep], lines[keep],
    )  # fmt: skip


def _reaches(sought: Indices, j: _Joined, laid: _Beads, state: _State) -> Floats:
    """(runs,) how far the edge of each sought run is from what carries it, at most ``FAR_MM``."""
    reach = np.zeros(len(j.first))
    if len(sought):
        field = state.grid
        points = _along(sought, j, laid)
        far = field_of.reaches(
            points[:, 1:], field.top, field.owner, *field.frame, CONTACT, state.carrying.carry_mm, FAR_MM
        )
        run = points[:, 0].astype(np.int64)
        far = np.where(far < FAR_MM, far + laid.half[j.strand[j.first]][run], FAR_MM)
        np.maximum.at(reach, run, far)
    return reach


_NO_RUNS = Runs(
    np.zeros(0, np.int64), np.zeros(0), np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2), np.int64),
    np.zeros(0), np.zeros(0), np.zeros((0, 2), np.int64),
)  # fmt: skip


def _along(sought: Indices, j: _Joined, laid: _Beads) -> Floats:
    """(p, 5) run, x, y, underside, height: three points on each of a few pieces of the sought runs."""
    stride = np.maximum(1, (j.last - j.first + 1) // 8)
    place = np.arange(len(j.group)) - j.first[j.group]
    wanted = np.zeros(len(j.first), bool)
    wanted[sought] = True
    piece = np.flatnonzero(wanted[j.group] & (place % stride[j.group] == 0))
    s = j.strand[piece]
    under = 0.5 * (laid.ends[s, 2] + laid.ends[s, 5]) - laid.height[s]
    out = []
    for share in (0.0, 0.5, 1.0):
        t = j.begin[piece] + share * (j.finish[piece] - j.begin[piece])
        xy = laid.ends[s, 0:2] + laid.unit[s] * t[:, None]
        out.append(np.column_stack([j.group[piece], xy, under, laid.height[s]]))
    return np.concatenate(out)


def _held_beside(runs: Runs, touch: NDArray[np.bool_], path: Floats) -> Runs:
    """Free ends that lie beside something of the same layer are held by it."""
    if len(runs) == 0:
        return runs
    opens = np.flatnonzero(np.diff(path, prepend=-1.0) != 0.0)
    closes = np.append(opens[1:], len(path)) - 1
    of = np.searchsorted(opens, runs.strand, side="right") - 1
    held = runs.held
    held[(held[:, 0] == 0) & touch[opens[of], 0], 0] = 2
    held[(held[:, 1] == 0) & touch[closes[of], 1], 1] = 2
    return runs

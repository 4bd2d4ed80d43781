"""First pass over a program: how large, how high, how long, and a sample of its layers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from falsework.auditing.plate import BedHeights
from falsework.auditing.reading import Program, ProgramReading, moves, name_of
from falsework.errors import ProgramError
from falsework.kernels.bead import laying
from falsework.kernels.bead import machine as rs274
from falsework.kernels.bead import strands as cut
from falsework.kernels.bead.motion import fed_along, move_times
from falsework.layers.stack import Floats, Indices
from falsework.process.settings import Process
from falsework.watch import QUIET, Watch

MOST_LAYERS = 200_000
_KEPT_LAYERS = 32  # sampled layers; every second of them goes when there are more
_KEPT_STRANDS = 20_000  # of each
_FIRST_LAYERS = 4  # are kept in any case
_LOOK_BACK = 12  # layers, among which one lies beneath the next
_OWN_MM = 5.0  # of strands on bodies that make a layer one of the print
FAR_BACK_MM = 18.0  # common practice, no source: long tubes ask for 8 mm, and nothing for more than that
LEAST_NOZZLE_C = 120.0  # below that nothing flows


@dataclass(eq=False)
class ProgramSurvey:
    """What the whole program comes to; lengths mm.

    ``low``, ``high`` (3,): box of all strands; ``reach_low``, ``reach_high`` (3,): of all moves. ``z_mm``,
    ``line``, ``length_mm``, ``volume_mm3`` (layers,), ``box_mm`` (layers, 4): top, first line, strands'
    length and volume, their least x, y and most x, y, of each layer in the order of the program;
    ``travel_mm``, ``drawn_mm``, ``travel_s`` (layers,): long travels of each, those with filament drawn back,
    and how long they take at the speed they ask for.
    ``sample``: strands of some layers, by the layer's index, without lines beside the print. ``ground``: the
    bodies on the bed. ``first_layer``: index of the first that is no such line. ``pushed_mm3``: all that
    comes out of the nozzle, ``blobs_mm3`` the part of it pushed at rest. ``time_s`` with acceleration and
    corners; ``printing_s`` the part of it spent on strands.
    """

    reading: ProgramReading
    low: Floats = field(default_factory=lambda: np.full(3, np.inf))
    high: Floats = field(default_factory=lambda: np.full(3, -np.inf))
    reach_low: Floats = field(default_factory=lambda: np.full(3, np.inf))
    reach_high: Floats = field(default_factory=lambda: np.full(3, -np.inf))
    z_mm: Floats = field(default_factory=lambda: np.zeros(0))
    line: Indices = field(default_factory=lambda: np.zeros(0, np.int64))
    length_mm: Floats = field(default_factory=lambda: np.zeros(0))
    volume_mm3: Floats = field(default_factory=lambda: np.zeros(0))
    box_mm: Floats = field(default_factory=lambda: np.zeros((0, 4)))
    travel_mm: Floats = field(default_factory=lambda: np.zeros(0))
    drawn_mm: Floats = field(default_factory=lambda: np.zeros(0))
    travel_s: Floats = field(default_factory=lambda: np.zeros(0))
    sample: dict[int, Floats] = field(default_factory=dict)
    ground: BedHeights = field(default_factory=BedHeights)
    first_layer: int = 0
    pushed_mm3: float = 0.0
    blobs_mm3: float = 0.0
    time_s: float = 0.0
    printing_s: float = 0.0
    moves: int = 0
    strands: int = 0
    hottest_c: float = 0.0
    bed_c: float = 0.0
    held_back: int = 0  # strands laid while a word holds the filament back
    held_line: int = 0
    dry_mm: float = 0.0  # way amid strands, at their speed, along which nothing is fed
    dry_line: int = 0
    passed_mm: float = 0.0  # the same at other speeds: travels
    fed_mm: float = 0.0  # way along which filament is fed
    empty_mm: float = 0.0  # of it where nothing comes out: it was drawn back farther
    empty_line: int = 0
    cold: int = 0  # strands laid before the nozzle was asked to be warm
    cold_line: int = 0
    unasked: int = 0  # strands laid before the program asks for any heat
    unasked_line: int = 0
    far_back: int = 0  # how often more filament is drawn back than hot ends bear
    far_back_line: int = 0
    farthest_back_mm: float = 0.0

    @property
    def layers(self) -> int:
        return len(self.z_mm)

    def steps_mm(self) -> Floats:
        """(layers,) rise of each layer over the nearest lower height that was printed before it.

        What was printed elsewhere in the meantime, as of another part with layers of its own, does not count.
        Up to the first layer of the print each lies on the bed, whatever lines were drawn beside it before.
        """
        seen = np.zeros(1)
        steps = np.zeros(self.layers)
        at = 0.0
        for k, z in enumerate(self.z_mm):
            if k <= self.first_layer:
                steps[k] = z
            elif z > at:
                steps[k] = z - self._beneath(k, at)
            else:  # back down: another object, or a second visit
                below = seen[seen < z - 1e-4]
                steps[k] = z - (below.max() if len(below) else 0.0)
                seen = np.append(seen, z)[-64:]
            at = z
        return steps

    def _beneath(self, k: int, before_mm: float) -> float:
        """Height of the last layer before the k-th that lies lower, and not beside it."""
        x0, y0, x1, y1 = self.box_mm[k]
        for j in range(k - 1, max(self.first_layer, k - _LOOK_BACK) - 1, -1):
            a0, b0, a1, b1 = self.box_mm[j]
            if a0 <= x1 and x0 <= a1 and b0 <= y1 and y0 <= b1 and self.z_mm[j] < self.z_mm[k]:
                return float(self.z_mm[j])
        return before_mm


def survey(
    program: Program, process: Process, *, volumetric: bool = False, watch: Watch = QUIET
) -> ProgramSurvey:
    """Read the program once through; errors as in ``reading.moves``, and where nothing is extruded."""
    printer = process.printer
    carry = cut.fresh_carry(process.layer_height_mm)
    layers = _Layers()
    out, blocks = np.empty((0, cut.STRAND)), np.empty((0, laying.BLOCK))
    sums, start, along = laying.fresh_sums(), np.zeros(3), np.zeros(2)
    found: ProgramSurvey | None = None
    name = name_of(program)
    for rows, reading in moves(
        program,
        process.filament_section_mm2,
        volumetric=volumetric,
        acceleration_mm_s2=printer.acceleration_mm_s2,
        watch=watch,
    ):
        if found is None:
            found = ProgramSurvey(reading)
        if len(out) < len(rows):
            out, blocks = np.empty((len(rows), cut.STRAND)), np.empty((len(rows), laying.BLOCK))
        targets = rows[:, : rs274.TO_Z + 1]
        seconds = move_times(
            start,
            targets,
            rows[:, rs274.FED],
            rows[:, rs274.SPEED],
            rows[:, rs274.ACCELERATION],
            printer.corner_speed_mm_s,
        )
        first = fed_along(start, targets, rows[:, rs274.FED], rows[:, rs274.PUSHED], along)
        if first >= 0 and not found.empty_line:
            found.empty_line = int(rows[first, rs274.AT_LINE])
        back = np.flatnonzero(rows[:, rs274.FED] < -FAR_BACK_MM)
        if len(back):
            found.far_back_line = found.far_back_line or int(rows[back[0], rs274.AT_LINE])
            found.far_back += len(back)
            found.farthest_back_mm = max(found.farthest_back_mm, -float(rows[back, rs274.FED].min()))
        start = targets[-1].copy()
        found.time_s += float(seconds.sum())
        found.printing_s += float(seconds[rows[:, rs274.PUSHED] > 0.0].sum())
        found.moves += len(rows)
        n = cut.strands(rows, carry, out)
        found.ground.add(out[:n])
        _dry(found, out[:n])
        layers.add(out[:n], blocks[: laying.tally(out[:n], LEAST_NOZZLE_C, sums, blocks)])
        if layers.count > MOST_LAYERS:
            raise ProgramError(
                name,
                f"changes its height {layers.count} times",
                "Check how it was made: no part has so many layers",
            )
    assert found is not None  # the reader refuses a program without moves
    found.time_s += float(found.reading.state[rs274.DWELL])
    found.bed_c = float(found.reading.state[rs274.BED_MOST])
    found.fed_mm, found.empty_mm = (float(v) for v in along)
    _sum_up(found, sums)
    if found.strands == 0:
        raise ProgramError(name, "lays no strand: nothing is extruded along the way", "Check how it was made")
    layers.into(found)
    return found


_LONG_MM = 0.3  # shorter moves that lay nothing are joints between strands


def _dry(found: ProgramSurvey, rows: Floats) -> None:
    """Add up moves between two strands, as fast as these, that lay nothing and draw nothing back."""
    laid = rows[:, cut.VOLUME] > 0.0
    some, strands = np.flatnonzero(~laid), np.flatnonzero(laid)
    after = np.searchsorted(strands, some)
    amid = (after > 0) & (after < len(strands))
    some, before, after = some[amid], strands[after[amid] - 1], strands[after[amid]]
    long = np.hypot(rows[some, cut.BX] - rows[some, cut.AX], rows[some, cut.BY] - rows[some, cut.AY])
    pace = rows[some, cut.PACE]
    dry = (long > _LONG_MM) & (pace > 0.0) & (rows[some, cut.DRAWN] == 0.0)
    dry &= (pace == rows[before, cut.PACE]) & (pace == rows[after, cut.PACE])
    found.passed_mm += float(long[~dry].sum())
    if dry.any():
        found.dry_line = found.dry_line or int(rows[some[dry][0], cut.LINE])
        found.dry_mm += float(long[dry].sum())


class _Layers:
    """Sums by layer, in blocks as they come, and strands of every so many layers."""

    def __init__(self) -> None:
        self.blocks: list[Floats] = []  # layer, z, line, length, volume, box, travels, drawn back of them
        self.count = 0
        self.stride = 1
        self.sample: dict[int, list[Floats]] = {}

    def add(self, rows: Floats, blocks: Floats) -> None:
        if len(blocks) == 0:
            return
        self.blocks.append(blocks[:, [*range(9), 11, 12, 13]].copy())
        self.count = int(blocks[-1, 0]) + 1
        kept = (blocks[:, 0] % self.stride == 0) | (blocks[:, 0] < _FIRST_LAYERS)
        for k in np.flatnonzero(kept):
            at, begin, end = (int(v) for v in blocks[k, [0, 9, 10]])
            room = _KEPT_STRANDS - sum(map(len, self.sample.get(at, [])))
            if room > 0:
                self.sample.setdefault(at, []).append(laying.sort_out(rows[begin:end])[0][:room])
        while len(self.sample) > _KEPT_LAYERS:
            self.stride *= 2
            self.sample = {
                at: kept for at, kept in self.sample.items() if at % self.stride == 0 or at < _FIRST_LAYERS
            }

    def into(self, found: ProgramSurvey) -> None:
        blocks = np.concatenate(self.blocks)
        layer = blocks[:, 0].astype(np.int64)
        first = np.flatnonzero(np.diff(layer, prepend=-1))
        found.z_mm = np.maximum.reduceat(blocks[:, 1], first)
        found.line = blocks[first, 2].astype(np.int64)
        found.length_mm = np.add.reduceat(blocks[:, 3], first)
        found.volume_mm3 = np.add.reduceat(blocks[:, 4], first)
        found.travel_mm, found.drawn_mm, found.travel_s = (
            np.add.reduceat(blocks[:, k], first) for k in (9, 10, 11)
        )
        low = np.minimum.reduceat(blocks[:, 5:7], first)
        found.box_mm = np.column_stack([low, np.maximum.reduceat(blocks[:, 7:9], first)])
        for at, kept in sorted(self.sample.items()):
            rows = np.concatenate(kept)
            if found.ground.has_flat:
                middle = 0.5 * (rows[:, [cut.AX, cut.AY]] + rows[:, [cut.BX, cut.BY]])
                rows = rows[~found.ground.flat_at(middle)]
            if len(rows):
                found.sample[at] = rows
        found.first_layer = next((at for at, rows in found.sample.items() if _length(rows) > _OWN_MM), 0)


def _length(rows: Floats) -> float:
    return float(np.hypot(rows[:, cut.BX] - rows[:, cut.AX], rows[:, cut.BY] - rows[:, cut.AY]).sum())


def _sum_up(found: ProgramSurvey, sums: Floats) -> None:
    found.pushed_mm3, found.blobs_mm3 = float(sums[laying.PUSHED]), float(sums[laying.BLOBS])
    found.low, found.high, found.reach_low, found.reach_high = sums[laying.LOW :].reshape(4, 3)
    found.hottest_c = float(sums[laying.HOTTEST])
    found.strands, found.held_back, found.held_line = (
        int(sums[k]) for k in (laying.STRANDS, laying.HELD, laying.HELD_LINE)
    )
    found.cold, found.cold_line, found.unasked, found.unasked_line = (
        int(sums[k]) for k in (laying.COLD, laying.COLD_LINE, laying.UNASKED, laying.UNASKED_LINE)
    )


def width_mm(section_mm2: Floats, height_mm: Floats | float) -> Floats:
    """Width of a bead of that section and height: a stadium's; a round thread's where it is too thin for one.

    The inverse of ``bead_section_mm2``; as ``kernels.bead.laying`` has it.
    """
    height = np.asarray(height_mm, dtype=np.float64)
    stadium = section_mm2 / height + height * (1.0 - 0.25 * math.pi)
    thread = np.sqrt(4.0 / math.pi * section_mm2)
    return np.where(stadium >= height, stadium, thread)


@dataclass(frozen=True)
class Usual:
    """What most of the program does: median layer height and strand width, mm."""

    height_mm: float
    width_mm: float


def usual(found: ProgramSurvey) -> Usual:
    """Medians over the sampled layers, weighted by length; the first layer left out where there are more."""
    steps = found.steps_mm()
    heights, widths, weights = [], [], []
    for at, strands in found.sample.items():
        h = float(steps[at])
        if h <= 1e-3 or (at <= found.first_layer and len(found.sample) > 1):
            continue
        long = np.hypot(strands[:, cut.BX] - strands[:, cut.AX], strands[:, cut.BY] - strands[:, cut.AY])
        if np.any(strands[:, cut.AZ] != strands[:, cut.BZ]):  # a climbing path: its rise is not its height
            continue
        widths.append(width_mm(strands[:, cut.VOLUME] / long, h))
        heights.append(np.full(len(long), h))
        weights.append(long)
    if not widths:
        return Usual(0.2, 0.45)
    weight = np.concatenate(weights)
    return Usual(_median(np.concatenate(heights), weight), _median(np.concatenate(widths), weight))


def _median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])

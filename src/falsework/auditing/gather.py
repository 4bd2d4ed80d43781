"""What the layers of a program show by themselves: strands on nothing, gaps, collisions, wrong amounts."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from falsework.auditing.deposit import BED, FAR_MM, FLAT, OWNERS, PART, SUPPORT, Layer
from falsework.auditing.flow import pitches
from falsework.auditing.layer_sums import LayerSums
from falsework.auditing.plate import BedHeights
from falsework.auditing.points import crossed, hanging_together, neighbours, points_along, running_across
from falsework.auditing.sites import FindingSite, Sites, box_of, run_sites, site_of
from falsework.auditing.survey import Usual, width_mm
from falsework.droop.belief import Belief
from falsework.droop.laws import Laws
from falsework.kernels.bead import laying
from falsework.kernels.bead import strands as cut
from falsework.layers.stack import Floats, Indices
from falsework.process.settings import Process

LEAST_SAG_MM = 0.3  # what passes for a clean bridge: this or a layer's height, whichever is more
_FREE_WIDTHS = 1.5  # a free end that is farther from what carries it hangs
_ALONG_MM = 5.0  # of strands, before a wrong amount or a doubled strand is told
_LOOKED_AT = 6  # every so-manieth layer, for what is laid twice in all of them
_TWICE_MM, _TWICE_LEAST_MM = 10.0, 3.0  # of a layer by itself, and as one of many
_FLOATING, _FLOATING_MM = 0.6, 10.0  # share of a body's layer, and mm, that must hang for one to be missing
_RAFT_LAYERS, _RAFT_MM = 8, 1.0  # a raft: layers at most, and how far it reaches past what stands on it
_CROSSED, _CROSSED_MM = 0.01, 1.5  # share of walls, and mm, laid over what their layer has there
_TALL = 1.001  # times bore or width: a layer higher than these is not pressed on
_SAME_LINE = 0.25  # of a width: strands nearer than that follow the same line
_PARALLEL = math.cos(math.radians(12.0))
_LIES = 0.6  # share of a strand that rests, where it is no thread over air or over sparse fill
_TWO_WIDE = 1.7  # times the usual width: what two strands in one place come to at least
_SHORT, _FULL = 0.75, 1.35  # shares of the room between neighbours
_BLOB_MM3 = 1.0
_PRIMED_MM3 = 20.0  # the same before the first strands, where the nozzle is filled
_MOST_CROSSED = 100_000  # strands of the first layer that are looked at
_FLATTEST = 8.0  # times its height: no nozzle spreads a strand wider
_STRUCK_MM = 1.0
_THERE_AND_BACK = 1.8  # times how far it reaches out: no loop that comes back is shorter
_SUNK_MM = 3.0
_LONG_IN_AIR_MM = 5.0
MELTED_MM3_S = 32.0  # common practice, no source: what large hot ends melt; common ones melt a third of it


@dataclass(frozen=True)
class AuditLimits:
    """What counts as too much, for one process as the program prints it.

    ``strict``: the process was given, so that fan, speed and heat can be held against it.
    """

    process: Process
    belief: Belief
    usual: Usual
    sag_mm: float
    span_mm: float  # bridges so with a sag of ``sag_mm``
    carry_mm: float  # a gap up to which what is beneath carries
    knows_part: bool
    strict: bool

    @property
    def laws(self) -> Laws:
        """How the strands of the process droop."""
        return Laws(self.process, self.belief)


def limits_of(
    process: Process, belief: Belief, usual: Usual, *, gap_mm: float, knows_part: bool, strict: bool
) -> AuditLimits:
    """``gap_mm``: the air gap that supports are planned with."""
    sag = max(usual.height_mm, LEAST_SAG_MM)
    span = Laws(process, belief).longest_clean_bridge_mm(sag).value
    carry = max(3.0 * usual.height_mm, 1.5 * gap_mm) + 0.02
    return AuditLimits(process, belief, usual, sag, span, carry, knows_part, strict)


@dataclass(eq=False)
class ProgramTotals:
    """Sums over the whole program."""

    rebuilt_mm3: float = 0.0
    by_owner_mm3: Floats = None  # type: ignore[assignment]
    first_height_mm: float = 0.0
    part_top_mm: float = 0.0
    last_line: int = 0
    whole_mm: float = 0.0  # of strands above the first layer
    looked_mm: float = 0.0  # of strands of some layers
    twice_mm: float = 0.0  # of them laid over others of their layer
    looked_layers: int = 0
    twice_layers: int = 0  # with some of these
    fast_mm: float = 0.0  # of strands that ask for more than nozzles melt
    most_mm3_s: float = 0.0

    def add(self, layer: Layer, by_owner: Floats, sums: Floats) -> None:
        """Sum up a layer's strands as ``look_over`` gives them."""
        self.rebuilt_mm3 += float(sums[laying.REBUILT])
        self.by_owner_mm3 += by_owner
        self.last_line = int(layer.rows[-1, cut.LINE])

    def add_above(self, sums: Floats) -> None:
        """The same of what counts only above the first layer."""
        self.whole_mm += float(sums[laying.WHOLE])
        self.fast_mm += float(sums[laying.TOO_FAST])
        self.most_mm3_s = max(self.most_mm3_s, float(sums[laying.MOST_MELT]))


class Gatherer:
    """Takes the layers one after the other; afterwards ``sites`` holds what was met, by kind."""

    def __init__(self, limits: AuditLimits, ground: BedHeights) -> None:
        self.limits, self.ground = limits, ground
        self.sites: dict[str, Sites] = defaultdict(Sites)
        self.totals = ProgramTotals(by_owner_mm3=np.zeros(OWNERS))
        self.layers = LayerSums()
        self._laid = False
        self._count = 0
        self._boxes: list[tuple[float, float, float, float]] = []  # of the first layers

    def take(self, layer: Layer) -> None:
        totals, limits = self.totals, self.limits
        marks, lengths, by_owner, sums, by_class = laying.look_over(
            layer.rows, layer.length_mm, layer.section_mm2, layer.height_mm, layer.width_mm, layer.owner,
            layer.fills, layer.resting, layer.near, layer.gap_mm, layer.sunk, layer.twice, not self._laid,
            limits.knows_part, limits.carry_mm, limits.usual.height_mm, limits.usual.width_mm,
            limits.process.nozzle_mm, _FLATTEST, MELTED_MM3_S,
        )  # fmt: skip
        totals.add(layer, by_owner, sums)
        if not by_class[:, laying.LONG].any():  # nothing but lines beside the print
            return
        self.layers.add(layer, by_class)
        whole = float(sums[laying.WHOLE])
        self._count += 1
        if self._laid:
            totals.add_above(sums)
            if self._count % _LOOKED_AT == 0:
                self._twice(layer, marks, whole)
        else:
            totals.first_height_mm = layer.step_mm
        if by_owner[PART] > 0.0:
            totals.part_top_mm = max(totals.part_top_mm, layer.z_mm)
        if self._laid and len(layer.runs):
            self._in_air(layer)
        if layer.step_mm > _TALL * limits.process.nozzle_mm and whole > _ALONG_MM:
            own = np.flatnonzero(layer.owner != FLAT)
            if len(own) and not self._on_raft(layer):
                self._add("thick layer", site_of(layer, own, whole, layer.step_mm))
        if sums[laying.CROSSED] > max(_CROSSED_MM, _CROSSED * by_class[laying.WALL, laying.LONG]):
            walls = np.flatnonzero(~layer.fills & (layer.owner == PART))
            over = layer.twice[walls] > 0.0
            path = layer.rows[walls, cut.PATH].astype(np.int64)
            crossing = walls[crossed(layer.ends[walls][:, [0, 1, 3, 4]], path, over)]
            if len(crossing):
                self._add("overlap", site_of(layer, crossing, float(sums[laying.CROSSED])))
        if not self._laid:
            self._across(layer)
        if lengths.any():
            self._marked(layer, marks, lengths, whole)
        if len(layer.blobs):
            self._blobs(layer)
        if len(layer.travels):
            self._struck(layer)
        self._laid = True
        if len(self._boxes) < _RAFT_LAYERS:
            own = layer.owner != FLAT
            self._boxes.append(box_of(np.concatenate([layer.ends[own, 0:2], layer.ends[own, 3:5]])))

    def _twice(self, layer: Layer, marks: np.ndarray, whole_mm: float) -> None:
        """Sum up what of a layer is laid over itself, however little."""
        chosen = np.flatnonzero(marks & (1 << laying.TWICE))
        if len(chosen):
            chosen = _doubled(layer, chosen, self.limits.usual.width_mm)
        long = float(layer.length_mm[chosen].sum())
        totals = self.totals
        totals.looked_layers += 1
        totals.looked_mm += whole_mm
        totals.twice_mm += long
        totals.twice_layers += long > _TWICE_LEAST_MM

    def _across(self, layer: Layer) -> None:
        """Lines of the first layer that run through what is printed there, as for filling the nozzle."""
        own = np.flatnonzero(layer.owner != FLAT)[:_MOST_CROSSED]
        path = layer.rows[own, cut.PATH].astype(np.int64)
        ends = layer.ends[own][:, [0, 1, 3, 4]]
        for one, count in running_across(ends, path, self.limits.usual.width_mm).items():
            mine = own[path == one]
            self._add("crossed", site_of(layer, mine, float(layer.length_mm[mine].sum()), float(count)))

    def _on_raft(self, layer: Layer) -> bool:
        """Whether all layers beneath reach past this one on all sides: it stands on a raft."""
        if not 2 <= len(self._boxes) < _RAFT_LAYERS:
            return False
        x0, y0, x1, y1 = box_of(np.concatenate([layer.ends[:, 0:2], layer.ends[:, 3:5]]))
        return all(
            a < x0 - _RAFT_MM and b < y0 - _RAFT_MM and c > x1 + _RAFT_MM and d > y1 + _RAFT_MM
            for a, b, c, d in self._boxes
        )

    def _add(self, kind: str, site: FindingSite) -> None:
        self.sites[kind].add(site)

    def _marked(self, layer: Layer, marks: np.ndarray, lengths: Floats, whole: float) -> None:
        """A site of each kind whose strands are long enough together, with a figure of the longest."""
        if self._laid:
            floats = "floats", laying.FLOATS, _FLOATING_MM, PART
        else:
            floats = "off the bed", laying.FLOATS, 0.3 * whole, BED
        kind, mark, least, beneath = floats
        kinds: list[tuple[str, int, float, Floats | None]] = [
            (kind, mark, least, layer.gap_mm[:, beneath]),
            ("fused on top", laying.FUSED_ON_TOP, _ALONG_MM, None),
            ("fused below", laying.FUSED_BELOW, _ALONG_MM, None),
            ("stray", laying.STRAY, _ALONG_MM if layer.index > 3 else np.inf, None),
            ("starved", laying.STARVED, _ALONG_MM, layer.width_mm),
            ("overfed", laying.OVERFED, max(_ALONG_MM, 0.25 * whole), layer.width_mm),
            ("laid twice", laying.TWICE, max(_TWICE_MM, 0.1 * whole), None),
            ("ploughs", laying.SUNK, _SUNK_MM, None),
        ]
        if lengths[laying.GLUT] > 0.0:
            chosen = np.flatnonzero(marks & (1 << laying.GLUT))
            volume = float(layer.rows[chosen, cut.VOLUME].sum())
            self._add("blob", site_of(layer, chosen, volume, volume))
        for kind, mark, least, value in kinds:
            if kind == "floats" and self._on_raft(layer):
                continue
            if lengths[mark] > 0.0 and lengths[mark] >= least:
                chosen = np.flatnonzero(marks & (1 << mark))
                if kind in _CLOSER:
                    chosen = _CLOSER[kind](layer, chosen, self.limits.usual.width_mm)
                elif kind == "floats":
                    chosen = self._of_bodies(layer, chosen)
                elif kind == "stray":
                    chosen = chosen[self.ground.high_up(layer.middles[chosen])]
                if kind not in _BY_SHARE and layer.length_mm[chosen].sum() < least:
                    continue
                long = layer.length_mm[chosen]
                told = 0.0 if value is None else float(value[chosen[np.argmax(long)]])
                self._add(kind, site_of(layer, chosen, float(long.sum()), told))

    def _of_bodies(self, layer: Layer, chosen: Indices) -> Indices:
        """Of strands that float those of bodies most of which floats: seen from above, or where the part's
        are told from supports, what hangs together in this layer.
        """
        if self.limits.knows_part:
            body = hanging_together(layer.ends[:, [0, 1, 3, 4]], layer.owner == PART)
        else:
            body = self.ground.body_at(layer.middles).astype(np.int64)
        long = np.where(layer.owner == FLAT, 0.0, layer.length_mm)
        most = int(body.max()) + 1
        whole = np.bincount(body, weights=long, minlength=most)
        floating = np.bincount(body[chosen], weights=long[chosen], minlength=most)
        return chosen[(floating >= np.maximum(_FLOATING * whole, _FLOATING_MM))[body[chosen]]]

    def _in_air(self, layer: Layer) -> None:
        runs, limits = layer.runs, self.limits
        width = layer.width_mm[runs.strand]
        held = np.minimum(runs.held, 1).sum(axis=1)
        straight = np.hypot(*(runs.end - runs.start).T)
        bound = _FREE_WIDTHS * width
        # the roof of a support may reach past the last line of its body
        bound[layer.owner[runs.strand] == SUPPORT] += limits.process.structure.spacing_mm
        far = runs.reach_mm > bound
        nothing = (runs.held != 1).all(axis=1) & (runs.reach_mm >= FAR_MM) & (runs.length_mm > width)
        hangs = (held == 0) & far & ~nothing & (runs.length_mm > bound)
        hangs |= (held == 1) & far & (runs.length_mm > bound)
        long = (held == 2) & (runs.length_mm > limits.span_mm) & far
        ledge = np.full(len(runs), np.inf)
        near = np.flatnonzero(runs.reach_mm < FAR_MM)
        if len(near):
            ledge[near] = limits.laws.overhang_droops(runs.reach_mm[near])[0]
        overhang = long & (ledge <= limits.sag_mm)
        long &= ~overhang
        # out into the air and back: no bridge, whatever holds its ends
        loop = (held == 2) & far & (straight < 0.6 * runs.length_mm) & (runs.reach_mm < FAR_MM)
        hangs |= loop & long
        there_and_back = runs.length_mm > _THERE_AND_BACK * runs.reach_mm
        overhang |= loop & ~long & there_and_back & (ledge > limits.sag_mm)
        long &= ~loop
        starts = hangs & (runs.held[:, 0] == 0)
        ends = hangs & ~starts
        amounts: dict[str, tuple[np.ndarray, Floats]] = {
            "on nothing": (nothing, runs.length_mm),
            "starts in air": (starts, np.minimum(runs.reach_mm, runs.length_mm)),
            "ends in air": (ends, np.minimum(runs.reach_mm, runs.length_mm)),
            "long bridge": (long, runs.length_mm),
            "overhang": (overhang, runs.reach_mm),
        }
        for kind, (mask, amount) in amounts.items():
            chosen = np.flatnonzero(mask)
            if len(chosen):
                for site in run_sites(layer, chosen, amount[chosen]):
                    self._add(kind, site)
        if limits.strict:
            airy = np.flatnonzero((runs.length_mm > _LONG_IN_AIR_MM) & (runs.carried < 0.1))
            strand = runs.strand[airy]
            fan, speed = layer.rows[strand, cut.FAN], layer.rows[strand, cut.PACE]
            self._runs("fan over air", layer, airy[fan < limits.process.fan - 0.25], layer.rows[:, cut.FAN])
            fast = speed > 1.6 * limits.process.bridge_speed_mm_s
            self._runs("fast over air", layer, airy[fast], layer.rows[:, cut.PACE])

    def _runs(self, kind: str, layer: Layer, chosen: Indices, told: Floats) -> None:
        if len(chosen):
            strands = np.unique(layer.runs.strand[chosen])
            amount = float(layer.runs.length_mm[chosen].sum())
            self._add(kind, site_of(layer, strands, amount, float(told[strands[0]])))

    def _blobs(self, layer: Layer) -> None:
        """What is pushed out at rest, place by place; before the first strands only amid what is printed."""
        blobs = layer.blobs
        if not self._laid:
            xy = blobs[:, [cut.BX, cut.BY]]
            blobs = blobs[(self.ground.body_at(xy) > 0) & ~self.ground.flat_at(xy)]
        key = np.round(blobs[:, [cut.BX, cut.BY]], 2)
        places, which = np.unique(key, axis=0, return_inverse=True)
        volume = np.bincount(which.ravel(), weights=blobs[:, cut.VOLUME])
        for k in np.flatnonzero(volume > (_BLOB_MM3 if self._laid else _PRIMED_MM3)):
            mine = np.flatnonzero(which.ravel() == k)
            x, y = float(places[k, 0]), float(places[k, 1])
            lines = int(blobs[mine[0], cut.LINE]), int(blobs[mine[-1], cut.LINE])
            site = FindingSite(
                layer.index, layer.z_mm, float(volume[k]), (x, y), (x, y, x, y), lines, float(volume[k]), 1
            )
            self._add("blob", site)

    def _struck(self, layer: Layer) -> None:
        if layer.struck_mm.max() > _STRUCK_MM:
            struck = np.flatnonzero(layer.struck_mm > _STRUCK_MM)
            rows = layer.travels[struck]
            worst = rows[np.argmax(layer.struck_mm[struck])]
            x, y = 0.5 * (worst[cut.AX] + worst[cut.BX]), 0.5 * (worst[cut.AY] + worst[cut.BY])
            box = (
                float(min(worst[cut.AX], worst[cut.BX])),
                float(min(worst[cut.AY], worst[cut.BY])),
                float(max(worst[cut.AX], worst[cut.BX])),
                float(max(worst[cut.AY], worst[cut.BY])),
            )
            self._add(
                "strikes",
                FindingSite(
                    layer.index,
                    float(worst[cut.BZ]),
                    float(layer.struck_mm[struck].sum()),
                    (float(x), float(y)),
                    box,
                    (int(rows[0, cut.LINE]), int(rows[-1, cut.LINE])),
                    float(layer.struck_mm[struck].max()),
                    len(struck),
                ),
            )


def _doubled(layer: Layer, chosen: Indices, usual_mm: float) -> Indices:
    """Of strands that seem laid twice those that follow others of this layer on the same line."""
    points = points_along(layer.ends[:, [0, 1, 3, 4]], 0.5, 40_000)
    left, right = neighbours(points, 0.75, _PARALLEL, 0.0)
    on = np.minimum(left, right) < _SAME_LINE * layer.width_mm[points.strand]
    share = np.bincount(points.strand, weights=on, minlength=len(layer)) / np.bincount(
        points.strand, minlength=len(layer)
    )
    chosen = chosen[share[chosen] > 0.7]
    # there and back along a thin wall is no more than there is room for
    strand, pitch = pitches(layer.ends[:, [0, 1, 3, 4]], layer.rows[:, cut.PATH])
    count = np.bincount(strand, minlength=len(layer))[chosen]
    room = np.bincount(strand, weights=pitch, minlength=len(layer))[chosen] / np.maximum(count, 1)
    both, height = 2.0 * layer.section_mm2[chosen], layer.height_mm[chosen]
    full = both > _FULL * room * height
    alone = width_mm(both, height) > _TWO_WIDE * usual_mm
    return chosen[np.where(count > 0, full, alone)]


def _short_of(layer: Layer, chosen: Indices, usual_mm: float) -> Indices:
    """Of thin strands those that leave room beside them; the others fill what is left between lines."""
    return _fed_as(layer, chosen, 0.0, _SHORT)


def _too_full(layer: Layer, chosen: Indices, usual_mm: float) -> Indices:
    """Of wide strands those that get more than there is room for; threads over air are round."""
    chosen = chosen[layer.resting[chosen].sum(axis=1) > _LIES]
    return _fed_as(layer, chosen, _FULL, np.inf)


def _fed_as(layer: Layer, chosen: Indices, least: float, most: float) -> Indices:
    """Strands whose section's share of the room between their neighbours is in that range."""
    strand, pitch = pitches(layer.ends[:, [0, 1, 3, 4]], layer.rows[:, cut.PATH], either=True)
    count = np.bincount(strand, minlength=len(layer))
    mean = np.bincount(strand, weights=pitch, minlength=len(layer)) / np.maximum(count, 1)
    share = layer.section_mm2 / (np.where(count > 0, mean, np.inf) * layer.height_mm)
    known = count[chosen] > 0
    return chosen[known & (share[chosen] > least) & (share[chosen] < most)]


_BY_SHARE = ("off the bed", "ploughs")  # whose least is met by what is marked
_CLOSER = {"laid twice": _doubled, "starved": _short_of, "overfed": _too_full}


def droop_of(kind: str, site: FindingSite, limits: AuditLimits) -> Floats:
    """(3,) middle, low and high of the droop at a site of stretches in air, mm."""
    length = np.array([site.amount])
    if kind == "long bridge":
        return limits.laws.bridge_droops(length)[:, 0]
    return limits.laws.overhang_droops(length)[:, 0]

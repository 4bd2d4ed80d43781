"""Invented printers: a truth of their own, to try the loop against and to fill the demo's ledger.

None of this is the model that tuning fits. Strands sag by stepping a hanging strand through time while it
cools; a slope fails by tipping and by curl that grows with the square of the ledge; contact with a support is
that of an undulating strand, and what has touched has healed more or less. Every figure here is constructed:
the right size by common sense, and drawn anew for each printer. Nothing of it has been measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from falsework.arrays import Floats
from falsework.coupon.conditions import clean_droop_mm, printed, run_mm, support_condition
from falsework.coupon.reading import LET_GO_GRADES, Condition, ConditionKind, LetGo, Reading
from falsework.droop.laws import Laws
from falsework.process.settings import Process

_Outcome = tuple[LetGo | None, int | None, float | None]  # let go, finish, droop in mm

_MELTS = {
    "PLA": (3500.0, 100.0),
    "PETG": (1200.0, 95.0),
    "ABS": (6000.0, 115.0),
}  # Pa·s at 210/240 °C, kJ/mol
_OTHER_MELT = (3000.0, 100.0)
_USUAL_NOZZLE_C = {"PLA": 210.0, "PETG": 240.0, "ABS": 240.0}
_SETTING_C = {"PLA": 95.0, "PETG": 95.0, "ABS": 120.0}  # below this the strand no longer flows
_MELT_CONTRACTION = 2.4e-4  # linear strain per kelvin
_LOAD = 1130.0 * 9.81  # N/m³ of molten strand
_GAS = 8.314e-3  # kJ/(mol·K)
_STEPS = 160
_AGES = 400
_REFERENCE_RATIO = 1.609  # strand over layer height at 0.45 × 0.2 mm, where both laws agree
_FORCES = (
    0.35,
    0.06,
    0.018,
    0.0035,
    0.0001,
)  # share of a full bond: above the first it fuses … below the last it falls before the print is done
_REMOVABLE = 0.8
_HIGHEST_GAP_LAYERS = 12.0


@dataclass(frozen=True)
class InventedPrinter:
    """One printer × material as it truly is, in this invention.

    Attributes
    ----------
    cooling_s : time constant of a 0.32 mm strand in still air. fan_gain : how many times faster at full fan.
    softness : factor on the melt's viscosity. kept_taut : share of the contraction that tightens a bridge.
    overfeed : strain by which the machine lays too much strand.
    tipping_still, tipping_fan : share of a line over air at which half of the slopes look worse than
        'closed, with visible sag', fan off and at full, before curl.
    tipping_width : how much of that share is one step of finish.
    curl : loss of that share per (ledge/layer height)², in thousandths.
    strand_factor : factor on the strand's diameter above the support.
    layers_law : 0 where the gap counts in millimetres of clearance, 1 where it counts in layers.
    undulation : height of the strand's waves over its diameter. touch : contact of a strand that has sagged
        onto the support. healing : bond of full contact. heat_gain : log bond per 20 K.
    print_jitter, cell_jitter : log force, alike in one print and of each cell by itself.
    finish_print, finish_cell : the same of the finish, in steps. sag_jitter : log sag of each bridge.
    """

    name: str
    material: str
    cooling_s: float = 1.9
    fan_gain: float = 3.2
    softness: float = 1.0
    kept_taut: float = 0.5
    overfeed: float = 0.0
    tipping_still: float = 0.55
    tipping_fan: float = 0.75
    tipping_width: float = 0.19
    curl: float = 1.0
    strand_factor: float = 1.0
    layers_law: float = 0.0
    undulation: float = 0.28
    touch: float = 0.02
    healing: float = 1.0
    heat_gain: float = 0.35
    print_jitter: float = 0.20
    cell_jitter: float = 0.45
    finish_print: float = 0.15
    finish_cell: float = 0.35
    sag_jitter: float = 0.10

    # what is true of it

    def sag_mm(self, conditions: Sequence[Condition], spans_mm: Floats) -> Floats:
        """Median sag of one layer of strands over each span, mm."""
        viscosity, energy = _MELTS.get(self.material, _OTHER_MELT)
        melt = _Melt(
            self.cooling_s,
            self.fan_gain,
            self.softness * viscosity,
            energy,
            _USUAL_NOZZLE_C.get(self.material, 220.0),
            _SETTING_C.get(self.material, 100.0),
            self.kept_taut,
            self.overfeed,
        )
        strands = [
            _Strand(_strand_mm(c), span, c.speed_mm_s, c.fan, c.nozzle_temperature_c, c.room_temperature_c)
            for c, span in zip(conditions, spans_mm.tolist(), strict=True)
        ]
        unlike = tuple(dict.fromkeys(strands))
        sag = dict(zip(unlike, _hanging(melt, unlike).tolist(), strict=True))
        return np.array([sag[strand] for strand in strands])

    def force(self, conditions: Sequence[Condition]) -> Floats:
        """Median force to take each support off, as a share of tearing a full bond."""
        _, share = self._contact(conditions)
        temperature = np.array([c.nozzle_temperature_c for c in conditions])
        usual = _USUAL_NOZZLE_C.get(self.material, 220.0)
        fan = np.array([c.fan for c in conditions])
        heat = np.exp(self.heat_gain * (temperature - usual) / 20.0) * (1.0 - 0.25 * fan)
        return share * self.healing * heat * np.array([_held(c) for c in conditions])

    def removable(self, conditions: Sequence[Condition]) -> Floats:
        """Probability that each support comes off in one go or by itself."""
        noise = math.hypot(self.print_jitter, self.cell_jitter)
        return ndtr((math.log(_FORCES[1]) - np.log(self.force(conditions))) / noise)

    def gap_mm(self, process: Process, most_layers: float = _HIGHEST_GAP_LAYERS) -> float:
        """Smallest air gap at which 4 of 5 supports of the process are removable, whatever can be printed."""
        start = support_condition(process, run_mm(Laws(process)), air_gap_mm=0.0)
        h = process.layer_height_mm
        return _zero(
            lambda gap: float(self.removable([replace(start, air_gap_mm=gap)])[0]) - _REMOVABLE,
            0.0,
            most_layers * h,
        )

    def closed(self, conditions: Sequence[Condition]) -> Floats:
        """Probability that each slope looks 'closed, with visible sag' or better (finish 3 to 5)."""
        noise = math.hypot(self.finish_print, self.finish_cell)
        return ndtr((self._slope_finish(conditions) - 2.5) / noise)

    def limit_deg(self, process: Process) -> float:
        """Angle from the vertical at which half of the slopes of the process still look closed."""
        start = printed(ConditionKind.OVERHANG, process, angle_deg=0.0)
        return _zero(lambda angle: 0.5 - float(self.closed([replace(start, angle_deg=angle)])[0]), 0.0, 89.5)

    def longest_clean_bridge_mm(self, process: Process) -> float:
        """Span whose median sag is one layer height or 0.3 mm, whichever is more."""
        spans = np.geomspace(2.0, 400.0, 60)
        start = printed(ConditionKind.BRIDGE, process, span_mm=10.0)
        sag = np.maximum.accumulate(self.sag_mm([start] * len(spans), spans))
        return float(np.exp(np.interp(math.log(clean_droop_mm(process)), np.log(sag + 1e-9), np.log(spans))))

    # the same printer with another truth

    def with_limit(self, process: Process, limit_deg: float) -> InventedPrinter:
        """The same printer, its tipping moved so that the process's limit is ``limit_deg``."""

        def moved(by: float) -> InventedPrinter:
            return replace(self, tipping_still=self.tipping_still + by, tipping_fan=self.tipping_fan + by)

        return moved(_zero(lambda by: moved(by).limit_deg(process) - limit_deg, -3.0, 6.0))

    def with_gap(self, process: Process, gap_mm: float) -> InventedPrinter:
        """The same printer, its strands fatter or thinner so that the process needs ``gap_mm``."""

        def made(factor: float) -> InventedPrinter:
            return replace(self, strand_factor=factor)

        return made(_zero(lambda factor: made(factor).gap_mm(process) - gap_mm, 0.2, 4.0))

    # readings

    def readings(self, conditions: Sequence[Condition], seed: int) -> list[Reading]:
        """What one print of these conditions would read, noise and all; the same seed reads the same."""
        rng = np.random.default_rng(seed)
        force_print = self.print_jitter * rng.standard_normal()
        finish_print = self.finish_print * rng.standard_normal()
        n = len(conditions)
        force_cell = self.cell_jitter * rng.standard_normal(n)
        finish_cell = self.finish_cell * rng.standard_normal(n)
        sag_cell = np.exp(self.sag_jitter * rng.standard_normal(n))
        calipers = 0.04 * rng.standard_normal(n)
        read: dict[int, Reading] = {}
        for kind in ConditionKind:
            some = [k for k in range(n) if conditions[k].kind == kind]
            if not some:
                continue
            of_kind = [conditions[k] for k in some]
            noise = finish_print + finish_cell[some]
            if kind is ConditionKind.OVERHANG:
                finish = _scored(self._slope_finish(of_kind) + noise)
                outcomes: list[_Outcome] = [(None, f, None) for f in finish]
            elif kind is ConditionKind.BRIDGE:
                spans = np.array([c.span_mm for c in of_kind], dtype=np.float64)
                sag = self.sag_mm(of_kind, spans) * sag_cell[some]
                finish = _scored(5.0 - 1.5 * np.sqrt(sag / 0.4) + noise)
                measured = np.round(sag + calipers[some], 2)
                outcomes = [(None, f, m) for f, m in zip(finish, measured.tolist(), strict=True)]
            else:
                outcomes = self._supported(of_kind, force_print + force_cell[some], noise, calipers[some])
            for k, (let_go, mark, droop) in zip(some, outcomes, strict=True):
                minutes = None if let_go is None else _CLEAN_UP_MIN[let_go]
                read[k] = Reading(
                    self.name, self.material, conditions[k], let_go, mark, droop, minutes, invented=True
                )
        return [read[k] for k in range(n)]

    def _supported(
        self, conditions: Sequence[Condition], log_force: Floats, noise: Floats, calipers: Floats
    ) -> list[_Outcome]:
        force = self.force(conditions) * np.exp(log_force)
        grades = np.searchsorted(-np.array(_FORCES), -force)  # 0 above the first force, 5 below the last
        droop, _ = self._contact(conditions)
        scars = np.array([1.6, 0.9, 0.2, 0.0, 0.0, 0.0])[grades]
        apart = np.array([0.3 * math.log2(max(_open_mm(c) / c.line_width_mm, 1.0)) for c in conditions])
        finish = _scored(5.0 - 1.5 * np.sqrt(droop / 0.4) - scars - apart + noise)
        measured = np.round(droop + calipers, 2).tolist()
        every = LET_GO_GRADES
        return [(every[g], f, m) for g, f, m in zip(grades.tolist(), finish, measured, strict=True)]

    def _contact(self, conditions: Sequence[Condition]) -> tuple[Floats, Floats]:
        """How far the undersides droop, mm, and what share of their strands touches the support."""
        h = np.array([c.layer_height_mm for c in conditions])
        gap = np.array([c.air_gap_mm for c in conditions], dtype=np.float64)
        run = np.array([c.span_mm or 20.0 for c in conditions], dtype=np.float64)
        strand = np.array([_strand_mm(c) for c in conditions])
        by_layers = h * _REFERENCE_RATIO
        counted = strand ** (1.0 - self.layers_law) * by_layers**self.layers_law
        room = gap + h - self.strand_factor * counted  # from the free strand's underside to the support
        wave = self.undulation * counted
        sag = np.minimum(self.sag_mm(conditions, run), gap)
        pressed = ndtr(-room / wave)
        sunk = ndtr((sag - room) / (0.25 * wave))
        droop = np.minimum(sag, np.maximum(room, 0.0)) + 0.05 * h
        return droop, np.maximum(pressed + self.touch * sunk * (1.0 - pressed), 1e-6)

    def _slope_finish(self, conditions: Sequence[Condition]) -> Floats:
        h = np.array([c.layer_height_mm for c in conditions])
        w = np.array([c.line_width_mm for c in conditions])
        fan = np.array([c.fan for c in conditions])
        angle = np.radians(np.array([c.angle_deg for c in conditions], dtype=np.float64))
        ledge = h * np.tan(angle)
        curl = 1e-3 * self.curl * (np.minimum(ledge, 2.0 * w) / h) ** 2 * (1.0 - 0.5 * fan)
        tipping = self.tipping_still + fan**0.8 * (self.tipping_fan - self.tipping_still)
        step = self.tipping_width * np.maximum(tipping, 0.05)
        return np.clip(2.5 + (tipping - curl - ledge / w) / step, -20.0, 20.0)


def invented_printer(seed: int, name: str = "", material: str = "PLA") -> InventedPrinter:
    """A printer drawn from the invention's own spread; the same seed gives the same one."""
    rng = np.random.default_rng([seed, 20261125])

    def around(value: float, log_sd: float) -> float:
        return value * math.exp(log_sd * rng.standard_normal())

    still = float(rng.normal(0.55, 0.07))
    return InventedPrinter(
        name=name or f"invented printer {seed}",
        material=material,
        cooling_s=around(1.9, 0.15),
        fan_gain=around(3.2, 0.25),
        softness=around(1.0, 0.25),
        kept_taut=float(rng.uniform(0.35, 0.65)),
        overfeed=float(rng.uniform(-0.002, 0.002)),
        tipping_still=still,
        tipping_fan=still + float(rng.uniform(0.10, 0.25)),
        tipping_width=around(0.19, 0.15),
        curl=around(1.0, 0.4),
        strand_factor=around(1.0, 0.05),
        layers_law=float(rng.uniform(0.0, 1.0)),
        undulation=around(0.28, 0.15),
        touch=around(0.02, 0.3),
        healing=around(1.0, 0.3),
        heat_gain=float(rng.uniform(0.2, 0.5)),
    )


class _Melt(NamedTuple):
    """What a strand's sag depends on but for the strand itself."""

    cooling_s: float
    fan_gain: float
    viscosity: float
    energy_kj: float
    usual_c: float
    set_c: float
    kept_taut: float
    overfeed: float


class _Strand(NamedTuple):
    diameter_mm: float
    span_mm: float
    speed_mm_s: float
    fan: float
    nozzle_c: float
    room_c: float


_CLEAN_UP_MIN = {
    LetGo.FUSED: 25.0,
    LetGo.SCRAPED: 12.0,
    LetGo.TOOL: 3.0,
    LetGo.HAND: 1.0,
    LetGo.TOUCH: 1.0,
    LetGo.FELL: 1.0,
}


def _scored(quality: Floats) -> list[int]:
    return [int(v) for v in np.clip(np.floor(quality + 0.5), 1, 5)]


def _strand_mm(c: Condition) -> float:
    """Diameter of the round strand of the same section."""
    w, h = c.line_width_mm, c.layer_height_mm
    return math.sqrt(4.0 / math.pi * (h * (w - h) + math.pi * h * h / 4.0))


def _open_mm(c: Condition) -> float:
    """Free width between the lines right beneath the underside."""
    return c.line_width_mm if (c.interface_layers or 0) > 0 else (c.spacing_mm or 2.0)


def _held(c: Condition) -> float:
    """Factor of the support's make on the force."""
    dense = 1.0 if (c.interface_layers or 0) > 0 else (c.line_width_mm / (c.spacing_mm or 2.0)) ** 0.6
    grid = 1.25 if c.weave == "crossed" else 1.0
    closed = 1.0 + 0.3 * min(c.perimeter_lines or 0, 1)
    along = 1.0 + 0.3 * (1.0 - (c.crossing_deg if c.crossing_deg is not None else 90.0) / 90.0)
    return dense * grid * closed * along


def _zero(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function passes zero between the ends; the end where it does not."""
    for _ in range(40):
        middle = 0.5 * (low + high)
        if rising(middle) > 0:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


@lru_cache(maxsize=1024)
def _flow_by_age(
    tau_s: float, nozzle_c: float, room_c: float, viscosity: float, energy_kj: float, set_c: float
) -> tuple[Floats, Floats]:
    """Fluidity that a piece of strand has had, 1/Pa, and its contraction, at ages from 0 to 6 τ."""
    ages = np.linspace(0.0, 6.0 * tau_s, _AGES)
    celsius = room_c + (nozzle_c - room_c) * np.exp(-ages / tau_s)
    rate = np.exp(-energy_kj / _GAS * (1.0 / (celsius + 273.15) - 1.0 / (nozzle_c + 273.15))) / viscosity
    rate[celsius < set_c] = 0.0
    fluidity = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(ages))))
    return fluidity, _MELT_CONTRACTION * (nozzle_c - np.maximum(celsius, set_c))


@lru_cache(maxsize=1024)
def _hanging(melt: _Melt, strands: tuple[_Strand, ...]) -> Floats:
    """Greatest sag while a moving nozzle lays a strand that flows, cools and contracts, mm.

    The strand's length exceeds the distance X from its anchor to the nozzle by y, and hangs by
    δ = √(3 X y / 8). Its own weight pulls at ρ g X² / 8 δ and stretches it by that over three times the
    viscosity, summed over the ages of its pieces; overfeed adds to y, contraction takes from it. Implicit
    steps: y + K/√y is solved for √y, which stays positive.
    """
    tables = []
    last = []
    for strand in strands:
        tau = melt.cooling_s * (strand.diameter_mm / 0.322) ** 1.5 / (1.0 + melt.fan_gain * strand.fan**0.7)
        hot = strand.nozzle_c
        thicker = math.exp(melt.energy_kj / _GAS * (1.0 / (hot + 273.15) - 1.0 / (melt.usual_c + 273.15)))
        tables.append(
            _flow_by_age(tau, hot, strand.room_c, melt.viscosity * thicker, melt.energy_kj, melt.set_c)
        )
        last.append(6.0 * tau)
    oldest = np.array(last)
    fluidity, contraction = np.stack([t[0] for t in tables]), np.stack([t[1] for t in tables])
    rows = np.arange(len(strands))

    def of_age(table: Floats, age: Floats) -> Floats:
        at = np.clip(age / oldest, 0.0, 1.0) * (_AGES - 1)
        k = np.minimum(at.astype(np.int64), _AGES - 2)
        low = table[rows, k]
        return low + (at - k) * (table[rows, k + 1] - low)

    span = np.array([s.span_mm for s in strands]) * 1e-3
    speed = np.array([s.speed_mm_s for s in strands]) * 1e-3
    laying = span / speed
    before = np.zeros(len(strands))
    y = np.full(len(strands), 1e-12)
    greatest = np.zeros(len(strands))
    for share in np.linspace(0.0, 1.0, _STEPS + 1)[1:] ** 1.5:  # finer at first
        now = share * (laying + 0.5 * oldest)
        dt = now - before
        before = now
        reach = np.minimum(now * speed, span)
        newest = np.maximum(now - laying, 0.0)
        flows = speed * (of_age(fluidity, now) - of_age(fluidity, newest))
        tightens = melt.kept_taut * speed * (of_age(contraction, now) - of_age(contraction, newest))
        feeds = np.where(now <= laying, speed * melt.overfeed, 0.0)
        pull = dt * _LOAD * reach**2 * flows / (24.0 * np.sqrt(3.0 * reach / 8.0))
        rest = y + dt * (feeds - tightens)
        root = np.sqrt(np.maximum(rest, 0.0)) + np.cbrt(pull)  # above the root of s³ − rest s − pull
        for _ in range(8):
            root -= (root**3 - rest * root - pull) / np.maximum(3.0 * root**2 - rest, 1e-18)
        y = np.maximum(root, 1e-9) ** 2
        greatest = np.maximum(greatest, np.sqrt(3.0 * reach * y / 8.0))
    return greatest * 1e3

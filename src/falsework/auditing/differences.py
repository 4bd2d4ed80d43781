"""Where a program as a whole differs from the process or the plan that it was to follow."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from falsework.auditing.gather import MELTED_MM3_S, ProgramTotals
from falsework.auditing.layer_sums import CLASS_NAMES, FILL, HOLDING, WALL, LayerSums
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import Finding, FindingLevel
from falsework.cost.filament import Rates
from falsework.kernels.bead import machine as rs274
from falsework.layers.stack import Floats
from falsework.planning.value import Plan
from falsework.process.settings import Process

_WIDTH_OFF, _HEAT_OFF_C, _FAN_OFF = 0.15, 10.0, 0.25
_FILAMENT_OFF = 0.2
_HEIGHT_OFF, _OFF_LAYERS, _OFF_SHARE = 0.2, 5, 0.08  # of layers that are not as high as most
_TIME_LESS, _TIME_MORE = 0.7, 1.8  # plans leave out retraction and lifting
_FAN_SHARE = 0.25  # of the way above the first layer, with the fan off by as much
_FAST_FIRST, _FAST_FIRST_MM_S = 2.5, 60.0  # times the process's speed, and mm/s: both
_SLOW_MM = 150.0  # of a class of strands, before its speed tells
_FAST, _VERY_FAST = 1.4, 2.0  # times the process's speed of walls
_LAYER_MM, _SLOW_LAYERS = 20.0, 3  # of strands in a layer, before its speed tells; layers
_TRAVELS_MM, _SLOWER = 500.0, 0.7  # of travels; share of the strands' speed
_HELD_UP = 0.25  # share of their speed that strands come to
_FAR_SLOWER, _FAR_FASTER = 0.2, 3.0  # times the process's speed
_CRAWL_MM_S = 4.0  # common practice, no source: slower than the smallest layers are printed


@dataclass(frozen=True)
class _Differs:
    """Makes a finding of a figure that is other than it should be."""

    kind: str
    what: str
    unit: str
    cure: str
    whose: str = "the process has"
    level: FindingLevel = FindingLevel.CAUTION

    def __call__(self, found: float, wanted: float) -> Finding:
        says = f"{self.what} {found:.3g} {self.unit}; {self.whose} {wanted:.3g} {self.unit}"
        return Finding(0, self.kind, self.level, says, self.cure, found=found, planned=wanted, unit=self.unit)


_HEIGHT = _Differs(
    "layer height", "most layers are", "mm", "Set the layer height: gaps are whole multiples of it"
)
_FIRST = _Differs("first layer", "the first layer is", "mm", "Set the height of the first layer")
_WIDTH = _Differs("line width", "most strands are", "mm wide", "Set line width, flow and filament diameter")
_NOZZLE = _Differs("nozzle heat", "the nozzle is at", "°C", "Set the nozzle's temperature")
_BED = _Differs("bed heat", "the bed is at", "°C", "Set the bed's temperature")
_FAN = _Differs("fan", "the fan runs at", "%", "Set the fan as the plan has it")
_WALLS = _Differs("fast walls", "walls are laid at", "mm/s", "Set the speed of walls")
_FIRST_SPEED = _Differs(
    "fast first layer", "the first layer is laid at", "mm/s", "Set the first layer's speed: it sticks badly"
)
_FILAMENT = _Differs(
    "filament", "it takes", "m of filament", "Compare walls, fill and supports with the settings sheet",
    "the plan reckons with",
)  # fmt: skip
_TIME = _Differs(
    "time",
    "it takes",
    "min",
    "Compare speeds with the settings sheet",
    "the plan reckons with",
    FindingLevel.NOTE,
)


def process_findings(
    process: Process, usual: Usual, found: ProgramSurvey, first_height_mm: float, layers: LayerSums
) -> Iterable[Finding]:
    """Heights, widths, heat of the bed and speed of walls beside the process's."""
    if abs(usual.height_mm - process.layer_height_mm) > 0.01:
        yield _HEIGHT(usual.height_mm, process.layer_height_mm)
    else:
        yield from _some_heights(process, layers)
    if abs(first_height_mm - process.first_layer_height_mm) > 0.02:
        yield _FIRST(first_height_mm, process.first_layer_height_mm)
    if abs(usual.width_mm / process.line_width_mm - 1.0) > _WIDTH_OFF:
        yield _WIDTH(usual.width_mm, process.line_width_mm)
    bed = process.material.bed_temperature_c
    if abs(found.bed_c - bed) > _HEAT_OFF_C and found.reading.state[rs274.HEATED]:
        yield _BED(found.bed_c, bed)
    speed = layers.wall_speed_above_mm_s
    if speed is not None and speed > _FAST * process.wall_speed_mm_s:
        level = FindingLevel.FAULT if speed > _VERY_FAST * process.wall_speed_mm_s else FindingLevel.CAUTION
        yield replace(_WALLS, level=level)(speed, process.wall_speed_mm_s)


def _some_heights(process: Process, layers: LayerSums) -> Iterable[Finding]:
    """Layers of other heights than the process's, where most have that."""
    wanted, high = process.layer_height_mm, layers.height_mm[1:]
    off = np.abs(high / wanted - 1.0) > _HEIGHT_OFF
    if off.sum() < max(_OFF_LAYERS, _OFF_SHARE * len(high)):
        return
    some = float(np.median(high[off]))
    z = layers.z_mm[1:][off]
    says = (
        f"{int(off.sum())} of {len(high)} layers are of another height, {some:.3g} mm, from {z.min():.1f} to"
        f" {z.max():.1f} mm high; the process has {wanted:.3g} mm"
    )
    line = int(layers.line[1:][off][0])
    yield Finding(
        0, "layer height", FindingLevel.CAUTION, says, _HEIGHT.cure, int(off.sum()), lines=(line,),
        found=some, planned=wanted, unit="mm",
    )  # fmt: skip


def layer_findings(process: Process, layers: LayerSums) -> Iterable[Finding]:
    """Nozzle, fan and speed by layer beside the process's; the first layer may be hotter and unfanned."""
    long = layers.length_mm
    whole = long.sum(axis=1)
    if len(layers) < 2:
        return
    yield from _nozzle_findings(process, layers, whole)
    fan = _by_layer(layers.fan, long)[1:]
    off = np.abs(fan - process.fan) > _FAN_OFF
    if whole[1:][off].sum() > _FAN_SHARE * whole[1:].sum():
        farthest = int(np.argmax(np.abs(fan - process.fan) * off))
        finding = _FAN(100 * float(fan[farthest]), 100 * process.fan)
        many = int(off.sum())
        some = f" in {many} of {len(off)} layers" if many < 0.9 * len(off) else ""
        yield replace(finding, says=finding.says.replace(" %;", f" %{some};", 1))
    first = layers.speed_mm_s[0, [WALL, FILL]]
    first = first[np.isfinite(first)]
    if len(first) and first.max() > max(_FAST_FIRST * process.first_layer_speed_mm_s, _FAST_FIRST_MM_S):
        yield _FIRST_SPEED(float(first.max()), process.first_layer_speed_mm_s)


def _nozzle_findings(process: Process, layers: LayerSums, whole: Floats) -> Iterable[Finding]:
    heat = process.material.nozzle_temperature_c
    asked = _by_layer(layers.nozzle_c, layers.length_mm)
    some = np.flatnonzero((asked > 0.0) & (whole > 0.0))
    later = some[some > 0] if len(some) > 1 else some
    if len(later) == 0:
        return
    farthest = later[np.argmax(np.abs(asked[later] - heat))]
    if abs(asked[farthest] - heat) > _HEAT_OFF_C:
        off = np.abs(asked[later] - heat) > _HEAT_OFF_C
        finding = _NOZZLE(float(asked[farthest]), heat)
        if not off.all():
            where = f"°C in {int(off.sum())} of {len(off)} layers;"
            finding = replace(finding, says=finding.says.replace("°C;", where, 1))
        yield replace(finding, lines=(int(layers.line[later[off][0]]),))


def _by_layer(by_class: Floats, long: Floats) -> Floats:
    """(layers,) means over classes, by length."""
    return np.nansum(by_class * long, axis=1) / np.maximum(long.sum(axis=1), 1e-9)


def bed_findings(found: ProgramSurvey, wanted_c: float | None, last_line: int) -> Iterable[Finding]:
    """A bed that is heated only once strands lie on it; or that cools while there is still something to
    print: below what the process wants, or at all.
    """
    reading = found.reading
    began, most = float(reading.state[rs274.BED_BEGAN]), float(reading.state[rs274.BED_MOST])
    meant = most if wanted_c is None else min(wanted_c, most)
    if began < meant - _HEAT_OFF_C and (began <= 0.0 or wanted_c is not None):
        line = int(reading.state[rs274.BED_LINE])
        says = (
            f"the first strands are laid on a bed of {began:.0f} °C; line {line} asks for {most:.0f} °C later"
        )
        cure = "Heat the bed, and wait for it, before the first layer"
        yield Finding(
            0, "bed heat", FindingLevel.FAULT, says, cure, lines=(line,), found=began, planned=meant,
            unit="°C",
        )  # fmt: skip
    lowered = reading.firsts[rs274.BED_LOWERED, : min(reading.count(rs274.BED_LOWERED), rs274.KEPT)]
    least = 1.0 if wanted_c is None else wanted_c - _HEAT_OFF_C
    for line, heat in lowered:
        if line < last_line and heat < least:
            how = "switched off" if heat == 0.0 else f"cooled to {heat:.0f} °C"
            says = f"the bed is {how} in line {line:.0f}, in the middle of the print: the part may come off"
            cure = "Keep the bed's heat to the end of the print"
            yield Finding(
                0, "bed heat", FindingLevel.CAUTION, says, cure, lines=(int(line),), found=float(heat),
                planned=wanted_c, unit="°C",
            )  # fmt: skip
            return


def speed_findings(found: ProgramSurvey, totals: ProgramTotals, layers: LayerSums) -> Iterable[Finding]:
    """Strands that no common nozzle melts as fast as they are asked for; or that are laid at a crawl."""
    pace = float(found.length_mm.sum()) / found.printing_s if found.printing_s > 0.0 else _CRAWL_MM_S
    if pace < _CRAWL_MM_S:
        says = f"strands are laid at {pace:.2g} mm/s on average: the plastic is cooked in the nozzle"
        cure = "Look at the speeds: a machine counts them by the minute, not by the second"
        yield Finding(
            0, "too slow", FindingLevel.FAULT, says, cure, found=pace, planned=_CRAWL_MM_S, unit="mm/s"
        )
    elif len(layers):
        long = layers.length_mm.sum(axis=0)
        paces = np.nansum(layers.speed_mm_s * layers.length_mm, axis=0) / np.maximum(long, 1e-9)
        slow = np.flatnonzero((long > _SLOW_MM) & (paces < _CRAWL_MM_S))
        for k in slow[:1]:
            says = f"{CLASS_NAMES[k]} are laid at {paces[k]:.2g} mm/s: the plastic is cooked in the nozzle"
            cure = f"Set the speed of {CLASS_NAMES[k]}"
            yield Finding(
                0, "too slow", FindingLevel.FAULT, says, cure, found=float(paces[k]), planned=_CRAWL_MM_S,
                unit="mm/s",
            )  # fmt: skip
        else:
            yield from _crawls(layers)
            yield from _held_up(found, pace, float((paces * long).sum() / long.sum()))
    yield from _slow_travels(found, pace)
    if totals.fast_mm > 0.02 * totals.whole_mm and totals.fast_mm > 50.0:
        says = (
            f"{totals.fast_mm / 1000:.1f} m of strands ask for up to {totals.most_mm3_s:.0f} mm³ "
            f"of plastic a second; large nozzles melt some {MELTED_MM3_S:.0f}"
        )
        cure = "Set lower speeds, or thinner or narrower strands"
        yield Finding(
            0,
            "too fast",
            FindingLevel.FAULT,
            says,
            cure,
            found=totals.most_mm3_s,
            planned=MELTED_MM3_S,
            unit="mm³/s",
        )


def _held_up(found: ProgramSurvey, pace: float, mean_mm_s: float) -> Iterable[Finding]:
    """Some strands that take most of the time."""
    if pace < _HELD_UP * mean_mm_s:
        says = f"strands laid at {mean_mm_s:.2g} mm/s take as long as at {pace:.2g}: some of them crawl"
        cure = "Look for moves with a speed that is far too low"
        yield Finding(
            0, "too slow", FindingLevel.FAULT, says, cure, found=pace, planned=mean_mm_s, unit="mm/s"
        )


def _slow_travels(found: ProgramSurvey, pace: float) -> Iterable[Finding]:
    """Travels at less than the speed of strands: whatever oozes meanwhile hangs over the print."""
    far, seconds = float(found.travel_mm.sum()), float(found.travel_s.sum())
    if far > _TRAVELS_MM and far < _SLOWER * pace * seconds:
        says = (
            f"the head travels at {far / seconds:.2g} mm/s between strands that are laid at {pace:.2g} mm/s"
        )
        cure = "Set the speed of travels: the nozzle oozes on the way"
        yield Finding(
            0, "too slow", FindingLevel.CAUTION, says, cure, found=far / seconds, planned=pace, unit="mm/s"
        )


def pace_findings(process: Process, layers: LayerSums) -> Iterable[Finding]:
    """Strands of a class much slower than the process lays them; supports much faster."""
    long = layers.length_mm[1:].sum(axis=0)
    paces = np.nansum(layers.speed_mm_s[1:] * layers.length_mm[1:], axis=0) / np.maximum(long, 1e-9)
    own = (
        (WALL, process.wall_speed_mm_s),
        (FILL, process.fill_speed_mm_s),
        (HOLDING, process.support_speed_mm_s),
    )
    told = [(k, float(paces[k]), wanted) for k, wanted in own if long[k] > _SLOW_MM]
    for k, pace, wanted in told:
        if _CRAWL_MM_S <= pace < _FAR_SLOWER * wanted:
            says = f"{CLASS_NAMES[k]} are laid at {pace:.2g} mm/s; the process has {wanted:.3g} mm/s"
            cure = "Look for a share of the speed that was left low; compare speeds with the settings sheet"
            yield Finding(
                0, "too slow", FindingLevel.CAUTION, says, cure, found=pace, planned=wanted, unit="mm/s"
            )
            break
    for k, pace, wanted in told:
        if k == HOLDING and pace > _VERY_FAST * wanted:
            level = FindingLevel.FAULT if pace > _FAR_FASTER * wanted else FindingLevel.CAUTION
            says = f"supports are laid at {pace:.3g} mm/s; the process has {wanted:.3g} mm/s"
            cure = "Set the speed of supports: laid too fast they do not stick"
            yield Finding(0, "too fast", level, says, cure, found=pace, planned=wanted, unit="mm/s")


def _crawls(layers: LayerSums) -> Iterable[Finding]:
    """Some layers at a crawl."""
    long = layers.length_mm.sum(axis=1)
    pace = np.nansum(layers.speed_mm_s * layers.length_mm, axis=1) / np.maximum(long, 1e-9)
    slow = np.flatnonzero((long > _LAYER_MM) & (pace < _CRAWL_MM_S))
    if len(slow) < _SLOW_LAYERS:
        return
    least = float(pace[slow].min())
    says = f"{len(slow)} layers are laid at {least:.2g} mm/s or so: the plastic is cooked in the nozzle"
    cure = "Look at the speeds of these layers"
    yield Finding(
        0, "too slow", FindingLevel.FAULT, says, cure, len(slow),
        lines=tuple(int(n) for n in layers.line[slow[:5]]), found=least, planned=_CRAWL_MM_S, unit="mm/s",
    )  # fmt: skip


def plan_findings(plan: Plan, process: Process, found: ProgramSurvey, copies: int) -> Iterable[Finding]:
    """Filament and time beside what the plan reckons with, for as many copies as there are."""
    cost = plan.part_cost + plan.support_cost
    filament = Rates(process).filament_mm(found.pushed_mm3) / copies
    if cost.filament_mm > 0 and abs(filament / cost.filament_mm - 1.0) > _FILAMENT_OFF:
        yield _FILAMENT(filament / 1000, cost.filament_mm / 1000)
    if cost.time_s > 0 and not _TIME_LESS < found.time_s / copies / cost.time_s < _TIME_MORE:
        yield _TIME(found.time_s / copies / 60, cost.time_s / 60)

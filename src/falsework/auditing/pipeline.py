"""``audit``: a machine program read, rebuilt and held against the plan, the part, or itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from falsework.auditing.beside import Beside, Planned, underside_findings
from falsework.auditing.deposit import ASIDE, PART, SUPPORT, rebuild
from falsework.auditing.findings import program_findings, ranked, reading_findings, site_findings
from falsework.auditing.gather import Gatherer, Limits, limits_of
from falsework.auditing.placement import Placed, place_in, uncovered
from falsework.auditing.reading import Program, name_of
from falsework.auditing.survey import Survey, Usual, survey, usual
from falsework.auditing.value import (
    Audit,
    Finding,
    Level,
    Place,
    ProgramFigures,
    UndersideAudit,
)
from falsework.cost.filament import filament_mm, mass_g
from falsework.droop.belief import PRIOR, Belief
from falsework.errors import ProgramError
from falsework.kernels.bead import program as rs274
from falsework.layers.slicing import layer_boundaries, stack_layers
from falsework.layers.stack import Floats, LayerStack
from falsework.need.needmap import need_map
from falsework.need.underside import NeedMap
from falsework.part import read_part
from falsework.part.part import Part
from falsework.part.placing import place
from falsework.planning.value import Plan
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.watch import QUIET, Watch

_FOLLOWED = 0.7  # of the part's outlines, below which the program is taken to print something else
_WELL = 0.9
_WIDTH_OFF, _HEAT_OFF_C, _FAN_OFF = 0.15, 10.0, 0.25
_FILAMENT_OFF = 0.2
_TIME_LESS, _TIME_MORE = 0.7, 1.8  # plans leave out retraction and lifting


@dataclass(frozen=True, eq=False)
class Rebuilt:
    """What pictures are drawn from: the program, how it was read, and where the part lies in it."""

    program: Program
    volumetric: bool
    survey: Survey
    usual: Usual
    process: Process
    placed: Placed | None


def audit(
    program: Program,
    plan: Plan | None = None,
    part: Part | str | Path | None = None,
    *,
    process: Process | str | Path | None = None,
    belief: Belief = PRIOR,
    volumetric: bool = False,
    watch: Watch = QUIET,
) -> Audit:
    """Read a machine program as the machine will, and say what of it will not come out.

    Parameters
    ----------
    program : a file's path or its bytes; RS-274 text, plain or packed by gzip or zip. It is only read.
    plan : what was planned, with its geometry, as ``falsework.plan`` gives it.
    part : the part alone, as it stands on the bed, where there is no plan.
    process : what the program was made for; by default the plan's, else it is taken from the program itself.
    belief : what the droop model holds true.
    volumetric : E counts mm³ of plastic and not mm of filament.

    Raises
    ------
    ProgramError : the file cannot be read or unpacked, or is no program that prints anything.
    PartError, ProcessError : part or process are refused.
    """
    given = plan.process if plan is not None and process is None else process
    base = given if isinstance(given, Process) else load_process(given or "pla-0.4")
    name = name_of(program)
    found = survey(program, base, volumetric=volumetric, watch=watch.part(0.0, 0.3))
    of_most = usual(found)
    tops = np.unique(np.round(found.z_mm, 4))
    printed = _as_printed(base, of_most, found, strict=given is not None)
    work = _work(plan, part, printed if given is None else base, belief, watch.part(0.3, 0.4), name)
    placed = None
    if work is not None:
        around = base.structure.foot_widening_mm + 2.0 * of_most.width_mm + 1.0
        placed = place_in(work.part, found, of_most, around_mm=around, watch=watch.part(0.4, 0.5))
        if placed.placement.covered < _FOLLOWED:
            placed = None
    planned = _planned(plan) if placed is not None else None
    limits = limits_of(
        printed,
        belief,
        of_most,
        gap_mm=planned.gap.realised_mm if planned else 0.0,
        knows_part=placed is not None,
        strict=given is not None,
    )
    gatherer = Gatherer(limits)
    beside = None
    if placed is not None and work is not None and len(work.need.regions):
        beside = Beside(work.need, work.stack, placed, planned, limits, tops)
    owners = {} if placed is None else {"owners": placed.owners}
    layers = rebuild(
        program,
        found,
        printed,
        of_most,
        span_mm=0.5 * limits.span_mm,
        carry_mm=limits.carry_mm,
        volumetric=volumetric,
        watch=watch.part(0.5, 1.0),
        **owners,
    )
    for layer in layers:
        gatherer.take(layer)
        if beside is not None:
            beside.take(layer)
    told = beside.undersides() if beside is not None else ()
    by_underside = list(underside_findings(beside, told)) if beside is not None else []
    findings: list[Finding] = [
        *reading_findings(found),
        *program_findings(found, printed, gatherer.totals.last_line),
        *_expected(site_findings(gatherer.sites, limits, tops), beside),
        *(f for _, f in by_underside),
    ]
    if work is not None:
        findings += _of_part(work.part, placed, found, of_most, tops, gatherer)
    if beside is not None:
        findings += site_findings(beside.sites, limits, tops)
        findings += _gap_below(beside, limits)
    if given is not None:
        findings += _of_process(base, of_most, found, gatherer, plan)
    every = ranked(findings)
    watch.at("done", 1.0)
    figures = _figures(found, of_most, gatherer, base, plan, tops)
    return Audit(
        program=name,
        part=work.part.name if work is not None else "",
        against="plan" if plan is not None else "part" if work is not None else "program",
        process=base.name if given is not None else "",
        verdict=_verdict(every, told),
        findings=every,
        figures=figures,
        placement=placed.placement if placed is not None else None,
        undersides=tuple(replace(t, verdict=_in_short(t, by_underside)) for t in told),
        geometry=Rebuilt(program, volumetric, found, of_most, printed, placed),
    )


@dataclass(frozen=True, eq=False)
class _Work:
    part: Part
    stack: LayerStack
    need: NeedMap


def _work(
    plan: Plan | None,
    part: Part | str | Path | None,
    process: Process,
    belief: Belief,
    watch: Watch,
    name: str,
) -> _Work | None:
    """The part to compare with, its layers and undersides."""
    if plan is not None:
        if plan.geometry is None:
            raise ProgramError(name, "is to be held against a plan without geometry", "Make the plan again")
        return _Work(plan.geometry.part, plan.geometry.stack, plan.geometry.need)
    if part is None:
        return None
    raw = part if isinstance(part, Part) else read_part(part, watch=watch.part(0.0, 0.5))
    bed_mm = (process.printer.build_width_mm, process.printer.build_depth_mm)
    standing = place(raw, bed_mm=bed_mm)
    top = float(standing.size_mm[2])
    bounds = layer_boundaries(top, process.first_layer_height_mm, process.layer_height_mm)
    stack = stack_layers(standing, bounds, watch.part(0.5, 0.7))
    return _Work(standing, stack, need_map(stack, process, belief, watch.part(0.7, 1.0)))


def _as_printed(base: Process, of_most: Usual, found: Survey, *, strict: bool) -> Process:
    """The process with the program's height and width; without one given, with its heat and nozzle too."""
    height, width = of_most.height_mm, max(of_most.width_mm, of_most.height_mm)
    first = float(found.z_mm[0])
    printed = replace(base, layer_height_mm=height, line_width_mm=width)
    if strict:
        return printed
    material = base.material
    if found.hottest_c > 0:
        material = replace(material, nozzle_temperature_c=found.hottest_c)
    bore = round(width / 1.125, 2)
    bore = max(bore, height)
    first = first if 0 < first <= bore else height
    return replace(printed, nozzle_mm=bore, first_layer_height_mm=first, material=material)


def _planned(plan: Plan | None) -> Planned | None:
    if plan is None:
        return None
    structure = plan.process.structure
    chosen = {c.underside: c.chosen for c in plan.choices}
    return Planned(
        standings=[chosen[u.number] for u in plan.undersides],
        gap=plan.gap,
        gap_below=plan.gap_below,
        interface_layers=structure.interface_layers,
        spacing_mm=structure.spacing_mm,
        closed_lines=structure.perimeter_lines,
        sets=2 if structure.weave == "crossed" else 1,
        side_gap_mm=structure.side_gap_mm,
    )


def _expected(findings: Iterable[Finding], beside: Beside | None) -> Iterable[Finding]:
    """Findings of strands in air with the number of the underside over which they lie, if any."""
    for finding in findings:
        number = 0
        if beside is not None and finding.place is not None and finding.kind in _IN_AIR:
            number = beside.number_at(finding.place)
        if beside is not None and number:
            finding = replace(finding, underside=number)
            left = beside.left_alone(number)
            droop = finding.droop_mm
            if left is not None and droop is not None and droop.value <= left.droop_mm.high:
                says = f"{finding.says}; the plan leaves underside {number} as it is"
                finding = replace(finding, level=Level.NOTE, says=says)
        yield finding


_IN_AIR = ("on nothing", "starts in air", "ends in air", "long bridge", "overhang")


def _of_part(
    part: Part,
    placed: Placed | None,
    found: Survey,
    of_most: Usual,
    tops: Floats,
    gatherer: Gatherer,
) -> Iterable[Finding]:
    """Whether the program prints the part, all of it."""
    if placed is None:
        says = f"the program does not print {part.name}: its outlines are nowhere followed by strands"
        cure = "Check that program and part belong together, its size, unit and how it lies"
        yield Finding(0, "other part", Level.RUIN, says, cure)
        return
    placement = placed.placement
    missed = [(z, share, xy) for z, share, xy in uncovered(placed, found, of_most) if share < _WELL]
    if missed:
        z, share, xy = min(missed, key=lambda m: m[1])
        low, high = xy.min(axis=0), xy.max(axis=0)
        line = int(found.line[np.argmin(np.abs(found.z_mm - z))])
        spot = Place(
            int(np.searchsorted(tops, z - 1e-4)) + 1,
            z,
            (float(xy[0, 0]), float(xy[0, 1])),
            (float(low[0]), float(low[1]), float(high[0]), float(high[1])),
            (line, line),
        )
        says = (
            f"the part's outline is followed over {100 * share:.0f} % only: some of the part is not printed"
        )
        cure = "Compare the part with what the program prints: a body may be missing, or its size differ"
        yield Finding(0, "outline", Level.FAULT, says, cure, len(missed), spot, found=share, planned=1.0)
    high = float(part.vertices[:, 2].max()) + placement.shift_mm[2]
    if gatherer.totals.part_top_mm < high - 1.5 * of_most.height_mm:
        says = f"the part ends at {gatherer.totals.part_top_mm:.2f} mm; it should reach {high:.2f} mm"
        cure = "The program may be cut short, or the part scaled"
        yield Finding(
            0,
            "too low",
            Level.RUIN,
            says,
            cure,
            lines=(gatherer.totals.last_line,),
            found=gatherer.totals.part_top_mm,
            planned=high,
            unit="mm",
        )


def _gap_below(beside: Beside, limits: Limits) -> Iterable[Finding]:
    gap, planned = beside.gap_below(), beside.planned
    if gap is None or planned is None:
        return
    wanted = planned.gap_below.realised_mm
    if abs(gap - wanted) > 0.02 + 0.1 * limits.usual.height_mm:
        says = (
            f"supports that stand on the part keep a gap of {gap:.3g} mm there; {wanted:.3g} mm were planned"
        )
        cure = "Set the air gap below supports in whole layers"
        yield Finding(0, "gap below", Level.CAUTION, says, cure, found=gap, planned=wanted, unit="mm")


def _of_process(
    process: Process, of_most: Usual, found: Survey, gatherer: Gatherer, plan: Plan | None
) -> Iterable[Finding]:
    """Where the program as a whole differs from the process it was to follow."""
    totals = gatherer.totals

    def differs(
        kind: str, what: str, is_: float, wanted: float, unit: str, cure: str, whose: str = "the process has"
    ) -> Finding:
        says = f"{what} {is_:.3g} {unit}; {whose} {wanted:.3g} {unit}"
        return Finding(0, kind, Level.CAUTION, says, cure, found=is_, planned=wanted, unit=unit)

    if abs(of_most.height_mm - process.layer_height_mm) > 0.01:
        cure = "Set the layer height: gaps are whole multiples of it"
        yield differs(
            "layer height", "most layers are", of_most.height_mm, process.layer_height_mm, "mm", cure
        )
    if abs(totals.first_height_mm - process.first_layer_height_mm) > 0.02:
        yield differs(
            "first layer",
            "the first layer is",
            totals.first_height_mm,
            process.first_layer_height_mm,
            "mm",
            "Set the height of the first layer",
        )
    if abs(of_most.width_mm / process.line_width_mm - 1.0) > _WIDTH_OFF:
        yield differs(
            "line width",
            "most strands are",
            of_most.width_mm,
            process.line_width_mm,
            "mm wide",
            "Set line width, flow and filament diameter",
        )
    heat = process.material.nozzle_temperature_c
    if found.hottest_c > 0 and abs(found.hottest_c - heat) > _HEAT_OFF_C:
        yield differs(
            "nozzle heat", "the nozzle is at", found.hottest_c, heat, "°C", "Set the nozzle's temperature"
        )
    bed = process.material.bed_temperature_c
    if abs(found.bed_c - bed) > _HEAT_OFF_C and found.reading.state[rs274.HEATED]:
        yield differs("bed heat", "the bed is at", found.bed_c, bed, "°C", "Set the bed's temperature")
    if totals.fan_length_mm > 0:
        fan = totals.fan_mm / totals.fan_length_mm
        if abs(fan - process.fan) > _FAN_OFF:
            yield differs(
                "fan", "the fan runs at", 100 * fan, 100 * process.fan, "%", "Set the fan as the plan has it"
            )
    if plan is not None:
        cost = plan.part_cost + plan.support_cost
        filament = filament_mm(found.pushed_mm3, process)
        if cost.filament_mm > 0 and abs(filament / cost.filament_mm - 1.0) > _FILAMENT_OFF:
            yield differs(
                "filament",
                "it takes",
                filament / 1000,
                cost.filament_mm / 1000,
                "m of filament",
                "Compare walls, fill and supports with the settings sheet",
                "the plan reckons with",
            )
        if cost.time_s > 0 and not _TIME_LESS < found.time_s / cost.time_s < _TIME_MORE:
            note = differs(
                "time",
                "it takes",
                found.time_s / 60,
                cost.time_s / 60,
                "min",
                "Compare speeds with the settings sheet",
                "the plan reckons with",
            )
            yield replace(note, level=Level.NOTE)


def _figures(
    found: Survey, of_most: Usual, gatherer: Gatherer, process: Process, plan: Plan | None, tops: Floats
) -> ProgramFigures:
    totals = gatherer.totals
    cost = plan.part_cost + plan.support_cost if plan is not None else None
    reading = found.reading
    by_owner = totals.by_owner_mm3
    return ProgramFigures(
        lines=reading.lines,
        moves=found.moves,
        strands=found.strands,
        layers=len(tops),
        height_mm=of_most.height_mm,
        first_height_mm=totals.first_height_mm,
        width_mm=of_most.width_mm,
        low_mm=(float(found.low[0]), float(found.low[1]), float(found.low[2])),
        high_mm=(float(found.high[0]), float(found.high[1]), float(found.high[2])),
        pushed_mm3=found.pushed_mm3,
        rebuilt_mm3=totals.rebuilt_mm3,
        part_mm3=float(by_owner[PART]),
        support_mm3=float(by_owner[SUPPORT]),
        aside_mm3=float(by_owner[ASIDE]),
        filament_mm=filament_mm(found.pushed_mm3, process),
        mass_g=mass_g(found.pushed_mm3, process),
        time_s=found.time_s,
        planned_filament_mm=cost.filament_mm if cost is not None else None,
        planned_time_s=cost.time_s if cost is not None else None,
        nozzle_c=max(found.hottest_c, 0.0),
        bed_c=found.bed_c,
        fan=totals.fan_mm / totals.fan_length_mm if totals.fan_length_mm else 0.0,
        unfollowed=tuple(reading.unfollowed()),
        texts=tuple(sorted(reading.texts.items())),
    )


def _in_short(t: UndersideAudit, findings: list[tuple[int, Finding]]) -> str:
    mine = sorted((f for n, f in findings if n == t.number), key=lambda f: -f.level.rank)
    if mine:
        return f"{mine[0].level.value}: {', '.join(f.kind for f in mine)}"
    if t.strands_mm == 0.0:
        return "not printed"
    return "as planned" if t.planned_gap_mm or t.carried_share < 0.3 else "carried"


def _verdict(findings: tuple[Finding, ...], told: tuple[UndersideAudit, ...]) -> str:
    """What to do, in one sentence."""
    worst = findings[0].level if findings else None
    count = sum(f.level is worst for f in findings)
    rest = len(findings) - count
    more = f", and {rest} lesser {'finding' if rest == 1 else 'findings'}" if rest else ""
    if worst is Level.RUIN:
        return f"Do not print this: {count} {'thing' if count == 1 else 'things'} will ruin it{more}."
    if worst is Level.FAULT:
        return f"It will print, but not as it should: {count} {'fault' if count == 1 else 'faults'}{more}."
    if worst is Level.CAUTION:
        return f"It can be printed; look at {count} {'caution' if count == 1 else 'cautions'} first{more}."
    notes = f" {count} {'note' if count == 1 else 'notes'} below." if count else ""
    if told and all(t.planned_gap_mm for t in told):
        return f"It does what the plan asks for.{notes}"
    return f"Nothing is against it.{notes}"

"""``audit``: a machine program read, rebuilt and held against the plan, the part, or itself."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from falsework.auditing.balance import SQUARE_MM, balance_findings
from falsework.auditing.causes import (
    filament_finding,
    filament_findings,
    fitting_diameter,
    height_findings,
    part_findings,
    unit_findings,
)
from falsework.auditing.commands import command_findings, harmless
from falsework.auditing.consistency import (
    doubled_findings,
    drawing_back_findings,
    flow_findings,
    lacking_findings,
    pressed_findings,
)
from falsework.auditing.copies import FoundCopies, find_copies, on_raft
from falsework.auditing.deposit import ASIDE, PART, SUPPORT, Carrying, Layer, rebuild
from falsework.auditing.differences import (
    bed_findings,
    layer_findings,
    pace_findings,
    plan_findings,
    process_findings,
    speed_findings,
)
from falsework.auditing.findings import outside_findings, program_findings, reading_findings, site_findings
from falsework.auditing.flow import Fed, fed, with_own_first_layer
from falsework.auditing.foreign import against_findings, foreign_findings, foreign_strands
from falsework.auditing.gather import AuditLimits, Gatherer, limits_of
from falsework.auditing.inventory import (
    InventoryAuditor,
    balances,
    beyond_findings,
    inventory_findings,
    moved_findings,
    roof_findings,
)
from falsework.auditing.make import hollow_findings, made, make_findings
from falsework.auditing.outlines import outline_findings, place_among
from falsework.auditing.placement import PlacedSections
from falsework.auditing.plate import StrandCluster
from falsework.auditing.reading import Program, name_of
from falsework.auditing.request import PLAIN, Reads, bed_of
from falsework.auditing.safety import heat_limits, safety_findings
from falsework.auditing.support_amounts import amount_findings, support_amounts
from falsework.auditing.supports import SupportAuditor, shift_finding
from falsework.auditing.survey import ProgramSurvey, Usual, survey, usual
from falsework.auditing.undersides import Planned, UndersideAuditor, underside_findings
from falsework.auditing.value import Audit, Finding, FindingLevel, Place, ProgramFigures, UndersideAudit
from falsework.auditing.verdict import answer, ranked
from falsework.cost.filament import Rates
from falsework.cost.part import part_cost
from falsework.droop.belief import PRIOR, Belief
from falsework.droop.laws import Laws
from falsework.errors import ProgramError
from falsework.kernels.bead import strands as cut
from falsework.layers import overlay, planar
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

_LEAST_MM, _MOST_HEIGHT_MM, _MOST_WIDTH_MM = 0.03, 2.4, 3.2  # of layers and strands in any process
_AS_PLANNED = 0.03  # share by which the height of layers may differ from the plan's
_LEAST_HEAT_C, _MOST_HEAT_C = 120.0, 500.0
_IN_AIR = ("on nothing", "starts in air", "ends in air", "long bridge", "overhang")


@dataclass(frozen=True, eq=False)
class Rebuilt:
    """What pictures are drawn from: the program, how it was read, and where the part lies in it."""

    program: Program
    volumetric: bool
    survey: ProgramSurvey
    usual: Usual
    process: Process
    copies: tuple[PlacedSections, ...]

    def owners(self, z_mm: float, height_mm: float, ends: Floats) -> np.ndarray:
        """Whose strands are; see ``deposit.Owners``."""
        return _owners(self.copies, z_mm, height_mm, ends)


def audit(
    program: Program,
    plan: Plan | None = None,
    part: Part | str | Path | None = None,
    *,
    process: Process | str | Path | None = None,
    belief: Belief = PRIOR,
    reads: Reads = PLAIN,
    watch: Watch = QUIET,
) -> Audit:
    r"""Read a machine program as the machine will, and say what of it will not come out.

    Parameters
    ----------
    program : a file's path or its bytes; RS-274 text, plain or packed by gzip or zip. It is only read.
    plan : what was planned, with its geometry, as ``falsework.plan`` gives it.
    part : the part alone, as it stands on the bed, where there is no plan.
    process : what the program was made for; by default the plan's, else it is taken from the program itself.
    belief : what the droop model holds true.
    reads : how E counts, and the bed where no process names it.

    Raises
    ------
    ProgramError : the file cannot be read or unpacked, or is no program that prints anything.
    PartError, ProcessError : part or process are refused.

    Examples
    --------
    >>> import falsework
    >>> program = b"G28\nG90\nM82\nM104 S210\nG1 Z0.2 F600\nG1 X10 Y10 F6000\nG1 X40 Y10 E1 F1200\n"
    >>> found = falsework.audit(program)
    >>> found.part, len(found.copies)
    ('', 0)
    """
    given = _given(plan, process)
    found, amounts, made_for, told = _surveyed(program, given, reads, watch.part(0.0, 0.3))
    program_read = _read(program, given, made_for, reads, found, amounts)
    work = _work(plan, part, program_read, belief, watch.part(0.3, 0.4))
    copies = _copies(work, program_read, watch.part(0.4, 0.5))
    auditors = _auditors(program_read, plan, work, copies, belief)
    for layer in _layers(program_read, auditors, watch.part(0.5, 1.0)):
        auditors.take(layer)
    findings = [
        *told,
        *_of_program(program_read, auditors),
        *(_of_part(work, plan, copies, program_read, auditors) if work is not None else ()),
        *(_of_supports(work, plan, program_read, auditors) if work is not None and copies.copies else ()),
        *_of_process(plan, program_read, auditors, copies.copies),
    ]
    undersides, by_underside = _undersides(auditors)
    findings += (f for _, _, f in by_underside)
    every = ranked([*findings, *_left_over(program_read, auditors, work, findings)])
    watch.at("done", 1.0)
    planned_all = bool(undersides) and all(t.planned_gap_mm for t in undersides)
    return Audit(
        program=name_of(program),
        part=work.part.name if work is not None else "",
        against="plan" if plan is not None else "part" if work is not None else "program",
        process=made_for.name if given is not None else "",
        answer=answer(every, as_planned=planned_all),
        findings=every,
        figures=_figures(program_read, auditors, plan),
        copies=tuple(placed.placement for placed in copies.copies),
        undersides=tuple(
            replace(
                t,
                verdict=_in_short(t, [f for c, n, f in by_underside if (c, n) == (t.copy_number, t.number)]),
            )
            for t in undersides
        ),
        would_add=_WOULD_ADD["program" if work is None else "part" if plan is None else "plan"],
        geometry=Rebuilt(
            program, reads.volumetric, found, program_read.usual, program_read.printed, copies.copies
        ),
    )


_WOULD_ADD = {
    "program": (
        "Held against its part or plan it would also tell whether the part is whole, of its size and the"
        " right way round, which strands are supports, and whether these stand with their air gap."
    ),
    "part": (
        "Held against its plan it would also tell whether each underside gets the support, air gap and "
        "interface that were planned."
    ),
    "plan": "",
}


@dataclass(frozen=True, eq=False)
class _Read:
    """The program as it was read: survey, figures of most of it, the process it was made for and as it
    prints.
    """

    program: Program
    reads: Reads
    found: ProgramSurvey
    usual: Usual
    fed: Fed
    given: Process | None
    made_for: Process
    printed: Process
    tops: Floats


@dataclass(frozen=True, eq=False)
class _Work:
    part: Part
    stack: LayerStack
    need: NeedMap


def _given(plan: Plan | None, process: Process | str | Path | None) -> Process | None:
    if process is None:
        return plan.process if plan is not None else None
    return process if isinstance(process, Process) else load_process(process)


def _surveyed(
    program: Program, given: Process | None, reads: Reads, watch: Watch
) -> tuple[ProgramSurvey, Fed, Process, list[Finding]]:
    """The survey and what the strands get; without a process for the filament that the amounts fit."""
    made_for = given if given is not None else load_process("pla-0.4")
    found = survey(program, made_for, volumetric=reads.volumetric, watch=watch)
    amounts = fed(found)
    if given is not None or reads.volumetric:
        return found, amounts, made_for, []
    was = made_for.printer.filament_diameter_mm
    other = fitting_diameter(amounts, was)
    if other is None:
        return found, amounts, made_for, []
    made_for = replace(made_for, printer=replace(made_for.printer, filament_diameter_mm=other))
    found = survey(program, made_for, watch=watch)
    return found, fed(found), made_for, [filament_finding(other, was)]


def _read(
    program: Program,
    given: Process | None,
    made_for: Process,
    reads: Reads,
    found: ProgramSurvey,
    amounts: Fed,
) -> _Read:
    of_most = usual(found)
    printed = _as_printed(made_for, of_most, found, strict=given is not None)
    tops = np.unique(np.round(found.z_mm, 4))
    return _Read(program, reads, found, of_most, amounts, given, made_for, printed, tops)


def _as_printed(base: Process, of_most: Usual, found: ProgramSurvey, *, strict: bool) -> Process:
    """The process with the program's height and width; without one given, with its heat and nozzle too."""
    # what no process may have is told by its cause; it is judged as if it were the most that one may
    height = min(max(of_most.height_mm, _LEAST_MM), _MOST_HEIGHT_MM)
    width = min(max(of_most.width_mm, height), _MOST_WIDTH_MM)
    if strict and height <= base.nozzle_mm and 0.6 * base.nozzle_mm <= width <= 2.5 * base.nozzle_mm:
        return replace(base, layer_height_mm=height, line_width_mm=width)
    bore = max(round(width / 1.125, 2), height)
    first = float(found.z_mm[found.first_layer])
    first = first if 0.02 <= first <= bore else height
    printed = replace(
        base,
        layer_height_mm=height,
        line_width_mm=width,
        nozzle_mm=bore,
        first_layer_height_mm=first,
        structure=replace(base.structure, spacing_mm=max(base.structure.spacing_mm, width)),
    )
    if strict or found.hottest_c <= 0:
        return printed
    heat = min(max(found.hottest_c, _LEAST_HEAT_C), _MOST_HEAT_C)
    return replace(printed, material=replace(base.material, nozzle_temperature_c=heat))


def _work(
    plan: Plan | None, part: Part | str | Path | None, read: _Read, belief: Belief, watch: Watch
) -> _Work | None:
    """The part to compare with, its layers and undersides."""
    if plan is not None:
        if plan.geometry is None:
            name = name_of(read.program)
            raise ProgramError(name, "is to be held against a plan without geometry", "Make the plan again")
        return _Work(plan.geometry.part, plan.geometry.stack, plan.geometry.need)
    if part is None:
        return None
    process = read.made_for if read.given is not None else read.printed
    raw = part if isinstance(part, Part) else read_part(part, watch=watch.part(0.0, 0.5))
    bed_mm = (process.printer.build_width_mm, process.printer.build_depth_mm)
    standing = place(raw, bed_mm=bed_mm)
    top = float(standing.size_mm[2])
    bounds = layer_boundaries(top, process.first_layer_height_mm, process.layer_height_mm)
    stack = stack_layers(standing, bounds, watch.part(0.5, 0.7))
    return _Work(standing, stack, need_map(stack, Laws(process, belief), watch.part(0.7, 1.0)))


def _copies(work: _Work | None, read: _Read, watch: Watch) -> FoundCopies:
    if work is None:
        return FoundCopies((), None)
    around = read.made_for.structure.foot_widening_mm + 2.0 * read.usual.width_mm + 1.0
    layer_mm = read.given.layer_height_mm if read.given is not None else None
    return find_copies(work.part, read.found, read.usual, around, layer_mm, watch)


def _planned(plan: Plan) -> Planned:
    structure = plan.process.structure
    fixed = structure.form == "curtain"
    chosen = {c.underside: c.chosen for c in plan.choices}
    return Planned(
        standings=[chosen[u.number] for u in plan.undersides],
        gap=plan.gap,
        gap_below=plan.gap_below,
        interface_layers=[structure.interface_layers] * len(plan.undersides) if fixed else _interfaces(plan),
        spacing_mm=structure.spacing_mm if fixed else None,
        closed_lines=structure.perimeter_lines if fixed else None,
        sets=2 if structure.weave == "crossed" else 1,
        side_gap_mm=structure.side_gap_mm,
    )


_CAPPED = 0.5  # share of an underside that dense layers beneath it must reach over


def _interfaces(plan: Plan) -> list[int]:
    """How many interface layers a designed support has beneath each underside's largest region."""
    assert plan.geometry is not None
    need, cap = plan.geometry.need, plan.geometry.scheme.cap
    area = planar.area(need.regions)
    out = []
    for k in range(len(plan.undersides)):
        mine = np.flatnonzero(need.region_underside == k)
        at = mine[np.argmax(area[mine])]
        layer = int(need.region_layer[at]) - 1 - plan.gap.layers
        count = 0
        while layer - count >= 0:
            shared = planar.area(overlay.intersection(cap[layer - count], need.regions[at]))
            if shared < _CAPPED * area[at]:
                break
            count += 1
        out.append(count)
    return out


@dataclass(frozen=True, eq=False)
class _Auditors:
    """Who looks at each layer: its strands, its supports, the undersides of each copy of the part."""

    limits: AuditLimits
    tops: Floats
    strands: Gatherer
    supports: SupportAuditor | None
    undersides: tuple[UndersideAuditor, ...]
    copies: tuple[PlacedSections, ...]
    inventory: InventoryAuditor | None

    def take(self, layer: Layer) -> None:
        self.strands.take(layer)
        if self.inventory is not None:
            self.inventory.take(layer)
        if self.supports is not None:
            self.supports.take(layer)
        for one in self.undersides:
            one.take(layer)


def _auditors(
    read: _Read, plan: Plan | None, work: _Work | None, copies: FoundCopies, belief: Belief
) -> _Auditors:
    planned = _planned(plan) if plan is not None and copies.copies else None
    limits = limits_of(
        read.printed,
        belief,
        read.usual,
        gap_mm=planned.gap.realised_mm if planned else 0.0,
        knows_part=bool(copies.copies),
        strict=read.given is not None,
    )
    undersides: tuple[UndersideAuditor, ...] = ()
    if work is not None and len(work.need.regions):
        undersides = tuple(
            UndersideAuditor(work.need, work.stack, placed, planned, limits, read.tops)
            for placed in copies.copies
        )
    supports = None
    if copies.copies:
        supports = SupportAuditor(limits, planned.gap_below.realised_mm if planned else 0.0)
    gatherer = Gatherer(limits, read.found.ground)
    inventory = None
    if plan is not None and plan.geometry is not None and copies.copies:
        inventory = InventoryAuditor(plan.geometry, plan.process, copies.copies, read.usual)
    return _Auditors(limits, read.tops, gatherer, supports, undersides, copies.copies, inventory)


def _layers(read: _Read, auditors: _Auditors, watch: Watch) -> Iterable[Layer]:
    carrying = Carrying(0.5 * auditors.limits.span_mm, auditors.limits.carry_mm)
    if auditors.copies:
        copies = auditors.copies
        carrying = replace(carrying, owners=lambda z, h, ends: _owners(copies, z, h, ends))
    return rebuild(
        read.program,
        read.found,
        read.printed,
        read.usual,
        carrying=carrying,
        volumetric=read.reads.volumetric,
        watch=watch,
    )


_RANK = np.array([0, 3, 2, 1, 0], np.uint8)  # whose word counts where copies disagree: part, support, aside


def _owners(copies: tuple[PlacedSections, ...], z_mm: float, height_mm: float, ends: Floats) -> np.ndarray:
    if not copies:
        return np.full(len(ends), PART, np.uint8)
    owner = copies[0].owners(z_mm, height_mm, ends)
    for placed in copies[1:]:
        other = placed.owners(z_mm, height_mm, ends)
        owner = np.where(_RANK[other] > _RANK[owner], other, owner)
    return owner


def _of_program(read: _Read, auditors: _Auditors) -> Iterable[Finding]:
    """What holds for the program as a whole, whatever the part, and for its strands one by one."""
    found, totals = read.found, auditors.strands.totals
    yield from reading_findings(found)
    yield from command_findings(found.reading.unfollowed(), totals.last_line)
    yield from safety_findings(found, heat_limits(read.made_for, given=read.given is not None))
    yield from program_findings(found, totals.last_line)
    bed = bed_of(read.reads, read.given)
    if bed is not None:
        yield from outside_findings(found, bed)
    bed_heat = read.made_for.material.bed_temperature_c if read.given is not None else None
    yield from bed_findings(found, bed_heat, totals.last_line)
    yield from unit_findings(read.usual, found)
    yield from filament_findings(read.fed, read.made_for)
    flow = list(flow_findings(auditors.strands.layers, read.fed))
    yield from flow
    if not flow:  # else what the first layer gets does not tell how high it is meant to be
        yield from height_findings(_first_layer_told(read, auditors.copies), found, read.usual)
    yield from pressed_findings(auditors.strands.layers)
    yield from lacking_findings(auditors.strands.layers)
    yield from doubled_findings(totals)
    yield from drawing_back_findings(found)
    yield from speed_findings(found, totals, auditors.strands.layers)
    yield from _expected(site_findings(auditors.strands.sites, auditors.limits, read.tops), auditors)


def _first_layer_told(read: _Read, copies: tuple[PlacedSections, ...]) -> Fed:
    """What the strands get, the first layer's told by the part's alone where the part is known."""
    found, rows = read.found, read.found.sample.get(read.found.first_layer)
    if not copies or rows is None:
        return read.fed
    z = float(found.z_mm[found.first_layer])
    owner = _owners(copies, z, z, rows[:, cut.AX : cut.BZ + 1])
    return with_own_first_layer(read.fed, found, owner == PART)


def _expected(findings: Iterable[Finding], auditors: _Auditors) -> Iterable[Finding]:
    """Findings of strands in air with the number of the underside over which they lie, if any."""
    for finding in findings:
        for auditor in auditors.undersides:
            if finding.place is None or finding.kind not in _IN_AIR:
                break
            number = auditor.number_at(finding.place)
            if not number:
                continue
            finding = replace(finding, underside=number)
            left, droop = auditor.left_alone(number), finding.droop_mm
            if left is not None and droop is not None and droop.value <= left.droop_mm.high:
                says = f"{finding.says}; the plan leaves underside {number} as it is"
                finding = replace(finding, level=FindingLevel.NOTE, says=says)
            break
        yield finding


def _of_part(
    work: _Work, plan: Plan | None, copies: FoundCopies, read: _Read, auditors: _Auditors
) -> Iterable[Finding]:
    """Whether the program prints the part, all of it."""
    yield from part_findings(work.part, copies, read.found, read.usual)
    for placed in copies.copies:
        yield from outline_findings(placed, read.found, read.usual, read.tops)
    if not copies.copies:
        return
    shift = copies.copies[0].placement.shift_mm[2]
    high = float(work.part.vertices[:, 2].max()) + shift
    for top in copies.short_mm:
        says = f"another copy of {work.part.name} ends at {top:.2f} mm; it should reach {high:.2f} mm"
        cure = "See why the program leaves it unfinished; make it again"
        yield Finding(0, "too low", FindingLevel.RUIN, says, cure, found=top, planned=high, unit="mm")
    if shift > 1.5 * read.usual.height_mm and not on_raft(read.found, copies.copies[0]):
        says = f"printing reaches {shift:.2f} mm higher than {work.part.name}, which stands on no raft"
        cure = "Look for layers that come twice, and for a scale along z; make the program again"
        yield Finding(
            0, "too high", FindingLevel.RUIN, says, cure, found=high, planned=high - shift, unit="mm"
        )
    yield from _beside(work.part, copies, read)
    totals = auditors.strands.totals
    planned = plan.process.layer_height_mm if plan is not None else math.inf
    as_planned = abs(read.usual.height_mm / planned - 1.0) < _AS_PLANNED
    short = high - totals.part_top_mm
    if short > (0.7 if as_planned else 1.5) * read.usual.height_mm:
        level = FindingLevel.RUIN if short > 1.5 * read.usual.height_mm else FindingLevel.FAULT
        says = f"the part ends at {totals.part_top_mm:.2f} mm; it should reach {high:.2f} mm"
        cure = "The program may be cut short, or the part scaled"
        yield Finding(
            0, "too low", level, says, cure, lines=(totals.last_line,), found=totals.part_top_mm,
            planned=high, unit="mm",
        )  # fmt: skip


_BESIDE_MM2, _TOWER = 25.0, 0.9  # ground of what is told; share of the print's height that a purge tower has


def _beside(part: Part, copies: FoundCopies, read: _Read) -> Iterable[Finding]:
    """Bodies beside the part and its supports that are no lines to fill the nozzle and no purge tower."""
    bodies = [b for b in read.found.ground.bodies if not b.flat and b.area_mm2 > _BESIDE_MM2]
    top = max((b.high_mm for b in bodies), default=0.0)
    shadows = [planar.transform(placed.shadow, placed.to_program) for placed in copies.copies]
    others = [
        b
        for b in bodies
        if (b.high_mm < _TOWER * top or _as_wide(b, part))
        and not any(planar.intersects(s, planar.box(*b.box_mm)) for s in shadows)
    ]
    if others and not copies.short_mm:
        high = max(b.high_mm for b in others)
        what = "another body is" if len(others) == 1 else f"{len(others)} other bodies are"
        says = f"{what} printed beside the part and its supports, up to {high:.1f} mm high"
        cure = "See what it is for; take it off the bed if it belongs to nothing"
        yield Finding(0, "stray", FindingLevel.CAUTION, says, cure, len(others), found=high, unit="mm")


_LIKE = 0.7  # share of the part's length and width, from which a body is about as large


def _as_wide(body: StrandCluster, part: Part) -> bool:
    """Whether a body is about as long and as wide as the part: no purge tower, but another size of it."""
    x0, y0, x1, y1 = body.box_mm
    own = np.sort(np.ptp(part.vertices[:, :2], axis=0))
    ratio = np.sort([x1 - x0, y1 - y0]) / np.maximum(own, 1e-9)
    return bool(np.all((ratio > _LIKE) & (ratio < 1.0 / _LIKE)))


def _of_supports(work: _Work, plan: Plan | None, read: _Read, auditors: _Auditors) -> Iterable[Finding]:
    if auditors.supports is None:
        return
    yield from auditors.supports.findings(auditors.tops)
    name, ground = work.part.name, read.found.ground
    part_mm3 = float(auditors.strands.totals.by_owner_mm3[PART])
    yield from against_findings(name, auditors.supports, auditors.copies, ground, part_mm3)
    geometry = plan.geometry if plan is not None else None
    if plan is not None and geometry is not None and len(auditors.copies) == 1:
        placed, strands = auditors.copies[0], geometry.scheme.strands
        yield from shift_finding(auditors.supports, placed, strands, geometry.stack.heights_mm)
        amounts = support_amounts(auditors.supports, placed, strands, geometry.stack, plan.process)
        if amounts is not None:
            yield from amount_findings(amounts)
        foreign = foreign_strands(auditors.supports, placed, geometry.scheme, geometry.stack)
        top = float(geometry.stack.z_mm[-1]) + placed.placement.shift_mm[2]
        yield from foreign_findings(geometry.part.name, foreign, top, amounts)


def _of_process(
    plan: Plan | None, read: _Read, auditors: _Auditors, copies: tuple[PlacedSections, ...]
) -> Iterable[Finding]:
    if read.given is not None:
        sums, first = auditors.strands.layers, auditors.strands.totals.first_height_mm
        yield from process_findings(read.made_for, read.usual, read.found, first, sums)
        yield from layer_findings(read.made_for, sums)
        yield from pace_findings(read.made_for, sums)
    if plan is not None:
        yield from plan_findings(plan, read.made_for, read.found, max(1, len(copies)))
    if plan is not None and plan.geometry is not None and copies:
        stack, shift = plan.geometry.stack, copies[0].placement.shift_mm[2]
        planned = part_cost(stack, plan.process)[1]
        found = made(auditors.strands.layers, read.usual, planned, stack.z_mm, shift, len(copies))
        told = list(make_findings(found, plan.process, read.usual))
        yield from told
        if not any(finding.kind == "fill" for finding in told):
            yield from hollow_findings(copies[0], read.found, read.usual, plan.process)


# what follows where supports are not in their places
_OF_MOVED = frozenset(
    {
        "overlap",
        "fused on top",
        "fused below",
        "side gap",
        "barely supported",
        "gap",
        "stands on part",
    }
)


def _left_over(
    read: _Read, auditors: _Auditors, work: _Work | None, told: list[Finding]
) -> Iterable[Finding]:
    """What is missing somewhere: a fault where nothing else explains it, for causes come first."""
    if auditors.inventory is None or work is None:
        return
    weighty = {f.kind for f in told if f.level.rank >= FindingLevel.FAULT.rank}
    named = {f.kind for f in told} & {"walls", "skin", "fill"}
    of_part, of_supports = (
        FindingLevel.CAUTION if explained else FindingLevel.FAULT
        for explained in (weighty, weighty - _OF_MOVED)
    )
    for placed, looked in zip(auditors.copies, auditors.inventory.looked(), strict=False):
        missing = list(inventory_findings(work.part.name, looked, of_part))
        yield from missing
        yield from moved_findings(looked, of_supports)
        yield from beyond_findings(work.part.name, looked, of_part)
        yield from roof_findings(looked, of_part)
        if not missing:
            of_rest = FindingLevel.CAUTION if named else of_part
            where = partial(_place, placed, read.found, auditors.tops)
            yield from balance_findings(work.part.name, balances(looked), of_rest, where)


def _place(
    placed: PlacedSections, found: ProgramSurvey, tops_mm: Floats, z_mm: float, corner: Floats
) -> Place:
    """Squares of a copy as a place of the program."""
    xy = placed.to_program(np.concatenate([corner, corner + SQUARE_MM]))
    middle = placed.to_program(corner[len(corner) // 2][None] + 0.5 * SQUARE_MM)[0]
    return place_among(float(z_mm + placed.placement.shift_mm[2]), middle, xy, found, tops_mm)


def _undersides(
    auditors: _Auditors,
) -> tuple[tuple[UndersideAudit, ...], list[tuple[int, int, Finding]]]:
    """The undersides of every copy, and findings with the numbers of copy and underside (0: of neither)."""
    every: list[UndersideAudit] = []
    findings: list[tuple[int, int, Finding]] = []
    several = len(auditors.undersides) > 1
    for copy, auditor in enumerate(auditors.undersides, 1):
        found = auditor.undersides()
        every += [replace(t, copy_number=copy) for t in found]
        for number, finding in underside_findings(auditor, found):
            if several:
                finding = replace(finding, says=f"copy {copy}: {finding.says}")
            findings.append((copy, number, finding))
        findings += [(0, 0, f) for f in site_findings(auditor.sites, auditor.limits, auditors.tops)]
        findings += [(0, 0, f) for f in _gap_below(auditor)]
    return tuple(every), findings


def _gap_below(auditor: UndersideAuditor) -> Iterable[Finding]:
    gap, planned = auditor.gap_below(), auditor.planned
    if gap is None or planned is None:
        return
    wanted = planned.gap_below.realised_mm
    if abs(gap - wanted) > 0.02 + 0.1 * auditor.limits.usual.height_mm:
        says = (
            f"supports that stand on the part keep a gap of {gap:.3g} mm there; {wanted:.3g} mm were planned"
        )
        cure = "Set the air gap below supports in whole layers"
        yield Finding(0, "gap below", FindingLevel.CAUTION, says, cure, found=gap, planned=wanted, unit="mm")


def _figures(read: _Read, auditors: _Auditors, plan: Plan | None) -> ProgramFigures:
    found, totals = read.found, auditors.strands.totals
    cost = plan.part_cost + plan.support_cost if plan is not None else None
    reading, by_owner = found.reading, totals.by_owner_mm3
    unfollowed = reading.unfollowed()
    return ProgramFigures(
        lines=reading.lines,
        moves=found.moves,
        strands=found.strands,
        layers=len(read.tops),
        height_mm=read.usual.height_mm,
        first_height_mm=totals.first_height_mm,
        width_mm=read.usual.width_mm,
        low_mm=(float(found.low[0]), float(found.low[1]), float(found.low[2])),
        high_mm=(float(found.high[0]), float(found.high[1]), float(found.high[2])),
        pushed_mm3=found.pushed_mm3,
        rebuilt_mm3=totals.rebuilt_mm3,
        part_mm3=float(by_owner[PART]),
        support_mm3=float(by_owner[SUPPORT]),
        aside_mm3=float(by_owner[ASIDE:].sum()),
        filament_mm=Rates(read.made_for).filament_mm(found.pushed_mm3),
        mass_g=Rates(read.made_for).mass_g(found.pushed_mm3),
        time_s=found.time_s,
        planned_filament_mm=cost.filament_mm if cost is not None else None,
        planned_time_s=cost.time_s if cost is not None else None,
        nozzle_c=max(found.hottest_c, 0.0),
        bed_c=found.bed_c,
        fan=auditors.strands.layers.fan_above,
        unfollowed=tuple((u.word, u.count, u.line) for u in unfollowed),
        texts=tuple(sorted(reading.texts.items())),
        harmless=harmless(unfollowed),
        wall_speed_mm_s=auditors.strands.layers.wall_speed_above_mm_s,
        fed_share=read.fed.share,
    )


def _in_short(t: UndersideAudit, findings: list[Finding]) -> str:
    mine = sorted(findings, key=lambda f: -f.level.rank)
    if mine:
        return f"{mine[0].level.value}: {', '.join(f.kind for f in mine)}"
    if t.strands_mm == 0.0:
        return "not printed"
    return "as planned" if t.planned_gap_mm or t.carried_share < 0.3 else "carried"

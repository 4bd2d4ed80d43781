"""Findings in plain words: of sites, of the reading, of the program as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from falsework.auditing import plate
from falsework.auditing.gather import AuditLimits, droop_of
from falsework.auditing.reading import ProgramReading
from falsework.auditing.request import Bed
from falsework.auditing.sites import FindingSite, Sites, place_of
from falsework.auditing.survey import ProgramSurvey
from falsework.auditing.value import Finding, FindingLevel
from falsework.droop.estimate import Estimate
from falsework.kernels.bead import machine as rs274
from falsework.kernels.bead import strands as cut
from falsework.layers.stack import Floats

_EMPTY, _EMPTY_MM = 0.04, 50.0  # share and length of what is fed for nothing, both
_SHORT_END_MM = 3.0  # a free end no longer than that shows, and spoils nothing
_LONG_LEDGE_MM = 3.5  # no layer reaches so far past the one beneath
_MANY_PAUSES = 12  # for changes of filament and parts laid in, nobody stands there more often
_GREAT_BLOB_MM3 = 20.0  # pushed out in one place, that the nozzle strikes when it comes by again
_OFTEN = 4  # times that filament is drawn back too far: no change of filament, nor the program's end
_HOLLOW = 0.35  # of the usual width: so thin strands leave a layer out
_LEAST_LAYERS = {"overlap": 3}  # what less often is met tells nothing
_MOST_OF_A_KIND = 12  # places told one by one; the rest is counted in the last


@dataclass(frozen=True)
class _Kind:
    level: FindingLevel
    says: Callable[[FindingSite], str]
    cure: str
    unit: str = ""


_HEIGHT_CURE = "Look at the heights of layers around here in the program that made this"
_AMOUNT_CURE = "Check filament diameter, flow and line width in the program that made this"
SITE_KINDS: dict[str, _Kind] = {
    "on nothing": _Kind(
        FindingLevel.RUIN,
        lambda s: f"{_do(s, 'lies', 'lie')} on nothing, up to {s.value:.1f} mm long and held at no end",
        "Put support beneath, or turn the part",
        "mm",
    ),
    "starts in air": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{_do(s, 'starts', 'start')} in mid-air, {s.amount:.1f} mm past what could carry",
        "Put support beneath, or have them laid from the held end",
        "mm",
    ),
    "ends in air": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{_do(s, 'hangs', 'hang')} free by {s.amount:.1f} mm, held at one end only",
        "Put support beneath",
        "mm",
    ),
    "long bridge": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{_do(s, 'bridges', 'bridge')} {s.value:.1f} mm of air",
        "Lay these strands the short way, or put support beneath",
        "mm",
    ),
    "overhang": _Kind(
        FindingLevel.CAUTION,
        lambda s: f"a layer reaches {s.amount:.2f} mm past the one beneath",
        "Expect a rough underside, or put support beneath",
        "mm",
    ),
    "fan over air": _Kind(
        FindingLevel.CAUTION,
        lambda s: f"{_do(s, 'is', 'are')} laid over air with the fan at {100 * s.value:.0f} %",
        "Turn the fan up over bridges and overhangs",
    ),
    "fast over air": _Kind(
        FindingLevel.CAUTION,
        lambda s: f"{_do(s, 'is', 'are')} laid over air at {s.value:.0f} mm/s",
        "Set a lower speed over air",
        "mm/s",
    ),
    "off the bed": _Kind(
        FindingLevel.RUIN,
        lambda s: f"the first layer is laid {s.value:.2f} mm above the bed and will not stick",
        "Check the height of the first layer and any offset in z",
        "mm",
    ),
    "floats": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{_do(s, 'lies', 'lie')} {s.value:.3g} mm above what is beneath: a layer is missing",
        _HEIGHT_CURE,
        "mm",
    ),
    "fused on top": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{s.amount:.0f} mm of the part's strands lie on the support without a gap: they will fuse",
        "Set an air gap of at least one layer under the part",
        "mm",
    ),
    "fused below": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{s.amount:.0f} mm of support stand on the part without a gap: they will fuse",
        "Set an air gap of at least one layer where supports stand on the part",
        "mm",
    ),
    "stray": _Kind(
        FindingLevel.CAUTION,
        lambda s: f"{s.amount:.0f} mm of strands belong neither to the part nor to a support",
        "See what they are for",
        "mm",
    ),
    "side gap": _Kind(
        FindingLevel.CAUTION,
        lambda s: (
            f"{s.amount:.0f} mm of support run {max(s.value, 0.0):.2f} mm beside the part: they may weld"
        ),
        "Set the sideways clearance between support and part",
        "mm",
    ),
    "starved": _Kind(
        FindingLevel.CAUTION,
        lambda s: f"{s.amount:.0f} mm of strands get too little: {s.value:.2f} mm wide",
        _AMOUNT_CURE,
        "mm",
    ),
    "overfed": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{s.amount:.0f} mm of strands get too much: {s.value:.2f} mm wide",
        _AMOUNT_CURE,
        "mm",
    ),
    "thick layer": _Kind(
        FindingLevel.FAULT,
        lambda s: f"a layer of {s.value:.2f} mm is higher than the nozzle bore: it is not pressed on",
        "Use thinner layers, or say which nozzle is fitted",
        "mm",
    ),
    "laid twice": _Kind(
        FindingLevel.FAULT,
        lambda s: f"{s.amount:.0f} mm of strands are laid a second time over themselves",
        "Look for doubled bodies or doubled lines in this layer",
        "mm",
    ),
    "crossed": _Kind(
        FindingLevel.FAULT,
        lambda s: f"a line runs across {s.value:.0f} other strands of its own layer: they plough through it",
        "Move lines that fill the nozzle, or go around the part, out of the part's place",
        "",
    ),
    "overlap": _Kind(
        FindingLevel.FAULT,
        lambda s: f"walls run through each other along {s.amount:.0f} mm of a layer: two bodies overlap",
        "Move the parts apart on the bed, or join the bodies into one",
        "mm",
    ),
    "blob": _Kind(
        FindingLevel.CAUTION,
        lambda s: f"{s.value:.1f} mm³ are pushed out in one place",
        "Check what is fed after retraction, and any purge inside the print",
        "mm³",
    ),
    "ploughs": _Kind(
        FindingLevel.RUIN,
        lambda s: f"the nozzle ploughs through what is printed along {s.amount:.0f} mm of strands",
        "Check heights, and the order of parts that are printed one after the other",
        "mm",
    ),
    "strikes": _Kind(
        FindingLevel.FAULT,
        lambda s: f"the head travels through what is printed, {s.amount:.0f} mm in all",
        "Lift the head on travels, or change the order of parts",
        "mm",
    ),
}


def _do(site: FindingSite, one: str, many: str) -> str:
    return f"one strand {one}" if site.more == 1 else f"{site.more} strands {many}"


def site_findings(
    sites_by_kind: Mapping[str, Sites], limits: AuditLimits, tops_mm: Floats
) -> Iterable[Finding]:
    """Everything that was met in the layers, place by place."""
    for kind, sites in sites_by_kind.items():
        rule = SITE_KINDS[kind]
        joined = [s for s in sites.joined() if s.layers >= _LEAST_LAYERS.get(kind, 1)]
        for k, site in enumerate(joined[:_MOST_OF_A_KIND]):
            rest = joined[_MOST_OF_A_KIND:] if k == _MOST_OF_A_KIND - 1 else []
            says = rule.says(site)
            if site.layers > 1:
                says += f", through {site.layers} layers"
            if rest:
                says += f" (and at {len(rest)} more places)"
            finding = Finding(
                number=0,
                kind=kind,
                level=rule.level,
                says=says,
                cure=rule.cure,
                count=site.more + sum(s.more for s in rest),
                place=place_of(site, tops_mm),
                found=site.value or site.amount,
                unit=rule.unit,
            )
            if kind == "blob" and site.value > _GREAT_BLOB_MM3:
                finding = replace(finding, level=FindingLevel.FAULT)
            if kind == "starved" and site.value < _HOLLOW * limits.usual.width_mm:
                finding = replace(finding, level=FindingLevel.FAULT)
            if kind in ("starts in air", "ends in air", "long bridge", "overhang"):
                finding = _with_droop(finding, kind, site, limits)
            yield finding


def _with_droop(finding: Finding, kind: str, site: FindingSite, limits: AuditLimits) -> Finding:
    basis = limits.belief.basis("bridge" if kind == "long bridge" else "overhang", limits.process)
    middle, low, high = (float(v) for v in droop_of(kind, site, limits))
    says = f"{finding.says}; expected to sag by {middle:.2f} mm ({low:.2f} to {high:.2f})"
    if kind in ("starts in air", "ends in air") and site.amount <= _SHORT_END_MM:
        finding = replace(finding, level=FindingLevel.CAUTION)
    if kind == "overhang" and site.amount > _LONG_LEDGE_MM:
        finding = replace(finding, level=FindingLevel.FAULT)
    return replace(finding, says=says, droop_mm=Estimate(middle, low, high, basis), found=site.amount)


def reading_findings(found: ProgramSurvey) -> Iterable[Finding]:
    """What the interpreter met that a person should know."""
    reading = found.reading

    def met(kind: int, name: str, level: FindingLevel, says: str, cure: str) -> Iterable[Finding]:
        n = reading.count(kind)
        if n:
            lines = reading.first_lines(kind)
            yield Finding(
                0,
                name,
                level,
                says.replace("{n}", _times(n)).replace("{line}", str(lines[0])),
                cure,
                n,
                lines=lines,
            )

    again = "Make the program again, or copy it again if it came over a wire"
    shown = "; ".join(
        text for line in reading.first_lines(rs274.GARBLED)[:2] if (text := reading.texts.get(line, "")[:50])
    )
    yield from met(
        rs274.GARBLED,
        "garbled",
        FindingLevel.FAULT,
        "{n} without sense; a machine may take it for anything" + (f": {shown}" if shown else ""),
        again,
    )
    yield from met(rs274.CHECKSUM, "checksum", FindingLevel.FAULT, "{n} with a wrong checksum", again)
    yield from met(rs274.JUMP, "line numbers", FindingLevel.CAUTION, "{n} out of order by the number", again)
    yield from met(
        rs274.BAD_ARC,
        "arc",
        FindingLevel.FAULT,
        "{n} with an arc that cannot be: centre, radius and ends do not agree",
        "Make the program again without arcs",
    )
    yield from met(
        rs274.CURVE,
        "curve",
        FindingLevel.NOTE,
        "{n} with a Bézier curve; it was followed as one",
        "See that the machine knows them: many do not",
    )
    yield from met(
        rs274.BAD_CURVE,
        "straight curve",
        FindingLevel.FAULT,
        "{n} with a Bézier curve that lacks control points; it was taken as a straight move",
        "Make the program again without curves",
    )
    yield from met(
        rs274.WILD, "wild", FindingLevel.FAULT, "{n} with a position that no machine can reach", again
    )
    yield from met(rs274.NO_FEED, "no speed", FindingLevel.FAULT, "{n} with a speed of nothing", again)
    yield from met(
        rs274.FEEDLESS,
        "speed unset",
        FindingLevel.FAULT if reading.count(rs274.FEEDLESS) > 0.5 * found.moves else FindingLevel.CAUTION,
        "moves begin in line {line} before any speed was set",
        "Set a speed first: the machine will use whatever it used last",
    )
    yield from met(
        rs274.TOOL_CHANGE,
        "tool change",
        FindingLevel.NOTE,
        "{n} with a change of tool; all were taken as one",
        "Check the heights and offsets of the tools yourself",
    )
    yield from met(
        rs274.EXTREME,
        "command",
        FindingLevel.CAUTION,
        "{n} with a setting that no machine prints with, of pressure or of speed",
        "Look at its figure, or take it out",
    )
    yield from met(
        rs274.PAUSE,
        "pause",
        FindingLevel.NOTE if reading.count(rs274.PAUSE) <= _MANY_PAUSES else FindingLevel.FAULT,
        "{n} at which the machine waits for somebody",
        "Be there, or take them out",
    )
    yield from met(
        rs274.AFTER_END,
        "after the end",
        FindingLevel.CAUTION,
        "{n} behind the program's end; it is not run",
        "See whether something was joined to it by mistake",
    )
    if reading.count(rs274.UNITS) > 1:
        lines = reading.first_lines(rs274.UNITS)
        yield Finding(
            0,
            "units",
            FindingLevel.CAUTION,
            f"the program changes between inches and millimetres {reading.count(rs274.UNITS)} times",
            "Check that nothing was joined together in different units",
            lines=lines,
        )
    if reading.archive is not None:
        name, count = reading.archive
        says = f"the archive holds {count} programs; {name}, the largest, is the one that was looked at"
        yield Finding(0, "archive", FindingLevel.CAUTION, says, "Unpack the one that is to be printed", count)
    texts = reading.count(rs274.TEXT)
    if texts:
        lines = reading.first_lines(rs274.TEXT)
        shown = "; ".join(reading.texts.get(line, "")[:30] for line in lines[:3])
        yield Finding(
            0,
            "the machine's own text commands",
            FindingLevel.NOTE,
            f"{_times(texts)} with the machine's own text commands: {shown}",
            "Know what they do: what they move or heat is not seen here",
            texts,
            lines=lines,
        )


_DRY_IN_ALL_MM, _DRY = 100.0, 0.01  # of the way fed along, that may lie dry amid strands
_WAITS_SHARE = 0.3  # of the whole time
_COOKED_S = 600.0  # common practice, no source: plastic that waits so long in a hot nozzle is spoilt


def _waits(reading: ProgramReading, last_line: int) -> Iterable[Finding]:
    """The head stands still between strands, hot."""
    told = reading.firsts[rs274.LONG_WAIT, : min(reading.count(rs274.LONG_WAIT), rs274.KEPT)]
    waits = [(int(line), float(seconds)) for line, seconds in told if line < last_line]
    if not waits:
        return
    longest = max(seconds for _, seconds in waits)
    level = FindingLevel.FAULT if longest > _COOKED_S else FindingLevel.CAUTION
    says = f"in line {waits[0][0]} the head waits {longest / 60:.0f} min over the print: the plastic cooks"
    cure = "Take the wait out; to pause a print the machine has a word that draws the head aside"
    lines = tuple(line for line, _ in waits)
    yield Finding(
        0, "waits", level, says, cure, len(waits), lines=lines, found=longest, planned=0.0, unit="s"
    )


def _waits_often(found: ProgramSurvey) -> Iterable[Finding]:
    """Short waits that add up."""
    seconds = float(found.reading.state[rs274.DWELL])
    if seconds > _COOKED_S and seconds > _WAITS_SHARE * found.time_s:
        says = f"the head stands still for {seconds / 60:.0f} of {found.time_s / 60:.0f} min"
        cure = "Look at the waits between layers: the plastic cooks and oozes"
        yield Finding(0, "waits", FindingLevel.CAUTION, says, cure, found=seconds, planned=0.0, unit="s")


def program_findings(found: ProgramSurvey, last_line: int) -> Iterable[Finding]:
    """What is wrong with the program as a whole, whatever the part."""
    reading = found.reading
    yield from _waits(reading, last_line)
    yield from _waits_often(found)
    if found.held_back:
        yield Finding(
            0,
            "held back",
            FindingLevel.FAULT,
            f"{found.held_back} strands are laid while the filament is drawn back: they start empty",
            "See that every retraction word is followed by one that feeds it again",
            found.held_back,
            lines=(found.held_line,),
        )
    if found.passed_mm > found.dry_mm > max(_DRY_IN_ALL_MM, _DRY * found.fed_mm):  # else they are travels
        says = f"over {found.dry_mm / 1000:.2g} m of way amid strands no filament is fed: they have gaps"
        cure = "Make the program again: amounts are missing in it"
        yield Finding(0, "starved", FindingLevel.FAULT, says, cure, lines=(found.dry_line,))
    if found.empty_mm > max(_EMPTY_MM, _EMPTY * found.fed_mm):
        share = found.empty_mm / found.fed_mm
        yield Finding(
            0,
            "held back",
            FindingLevel.RUIN,
            f"nothing comes out along {100 * share:.0f} % of the way where filament is fed: "
            "more was drawn back than is fed again",
            "See that what is drawn back before each travel is fed again after it",
            lines=(found.empty_line,),
            found=share,
            planned=0.0,
        )
    if found.far_back >= _OFTEN:
        yield Finding(
            0,
            "retraction",
            FindingLevel.FAULT,
            f"filament is drawn back by up to {found.farthest_back_mm:.0f} mm, {found.far_back} times: "
            "hot plastic comes into the feeder",
            "Set how far filament is drawn back: a few millimetres",
            found.far_back,
            lines=(found.far_back_line,),
            found=found.farthest_back_mm,
            unit="mm",
        )
    homed = [line for line in reading.first_lines(rs274.LATE_HOME) if line < last_line]
    if homed:
        yield Finding(
            0,
            "homes in between",
            FindingLevel.FAULT,
            "the machine looks for its reference point in the middle of the print",
            "Take it out, or see that the head cannot strike the print",
            reading.count(rs274.LATE_HOME),
            lines=tuple(homed),
        )
    if found.low[2] < -1e-3:
        yield Finding(
            0,
            "below the bed",
            FindingLevel.RUIN,
            f"strands are laid at {found.low[2]:.2f} mm, below the bed",
            "Check the offset in z",
            found=float(found.low[2]),
            unit="mm",
        )


def outside_findings(found: ProgramSurvey, bed: Bed) -> Iterable[Finding]:
    """Strands that lie beyond a bed that was named; lines beside the print told apart."""
    low, high = bed.low, bed.high
    for body in found.ground.bodies:
        x0, y0, x1, y1 = body.box_mm
        over = [
            (low[0] - x1 if x1 < low[0] else max(low[0] - x0, x1 - high[0]), "x"),
            (low[1] - y1 if y1 < low[1] else max(low[1] - y0, y1 - high[1]), "y"),
        ]
        by, axis = max(over)
        if by <= plate.SIZE_MM + 0.5:
            continue
        k = "xy".index(axis)
        what = "a line beside the print reaches" if body.flat else "the print reaches"
        level = FindingLevel.CAUTION if body.flat else FindingLevel.RUIN
        span = f"from {body.box_mm[k]:.0f} to {body.box_mm[k + 2]:.0f} mm in {axis}"
        says = f"{what} {span}; the bed goes from {low[k]:.0f} to {high[k]:.0f}"
        cure = "Move it on the bed; check the unit, and bed and origin in the process"
        line = _first_line_over(found, body)
        yield Finding(
            0, "outside", level, says, cure, lines=(line,) if line else (),
            found=body.box_mm[k + 2], planned=float(high[k]), unit="mm",
        )  # fmt: skip
    if bed.height_mm is not None and found.high[2] > bed.height_mm + 0.5:
        says = f"the print is {found.high[2]:.1f} mm high; the machine builds {bed.height_mm:.0f}"
        line = int(found.line[int(np.argmax(found.z_mm > bed.height_mm + 0.5))])
        cure = "Check the unit, and the machine's height in the process"
        yield Finding(
            0, "outside", FindingLevel.RUIN, says, cure, lines=(line,), found=float(found.high[2]), unit="mm"
        )


def _first_line_over(found: ProgramSurvey, body: plate.StrandCluster) -> int:
    """The first sampled line of a body."""
    x0, y0, x1, y1 = body.box_mm
    for rows in found.sample.values():
        inside = (rows[:, cut.BX] >= x0) & (rows[:, cut.BX] <= x1) & (rows[:, cut.BY] >= y0)
        inside &= rows[:, cut.BY] <= y1
        if inside.any():
            return int(rows[np.argmax(inside), cut.LINE])
    return int(found.line[0])


def _times(n: int) -> str:
    return "one line" if n == 1 else f"{n} lines"

"""Heat and motion limits: what no program may ask of a machine, whatever the part."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from falsework.auditing.survey import ProgramSurvey
from falsework.auditing.value import Finding, FindingLevel
from falsework.kernels.bead import machine as rs274
from falsework.process.settings import Printer, Process

_ABOVE_MATERIAL_C = (
    45.0  # common practice, no source: filaments begin to break down so far above their usual heat
)
LEAST_FEED_C = 170.0  # open firmware's documentation, from memory: below it feeding is refused unless allowed
_STILL_HOT_C = 60.0  # what cools by itself


@dataclass(frozen=True)
class HeatLimits:
    """What nozzle and bed may be asked for, and whose limit that is."""

    nozzle_c: float
    nozzle_of: str
    bed_c: float
    bed_of: str


def heat_limits(process: Process, *, given: bool) -> HeatLimits:
    """The machine's limits, general ones where no process was given; the material's where that bears less."""
    printer = process.printer if given else Printer()
    nozzle, whose = printer.nozzle_limit_c, f"{printer.name} bears" if given else "hot ends bear in general"
    if given and process.material.nozzle_temperature_c + _ABOVE_MATERIAL_C < nozzle:
        nozzle = process.material.nozzle_temperature_c + _ABOVE_MATERIAL_C
        whose = f"{process.material.name} bears"
    return HeatLimits(
        nozzle, whose, printer.bed_limit_c, f"{printer.name} bears" if given else "beds bear in general"
    )


def safety_findings(found: ProgramSurvey, limits: HeatLimits) -> Iterable[Finding]:
    """What is dangerous, or fails at once."""
    yield from _too_hot(found, limits)
    yield from _left_on(found)
    yield from _safeguards(found)
    yield from _tools(found)
    yield from _rushed(found)
    if found.cold:
        yield Finding(
            0,
            "cold",
            FindingLevel.RUIN,
            f"{_strands(found.cold)} laid before the nozzle is asked to be hot",
            "Heat the nozzle first",
            found.cold,
            lines=(found.cold_line,),
        )
    if found.unasked and found.hottest_c > 0.0:
        yield Finding(
            0,
            "cold",
            FindingLevel.CAUTION,
            f"{_strands(found.unasked)} laid before the program asks for any heat; it does so only then",
            "See that the nozzle is hot before: by hand, or by the machine's own commands",
            found.unasked,
            lines=(found.unasked_line,),
        )


def _tools(found: ProgramSurvey) -> Iterable[Finding]:
    """Tools that are used and never asked to be hot, while others are."""
    reading, hot = found.reading, int(found.reading.state[rs274.HOT_TOOLS])
    changes = reading.firsts[rs274.TOOL_CHANGE, : min(reading.count(rs274.TOOL_CHANGE), rs274.KEPT)]
    cold = [
        (int(line), int(tool))
        for line, tool in changes
        if 0 <= tool < rs274.TOOLS and not hot >> int(tool) & 1
    ]
    if not hot or not cold:
        return
    line, tool = cold[0]
    says = f"tool {tool} is used from line {line} on, and no heat is ever asked of it: of others only"
    cure = "Ask for its heat; where all tools share one nozzle, see that it is switched off at the end"
    yield Finding(0, "cold", FindingLevel.CAUTION, says, cure, len(cold), lines=tuple(n for n, _ in cold))


def _rushed(found: ProgramSurvey) -> Iterable[Finding]:
    """Strands right after heat was asked for, with nothing that waits for it."""
    reading, line = found.reading, -int(found.reading.state[rs274.RUSHED])
    may_wait = reading.count(rs274.TEXT) or any(u.line < found.line[0] for u in reading.unfollowed())
    if line > 0 and not may_wait:
        says = f"heat is asked for in line {line}, and nothing waits for it: the first strands come out cold"
        cure = "Ask for the heat with a word that waits for it"
        yield Finding(0, "cold", FindingLevel.CAUTION, says, cure, lines=(line,))


def _strands(n: int) -> str:
    return "one strand is" if n == 1 else f"{n} strands are"


def _too_hot(found: ProgramSurvey, limits: HeatLimits) -> Iterable[Finding]:
    state = found.reading.state
    asked = (
        (
            "nozzle too hot",
            "the nozzle",
            rs274.ASKED_MOST,
            rs274.ASKED_LINE,
            limits.nozzle_c,
            limits.nozzle_of,
        ),
        ("bed too hot", "the bed", rs274.BED_MOST, rs274.BED_LINE, limits.bed_c, limits.bed_of),
    )
    for kind, what, most, line, limit, whose in asked:
        if state[most] > limit:
            yield Finding(
                0,
                kind,
                FindingLevel.RUIN,
                f"{what} is asked to be at {state[most]:.0f} °C, more than the {limit:.0f} °C that {whose}: "
                "fumes, fire or a ruined machine",
                "Correct the temperature in the program that made this",
                lines=(int(state[line]),),
                found=float(state[most]),
                planned=limit,
                unit="°C",
            )


def _left_on(found: ProgramSurvey) -> Iterable[Finding]:
    reading = found.reading
    tools = reading.state[rs274.TOOL_HEAT : rs274.TOOL_HEAT + rs274.TOOLS]
    nozzle, bed = float(tools.max()), float(reading.state[rs274.BED])
    hot = [
        f"{name} at {heat:.0f} °C" for name, heat in (("the nozzle", nozzle), ("the bed", bed)) if heat > 0
    ]
    if nozzle > _STILL_HOT_C or bed > 0.0:
        yield Finding(
            0,
            "left hot",
            FindingLevel.RUIN,
            f"the program ends and leaves {' and '.join(hot)}: it may be cut short",
            "See whether the end is missing; switch all heat off at the end",
            lines=(reading.lines,),
            found=max(nozzle, bed),
            planned=0.0,
            unit="°C",
        )


def _safeguards(found: ProgramSurvey) -> Iterable[Finding]:
    reading = found.reading
    allowed = reading.firsts[rs274.COLD_ALLOWED, : min(reading.count(rs274.COLD_ALLOWED), rs274.KEPT)]
    low = [(int(line), float(value)) for line, value in allowed if value < LEAST_FEED_C]
    if low:
        line, least = low[0]
        how = "at any temperature" if least <= 0.0 else f"down to {least:.0f} °C"
        yield Finding(
            0,
            "cold allowed",
            FindingLevel.RUIN,
            f"line {line} lets the machine feed filament {how}: a cold nozzle goes unnoticed",
            "Take the line out",
            len(low),
            lines=tuple(line for line, _ in low),
        )
    if reading.count(rs274.LIMITS_OFF):
        lines = reading.first_lines(rs274.LIMITS_OFF)
        yield Finding(
            0,
            "limits off",
            FindingLevel.RUIN,
            f"line {lines[0]} switches the machine's soft limits off: it may drive against its ends",
            "Take the line out",
            reading.count(rs274.LIMITS_OFF),
            lines=lines,
        )

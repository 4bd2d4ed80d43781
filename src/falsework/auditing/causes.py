"""Wrong figures by their true cause: amounts, heights, size, and what is printed instead of the part."""

from __future__ import annotations

import math
from collections.abc import Iterable

from falsework.auditing.copies import FoundCopies, Instead
from falsework.auditing.flow import Fed, FlowChange
from falsework.auditing.shape import shape_findings
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import Finding, FindingLevel
from falsework.kernels.bead import machine as rs274
from falsework.part.part import Part
from falsework.process.settings import Process

DIAMETERS_MM = (1.75, 2.85, 3.0)  # common practice, no source: filaments that are sold
_UNDER, _OVER = 0.75, 1.35  # shares of what dense lines need, beyond which they do not come out
_FITS = math.log(1.22)  # how near another diameter must come
_OFF_MM, _OFF_SHARE = 0.035, 0.14  # of a first layer that is laid lower or higher than it is fed for
_MISSING_MM = 0.02
_LEAST_FED, _MOST_FED = 0.3, 2.6
_MIDDLE_MM = 0.004
_TALLEST_MM = 2.0  # common practice, no source: large nozzles lay some 1 mm


def fitting_diameter(fed: Fed, diameter_mm: float) -> float | None:
    """The filament that the program's amounts fit, where they do not fit the one it was read with."""
    if fed.share is None or _UNDER <= fed.share <= _OVER:
        return None
    off = {d: abs(math.log(fed.share * (d / diameter_mm) ** 2)) for d in DIAMETERS_MM if d != diameter_mm}
    best = min(off, key=lambda d: off[d])
    return best if off[best] < _FITS else None


def unit_findings(usual: Usual, found: ProgramSurvey) -> Iterable[Finding]:
    """Layers so high that no machine lays them, in inches: these and millimetres are mixed up."""
    in_inches = found.reading.state[rs274.UNIT] != 1.0 or found.reading.count(rs274.UNITS) > 1
    if usual.height_mm > _TALLEST_MM and in_inches:
        says = f"the layers are {usual.height_mm:.1f} mm high: millimetres are taken for inches"
        cure = "Take out the word that sets inches (G20), or make the program again in millimetres"
        yield Finding(0, "unit", FindingLevel.RUIN, says, cure, found=usual.height_mm, unit="mm")


def filament_finding(diameter_mm: float, instead_of_mm: float) -> Finding:
    says = (
        f"the amounts fit filament of {diameter_mm:g} mm, not of {instead_of_mm:g} mm: "
        "it was read as made for that"
    )
    cure = "See that such filament is loaded; else give the filament's diameter in the process"
    return Finding(0, "filament diameter", FindingLevel.CAUTION, says, cure, found=diameter_mm, unit="mm")


def filament_findings(fed: Fed, process: Process) -> Iterable[Finding]:
    """Too much or too little filament all through, told by the room between lines."""
    share = fed.share
    if fed.change is not None:
        yield from _changed(fed.change)
        return
    if share is None or _UNDER <= share <= _OVER:
        return
    other = fitting_diameter(fed, process.printer.filament_diameter_mm)
    why = f"; amounts would fit filament of {other:g} mm" if other is not None else ""
    cure = "Check filament diameter, flow and what E counts (by the move or from the start)"
    if share < 1.0:
        much = "half" if 0.42 < share < 0.58 else f"{100 * share:.0f} %"
        says = f"the strands get {much} of the filament that they need{why}"
        if much == "half":
            says = f"half as much filament as the strands need{why}"
        yield Finding(0, "underfed", FindingLevel.RUIN, says, cure, found=share, planned=1.0)
    else:
        much = "twice" if 1.8 < share < 2.2 else f"{share:.1f} times"
        says = f"{much} as much filament as the strands have room for{why}"
        yield Finding(0, "overfed throughout", FindingLevel.RUIN, says, cure, found=share, planned=1.0)


def _changed(change: FlowChange) -> Iterable[Finding]:
    """Too little or too much from a height on, or up to it."""
    wrong = max(change.beneath, change.above, key=lambda share: abs(math.log(share)))
    if _UNDER <= wrong <= _OVER:
        return
    up = wrong == change.above
    kind, much = ("underfed", "of the filament that they need") if wrong < 1.0 else (
        "overfed throughout", "of the filament that they have room for"
    )  # fmt: skip
    where = f"{'from' if up else 'up to'} height {change.z_mm:.1f} mm{' on' if up else ''}"
    says = f"{where} the strands get {100 * wrong:.0f} % {much}"
    cure = "Look for what changes the flow on the way up; check flow and what E counts"
    line = (change.line,) if up else ()
    yield Finding(0, kind, FindingLevel.RUIN, says, cure, lines=line, found=wrong, planned=1.0)


def height_findings(fed: Fed, found: ProgramSurvey, usual: Usual) -> Iterable[Finding]:
    """A first layer that is laid lower or higher than it is fed for: an offset in z."""
    if fed.first_share is None or fed.share is None:
        return
    if not _LEAST_FED < fed.first_share / fed.share < _MOST_FED:
        return  # that is no height, but lines over each other, or apart
    z = float(found.z_mm[found.first_layer])
    meant = z * fed.first_share / fed.share
    off = z - meant
    if abs(off) < max(_OFF_MM, _OFF_SHARE * z):
        return
    line = int(found.line[found.first_layer])
    if abs(off - usual.height_mm) < _MISSING_MM:
        says = (
            f"the first layer is missing: printing begins at {z:.2f} mm with strands fed for {meant:.2f} mm"
        )
        cure = "Make the program again, from the first layer on"
        yield Finding(
            0, "first layer missing", FindingLevel.RUIN, says, cure, lines=(line,), found=z, unit="mm"
        )
        return
    cure = "Check the offset in z: make the program again without it"
    if off < 0.0:
        middle = abs(z - 0.5 * usual.height_mm) < _MIDDLE_MM and abs(meant - usual.height_mm) < 0.05
        level = FindingLevel.CAUTION if middle else FindingLevel.FAULT
        says = (
            f"the nozzle is driven into the bed: the first layer is fed for {meant:.2f} mm "
            f"and laid at {z:.2f} mm, {-off:.2f} mm too low"
        )
    else:
        level = FindingLevel.CAUTION if off < 0.1 else FindingLevel.FAULT
        says = (
            f"the first layer is fed for {meant:.2f} mm and laid at {z:.2f} mm, {off:.2f} mm too high: "
            "it is hardly pressed on"
        )
    yield Finding(
        0, "z offset", level, says, cure, lines=(line,), found=off, planned=0.0, unit="mm"
    )  # fmt: skip


def part_findings(part: Part, copies: FoundCopies, found: ProgramSurvey, usual: Usual) -> Iterable[Finding]:
    """Whether the part is there at all, as large as it should be, and the right way round."""
    if copies.instead is not None:
        yield _instead(part, copies.instead)
    elif not copies.copies:
        says = f"the program does not print {part.name}: its outlines are nowhere followed by strands"
        cure = "Check that program and part belong together, its size, unit and position"
        yield Finding(0, "other part", FindingLevel.RUIN, says, cure)
    else:
        yield from shape_findings(part.name, copies.copies[0], found, usual)


def _instead(part: Part, instead: Instead) -> Finding:
    cure = "Make the program again from the part as it was given"
    if instead.mirrored:
        return Finding(0, "mirrored", FindingLevel.RUIN, f"{part.name} is printed mirrored", cure)
    if instead.sunk_mm:
        says = f"the lowest {instead.sunk_mm:.2f} mm of {part.name} are missing: it is sunk into the bed"
        return Finding(0, "too low", FindingLevel.RUIN, says, cure, found=-instead.sunk_mm, unit="mm")
    if instead.tall != 1.0:
        way = "too high" if instead.tall > 1.0 else "too low"
        says = f"{part.name} is printed {100 * abs(instead.tall - 1.0):.1f} % {way}, and as wide as it is"
        cure = "Look for what changes the heights of layers: a scale along z, or steps of the machine"
        return Finding(0, "scale", FindingLevel.RUIN, says, cure, found=instead.tall, planned=1.0)
    if instead.scale != 1.0:
        says = f"{part.name} is printed {_times(instead.scale)} as large"
        known = {25.4: "inches taken for millimetres", 1 / 25.4: "millimetres taken for inches"}
        for factor, why in known.items():
            if abs(instead.scale / factor - 1.0) < 0.02:
                says += f": {why}"
        return Finding(0, "scale", FindingLevel.RUIN, says, cure, found=instead.scale, planned=1.0)
    about = [f"by {turn}° about {axis}" for turn, axis in zip(instead.turn_deg, "xy", strict=True) if turn]
    says = f"{part.name} is printed in another position: turned {' and '.join(about)}"
    return Finding(0, "other position", FindingLevel.RUIN, says, cure)


def _times(scale: float) -> str:
    return f"{scale:.3g} times" if scale >= 1.0 else f"{100 * scale:.3g} %"

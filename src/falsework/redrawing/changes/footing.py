"""What keeps slender fins standing while they are printed: ties between them, and wider feet on the bed."""

from __future__ import annotations

import math

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.process.forces import BED_BOND_MPA, LEAST_TOPPLE_SAFETY, NOZZLE_DRAG_N
from falsework.process.settings import Process
from falsework.redrawing.changes.walls import GENTLE_LAYERS, Wall, below, lane, let_down, merged
from falsework.redrawing.site.ceiling import Ceiling
from falsework.redrawing.site.value import PlannedPart

# A free-standing wall of one line sways from this height over thickness on: below the 40 at which supports
# are tied, for nothing but its foot holds this one. From memory.
TIE_SLENDERNESS = 30.0
FOOT_SLENDERNESS = 10.0  # the same for a wider foot
FOOT_WIDTHS = 3.0
FOOT_LAYERS = 2
MOST_FOOT_MM = 8.0
# A tie reaches this far to both sides of a fin, whichever is more; the ties of near fins meet.
TIE_OVERHANG_WIDTHS = 5.0
TIE_HEIGHTS = 8.0  # a share of the fin's height


def inset_mm(ground: PlannedPart) -> float:
    """How far behind a free edge fins stay: what is left beyond them holds, and no outer face is marked."""
    return 0.5 * ground.need.reach_mm


def room_under(ground: PlannedPart, ceiling: Ceiling, behind_mm: float) -> planar.Geometry:
    """Where fins may meet the underside: behind its edges and clear of the walls that stand beside it."""
    clear_mm = ground.process.structure.side_gap_mm
    lower = np.maximum(ceiling.layers - 1 - GENTLE_LAYERS, 0)
    x0, y0, x1, y1 = ceiling.footprint.bounds
    window = planar.box(x0 - 1 - clear_mm, y0 - 1 - clear_mm, x1 + 1 + clear_mm, y1 + 1 + clear_mm)
    beside = offset_mitred(overlay.intersection(ground.stack.regions[lower], window), clear_mm)
    near = overlay.union_all(overlay.intersection(ceiling.regions, beside))
    return overlay.difference(offset_mitred(ceiling.footprint, -behind_mm), near)


def tied(ground: PlannedPart, ceiling: Ceiling, walls: list[Wall]) -> list[Wall]:
    """Cross walls that hold slender fins, from the floor up to a gap beneath the underside."""
    line_mm, stack = ground.process.line_width_mm, ground.stack
    most_mm = TIE_SLENDERNESS * line_mm
    slender = [wall for wall in walls if _height_mm(wall) > most_mm]
    if not slender:
        return []
    clear_mm = ground.process.structure.side_gap_mm
    tops = stack.z_mm[:-1] - max(ground.process.air_gap.realised_mm, 2.0 * ground.process.layer_height_mm)
    room = room_under(ground, ceiling, line_mm)
    under = below(ground, ceiling, line_mm + clear_mm)
    out = []
    for deg in sorted({wall.deg for wall in slender}):
        alike = [wall for wall in slender if wall.deg == deg]
        past = max(TIE_OVERHANG_WIDTHS * line_mm, max(_height_mm(wall) for wall in alike) / TIE_HEIGHTS)
        stretch = merged(np.array([[wall.across_mm - past, wall.across_mm + past] for wall in alike]))
        for x in _places(alike, most_mm):
            # turned by 90° more, what was along is now against the new across
            path = lane(ceiling, room, deg + 90.0, -x, line_mm, 2.0 * line_mm).within(stretch)
            if path.strips and (tie := let_down(under, path, tops, clear_mm)):
                out.append(tie)
    return out


def _places(walls: list[Wall], most_mm: float) -> list[float]:
    """Where ties cross parallel walls, along them: no farther apart, and each wall at least once."""
    ends = np.array([wall.profile.bounds for wall in walls])[:, ::2]
    start, end = float(ends[:, 0].min()), float(ends[:, 1].max())
    count = math.ceil((end - start) / most_mm)
    at = {round(start + (end - start) * (k + 0.5) / count, 6) for k in range(count)}
    for x0, x1 in ends.tolist():
        if not any(x0 < x < x1 for x in at):
            at.add(round(0.5 * (x0 + x1), 6))
    return sorted(at)


def _height_mm(wall: Wall) -> float:
    bounds = planar.bounds(planar.get_parts(wall.profile))
    return float((bounds[:, 3] - bounds[:, 1]).max())


def feet(ground: PlannedPart, walls: list[Wall]) -> planar.Geometry:
    """Where slender walls stand wider on the bed: at least three lines, and so wide that the nozzle's drag at
    the top does not turn them over; clear of the part."""
    process, bed_mm = ground.process, float(ground.stack.z_mm[0])
    line_mm, clear_mm = process.line_width_mm, process.structure.side_gap_mm
    wide = []
    for wall in walls:
        for part in planar.get_parts(wall.profile):
            height, length = part.bounds[3] - part.bounds[1], part.bounds[2] - part.bounds[0]
            if part.bounds[1] > bed_mm + 1e-6 or height < FOOT_SLENDERNESS * line_mm:
                continue
            breadth = max(FOOT_WIDTHS * line_mm, foot_breadth_mm(height, length))
            more = 0.5 * (min(breadth, MOST_FOOT_MM) - line_mm)
            wide += list(offset_mitred(wall.plans(np.array([[part.bounds[0], part.bounds[2]]])), more))
    if not wide:
        return planar.Polygon()
    first = ground.stack.regions[: foot_layers(process)]
    foot = overlay.union_all(wide)
    x0, y0, x1, y1 = foot.bounds
    near = planar.box(x0 - 1, y0 - 1, x1 + 1, y1 + 1)
    part = overlay.union_all(offset_mitred(overlay.intersection(first, near), clear_mm))
    left = overlay.difference(foot, part)
    return offset_mitred(offset_mitred(left, -0.49 * line_mm), 0.49 * line_mm)


def foot_breadth_mm(height_mm: float, length_mm: float) -> float:
    """Breadth of a foot that the nozzle's sideways drag at the top does not turn over.

    Bond as for a rectangle in bending, stress at its edge: σ L b² / 6 against drag times height.
    """
    return math.sqrt(6.0 * LEAST_TOPPLE_SAFETY * NOZZLE_DRAG_N * height_mm / (BED_BOND_MPA * length_mm))


def foot_layers(process: Process) -> int:
    return max(FOOT_LAYERS, process.structure.foot_layers)

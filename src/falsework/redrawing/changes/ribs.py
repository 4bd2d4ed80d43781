"""Ribs: permanent walls that split a flat span into spans that bridge."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats
from falsework.need.underside import UndersideKind
from falsework.process.settings import Process
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, Region
from falsework.redrawing.changes.sparing import wall_touches_spared
from falsework.redrawing.changes.walls import (
    ROUNDING_MM,
    Below,
    Lane,
    Wall,
    below,
    directions,
    lane,
    lengths_along_mm,
    let_down,
    lines_across,
    on_part_mm,
    runs,
    stretches,
    trial,
    turned,
)
from falsework.redrawing.site.ceiling import Ceiling, ceiling_of, free_edges, sections_near
from falsework.redrawing.site.ground import asks
from falsework.redrawing.site.stepped import stepped_hole
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch

SPACINGS = (1.0, 0.7, 0.5, 0.35)  # shares of the clean span, tried as distances
RIB_LINES = 2.0
LEAST_LENGTH_WIDTHS = 2.0
OVERLAP_MM = 0.1  # into the walls at a rib's ends
MARGIN_DEG = 1.0  # brackets recede so much steeper than the limit
TRIED = 16


@dataclass(frozen=True, eq=False)
class _Rib:
    wall: Wall
    from_wall: bool  # a bracket that recedes to the walls beside it, else from the floor up


def ribs(site: UndersideSite, watch: Watch = QUIET) -> Draft | Refusal:
    """Ribs under a flat underside so that every span left bridges, of the least volume among the directions.

    Each stretch of a rib goes down to the nearest solid below or, if that is less, recedes at the limit angle
    to the walls at its ends. One that would shut the way between two walls and a floor always recedes. Where
    the underside bridges cleanly as it is, the draft has no solids and says which way.
    """
    ground, under = site.ground, site.underside
    if under.kind is UndersideKind.HOLDS:
        return _refusal(site, "it prints unaided")
    if under.kind is UndersideKind.BRIDGE and not asks(under, ground.process):
        words = (
            f"bridge along {under.span_direction_deg:.0f}° from x: the span there is {under.span_mm:.1f} mm, "
            f"up to {ground.span_mm:.1f} mm prints cleanly"
        )
        return Draft(ChangeKind.RIBS, under.number, words)
    if under.kind is UndersideKind.ISLAND:
        return _refusal(site, "it starts in mid-air: there is no span to split")
    ceiling = ceiling_of(site)
    if not ceiling.flat:
        return _refusal(site, "it is not flat", "A corbel or a peaked roof suits slopes and arches")
    hole = stepped_hole(ground, ceiling)
    if hole is not None and hole.closed:
        return _refusal(
            site,
            "it is the ceiling of a stepped hole: ribs would be in the way of what goes into it",
            "Crossed steps or a membrane suit such a hole",
        )
    watch.at("placing ribs", 0.1)
    found = _arranged(site, ceiling, watch.part(0.1, 1.0))
    if isinstance(found, Refusal):
        return found
    placed, span_mm = found
    return _draft(site, placed, span_mm)


def _refusal(site: UndersideSite, why: str, cure: str = "") -> Refusal:
    return Refusal(ChangeKind.RIBS, site.underside.number, why, cure)


def _arranged(site: UndersideSite, ceiling: Ceiling, watch: Watch) -> tuple[list[_Rib], float] | Refusal:
    """The least ribs that carry the underside, and the longest span left."""
    ground = site.ground
    line_mm = ground.process.line_width_mm
    thick_mm = RIB_LINES * line_mm
    first = int(ceiling.layers[0]) - 1
    sections = sections_near(ground, first, int(ceiling.layers[-1]), ceiling.footprint)
    free = free_edges(ceiling, sections, first)
    arrangements = []
    for deg in directions(ceiling, site.underside.span_direction_deg + 90.0):
        for share in SPACINGS:
            across = lines_across(ceiling.footprint, free, deg, thick_mm, 0.0, share * ground.span_mm)
            least = _least_mm3(ground, lengths_along_mm(ceiling.footprint, deg, across), ceiling, thick_mm)
            arrangements.append((least, len(across), deg, across))
    arrangements.sort(key=lambda a: (round(a[0], 6), *a[1:]))

    under = below(ground, ceiling, 2.0 * thick_mm + 1.0)
    best: tuple[float, list[_Rib], float] | None = None
    refused = _refusal(site, "no arrangement of ribs makes all of it bridge", "Try fins, a corbel or support")
    for k, (least, _, deg, across) in enumerate(arrangements[:TRIED]):
        watch.at("placing ribs", k / TRIED)
        if best and least > best[0]:
            break
        shortest = LEAST_LENGTH_WIDTHS * line_mm
        paths = [lane(ceiling, ceiling.footprint, deg, y, thick_mm, shortest) for y in across]
        paths = [path for path in paths if path.strips]
        stubs = [path.wall(float(ground.stack.z_mm[first]), ground.stack.middles_mm) for path in paths]
        if not stubs or (span_mm := (tried := trial(site, ceiling, stubs)).span_mm) is None:
            continue
        if not tried.settled or (placed := _built(under, paths)) is None:
            continue
        volume = sum(rib.wall.volume_mm3 for rib in placed)
        if best and volume >= best[0] - 1e-6:
            continue
        if not trial(site, ceiling, [rib.wall for rib in placed]).settled:
            continue  # something below took part of a rib away
        if any(wall_touches_spared(ground, rib.wall) for rib in placed):
            refused = _refusal(
                site,
                "the ribs would touch a face that must stay as it is",
                "Take that face from the faces to keep, or support the underside",
            )
            continue
        best = volume, placed, span_mm
    return (best[1], best[2]) if best else refused


def _least_mm3(ground: PlannedPart, lengths_mm: Floats, ceiling: Ceiling, thick_mm: float) -> float:
    """The least volume of ribs of these lengths: receding to walls at both ends, or down to the bed."""
    height = float(ground.stack.z_mm[ceiling.layers[0]])
    flat = 0.25 * lengths_mm * _drop(ground.process) + ground.process.layer_height_mm
    return float((thick_mm * lengths_mm * np.minimum(flat, height)).sum())


def _drop(process: Process) -> float:
    """How far a bracket's underside falls over a millimetre."""
    return 1.0 / math.tan(math.radians(process.limit_deg - MARGIN_DEG))


def _built(under: Below, paths: list[Lane]) -> list[_Rib] | None:
    """Every stretch of every lane as the cheaper of its two ribs; None if one of them has none."""
    out = []
    for path in paths:
        full = let_down(under, path, under.ground.stack.middles_mm)
        if full is None:
            return None
        for start, end in runs(full.profile).tolist():
            column = overlay.intersection(full.profile, planar.box(start, -1.0, end, full.profile.bounds[3]))
            rib = _cheaper(under, path, column)
            if rib is None:
                return None
            out.append(rib)
    return out


@dataclass(frozen=True)
class _End:
    """One end of a rib: where it ends in a wall, and how far below the underside that wall goes on; 0 where
    there is none."""

    at_mm: float
    held_mm: float


def _cheaper(under: Below, path: Lane, column: planar.Geometry) -> _Rib | None:
    """The lesser of a rib from the floor, which ``column`` is, and one from the walls at its ends."""
    process = under.ground.process
    start, low, end, high = column.bounds
    top_mm = float(under.ground.stack.z_mm[path.strips[0][0]])
    ends = [_end(under, path, x, way, top_mm) for x, way in ((start, -1.0), (end, 1.0))]
    floors = [_lowest(column, x) for x in (start, end)]
    onto = [
        planar.box(one.at_mm, floor, x, high)
        for one, floor, x in zip(ends, floors, (start, end), strict=True)
    ]
    column = overlay.union_all([column, *onto])

    drop = _drop(process)
    brackets = []
    for tip in (0.5 * (start + end), end, start):
        needs = [
            min(abs(tip - x) * drop + process.layer_height_mm, top_mm - floor)
            for x, floor in zip((start, end), floors, strict=True)
        ]
        if all(
            one.held_mm >= need - 1e-6 or tip == x
            for one, need, x in zip(ends, needs, (start, end), strict=True)
        ):
            line = [
                (x, top_mm - process.layer_height_mm - abs(tip - x) * drop)
                for x in sorted({ends[0].at_mm, tip, ends[1].at_mm})
            ]
            above = planar.Polygon([*line, (line[-1][0], high), (line[0][0], high)])
            brackets.append(overlay.intersection(column, above))
    shut = all(one.held_mm >= top_mm - floor - 1e-6 for one, floor in zip(ends, floors, strict=True))
    least_lines = math.ceil(
        (top_mm - low) / (process.structure.wall_slenderness * process.line_width_mm) - 1e-9
    )
    thick_mm = max(RIB_LINES, least_lines) * process.line_width_mm
    bracket = min(brackets, key=lambda shape: float(shape.area), default=None)
    if bracket is not None and (shut or bracket.area * path.thick_mm < column.area * thick_mm):
        return _Rib(Wall(path.deg, path.across_mm, path.thick_mm, bracket), True)
    return None if shut else _Rib(Wall(path.deg, path.across_mm, thick_mm, column), False)


def _lowest(profile: planar.Geometry, along_mm: float) -> float:
    """The lower end of a profile within rounding of a place along it."""
    cut = overlay.intersection(profile, planar.box(along_mm - 1e-3, -1.0, along_mm + 1e-3, profile.bounds[3]))
    return float(cut.bounds[1])


def _end(under: Below, path: Lane, x: float, way: float, top_mm: float) -> _End:
    """What a rib meets beyond its end at ``x``, on the side ``way``."""
    below_it = path.strips[0][0] - 1
    here = np.flatnonzero(under.layers == below_it)
    if not len(here):
        return _End(x, 0.0)
    walls = way * stretches(under.sections[here[0]], path.deg, path.across_mm, path.thick_mm)
    ahead = np.sort(walls, axis=1)
    ahead = ahead[(ahead[:, 0] > way * x - 1e-3) & (ahead[:, 0] < way * x + 2.0 * path.thick_mm)]
    if not len(ahead):
        return _End(x, 0.0)
    face = float(ahead[:, 0].min())
    at = way * (face + OVERLAP_MM)
    side = (0.5 * path.thick_mm - ROUNDING_MM) * np.array([-1.0, 0.0, 1.0])
    spots = [(way * (face + 0.5 * OVERLAP_MM), path.across_mm + y) for y in side]
    spots = planar.get_coordinates(turned(planar.points(spots), path.deg))
    inside = np.ones(len(under.layers), dtype=bool)
    for spot in spots:
        inside &= planar.contains_xy(under.sections, *spot)
    going = {int(layer) for layer in under.layers[inside]}
    lowest = below_it
    while lowest - 1 in going:
        lowest -= 1
    return _End(at, top_mm - float(under.ground.stack.z_mm[lowest]) if below_it in going else 0.0)


def _draft(site: UndersideSite, placed: list[_Rib], span_mm: float) -> Draft:
    ground = site.ground
    count, thick = len(placed), max(rib.wall.thick_mm for rib in placed)
    down = sum(not rib.from_wall for rib in placed)
    how = {
        count: "from what lies below up to the underside",
        0: "receding from it to the walls beside it",
    }.get(down, f"{down} from what lies below, the others receding to the walls beside them")
    deg = placed[0].wall.deg
    words = (
        f"{count} rib{'' if count == 1 else 's'} {thick:g} mm thick, along {deg:.0f}° from x, {how}: what is "
        f"left to bridge is at most {span_mm:.1f} mm"
    )
    notes = [f"Let the strands run across the ribs, along {(deg + 90.0) % 180.0:.0f}° from x."]
    on_part = sum(on_part_mm(rib.wall, float(ground.stack.z_mm[0])) for rib in placed if not rib.from_wall)
    if on_part > 0.0:
        notes.append(f"Over {on_part:.0f} mm of their length they stand on the part.")
    added = tuple(Region(f"rib {k}", rib.wall.solid()) for k, rib in enumerate(placed, 1))
    wall_down = f"{down} wall{'' if down == 1 else 's'} down to what lies below" if down else ""
    return Draft(
        ChangeKind.RIBS, site.underside.number, words, added, notes=tuple(notes), wall_down=wall_down
    )

"""Drawn-in fins: walls one line thick that belong to the drawing and are snapped off after printing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from falsework.layers import planar
from falsework.need.underside import UndersideKind
from falsework.redrawing.body.solids import prism, united
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, Region
from falsework.redrawing.changes.footing import TIE_SLENDERNESS, feet, foot_layers, inset_mm, room_under, tied
from falsework.redrawing.changes.neck import POST_MM, Necked, bent_off_n, necked, snap_force_n
from falsework.redrawing.changes.sparing import wall_touches_spared
from falsework.redrawing.changes.spokes import Spoke, chains_of, spoke_length_mm, spokes
from falsework.redrawing.changes.trellis import MOST_CROSSED, trellis
from falsework.redrawing.changes.walls import (
    Lane,
    StandingWalls,
    Wall,
    below,
    directions,
    lane,
    lengths_along_mm,
    let_down,
    lines_across,
    merged,
    on_part_mm,
    runs,
    trial,
)
from falsework.redrawing.site.ceiling import Ceiling, ceiling_of, free_edges, sections_near
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch
from falsework.wording import figures

# Shares of the clean span tried as distances: bays at oblique and round edges need shorter ones.
SPACINGS = (1.0, 0.7, 0.5, 0.35, 0.25)
# The same for spokes, and the turning between neighbours: strands are straight, the edge is round.
SPOKE_BAYS = ((1.0, 45.0), (0.7, 30.0), (0.5, 20.0), (0.35, 12.0))
LEAST_BAY_WIDTHS = 4.0  # closer fins would be a block
LEAST_LENGTH_WIDTHS = 3.0  # shorter ones are posts that the nozzle knocks over
TRIED = 16  # arrangements of parallel fins judged by the layers, the shortest first
MOST_FINS = 40
MOST_LET_DOWN = 5  # arrangements that carry as seen from above, but may not for what stands below


def fins(site: UndersideSite, watch: Watch = QUIET, most: int = MOST_CROSSED) -> Draft | Refusal:
    """Fins under an underside, ``most`` of them, with feet and ties where they are slender.

    Under a flat one as long in all and as high as little as carries: directions and spacings are tried in the
    order of what they add, and judged by the need's own rules. Under a curved one, or where rows do not do,
    crossed ones.
    """
    ground, under = site.ground, site.underside
    if under.kind is UndersideKind.HOLDS:
        return _refusal(site, "it prints unaided")
    ceiling = ceiling_of(site)
    watch.at("placing fins", 0.1)
    found = _arranged(site, ceiling, watch.part(0.1, 0.8), most)
    if found is None:
        few = f" of up to {most}, more than which cost more than they save," if most < MOST_CROSSED else ""
        return _refusal(site, f"no arrangement{few} carries all of it", "Try a corbel, or support it")
    for wall in found.walls:
        if wall_touches_spared(ground, wall):
            return _refusal(
                site,
                "the fins would touch a face that must stay as it is",
                "Take that face from the faces to keep, or support the underside",
            )
    watch.at("feet and ties", 0.9)
    ties = tied(ground, ceiling, list(found.standing))
    return _draft(site, found, ties, feet(ground, [*found.standing, *ties]))


def _refusal(site: UndersideSite, why: str, cure: str = "") -> Refusal:
    return Refusal(ChangeKind.FINS, site.underside.number, why, cure)


@dataclass(frozen=True)
class _Arrangement:
    """Where fins may stand: parallel lines, or spokes square to the free edges, and their length in all."""

    length_mm: float
    lines: tuple[tuple[float, float], ...] = ()  # direction and place across it
    spokes: tuple[Spoke, ...] = ()


def _arranged(site: UndersideSite, ceiling: Ceiling, watch: Watch, most: int) -> StandingWalls | None:
    """Fins that carry the underside, the shortest in rows or else crossed; None if none do."""
    if ceiling.flat:
        found = _in_rows(site, ceiling, watch.part(0.0, 0.5), min(most, MOST_FINS))
        if found is not None:
            return found
    return trellis(site, ceiling, watch.part(0.5, 1.0), most)


def _in_rows(site: UndersideSite, ceiling: Ceiling, watch: Watch, most: int) -> StandingWalls | None:
    """The shortest parallel fins or spokes under a flat underside."""
    ground = site.ground
    clear_mm = ground.process.structure.side_gap_mm
    stack, first = ground.stack, int(ceiling.layers[0]) - 1
    room = room_under(ground, ceiling, inset_mm(ground))
    under = below(ground, ceiling, clear_mm + ground.process.line_width_mm)
    let = 0
    parallel, square = _arrangements(site, ceiling, most)
    chosen = sorted([*parallel[:TRIED], *square], key=lambda one: round(one.length_mm, 6))
    for k, one in enumerate(chosen):
        watch.at("placing fins", k / len(chosen))
        paths = _lanes(ground, ceiling, room, one)
        stubs = [path.wall(float(stack.z_mm[first]), stack.middles_mm) for path in paths]
        if not stubs or not trial(site, ceiling, stubs).settled:
            continue
        walls = [wall for path in paths if (wall := let_down(under, path, stack.middles_mm, clear_mm))]
        whole = abs(_head_mm(walls) - _head_mm(stubs)) < 1e-6
        if walls and (whole or trial(site, ceiling, walls).settled):
            return StandingWalls(tuple(walls), (), "square to the free edge" if one.spokes else _apart(walls))
        let += 1
        if let == MOST_LET_DOWN:
            break
    return None


def _arrangements(
    site: UndersideSite, ceiling: Ceiling, most: int
) -> tuple[list[_Arrangement], list[_Arrangement]]:
    """Arrangements of ``most`` parallel lines and of spokes, the shortest first of each."""
    ground = site.ground
    line_mm, inset = ground.process.line_width_mm, inset_mm(ground)
    first = int(ceiling.layers[0]) - 1
    sections = sections_near(ground, first, int(ceiling.layers[-1]), ceiling.footprint)
    free = free_edges(ceiling, sections, first)
    parallel: list[_Arrangement] = []
    for deg in directions(ceiling, site.underside.span_direction_deg + 90.0):
        for share in SPACINGS:
            bay_mm = max(share * ground.span_mm, LEAST_BAY_WIDTHS * line_mm)
            across = lines_across(ceiling.footprint, free, deg, line_mm, inset, bay_mm)
            length_mm = float(lengths_along_mm(ceiling.footprint, deg, across).sum())
            one = _Arrangement(length_mm, lines=tuple((deg, y) for y in across))
            if 0 < len(across) <= most and one not in parallel[-1:]:
                parallel.append(one)
    square: list[_Arrangement] = []
    chains = chains_of(free)
    for share, turn_deg in SPOKE_BAYS:
        found = spokes(chains, line_mm, inset, share * ground.span_mm, turn_deg)
        if 0 < len(found) <= MOST_FINS:
            length_mm = sum(spoke_length_mm(spoke, ceiling.footprint, inset) for spoke in found)
            square.append(_Arrangement(length_mm, spokes=tuple(found)))
    return sorted(parallel, key=lambda one: round(one.length_mm, 6)), square


def _lanes(ground: PlannedPart, ceiling: Ceiling, room: planar.Geometry, one: _Arrangement) -> list[Lane]:
    """The lanes of an arrangement; of a spoke only the stretch that begins at its foot."""
    line_mm = ground.process.line_width_mm
    least_mm = LEAST_LENGTH_WIDTHS * line_mm
    paths = [lane(ceiling, room, deg, across, line_mm, least_mm) for deg, across in one.lines]
    for spoke in one.spokes:
        path = lane(ceiling, room, spoke.deg, spoke.across_mm, line_mm, 0.0)
        whole = merged(np.concatenate([np.empty((0, 2)), *(part for _, part in path.strips)]))
        near = (whole[:, 0] < spoke.along_mm + 2.0 * line_mm) & (whole[:, 1] > spoke.along_mm)
        paths.append(path.within(whole[near]))
    return [path for path in paths if path.strips and path.length_mm >= line_mm]


def _head_mm(walls: list[Wall]) -> float:
    """The length of walls as seen from above."""
    return sum(float(np.diff(runs(wall.profile), axis=1).sum()) for wall in walls)


def _apart(walls: list[Wall]) -> str:
    """How far parallel fins are apart, in words."""
    apart = float(np.diff([wall.across_mm for wall in walls]).max(initial=0.0))
    return f"along {walls[0].deg:.0f}° from x" + (f", at most {apart:.1f} mm apart" if len(walls) > 1 else "")


def _draft(site: UndersideSite, placed: StandingWalls, ties: list[Wall], foot: planar.Geometry) -> Draft:
    ground = site.ground
    line_mm, bed_mm = ground.process.line_width_mm, float(ground.stack.z_mm[0])
    top_mm = float(ground.stack.z_mm[min(foot_layers(ground.process), ground.stack.count)])
    crossed = bool(placed.arches)
    necks = [] if crossed else [necked(wall, ground.stack) for wall in placed.walls]
    walls = placed.walls if crossed else [one.wall for one in necks]
    added = (
        [Region("crossed fins", united([wall.solid() for wall in walls]))]
        if crossed
        else _numbered("fin", walls)
    )
    added += _numbered("tie", [tie for tie in ties if _head_mm([tie]) >= line_mm])
    plans = planar.get_parts(foot)
    added += [
        Region(f"foot {k}", prism(plan, bed_mm, top_mm))
        for k, plan in enumerate(plans[~planar.is_empty(plans)], 1)
    ]
    many = len(walls) > 1
    if crossed:
        words = (
            f"{len(walls)} crossed fins one line ({line_mm:g} mm) thick: {len(placed.standing)} stand, "
            f"{len(placed.arches)} are arches that spring from others; their tops touch the underside"
        )
        by_hand = (
            "Break the crossed fins up from their rim with flush cutters and pliers, then trim the seams "
            "with a knife, cutting away from yourself; wear eye protection"
        )
        share = min(1.0, line_mm * _head_mm(walls) / site.underside.area_mm2)
        notes = [
            f"The drawing has no air gap: their tops hold on to {100.0 * share:.0f} % of the underside.",
            *_slot_notes(placed, ground),
        ]
    else:
        words = (
            f"{len(walls)} fin{'s' if many else ''} one line ({line_mm:g} mm) thick, {placed.where}, "
            f"{'touch' if many else 'touches'} the underside along one line"
        )
        by_hand = (
            "Bend each fin to and fro with pliers until it snaps off, then trim the seam with a knife, "
            "cutting away from yourself; wear eye protection"
        )
        notes = [
            "The drawing has no air gap: what holds a fin is one line of contact.",
            *_neck_notes(necks, ground),
        ]
    if ties:
        notes.append(
            f"Cross walls tie the fins: they are more than {TIE_SLENDERNESS:g} times as high as thick."
        )
    mark_mm2 = line_mm * sum(on_part_mm(wall, bed_mm) for wall in [*placed.standing, *ties])
    if mark_mm2 > 0.0:
        notes.append(f"They stand on the part over {mark_mm2:.1f} mm² and leave a mark there.")
    return Draft(
        ChangeKind.FINS,
        site.underside.number,
        words,
        added=tuple(added),
        by_hand=by_hand,
        breaks=len(walls),
        trim_mm=_head_mm(list(walls)),
        notes=tuple(notes),
    )


def _neck_notes(necks: Sequence[Necked], ground: PlannedPart) -> list[str]:
    """What the necks come to; uncalibrated, as no print was made."""
    with_posts = [one for one in necks if one.section_mm2 > 0.0]
    if not with_posts:
        return []
    most = max(with_posts, key=lambda one: snap_force_n(one, ground.process))
    return [
        f"Just beneath its top each fin stands on posts, {figures.area(most.section_mm2)} at most: it snaps "
        f"there when it is pushed at half its height with about "
        f"{figures.force(snap_force_n(most, ground.process))}, by the weld strength of the material, "
        "uncalibrated."
    ]


def _slot_notes(placed: StandingWalls, ground: PlannedPart) -> list[str]:
    """What the slots of crossed fins come to; uncalibrated, as no print was made."""
    necked_ = [(wall, mm2) for wall, mm2 in zip(placed.walls, placed.posts_mm2, strict=False) if mm2]
    if not necked_:
        return []
    line_mm = ground.process.line_width_mm
    heads_mm2 = line_mm * _head_mm([wall for wall, _ in necked_])
    low_mm = min(float(np.ptp(wall.profile.bounds[1::2])) for wall, _ in necked_)
    post_n = bent_off_n(POST_MM * line_mm, line_mm, low_mm, ground.process)
    return [
        f"Just beneath their tops {len(necked_)} of them have a slot a layer high and stand on posts, "
        f"{figures.area(math.fsum(mm2 for _, mm2 in necked_))} of {figures.area(heads_mm2)}: where a fin is "
        f"lowest, a post of {figures.length(POST_MM)} snaps when the fin is pushed at half its height with "
        f"about {figures.force(post_n)}, by the weld strength of the material, uncalibrated."
    ]


def _numbered(name: str, walls: Sequence[Wall]) -> list[Region]:
    return [Region(f"{name} {k}", wall.solid()) for k, wall in enumerate(walls, 1)]

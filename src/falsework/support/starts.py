"""Starts: what begins in mid-air, what carries it, and what stands in a support's way where nothing does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, simplified
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.underside import NeedMap, UndersideKind
from falsework.process.derived import Gap
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.support.heads import PRINTABLE_WIDTHS, heads_of
from falsework.support.scheme import SupportStrands
from falsework.wording.notices import Obstacle

StartPoint = tuple[float, float, float]

CARRIED_SHARE = 0.5  # of a start that must lie over strands: side clearance takes its rim
MOST_LOWER = 2  # layers more than the gap: next to a lower tip the head of that one keeps the support down
_MOST_CORNERS, _STRAY_MM = 500, 0.02  # outlines of more corners may stray by so much
_SEAT_WIDTHS = 1.0  # a strand this many line widths away at most lies beneath it


@dataclass(frozen=True)
class Start:
    """A bit of a layer that starts in mid-air: of which underside, where, and what carries it.

    ``at_mm`` a point on its lower side. ``area_mm2`` of its first layer; ``carried_share`` of it lies over
    the strands of ``piece`` (0: of none) one air gap beneath, or up to ``MOST_LOWER`` layers more.
    ``falls_mm`` to what lies beneath it.
    """

    underside: int
    at_mm: StartPoint
    area_mm2: float
    falls_mm: float
    piece: int
    carried_share: float

    @property
    def carried(self) -> bool:
        return self.piece > 0 and self.carried_share >= CARRIED_SHARE


def starts_of(
    stack: LayerStack, need: NeedMap, strands: SupportStrands, gap: Gap, process: Process
) -> tuple[Start, ...]:
    """Every start of ``need``, from the lowest up, held against the ``strands`` that are built."""
    holds = np.array([u.kind is UndersideKind.HOLDS for u in need.undersides], dtype=bool)
    at = np.flatnonzero(need.region_starts)
    at = at[~holds[need.region_underside[at]]]
    if not len(at):
        return ()
    regions, layer = need.regions[at], need.region_layer[at]
    share, piece = np.zeros(len(at)), np.zeros(len(at), np.int64)
    for lower in range(MOST_LOWER + 1):
        open_ = np.flatnonzero(share < CARRIED_SHARE)
        beneath = layer[open_] - 1 - gap.layers - lower
        found, by = _over(regions[open_], beneath, strands, process)
        better = found > share[open_]
        share[open_[better]], piece[open_[better]] = found[better], by[better]
    points = planar.get_coordinates(planar.point_on_surface(regions))
    z_mm = stack.z_mm[layer]
    falls = z_mm - _floor_mm(stack, points, layer)
    return tuple(
        Start(
            underside=need.undersides[need.region_underside[k]].number,
            at_mm=(float(points[n, 0]), float(points[n, 1]), float(z_mm[n])),
            area_mm2=float(planar.area(regions[n])),
            falls_mm=float(falls[n]),
            piece=int(piece[n]),
            carried_share=min(1.0, float(share[n])),
        )
        for n, k in enumerate(at)
    )


def _over(
    regions: Regions, beneath: Indices, strands: SupportStrands, process: Process
) -> tuple[Floats, Indices]:
    """(n,) share of each region over strands of the layer ``beneath`` it, and the number of their piece (0:
    none lies near enough)."""
    share, piece = np.zeros(len(regions)), np.zeros(len(regions), np.int64)
    width_mm, spacing_mm = process.line_width_mm, process.structure.spacing_mm
    used = np.flatnonzero(np.isin(strands.layer, beneath))
    if not len(used):
        return share, piece
    lines = planar.linestrings(strands.ends_mm[used].reshape(-1, 2, 2))
    tree = planar.STRtree(lines)
    which, line = tree.query(regions, predicate="dwithin", distance=spacing_mm + width_mm)
    right = strands.layer[used[line]] == beneath[which]
    which, line = which[right], line[right]
    order = np.lexsort((line, which))
    which, line = which[order], line[order]
    near = planar.dwithin(regions[which], lines[line], _SEAT_WIDTHS * width_mm)
    some, group = np.unique(which, return_inverse=True)
    if len(some):
        together = planar.geometrycollections(lines[line], indices=group)
        reach_mm = width_mm if process.structure.interface_layers else 0.5 * spacing_mm + width_mm
        over = overlay.intersection(regions[some], overlay.buffer(together, reach_mm, quad_segs=4))
        share[some] = planar.area(over) / np.maximum(planar.area(regions[some]), 1e-12)
        piece[which[near]] = strands.piece[used[line[near]]] + 1
    share[piece == 0] = 0.0
    return share, piece


def _floor_mm(stack: LayerStack, points_mm: Floats, layer: Indices) -> Floats:
    """(n,) z of the part's highest surface beneath each point, 0 where there is only the bed."""
    out = np.zeros(len(layer))
    for n in range(len(layer)):
        below = stack.regions[: layer[n]]
        solid = np.flatnonzero(planar.contains_xy(below, points_mm[n, 0], points_mm[n, 1]))
        if len(solid):
            out[n] = stack.z_mm[solid[-1] + 1]
    return out


def obstacles_of(
    need: NeedMap, standings: Mapping[int, Standing], sections: Regions, z_mm: Floats, process: Process
) -> dict[int, Obstacle]:
    """What stands in the way beneath each of some undersides (by number) that have no support."""
    asked = np.zeros(len(need.undersides), dtype=bool)
    asked[[number - 1 for number in standings]] = True
    heads = heads_of(need, asked, process)
    return {
        number: _obstacle(need, number - 1, standing, heads, sections, z_mm, process)
        for number, standing in standings.items()
    }


def _obstacle(
    need: NeedMap,
    index: int,
    standing: Standing,
    heads: Regions,
    sections: Regions,
    z_mm: Floats,
    process: Process,
) -> Obstacle:
    """Goes down from the widest of an underside's lowest strips until no line of support fits any more."""
    mine = np.flatnonzero(need.region_underside == index)
    layer = int(need.region_layer[mine].min())
    first = mine[need.region_layer[mine] == layer]
    first = first[[int(np.argmax(planar.area(need.regions[first])))]]
    strip = need.regions[first[0]]
    free = overlay.union_all(np.concatenate([need.regions[first], heads[first]]))
    x, y = planar.get_coordinates(planar.point_on_surface(strip))[0].tolist()
    side_mm, radius_mm = process.structure.side_gap_mm, 0.5 * PRINTABLE_WIDTHS * process.line_width_mm
    takes_mm = process.air_gap.realised_mm
    for below in range(layer - 1, -1, -1):
        if not planar.dwithin(sections[below], free, side_mm):
            continue
        here = overlay.intersection(sections[below], overlay.buffer(free, side_mm))
        if here.is_empty:
            continue
        top_mm = float(z_mm[below + 1])
        lands = overlay.intersection(here, free).area > 0.5 * free.area
        if lands and standing is not Standing.BED:
            takes_mm += process.air_gap_below.realised_mm
            return Obstacle("gap", (x, y, top_mm), float(z_mm[layer]) - top_mm, takes_mm)
        free = overlay.difference(free, overlay.buffer(here, side_mm))
        if planar.get_num_coordinates(free) > _MOST_CORNERS:  # each layer would add arcs to those of the last
            free = simplified(areas_only(np.array([free], dtype=object)), _STRAY_MM)[0]
        if overlay.buffer(free, -radius_mm).is_empty:
            place = planar.get_coordinates(planar.point_on_surface(here))[0].tolist()
            return Obstacle("part" if lands else "sides", (place[0], place[1], top_mm))
    return Obstacle("gap", (x, y, 0.0), float(z_mm[layer]), takes_mm)

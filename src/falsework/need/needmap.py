"""``need_map``: from layers to numbered undersides."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from falsework.droop.estimate import estimates
from falsework.droop.laws import Laws
from falsework.layers import planar
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.groups import Groups
from falsework.need.join import join_strips
from falsework.need.measure import Outlines, StripFigures, measure_strips, polygon_edges
from falsework.need.strips import strips_over_air, without_dust
from falsework.need.underside import NeedMap, Underside, UndersideKind
from falsework.watch import QUIET, Watch

# An underside that ends within this many line widths of where it is first anchored prints: the one line that
# goes over the edge is held by its neighbour. Common practice, no source.
HOLDS_WIDTHS = 1.0
# A patch of one or two layers that steps out farther than this many line widths is flat.
FLAT_WIDTHS = 3.0
_ALONG = (0.25, 0.5, 0.75)  # shares of a long edge at which it is measured too


@dataclass(frozen=True, eq=False)
class _Strips:
    """The strips with everything known about each (N,)."""

    polygons: Regions
    layer: Indices
    figures: StripFigures
    island: NDArray[np.bool_]  # touches nothing beneath, nor lies within a line width of it
    free_mm: Floats  # how far it reaches past the layer beneath; an island from its own middle
    xy_mm: Floats  # (N, 2) a point on it
    fall_mm: Floats  # air beneath that point, infinite where it exceeds any droop
    droop_mm: Floats  # left to itself, one strip by itself


def need_map(stack: LayerStack, laws: Laws, watch: Watch = QUIET) -> NeedMap:
    """Everything a process would print over air, judged layer by layer and joined into undersides.

    A layer holds where it reaches no farther past the one beneath than the process can. What reaches
    farther becomes strips, strips of neighbouring layers join into patches, and a patch is

    - *holding* if no point of it is a line width or more away from the section on which it starts (a chamfer
      of a few layers). All holding patches together make one underside: a rough surface has thousands;
    - an *island* if a strip of it touches nothing in the layer beneath, nor lies within a line width of it;
    - else a *bridge* or a *cantilever*, whichever more of its area is (see ``BRIDGE_SHARE``).

    An island droops by its fall; anything else by as much as the worst of its strips.

    Undersides are numbered from 1: islands first, then by risk (droop times area), the holding one last.
    The stack stands on the bed if its lowest boundary is within half a layer of z = 0.
    """
    process, reach = laws.process, laws.process.reach_mm
    stack = without_dust(stack, process.line_width_mm)
    on_bed = stack.count > 0 and abs(stack.z_mm[0]) < 0.5 * float(stack.heights_mm[0])
    polygons, layer = strips_over_air(
        stack.regions, reach, process.line_width_mm, on_bed, watch.part(0.0, 0.6)
    )
    return need_of(stack, polygons, layer, laws, watch.part(0.6, 1.0))


def need_of(
    stack: LayerStack,
    polygons: Regions,
    layer: Indices,
    laws: Laws,
    watch: Watch = QUIET,
) -> NeedMap:
    """The same from strips that are known: (N,) polygons over air and their layers, ascending.

    Strips may be left out if all that join with them are left out too.
    """
    process, reach = laws.process, laws.process.reach_mm
    if len(polygons) == 0:
        none = np.empty(0, np.int64)
        return NeedMap(reach, process.limit_deg, (), polygons, none, none.copy(), none.astype(bool))
    watch.at("measuring undersides", 0.0)
    outlines = Outlines(stack)
    figures = measure_strips(polygons, layer, outlines, process.line_width_mm)
    strips = _strips(stack, polygons, layer, figures, outlines, laws)
    watch.at("joining undersides", 0.5)
    edges, first = polygon_edges(polygons)
    patches = Groups(*join_strips(edges, first, layer, reach))
    watch.at("predicting sag", 0.75)
    reached = _reached_mm(strips, edges, first, patches, outlines, process.line_width_mm)
    holds = reached < HOLDS_WIDTHS * process.line_width_mm
    # holding patches share the last group
    group_of_patch = np.where(holds, int((~holds).sum()), np.cumsum(~holds) - 1)
    groups = Groups(group_of_patch[patches.owner], int(group_of_patch.max()) + 1)
    extent = Groups(group_of_patch, groups.count).most(reached, 0.0)
    holding = groups.count - 1 if holds.any() else -1
    undersides, place = _undersides(stack, strips, groups, extent, holding, laws)
    return NeedMap(reach, process.limit_deg, undersides, polygons, layer, place[groups.owner], strips.island)


def with_support(need: NeedMap, laws: Laws) -> NeedMap:
    """The same need with the droop that the supports of the process would leave.

    The need itself does not depend on how supports are built, so a changed air gap costs no new measuring.
    """
    supported = laws.supported_droops([u.droop_mm for u in need.undersides], laws.process.air_gap.realised_mm)
    undersides = tuple(
        replace(u, supported_droop_mm=droop) for u, droop in zip(need.undersides, supported, strict=True)
    )
    return replace(need, undersides=undersides)


def _strips(
    stack: LayerStack,
    polygons: Regions,
    layer: Indices,
    figures: StripFigures,
    outlines: Outlines,
    laws: Laws,
) -> _Strips:
    width, box = laws.process.line_width_mm, planar.bounds(polygons)
    island = (figures.anchored <= 0) & (figures.depth >= HOLDS_WIDTHS * width)
    own_half = 0.5 * np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
    free = np.where(island, own_half, figures.depth)

    by_reach = _tabled(laws.overhang_droops, free, width)
    by_span = _tabled(laws.bridge_droops, figures.span, width)
    droop, high = np.where(figures.bridge, by_span, by_reach)

    # the floor matters only where it is near enough to stop the droop
    down = np.ceil(high / float(stack.heights_mm.min())).astype(np.int64) + 1
    lowest = np.where(island, 0, np.maximum(layer - down, 0))
    xy = planar.get_coordinates(planar.point_on_surface(polygons))
    floor = outlines.beneath(xy, layer, lowest)
    floor_z = np.where(floor < 0, 0.0, stack.z_mm[floor + 1])
    fall = np.where((floor < lowest) & (lowest > 0), np.inf, stack.z_mm[layer] - floor_z)
    return _Strips(polygons, layer, figures, island, free, xy, fall, np.minimum(droop, fall))


def _tabled(law: Callable[[Floats], Floats], lengths_mm: Floats, line_width_mm: float) -> Floats:
    """(2, n) value and high end of a droop law at many lengths, to 2e-3: power laws between 128 of them."""
    if not (lengths_mm > 0).any():
        return np.zeros((2, len(lengths_mm)))
    longest = max(float(lengths_mm.max()), line_width_mm)
    table = np.geomspace(1e-3 * line_width_mm, longest, 128)
    value, _, high = law(table)
    at = np.log(np.maximum(lengths_mm, table[0]))
    ends = [np.exp(np.interp(at, np.log(table), np.log(np.maximum(end, 1e-12)))) for end in (value, high)]
    return np.where(lengths_mm > 0, np.array(ends), 0.0)


def _droops(strips: _Strips, at: Indices, laws: Laws) -> Floats:
    """(3, n) droop of some strips left to themselves: between its anchors where one has two, else past its
    edge."""
    bridge, free = strips.figures.bridge[at], strips.free_mm[at]
    out = np.zeros((3, len(at)))
    out[:, bridge] = laws.bridge_droops(strips.figures.span[at[bridge]])
    ledge = ~bridge & (free > 0)
    out[:, ledge] = laws.overhang_droops(free[ledge])
    return np.minimum(out, strips.fall_mm[at])


def _reached_mm(
    strips: _Strips, edges: Floats, first: Indices, patches: Groups, outlines: Outlines, line_width_mm: float
) -> Floats:
    """(patches,) how far each patch gets from the section on which it starts; infinite on nothing.

    Measured at the corners and, as those of a slope between two walls lie on these, along the edges.
    """
    start = patches.least(strips.layer, np.iinfo(np.int64).max)
    patch = np.repeat(patches.owner, np.diff(first))
    low, high = edges[:, :2], edges[:, 2:]
    far_apart = np.hypot(*(high - low).T) > 2.0 * HOLDS_WIDTHS * line_width_mm
    points = [low, *((1.0 - t) * low[far_apart] + t * high[far_apart] for t in _ALONG)]
    of_point = np.concatenate([patch, *[patch[far_apart]] * len(_ALONG)])
    away = outlines.farthest_mm(
        np.ascontiguousarray(np.concatenate(points)), start[of_point] - 1, of_point, patches.count
    )
    # a flat patch between two anchors lies on the section all along: there the depth tells
    depth = np.where(strips.figures.anchored > 0, strips.figures.depth, 0.0)
    return np.maximum(away, patches.most(depth, 0.0))


def _undersides(
    stack: LayerStack,
    strips: _Strips,
    groups: Groups,
    extent_mm: Floats,
    holding: int,
    laws: Laws,
) -> tuple[tuple[Underside, ...], Indices]:
    """One underside per group, numbered from the worst, and the place of each group among them; group
    ``holding`` (−1: none) is the one that holds."""
    figures, layer = strips.figures, strips.layer
    area = groups.total(figures.area)
    carried = figures.area * figures.bridge
    bridges = groups.total(carried) > 0.5 * area
    holds = np.arange(groups.count) == holding
    islands = groups.any(strips.island) & ~holds
    low, high = groups.least(layer, stack.count), groups.most(layer, 0)
    farthest = groups.most(strips.free_mm, 0.0)
    share = groups.total(figures.area * figures.share) / area
    risk = groups.total(figures.area * strips.droop_mm)
    rise = np.diff(stack.middles_mm, prepend=stack.z_mm[0])[layer]
    slope = np.degrees(np.arctan2(np.where(strips.island, strips.free_mm, figures.step), rise))
    angle = groups.total(figures.area * slope) / area
    angle[(high - low < 2) & (farthest > FLAT_WIDTHS * laws.process.line_width_mm)] = 90.0
    box = planar.bounds(strips.polygons)
    across = np.hypot(
        groups.most(box[:, 2], -np.inf) - groups.least(box[:, 0], np.inf),
        groups.most(box[:, 3], -np.inf) - groups.least(box[:, 1], np.inf),
    )
    extent = np.minimum(extent_mm, across)
    label = groups.first_by(-figures.area)
    widest = groups.first_by(-figures.span * figures.bridge)
    worst = groups.first_by(-strips.droop_mm)
    tip = groups.first_by(np.where(strips.island, layer, np.inf))
    droops = _droops(strips, worst, laws)
    droops[:, islands] = laws.island_droops(strips.fall_mm[tip[islands]])
    risk[islands] = droops[0, islands] * area[islands]
    bases = np.where(
        figures.bridge[worst] & ~islands,
        laws.basis("bridge"),
        laws.basis("overhang"),
    )
    droop = estimates(droops, bases.tolist())
    supported = laws.supported_droops(droop, laws.process.air_gap.realised_mm)

    kinds = (UndersideKind.HOLDS, UndersideKind.ISLAND, UndersideKind.BRIDGE, UndersideKind.CANTILEVER)
    kind = np.select([holds, islands, bridges], [0, 1, 2], default=3)
    span, direction = (
        np.where(kind == 2, figure[widest], 0.0) for figure in (figures.span, figures.direction)
    )
    center = np.column_stack([strips.xy_mm[label], stack.z_mm[layer[label]]])
    order = np.lexsort((-risk, ~islands, holds))
    place = np.empty(groups.count, np.int64)
    place[order] = np.arange(groups.count)
    undersides = tuple(
        Underside(
            number=number,
            kind=kinds[kind[g]],
            area_mm2=float(area[g]),
            layers=(int(low[g]), int(high[g])),
            angle_deg=float(angle[g]),
            span_mm=float(span[g]),
            span_direction_deg=float(direction[g]),
            free_length_mm=float(farthest[g]),
            extent_mm=float(extent[g]),
            bridge_share=float(share[g]),
            height_mm=float(stack.z_mm[low[g]]),
            center_mm=(float(center[g, 0]), float(center[g, 1]), float(center[g, 2])),
            droop_mm=droop[g],
            supported_droop_mm=supported[g],
            risk=float(risk[g]),
        )
        for number, g in enumerate(order.tolist(), start=1)
    )
    return undersides, place

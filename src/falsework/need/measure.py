"""Figures of each strip over air: how far it reaches, on what it is anchored, whether two sides carry it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.outline.chords import best_bridges, depth_inside
from falsework.kernels.outline.distance import (
    distance_to_layer,
    edges_beneath,
    farthest_from_layer,
    layer_beneath,
    run_boxes,
    seated,
)
from falsework.layers import planar
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.groups import Groups

# An edge whose middle is this near to the outline beneath lies on it (sections are exact to 1e-4 mm).
SAME_MM = 2e-4
# Strips less deep than this, in line widths, are not tried as bridges: a line and a half between two sides.
BRIDGE_DEPTH_WIDTHS = 0.75
# Two anchored sides must carry this share of a strip's area, all in one direction, for it to be a bridge;
# strands within a line width of carried ones count as carried.
BRIDGE_SHARE = 0.9
# Material this deep behind an edge, in line widths, is a seat; a knife edge anchors nothing.
SEAT_WIDTHS = 0.45


class Outlines:
    """The stack's outlines, boxed for quick questions about distance and inside."""

    def __init__(self, stack: LayerStack) -> None:
        following = np.arange(1, len(stack.points_mm) + 1)
        following[stack.ring_start[1:] - 1] = stack.ring_start[:-1]
        self.edges = np.ascontiguousarray(np.hstack([stack.points_mm, stack.points_mm[following]]))
        self.layer_edge = np.ascontiguousarray(stack.ring_start[stack.layer_start], dtype=np.int64)
        self.boxes, self.layer_box = run_boxes(self.edges, self.layer_edge)
        self.wide, self.layer_wide = run_boxes(self.boxes, self.layer_box)

    @property
    def arrays(self) -> tuple[Floats, Indices, Floats, Indices, Floats, Indices]:
        """The arrays in the order in which the kernels of ``beneath`` take them."""
        return self.edges, self.layer_edge, self.boxes, self.layer_box, self.wide, self.layer_wide

    def distance_mm(self, points_mm: Floats, layer: Indices) -> Floats:
        """(n,) distance from (n, 2) points to the sections of ``layer``: 0 inside, infinite if empty."""
        found: Floats = distance_to_layer(points_mm, layer, *self.arrays)
        return found

    def farthest_mm(self, points_mm: Floats, layer: Indices, owner: Indices, count: int) -> Floats:
        """(count,) the same of the farthest point of each owner; ``owner`` (n,) says whose a point is."""
        found: Floats = farthest_from_layer(points_mm, layer, owner, count, *self.arrays)
        return found

    def beneath(self, points_mm: Floats, layer: Indices, lowest: Indices) -> Indices:
        """(n,) highest layer below ``layer``, down to ``lowest``, that holds the point; else lowest − 1."""
        found: Indices = layer_beneath(points_mm, layer, lowest, *self.arrays)
        return found


@dataclass(frozen=True, eq=False)
class StripFigures:
    """One value per strip (N,). Lengths mm.

    ``anchored``: length of outline on the section beneath. ``depth``: farthest it reaches from the section
    beneath (infinite where that is empty). ``step``: reach of the middling free edge, which is the step of a
    slope. ``share``, ``span``, ``direction``: see ``best_bridges``; 0 where the strip is too shallow to ask.
    """

    area: Floats
    anchored: Floats
    depth: Floats
    step: Floats
    share: Floats
    span: Floats
    direction: Floats

    @property
    def bridge(self) -> NDArray[np.bool_]:
        return self.share >= BRIDGE_SHARE


def polygon_edges(polygons: Regions) -> tuple[Floats, Indices]:
    """(E, 4) edges of polygons, rings in order, and (N + 1,) first edge of each polygon."""
    if len(polygons) == 0:
        return np.empty((0, 4)), np.zeros(1, np.int64)
    _, points, (rings, owners) = planar.to_ragged_array(polygons)
    last = np.zeros(len(points), bool)
    last[rings[1:] - 1] = True
    edges = np.hstack([points[:-1], points[1:]])[~last[:-1]]
    return np.ascontiguousarray(edges), (rings[owners] - owners).astype(np.int64)


def measure_strips(strips: Regions, layer: Indices, outlines: Outlines, line_width_mm: float) -> StripFigures:
    """Measure every strip against the section beneath it."""
    edges, first = polygon_edges(strips)
    count = len(strips)
    owner = np.repeat(np.arange(count), np.diff(first))
    edge_layer = layer[owner]
    middle, start, length = edges_beneath(edges, edge_layer, SAME_MM, *outlines.arrays)
    on_outline = middle <= SAME_MM
    by_strip = Groups(owner, count)
    inside = depth_inside(edges, first, layer, line_width_mm, *outlines.arrays)
    depth = np.maximum(by_strip.most(start, 0.0), inside)
    step = by_strip.median(middle, np.where(on_outline, 0.0, length))
    anchored = by_strip.total(np.where(on_outline, length, 0.0))

    share, span, direction = np.zeros(count), np.zeros(count), np.zeros(count)
    deep = (depth > BRIDGE_DEPTH_WIDTHS * line_width_mm) & (anchored > 0)
    if deep.any():
        mine = deep[owner]
        seat = mine & on_outline
        seat[seat] = seated(edges[seat], edge_layer[seat], SEAT_WIDTHS * line_width_mm, *outlines.arrays)
        starts = np.concatenate([[0], np.cumsum(np.diff(first)[deep])]).astype(np.int64)
        share[deep], span[deep], direction[deep] = best_bridges(
            edges[mine], starts, seat[mine], line_width_mm, BRIDGE_SHARE
        )
    return StripFigures(
        area=planar.area(strips),
        anchored=anchored,
        depth=depth,
        step=np.where(np.isnan(step), depth, step),
        share=share,
        span=span,
        direction=direction,
    )

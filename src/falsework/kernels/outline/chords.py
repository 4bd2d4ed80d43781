"""Straight chords across polygons: how deep a polygon is, and which way two anchored sides carry it."""

from __future__ import annotations

import numpy as np

from falsework.kernels.compiled import inner, kernel
from falsework.kernels.outline.distance import to_outline


@inner
def _crossings(outline, first, end, ux, uy, spacing, fewest, most, at, edge, crossed, line_start):
    """Where parallel scan lines along the unit vector (ux, uy) cross the edges first..end.

    Fills ``at`` (positions along the line, sorted per line), ``edge`` (the edge crossed), both of which must
    hold ``most`` per edge, and ``line_start``; ``crossed`` must hold two per edge. Returns the number of
    lines, their pitch and the first line's offset across; 0 lines for a polygon without width.
    """
    low, high = np.inf, -np.inf
    for e in range(first, end):
        v = outline[e, 1] * ux - outline[e, 0] * uy
        low, high = min(low, v), max(high, v)
    lines = int(min(max(np.ceil((high - low) / spacing), fewest), most))
    pitch = (high - low) / lines
    if not pitch > 0.0:
        return 0, 0.0, 0.0
    line_start[: lines + 1] = 0
    for e in range(first, end):
        # a half-open range of lines: a corner on a line belongs to the side above
        v0 = (outline[e, 1] * ux - outline[e, 0] * uy - low) / pitch - 0.5
        v1 = (outline[e, 3] * ux - outline[e, 2] * uy - low) / pitch - 0.5
        k0 = int(min(max(np.ceil(min(v0, v1)), 0.0), lines))
        k1 = int(min(max(np.ceil(max(v0, v1)), 0.0), lines))
        crossed[e - first, 0], crossed[e - first, 1] = k0, k1
        for k in range(k0, k1):
            line_start[k + 1] += 1
    for k in range(lines):
        line_start[k + 1] += line_start[k]
    for e in range(first, end):
        k0, k1 = crossed[e - first, 0], crossed[e - first, 1]
        if k0 == k1:
            continue
        v0 = outline[e, 1] * ux - outline[e, 0] * uy
        v1 = outline[e, 3] * ux - outline[e, 2] * uy
        u0 = outline[e, 0] * ux + outline[e, 1] * uy
        u1 = outline[e, 2] * ux + outline[e, 3] * uy
        for k in range(k0, k1):
            v = low + (k + 0.5) * pitch
            c = line_start[k]
            at[c] = u0 + (v - v0) / (v1 - v0) * (u1 - u0)
            edge[c] = e
            line_start[k] = c + 1
    for k in range(lines, 0, -1):  # the starts were moved to the ends: move them back
        line_start[k] = line_start[k - 1]
    line_start[0] = 0
    for k in range(lines):  # few crossings on a line: insertion
        for i in range(line_start[k] + 1, line_start[k + 1]):
            a, o = at[i], edge[i]
            j = i
            while j > line_start[k] and at[j - 1] > a:
                at[j], edge[j] = at[j - 1], edge[j - 1]
                j -= 1
            at[j], edge[j] = a, o
    return lines, pitch, low + 0.5 * pitch


@inner
def _most_edges(polygon_edge):
    """Edges of the polygon that has most."""
    most = 0
    for p in range(polygon_edge.shape[0] - 1):
        most = max(most, polygon_edge[p + 1] - polygon_edge[p])
    return most


@kernel
def depth_inside(
    outline, polygon_edge, polygon_layer, spacing, edges, layer_edge, boxes, layer_box, wide, layer_wide
):
    """(N,) greatest distance from the middles of level and upright chords of a polygon to the layer beneath.

    Polygons are runs ``polygon_edge`` (N + 1,) of ``outline`` (E, 4). Chords are about ``spacing`` apart,
    96 a direction at most. A lower bound of the greatest distance, exact on strips of even width that two
    sides anchor; with the corners' distances it covers one-sided ledges. O(edges + chords) per polygon.
    """
    n = polygon_edge.shape[0] - 1
    out = np.zeros(n)
    near = -1
    most = _most_edges(polygon_edge)
    at, edge = np.empty(96 * most), np.empty(96 * most, np.int64)
    crossed, line_start = np.empty((most, 2), np.int64), np.empty(98, np.int64)
    for p in range(n):
        first, end, l = polygon_edge[p], polygon_edge[p + 1], polygon_layer[p] - 1
        for upright in range(2):
            ux, uy = (0.0, 1.0) if upright else (1.0, 0.0)
            lines, pitch, v = _crossings(
                outline, first, end, ux, uy, spacing, 2, 96, at, edge, crossed, line_start
            )
            for k in range(lines):
                for c in range(line_start[k], line_start[k + 1] - 1, 2):
                    u = 0.5 * (at[c] + at[c + 1])
                    w = v + k * pitch
                    x, y = ux * u - uy * w, uy * u + ux * w
                    d, near = to_outline(x, y, l, near, edges, layer_edge, boxes, layer_box, wide, layer_wide)
                    if out[p] < d < np.inf:
                        out[p] = d
    return out


@inner
def _carried(outline, anchored, first, end, degrees, spacing, below, at, edge, held, crossed, line_start):
    """Share of the area on carried chords along ``degrees``, and the longest chord anchored at both ends.

    A chord is carried if both its ends are anchored, or if it lies beside such a chord, no more than
    ``spacing`` away and reaching no more than that past its ends: the belly of a round bar. Where a chord
    anchored at both ends is not shorter than ``below`` the share does not matter, and is 0.
    """
    angle = np.deg2rad(degrees)
    ux, uy = np.cos(angle), np.sin(angle)
    lines, pitch, _ = _crossings(outline, first, end, ux, uy, spacing, 24, 64, at, edge, crossed, line_start)
    if lines == 0:
        return 0.0, 0.0
    total, carried, longest = 0.0, 0.0, 0.0
    for k in range(lines):
        for c in range(line_start[k], line_start[k + 1] - 1, 2):
            chord = at[c + 1] - at[c]
            total += chord
            held[c] = anchored[edge[c]] and anchored[edge[c + 1]]
            if held[c]:
                carried += chord
                longest = max(longest, chord)
                if longest >= below:
                    return 0.0, longest
    if longest <= 0.0:
        return 0.0, 0.0
    beside = int(spacing / pitch)
    for k in range(lines):
        for c in range(line_start[k], line_start[k + 1] - 1, 2):
            if held[c]:
                continue
            found = False
            for j in range(max(0, k - beside), min(lines, k + beside + 1)):
                for o in range(line_start[j], line_start[j + 1] - 1, 2):
                    if held[o] and at[o] - spacing <= at[c] and at[c + 1] <= at[o + 1] + spacing:
                        found = True
                        break
                if found:
                    carried += at[c + 1] - at[c]
                    break
    return carried / total, longest


@kernel
def best_bridges(outline, polygon_edge, anchored, spacing, least_share):
    """The direction in which two anchored sides carry each polygon over the least span.

    ``outline`` (E, 4) edges, polygons as runs ``polygon_edge`` (N + 1,), ``anchored`` (E,) edges on which a
    strand can end; chords ``spacing`` apart, 24 to 64 a direction. Among directions 0..175° in steps of 5°
    whose carried chords cover ``least_share`` of the area, the one with the least longest chord, refined
    by halving to 0.01°; where none does, the direction that covers most.
    Returns (N,) share, (N,) longest chord, (N,) direction in degrees. O(36·(edges + chords)) per polygon.
    """
    n = polygon_edge.shape[0] - 1
    share, span, direction = np.zeros(n), np.zeros(n), np.zeros(n)
    most = _most_edges(polygon_edge)
    at, edge, held = np.empty(64 * most), np.empty(64 * most, np.int64), np.empty(64 * most, np.bool_)
    crossed, line_start = np.empty((most, 2), np.int64), np.empty(66, np.int64)
    for p in range(n):
        first, end = polygon_edge[p], polygon_edge[p + 1]
        any_anchor = False
        for e in range(first, end):
            any_anchor = any_anchor or anchored[e]
        if not any_anchor:
            continue
        found = False
        for k in range(36):
            below = span[p] if found else np.inf
            s, longest = _carried(
                outline, anchored, first, end, 5.0 * k, spacing, below, at, edge, held, crossed, line_start
            )
            if s >= least_share and (not found or longest < span[p]):
                found, share[p], span[p], direction[p] = True, s, longest, 5.0 * k
            elif not found and s > share[p]:
                share[p], span[p], direction[p] = s, longest, 5.0 * k
        step = 2.5
        while found and step > 0.01:
            here = direction[p]
            for side in range(2):
                degrees = here + step * (1 - 2 * side)
                s, longest = _carried(
                    outline,
                    anchored,
                    first,
                    end,
                    degrees,
                    spacing,
                    span[p],
                    at,
                    edge,
                    held,
                    crossed,
                    line_start,
                )
                if s >= least_share and longest < span[p]:
                    share[p], span[p], direction[p] = s, longest, degrees
            step *= 0.5
        direction[p] = direction[p] % 180.0
    return share, span, direction

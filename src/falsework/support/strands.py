"""From cells to straight strands: body lines, ties, closed lines, dense cap, sole and foot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.outline.strips import arched_spans, carried_spans, fit_strips, subtract_spans
from falsework.layers import overlay, planar
from falsework.layers.polygons import (
    EMPTY,
    areas_only,
    digests_of,
    intersect,
    offset_mitred,
    rings_of,
    simplified,
    unite,
)
from falsework.layers.stack import Floats, Indices, Regions
from falsework.request.store import Store
from falsework.support.cells import Bands, Cells, Dense, renumbered
from falsework.support.scheme import Role, SupportStrands

_BRIDGE_LINES = 2.0  # how far a line may run free between two carriers, in spacings
_CHORD = 3  # layers of a wall above its arches
_ARCH_SHARE = 0.9  # of what holds by itself, by which an arch closes in a layer
_LEG_WIDTHS = 9.0  # least length along its line of what hangs on no closed line, in line widths
_BITE = 0.25  # how far a line reaches into the closed line around it, in line widths


def turned(points: Floats, angle_deg: float) -> Floats:
    """(u, v) of points: along and across lines of that direction."""
    angle = np.radians(angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    out: Floats = np.ascontiguousarray(points @ np.array([[c, -s], [s, c]]))
    return out


def turned_back(uv: Floats, angle_deg: float) -> Floats:
    """Inverse of :func:`turned`."""
    return turned(uv, -angle_deg)


def _strips(
    polygons: Regions, angle_deg: float, spacing_mm: float, phase: Floats, half: Floats
) -> tuple[Indices, Indices, Floats]:
    """``fit_strips`` of polygons: polygon, line number and (N, 2) from, to."""
    points, ring_start, cell_start = rings_of(polygons)
    found = fit_strips(turned(points, angle_deg), ring_start, cell_start, float(spacing_mm), phase, half)
    return found[:, 0].astype(np.int64), found[:, 1].astype(np.int64), found[:, 2:]


@dataclass(frozen=True, eq=False)
class Walls:
    """Plates one line width thick, layer by layer: spans along parallel lines.

    ``angle_deg`` of the lines; ``offset_mm`` (N,) where each line lies across; ``span_mm`` (N, 2) along it,
    bead ends included; ``layer``, ``piece`` (N,); ``line`` (N,) one number for each line of each piece;
    sorted by ``key`` = line * stride + layer, then along the line.
    """

    angle_deg: float
    spacing_mm: float
    role: Role
    offset_mm: Floats
    span_mm: Floats
    layer: Indices
    piece: Indices
    line: Indices
    key: Indices

    def only(self, kept: NDArray[np.bool_]) -> Walls:
        """Those of the pieces kept, (pieces,), which are numbered anew in their order."""
        mine = kept[self.piece]
        return replace(
            self,
            offset_mm=self.offset_mm[mine],
            span_mm=self.span_mm[mine],
            layer=self.layer[mine],
            piece=renumbered(self.piece[mine], kept),
            line=self.line[mine],
            key=self.key[mine],
        )


@dataclass(frozen=True, eq=False)
class Lines:
    """Parallel lines on which walls stand: ``phase_mm`` (pieces,) where those of a piece start counting;
    ``arched``: arches are carved out of the walls, which closed lines hold at their ends."""

    role: Role
    angle_deg: float
    spacing_mm: float
    phase_mm: Floats
    arched: bool = False


def walls_of(
    cells: Cells,
    chosen: NDArray[np.bool_],
    lines: Lines,
    closed_lines: Indices,
    ground: Regions,
    width_mm: float,
    reach_mm: float,
) -> Walls:
    """Walls in the chosen cells, each standing on itself, on the bed or on what else lies beneath.

    ``closed_lines`` (C,) how many closed lines run around a cell and keep the walls from its edge;
    ``ground`` (L,) where the part beneath carries.
    """
    angle_deg, spacing_mm = lines.angle_deg, lines.spacing_mm
    index = np.flatnonzero(chosen)
    rings = closed_lines[index]
    inset = np.where(rings > 0, (rings - _BITE) * width_mm, 0.0)
    phase = lines.phase_mm[cells.piece[index]]
    polygons = cells.polygon[index]
    cell, number, span = _strips(polygons, angle_deg, spacing_mm, phase, 0.5 * width_mm + inset)
    span = span + inset[cell, None] * np.array([1.0, -1.0])

    count = int(cells.layer.max(initial=0)) + 1
    closed = closed_lines[cells.lower] > 0
    beneath = np.flatnonzero(chosen[cells.upper] & closed)
    tube = cells.polygon[cells.lower[beneath]].copy()
    wide = np.flatnonzero(~cells.slim[cells.lower[beneath]])
    inner = offset_mitred(tube[wide], -(width_mm + reach_mm))
    tube[wide] = areas_only(overlay.difference(tube[wide], inner))
    tubes = _united(tube, cells.upper[beneath], len(cells.polygon))
    # Cut first: else all of a large part would be united with what is beside one cell, once for each cell.
    landing = unite(intersect(polygons, ground[cells.layer[index]]), intersect(polygons, tubes[index]))
    ground_cell, ground_number, landed = _strips(
        landing, angle_deg, spacing_mm, phase, np.full(len(index), 0.3 * width_mm)
    )

    numbers = _Lines(np.concatenate([number, ground_number]), count)
    key = numbers.key(cells.piece[index][cell], number, cells.layer[index][cell])
    ground_key = numbers.key(cells.piece[index][ground_cell], ground_number, cells.layer[index][ground_cell])
    keep = span[:, 1] - span[:, 0] >= 1.5 * width_mm
    order = np.flatnonzero(keep)[np.lexsort((span[keep, 0], key[keep]))]
    ground_order = np.lexsort((landed[:, 0], ground_key))
    span = np.ascontiguousarray(span[order])
    if lines.arched:
        step, leg = _ARCH_SHARE * reach_mm, _LEG_WIDTHS * width_mm
        arches = arched_spans(key[order], span, _CHORD, spacing_mm, step, leg, 1.5 * width_mm)
        order, span = order[arches[:, 0].astype(np.int64)], np.ascontiguousarray(arches[:, 1:])
    layer = cells.layer[index][cell[order]]
    found = carried_spans(
        key[order],
        layer,
        span,
        ground_key[ground_order],
        np.ascontiguousarray(landed[ground_order]),
        reach_mm,
        _BRIDGE_LINES * spacing_mm,
        1.5 * width_mm,
    )
    source = found[:, 0].astype(np.int64)
    taken = order[source]
    return Walls(
        angle_deg,
        spacing_mm,
        lines.role,
        phase[cell[taken]] + number[taken] * spacing_mm,
        np.ascontiguousarray(found[:, 1:]),
        layer[source],
        cells.piece[index][cell[taken]],
        key[taken] // numbers.stride,
        key[taken],
    )


def _united(polygons: Regions, owner: Indices, count: int) -> Regions:
    """(count,) regions of the polygons of each owner."""
    out = np.full(count, EMPTY, dtype=object)
    order = np.argsort(owner, kind="stable")
    starts = np.flatnonzero(np.diff(owner[order], prepend=-1))
    for first, group in zip(starts, np.split(polygons[order], starts[1:]), strict=False):
        out[owner[order[first]]] = group[0] if len(group) == 1 else overlay.union_all(group)
    return out


class _Lines:
    """Numbers lines of pieces so that a line's layers follow each other without a step between lines."""

    def __init__(self, numbers: Indices, layers: int) -> None:
        self.low = int(numbers.min(initial=0))
        self.many = int(numbers.max(initial=0)) - self.low + 1
        self.stride = layers + 1

    def key(self, piece: Indices, number: Indices, layer: Indices) -> Indices:
        out: Indices = (piece * self.many + number - self.low) * self.stride + layer
        return out


def _rows(
    ends_uv: Floats, angle_deg: float, layer: Indices, role: Role, piece: Indices
) -> tuple[Floats, Indices, NDArray[np.int8], Indices]:
    ends = turned_back(ends_uv.reshape(-1, 2), angle_deg).reshape(-1, 4)
    return ends, layer, np.full(len(layer), int(role), dtype=np.int8), piece


def _wall_rows(walls: Walls, dense: tuple[Dense, ...], phase_mm: Floats, width_mm: float):
    """Strands of walls where no interface layer takes their place."""
    polygons = np.concatenate([band.polygon for band in dense])
    layer = np.concatenate([band.layer for band in dense])
    piece = np.concatenate([band.piece for band in dense])
    cell, number, cover = _strips(
        polygons, walls.angle_deg, walls.spacing_mm, phase_mm[piece], np.zeros(len(polygons))
    )
    own = np.rint((walls.offset_mm - phase_mm[walls.piece]) / walls.spacing_mm).astype(np.int64)
    stride = int(max(walls.layer.max(initial=0), layer.max(initial=0))) + 2
    lines = _Lines(np.concatenate([own, number]), stride)
    key = lines.key(walls.piece, own, walls.layer)
    cover_key = lines.key(piece[cell], number, layer[cell])
    order = np.lexsort((walls.span_mm[:, 0], key))
    cover_order = np.lexsort((cover[:, 0], cover_key))
    found = subtract_spans(
        key[order],
        np.ascontiguousarray(walls.span_mm[order]),
        cover_key[cover_order],
        np.ascontiguousarray(cover[cover_order]),
        1.2 * width_mm,
    )
    source = order[found[:, 0].astype(np.int64)]
    v = walls.offset_mm[source]
    ends = np.column_stack([found[:, 1] + 0.5 * width_mm, v, found[:, 2] - 0.5 * width_mm, v])
    return _rows(ends, walls.angle_deg, walls.layer[source], walls.role, walls.piece[source])


def _dense_rows(band: Dense, role: Role, angle_deg: float, width_mm: float):
    """Strands side by side across the body's lines; each polygon's set is centred on it."""
    box = _bounds_turned(band.polygon, angle_deg)
    low, high = box[:, 0], box[:, 1]
    many = np.maximum(1.0, np.floor((high - low) / width_mm + 1e-6))
    phase = 0.5 * (low + high) - 0.5 * (many - 1.0) * width_mm
    # Beads may reach a quarter width past slanted edges: held to them strictly, thin slanted caps vanish.
    cell, number, span = _strips(
        band.polygon, angle_deg, width_mm, phase, np.full(len(band.polygon), 0.25 * width_mm)
    )
    length = span[:, 1] - span[:, 0]
    keep = length >= 0.6 * width_mm
    cell, number, span, length = cell[keep], number[keep], span[keep], length[keep]
    middle = 0.5 * (span[:, 0] + span[:, 1])
    half = 0.5 * np.maximum(length - width_mm, 0.1 * width_mm)
    v = phase[cell] + number * width_mm
    ends = np.column_stack([middle - half, v, middle + half, v])
    return _rows(ends, angle_deg, band.layer[cell], role, band.piece[cell])


def _bounds_turned(polygons: Regions, angle_deg: float) -> Floats:
    """(N, 2) lowest and highest v of each polygon."""
    coordinates, index = planar.get_coordinates(polygons, return_index=True)
    v = turned(coordinates, angle_deg)[:, 1]
    low = np.full(len(polygons), np.inf)
    high = np.full(len(polygons), -np.inf)
    np.minimum.at(low, index, v)
    np.maximum.at(high, index, v)
    return np.column_stack([low, high])


def piece_middles(cells: Cells, angle_deg: float) -> Floats:
    """(pieces,) middle of each piece across lines of that direction."""
    box = _bounds_turned(cells.polygon, angle_deg)
    low = np.full(cells.pieces, np.inf)
    high = np.full(cells.pieces, -np.inf)
    np.minimum.at(low, cells.piece, box[:, 0])
    np.maximum.at(high, cells.piece, box[:, 1])
    return 0.5 * (low + high)


def _inset(body: Regions, ring: int, width_mm: float, places: list[int]) -> list[planar.Geometry]:
    """Where the closed line runs that lies so many lines within the bodies at places."""
    regions = body[places]
    inset = offset_mitred(regions, -(ring + 0.5) * width_mm)
    if ring == 0:  # bits hardly as wide as the line still get one
        narrow = planar.is_empty(inset)
        inset[narrow] = offset_mitred(regions[narrow], -0.4 * width_mm)
    return list(simplified(inset, 0.1 * width_mm))


def _closed_rows(cells: Cells, body: Regions, closed_lines: Indices, width_mm: float, kept: Store):
    """Closed lines around the body, as straight segments; ``kept`` those of other bodies."""
    ends, layers, pieces = [np.empty((0, 4))], [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for ring in range(int(closed_lines.max(initial=0))):
        index = np.flatnonzero(closed_lines > ring)
        mine = body[index]
        keys = [("closed line", ring, width_mm, one) for one in digests_of(mine)]
        inset = partial(_inset, mine, ring, width_mm)
        lines: Regions = np.empty(len(mine), dtype=object)
        lines[:] = kept.get_all(keys, inset)
        points, ring_start, cell_start = rings_of(lines)
        following = np.arange(len(points)) + 1
        following[ring_start[1:] - 1] = ring_start[:-1]
        owner = np.repeat(np.repeat(index, np.diff(cell_start)), np.diff(ring_start))
        ends.append(np.hstack([points, points[following]]))
        layers.append(cells.layer[owner])
        pieces.append(cells.piece[owner])
    layer = np.concatenate(layers)
    role = np.full(len(layer), int(Role.PERIMETER), dtype=np.int8)
    return np.concatenate(ends), layer, role, np.concatenate(pieces)


def strands_of(
    cells: Cells,
    bands: Bands,
    walls: list[tuple[Walls, Floats]],
    closed_lines: Indices,
    line_angle_deg: float,
    width_mm: float,
    kept: Store,
) -> SupportStrands:
    """All strands. ``walls`` with the phase (pieces,) of their lines, as they were made; ``kept`` what was
    laid around other cells."""
    dense = (bands.cap, bands.sole, bands.foot)
    across = line_angle_deg + 90.0
    rows = [_wall_rows(one, dense, phase, width_mm) for one, phase in walls]
    rows.append(_closed_rows(cells, bands.body, closed_lines, width_mm, kept))
    for band, role in zip(dense, (Role.CAP, Role.SOLE, Role.FOOT), strict=True):
        rows.append(_dense_rows(band, role, across, width_mm))
    ends, layer, roles, piece = (np.concatenate(column) for column in zip(*rows, strict=True))
    order = np.lexsort((np.arange(len(layer)), piece, roles, layer))
    return SupportStrands(
        np.ascontiguousarray(ends[order]),
        layer[order].astype(np.int64),
        roles[order].astype(np.int8),
        piece[order].astype(np.int64),
    )

"""The supports as one closed mesh: plates for the body's lines, slabs for what is dense."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.kernels.walls import panel_levels, stack_panels
from falsework.layers.polygons import areas_only, parts, rings_of
from falsework.layers.stack import Floats, Indices, Regions
from falsework.support.cells import Bands, Cells, facing, joined
from falsework.support.strands import Walls, turned_back
from falsework.support.sweep import EMPTY, simplified

_WALL_TOLERANCE_MM = 0.06  # ends of plates lie up to this much inside the strands' stairs
_PLAIN_MM = 0.06  # tubes are drawn in by this much for a plainer outline
_ALIKE_MM = 0.05  # outlines that stray by less from one layer to the next share one block
_SHARED = 0.95  # and cover at least this share of each other
_SPECK_MM3 = 5e-3  # a shell of less volume is no strand
_MOST_ALIKE = 9  # layers to a block at most, unless outlines are equal

# Between two levels of a plate: corners 0..3 of the lower (from and to at the lower v, to and from at the
# higher v), 4..7 of the upper.
_SIDES = np.array(
    [[0, 1, 5], [0, 5, 4], [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4], [3, 4, 7]], dtype=np.int64
)
_BOTTOM = np.array([[0, 2, 1], [0, 3, 2]], dtype=np.int64)
_TOP = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int64)


Groups = dict[tuple[int, str, int], list[Any]]
"""Solids by (piece, kind, 0 or 1); those of one group touch nowhere."""


def _odd_runs(run: Indices, layer: Indices) -> tuple[Indices, Indices]:
    """Runs of successive layers cut so that each is an odd number of layers long.

    Of runs that touch head to foot one then starts on an even and one on an odd layer. ``run`` and ``layer``
    (N,) in any order; returns (N,) new runs, numbered from 0, and (runs,) the first layer of each.
    """
    first = np.full(int(run.max()) + 1, np.iinfo(np.int64).max)
    last = np.full(len(first), -1)
    np.minimum.at(first, run, layer)
    np.maximum.at(last, run, layer)
    head = ((last - first) % 2 == 1)[run] & (layer == last[run])
    _, fresh = np.unique(2 * run + head, return_inverse=True)
    start = np.full(int(fresh.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(start, fresh, layer)
    return fresh.astype(np.int64), start


def _plates(walls: Walls, kind: str, z_mm: Floats, width_mm: float, groups: Groups) -> None:
    """Adds one solid per panel of a wall."""
    from manifold3d import Manifold, Mesh64

    if not len(walls.key):
        return
    panel, start = _odd_runs(stack_panels(walls.key, walls.span_mm, width_mm), walls.layer)
    order = np.lexsort((walls.layer, panel))
    levels = panel_levels(
        panel[order], walls.layer[order], np.ascontiguousarray(walls.span_mm[order]), z_mm, _WALL_TOLERANCE_MM
    )
    first_row = order[np.flatnonzero(np.diff(panel[order], prepend=-1))]
    owner = levels[:, 0].astype(np.int64)
    v = walls.offset_mm[first_row][owner]
    half = 0.5 * width_mm
    low, high = levels[:, 2], levels[:, 3]
    uv = np.stack(
        [
            np.column_stack([low, v - half]),
            np.column_stack([high, v - half]),
            np.column_stack([high, v + half]),
            np.column_stack([low, v + half]),
        ],
        axis=1,
    )
    xy = turned_back(uv.reshape(-1, 2), walls.angle_deg)
    corners = np.column_stack([xy, np.repeat(levels[:, 1], 4)])
    starts = np.append(np.flatnonzero(np.diff(owner, prepend=-1)), len(owner))
    piece = walls.piece[first_row]
    for number, (begin, end) in enumerate(pairwise(starts)):
        steps = end - begin - 1
        sides = (_SIDES[None] + 4 * np.arange(steps)[:, None, None]).reshape(-1, 3)
        faces = np.concatenate([_BOTTOM, sides, _TOP + 4 * steps]).astype(np.uint64)
        solid = Manifold(Mesh64(np.ascontiguousarray(corners[4 * begin : 4 * end]), faces))
        groups[int(piece[number]), kind, int(start[number]) % 2].append(solid)


def _slabs(blocks: Blocks, kind: str, z_mm: Floats, groups: Groups) -> None:
    """Adds one solid per block."""
    from manifold3d import CrossSection, FillRule, Manifold

    points, ring_start, block_start = rings_of(blocks.polygon)
    rings = np.split(points, ring_start[1:-1])
    for number in range(len(blocks.polygon)):
        section = CrossSection(rings[block_start[number] : block_start[number + 1]], FillRule.Positive)
        first = int(blocks.first[number])
        height = float(z_mm[blocks.last[number] + 1] - z_mm[first])
        solid = Manifold.extrude(section, height).translate((0.0, 0.0, float(z_mm[first])))
        groups[int(blocks.piece[number]), kind, first % 2].append(solid)


@dataclass(frozen=True, eq=False)
class Blocks:
    """Prisms: outline, first and last layer, piece. Each is an odd number of layers high."""

    polygon: Regions
    first: Indices
    last: Indices
    piece: Indices


def _blocks(polygons: Regions, layer: Indices, piece: Indices) -> Blocks:
    """Polygons (sorted by layer) with nearly equal ones on successive layers joined by what they share."""
    if not len(polygons):
        return Blocks(polygons, layer, layer, piece)
    upper, lower = facing(layer - 1, polygons, layer, polygons)
    stray = np.abs(shapely.bounds(polygons[upper]) - shapely.bounds(polygons[lower])).max(axis=1, initial=0.0)
    change = np.abs(shapely.area(polygons[upper]) - shapely.area(polygons[lower]))
    change /= shapely.length(polygons[lower])
    equal = (stray < 1e-6) & (change < 1e-6)
    alike = (stray < _ALIKE_MM) & (change < 0.25 * _ALIKE_MM)
    alike &= layer[upper] // _MOST_ALIKE == layer[lower] // _MOST_ALIKE
    doubtful = np.flatnonzero(alike & ~equal)
    shared_mm2 = shapely.area(shapely.intersection(polygons[upper[doubtful]], polygons[lower[doubtful]]))
    alike[doubtful] = shared_mm2 > _SHARED * shapely.area(polygons[lower[doubtful]])
    good = equal | alike
    run, first = _odd_runs(joined(len(polygons), lower[good], upper[good]), layer)
    order = np.argsort(run, kind="stable")
    starts = np.flatnonzero(np.diff(run[order], prepend=-1))
    last = layer[order[np.append(starts[1:], len(order)) - 1]]
    shared = np.empty(len(starts), dtype=object)
    for number, members in enumerate(np.split(order, starts[1:])):
        shared[number] = (
            polygons[members[0]] if len(members) == 1 else shapely.intersection_all(polygons[members])
        )
    return _without_specks(Blocks(shared, first, last, piece[order[starts]]))


def _without_specks(blocks: Blocks) -> Blocks:
    """Each connected outline a block of its own, those too small to be a solid left out."""
    polygons, owner = parts(areas_only(blocks.polygon))
    good = shapely.area(polygons) > 1e-3
    owner = owner[good]
    return Blocks(polygons[good], blocks.first[owner], blocks.last[owner], blocks.piece[owner])


def _tubes(cells: Cells, body: Regions, closed_lines: Indices, width_mm: float) -> list[Blocks]:
    """The bands that closed lines fill, by number of lines."""
    out = []
    for many in np.unique(closed_lines[closed_lines > 0]):
        polygons, owner = parts(np.where(closed_lines == many, body, EMPTY))
        # Drawn in first, so that the plainer outline stays within the old one.
        inner = shapely.buffer(polygons, -_PLAIN_MM, join_style="mitre")
        plain, source = parts(areas_only(simplified(inner, _PLAIN_MM)))
        owner = owner[source]
        solid = _blocks(plain, cells.layer[owner], cells.piece[owner])
        hollow = shapely.buffer(solid.polygon, -many * width_mm, join_style="mitre")
        out.append(_without_specks(replace(solid, polygon=shapely.difference(solid.polygon, hollow))))
    return out


def solid_of(
    cells: Cells,
    bands: Bands,
    walls: list[Walls],
    closed_lines: Indices,
    z_mm: Floats,
    width_mm: float,
) -> tuple[Floats, NDArray[np.int32], Indices]:
    """(n, 3) vertices, (m, 3) faces and (m,) piece of each face; every piece closed and outward.

    Plates run through the dense bands, so that these hold on to them.
    """
    from manifold3d import Manifold, OpType

    groups: Groups = defaultdict(list)
    for number, one in enumerate(walls):
        _plates(one, f"walls {number}", z_mm, width_mm, groups)
    for kind, band in (("roof", bands.roof), ("floor", bands.floor), ("foot", bands.foot)):
        _slabs(_blocks(band.polygon, band.layer, band.piece), kind, z_mm, groups)
    for number, tubes in enumerate(_tubes(cells, bands.body, closed_lines, width_mm)):
        _slabs(tubes, f"tubes {number}", z_mm, groups)
    by_piece: dict[int, list[Any]] = defaultdict(list)
    for (piece, _, _), solids in sorted(groups.items(), key=lambda item: item[0]):
        by_piece[piece].append(Manifold.compose(solids))
    vertices, faces, owner = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], [np.empty(0, np.int64)]
    total = 0
    for piece in sorted(by_piece):
        shells = Manifold.batch_boolean(by_piece[piece], OpType.Add).decompose()
        # Slivers where blocks hardly meet; a negative volume is a shell around a closed hollow.
        mesh = Manifold.compose([one for one in shells if abs(one.volume()) > _SPECK_MM3]).to_mesh64()
        points = np.asarray(mesh.vert_properties)[:, :3]
        triangles = np.asarray(mesh.tri_verts).astype(np.int64)
        vertices.append(points)
        faces.append((triangles + total).astype(np.int32))
        owner.append(np.full(len(triangles), piece, dtype=np.int64))
        total += len(points)
    return np.concatenate(vertices), np.concatenate(faces), np.concatenate(owner)

"""The supports as one closed mesh: plates for the body's lines, slabs for what is dense."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.kernels.walls import panel_levels, stack_panels
from falsework.layers.polygons import areas_only, parts, rings_of
from falsework.layers.stack import Floats, Indices, Regions
from falsework.support.cells import Bands, Cells, Dense, facing, joined
from falsework.support.strands import Walls, turned_back

_WALL_TOLERANCE_MM = 0.06  # ends of plates lie up to this much inside the strands' stairs
_SAME_MM = 2e-3  # outlines that differ by less on successive layers make one slab

# Between two levels of a plate: corners 0..3 of the lower (from-left, to-left, to-right, from-right; left is at
# lower v seen along u), 4..7 of the upper.
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
    for number, (begin, end) in enumerate(zip(starts[:-1], starts[1:], strict=True)):
        steps = end - begin - 1
        sides = (_SIDES[None] + 4 * np.arange(steps)[:, None, None]).reshape(-1, 3)
        faces = np.concatenate([_BOTTOM, sides, _TOP + 4 * steps]).astype(np.uint64)
        solid = Manifold(Mesh64(np.ascontiguousarray(corners[4 * begin : 4 * end]), faces))
        groups[int(piece[number]), kind, int(start[number]) % 2].append(solid)


def _slabs(band: Dense, kind: str, z_mm: Floats, groups: Groups) -> None:
    """Adds one solid per polygon, equal ones on successive layers as one."""
    from manifold3d import CrossSection, FillRule, Manifold

    polygons, layer, piece = band.polygon, band.layer, band.piece
    if not len(polygons):
        return
    run, start = _odd_runs(_runs(polygons, layer), layer)
    first = np.full(run.max() + 1, len(polygons))
    np.minimum.at(first, run, np.arange(len(polygons)))
    top = np.zeros(len(first), dtype=np.int64)
    np.maximum.at(top, run, layer)
    points, ring_start, cell_start = rings_of(polygons[first])
    rings = np.split(points, ring_start[1:-1])
    for number, cell in enumerate(first):
        section = CrossSection(rings[cell_start[number] : cell_start[number + 1]], FillRule.Positive)
        bottom = z_mm[layer[cell]]
        solid = Manifold.extrude(section, z_mm[top[number] + 1] - bottom).translate((0.0, 0.0, bottom))
        groups[int(piece[cell]), kind, int(start[number]) % 2].append(solid)


def _runs(polygons: Regions, layer: Indices) -> Indices:
    """(N,) runs of equal polygons on successive layers; polygons sorted by layer."""
    upper, lower = facing(layer - 1, polygons, layer, polygons)
    alike = np.abs(shapely.bounds(polygons[upper]) - shapely.bounds(polygons[lower])).max(axis=1) < _SAME_MM
    upper, lower = upper[alike], lower[alike]
    same = shapely.equals_exact(
        shapely.normalize(polygons[upper]), shapely.normalize(polygons[lower]), _SAME_MM
    )
    return joined(len(polygons), lower[same], upper[same])


def _tubes(cells: Cells, body: Regions, closed_lines: Indices, width_mm: float) -> Dense:
    """The bands that closed lines fill."""
    index = np.flatnonzero(closed_lines)
    hollow = shapely.buffer(body[index], -closed_lines[index] * width_mm, join_style="mitre")
    band = areas_only(shapely.difference(body[index], hollow))
    polygon, owner = parts(band)
    good = shapely.area(polygon) > 1e-3
    owner = index[owner[good]]
    return Dense(polygon[good], cells.layer[owner], cells.piece[owner])


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
    tubes = _tubes(cells, bands.body, closed_lines, width_mm)
    for kind, band in (("roof", bands.roof), ("floor", bands.floor), ("foot", bands.foot), ("tubes", tubes)):
        _slabs(band, kind, z_mm, groups)
    by_piece: dict[int, list[Any]] = defaultdict(list)
    for (piece, _, _), solids in sorted(groups.items(), key=lambda item: item[0]):
        by_piece[piece].append(Manifold.compose(solids))
    vertices, faces, owner = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], [np.empty(0, np.int64)]
    total = 0
    for piece in sorted(by_piece):
        mesh = Manifold.batch_boolean(by_piece[piece], OpType.Add).to_mesh64()
        points = np.asarray(mesh.vert_properties)[:, :3]
        triangles = np.asarray(mesh.tri_verts).astype(np.int64)
        vertices.append(points)
        faces.append((triangles + total).astype(np.int32))
        owner.append(np.full(len(triangles), piece, dtype=np.int64))
        total += len(points)
    return np.concatenate(vertices), np.concatenate(faces), np.concatenate(owner)

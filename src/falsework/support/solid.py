"""The supports as one mesh of closed shells: plates for the body's lines, slabs for what is dense."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import side_by_side
from falsework.kernels.graph import joined_groups
from falsework.kernels.outline.strips import panel_levels, stack_panels
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, offset_mitred, parts, rings_of, simplified
from falsework.layers.stack import Floats, Indices, Regions
from falsework.support.cells import Bands, Cells, Dense, facing
from falsework.support.scheme import SupportMesh
from falsework.support.strands import Walls, turned_back
from falsework.support.sweep import EMPTY

_WALL_TOLERANCE_MM = 0.06  # ends of plates lie up to this much inside the strands' stairs
_PLAIN_MM = 0.06  # tubes are drawn in by this much for a plainer outline
_ALIKE_MM = 0.05  # outlines that stray by less from one layer to the next share one block
_SHARED = 0.95  # and cover at least this share of each other
_MOST_ALIKE = 9  # layers to a block at most, unless outlines are equal

# Between two levels of a plate: corners 0..3 of the lower (from and to at the lower v, to and from at the
# higher v), 4..7 of the upper.
_SIDES = np.array(
    [[0, 1, 5], [0, 5, 4], [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4], [3, 4, 7]], dtype=np.int64
)
_BOTTOM = np.array([[0, 2, 1], [0, 3, 2]], dtype=np.int64)
_TOP = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int64)


@dataclass(frozen=True, eq=False)
class _Shells:
    """Closed shells: (n, 3) vertices, (m, 3) faces, (m,) piece of each face."""

    vertices: Floats
    faces: NDArray[np.int32]
    piece: Indices


def _plates(walls: Walls, z_mm: Floats, width_mm: float) -> _Shells:
    """One closed shell per panel of a wall: a stack of cross-bars whose ends follow the wall's stairs."""
    if not len(walls.key):
        return _Shells(np.empty((0, 3)), np.empty((0, 3), np.int32), np.empty(0, np.int64))
    panel = stack_panels(walls.key, walls.span_mm, width_mm)
    order = np.lexsort((walls.layer, panel))
    levels = panel_levels(
        panel[order], walls.layer[order], np.ascontiguousarray(walls.span_mm[order]), z_mm, _WALL_TOLERANCE_MM
    )
    first_row = order[np.flatnonzero(np.diff(panel[order], prepend=-1))]
    owner = levels[:, 0].astype(np.int64)
    v = walls.offset_mm[first_row][owner]
    half = 0.5 * width_mm
    low, high = levels[:, 2], levels[:, 3]
    u = np.stack([low, high, high, low], axis=1)
    across = np.stack([v - half, v - half, v + half, v + half], axis=1)
    xy = turned_back(np.column_stack([u.ravel(), across.ravel()]), walls.angle_deg)
    vertices = np.column_stack([xy, np.repeat(levels[:, 1], 4)])
    fresh = np.diff(owner, prepend=-1) != 0
    lowest, highest = np.flatnonzero(fresh), np.flatnonzero(np.append(fresh[1:], True))
    lower = np.flatnonzero(~np.append(fresh[1:], True))  # levels with another above them
    faces = [
        _BOTTOM + 4 * lowest[:, None, None],
        _SIDES + 4 * lower[:, None, None],
        _TOP + 4 * highest[:, None, None],
    ]
    of = [
        np.repeat(owner[at], shape.shape[1])
        for at, shape in zip((lowest, lower, highest), faces, strict=True)
    ]
    joined_faces = np.concatenate([f.reshape(-1, 3) for f in faces]).astype(np.int32)
    return _Shells(vertices, joined_faces, walls.piece[first_row][np.concatenate(of)])


def _slabs(blocks: Blocks, z_mm: Floats) -> _Shells:
    """One closed shell per block."""
    from manifold3d import CrossSection, FillRule, Manifold

    points, ring_start, block_start = rings_of(blocks.polygon)
    rings = np.split(points, ring_start[1:-1])
    vertices, faces, piece = [np.empty((0, 3))], [np.empty((0, 3), np.int32)], [np.empty(0, np.int64)]
    total = np.int32(0)
    for number in range(len(blocks.polygon)):
        section = CrossSection(rings[block_start[number] : block_start[number + 1]], FillRule.Positive)
        first = int(blocks.first[number])
        mesh = Manifold.extrude(section, float(z_mm[blocks.last[number] + 1] - z_mm[first])).to_mesh64()
        corners = np.asarray(mesh.vert_properties)[:, :3] + np.array([0.0, 0.0, z_mm[first]])
        triangles = np.asarray(mesh.tri_verts).astype(np.int32)
        vertices.append(corners)
        faces.append(triangles + total)
        piece.append(np.full(len(triangles), blocks.piece[number], np.int64))
        total += np.int32(len(corners))
    return _Shells(np.concatenate(vertices), np.concatenate(faces), np.concatenate(piece))


@dataclass(frozen=True, eq=False)
class Blocks:
    """Prisms: outline, first and last layer, piece."""

    polygon: Regions
    first: Indices
    last: Indices
    piece: Indices


def _blocks(polygons: Regions, layer: Indices, piece: Indices) -> Blocks:
    """Polygons (sorted by layer) with nearly equal ones on successive layers joined by what they share."""
    if not len(polygons):
        return Blocks(polygons, layer, layer, piece)
    upper, lower = facing(layer - 1, polygons, layer, polygons)
    stray = np.abs(planar.bounds(polygons[upper]) - planar.bounds(polygons[lower])).max(axis=1, initial=0.0)
    change = np.abs(planar.area(polygons[upper]) - planar.area(polygons[lower]))
    change /= planar.length(polygons[lower])
    equal = (stray < 1e-6) & (change < 1e-6)
    alike = (stray < _ALIKE_MM) & (change < 0.25 * _ALIKE_MM)
    alike &= layer[upper] // _MOST_ALIKE == layer[lower] // _MOST_ALIKE
    doubtful = np.flatnonzero(alike & ~equal)
    shared_mm2 = planar.area(overlay.intersection(polygons[upper[doubtful]], polygons[lower[doubtful]]))
    alike[doubtful] = shared_mm2 > _SHARED * planar.area(polygons[lower[doubtful]])
    good = equal | alike
    run = joined_groups(len(polygons), lower[good], upper[good])
    order = np.argsort(run, kind="stable")
    starts = np.flatnonzero(np.diff(run[order], prepend=-1))
    first = layer[order[starts]]
    last = layer[order[np.append(starts[1:], len(order)) - 1]]
    shared = np.empty(len(starts), dtype=object)
    for number, members in enumerate(np.split(order, starts[1:])):
        shared[number] = (
            polygons[members[0]] if len(members) == 1 else overlay.intersection_all(polygons[members])
        )
    return _without_specks(Blocks(shared, first, last, piece[order[starts]]))


def _without_specks(blocks: Blocks) -> Blocks:
    """Each connected outline a block of its own, those too small to be a solid left out."""
    polygons, owner = parts(areas_only(blocks.polygon))
    good = planar.area(polygons) > 1e-3
    owner = owner[good]
    return Blocks(polygons[good], blocks.first[owner], blocks.last[owner], blocks.piece[owner])


def _tubes(cells: Cells, body: Regions, many: int, width_mm: float) -> Blocks:
    """The bands that ``many`` closed lines fill around (C,) regions."""
    polygons, owner = parts(body)
    # Drawn in first, so that the plainer outline stays within the old one.
    inner = offset_mitred(polygons, -_PLAIN_MM)
    plain, source = parts(simplified(inner, _PLAIN_MM))
    owner = owner[source]
    solid = _blocks(plain, cells.layer[owner], cells.piece[owner])
    hollow = offset_mitred(solid.polygon, -many * width_mm)
    return _without_specks(replace(solid, polygon=overlay.difference(solid.polygon, hollow)))


def solid_of(
    cells: Cells,
    bands: Bands,
    walls: list[Walls],
    closed_lines: Indices,
    z_mm: Floats,
    width_mm: float,
) -> SupportMesh:
    """Closed outward shells of all that is laid.

    Plates run through the dense bands, so that these hold on to them. Shells that overlap or touch are left
    as they are: readers unite them by the positive winding that 3MF Core asks for, and uniting them here
    cost more than all the rest of a plan.
    """

    def banded(band: Dense) -> _Shells:
        return _slabs(_blocks(band.polygon, band.layer, band.piece), z_mm)

    def tube(many: int) -> _Shells:
        return _slabs(_tubes(cells, np.where(closed_lines == many, bands.body, EMPTY), many, width_mm), z_mm)

    lines = np.unique(closed_lines[closed_lines > 0]).tolist()
    jobs = [partial(_plates, one, z_mm, width_mm) for one in walls]
    jobs += [partial(banded, band) for band in (bands.cap, bands.sole, bands.foot)]
    shells = side_by_side(jobs + [partial(tube, many) for many in lines])
    offsets = np.cumsum([0, *(len(one.vertices) for one in shells)], dtype=np.int32)
    vertices = np.concatenate([one.vertices for one in shells])
    faces = np.concatenate([one.faces + at for one, at in zip(shells, offsets, strict=False)])
    piece = np.concatenate([one.piece for one in shells])
    order = np.argsort(piece, kind="stable")
    return SupportMesh(vertices, faces[order], piece[order])

"""What the pictures show: the part's triangles with the underside each one belongs to, and the supports'."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.picture.drawing import corner_normals
from falsework.kernels.picture.regions import find_patches, map_regions
from falsework.layers import planar
from falsework.layers.stack import Floats, Indices
from falsework.need.measured import MeasuredPart
from falsework.support.geometry import Geometry

_CREASE_COSINE = 0.86  # faces that meet at less than about 30° are shaded as one surface
_DOWNWARD = -0.05  # normal z below which a face can be an underside
_CELLS = 400  # cells of the region grid along the part's longer side
_MOST_HALVINGS = 5  # a big face over several undersides is cut into at most 4**5 pieces
_FINEST_SHARE = 1 / 160  # faces smaller than this share of the part are not cut further


@dataclass(frozen=True, eq=False)
class Soup:
    """Triangles: ``points`` (n, 3) mm, ``faces`` (m, 3) of them, ``normals`` (m, 3, 3) of unit length at
    their corners, ``tag`` (m,)."""

    points: Floats
    faces: NDArray[np.int32]
    normals: NDArray[np.float32]
    tag: Indices

    @property
    def corners(self) -> Floats:
        """(m, 3, 3) of each triangle."""
        return self.points[self.faces]


def loose(corners: Floats, normals: NDArray[np.floating], tag: Indices) -> Soup:
    """Triangles that share no points, by their corners (m, 3, 3)."""
    faces = np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
    short = np.ascontiguousarray(normals, dtype=np.float32)
    return Soup(np.ascontiguousarray(corners).reshape(-1, 3), faces, short, tag)


@dataclass(frozen=True, eq=False)
class Scene:
    """The part, tagged with the index of the underside (-1: none), the supports, and the part's bounds."""

    part: Soup
    supports: Soup
    bounds_mm: Floats


def plain_soup(vertices: Floats, corners: NDArray[np.int32]) -> Soup:
    """Triangles of a mesh with shading normals, tagged 0, in the order of its faces."""
    vertices = np.ascontiguousarray(vertices, dtype=np.float64)
    faces = np.ascontiguousarray(corners, dtype=np.int32)
    normals = corner_normals(vertices, faces, _CREASE_COSINE)
    return Soup(vertices, faces, normals, np.zeros(len(faces), dtype=np.int64))


@dataclass(frozen=True, eq=False)
class _RegionGrid:
    """Which underside lies over a point, from what height to what height."""

    cell_start: Indices
    owners: Indices
    lows: Floats
    highs: Floats
    grid: Floats
    size: Indices
    slack: float

    def find(self, points: Floats) -> Indices:
        points = np.ascontiguousarray(points)
        return find_patches(
            points, self.cell_start, self.owners, self.lows, self.highs, self.grid, self.size, self.slack
        )


def _region_grid(ground: MeasuredPart) -> _RegionGrid | None:
    need, z_mm = ground.need, ground.stack.z_mm
    polygons, of_region = planar.get_parts(need.regions, return_index=True)
    if not len(polygons):
        return None
    owner, layer = need.region_underside[of_region], need.region_layer[of_region]
    order = np.argsort(owner, kind="stable")
    polygons, owner, layer = polygons[order], owner[order], layer[order]
    _, points, (ring_start, region_start) = planar.to_ragged_array(polygons, include_z=False)
    low, high = ground.part.bounds_mm
    # Regions begin a reach away from the layer beneath; painted back by as much they close up on a slope.
    cell = max(float((high - low)[:2].max()) / _CELLS, need.reach_mm / 2, 1e-3)
    brush = int(np.ceil(need.reach_mm / cell))
    margin = cell * (brush + 2)
    size = np.ceil((high[:2] - low[:2] + 2 * margin) / cell).astype(np.int64)
    grid = np.array([low[0] - margin, low[1] - margin, cell])
    cells, owners, lows, highs = map_regions(
        np.ascontiguousarray(points, dtype=np.float64),
        ring_start.astype(np.int64),
        region_start.astype(np.int64),
        z_mm[layer].astype(np.float64),
        z_mm[layer + 1].astype(np.float64),
        owner.astype(np.int64),
        grid,
        size,
        brush,
    )
    by_cell = np.argsort(cells, kind="stable")
    start = np.searchsorted(cells[by_cell], np.arange(size[0] * size[1] + 1)).astype(np.int64)
    slack = float(ground.stack.heights_mm.max()) + cell * (brush + 1)
    return _RegionGrid(start, owners[by_cell], lows[by_cell], highs[by_cell], grid, size, slack)


def _tagged(soup: Soup, grid: _RegionGrid, finest_mm: float) -> tuple[Soup, Indices]:
    """Tag downward faces with their underside; faces only partly of one underside are cut.

    Beside the triangles the index that each, or what it was cut from, had in ``soup``.
    """
    whole = soup.corners
    edges = np.cross(whole[:, 1] - whole[:, 0], whole[:, 2] - whole[:, 0])  # (m, 3): twice the area
    length = np.linalg.norm(edges, axis=1)
    down = edges[:, 2] < _DOWNWARD * np.maximum(length, 1e-300)
    done = [(whole[~down], soup.normals[~down], np.full(int((~down).sum()), -1, dtype=np.int64))]
    corners, normals, face = whole[down], soup.normals[down], np.flatnonzero(down)
    faces = [np.flatnonzero(~down)]
    for halving in range(_MOST_HALVINGS + 1):
        middle = corners.mean(axis=1, keepdims=True)
        probes = np.concatenate([middle, middle + 0.9 * (corners - middle)], axis=1)
        found = grid.find(probes.reshape(-1, 3)).reshape(-1, 4)
        longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        mixed = (found != found[:, :1]).any(axis=1) | ((longest > 16 * finest_mm) & (halving < 2))
        cut = mixed & (longest > finest_mm) & (halving < _MOST_HALVINGS)
        # a small face at the rim of an underside belongs to it: of four probes any hit counts
        tag = np.where(found[:, 0] >= 0, found[:, 0], found.max(axis=1))
        done.append((corners[~cut], normals[~cut], tag[~cut]))
        faces.append(face[~cut])
        if not cut.any():
            break
        corners, normals, face = _quartered(corners[cut]), _quartered(normals[cut]), np.tile(face[cut], 4)
    return loose(*(np.concatenate(some) for some in zip(*done, strict=True))), np.concatenate(faces)


def _quartered(corners: Floats) -> Floats:
    """(4m, 3, 3): each triangle cut in four at the middles of its sides."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    return np.concatenate(
        [np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    )


def underside_triangles(ground: MeasuredPart) -> tuple[Soup, Indices]:
    """The triangles of all undersides, by underside, and the face of the part on which each lies.

    Faces are cut where an underside ends. Without shading: normals are those of the faces.
    """
    part = ground.part
    corners = np.ascontiguousarray(part.vertices[part.faces])
    edges = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.maximum(np.linalg.norm(edges, axis=1), 1e-300)
    grid = _region_grid(ground)
    down = np.flatnonzero(edges[:, 2] < _DOWNWARD * length) if grid else np.zeros(0, dtype=np.int64)
    normals = np.repeat((edges[down] / length[down, None])[:, None], 3, axis=1)
    soup, source = loose(corners[down], normals, np.full(len(down), -1, dtype=np.int64)), np.arange(len(down))
    if grid:
        soup, source = _tagged(soup, grid, float(part.size_mm.max()) * _FINEST_SHARE)
    order = np.argsort(soup.tag, kind="stable")[int((soup.tag < 0).sum()) :]
    return loose(soup.corners[order], soup.normals[order], soup.tag[order]), down[source[order]]


def make_scene(geometry: Geometry) -> Scene:
    """Triangles of part and supports, ready to be drawn; faces of undersides are tagged with their index."""
    scheme = geometry.scheme
    supports = plain_soup(scheme.vertices, scheme.faces)
    return Scene(tagged_part(geometry), supports, geometry.part.bounds_mm)


def tagged_part(ground: MeasuredPart, finest_share: float = _FINEST_SHARE) -> Soup:
    """The part's triangles, tagged with the index of the underside (-1: none); faces smaller than
    ``finest_share`` of the part are not cut where an underside ends."""
    part = ground.part
    soup = plain_soup(part.vertices, part.faces)
    grid = _region_grid(ground)
    if grid is None:
        return replace(soup, tag=np.full(len(soup.tag), -1, dtype=np.int64))
    return _tagged(soup, grid, float(part.size_mm.max()) * finest_share)[0]

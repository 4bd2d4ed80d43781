"""What the page draws, as arrays: the part, its undersides, its supports, and both layer by layer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.bead.resting import SUPPORT
from falsework.layers import planar
from falsework.need.measured import MeasuredPart
from falsework.part.part import Part
from falsework.support.geometry import Geometry

if TYPE_CHECKING:
    from falsework.auditing.views import PlaceView
    from falsework.redrawing.value import Redraw

Arrays = dict[str, NDArray[Any]]

COARSE_FACES = 24_000
"""Meshes of more faces get a coarser one beside them, to be drawn while the figure turns."""

_SMOOTH_COSINE = 0.94  # faces that meet at less than about 20° belong to one smooth patch


def part_mesh(part: Part) -> Arrays:
    """``positions`` (v, 3) and ``faces`` (f, 3) in the part's own order."""
    return {"positions": part.vertices.astype(np.float32), "faces": part.faces.astype(np.uint32)}


def mesh_meta(arrays: Arrays, of_faces: int) -> dict[str, Any]:
    """What the page wants to know of a mesh before it looks into it."""
    positions = arrays["positions"]
    return {
        "faces": len(arrays["faces"]),
        "of_faces": of_faces,
        "low": positions.min(axis=0).tolist(),
        "high": positions.max(axis=0).tolist(),
    }


def coarse_mesh(part: Part, most_faces: int = COARSE_FACES) -> Arrays:
    """The part with its vertices gathered on a grid, about ``most_faces`` of it left; for moving pictures.

    A surface of area A on cells of side c has about 2 A / c² faces. Faces that shrink to a line go, so the
    mesh has holes where the part is thinner than a cell; nobody sees them while it turns. ``grid`` (4,) is
    the grid's low corner and the side of its cells, for what lies on the surface to be gathered alike.
    """
    if len(part.faces) <= most_faces:
        return part_mesh(part)
    corners = part.vertices[part.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area_mm2 = 0.5 * float(np.linalg.norm(normals, axis=1).sum())
    cell_mm = float(np.sqrt(2.5 * area_mm2 / most_faces))
    at = np.floor((part.vertices - part.bounds_mm[0]) / cell_mm).astype(np.int64)
    nx, ny = int(at[:, 0].max()) + 1, int(at[:, 1].max()) + 1
    _, cell, count = np.unique(
        at[:, 0] + nx * (at[:, 1] + ny * at[:, 2]), return_inverse=True, return_counts=True
    )
    positions = np.stack([np.bincount(cell, part.vertices[:, k]) / count for k in range(3)], axis=1)
    faces = cell[part.faces]
    a, b, c = faces.T
    return {
        "positions": positions.astype(np.float32),
        "faces": faces[(a != b) & (b != c) & (c != a)].astype(np.uint32),
        "grid": np.array([*part.bounds_mm[0], cell_mm], dtype=np.float32),
    }


def smooth_patches(part: Part) -> NDArray[np.uint32]:
    """(f,) number of the smooth patch of each face: faces joined over edges where they hardly bend."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    from falsework.kernels.mesh.edges import pair_edges, sort_edges
    from falsework.orientation.body import face_normals

    faces = np.ascontiguousarray(part.faces)
    partner, _ = pair_edges(faces, sort_edges(faces, len(part.vertices)))
    half = np.flatnonzero(partner >= 0)
    one, other = half // 3, partner[half] // 3
    normals = face_normals(part.vertices, part.faces)[0]
    flat = np.einsum("ij,ij->i", normals[one], normals[other]) > _SMOOTH_COSINE
    links = coo_matrix((np.ones(int(flat.sum()), dtype=bool), (one[flat], other[flat])), (len(faces),) * 2)
    label: NDArray[np.uint32] = connected_components(links, directed=False)[1].astype(np.uint32)
    return label


def undersides_mesh(ground: MeasuredPart) -> Arrays:
    """Loose triangles of all undersides by underside."""
    from falsework.report.scene import underside_triangles

    soup, _ = underside_triangles(ground)
    start = np.searchsorted(soup.tag, np.arange(len(ground.need.undersides) + 1))
    return {
        "positions": soup.corners.reshape(-1, 3).astype(np.float32),
        "start": start.astype(np.uint32),
    }


def need_layers(ground: MeasuredPart) -> Arrays:
    """Sections of the part by layer, and beside them the outlines of what is printed over air."""
    stack, need = ground.stack, ground.need
    polygons, region = planar.get_parts(need.regions, return_index=True)
    order = np.argsort(need.region_layer[region], kind="stable")
    polygons, region = polygons[order], region[order]
    if len(polygons):
        _, points, (ring_start, polygon_start) = planar.to_ragged_array(polygons, include_z=False)
        ring_owner = np.repeat(np.arange(len(polygons)), np.diff(polygon_start))
    else:
        points, ring_start, ring_owner = np.zeros((0, 2)), np.zeros(1), np.zeros(0, dtype=np.int64)
    layer = need.region_layer[region][ring_owner]
    return {
        "z": stack.z_mm.astype(np.float32),
        "points": stack.points_mm.astype(np.float32),
        "ring_start": stack.ring_start.astype(np.uint32),
        "layer_rings": stack.layer_start.astype(np.uint32),
        "air_points": points.astype(np.float32),
        "air_ring_start": ring_start.astype(np.uint32),
        "air_layer_rings": np.searchsorted(layer, np.arange(stack.count + 1)).astype(np.uint32),
        "air_underside": (need.region_underside[region][ring_owner] + 1).astype(np.uint16),
    }


def supports_mesh(geometry: Geometry) -> Arrays:
    """The supports' shells, faces by piece."""
    scheme = geometry.scheme
    start = np.searchsorted(scheme.face_piece, np.arange(len(scheme.pieces) + 1))
    return {
        "positions": scheme.vertices.astype(np.float32),
        "faces": scheme.faces.astype(np.uint32),
        "start": start.astype(np.uint32),
    }


def redrawn_mesh(redraw: Redraw) -> tuple[Arrays, dict[str, Any]]:
    """The redrawn part, its faces by where they come from: the part, added, laid bare by cutting; empty where
    nothing is changed. And where the tags of the changed undersides stand."""
    from falsework.report.redraw import changed_surface

    tags = [
        {"number": t.underside.number, "at": t.underside.center_mm, "shape": t.underside.kind.value}
        for t in redraw.treated
        if t.change is not None
    ]
    if not tags:
        empty = {"positions": np.zeros((0, 3), np.float32), "faces": np.zeros((0, 3), np.uint32)}
        return {**empty, "start": np.zeros(4, np.uint32)}, {"changed": False, "tags": []}
    vertices, faces, origin = changed_surface(redraw)
    order = np.argsort(origin, kind="stable")
    arrays = {
        "positions": vertices.astype(np.float32),
        "faces": faces[order].astype(np.uint32),
        "start": np.searchsorted(origin[order], np.arange(4)).astype(np.uint32),
    }
    return arrays, {"changed": True, "tags": tags}


def strands_around(view: PlaceView) -> Arrays:
    """The strands of a finding's own layer: ``ends`` (n, 4), ``width`` (n,), ``role`` (n,): 1 part or other,
    2 support, 3 what the finding is about."""
    here = ~view.beneath
    role = np.where(view.marked, 3, np.where(view.owner == SUPPORT, 2, 1))[here]
    return {
        "ends": view.ends_mm[here].astype(np.float32),
        "width": view.width_mm[here].astype(np.float32),
        "role": role.astype(np.uint8),
    }


def supports_layers(geometry: Geometry) -> Arrays:
    """The supports' strands, layer by layer."""
    strands = geometry.scheme.strands
    return {
        "z": geometry.stack.z_mm.astype(np.float32),
        "ends": strands.ends_mm.astype(np.float32),
        "layer_start": np.searchsorted(strands.layer, np.arange(geometry.stack.count + 1)).astype(np.uint32),
        "role": strands.role.astype(np.uint8),
        "piece": (strands.piece + 1).astype(np.uint16),
    }

"""Faces of a mesh joined into flat facets, and which of them meet at what angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.kernels.graph import joined_groups
from falsework.kernels.mesh.edges import pair_edges, sort_edges
from falsework.layers.stack import Floats, Indices
from falsework.part.part import Ints, Part

FLAT_DEG = 0.5  # faces that meet at less lie in one plane


@dataclass(frozen=True, eq=False)
class Facets:
    """Faces joined into flat facets: facet of each face (m,), normal (k, 3), area (k,)."""

    of_face: Indices
    normal: Floats
    area: Floats


def meetings_of(part: Part, normals: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs of faces that share an edge, the angle between them in degrees, and the edge's length."""
    partner = pair_edges(part.faces, sort_edges(part.faces, len(part.vertices)))[0]
    half = np.flatnonzero(partner > np.arange(len(partner)))
    a, b = (half // 3).astype(np.int32), (partner[half] // 3).astype(np.int32)
    cosine = np.einsum("ij,ij->i", normals[a], normals[b])
    sine = np.linalg.norm(np.cross(normals[a], normals[b]), axis=1)
    flat = part.faces.ravel()
    ends = part.vertices[flat[half]] - part.vertices[flat[np.where(half % 3 < 2, half + 1, half - 2)]]
    return a, b, np.degrees(np.arctan2(sine, cosine)), np.linalg.norm(ends, axis=1)


def borders_mm(facets: Facets, a: Ints, b: Ints, length: Floats) -> Floats:
    """(k,) the length of the edges at which each facet ends, of meetings of faces."""
    one, other = facets.of_face[a], facets.of_face[b]
    apart = one != other
    both = np.concatenate([one[apart], other[apart]])
    weights = np.concatenate([length[apart], length[apart]])
    return np.bincount(both, weights=weights, minlength=len(facets.area)).astype(np.float64)


def facets_of(count: int, normals: Floats, areas: Floats, a: Ints, b: Ints) -> Facets:
    of_face = joined_groups(count, a, b)
    most = int(of_face.max()) + 1
    weighted = areas[:, None] * normals
    total = np.column_stack([np.bincount(of_face, weights=weighted[:, k], minlength=most) for k in range(3)])
    size = np.linalg.norm(total, axis=1)
    return Facets(
        of_face,
        total / np.maximum(size, 1e-300)[:, None],
        np.bincount(of_face, weights=areas).astype(np.float64),
    )

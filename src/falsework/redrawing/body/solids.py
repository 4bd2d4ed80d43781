"""Solids: the part as a closed body that can be added to and cut, and back to a mesh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.kernels.mesh.measures import face_areas
from falsework.layers import planar
from falsework.layers.stack import Floats
from falsework.part.part import Part
from falsework.watch import breathe

if TYPE_CHECKING:
    from manifold3d import Manifold, Mesh64

STEP = "joining bodies"  # said where the work is stopped between two calls of the library
_SPECK_MM3 = 1e-4  # a cube of less than 0.05 mm: no nozzle lays it
_CURE = "Close the mesh in the program it was drawn in, or have it repaired, and give it again"


def solid_of(part: Part) -> Manifold:
    """The part as one solid: shells that overlap are united, as the layers unite them.

    Its faces remember the part's, through all that is added and cut: see :func:`areas_left_mm2`.
    Raises ``PartError`` for a mesh that encloses no volume: an open one has no inside to add to or cut from.
    """
    from manifold3d import Error, Manifold

    faces = part.faces[:, ::-1] if part.volume_mm3 < 0.0 else part.faces
    mesh = _mesh64(part.vertices, faces, np.arange(len(faces)))
    whole = Manifold(mesh)
    if whole.status() == Error.NotManifold:  # but for corners in the same place, perhaps
        mesh.merge()
        whole = Manifold(mesh)
    if whole.status() == Error.NotManifold:
        raise PartError(part.name, "the mesh is open, so nothing can be added to it or cut from it", _CURE)
    if whole.status() != Error.NoError or whole.is_empty():
        raise PartError(part.name, "its faces do not enclose a solid", _CURE)
    if part.health.bodies + part.health.voids == 1:
        return whole
    shells = whole.decompose()
    outward = [shell for shell in shells if shell.volume() > 0.0]
    inward = [shell for shell in shells if shell.volume() < 0.0]
    solid = united(outward)
    for void in inward:
        solid -= turned_out(void)
    return solid


def _mesh64(vertices: Floats, faces: NDArray[np.integer], number: NDArray[np.integer]) -> Mesh64:
    """A mesh whose faces carry a number under one new name, which the library keeps through booleans."""
    from manifold3d import Manifold, Mesh64

    return Mesh64(  # copies: it takes no arrays that cannot be written to
        np.array(vertices, dtype=np.float64, order="C"),
        np.array(faces, dtype=np.uint64, order="C"),
        run_index=np.array([0, 3 * len(faces)], dtype=np.uint64),
        run_original_id=np.array([Manifold.reserve_ids(1)], dtype=np.uint32),
        face_id=np.array(number, dtype=np.uint64),
    )


def united(solids: Sequence[Manifold]) -> Manifold:
    """Several bodies as one, made at once: put off, the library would unite the part with each of them."""
    from manifold3d import Manifold, OpType

    breathe(STEP)
    whole = Manifold.batch_boolean(list(solids), OpType.Add)
    whole.status()
    return whole


def turned_out(void: Manifold) -> Manifold:
    """A shell wound inwards as the solid that it encloses."""
    from manifold3d import Manifold

    mesh = void.to_mesh64()
    return Manifold(_mesh64(mesh.vert_properties[:, :3], mesh.tri_verts[:, ::-1], mesh.face_id))


def flattened(solid: Manifold, within_mm: float) -> Manifold:
    """A solid of as few faces as lie within so much of its own, wherever these came from."""
    from manifold3d import Manifold, Mesh64

    vertices, faces = mesh_of(solid)
    return Manifold(Mesh64(vertices, faces.astype(np.uint64))).simplify(within_mm)


def without_specks(solid: Manifold) -> Manifold:
    """The solid without the shells of next to no volume that a union leaves by rounding."""
    from manifold3d import Manifold

    breathe(STEP)
    shells = solid.decompose()
    real = [shell for shell in shells if abs(shell.volume()) > _SPECK_MM3]
    return solid if len(real) == len(shells) else Manifold.compose(real)


@dataclass(frozen=True)
class ShellCounts:
    """How many bodies a solid has, closed voids, and handles in all of their shells."""

    bodies: int
    voids: int
    handles: int


def shells_of(solid: Manifold) -> ShellCounts:
    """The counts of a solid's shells."""
    shells = solid.decompose()
    voids = sum(shell.volume() < 0.0 for shell in shells)
    return ShellCounts(len(shells) - voids, voids, sum(shell.genus() for shell in shells))


def mesh_of(solid: Manifold) -> tuple[Floats, NDArray[np.int32]]:
    """(n, 3) vertices in mm and (m, 3) faces, outward."""
    mesh = solid.to_mesh64()  # its arrays cannot be written to, for which the kernels would compile anew
    return (
        np.array(mesh.vert_properties[:, :3], dtype=np.float64, order="C"),
        np.array(mesh.tri_verts, dtype=np.int32, order="C"),
    )


def areas_left_mm2(part: Part, ground: Manifold, solid: Manifold) -> Floats:
    """(m,) how much of each face of ``part`` is surface of ``solid``, which was made from ``ground``.

    ``ground`` is ``solid_of(part)``; what was added or cut must carry names of its own (``as_original``).
    """
    number = came_from(ground, solid)
    mine = number >= 0
    areas = face_areas(*mesh_of(solid))[mine]
    return np.bincount(number[mine], weights=areas, minlength=len(part.faces)).astype(np.float64)


def came_from(ground: Manifold, solid: Manifold) -> NDArray[np.int64]:
    """(k,) for each face of ``solid`` the face of ``ground``'s part that it is of; -1 for one that is new."""
    mesh = solid.to_mesh64()
    ours = np.isin(mesh.run_original_id, ground.to_mesh64().run_original_id)
    ends = np.asarray(mesh.run_index, dtype=np.int64)
    mine = np.repeat(ours, (ends[1:] - ends[:-1]) // 3)
    return np.where(mine, np.asarray(mesh.face_id, dtype=np.int64), -1)


def prism(polygon: planar.Polygon | planar.MultiPolygon, low_mm: float, high_mm: float) -> Manifold:
    """A polygon with holes, drawn up from one height to another."""
    from manifold3d import CrossSection, FillRule, Manifold

    rings = [
        np.asarray(ring.coords)[:-1, :2]
        for one in planar.get_parts(planar.orient_polygons(polygon))
        for ring in (one.exterior, *one.interiors)
    ]
    section = CrossSection(rings, FillRule.Positive)
    return Manifold.extrude(section, high_mm - low_mm).translate((0.0, 0.0, low_mm))

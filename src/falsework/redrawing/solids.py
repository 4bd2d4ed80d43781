"""Solids: the part as a closed body that can be added to and cut, and back to a mesh."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.layers.stack import Floats
from falsework.part.part import Part

if TYPE_CHECKING:
    from manifold3d import Manifold

_CURE = "Close the mesh in the program it was drawn in, or have it repaired, and give it again"


def solid_of(part: Part) -> Manifold:
    """The part as one solid: shells that overlap are united, as the layers unite them.

    Raises ``PartError`` for a mesh that encloses no volume: an open one has no inside to add to or cut from.
    """
    from manifold3d import Error, Manifold, Mesh64, OpType

    if not part.health.closed:
        raise PartError(part.name, "the mesh is open, so nothing can be added to it or cut from it", _CURE)
    faces = part.faces[:, ::-1] if part.volume_mm3 < 0.0 else part.faces
    mesh = Mesh64(np.ascontiguousarray(part.vertices), np.ascontiguousarray(faces, dtype=np.uint64))
    mesh.merge()
    whole = Manifold(mesh)
    if whole.status() != Error.NoError or whole.is_empty():
        raise PartError(part.name, "its faces do not enclose a solid", _CURE)
    if part.health.bodies == 1:
        return whole
    shells = whole.decompose()
    outward = [shell for shell in shells if shell.volume() > 0.0]
    inward = [shell for shell in shells if shell.volume() < 0.0]
    solid = Manifold.batch_boolean(outward, OpType.Add)
    for void in inward:
        solid -= turned_out(void)
    return solid


def turned_out(void: Manifold) -> Manifold:
    """A shell wound inwards as the solid that it encloses."""
    from manifold3d import Manifold, Mesh64

    mesh = void.to_mesh64()
    return Manifold(Mesh64(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts)[:, ::-1]))


def mesh_of(solid: Manifold) -> tuple[Floats, NDArray[np.int32]]:
    """(n, 3) vertices in mm and (m, 3) faces, outward."""
    mesh = solid.to_mesh64()
    return (
        np.ascontiguousarray(np.asarray(mesh.vert_properties)[:, :3]),
        np.ascontiguousarray(np.asarray(mesh.tri_verts), dtype=np.int32),
    )


def prism(polygon: shapely.Polygon | shapely.MultiPolygon, low_mm: float, high_mm: float) -> Manifold:
    """A polygon with holes, drawn up from one height to another."""
    from manifold3d import CrossSection, FillRule, Manifold

    rings = [
        np.asarray(ring.coords)[:-1, :2]
        for one in shapely.get_parts(shapely.orient_polygons(polygon))
        for ring in (one.exterior, *one.interiors)
    ]
    section = CrossSection(rings, FillRule.Positive)
    return Manifold.extrude(section, high_mm - low_mm).translate((0.0, 0.0, low_mm))

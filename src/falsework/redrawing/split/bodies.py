"""Solids with marked faces, cut by planes into bodies, and the joints between the bodies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.orientation.directions import rotations_to_up
from falsework.part.part import Floats
from falsework.redrawing.body.solids import mesh_of

if TYPE_CHECKING:
    from manifold3d import Manifold

PLAIN, SHOWN, SPARED = 0, 1, 2  # marks of faces
APART_MM = 0.02  # sections are taken this far from a cut: a face that lies in it belongs to one side
CRUMB_MM3 = 1e-6  # less is rounding
THIN_LINES = 2.5  # of a joint, what is narrower holds little glue
MITRE = planar.BufferJoinStyle.mitre


@dataclass(frozen=True, eq=False)
class CuttingPlane:
    """One plane in the placed part's frame, and the place of the body that it goes through (None: all)."""

    normal: Floats
    offset_mm: float
    on_face: bool
    askew: bool
    through: int | None = None


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where two bodies meet across a cut: their places among the bodies, above first.

    ``region`` in the plane, in mm, as ``rotations_to_up`` of the normal turns it.
    """

    above: int
    below: int
    cut: int
    region: planar.Polygon | planar.MultiPolygon
    thin_share: float


def marked_solid(solid: Manifold, marks: NDArray[np.int64]) -> tuple[Manifold, int]:
    """``solid_of`` a part, its triangles with the ``marks`` (m,) of its faces; its id for ``marks_of``."""
    from manifold3d import Manifold, Mesh64

    vertices, faces = mesh_of(solid)
    number = np.asarray(solid.to_mesh64().face_id, dtype=np.int64)
    marked = Manifold(Mesh64(vertices, faces.astype(np.uint64), face_id=marks[number].astype(np.uint64)))
    return marked, int(marked.to_mesh64().run_original_id[0])


def marks_of(solid: Manifold, origin: int) -> NDArray[np.int64]:
    """(m,) marks of a solid's triangles; what a cut made has none."""
    mesh = solid.to_mesh64()
    marks = np.asarray(mesh.face_id).astype(np.int64)
    starts = np.asarray(mesh.run_index).astype(np.int64) // 3
    for run, origin_of_run in enumerate(np.asarray(mesh.run_original_id).tolist()):
        if origin_of_run != origin:
            marks[starts[run] : starts[run + 1]] = PLAIN
    return marks


def cut_up(solid: Manifold, cuts: tuple[CuttingPlane, ...]) -> list[Manifold]:
    """The bodies that the cuts leave, one after the other; crumbs of rounding are left out."""
    bodies = [solid]
    for cut in cuts:
        left: list[Manifold] = []
        for place, body in enumerate(bodies):
            if cut.through is not None and place != cut.through:
                left.append(body)
                continue
            for side in body.split_by_plane(cut.normal.tolist(), cut.offset_mm):
                left += [one for one in side.decompose() if one.volume() > CRUMB_MM3]
        bodies = left
    return bodies


def meetings(bodies: list[Manifold], cuts: tuple[CuttingPlane, ...], line_mm: float) -> list[Meeting]:
    """Every pair of bodies that meet across a cut."""
    found = []
    corners = [mesh_of(body)[0] for body in bodies]
    for number, cut in enumerate(cuts):
        along = [points @ cut.normal for points in corners]
        above = [k for k, z in enumerate(along) if abs(float(z.min()) - cut.offset_mm) < APART_MM]
        below = [k for k, z in enumerate(along) if abs(float(z.max()) - cut.offset_mm) < APART_MM]
        turn = rotations_to_up(cut.normal[None])[0]
        over = {k: section(turned(bodies[k], turn), cut.offset_mm + APART_MM) for k in above}
        under = {k: section(turned(bodies[k], turn), cut.offset_mm - APART_MM) for k in below}
        for a, upper in over.items():
            for b, lower in under.items():
                common = overlay.intersection(upper, lower)
                region = planar.MultiPolygon(
                    [p for p in planar.get_parts(common) if p.geom_type == "Polygon" and p.area > line_mm**2]
                )
                if region.is_empty:
                    continue
                inner = opened(region, 0.5 * THIN_LINES * line_mm)
                found.append(Meeting(a, b, number, region, 1.0 - inner.area / region.area))
    return found


def turned(solid: Manifold, turn: Floats) -> Manifold:
    """The solid turned by a rotation (3, 3)."""
    return solid.transform(np.column_stack([turn, np.zeros(3)]))


def section(solid: Manifold, height_mm: float) -> planar.Geometry:
    """Section of a solid at a height."""
    rings = [planar.LinearRing(ring) for ring in solid.slice(height_mm).to_polygons() if len(ring) >= 3]
    return overlay.buffer(overlay.build_area(planar.GeometryCollection(rings)), 0.0)


def opened(region: planar.Geometry, radius_mm: float) -> planar.Geometry:
    """What of a region a square nib of twice ``radius_mm`` reaches."""
    inset = overlay.buffer(region, -radius_mm, join_style=MITRE)
    return overlay.intersection(overlay.buffer(inset, 1.01 * radius_mm, join_style=MITRE), region)

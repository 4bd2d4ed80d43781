"""``Part``: a triangle mesh in millimetres with the story of its health."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import Floats, Ints


@dataclass(frozen=True)
class MeshFinding:
    """One thing found in the mesh and what was done about it.

    ``what`` is a short key ('duplicate faces', 'hole', 'unit guessed', …), ``count`` how many,
    ``done`` what was done ('' where nothing could be), ``where_mm`` a point to look at (or None),
    ``serious`` whether the plan may be less exact because of it.
    """

    what: str
    count: int
    done: str
    where_mm: tuple[float, float, float] | None = None
    serious: bool = False


CROSSING = "faces that cross or cover others"  # of a finding


@dataclass(frozen=True)
class Health:
    """The mesh as it is after healing, and what healing did."""

    findings: tuple[MeshFinding, ...] = ()
    closed: bool = True  # every edge is shared by two faces, wound consistently
    bodies: int = 1  # connected shells that enclose matter
    voids: int = 0  # and those that enclose a void in it
    self_intersections: int = 0  # faces that cross another face

    @property
    def clean(self) -> bool:
        """Sections of a clean mesh are simple rings that nest properly: no fill rule is needed."""
        return self.closed and self.self_intersections == 0 and self.bodies + self.voids == 1


@dataclass(frozen=True, eq=False)
class Part:
    """A mesh to be printed. Lengths in mm, build direction +z.

    ``vertices`` (n, 3) float64, ``faces`` (m, 3) int32 counter-clockwise seen from outside;
    ``face_sets`` names sets of faces by index (objects of a 3MF, marked faces); ``unit`` is what the
    file's numbers were taken as.
    Parts are equal when their arrays are equal; the name does not matter.

    Examples
    --------
    >>> import falsework
    >>> import numpy as np
    >>> corners = np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1)], dtype=float)
    >>> faces = np.array([(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)], dtype=np.int32)
    >>> part = falsework.Part("corner", corners, faces)
    >>> part.vertices.shape, part.faces.shape
    ((4, 3), (4, 3))
    """

    name: str
    vertices: Floats
    faces: Ints
    health: Health = Health()
    face_sets: dict[str, Ints] = field(default_factory=dict)
    unit: str = "mm"

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the arrays: the key under which everything computed from the part is kept."""
        h = hashlib.sha256()
        h.update(np.ascontiguousarray(self.vertices, dtype="<f8").tobytes())
        h.update(np.ascontiguousarray(self.faces, dtype="<i4").tobytes())
        return h.hexdigest()

    @cached_property
    def bounds_mm(self) -> Floats:
        """(2, 3): lowest and highest corner."""
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    @property
    def size_mm(self) -> Floats:
        """(3,): extents along x, y, z."""
        size: Floats = self.bounds_mm[1] - self.bounds_mm[0]
        return size

    @cached_property
    def volume_mm3(self) -> float:
        """Signed volume by the divergence theorem; overlaps of shells count twice."""
        from falsework.kernels.mesh.measures import mesh_volume

        return float(mesh_volume(self.vertices, self.faces))

    def with_face_set(self, name: str, marked: NDArray[np.bool_]) -> Part:
        """The same part with one more named set: the faces (m,) marked, by brush or otherwise."""
        sets = {**self.face_sets, name: np.flatnonzero(marked).astype(np.int32)}
        return replace(self, face_sets=sets)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Part) and self.digest == other.digest

    def __hash__(self) -> int:
        return hash(self.digest)

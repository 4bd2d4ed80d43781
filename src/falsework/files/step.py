"""Solids as STEP (ISO 10303-21, schema of 10303-214): plane faces, edges shared, each solid a named product.

For drawing programs that work with solids and not with meshes: what is written is a boundary representation
with one plane face for each triangle, which such a program can unite with or take from the part as drawn.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.errors import OutputError
from falsework.files.atomic import atomic_file
from falsework.version import __version__

_DECIMALS = 6
_HEAD = """ISO-10303-21;
HEADER;
FILE_DESCRIPTION((''),'2;1');
FILE_NAME({name},'1980-01-01T00:00:00',(''),(''),'falsework {version}','falsework','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN {{ 1 0 10303 214 1 1 1 1 }}'));
ENDSEC;
DATA;
#1=APPLICATION_CONTEXT('core data for automotive mechanical design processes');
#2=APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',2000,#1);
#3=PRODUCT_CONTEXT('',#1,'mechanical');
#4=PRODUCT_DEFINITION_CONTEXT('part definition',#1,'design');
#5=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));
#6=(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.));
#7=(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT());
#8=UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-5),#5,'distance_accuracy_value','');
#9=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#8))\
GLOBAL_UNIT_ASSIGNED_CONTEXT((#5,#6,#7))REPRESENTATION_CONTEXT('',''));
"""
_FIRST_FREE = 10


@dataclass(frozen=True)
class StepSolid:
    """One closed body: its name, ``vertices`` (n, 3) mm, ``faces`` (m, 3) counter-clockwise from outside."""

    name: str
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]


def write_step(path: str | os.PathLike[str], title: str, solids: Sequence[StepSolid]) -> None:
    """Write closed bodies as STEP; same bodies, same bytes.

    Coordinates are rounded to 1e-6 mm. Raises ``OutputError`` where a body is not closed or the file cannot
    be written.
    """
    lines = [_HEAD.format(name=_text(title), version=__version__)]
    number = _FIRST_FREE
    for solid in solids:
        number = _write_solid(lines, number, solid, str(path))
    lines.append("ENDSEC;\nEND-ISO-10303-21;\n")
    with atomic_file(path) as aside:
        aside.write_text("".join(lines), "ascii")


def _write_solid(lines: list[str], number: int, solid: StepSolid, subject: str) -> int:
    """Lines of one body from entity ``number`` on; the next free number."""
    points = np.round(solid.vertices, _DECIMALS) + 0.0
    faces = np.asarray(solid.faces, dtype=np.int64)
    edges, of_face, forward = _edges(faces, subject)
    a, b, c = points[faces[:, 0]], points[faces[:, 1]], points[faces[:, 2]]
    along, _ = _unit(points[edges[:, 1]] - points[edges[:, 0]])
    side, _ = _unit(b - a)
    normal = _normals(a, b, c, side)

    count = {"point": len(points), "edge": len(edges), "face": len(faces)}
    first = {}
    for name, of, entities in (
        ("point", "point", 1), ("vertex", "point", 1), ("way", "edge", 1), ("vector", "edge", 1),
        ("line", "edge", 1), ("edge", "edge", 1), ("used", "face", 3), ("loop", "face", 1),
        ("bound", "face", 1), ("normal", "face", 1), ("side", "face", 1), ("place", "face", 1),
        ("plane", "face", 1), ("face", "face", 1),
    ):  # fmt: skip
        first[name] = number
        number += entities * count[of]

    def numbered(name: str, of: str) -> NDArray[np.int64]:
        return first[name] + np.arange(count[of])

    face, corner = np.arange(count["face"]), faces[:, 0]
    lines += _rows("#%d=CARTESIAN_POINT('',(%s,%s,%s));\n", numbered("point", "point"), *_reals(points))
    lines += _rows("#%d=VERTEX_POINT('',#%d);\n", numbered("vertex", "point"), numbered("point", "point"))
    lines += _rows("#%d=DIRECTION('',(%s,%s,%s));\n", numbered("way", "edge"), *_reals(along))
    lines += _rows("#%d=VECTOR('',#%d,1.);\n", numbered("vector", "edge"), numbered("way", "edge"))
    lines += _rows(
        "#%d=LINE('',#%d,#%d);\n",
        numbered("line", "edge"), first["point"] + edges[:, 0], numbered("vector", "edge"),
    )  # fmt: skip
    lines += _rows(
        "#%d=EDGE_CURVE('',#%d,#%d,#%d,.T.);\n",
        numbered("edge", "edge"), first["vertex"] + edges[:, 0], first["vertex"] + edges[:, 1],
        numbered("line", "edge"),
    )  # fmt: skip
    lines += _rows(
        "#%d=ORIENTED_EDGE('',*,*,#%d,.%s.);\n",
        first["used"] + np.arange(3 * count["face"]), first["edge"] + of_face.ravel(),
        np.where(forward.ravel(), "T", "F"),
    )  # fmt: skip
    used = first["used"] + 3 * face
    lines += _rows("#%d=EDGE_LOOP('',(#%d,#%d,#%d));\n", numbered("loop", "face"), used, used + 1, used + 2)
    lines += _rows("#%d=FACE_OUTER_BOUND('',#%d,.T.);\n", numbered("bound", "face"), numbered("loop", "face"))
    lines += _rows("#%d=DIRECTION('',(%s,%s,%s));\n", numbered("normal", "face"), *_reals(normal))
    lines += _rows("#%d=DIRECTION('',(%s,%s,%s));\n", numbered("side", "face"), *_reals(side))
    lines += _rows(
        "#%d=AXIS2_PLACEMENT_3D('',#%d,#%d,#%d);\n",
        numbered("place", "face"), first["point"] + corner, numbered("normal", "face"),
        numbered("side", "face"),
    )  # fmt: skip
    lines += _rows("#%d=PLANE('',#%d);\n", numbered("plane", "face"), numbered("place", "face"))
    lines += _rows(
        "#%d=ADVANCED_FACE('',(#%d),#%d,.T.);\n",
        numbered("face", "face"), numbered("bound", "face"), numbered("plane", "face"),
    )  # fmt: skip
    name = _text(solid.name)
    shell = ",".join(f"#{n}" for n in numbered("face", "face").tolist())
    n = number
    lines.append(
        f"#{n}=CLOSED_SHELL('',({shell}));\n"
        f"#{n + 1}=MANIFOLD_SOLID_BREP({name},#{n});\n"
        f"#{n + 2}=CARTESIAN_POINT('',(0.,0.,0.));\n"
        f"#{n + 3}=DIRECTION('',(0.,0.,1.));\n"
        f"#{n + 4}=DIRECTION('',(1.,0.,0.));\n"
        f"#{n + 5}=AXIS2_PLACEMENT_3D('',#{n + 2},#{n + 3},#{n + 4});\n"
        f"#{n + 6}=ADVANCED_BREP_SHAPE_REPRESENTATION({name},(#{n + 5},#{n + 1}),#9);\n"
        f"#{n + 7}=PRODUCT({name},{name},'',(#3));\n"
        f"#{n + 8}=PRODUCT_DEFINITION_FORMATION('','',#{n + 7});\n"
        f"#{n + 9}=PRODUCT_DEFINITION('design','',#{n + 8},#4);\n"
        f"#{n + 10}=PRODUCT_DEFINITION_SHAPE('','',#{n + 9});\n"
        f"#{n + 11}=SHAPE_DEFINITION_REPRESENTATION(#{n + 10},#{n + 6});\n"
    )
    return n + 12


def _edges(
    faces: NDArray[np.int64], subject: str
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """(e, 2) ends of each edge, (m, 3) edges of each face, and whether it runs along them."""
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    pairs = np.column_stack([np.minimum(start, end), np.maximum(start, end)])
    edges, of, uses = np.unique(pairs, axis=0, return_inverse=True, return_counts=True)
    forward = start < end
    of = of.ravel()
    turns = np.bincount(of, weights=np.where(forward, 1.0, -1.0), minlength=len(edges))
    if (uses % 2).any() or turns.any():
        raise OutputError(subject, "a body is not closed and cannot be written as STEP", "Use the STL files")
    return edges, of.reshape(-1, 3), forward.reshape(-1, 3)


def _unit(vectors: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    length = np.linalg.norm(vectors, axis=1)
    fallback = np.tile([1.0, 0.0, 0.0], (len(vectors), 1))
    good = length > 0.0
    fallback[good] = vectors[good] / length[good, None]
    return fallback, length


def _normals(
    a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64], side: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Unit normals; a triangle without area gets any normal that is square to its first side."""
    cross = np.cross(b - a, c - a)
    flat = np.linalg.norm(cross, axis=1) < 1e-12
    least = np.eye(3)[np.argmin(np.abs(side), axis=1)]
    cross[flat] = np.cross(side, least)[flat]
    return _unit(cross)[0]


def _reals(values: NDArray[np.float64]) -> list[list[str]]:
    """Columns of numbers as STEP writes reals: always with a point."""
    return [[_real(v) for v in column] for column in values.T.tolist()]


def _real(value: float) -> str:
    text = f"{value:.9f}".rstrip("0")
    return "0." if text == "-0." else text


def _rows(pattern: str, *columns: Sequence[object] | NDArray[np.generic]) -> list[str]:
    lists = [c.tolist() if isinstance(c, np.ndarray) else c for c in columns]
    return [pattern % row for row in zip(*lists, strict=True)]


def _text(value: str) -> str:
    """A string of ISO 10303-21: quotes doubled, what is not plain ASCII as hexadecimal."""
    plain = value.replace("\\", "\\\\").replace("'", "''")
    said = re.sub(
        "[^\x20-\x7e]+", lambda m: "\\X4\\" + "".join(f"{ord(ch):08X}" for ch in m.group()) + "\\X0\\", plain
    )
    return f"'{said}'"

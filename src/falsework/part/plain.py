"""OBJ and PLY that hold nothing but corners and triangles, read directly.

Most files are such, and reading one through the general library takes longer to import than to do. Whatever
is not plain to the last line is not read here: None, and the general reader has its say.
"""

from __future__ import annotations

import re

import numpy as np

from falsework.part.raw import RawMesh, check_count

_KNOWN = re.compile(rb"[ \t]*(#|s[ \t])|[ \t\r]*$")  # comments, smoothing groups, nothing
_NUMBERS = {b"float": "<f4", b"float32": "<f4", b"double": "<f8", b"float64": "<f8"}
_OTHERS = {b"uchar": "u1", b"uint8": "u1", b"char": "i1", b"int8": "i1", b"int": "<i4", b"int32": "<i4"}
_LIST = re.compile(rb"property list (uchar|uint8) (u?int|u?int32) vertex_ind(ices|ex)")


def plain_obj(data: bytes, name: str) -> RawMesh | None:
    """An OBJ of lines ``v x y z`` and ``f i j k`` alone, in one piece without a name."""
    corners, faces = [], []
    for line in data.split(b"\n"):
        if line.startswith(b"v "):
            corners.append(line[2:])
        elif line.startswith(b"f "):
            faces.append(line[2:])
        elif not _KNOWN.match(line):
            return None
    told = b" ".join(faces)
    if b"/" in told:
        return None
    return _mesh(b" ".join(corners).split(), told.split(), (len(corners), len(faces)), name)


def _mesh(numbers: list[bytes], indices: list[bytes], counts: tuple[int, int], name: str) -> RawMesh | None:
    """Of corners by three numbers and triangles by three indices from 1."""
    if min(counts) == 0 or len(numbers) != 3 * counts[0] or len(indices) != 3 * counts[1]:
        return None
    check_count(name, counts[1])
    try:
        points = np.array(numbers, dtype=np.float64).reshape(-1, 3)
        triangles = np.array(indices, dtype=np.int64).reshape(-1, 3) - 1
    except (ValueError, OverflowError):
        return None
    if triangles.min() < 0 or triangles.max() >= len(points):
        return None
    return RawMesh(points, triangles, np.zeros(len(triangles), np.int32), ("",), None, ())


def plain_ply(data: bytes, name: str) -> RawMesh | None:
    """A little-endian PLY of vertices that begin with x, y and z, and of triangles alone."""
    end = data.find(b"end_header\n")
    header = _ply_header(data[: max(end, 0)])
    if header is None:
        return None
    corner, vertices, faces = header
    triangle, start = np.dtype([("count", "u1"), ("corners", "<i4", 3)]), end + len(b"end_header\n")
    check_count(name, faces)
    if len(data) != start + vertices * corner.itemsize + faces * triangle.itemsize:
        return None
    points = np.frombuffer(data, corner, vertices, start)
    rows = np.frombuffer(data, triangle, faces, start + vertices * corner.itemsize)
    triangles = rows["corners"].astype(np.int64)
    if (rows["count"] != 3).any() or triangles.min() < 0 or triangles.max() >= vertices:
        return None
    places = np.column_stack([points[axis].astype(np.float64) for axis in "xyz"])
    return RawMesh(places, triangles, np.zeros(faces, np.int32), ("",), None, ())


def _ply_header(text: bytes) -> tuple[np.dtype[np.void], int, int] | None:
    """What a vertex takes, how many there are, and how many faces; None where it is not plain."""
    lines = [line for line in text.split(b"\n") if line and not line.startswith((b"comment", b"obj_info"))]
    if len(lines) < 8 or lines[:2] != [b"ply", b"format binary_little_endian 1.0"]:
        return None
    vertex, *kinds, face, corners = (line.split() for line in lines[2:])
    counted = all(len(one) == 3 and one[2].isdigit() and int(one[2]) > 0 for one in (vertex, face))
    if not counted or (vertex[:2], face[:2]) != ([b"element", b"vertex"], [b"element", b"face"]):
        return None
    known = _NUMBERS | _OTHERS
    if any(len(kind) != 3 or kind[0] != b"property" or kind[1] not in known for kind in kinds):
        return None
    places = [kind[2] for kind in kinds[:3]] == [b"x", b"y", b"z"] and all(
        k[1] in _NUMBERS for k in kinds[:3]
    )
    if not places or not _LIST.fullmatch(b" ".join(corners)) or len({kind[2] for kind in kinds}) < len(kinds):
        return None
    each = np.dtype([(kind[2].decode("latin-1"), known[kind[1]]) for kind in kinds])
    return each, int(vertex[2]), int(face[2])

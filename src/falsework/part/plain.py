"""OBJ and PLY that hold nothing but corners and triangles, read directly.

Most files are such, and reading one through the general library takes longer to import than to do. Whatever
is not plain to the last line is not read here: None, and the general reader has its say.
"""

from __future__ import annotations

import re

import numpy as np

from falsework.part.raw import RawMesh, check_count

_KNOWN = re.compile(rb"[ \t]*(#|s[ \t])|[ \t\r]*$")  # comments, smoothing groups, nothing
_KINDS = {
    b"float": "<f4", b"float32": "<f4", b"double": "<f8", b"float64": "<f8", b"uchar": "|u1", b"uint8": "|u1",
    b"char": "|i1", b"int8": "|i1", b"int": "<i4", b"int32": "<i4",
}  # fmt: skip
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
    (corner, vertices), (triangle, faces) = header
    start = end + len(b"end_header\n")
    check_count(name, faces)
    if len(data) != start + vertices * corner.itemsize + faces * triangle.itemsize:
        return None
    points = np.frombuffer(data, corner, vertices, start)
    rows = np.frombuffer(data, triangle, faces, start + vertices * corner.itemsize)
    triangles = rows["its corners"].astype(np.int64)
    if (rows["its count"] != 3).any() or triangles.min() < 0 or triangles.max() >= vertices:
        return None
    places = np.column_stack([points[axis].astype(np.float64) for axis in "xyz"])
    return RawMesh(places, triangles, np.zeros(faces, np.int32), ("",), None, ())


_Rows = tuple[np.dtype[np.void], int]
"""What a row takes, and how many there are."""


def _ply_header(text: bytes) -> tuple[_Rows, _Rows] | None:
    """Rows of vertices and of triangles; None where it is not plain."""
    lines = [line for line in text.split(b"\n") if line and not line.startswith((b"comment", b"obj_info"))]
    begins = [k for k, line in enumerate(lines) if line.startswith(b"element ")]
    if lines[:2] != [b"ply", b"format binary_little_endian 1.0"] or len(begins) != 2 or begins[0] != 2:
        return None
    (first, many), (second, few) = (
        (words[1], int(words[2])) if len(words) == 3 and words[2].isdigit() else (b"", 0)
        for words in (lines[k].split() for k in begins)
    )
    corners, *beside = lines[begins[1] + 1 :] or [b""]
    if (first, second) != (b"vertex", b"face") or not many or not few or not _LIST.fullmatch(corners):
        return None
    numbers, others = _numbers(lines[3 : begins[1]]), _numbers(beside)
    if numbers is None or others is None:
        return None
    if [(name, kind[1]) for name, kind in numbers[:3]] != [(axis, "f") for axis in "xyz"]:
        return None
    counted = [("its count", "u1"), ("its corners", "<i4", 3)]
    return (np.dtype(numbers), many), (np.dtype([*counted, *others]), few)


def _numbers(lines: list[bytes]) -> list[tuple[str, str]] | None:
    """Name and kind of properties that are one number each; None where one is not, or two share a name."""
    kinds = [line.split() for line in lines]
    if any(len(kind) != 3 or kind[0] != b"property" or kind[1] not in _KINDS for kind in kinds):
        return None
    found = [(kind[2].decode("latin-1"), _KINDS[kind[1]]) for kind in kinds]
    return found if len(dict(found)) == len(found) else None

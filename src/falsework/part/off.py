"""OFF, the text of vertices and polygons, read by itself: faces may have any number of corners."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.part.polygons import triangulated
from falsework.part.raw import MAX_TRIANGLES, RawMesh, check_count

HEADER = re.compile(rb"\s*(ST)?(C)?(N)?(4)?(n)?OFF\b[ \t]*(BINARY)?")
COMMENT = re.compile(rb"#[^\n]*")
AGAIN = "Export the file again"


def read_off(data: bytes, name: str) -> RawMesh:
    """Vertices and polygons of an OFF; normals, colours and texture coordinates are left out."""
    header = HEADER.match(data.lstrip(b"\xef\xbb\xbf"))
    if header is None:
        raise PartError(name, "this is no OFF: it does not begin with OFF", AGAIN)
    if header[4] or header[5]:
        raise PartError(
            name, "its vertices have more than three coordinates", "Export it in three dimensions"
        )
    if header[6]:
        raise PartError(name, "this is a binary OFF", "Export it as text, or as STL or 3MF")
    text = COMMENT.sub(b"", data.lstrip(b"\xef\xbb\xbf")[header.end() :])
    lines = [line for line in text.splitlines() if line.strip()]
    counts = lines[0].split() if lines else []
    if len(counts) < 2 or not all(word.isdigit() for word in counts[:2]):
        raise PartError(name, "its second line does not count vertices and faces", AGAIN)
    vertices, faces = int(counts[0]), int(counts[1])
    check_count(name, faces)
    check_count(name, vertices // 3)
    if len(lines) < 1 + vertices + faces:
        raise PartError(
            name,
            f"the file is cut off: {vertices} vertices and {faces} faces are promised, "
            f"{len(lines) - 1} lines follow",
            AGAIN,
        )
    points = _points(lines[1 : 1 + vertices], name)
    corners, start = _corners(lines[1 + vertices : 1 + vertices + faces], vertices, name)
    triangles = triangulated(points, corners, start)
    check_count(name, min(len(triangles), MAX_TRIANGLES + 1))
    if len(triangles) == 0:
        raise PartError(name, "the file holds points but no faces", "Export a closed surface mesh")
    return RawMesh(points, triangles, np.zeros(len(triangles), np.int32), ("",), None, ())


def _points(lines: list[bytes], name: str) -> NDArray[np.float64]:
    try:
        found = np.array([line.split(None, 3)[:3] for line in lines], dtype=np.float64)
    except ValueError:
        raise PartError(name, "a vertex is not three numbers", AGAIN) from None
    return found.reshape(-1, 3)


def _corners(lines: list[bytes], vertices: int, name: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Vertices of all faces one after another, and where each face begins."""
    counts, flat = [], []
    try:
        for line in lines:
            words = line.split()
            count = int(words[0])
            if len(words) <= count:
                raise ValueError
            counts.append(count)
            flat += words[1 : count + 1]
        corners = np.array(flat, dtype=np.int64)
    except (ValueError, OverflowError):
        raise PartError(name, "a face does not name as many vertices as it says", AGAIN) from None
    if len(corners) and (corners.min() < 0 or corners.max() >= vertices):
        raise PartError(name, f"a face names a vertex beyond the {vertices} there are", AGAIN)
    return corners, np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)

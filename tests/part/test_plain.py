"""Plain OBJ and PLY are read as the general library reads them; what is not plain is left to it."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import trimesh

from falsework.part.demo import demo_parts
from falsework.part.plain import plain_obj, plain_ply

TABLE = demo_parts()["table"]()
OBJ = b"# a triangle\ns 1\nv 0 0 0\nv 1 0 0.5\nv 0 1e1 0\n\nf 1 2 3\n"


def ply(vertices, faces, head=b"property float x\nproperty float y\nproperty float z\n", row="<3f") -> bytes:
    text = b"ply\nformat binary_little_endian 1.0\ncomment made here\nelement vertex %d\n" % len(vertices)
    text += head + b"element face %d\nproperty list uchar int vertex_indices\nend_header\n" % len(faces)
    text += b"".join(struct.pack(row, *v) for v in vertices)
    return text + b"".join(struct.pack("<B3i", 3, *f) for f in faces)


@pytest.mark.parametrize("kind", ["obj", "ply"])
def test_the_same_as_the_general_library(kind) -> None:
    mesh = trimesh.Trimesh(TABLE.vertices, TABLE.faces, process=False)
    data = mesh.export(file_type=kind) if kind == "ply" else None
    if data is None:
        data = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in TABLE.vertices.tolist())
        data = (data + "".join(f"f {a} {b} {c}\n" for a, b, c in (TABLE.faces + 1).tolist())).encode()
    read = plain_obj(data, "table") if kind == "obj" else plain_ply(data, "table")
    there = trimesh.load(io.BytesIO(data), file_type=kind, process=False)
    assert read is not None
    assert np.array_equal(read.vertices, there.vertices) and np.array_equal(read.faces, there.faces)


def test_plain_text() -> None:
    read = plain_obj(OBJ, "one")
    assert read is not None
    assert read.vertices.tolist() == [[0, 0, 0], [1, 0, 0.5], [0, 10, 0]] and read.faces.tolist() == [
        [0, 1, 2]
    ]
    assert plain_obj(OBJ.replace(b"\n", b"\r\n"), "one") is not None


@pytest.mark.parametrize(
    "change",
    [
        (b"f 1 2 3", b"f 1 2 3 1"),
        (b"f 1 2 3", b"f 1/1 2/2 3/3"),
        (b"f 1 2 3", b"f -1 -2 -3"),
        (b"f 1 2 3", b"f 1 2 4"),
        (b"v 1 0 0.5", b"v 1 0 0.5 1 1 1"),
        (b"v 1 0 0.5", b"v 1 0 nought"),
        (b"s 1", b"o leg"),
        (b"f 1 2 3\n", b""),
    ],
)
def test_what_is_not_plain_is_not_read_here(change) -> None:
    assert plain_obj(OBJ.replace(*change), "one") is None


def test_ply_with_colours_and_ply_that_is_cut_off() -> None:
    corners, faces = [(0, 0, 0), (1, 0, 0), (0, 1, 0)], [(0, 1, 2)]
    head = b"property float x\nproperty float y\nproperty float z\nproperty uchar red\n"
    whole = ply([(*c, 7) for c in corners], faces, head, "<3fB")
    read = plain_ply(whole, "one")
    assert read is not None and read.vertices.tolist() == [list(c) for c in corners]
    coloured = whole.replace(
        b"vertex_indices\n", b"vertex_indices\nproperty uchar red\nproperty uchar alpha\n"
    )
    faced = plain_ply(coloured + b"\1\2", "one")
    assert faced is not None and faced.faces.tolist() == [[0, 1, 2]]
    assert plain_ply(coloured, "one") is None, "its faces have colours that are missing"
    assert plain_ply(whole[:-1], "one") is None
    assert plain_ply(ply(corners, [(0, 1, 3)]), "one") is None
    assert plain_ply(whole.replace(b"little", b"big"), "one") is None

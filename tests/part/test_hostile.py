"""Broken, misleading and malicious files: each gives one clear sentence, never a traceback."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest

from falsework.errors import PartError
from falsework.part import read_part
from falsework.part.raw import MAX_TRIANGLES, check_count
from solids import box
from stl_bytes import binary_stl, text_stl

TORUS = Path(__file__).parents[1] / "data" / "torus.3mf"
VERTICES, FACES = box()
CORNERS = VERTICES[FACES]
GOOD = binary_stl(CORNERS)
TEXT = text_stl(CORNERS)


def refused(tmp_path, name, content, match, **options):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(PartError, match=match) as caught:
        read_part(path, **options)
    message = str(caught.value)
    assert caught.value.cure and "\n" not in message and "Traceback" not in message
    return message


def with_corner(value):
    corners = np.array(CORNERS)
    corners[:, 0, 0] = value
    return binary_stl(corners)


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", "empty"),
        (GOOD[:-75], "promises 12 triangles, 10 are whole, 2 are missing"),
        (GOOD[:200], "2 are whole, 10 are missing"),
        (binary_stl(CORNERS[:0]), "no triangles"),
        (b"\x00" * 10, "too few"),
        (with_corner(np.nan), "no numbers"),
        (with_corner(np.inf), "no numbers"),
        (binary_stl(CORNERS[:2]), "flat"),
        (binary_stl(np.concatenate([CORNERS[:2], CORNERS[:2, ::-1]])), "encloses nothing"),
        (b"dear print room, please print this\n" * 30, "text, but no STL"),
        (np.random.default_rng(1).bytes(5000), "no STL|cut off"),
        (TEXT[: TEXT.rindex("vertex")], "last facet has fewer than three corners"),
        (TEXT[: TEXT.index("vertex", 300) + 9], "cut off or broken"),
        (TEXT.replace("vertex 10", "vertex ten", 1), "not a number: 'ten'"),
        ("solid a\nendsolid a\n", "no triangles"),
    ],
)
def test_broken_stl(tmp_path, content, match):
    refused(tmp_path, "a.stl", content, match)


def test_text_that_stops_between_facets_is_a_serious_finding(tmp_path):
    path = tmp_path / "a.stl"
    path.write_text(TEXT[: TEXT.index("endsolid")])
    part = read_part(path)
    assert [f.what for f in part.health.findings if f.serious] == ["unfinished text"]


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"scale": 0}, "usable factor"),
        ({"scale": -1.0}, "usable factor"),
        ({"scale": float("nan")}, "usable factor"),
        ({"scale": 1.1e4}, "usable factor"),
        ({"unit": "furlong"}, "not known"),
        ({"unit": "m", "scale": 10.0}, "100 m long"),
        ({"unit": "um", "scale": 1e-5}, "mm long"),
    ],
)
def test_absurd_sizes(tmp_path, options, match):
    refused(tmp_path, "a.stl", GOOD, match, **options)


PLY = "ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nproperty float y\nproperty float z\n"


@pytest.mark.parametrize(
    ("name", "content", "match"),
    [
        ("a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "is broken|points at vertex|beyond the"),
        ("a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no faces|no triangles"),
        ("a.obj", "nothing of use", "no triangles|is broken"),
        ("a.obj", "v 0 0 0\nv inf 0 0\nv 0 1 0\nf 1 2 3\n", "encloses nothing|no numbers"),
        ("a.ply", PLY + "end_header\n0 0 0\n1 1 1\n", "no faces"),
        ("a.off", "OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 7\n", "is broken|points at vertex|beyond the"),
        ("a.off", "OFF\n8 12 0\n0 0 0\n", "cut off|does not follow"),
        ("a.glb", b"glTF\x02\x00\x00\x00\xff\xff\x00\x00abc", "cut off"),
        ("a.gltf", '{"asset": {', "broken"),
        ("a.gltf", '{"asset":{},"buffers":[{"uri":"../../secret.bin"}]}', "outside its folder"),
        ("a.gltf", '{"asset":{},"buffers":[{"uri":"%2e%2e%2fsecret.bin"}]}', "outside its folder"),
        ("a.gltf", '{"asset":{},"buffers":[{"uri":"http://localhost/x"}]}', "outside its folder"),
        ("a.gltf", '{"asset":{},"buffers":[{"uri":"gone.bin"}]}', "missing"),
        ("a.gltf", '{"asset":{},"extensionsRequired":["KHR_draco_mesh_compression"]}', "compressed"),
        ("a.xyz", np.random.default_rng(2).bytes(3000), "no format that is known"),
    ],
)
def test_broken_meshes_of_other_formats(tmp_path, name, content, match):
    refused(tmp_path, name, content, match)


def test_a_broken_step_is_one_sentence_and_prints_nothing(tmp_path, capfd):
    pytest.importorskip("cascadio")
    refused(tmp_path, "a.step", "ISO-10303-21;\nHEADER;garbage", "broken or holds no solid")
    assert capfd.readouterr() == ("", "")


def package(*entries):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries:
            archive.writestr(name, content)
    return out.getvalue()


MODEL = "3D/3dmodel.model"
BILLION = '<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "aaaaaaaaaa">]><model>&a;</model>'


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"not a package", "not a zip"),
        (b"PK\x03\x04" + b"\x00" * 100, "cut off or broken"),
        (package(("readme.txt", "x")), "no model"),
        (package((MODEL, b" " * 40_000_000)), "unpacks"),
        (package((MODEL, "<model/>"), ("../../evil.sh", "x")), "points outside"),
        (package((MODEL, "<model/>"), ("/etc/evil", "x")), "points outside"),
        (package((MODEL, "<model/>"), ("a\\..\\..\\evil", "x")), "points outside"),
        (package((MODEL, BILLION)), "XML entities"),
        (package((MODEL, " " * 2**20 + BILLION)), "XML entities"),
        (package((MODEL, BILLION.encode("utf-16"))), "not UTF-8"),
        (package((MODEL, "<model>")), "cut off|does not follow"),
        (TORUS.read_bytes()[:9000], "cut off or broken"),
    ],
)
def test_broken_and_malicious_3mf(tmp_path, content, match):
    refused(tmp_path, "a.3mf", content, match)


def test_a_package_that_lies_about_its_size_is_caught_while_unpacking(tmp_path):
    data = bytearray(package((MODEL, b"<model>" + b"x" * 200_000 + b"</model>")))
    for signature, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = data.find(signature) + offset
        struct.pack_into("<I", data, at, 1000)
    refused(tmp_path, "a.3mf", bytes(data), "cut off or broken|larger than it declares")


def test_too_many_triangles_are_refused_before_they_are_read():
    with pytest.raises(PartError, match="20,000,000 is the limit"):
        check_count("a.stl", MAX_TRIANGLES + 1)


def test_missing_files_and_folders(tmp_path):
    for path, match in ((tmp_path / "none.stl", "no such file"), (tmp_path, "folder")):
        with pytest.raises(PartError, match=match):
            read_part(path)


def test_any_cut_of_a_file_gives_a_part_or_one_sentence(tmp_path):
    rng = np.random.default_rng(9)
    for name, data in (("a.stl", GOOD), ("b.stl", TEXT.encode()), ("c.3mf", TORUS.read_bytes())):
        for _ in range(15):
            broken = bytearray(data[: rng.integers(1, len(data))])
            broken[int(rng.integers(len(broken)))] ^= int(rng.integers(1, 255))
            (tmp_path / name).write_bytes(broken)
            try:
                part = read_part(tmp_path / name)
            except PartError as error:
                assert len(str(error)) < 400
            else:
                assert len(part.faces) > 0


def test_nested_components_are_counted_and_not_expanded(tmp_path):
    """Each object holds the one before twice: 2^93 pieces, some 10^28, in less than two thousand bytes."""
    held = "".join(
        f'<object id="{k + 1}" type="model"><components><component objectid="{k}"/>'
        f'<component objectid="{k}"/></components></object>'
        for k in range(1, 94)
    )
    one = '<object id="1" type="model"><mesh><vertices/><triangles/></mesh></object>'
    model = f'<model><resources>{one}{held}</resources><build><item objectid="94"/></build></model>'
    data = package((MODEL, model))
    assert len(data) < 2000
    refused(tmp_path, "a.3mf", data, "stand for more than 100,000 pieces")

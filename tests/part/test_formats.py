"""Formats as their specifications have them: polygons of OFF, what a 3MF requires, units and sizes."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

from falsework.errors import PartError
from falsework.part import read_part
from falsework.part.polygons import triangulated
from falsework.wording.figures import plain

MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
BEAMS = "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"
CUBE = [(x, y, z) for z in (0, 10) for y in (0, 10) for x in (0, 10)]
SIDES = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
HOUSE = [(0, 0), (20, 0), (20, 10), (10, 20), (0, 10)]
ARROW = [(0, 0), (10, 5), (20, 0), (10, 20)]  # turns back at its second corner
RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns='
    '"http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Target="/3D/a.model" '
    'Id="r" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
KINDS = (
    '<?xml version="1.0" encoding="UTF-8"?><Types xmlns='
    '"http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="model" '
    'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)


def off(outline: list[tuple[int, int]], height: int = 5) -> str:
    """A prism over an outline: two faces of many corners, the others of four."""
    n = len(outline)
    points = [f"{x} {y} {z}" for z in (0, height) for x, y in outline]
    faces = [
        " ".join(map(str, [n, *reversed(range(n))])),
        " ".join(map(str, [n, *range(n, 2 * n)])) + " 200 30 30",  # with a colour
        *(f"4 {k} {(k + 1) % n} {n + (k + 1) % n} {n + k}" for k in range(n)),
    ]
    return "\n".join(["OFF # a prism", f"{2 * n} {n + 2} 0", *points, "", *faces])


def model(folder: Path, root: str = "", resources: str = "", of_object: str = "", inside: str = "") -> Path:
    triangles = [t for a, b, c, d in SIDES for t in ((a, b, c), (a, c, d))]
    mesh = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in CUBE)
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in triangles)
    text = (
        '<?xml version="1.0" encoding="UTF-8"?><model unit="millimeter" xml:lang="en-US" '
        f'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02" {root}><resources>{resources}'
        f'<object id="9" type="model" {of_object}><mesh><vertices>{mesh}</vertices>'
        f"<triangles>{faces}</triangles>{inside}</mesh></object></resources>"
        '<build><item objectid="9"/></build></model>'
    )
    path = folder / "a.3mf"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("[Content_Types].xml", KINDS)
        package.writestr("_rels/.rels", RELATIONS)
        package.writestr("3D/a.model", text)
    return path


@pytest.mark.parametrize(
    ("outline", "area"), [(HOUSE, 300.0), (ARROW, 150.0), (ARROW[1:] + ARROW[:1], 150.0)]
)
def test_an_off_of_polygons_is_a_closed_prism(tmp_path, outline, area) -> None:
    (tmp_path / "a.off").write_text(off(outline))
    part = read_part(tmp_path / "a.off", unit="mm")
    assert part.health.closed and part.volume_mm3 == pytest.approx(5.0 * area)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("way", [1, -1])
def test_ears_keep_the_winding_whatever_plane_a_face_lies_in(axis, way) -> None:
    points = np.insert(np.array(ARROW, float), axis, 3.0, axis=1)
    corners = np.arange(4)[::way]
    triangles = triangulated(points, corners, np.array([0, 4]))
    a, b, c = (points[triangles[:, k]] for k in range(3))
    found = 0.5 * np.cross(b - a, c - a).sum(axis=0)
    moved = points[corners] - points[corners][0]
    expected = 0.5 * np.cross(moved[1:-1], moved[2:]).sum(axis=0)
    assert found == pytest.approx(expected) and len(triangles) == 2


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n", "cut off"),
        ("OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 7\n", "beyond the 3"),
        ("OFF\n3 1 0\n0 0 0\n1 0 x\n0 1 0\n3 0 1 2\n", "not three numbers"),
        ("OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n5 0 1 2\n", "as many vertices as it says"),
        ("OFF\nthree\n", "does not count"),
        ("OFF BINARY\n", "binary OFF"),
    ],
)
def test_a_broken_off_says_what_is_wrong_with_it(tmp_path, text, match) -> None:
    (tmp_path / "a.off").write_text(text)
    with pytest.raises(PartError, match=match):
        read_part(tmp_path / "a.off", unit="mm")


def test_a_3mf_is_refused_by_the_name_of_what_it_requires(tmp_path) -> None:
    lattice = model(tmp_path, f'xmlns:b="{BEAMS}" requiredextensions="b"')
    with pytest.raises(PartError, match="know beam lattices"):
        read_part(lattice)
    other = model(tmp_path, 'xmlns:q="http://example.org/q" requiredextensions="q"')
    with pytest.raises(PartError, match="know the extension http:"):
        read_part(other)


def test_lattices_that_are_not_required_are_named(tmp_path) -> None:
    inside = (
        '<b:beamlattice radius="1" minlength="0.1"><b:beams><b:beam v1="0" v2="7"/></b:beams></b:beamlattice>'
    )
    part = read_part(model(tmp_path, f'xmlns:b="{BEAMS}"', inside=inside))
    (found,) = [f for f in part.health.findings if f.what == "beam lattices"]
    assert found.serious and found.count == 1


def test_materials_that_are_broken_leave_the_geometry(tmp_path) -> None:
    colours = '<m:colorgroup id="2"><m:color color="#12345678"/></m:colorgroup>'
    part = read_part(model(tmp_path, f'xmlns:m="{MATERIAL}"', colours, 'pid="2" pindex="7"'))
    assert part.volume_mm3 == pytest.approx(1000.0)
    said = [f.what for f in part.health.findings]
    assert "materials" in said or "breaches of the 3MF specification" in said


def test_the_scale_counts_before_a_size_is_refused_and_the_unit_that_helps_is_named(tmp_path) -> None:
    (tmp_path / "a.off").write_text(off([(1000 * x, 1000 * y) for x, y in HOUSE], 5000))
    with pytest.raises(PartError) as caught:
        read_part(tmp_path / "a.off", unit="m")
    assert "--unit mm" not in plain(caught.value.cure)  # 20 m: no part either
    small = read_part(tmp_path / "a.off", unit="mm", scaled_later=0.01)
    assert small.size_mm[0] == pytest.approx(20_000.0)
    (tmp_path / "b.off").write_text(off(HOUSE))
    with pytest.raises(PartError, match="m long") as caught:
        read_part(tmp_path / "b.off", unit="m")
    assert "--unit mm makes it 20.0 mm" in plain(caught.value.cure)

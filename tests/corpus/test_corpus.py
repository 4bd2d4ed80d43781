"""Every solid that once failed is planned, and what is said of it is what it should be."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import shapely

from corpus.cases import CASES, Case
from falsework.auditing.placement import place_in
from falsework.auditing.survey import survey, usual
from falsework.errors import PartError
from falsework.layers.polygons import offset_mitred
from falsework.part import read_part
from falsework.part.health import CheckedMesh, refuse_no_volume
from falsework.planning import inspect, plan
from falsework.process import load_process, override
from falsework.wording.figures import plain
from programs import Writer, block, heights
from solids import DAMAGED, box, part_of
from stl_bytes import binary_stl


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_once_failed(case: Case) -> None:
    process = override(load_process("pla-0.4"), case.settings) if case.settings else load_process("pla-0.4")
    made = plan(case.part, process, standing="bed-or-part")
    assert (len(made.undersides), len(made.pieces)) == (case.undersides, case.pieces)
    assert len(made.warnings) == len(case.warnings), made.warnings
    for said, start in zip(made.warnings, case.warnings, strict=True):
        assert plain(said.text).startswith(start)


def test_loose_triangles_are_no_part(tmp_path: Path) -> None:
    """A hundred of them got 41 pieces of support; of real parts 3 % of all edges are loose at most."""
    rng = np.random.default_rng(1)
    corners = rng.uniform(0.0, 25.0, (100, 1, 3)) + rng.normal(0.0, 2.0, (100, 3, 3))
    (tmp_path / "loose.stl").write_bytes(binary_stl(corners))
    with pytest.raises(PartError, match="it is no solid"):
        read_part(tmp_path / "loose.stl", unit="mm")


def test_an_outline_is_not_lost_on_its_way_inwards() -> None:
    """GEOS 3.14 gives nothing for this one with pointed corners; with round ones it leaves 169.2 mm²."""
    text = (Path(__file__).parent / "outline-lost-by-a-mitred-offset.wkb.hex").read_text("ascii")
    outline = shapely.from_wkb(bytes.fromhex(text))
    assert offset_mitred(outline, -0.9).area == pytest.approx(169.2, rel=0.005)
    both = np.array([outline, shapely.box(0, 0, 10, 10)], dtype=object)
    assert shapely.area(offset_mitred(both, -0.9)) == pytest.approx([169.2, 8.2**2], rel=0.005)


def test_a_strand_longer_than_any_machine_is_laid_on_the_part_in_few_points() -> None:
    """A spoilt program with strands of 900 m: points along them filled gigabytes and took seconds."""
    square = shapely.box(60, 60, 63, 63)
    writer = block(Writer(), square, heights(0.6))
    for _ in range(20):
        writer.to(900_000.0, 60.0)
        writer.to(60.0, 60.0)
    found = survey(block(writer, square, [(0.8, 0.2)]).end().bytes(), load_process("pla-0.4"))
    part = part_of(*box((3.0, 3.0, 0.8)))
    tracemalloc.start()
    place_in(part, found, usual(found), around_mm=3.0)
    high = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert high < 4e8  # 144 million points would be 2.3 GB and their normals as much again


def test_a_surface_that_encloses_less_than_nothing_is_no_part() -> None:
    """A cube of 25 mm in 76,520 bodies was headlined with −122 cm³."""
    vertices, faces = box((10.0, 10.0, 10.0))
    faces = np.asarray(faces, dtype=np.int32)
    label = np.zeros(len(faces), dtype=np.int32)
    refuse_no_volume(CheckedMesh(vertices, faces, label), "cube.stl")
    inside_out = CheckedMesh(vertices, faces[:, ::-1].copy(), label)
    with pytest.raises(PartError, match="it is no solid: by its surface it encloses −1"):
        refuse_no_volume(inside_out, "cube.stl")
    again = CheckedMesh(vertices, np.tile(faces, (5, 1)), np.tile(label, 5))
    with pytest.raises(PartError, match="in a box of 1"):
        refuse_no_volume(again, "cube.stl")


def test_an_open_mesh_has_the_volume_of_its_layers() -> None:
    """68 cm³ were headlined for a part of which 42 were printed."""
    vertices, faces = box((20.0, 16.0, 12.0))
    open_box = part_of(vertices, np.asarray(faces, dtype=np.int32)[:-1], DAMAGED)
    assert abs(open_box.volume_mm3) != pytest.approx(3840.0, rel=0.02)
    found = inspect(open_box)
    assert found.part.volume_mm3 == pytest.approx(3840.0, rel=0.005)


@pytest.mark.parametrize(("along", "wrong"), [(0, "would have to be bridged"), (1, "encloses anything")])
def test_what_would_have_to_be_guessed_is_no_part(along: int, wrong: str) -> None:
    """Gaps of 30 mm were bridged in a part 25 mm long: here two opposite walls are missing."""
    vertices, faces = box((20.0, 19.0, 12.0))
    normals = np.cross(*(vertices[faces][:, k] - vertices[faces][:, 0] for k in (1, 2)))
    left = np.asarray(faces, dtype=np.int32)[np.abs(normals[:, along]) < 1e-9]
    with pytest.raises(PartError, match=wrong):
        inspect(part_of(vertices, left, DAMAGED))

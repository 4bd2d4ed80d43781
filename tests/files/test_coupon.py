"""The folder of a test piece: what is in its files, and that nothing is half-written."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import lib3mf
import numpy as np
import pytest

from coupon.pieces import piece
from falsework.coupon import Coupon, CouponKind
from falsework.errors import Cancelled, OutputError
from falsework.files.coupon import COLUMNS, OUTCOMES, tray, write_coupon
from falsework.part import read_part
from falsework.watch import Watch


def objects_of(path: Path) -> list[tuple[str, str, int]]:
    """Name, type and triangles of the mesh objects in a 3MF, read by lib3mf."""
    model = lib3mf.get_wrapper().CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(path))
    out, meshes = [], model.GetMeshObjects()
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        assert mesh.IsManifoldAndOriented() or mesh.GetType() == lib3mf.ObjectType.Support
        out.append((mesh.GetName(), mesh.GetType().name, mesh.GetTriangleCount()))
    return out


def test_piece_and_supports_are_objects_of_their_kinds(tmp_path: Path) -> None:
    coupon = piece(CouponKind.GAP)
    write_coupon(coupon, tmp_path / "gap")
    first, *others = objects_of(tmp_path / "gap" / "print.3mf")
    body = coupon.geometry.bodies[0]
    assert first == (f"test piece {coupon.code}", "Model", len(body.part.faces))
    assert sorted(o[0] for o in others) == sorted(f"support of cell {c.label}" for c in coupon.cells)
    assert {o[1] for o in others} == {"Support"}
    assert sum(o[2] for o in others) == len(body.support_faces)
    alone = read_part(tmp_path / "gap" / "piece.stl", unit="mm")
    assert alone.health.closed
    assert alone.volume_mm3 == pytest.approx(body.part.volume_mm3, rel=1e-5)
    write_coupon(coupon, tmp_path / "gap", supports_as="model")
    assert {o[1] for o in objects_of(tmp_path / "gap" / "print.3mf")} == {"Model"}


def test_the_document_reads_back_and_the_bytes_stay_the_same(tmp_path: Path) -> None:
    coupon = piece(CouponKind.BRIDGE)
    written = write_coupon(coupon, tmp_path / "a", extra={"sheet.html": b"sheet"})
    again = write_coupon(coupon, tmp_path / "b", extra={"sheet.html": b"sheet"})
    assert [p.name for p in written] == [p.name for p in again]
    assert [p.read_bytes() for p in written] == [p.read_bytes() for p in again]
    assert Coupon.from_json((tmp_path / "a" / "coupon.json").read_text("utf-8")) == coupon
    assert (tmp_path / "a" / "sheet.html").read_bytes() == b"sheet"


@pytest.mark.parametrize("kind", list(CouponKind))
def test_the_tray_hides_what_is_tried_and_its_outcomes_are_blank(kind: CouponKind) -> None:
    coupon = piece(kind)
    rows = list(csv.DictReader(io.StringIO(tray(coupon))))
    assert tuple(rows[0]) == COLUMNS
    assert not {"air_gap_mm", "fan", "angle_deg", "span_mm", "interface_layers"} & set(COLUMNS)
    assert [row["cell"] for row in rows] == sorted(cell.label for cell in coupon.cells)
    for row in rows:
        cell = coupon.cell(row["cell"])
        assert (row["coupon"], row["printer"]) == (coupon.code, coupon.process.printer.name)
        assert all(row[name] == "" for name in ("measured_on", "by", *OUTCOMES))
        assert float(row["#nominal_mm"]) == pytest.approx(cell.nominal_mm, abs=5e-4)


def test_the_same_piece_may_be_written_again_another_not(tmp_path: Path) -> None:
    folder = tmp_path / "piece"
    write_coupon(piece(CouponKind.OVERHANG), folder)
    (folder / "photograph.jpg").write_bytes(b"mine")
    write_coupon(piece(CouponKind.OVERHANG), folder)
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert set(before) == {"coupon.json", "print.3mf", "piece.stl", "readings.csv", "photograph.jpg"}
    with pytest.raises(OutputError, match="may have been printed"):
        write_coupon(piece(CouponKind.BRIDGE), folder)
    (folder / "coupon.json").write_text('{"schema": "falsework.coupon/1"}')
    with pytest.raises(OutputError, match="that cannot be read, which may have been printed"):
        write_coupon(piece(CouponKind.OVERHANG), folder)
    assert {p.name: p.read_bytes() for p in folder.iterdir() if p.name != "coupon.json"} == {
        name: content for name, content in before.items() if name != "coupon.json"
    }


def test_what_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    coupon = piece(CouponKind.OVERHANG)
    with pytest.raises(OutputError, match="holds no geometry"):
        write_coupon(replace(coupon, geometry=None), tmp_path / "x")
    with pytest.raises(OutputError, match="cannot be written as 'brim'"):
        write_coupon(coupon, tmp_path / "x", supports_as="brim")  # type: ignore[arg-type]
    with pytest.raises(Cancelled):
        write_coupon(coupon, tmp_path / "x", watch=Watch(stop=lambda: True))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("content", [b"\xff\xfe not text", b"coupon,cell\r\nG,A\r\n"])
def test_a_tray_that_cannot_be_judged_counts_as_filled(tmp_path: Path, content: bytes) -> None:
    coupon = piece(CouponKind.OVERHANG)
    write_coupon(coupon, tmp_path / "x")
    (tmp_path / "x" / "readings.csv").write_bytes(content)
    with pytest.raises(OutputError, match="holds readings"):
        write_coupon(coupon, tmp_path / "x")
    assert (tmp_path / "x" / "readings.csv").read_bytes() == content


def test_supports_lie_as_in_the_piece(tmp_path: Path) -> None:
    coupon = piece(CouponKind.CONFIRM)
    write_coupon(coupon, tmp_path / "x")
    stl = read_part(tmp_path / "x" / "supports.stl", unit="mm")
    body = coupon.geometry.bodies[0]
    assert np.allclose(stl.bounds_mm[0], body.support_vertices.min(axis=0), atol=1e-4)
    assert np.allclose(stl.bounds_mm[1], body.support_vertices.max(axis=0), atol=1e-4)

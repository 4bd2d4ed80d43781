"""Described shapes are those of the Python API; buffers and figures are what they say."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from falsework.bench import figures
from falsework.bench.buffers import read_buffers, write_buffers
from falsework.bench.documents import document_models, model_of
from falsework.bench.stages import Stage
from falsework.bench.work import Bench, do, fit_file, part_file
from falsework.documents import encode
from falsework.files.stl import write_stl
from falsework.part.demo import gull, table
from falsework.planning import Plan, inspect, plan
from falsework.process import builtin
from falsework.request import Placing, Wish
from plans import bracket_plan
from solids import box, part_of


def test_models_say_what_documents_hold() -> None:
    made = plan(table(20.0, 20.0, 10.0))
    shown = json.loads(made.to_json(said=True))
    shown.pop("schema")
    model = model_of(Plan)
    assert set(model.model_fields) == set(shown)
    read = model.model_validate(shown)
    assert json.loads(read.model_dump_json()) == shown
    with pytest.raises(ValueError, match="limit_deg"):
        model.model_validate({**shown, "limit_deg": "steep"})
    assert {model.__name__ for model in document_models()} >= {
        "Plan",
        "Inspection",
        "Totals",
        "Orientations",
        "Remedy",
    }


def test_buffers_come_back_as_they_were(tmp_path: Path) -> None:
    arrays = {
        "a": np.arange(7, dtype=np.uint8),
        "b": np.linspace(0, 1, 9, dtype=np.float32).reshape(3, 3),
        "c": np.zeros((0, 4), np.float32),
        "d": np.array([1, 2**32 - 1], np.uint32),
        "e": np.arange(3, dtype=np.uint16),
    }
    write_buffers(tmp_path / "x", arrays, {"width_mm": 0.45})
    data = (tmp_path / "x").read_bytes()
    read, meta = read_buffers(data)
    assert meta == {"width_mm": 0.45} and list(read) == list(arrays)
    for name, array in arrays.items():
        assert read[name].dtype.itemsize == array.dtype.itemsize and np.array_equal(read[name], array)
    start = 8 + int.from_bytes(data[4:8], "little")
    assert start % 8 == 0 and len(data) % 8 == 0
    with pytest.raises(ValueError, match="not a file of buffers"):
        read_buffers(b"solid x")


def test_a_fine_mesh_gets_a_coarse_one_of_the_same_shape() -> None:
    part = gull(60_000)
    coarse = figures.coarse_mesh(part, 8_000)
    assert 4_000 < len(coarse["faces"]) < 12_000
    assert coarse["faces"].max() < len(coarse["positions"])
    cells = np.floor((part.vertices - coarse["grid"][:3]) / coarse["grid"][3])  # one corner is left in each
    assert len(np.unique(cells, axis=0)) == pytest.approx(len(coarse["positions"]), rel=0.01)
    low, high = part.bounds_mm
    assert np.abs(coarse["positions"].min(axis=0) - low).max() < 0.03 * np.abs(high - low).max()
    # its volume by the divergence theorem: vertices move by up to a cell's half, inward on the whole
    from falsework.kernels.mesh.measures import mesh_volume

    volume = mesh_volume(coarse["positions"].astype(np.float64), coarse["faces"].astype(np.int64))
    assert volume == pytest.approx(part.volume_mm3, rel=0.05)
    small = part_of(*box())
    assert len(figures.coarse_mesh(small)["faces"]) == 12


def test_smooth_patches_of_a_box_are_its_sides() -> None:
    labels = figures.smooth_patches(part_of(*box()))
    assert len(set(labels.tolist())) == 6
    assert all((labels == label).sum() == 2 for label in labels)


def test_triangles_of_an_underside_cover_it_and_look_down() -> None:
    inspection = inspect(table(40.0, 30.0, 15.0))
    ground = inspection.ground
    assert ground is not None
    mesh = figures.undersides_mesh(ground)
    corners = mesh["positions"].astype(np.float64).reshape(-1, 3, 3)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = 0.5 * np.linalg.norm(normals, axis=1)
    big = inspection.undersides[0]
    own = slice(int(mesh["start"][0]), int(mesh["start"][1]))
    # cut on a grid: as far off as the finest piece
    assert areas[own].sum() == pytest.approx(big.area_mm2, rel=0.05)
    assert len(corners) == mesh["start"][-1]
    assert (normals[own][:, 2] < 0).all()


def test_layers_hold_sections_need_and_strands_of_every_layer() -> None:
    made = bracket_plan()
    assert made.geometry is not None
    need = figures.need_layers(made.geometry)
    count = made.geometry.stack.count
    assert len(need["z"]) == count + 1 and len(need["layer_rings"]) == count + 1
    assert need["layer_rings"][-1] == len(need["ring_start"]) - 1
    assert need["air_layer_rings"][-1] == len(need["air_underside"]) == len(need["air_ring_start"]) - 1
    strands = figures.supports_layers(made.geometry)
    assert strands["layer_start"][-1] == len(strands["ends"]) == len(strands["role"])
    pieces = {piece.number for piece in made.pieces}
    assert set(strands["piece"].tolist()) <= pieces
    mesh = figures.supports_mesh(made.geometry)
    assert mesh["start"][-1] == len(mesh["faces"]) and len(mesh["start"]) == len(pieces) + 1


def test_a_changed_gap_slices_nothing_again_and_marked_faces_are_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import replace

    from falsework.planning import pipeline
    from falsework.watch import QUIET

    part = table(40.0, 30.0, 15.0)
    place = part_file(tmp_path, "a" * 64)
    place.parent.mkdir(parents=True)
    write_stl(place, part.vertices, part.faces, part.name)
    called = []
    slicing = pipeline.stack_layers
    monkeypatch.setattr(pipeline, "stack_layers", lambda *a, **k: called.append(1) or slicing(*a, **k))
    bench = Bench(tmp_path)
    process = builtin("pla-0.4")
    told = {
        "digest": "a" * 64,
        "name": "table.stl",
        "placing": encode(Placing()),
        "wish": encode(Wish(process)),
        "fit": "",
        "marks": {},
        "supports_as": "support",
    }
    kept_off = {**told, "marks": {"spare": "m"}}
    do(Stage.UNDERSIDES, bench, told, tmp_path, QUIET)
    do(Stage.SUPPORTS, bench, told, tmp_path, QUIET)
    first = Plan.from_json((tmp_path / "supports.json").read_text("utf-8"))
    wider = replace(
        process, structure=replace(process.structure, air_gap_layers=process.structure.air_gap_layers + 1)
    )
    do(Stage.SUPPORTS, bench, {**told, "wish": encode(Wish(wider))}, tmp_path, QUIET)
    second = Plan.from_json((tmp_path / "supports.json").read_text("utf-8"))
    assert second.gap.layers == first.gap.layers + 1 and len(called) == 1

    # a fit that another version stored counts as none
    fit = fit_file(tmp_path, "f" * 64)
    fit.parent.mkdir()
    fit.write_text("{}", "utf-8")
    do(Stage.UNDERSIDES, bench, {**told, "fit": "f" * 64}, tmp_path, QUIET)
    inspection = json.loads((tmp_path / "inspection.json").read_text("utf-8"))
    assert inspection["undersides"] == [encode(underside) for underside in first.undersides]

    # every face of the table is not to be touched: its underside is left, unless the user says otherwise
    import base64

    bench.marks = {"m": base64.b64encode(b"\xff" * len(part.faces)).decode()}
    do(Stage.TOTALS, bench, kept_off, tmp_path, QUIET)
    totals = json.loads((tmp_path / "totals.json").read_text("utf-8"))
    asked = [u.number for u in first.undersides if u.kind.value != "holds"]
    assert [u["number"] for u in totals["sparing"]["undersides"] if u["whole"]] == asked
    assert totals["sparing"]["faces"] == [] and totals["sparing"]["area_mm2"] > 0
    assert {c["chosen"] for c in totals["choices"]} == {"leave"}
    assert "lies on faces supports must not touch" in totals["choices"][0]["why"]
    do(
        Stage.TOTALS,
        bench,
        {**kept_off, "wish": {**told["wish"], "overrules": {"1": "bed"}}},
        tmp_path,
        QUIET,
    )
    totals = json.loads((tmp_path / "totals.json").read_text("utf-8"))
    assert totals["choices"][0]["chosen"] == "bed"
    assert any("carried all the same, by your own choice" in said["text"] for said in totals["warnings"])
    do(Stage.SUPPORTS, bench, kept_off, tmp_path, QUIET)
    spared = Plan.from_json((tmp_path / "supports.json").read_text("utf-8"))
    assert spared.pieces == () and spared.sparing is not None
    assert spared.sparing.faces == ((0, len(part.faces)),)
    # marks of another mesh that mark nothing of this one change nothing
    bench.marks = {"m": base64.b64encode(bytes(8)).decode()}
    do(Stage.SUPPORTS, bench, {**kept_off, "wish": {**told["wish"], "standing": "bed"}}, tmp_path, QUIET)
    free = Plan.from_json((tmp_path / "supports.json").read_text("utf-8"))
    assert free.pieces and free.sparing is None
    assert len(called) == 1

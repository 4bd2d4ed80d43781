"""``falsework redraw`` as a person uses it: what it says, what it writes, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh

from falsework.cli.app import run
from falsework.files.redraw import write_redraw
from falsework.files.stl import write_stl
from falsework.part import read_part
from falsework.part.demo import demo_parts
from falsework.redrawing import Redraw


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("redraw")
    part = demo_parts()["table"]()
    write_stl(folder / "table.stl", part.vertices, part.faces, "table")
    return folder


@pytest.fixture(scope="module")
def written(folder: Path) -> tuple[Path, str]:
    import contextlib
    import io
    import os

    said, before = io.StringIO(), os.getcwd()
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(said):
            assert run(["redraw", "table.stl", "--no-split", "--change", "1=ribs"]) == 0
    finally:
        os.chdir(before)
    return folder / "table-redrawn", said.getvalue()


def test_it_says_what_to_do_and_what_each_way_takes(written: tuple[Path, str]) -> None:
    _, said = written
    assert said.startswith("Print it in another position: the part need not be changed.")
    assert "> another position" in said and "The redrawn part needs no support at all." in said
    assert "does not certify a part" in said
    assert "Written to table-redrawn: redraw.json, redrawn.3mf, redrawn.stl, changes.3mf, redraw.html" in said


def test_the_written_part_is_closed_lies_on_the_drawing_and_holds_the_changes(written, folder) -> None:
    out, _ = written
    redraw = Redraw.from_json((out / "redraw.json").read_text("utf-8"))
    assert redraw.combined is not None
    before, after = trimesh.load(folder / "table.stl"), trimesh.load(out / "redrawn.stl")
    assert after.is_watertight and after.is_winding_consistent
    assert np.allclose(before.bounds, after.bounds, atol=1e-3)
    combined = redraw.combined
    added = combined.added_mm3 - combined.removed_mm3
    assert after.volume - before.volume == pytest.approx(added, rel=1e-3)
    # read again as a user would: planned, it asks for nothing
    from falsework.planning import plan

    assert not plan(read_part(out / "redrawn.3mf"), release=False).pieces


def test_the_changes_are_named_solids_of_their_own(written: tuple[Path, str]) -> None:
    out, _ = written
    redraw = Redraw.from_json((out / "redraw.json").read_text("utf-8"))
    names = [r.name for t in redraw.treated if t.change for r in t.change.regions]
    scene = trimesh.load(out / "changes.3mf")
    assert len(scene.geometry) >= len(names) > 0
    for name in names:
        assert any(name in key and "underside 1" in key for key in scene.geometry), (name, [*scene.geometry])
    assert all(mesh.is_watertight for mesh in scene.geometry.values())


def test_the_page_shows_before_and_after_and_fetches_nothing(written: tuple[Path, str]) -> None:
    page = (written[0] / "redraw.html").read_text("utf-8")
    assert "Before, underside 1" in page and "After, underside 1" in page
    assert "does not certify a part" in page and "http" not in page.replace("http-equiv", "")


def test_one_json_document(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["redraw", "table.stl", "--no-split", "--kind", "ribs", "--out", "ribs", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == "falsework.redraw/2"
    assert {c["kind"] for t in said["treated"] for c in t["changes"]} <= {"ribs"}


def test_faces_are_listed_and_spared_ones_stay(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["redraw", "table.stl", "--faces"]) == 0
    said = capsys.readouterr().out
    line = next(line for line in said.splitlines() if "looks along -z" in line and "37.4" in line)
    name = line.split("  ")[1].strip()
    assert run(["redraw", "table.stl", "--no-split", "--spare", name, "--out", "spared", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["combined"] is None and name in found["spared"][0]
    assert all(not t["chosen"] for t in found["treated"])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--kind", "arch"], "'arch' is unknown"),
        (["--underside", "40"], "the part has 1 underside"),
        (["--spare", "bore 9"], "bore 9"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(folder, monkeypatch, capsys, arguments, says) -> None:
    monkeypatch.chdir(folder)
    assert run(["redraw", "table.stl", "--no-split", *arguments, "--out", "refused"]) == 1
    said = capsys.readouterr().err
    assert says in said and "Traceback" not in said
    assert not (folder / "refused").exists()


def test_an_open_mesh_is_refused(tmp_path, monkeypatch, capsys) -> None:
    figure = Path(__file__).parents[1] / "data" / "wuson.stl"  # 51 shells, some without a rim to close
    monkeypatch.chdir(tmp_path)
    assert run(["redraw", str(figure), "--scale", "10", "--no-split"]) == 1
    assert "the mesh is open" in capsys.readouterr().err


def test_a_redraw_read_from_a_file_has_nothing_to_write(written, tmp_path) -> None:
    from falsework.errors import OutputError

    redraw = Redraw.from_json((written[0] / "redraw.json").read_text("utf-8"))
    with pytest.raises(OutputError, match="holds no geometry"):
        write_redraw(redraw, tmp_path / "again")
    assert not (tmp_path / "again").exists()

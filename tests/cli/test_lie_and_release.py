"""``lie``, ``plan --lie auto`` and ``release`` on a real part: a table that is best printed on its head."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from manifold3d import Manifold

from falsework.cli.app import run
from falsework.files.stl import write_stl
from falsework.part.demo import demo_parts
from falsework.part.health import healed_part
from falsework.part.raw import joined
from falsework.planning.value import Plan


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lies")
    part = demo_parts()["table"]()
    write_stl(folder / "table.stl", part.vertices, part.faces, "table")
    return folder


def test_lie_says_what_is_best_and_writes_both_files(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["lie", "table.stl", "--directions", "100", "--out", "lies"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("table can be printed without any support.")
    assert "as it came" in said and "--turn=180,0,180" in said
    lies = json.loads((folder / "lies" / "lies.json").read_text("utf-8"))
    assert lies["schema"] == "falsework.lies/3"
    page = (folder / "lies" / "lies.html").read_text("utf-8")
    assert page.count('class="card"') == 2 and page.count("spot today") == 1
    assert "http" not in page.replace("http-equiv", "")


def test_plan_lays_it_so_and_carries_the_alternatives(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["plan", "table.stl", "--lie", "auto", "--out", "best"]) == 0
    assert "position on the bed: Turned by 180, 0, 180°" in capsys.readouterr().out
    plan = Plan.from_json((folder / "best" / "plan.json").read_text("utf-8"))
    assert plan.lies is not None and not plan.pieces
    assert plan.part.turn_deg == plan.lies.recommended.turn_deg == (180.0, 0.0, 180.0)
    assert "Position on the bed" in (folder / "best" / "report.html").read_text("utf-8")
    assert "180° about x" in (folder / "best" / "settings.md").read_text("utf-8")


def test_marks_beside_the_part_are_read_and_said(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    marks = folder / "table.lie.toml"
    marks.write_text('[show]\ndirections = ["+z"]\n')
    try:
        assert run(["lie", "table.stl", "--directions", "100", "--load", "+x", "--json"]) == 0
    finally:
        marks.unlink()
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert found["show"]["directions"] == [[0.0, 0.0, 1.0]] and found["load_axis"] == [1.0, 0.0, 0.0]
    assert "table.lie.toml lies beside the part: taken from it: faces to keep clean" in said.err


@pytest.mark.parametrize("name", ["", ".", "x" * 300, "/"])
def test_what_is_no_part_is_refused_before_marks_are_looked_for(folder, monkeypatch, capsys, name) -> None:
    monkeypatch.chdir(folder)
    for arguments in (["lie", name], ["plan", name, "--lie", "auto", "--out", "never"]):
        assert run(arguments) == 1
        assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize("wrong", ["--lie auto --turn 0,0,0", "--show +z", "--load x", "--lie best"])
def test_options_that_contradict_each_other_are_wrong_usage(folder, monkeypatch, capsys, wrong) -> None:
    monkeypatch.chdir(folder)
    assert run(["plan", "table.stl", *wrong.split()]) == 2
    assert "Error" in capsys.readouterr().err


def test_release_shows_the_pieces_in_order(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    curtain = ["--set", "structure.form=curtain"]  # which stands on the bed by a wide foot
    assert run(["plan", "table.stl", "--out", "today", *curtain]) == 0
    assert "How they come off: The one piece stays on the bed." in capsys.readouterr().out
    assert "How the supports come off" in (folder / "today" / "report.html").read_text("utf-8")
    assert run(["release", "today"]) == 0
    assert "1. piece 1, stays on the bed: The part lifts straight off it" in capsys.readouterr().out
    assert run(["release", "today", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["schema"] == "falsework.release/2"
    assert run(["release", "today", "--out", "missing/page.html"]) == 1
    assert "does not exist" in capsys.readouterr().err
    assert run(["release", "nowhere"]) == 1
    assert "nowhere" in capsys.readouterr().err


def test_where_a_piece_fails_release_says_what_to_change(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    flange = Manifold.cylinder(2.0, 9.0, 9.0, 32)  # of a spool: what stands between them must be broken up
    solid = flange + Manifold.cylinder(10.0, 3.0, 3.0, 32) + flange.translate((0.0, 0.0, 8.0))
    mesh = solid.to_mesh64()
    part = healed_part("spool", joined([("", mesh.vert_properties[:, :3], mesh.tri_verts)]), subject="spool")
    write_stl(tmp_path / "spool.stl", part.vertices, part.faces, "spool")
    how = ["--unit", "mm", "--standing", "bed-or-part", "--out", "plan"]
    assert run(["plan", "spool.stl", *how]) == 0
    plan = Plan.from_json((tmp_path / "plan" / "plan.json").read_text("utf-8"))
    assert plan.release is not None and plan.release.failing
    page = (tmp_path / "plan" / "report.html").read_text("utf-8")
    assert 'class="pull block-pull"' in page  # arrows of the blocks
    capsys.readouterr()
    assert run(["release", "plan", "--out", "release.html"]) == 0
    said = capsys.readouterr().out
    assert "Written to release.html" in said
    sheet = (tmp_path / "release.html").read_text("utf-8")
    assert "<h1>spool</h1>" in sheet and "What to change" in sheet and "Cut 1 of" in sheet
    assert "What to change, best first:" in said and "instead of" in said.split("What to change")[1]

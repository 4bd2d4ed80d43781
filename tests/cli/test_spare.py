"""``--spare`` on ``plan`` and ``lie``, the marks beside the part, and a plan that is built again."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold

from falsework.cli.app import run
from falsework.cli.release import planned_again
from falsework.files.stl import write_stl
from falsework.part.demo import demo_parts
from falsework.part.health import healed_part
from falsework.part.part import Part
from falsework.part.raw import joined
from falsework.planning.value import Plan
from falsework.request import Context


def shelf() -> Part:
    """A post on a floor, and a shelf that reaches past the floor: its support stands on both."""
    solid = Manifold.cube((24.0, 20.0, 2.0)) + Manifold.cube((6.0, 20.0, 16.0))
    solid += Manifold.cube((40.0, 20.0, 3.0)).translate((0.0, 0.0, 15.0))
    mesh = solid.to_mesh64()
    return healed_part("shelf", joined([("", mesh.vert_properties[:, :3], mesh.tri_verts)]), subject="shelf")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    part = shelf()
    write_stl(tmp_path / "bracket.stl", part.vertices, part.faces, "bracket")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def planned(folder: Path, *options: str) -> Plan:
    arguments = ["plan", "bracket.stl", "--unit", "mm", "--standing", "bed-or-part", "--no-report"]
    assert run([*arguments, *options]) == 0
    return Plan.from_json((folder / "bracket-plan" / "plan.json").read_text("utf-8"))


def test_a_spared_plan_says_so_and_is_built_again_as_it_was(folder, capsys) -> None:
    """Its folder holds all that it takes: `release` and `audit` ask for no marks again."""
    free = planned(folder)
    capsys.readouterr()
    plan = planned(folder, "--spare", "0,1,0", "--spare", "+z")
    said = capsys.readouterr().out
    assert free.sparing is None and plan.sparing is not None and plan.sparing.area_mm2 > 100
    assert "for its support would touch faces supports must not touch" in said
    assert sum(piece.scar_mm2 for piece in plan.pieces) < sum(piece.scar_mm2 for piece in free.pieces)

    again = planned_again(plan, folder / "bracket-plan", Context())
    before, after = (sorted((p.scar_mm2, p.contact_mm2) for p in made.pieces) for made in (plan, again))
    np.testing.assert_allclose(after, before, rtol=0.01, atol=0.5)
    assert again.sparing is not None and again.sparing.faces == plan.sparing.faces
    assert run(["release", "bracket-plan", "--out", "table.html"]) == 0


def test_a_part_that_is_not_the_plans_is_refused(folder, capsys) -> None:
    plan = planned(folder, "--spare", "+z")
    table = demo_parts()["table"]()
    write_stl(folder / "bracket-plan" / "part.stl", table.vertices, table.faces, "table")
    capsys.readouterr()
    assert run(["release", "bracket-plan", "--out", "table.html"]) == 1
    assert f"{plan.part.triangles} are told apart" in capsys.readouterr().err


def test_marks_beside_the_part_are_read_said_and_overruled(folder, capsys) -> None:
    marks = folder / "bracket.lie.toml"
    marks.write_text('[show]\ndirections = ["+z"]\n')
    assert planned(folder).sparing is None
    assert "lies beside the part" not in capsys.readouterr().err  # nothing of it matters to this plan
    marks.write_text('[show]\ndirections = ["+z"]\n[spare]\ndirections = ["-z"]\n')
    down = planned(folder)
    said = capsys.readouterr().err
    assert "bracket.lie.toml lies beside the part: taken from it: faces supports must not touch\n" in said
    assert down.sparing is not None and down.sparing.undersides
    up = planned(folder, "--spare", "+z")
    assert "lies beside the part" not in capsys.readouterr().err
    assert up.sparing is not None and up.sparing != down.sparing
    marks.write_text('[spare]\nface_sets = ["thread"]\n')
    assert run(["plan", "bracket.stl", "--unit", "mm"]) == 1
    assert "face set thread: the part has no face set of that name" in capsys.readouterr().err


def test_the_search_for_a_lie_weighs_them_and_passes_them_on(folder, capsys) -> None:
    table = demo_parts()["table"]()  # best on its head
    write_stl(folder / "table.stl", table.vertices, table.faces, "table")
    lie = ["lie", "table.stl", "--unit", "mm", "--directions", "50", "--spare", "+x", "--out", "lies"]
    assert run(lie) == 0
    said = capsys.readouterr().out
    assert "falsework plan table.stl --turn=180,0,180 --spare=+x\n" in said
    found = json.loads((folder / "lies" / "lies.json").read_text("utf-8"))
    assert found["spare"]["directions"] == [[1.0, 0.0, 0.0]] and found["show"]["directions"] == []
    assert "Faces that no support may touch: +x." in (folder / "lies" / "lies.html").read_text("utf-8")


def test_objects_of_a_file_can_be_spared_by_name(tmp_path, monkeypatch, capsys) -> None:
    """A floor, a post on it and a shelf: three objects of one file, in metres with y up."""
    monkeypatch.chdir(tmp_path)
    scene = trimesh.Scene()
    for name, size, at in (
        ("floor", (40, 2, 20), (0, 1, 0)),
        ("post", (6, 19, 20), (-17, 11, 0)),
        ("shelf", (40, 4, 20), (0, 22, 0)),
    ):
        mesh = trimesh.creation.box(np.array(size) / 1000.0)
        mesh.apply_translation(np.array(at) / 1000.0)
        scene.add_geometry(mesh, geom_name=name)
    (tmp_path / "shelf.glb").write_bytes(scene.export(file_type="glb"))
    plan = ["plan", "shelf.glb", "--standing", "bed-or-part", "--no-report", "--json"]
    assert run(plan) == 0
    assert json.loads(capsys.readouterr().out)["pieces"]
    assert run([*plan, "--spare", "floor"]) == 0
    spared = json.loads(capsys.readouterr().out)
    assert spared["pieces"] == []
    assert spared["sparing"]["area_mm2"] == pytest.approx(2 * 800 + 2 * 2 * 60, rel=1e-5)

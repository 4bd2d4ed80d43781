"""The whole job over the line, against the Python API for the same choices."""

from __future__ import annotations

import io
import json
import shlex
import zipfile
from pathlib import Path

import numpy as np
import pytest

from bench.benches import Served, change, events, read, result, upload, wait
from falsework.bench.buffers import read_buffers
from falsework.cli.app import run
from falsework.files.stl import write_stl
from falsework.part.demo import table
from falsework.planning import Plan, inspect
from falsework.request.standing import Standing


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    part = table(40.0, 30.0, 15.0)
    path = tmp_path_factory.mktemp("table") / "tea table.stl"
    write_stl(path, part.vertices, part.faces, part.name)
    return path


def test_from_the_drop_to_the_files_all_is_as_the_commands_have_it(
    served: Served, file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = served.client
    sheet = upload(client, file.read_bytes(), file.name)
    assert sheet["title"] == "tea table" and sheet["choices"]["process"] == "pla-0.4"

    # the first picture
    key = wait(client, sheet["id"], "part")["key"]
    told = json.loads(result(client, key, "part.json"))
    arrays, meta = read_buffers(result(client, key, "part.mesh"))
    assert told["part"]["size_mm"] == [40.0, 30.0, 15.0] and meta["faces"] == len(arrays["faces"])
    assert np.allclose(meta["low"], arrays["positions"].min(axis=0))

    # undersides
    key = wait(client, sheet["id"], "undersides")["key"]
    inspection = inspect(file)
    assert result(client, key, "inspection.json").decode() == inspection.to_json()
    over_air, _ = read_buffers(result(client, key, "undersides.mesh"))
    assert len(over_air["start"]) == len(inspection.undersides) + 1

    # the user decides otherwise
    sheet = change(
        client,
        read(client, sheet["id"]),
        choices={"overrules": {"1": "bed"}, "settings": {"air_gap_layers": "2"}},
    )
    key = wait(client, sheet["id"], "totals")["key"]
    totals = json.loads(result(client, key, "totals.json"))
    assert [row["name"] for row in totals["alternatives"]] == ["leave", "bed", "bed-or-part", "chosen"]
    key = wait(client, sheet["id"], "supports")["key"]
    built = Plan.from_json(result(client, key, "supports.json").decode())
    key = wait(client, sheet["id"], "release")["key"]
    judged = Plan.from_json(result(client, key, "plan.json").decode())
    assert built.release is None and judged.release is not None and judged.pieces == built.pieces
    assert judged.choices[0].chosen is Standing.BED and judged.gap.layers == 2

    # hand over: to the byte what the command writes that the sheet names
    assert client.get(f"/api/sheets/{sheet['id']}/files/print.3mf").status_code == 409
    assert client.post(f"/api/sheets/{sheet['id']}/stages/files").status_code == 202
    wait(client, sheet["id"], "files")
    monkeypatch.chdir(file.parent)
    assert run([*shlex.split(sheet["command"])[1:], "--out", str(tmp_path / "out"), "--ledger", "none"]) == 0
    paths = list((tmp_path / "out").iterdir())
    names = {path.name for path in paths}
    assert names >= {"plan.json", "print.3mf", "part.stl", "supports.stl", "settings.md", "report.html"}
    for path in paths:
        answer = client.get(f"/api/sheets/{sheet['id']}/files/{path.name}")
        assert answer.content == path.read_bytes(), path.name
        assert "attachment" in answer.headers["content-disposition"]
    packed = zipfile.ZipFile(io.BytesIO(client.get(f"/api/sheets/{sheet['id']}/files.zip").content))
    assert {Path(name).name for name in packed.namelist()} == names
    shown = client.get(f"/api/sheets/{sheet['id']}/files/report.html", params={"view": True})
    assert "sandbox" in shown.headers["content-security-policy"]
    assert "attachment" not in shown.headers.get("content-disposition", "")


def test_a_changed_gap_keeps_the_old_figures_in_sight_and_undo_finds_them_again(
    served: Served, file: Path
) -> None:
    client = served.client
    sheet = upload(client, file.read_bytes(), "gap.stl")
    before = wait(client, sheet["id"], "release")["key"]
    sheet = read(client, sheet["id"])
    with client.stream("GET", f"/api/sheets/{sheet['id']}/events") as stream:
        told = events(stream)
        assert next(told)[1] == "sheet"
        changed = change(client, sheet, choices={"settings": {"structure.air_gap_layers": "3"}})
        assert changed["undo"]["what"] == "air gap layers 3"
        for _, name, data in told:
            if name == "stage":
                assert data["state"] != "failed"
                if data["stage"] == "supports" and data["state"] != "ready":
                    assert data["shown"] and data["shown"] != data["key"]  # the old figures, stale
                if data["stage"] == "release" and data["state"] == "ready":
                    break
    answer = client.post(f"/api/sheets/{sheet['id']}/undo", json={"version": changed["version"]})
    back = answer.json()
    assert back["stages"]["release"] == {"state": "ready", "key": before}
    assert back["undo"] == {"what": None, "redo": "air gap layers 3"}

"""``falsework screen`` as it is typed: what it says, what it refuses, what the pages show."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from falsework.cli.app import run

ROOT = Path(__file__).parents[2]


@pytest.fixture
def home(tmp_path: Path, store: Path, here: object, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (store / "none.stl").write_text("hello")
    return tmp_path


def screen(*arguments: str) -> int:
    return run(["screen", *arguments])


def test_a_catalogue_is_screened_and_asked(home: Path, capsys) -> None:
    assert screen("store", "--out", "out", "--depth", "look") == 0
    said = capsys.readouterr().out
    assert "3 parts in" in said and "1 failed, 2 looked at; 0 rows known before" in said
    assert "open out/index.html" in said
    assert said.index("none.stl: this is text") < said.index("store/a.stl"), "what disappoints first"
    assert (home / "out" / "index.html").is_file()
    assert (
        screen("out", "--where", "size_x_mm > 4.5", "--show-column", "name", "--show-column", "size_x_mm")
        == 0
    )
    said = capsys.readouterr().out
    assert re.search(r"b +5\.0\n", said) and "1 row, 1 part wanted" in said
    assert screen("out", "--where", "size_x_mm > 99") == 0
    assert "No row is so." in capsys.readouterr().out


def test_a_name_neither_breaks_the_table_nor_steers_the_terminal(home: Path, capsys) -> None:
    (home / "store" / "a.stl").rename(home / "store" / "a\n\x1b[31m.stl")
    assert screen("store", "--out", "out", "--depth", "look") == 0
    assert re.search(r"  store/a��\[31m\.stl +pla-0\.4 ", capsys.readouterr().out)


def test_json_is_one_document(home: Path, capsys) -> None:
    assert screen("store", "--out", "out", "--depth", "look", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["parts"] == 3 and told["states"] == {"failed": 1, "looked at": 2}
    assert screen("out", "--json", "--sort", "-volume_mm3", "--show-column", "name") == 0
    told = json.loads(capsys.readouterr().out)
    assert [row["name"] for row in told["rows"]] == ["b", "a", "none"] and told["count"] == 3
    assert screen("out", "--json", "--where", "nosuch > 1") == 1
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "QuestionError"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["store"], "--out"),
        (["store", "--where", "price > 1"], "the folder of a screening"),
        (["store", "--out", "o", "--tls-ca", "a"], "belong together"),
        (["store", "--out", "o", "--tls-ca", "a", "--tls-cert", "b", "--tls-key", "c"], "--scheduler"),
        (["store", "--out", "o", "--scheduler", "tcp://x:1", "--workers", "3"], "a scheduler has its own"),
        (["store", "--out", "o", "--memory", "lots"], "no amount of memory"),
        (["store", "--out", "o", "--memory", "1.2.3GB"], "no amount of memory"),
        ([], "Missing argument"),
    ],
)
def test_wrong_usage(home: Path, capsys, arguments: list[str], said: str) -> None:
    assert screen(*arguments) == 2
    assert said in capsys.readouterr().err
    assert not (home / "o").exists()


def test_settings_change_every_process(home: Path, capsys) -> None:
    arguments = ["store/a.stl", "--out", "out", "--depth", "look", "--process", "pla-0.4"]
    assert screen(*arguments, "--process", "petg-0.6", "--set", "layer_height_mm=0.1") == 0
    capsys.readouterr()
    assert screen("out", "--json", "--show-column", "process", "--show-column", "layers") == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert {row["process"]: row["layers"] for row in rows} == {"pla-0.4": 19, "petg-0.6": 18}


def test_what_the_pages_show_runs(home: Path, capsys) -> None:
    text = (ROOT / "docs" / "tasks" / "a-whole-catalogue.md").read_text("utf-8")
    shown = re.findall(r"^falsework (screen .*)$", text, flags=re.MULTILINE)
    assert len(shown) == 2
    for command in shown:
        assert run(shlex.split(command)) == 0, command


def test_slurm_as_the_page_shows(tmp_path: Path, store: Path) -> None:
    """With a queue that starts every job at once, here."""
    pytest.importorskip("dask_jobqueue")
    queue = tmp_path / "bin"
    queue.mkdir()
    (queue / "sbatch").write_text(
        f'#!/bin/sh\ncp "$1" {tmp_path}/job.sh  # who hands it in takes it away\n'
        f"bash {tmp_path}/job.sh >{tmp_path}/job.log 2>&1 &\necho $! >>{tmp_path}/jobs\necho 1\n"
    )
    (queue / "scancel").write_text(f"#!/bin/sh\nkill $(cat {tmp_path}/jobs)\n")
    for name in ("sbatch", "scancel"):
        (queue / name).chmod(0o755)
    environment = {**os.environ, "PATH": f"{queue}{os.pathsep}{os.environ['PATH']}"}
    environment["FALSEWORK_LEDGER"] = os.fspath(tmp_path / "none.sqlite3")
    script = shutil.copy(ROOT / "docs" / "clusters" / "slurm.py", tmp_path)
    command = [sys.executable, script, "1", os.fspath(store), "--out", "out", "--depth", "look"]
    done = subprocess.run(
        command, cwd=tmp_path, env=environment, capture_output=True, text=True, encoding="utf-8", timeout=300
    )
    assert done.returncode == 0, done.stderr + (tmp_path / "job.log").read_text("utf-8")
    assert "2 looked at" in done.stdout

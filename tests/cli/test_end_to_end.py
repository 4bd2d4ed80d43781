"""The installed command on a real part: files, JSON, refusals, and a stop half-way."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import lib3mf
import numpy as np
import pytest

from falsework.cli.app import run
from falsework.files.stl import write_stl
from falsework.planning.value import Plan
from falsework.wording.figures import plain
from plans import bracket_plan
from solids import box

COMMAND = [sys.executable, "-c", "from falsework.cli import main; main()"]
TIMEOUT_S = 300  # the first run on a machine compiles the kernels


def falsework(*arguments: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments],
        cwd=cwd,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=TIMEOUT_S,
    )


@pytest.fixture(scope="module")
def bracket(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lamp bracket as an STL file in a folder of its own: an arm of 40 mm, 25 mm over the bed."""
    part = bracket_plan().geometry.part
    path = tmp_path_factory.mktemp("parts") / "bracket.stl"
    write_stl(path, part.vertices, part.faces, "bracket")
    return path


@pytest.fixture(scope="module")
def planned(bracket: Path) -> subprocess.CompletedProcess[str]:
    return falsework("plan", bracket.name, "--no-report", cwd=bracket.parent)


def test_plan_ends_well_and_writes_files_that_agree(bracket: Path, planned) -> None:
    assert planned.returncode == 0, planned.stderr
    folder = bracket.parent / "bracket-plan"
    assert f"Written to {folder.name}" in planned.stdout
    plan = Plan.from_json((folder / "plan.json").read_text("utf-8"))
    assert plan.part.size_mm == pytest.approx((50, 20, 30), abs=1e-4)
    assert plan.part.volume_mm3 == pytest.approx(10_000, rel=1e-6)
    assert plan.pieces, "an arm of 40 mm needs support"
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.ReadFromFile(str(folder / "print.3mf"))
    assert reader.GetWarningCount() == 0
    assert model.GetMeshObjects().Count() == 1 + len(plan.pieces)
    faces = np.frombuffer((folder / "supports.stl").read_bytes(), "<u4", 1, 80)[0]
    assert (folder / "supports.stl").stat().st_size == 84 + 50 * faces


def test_a_second_run_gives_the_same_bytes(bracket: Path, planned) -> None:
    again = falsework("plan", bracket.name, "--no-report", "--out", "again", "--json", cwd=bracket.parent)
    assert again.returncode == 0, again.stderr
    for path in sorted((bracket.parent / "bracket-plan").iterdir()):
        assert path.read_bytes() == (bracket.parent / "again" / path.name).read_bytes(), path.name
    assert again.stdout == (bracket.parent / "again" / "plan.json").read_text("utf-8")
    # Another test may just have renewed a cached kernel; nothing else may be said.
    assert [line for line in again.stderr.splitlines() if not line.startswith("compiling the kernels")] == []


def test_the_example_in_the_readme_runs(bracket: Path, tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    shutil.copy(bracket, tmp_path / "ventilator-cowl.stl")
    result = subprocess.run(
        [sys.executable, "-c", example], cwd=tmp_path, capture_output=True, text=True, timeout=TIMEOUT_S
    )
    assert result.returncode == 0, result.stderr
    assert "cantilever" in result.stdout
    assert (tmp_path / "cowl-plan" / "report.html").is_file()


def test_inspect_writes_nothing(bracket: Path, tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["inspect", str(bracket), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["part"]["closed"] is True
    assert run(["inspect", str(bracket)]) == 0
    assert "50.0 × 20.0 × 30.0 mm" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("missing.stl", None),
        ("empty.stl", b""),
        ("text.stl", b"This is a shopping list, not a mesh.\n"),
        ("short.stl", b"\0" * 80 + b"\x05\0\0\0" + b"\0" * 60),
        ("zip.3mf", b"PK\x03\x04 not really"),
        ("what.xyz", b"1 2 3"),
    ],
)
def test_bad_parts_are_refused_in_one_sentence(
    tmp_path: Path, monkeypatch, capsys, name: str, content: bytes | None
) -> None:
    monkeypatch.chdir(tmp_path)
    if content is not None:
        (tmp_path / name).write_bytes(content)
    before = sorted(tmp_path.iterdir())
    assert run(["plan", name]) == 1
    said = capsys.readouterr()
    assert name in said.err
    assert "Traceback" not in said.err
    assert said.out == ""
    assert sorted(tmp_path.iterdir()) == before


def test_an_overrule_of_an_underside_that_is_not_there(bracket: Path, tmp_path: Path, capsys) -> None:
    assert run(["plan", str(bracket), "--overrule", "99=bed", "--out", str(tmp_path / "out")]) == 1
    assert "underside 99" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write into any folder")
def test_a_folder_that_may_not_be_written(bracket: Path, tmp_path: Path) -> None:
    tmp_path.chmod(stat.S_IREAD | stat.S_IEXEC)
    result = falsework("plan", str(bracket), "--out", str(tmp_path / "out"), cwd=bracket.parent)
    tmp_path.chmod(stat.S_IRWXU)
    assert result.returncode == 1
    assert "no permission" in result.stderr


def wait_for_handlers(process: subprocess.Popen[str]) -> None:
    """Wait until the process catches SIGTERM, which Python does not do by itself: then our handlers stand."""
    until = time.monotonic() + TIMEOUT_S
    while time.monotonic() < until:
        (mask,) = re.findall(r"SigCgt:\s*(\w+)", Path(f"/proc/{process.pid}/status").read_text())
        if int(mask, 16) >> (signal.SIGTERM - 1) & 1:
            return
        time.sleep(0.01)
    pytest.fail("the handlers were never set")


SIGNALS = [(signal.SIGTERM, 0.0), (signal.SIGINT, 0.5), (signal.SIGINT, 1.5)]


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc to see the handlers")
@pytest.mark.parametrize(("number", "after_s"), SIGNALS)
def test_a_signal_at_any_time_leaves_all_or_nothing(
    bracket: Path, tmp_path: Path, number: int, after_s: float
) -> None:
    """The moment is not under the test's control, so both ends are right: stopped with nothing, or done."""
    process = subprocess.Popen(
        [*COMMAND, "plan", str(bracket), "--no-report", "--out", "out"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    wait_for_handlers(process)
    time.sleep(after_s)
    process.send_signal(number)
    _, errors = process.communicate(timeout=TIMEOUT_S)
    assert "Traceback" not in errors
    left = {p.name for p in tmp_path.iterdir()}
    assert left in (set(), {"out"})
    if left:
        whole = {"plan.json", "print.3mf", "part.stl", "supports.stl", "settings.md"}
        assert {p.name for p in (tmp_path / "out").iterdir()} == whole
    else:
        assert process.returncode == 1
        assert "stopped; nothing was written" in errors


def test_help_is_quick() -> None:
    """No timing: help must simply not load what is slow to load."""
    code = (
        "import sys\nfrom falsework.cli.app import run\nrun(['plan', '--help'])\n"
        "print(*sorted({'numpy', 'numba', 'rich', 'shapely'} & sys.modules.keys()), file=sys.stderr)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stderr.strip() == ""


def test_what_does_not_fit_is_said_first_and_worked_out_only_if_asked(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    vertices, faces = box((400.0, 10.0, 4.0))
    write_stl(tmp_path / "rail.stl", np.asarray(vertices), np.asarray(faces, dtype=np.int32), "rail")
    for command in ("plan", "lie", "inspect"):
        assert run([command, "rail.stl", "--unit", "mm"]) == 1
        assert "Scale it (--scale 0.55)" in capsys.readouterr().err
    assert not (tmp_path / "rail-plan").exists()
    assert run(["plan", "rail.stl", "--unit", "mm", "--too-large", "--no-report"]) == 0
    assert "too long" in plain(capsys.readouterr().out)

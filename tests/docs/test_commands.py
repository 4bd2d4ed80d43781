"""Every falsework command that README and docs show is run, page by page, as a reader would."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
import sys
from pathlib import Path

import pytest
from manifold3d import Manifold
from PIL import Image

from falsework import plan
from falsework.cli.app import run
from falsework.files.stl import write_stl
from falsework.ledger import Ledger
from falsework.part.health import healed_part
from falsework.part.raw import joined
from falsework.tuning.museum import fill
from planted import levels_of_plan
from programs import Writer
from sliced import written

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
COMMAND = re.compile(r"^ *(falsework(?: .+)?)$", flags=re.MULTILINE)
PLANNED = r"(?<![\w-])(\w[\w-]*)-plan\b"
BLOCK = re.compile(r"```sh\n(.*?)```", flags=re.DOTALL)

# What a page shows and is tried elsewhere; beside them 'falsework record' alone, which asks what to record.
ELSEWHERE = {
    "screen": "tests/screening/test_command.py runs what the page shows",
    "bench": "tests/bench and tests/browser serve it",
    "demo": "tests/cli/test_demo.py; the whole of it takes a minute",
}


def commands(page: Path) -> list[str]:
    """The commands of a page's shell blocks, in order, without their remarks."""
    blocks = "\n".join(BLOCK.findall(page.read_text("utf-8")))
    return [shlex.join(shlex.split(found, comments=True)) for found in COMMAND.findall(blocks)]


SHOWN = {page: found for page in PAGES if (found := commands(page))}


def bracket(path: Path) -> None:
    """A plate with a bore and a ledge on either side: small, and its undersides need support."""
    solid = Manifold.cube((6, 16, 44)) + Manifold.cube((18, 16, 4)).translate((0, 0, 14))
    solid += Manifold.cube((12, 16, 4)).translate((-10, 0, 22))
    solid -= Manifold.cylinder(20, 3.5, 3.5, 24).rotate((0, 90, 0)).translate((-5, 8, 36))
    mesh = solid.to_mesh64()
    part = healed_part("bracket", joined([("", mesh.vert_properties[:, :3], mesh.tri_verts)]), subject="b")
    write_stl(path, part.vertices, part.faces, "bracket")


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of a print room, with a ledger of its own. Whoever is asked something there says 'q'."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tmp_path / "own.sqlite3"))
    monkeypatch.setattr(sys, "stdin", io.StringIO("q\n" * 40))
    return tmp_path


@pytest.mark.parametrize("page", SHOWN, ids=lambda page: str(page.relative_to(ROOT)))
def test_a_page_can_be_followed(page: Path, room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prepare("\n".join(SHOWN[page]), room)
    for command in SHOWN[page]:
        words = shlex.split(command)[1:]
        if not words or words[0] in ELSEWHERE or words == ["record"]:
            continue
        into = None
        if ">" in words:
            words, into = words[: words.index(">")], room / words[-1]
        code = run(words)
        said = capsys.readouterr()
        assert code == 0 or (words[0] == "audit" and code == 1), f"{command}\n{said.out}{said.err}"
        if into is not None:
            into.write_text(said.out, "utf-8")
        if words[0] == "coupon" and "--out" in words:
            fill_in(room / words[words.index("--out") + 1] / "readings.csv")


def prepare(commands: str, room: Path) -> None:
    """What a page takes for granted: the parts it names, and what lies there from earlier work."""
    for name in set(re.findall(rf"([\w-]+)\.(?:stl|gcode)|{PLANNED}", commands)):
        bracket(room / f"{name[0] or name[1]}.stl")
    earlier = set(re.findall(PLANNED, commands))
    for name in earlier:
        assert run(["plan", f"{name}.stl", "--no-report"]) == 0
    for name in set(re.findall(r"[\w-]+\.gcode", commands)):
        (room / name).write_bytes(program(room))
    if "G97R" in commands:
        folder = room / "gap-interface-G97R"
        assert run(["coupon", "gap-interface", "--out", str(folder)]) == 0
        sheet = folder / "coupon.json"
        code = json.loads(sheet.read_text("utf-8"))["code"]
        for path in (sheet, folder / "readings.csv"):
            path.write_text(path.read_text("utf-8").replace(code, "G97R"), "utf-8")
        fill_in(folder / "readings.csv", but="B")
    if "ledger correct 12" in commands:
        fill(Ledger.open(room / "own.sqlite3"))
    for name in re.findall(r"[\w-]+\.jpg", commands):
        Image.new("RGB", (8, 8)).save(room / name)


def program(room: Path) -> bytes:
    """The bracket's plan as a machine program, sliced by the tests' own means."""
    planned = plan(room / "bracket.stl" if (room / "bracket.stl").exists() else next(room.glob("*.stl")))
    material = planned.process.material
    writer = Writer(nozzle=material.nozzle_temperature_c, bed=material.bed_temperature_c)
    return written(levels_of_plan(planned), writer).end().bytes()


def fill_in(table: Path, but: str = "") -> None:
    """Grades for every cell of a recording table but one."""
    supported = json.loads((table.parent / "coupon.json").read_text("utf-8"))["kind"] == "gap-interface"
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row["cell"] == but:
            continue
        row["finish"] = "3"
        if supported:
            row["let_go"] = "tool"
    with table.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)

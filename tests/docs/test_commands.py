"""Every command and example that README and docs show is run, page by page, as a reader would."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
import sys
from pathlib import Path

import pytest
from PIL import Image

from falsework import plan
from falsework.cli.app import group, run
from falsework.files.stl import write_stl
from falsework.ledger import Ledger
from falsework.request.marks import Marks, read_marks
from falsework.tuning.museum import fill
from planted import levels_of_plan
from programs import Writer
from sliced import written
from solids import bracket

pytestmark = pytest.mark.usefixtures("quick")
ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
PLANNED = r"(?<![\w-])(\w[\w-]*)-plan\b"
BLOCK = re.compile(r"^( *)```(\S*)[^\n]*\n(.*?)^ *```", flags=re.DOTALL | re.MULTILINE)

# What a page shows and is tried elsewhere; beside them 'falsework record' alone, which asks what to record.
ELSEWHERE = {
    "screen": "tests/screening/test_command.py",
    "bench": "tests/bench/test_entrance.py",
    "demo": "tests/cli/test_demo.py",
}
# Other programs on a page, and where they, or the file that they are given, are tried.
OTHERS = {
    "mkdir": "tests/docs/test_pages.py",
    "cp": "tests/docs/test_pages.py",
    "systemctl": "tests/docs/test_pages.py",
    "loginctl": "tests/docs/test_pages.py",
    "dask": "tests/screening/test_cluster.py",
}
# Python on a page that needs what lies elsewhere.
PYTHON_ELSEWHERE = {
    "coupons.md": "tests/cli/test_coupon.py",
    "ledger.md": "tests/cli/test_ledger.py",
    "screening.md": "tests/screening/test_asking.py",
    "screening-scale.md": "tests/screening/test_asking.py",
}
AGAIN = ("lie", "redraw")  # nothing on a page needs what these write: the same of another part is run once
_RUN: set[str] = set()
PART = bracket()
CHECKS = {"demo", "test", "bounds", "docs", "benchmark"}  # of ./run, beside the commands that it hands on


def blocks(page: Path, language: str) -> list[str]:
    """What stands between fences of a language on a page."""
    return [text for _, name, text in BLOCK.findall(page.read_text("utf-8")) if name == language]


def lines(page: Path) -> list[list[str]]:
    """The lines of a page's shell blocks as words, in order, without their remarks."""
    every = "".join(blocks(page, "sh")).splitlines()
    return [words for line in every if (words := shlex.split(line, comments=True))]


def commands(page: Path) -> list[str]:
    """Those of our own."""
    return [shlex.join(words) for words in lines(page) if words[0] == "falsework"]


SHOWN = {page: found for page in PAGES if (found := commands(page))}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_nothing_that_could_be_run_is_left_out(page: Path) -> None:
    """Each line of a shell block is a command that is run here or elsewhere; no other block holds any."""
    text = page.read_text("utf-8")
    assert text.count("```") == 2 * len(BLOCK.findall(text))
    for words in lines(page):
        program, *given = [word for word in words if not re.fullmatch(r"[A-Z_]+=\S*", word)]
        if program == "./run":
            assert given[0] in CHECKS or given[0] in group.commands, words
        else:
            assert program == "falsework" or (ROOT / OTHERS[program]).exists(), words
    known = re.compile(
        r"^ *(?:\$ )?(?:falsework|\./run|uv|uvx|pipx?|python3?|sudo|apt|git) ", flags=re.MULTILINE
    )
    for _, language, block in BLOCK.findall(text):
        assert language in ("sh", "python", "toml", "text", "") or language.startswith("{"), language
        assert language == "sh" or not known.search(block), block


def test_what_is_run_elsewhere_is_and_its_words_are_understood() -> None:
    for place in [*ELSEWHERE.values(), *OTHERS.values(), *PYTHON_ELSEWHERE.values()]:
        assert (ROOT / place).exists()
    for name, place in PYTHON_ELSEWHERE.items():
        assert f'"{name}"' in (ROOT / place).read_text("utf-8"), f"{place} runs no example of {name}"
    run_file = (ROOT / "run").read_text("utf-8")
    assert all(f"#   ./run {name} " in run_file for name in CHECKS)
    shown = [shlex.split(command) for page in SHOWN for command in SHOWN[page]]
    elsewhere = [words for words in shown if len(words) > 1 and words[1] in ELSEWHERE]
    assert len(elsewhere) > 5
    for _, name, *given in elsewhere:
        given = ["." if word == "/store/spare-parts" else word for word in given]
        group.commands[name].make_context(name, given)


def test_inline_commands_name_what_there_is() -> None:
    """In running text: the command, and each option that stands beside it."""
    for page in PAGES:
        for name, given in re.findall(r"`(?:falsework|\./run) ([a-z]+)\b([^`]*)`", page.read_text("utf-8")):
            assert name in group.commands or name in CHECKS, f"{page.name}: {name}"
            if name in group.commands:
                command = group.commands[name]
                inner = getattr(command, "commands", {}).get((given.split() or [""])[0], command)
                known = {option for param in inner.params for option in param.opts}
                for option in re.findall(r"(?<!\S)--[a-z-]+", given):
                    assert option in known, f"{page.name}: {name} {option}"


@pytest.mark.parametrize(
    "page",
    [page for page in PAGES if blocks(page, "toml")],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_files_of_marks_are_read(page: Path, tmp_path: Path) -> None:
    for block in blocks(page, "toml"):
        (tmp_path / "cowl.lie.toml").write_text(block, "utf-8")
        assert read_marks(tmp_path / "cowl.lie.toml") != Marks()


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
        alike = re.sub(r"\b(?:ventilator-)?cowl\b", "bracket", command)
        if words[0] in AGAIN and alike in _RUN:
            continue
        _RUN.add(alike)
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
    if page.name not in PYTHON_ELSEWHERE:
        run_examples(page)


def run_examples(page: Path) -> None:
    for block in blocks(page, "python"):
        exec(compile(block, str(page), "exec"), {})


@pytest.mark.parametrize(
    "page",
    [
        page
        for page in PAGES
        if page not in SHOWN and blocks(page, "python") and page.name not in PYTHON_ELSEWHERE
    ],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_a_page_of_examples_alone_runs(page: Path, room: Path) -> None:
    prepare("".join(blocks(page, "python")), room)
    run_examples(page)


def prepare(commands: str, room: Path) -> None:
    """What a page takes for granted: the parts it names, and what lies there from earlier work."""
    for name in set(re.findall(rf"([\w-]+)\.(?:stl|gcode)|{PLANNED}", commands)):
        write_stl(room / f"{name[0] or name[1]}.stl", PART.vertices, PART.faces, "bracket")
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

"""Whatever a person adds, fills in or may have printed stays, whichever command writes there again."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import types
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import click
import pytest

from falsework.cli.app import group, run
from falsework.coupon import CouponKind, PieceLimits, design_coupon
from falsework.files.stl import write_stl
from falsework.ledger import Ledger
from falsework.process import builtin
from falsework.tuning.invented import invented_printer
from plans import bracket_plan
from solids import bracket

COARSE = ["--set", "layer_height_mm=0.3", "--set", "first_layer_height_mm=0.3"]
FINER = ["--set", "layer_height_mm=0.25", "--set", "first_layer_height_mm=0.25"]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a part to print, in which the commands run."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tmp_path / "ledger.sqlite3"))
    part = bracket()
    write_stl(tmp_path / "table.stl", part.vertices, part.faces, "table")
    return tmp_path


def contents(folder: Path) -> dict[str, str]:
    """Digest of every file beneath a folder."""
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


def add_what_people_add(folder: Path) -> None:
    """A photograph, a sliced program, notes in a folder, and a line written into a text that was there."""
    (folder / "table.jpg").write_bytes(b"photograph")
    (folder / "table.gcode").write_bytes(b"G28")
    (folder / "scans").mkdir()
    (folder / "scans" / "sheet.png").write_bytes(b"scan")
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".md", ".toml", ".csv"):
            path.write_bytes(path.read_bytes() + b"# by hand\n")
            stat = path.stat()
            os.utime(path, (stat.st_atime, stat.st_mtime + 60.0))


def nothing_is_lost(folder: Path, first: list[str], second: list[str], expected: int = 0) -> None:
    """The bytes of every file that was there after ``first`` are there after ``second``."""
    assert run(first) in (0, 1)
    add_what_people_add(folder)
    before = contents(folder)
    assert run(second) == expected
    after = contents(folder)
    lost = {name for name, digest in before.items() if digest not in after.values()}
    assert not lost
    for name in ("table.jpg", "table.gcode", "scans/sheet.png"):
        assert after[name] == before[name]


FOLDERS: dict[str, tuple[str, list[str], list[str]]] = {
    "plan": (
        "table-plan",
        ["plan", "table.stl", "--unit", "mm", "--no-report", *COARSE],
        ["plan", "table.stl", "--unit", "mm", "--no-report", *FINER],
    ),
    "lie": (
        "lies",
        ["lie", "table.stl", "--unit", "mm", "--directions", "50", "--cores", "1", "--out", "lies", *COARSE],
        ["lie", "table.stl", "--unit", "mm", "--directions", "50", "--cores", "1", "--out", "lies", *FINER],
    ),
    "redraw": (
        "table-redrawn",
        ["redraw", "table.stl", "--unit", "mm", "--no-split", *COARSE],
        ["redraw", "table.stl", "--unit", "mm", "--no-split", *FINER],
    ),
    "tune": (
        "tuned",
        ["tune", "--ledger", "none", "--out", "tuned", "--minutes", "12", *COARSE],
        ["tune", "--ledger", "none", "--out", "tuned", "--minutes", "9", *COARSE],
    ),
}


@pytest.mark.parametrize("command", list(FOLDERS))
def test_a_folder_that_people_have_used_is_written_again(desk: Path, command: str) -> None:
    folder, first, second = FOLDERS[command]
    nothing_is_lost(desk / folder, first, second)


def test_results_nobody_touched_are_replaced_without_a_trace(desk: Path) -> None:
    assert run(FOLDERS["plan"][1]) == 0
    names = set(contents(desk / "table-plan"))
    assert run(FOLDERS["plan"][2]) == 0
    assert set(contents(desk / "table-plan")) == names


def test_a_print_of_an_earlier_plan_can_still_be_recorded(desk: Path) -> None:
    assert run(FOLDERS["plan"][1]) == 0
    plan = (desk / "table-plan" / "plan.json").read_bytes()
    (desk / "table-plan" / "table.jpg").write_bytes(b"photograph")
    assert run(FOLDERS["plan"][2]) == 0
    assert (desk / "table-plan" / "earlier-1" / "plan.json").read_bytes() == plan
    assert run(FOLDERS["plan"][2]) == 0  # the same again: nothing to keep
    assert not (desk / "table-plan" / "earlier-2").exists()


def test_each_piece_that_tuning_proposes_has_a_folder_of_its_own(desk: Path, capsys) -> None:
    tune = ["tune", "--ledger", "none", "--out", "tuned", *COARSE, "--minutes"]
    assert run([*tune, "12"]) == 0
    (first,) = (p for p in (desk / "tuned").iterdir() if p.is_dir())
    assert first.name in capsys.readouterr().out
    tray = first / "readings.csv"
    tray.write_bytes(tray.read_bytes().replace(b",,,", b",2026-11-02,,4", 1))
    (first / "note.txt").write_text("mole, damp spool")
    filled = contents(first)
    assert run([*tune, "12"]) == 0  # the same piece: as it lies there
    assert contents(first) == filled
    assert run([*tune, "9"]) == 0  # another one beside it
    assert contents(first) == filled
    codes = {
        json.loads((p / "coupon.json").read_text("utf-8"))["code"]
        for p in (desk / "tuned").iterdir()
        if p.is_dir() and (p / "coupon.json").exists()
    }
    assert len(codes) == 2


def test_a_piece_that_may_have_been_printed_is_not_replaced_by_another(desk: Path, capsys) -> None:
    make = ["coupon", "overhang-fan", "--out", "fan", *COARSE, "--minutes", "9", "--seed"]
    assert run([*make, "1"]) == 0
    before = contents(desk / "fan")
    assert run([*make, "2"]) == 1
    assert "may have been printed" in capsys.readouterr().err
    assert contents(desk / "fan") == before
    assert run([*make, "1"]) == 0  # the same piece
    assert contents(desk / "fan") == before


def test_pages_replace_pages_and_nothing_else(desk: Path, capsys) -> None:
    assert run(FOLDERS["plan"][1]) == 0
    capsys.readouterr()
    program = desk / "table.gcode"
    program.write_text("G28\nG1 X10 Y10 E1 F600\n", "utf-8")
    for command in (["release", "table-plan"], ["audit", "table.gcode"]):
        before = program.read_bytes()
        assert run([*command, "--out", "table.gcode"]) in (1, 2)
        assert "is no page that falsework wrote" in capsys.readouterr().err
        assert program.read_bytes() == before
        for _ in range(2):
            assert run([*command, "--out", "page.html"]) in (0, 1)
            assert (desk / "page.html").read_text("utf-8").startswith("<!doctype html>")


def test_an_export_does_not_replace_a_filled_tray(desk: Path, capsys) -> None:
    process = builtin("pla-0.4")
    piece = design_coupon(CouponKind.OVERHANG, process, seed=1, limits=PieceLimits(minutes=9))
    ledger = Ledger.open(desk / "ledger.sqlite3")
    ledger.introduce(process.printer, process.material)
    machine = invented_printer(1, name=process.printer.name)
    for reading in machine.readings([cell.condition for cell in piece.cells], 1):
        ledger.add_reading(reading, when=date(2026, 11, 3))
    for name in ("readings.csv", "ledger.json"):
        (desk / name).write_text("coupon,cell,let_go\nG97R,A,hand\n")
        assert run(["ledger", "export", name]) == 1
        assert "no export that falsework wrote" in capsys.readouterr().err
        assert (desk / name).read_text() == "coupon,cell,let_go\nG97R,A,hand\n"
        assert run(["ledger", "export", f"all-{name}"]) == 0
        assert run(["ledger", "export", f"all-{name}"]) == 0


def test_the_demo_keeps_what_was_added_beneath_its_parts(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: dict[str, Callable[[], object]] = {"cowl": lambda: bracket_plan("cowl", supported=False)}
    demo = types.ModuleType("falsework.part.demo")
    demo.demo_parts = lambda: made  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, demo.__name__, demo)
    monkeypatch.setattr("falsework.planning.plan", lambda part, **_: part)
    monkeypatch.setattr("falsework.cli.plan.report_file", lambda *_: {"report.html": "<!doctype html>"})
    numbers = iter("12")

    def tuned(folder: Path, _watch: object) -> None:
        folder.mkdir()
        (folder / "ledger.sqlite3").write_text(f"ledger {next(numbers)}")

    monkeypatch.setattr("falsework.cli.demo.tuned_museum", tuned)
    out = desk / "falsework-demo"
    assert run(["demo"]) == 0
    (out / "cowl" / "cowl.jpg").write_bytes(b"photograph")
    (out / "tuning" / "ledger.sqlite3").write_text("ledger 1, and a reading")
    assert run(["demo"]) == 0
    assert (out / "cowl" / "cowl.jpg").read_bytes() == b"photograph"
    assert (out / "tuning" / "ledger.sqlite3").read_text() == "ledger 2"
    assert (out / "earlier-1" / "tuning" / "ledger.sqlite3").read_text() == "ledger 1, and a reading"


def test_a_backup_goes_where_nothing_is(desk: Path, capsys) -> None:
    Ledger.open(desk / "ledger.sqlite3")
    (desk / "copy.sqlite3").write_bytes(b"notes of another kind")
    assert run(["ledger", "backup", "copy.sqlite3"]) == 1
    assert "is there already" in capsys.readouterr().err
    assert (desk / "copy.sqlite3").read_bytes() == b"notes of another kind"
    assert run(["ledger", "backup", "other.sqlite3"]) == 0


def test_a_table_of_a_screening_keeps_what_people_add(desk: Path) -> None:
    assert run(["screen", "table.stl", "--out", "screened", "--depth", "look", "--workers", "1"]) == 0
    add_what_people_add(desk / "screened")
    before = contents(desk / "screened")
    assert run(["screen", "table.stl", "--out", "screened", "--depth", "look", "--workers", "1"]) == 0
    after = contents(desk / "screened")
    assert {name: after.get(name) for name in before if name != "index.html"} == {
        name: digest for name, digest in before.items() if name != "index.html"
    }


_WRITERS = {
    "screen": test_a_table_of_a_screening_keeps_what_people_add,
    "plan": test_a_folder_that_people_have_used_is_written_again,
    "lie": test_a_folder_that_people_have_used_is_written_again,
    "redraw": test_a_folder_that_people_have_used_is_written_again,
    "tune": test_each_piece_that_tuning_proposes_has_a_folder_of_its_own,
    "coupon": test_a_piece_that_may_have_been_printed_is_not_replaced_by_another,
    "release": test_pages_replace_pages_and_nothing_else,
    "audit": test_pages_replace_pages_and_nothing_else,
    "ledger export": test_an_export_does_not_replace_a_filled_tray,
    "ledger backup": test_a_backup_goes_where_nothing_is,
    "demo": test_the_demo_keeps_what_was_added_beneath_its_parts,
}


def test_every_command_that_writes_where_people_add_things_is_walked_through_here() -> None:
    """A new command with an ``--out``, or an argument of that name, needs a test of its own in this file."""

    def writers(command: click.Command, name: str) -> Iterator[str]:
        if any(parameter.name == "out" for parameter in command.params):
            yield name
        if isinstance(command, click.Group):
            for each, inner in command.commands.items():
                yield from writers(inner, f"{name} {each}".strip())

    assert set(writers(group, "")) == set(_WRITERS)

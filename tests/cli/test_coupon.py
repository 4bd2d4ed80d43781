"""``falsework coupon`` as it is used: a piece in a folder, an overview, refusals."""

from __future__ import annotations

import csv
import json
import re
import shlex
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from falsework.cli.app import run
from falsework.cli.coupon import KINDS, coupon_command
from falsework.coupon import ConditionKind, Coupon, Reading, printed
from falsework.ledger import Ledger
from falsework.part import read_part
from falsework.process import builtin
from falsework.tuning import fit as fitting


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tmp_path / "ledger" / "ledger.sqlite3"))
    return tmp_path


FAST = ["--set", "layer_height_mm=0.3", "--set", "first_layer_height_mm=0.3", "--minutes", "9"]


def test_a_piece_with_supports_its_tray_and_its_sheet(here: Path, capsys, monkeypatch) -> None:
    monkeypatch.setattr("falsework.report.names._picture", lambda text: None)  # as if there were no fonts
    printer = "the quiet one ไ"
    assert run(["coupon", "gap-interface", "--seed", "4", "--printer", printer, *FAST]) == 0
    (folder,) = here.iterdir()
    coupon = Coupon.from_json((folder / "coupon.json").read_text("utf-8"))
    assert folder.name == f"gap-interface-{coupon.code}"
    assert {p.name for p in folder.iterdir()} == {
        *("coupon.json", "print.3mf", "piece.stl", "supports.stl", "readings.csv", "sheet.html", "sheet.pdf"),
    }
    said = capsys.readouterr().out
    assert f"{len(coupon.cells)} cells, {coupon.minutes:.0f} min, {coupon.grams:.1f} g (seed 4)" in said
    assert "more than 9" in said and f"Written to {folder.name}" in said
    assert "No font here has ไ: sheet.pdf shows ? for" in " ".join(said.split())
    rows = list(csv.DictReader((folder / "readings.csv").read_text("utf-8").splitlines()))
    assert {row["printer"] for row in rows} == {printer}
    assert [row["cell"] for row in rows] == [cell.label for cell in coupon.cells]
    assert printer in (folder / "sheet.html").read_text("utf-8")
    assert read_part(folder / "print.3mf").health.closed


def test_the_ladder_has_a_file_for_each_fan_share(here: Path, capsys) -> None:
    assert run(["coupon", "bridge-ladder", "--out", "ladder", "--json", "--seed", "1"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "falsework.coupon/1" and document["seed"] == 1
    names = {p.name for p in (here / "ladder").iterdir()}
    assert {"print-fan-100.3mf", "print-fan-0.3mf", "piece-fan-100.stl", "piece-fan-0.stl"} <= names
    assert not any(name.startswith("supports") for name in names)


def test_without_a_seed_two_pieces_differ(here: Path, capsys) -> None:
    for out in ("one", "two"):
        assert run(["coupon", "overhang-fan", "--out", out, "--json"]) == 0
    one, two = (Coupon.from_json((here / out / "coupon.json").read_text("utf-8")) for out in ("one", "two"))
    assert one.seed != two.seed and one.code != two.code


def test_the_overview_states_minutes_and_grams_and_writes_nothing(here: Path, capsys) -> None:
    assert run(["coupon", *FAST]) == 0
    said = capsys.readouterr().out
    for kind in KINDS:
        minutes, grams = re.search(rf"{kind} .* (\d+)  +([\d.]+)  ", said).groups()
        assert 0 < float(minutes) <= 9 and 0 < float(grams) <= 15
    assert not list(here.iterdir())


def test_a_filled_tray_is_not_overwritten(here: Path, capsys) -> None:
    make = ["coupon", "overhang-fan", "--out", "fan", "--seed"]
    assert run([*make, "1"]) == 0
    assert run([*make, "1"]) == 0  # the same piece, an empty tray
    tray = here / "fan" / "readings.csv"
    tray.write_bytes(tray.read_bytes().replace(b",PLA,,,,", b",PLA,2026-11-02,,4,", 1))
    before = tray.read_bytes()
    capsys.readouterr()
    assert run([*make, "1"]) == 1
    assert "holds readings" in capsys.readouterr().err
    assert tray.read_bytes() == before


def test_printer_and_ranges_come_from_the_ledger(here: Path, capsys, monkeypatch) -> None:
    monkeypatch.setattr(fitting, "_SWEEPS", 480)  # ranges follow the tails
    process = builtin("pla-0.4")
    small = replace(process.printer, name="the small one", build_width_mm=110, build_depth_mm=60)
    (here / "ledger").mkdir()
    ledger = Ledger.open(here / "ledger" / "ledger.sqlite3")
    ledger.add_printer(small)
    ledger.add_material(process.material)
    readings = [
        Reading(
            small.name,
            process.material.name,
            printed(ConditionKind.OVERHANG, process, angle_deg=a),
            None,
            finish,
        )
        for a in range(16, 60, 4)
        for finish in [5 if a < 28 else 4 if a < 32 else 2 if a < 36 else 1]
    ]
    for reading in readings:
        ledger.add_reading(reading, when=date(2026, 11, 3))
    make = ["coupon", "overhang-fan", "--printer", small.name, "--json", "--seed", "1", "--out"]
    assert run([*make, "before"]) == 0
    before = Coupon.from_json(capsys.readouterr().out)
    assert before.process.printer == small
    assert max(c.middle_mm[1] for c in before.cells) < 60
    assert run(["tune", "--printer", small.name, "--json"]) == 0
    capsys.readouterr()
    assert run([*make, "after"]) == 0
    after = Coupon.from_json(capsys.readouterr().out)
    assert min(c.condition.angle_deg for c in after.cells) < min(c.condition.angle_deg for c in before.cells)
    assert run([*make, "without", "--ledger", "none"]) == 0
    assert Coupon.from_json(capsys.readouterr().out).process.printer.build_width_mm == 220


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (["gap-interface", "--minutes", "1"], 1, "not even one cell"),
        (["gap-interface", "--minutes", "0"], 2, "--minutes"),
        (["wedge"], 2, "overhang-fan"),
        (["--out", "there"], 2, "--out needs a KIND"),
        (["gap-interface", "--process", "pla-9"], 1, "pla-9"),
        (["gap-interface", "--out", "nowhere/deep"], 1, "does not exist"),
    ],
)
def test_refusals(here: Path, capsys, options: list[str], code: int, said: str) -> None:
    assert run(["coupon", *options]) == code
    assert said in capsys.readouterr().err
    assert not list(here.iterdir())


DOCS = (Path(__file__).parents[2] / "docs" / "coupons.md").read_text("utf-8")


@pytest.mark.parametrize("line", re.findall(r"^falsework coupon(.*)$", DOCS, flags=re.MULTILINE))
def test_every_command_that_the_docs_show_is_understood(line: str) -> None:
    coupon_command.make_context("coupon", shlex.split(line, comments=True))


def test_the_overview_of_the_docs_is_what_the_tool_says(here: Path, capsys) -> None:
    assert run(["coupon", "--json"]) == 0
    for piece in json.loads(capsys.readouterr().out)["pieces"]:
        name, cells, batches, minutes, grams = re.search(
            rf"^\| `({piece['kind']})` \| (\d+)[^|]* \| (\d+) \| (\d+) \| ([\d.]+) ", DOCS, flags=re.MULTILINE
        ).groups()
        # ranges follow the prior: the page need not be rewritten whenever that shifts a little
        assert (piece["kind"], piece["batches"]) == (name, int(batches))
        assert piece["cells"] == pytest.approx(int(cells), abs=3)
        assert piece["minutes"] == pytest.approx(float(minutes), rel=0.25)
        assert piece["grams"] == pytest.approx(float(grams), rel=0.25)


def test_the_example_of_the_docs_runs(here: Path, capsys) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", DOCS, flags=re.DOTALL)
    exec(example, {})
    assert capsys.readouterr().out.startswith("G")
    assert (here / "gap" / "print.3mf").exists()


def test_the_pictures_of_the_docs_are_there() -> None:
    for name in re.findall(r"\]\(pictures/(.+?)\)", DOCS):
        assert (Path(__file__).parents[2] / "docs" / "pictures" / name).exists()

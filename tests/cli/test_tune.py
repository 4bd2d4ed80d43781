"""``falsework tune``, and how plan, inspect and release take what it learned."""

from __future__ import annotations

import datetime
import json
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from falsework import write_stl
from falsework.cli.app import run
from falsework.cli.belief import on_printer
from falsework.coupon import CouponKind, candidate_conditions, printed
from falsework.coupon.reading import ConditionKind, Reading
from falsework.droop.laws import Laws
from falsework.ledger import Entry, Ledger
from falsework.process import builtin, dump_process, load_process
from falsework.tuning.invented import invented_printer
from falsework.tuning.of_ledger import fit_ledger
from solids import box, merged

pytestmark = pytest.mark.usefixtures("few_steps")

PLA = builtin("pla-0.4")
PRINTER = "harbour printer"


@pytest.fixture(autouse=True)
def nobodys_ledger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tmp_path / "no-such-ledger"))
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="module")
def prepared(few_steps: None, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A ledger with one tray of each of three pieces, of a printer that needs three layers of gap; the same
    with its fit."""
    printer = replace(invented_printer(11), name=PRINTER).with_limit(PLA, 57.0).with_gap(PLA, 0.5)
    folder = tmp_path_factory.mktemp("prepared")
    ledger = Ledger.open(folder / "plain.sqlite3")
    ledger.add_printer(replace(PLA.printer, name=PRINTER))
    ledger.add_material(PLA.material)
    day = datetime.date(2024, 3, 4)
    for seed, kind in enumerate((CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP)):
        cells = candidate_conditions(kind, Laws(PLA))
        ledger.add_many([Entry(r, measured_on=day) for r in printer.readings(cells, seed)])
    shutil.copy(ledger.path, folder / "fitted.sqlite3")
    fit_ledger(Ledger.open(folder / "fitted.sqlite3"), PLA)
    return ledger.path, folder / "fitted.sqlite3"


@pytest.fixture
def ledger(prepared: tuple[Path, Path], tmp_path: Path) -> Ledger:
    return Ledger.open(Path(shutil.copy(prepared[0], tmp_path / "harbour.sqlite3")))


@pytest.fixture
def tuned(prepared: tuple[Path, Path], tmp_path: Path) -> Ledger:
    """The ledger after a fit."""
    return Ledger.open(Path(shutil.copy(prepared[1], tmp_path / "tuned.sqlite3")))


@pytest.fixture
def part(tmp_path: Path) -> str:
    path = tmp_path / "table.stl"
    top, leg = box((30.0, 20.0, 3.0), at=(0.0, 0.0, 12.0)), box((6.0, 6.0, 12.2), at=(12.0, 7.0, 0.0))
    write_stl(path, *merged(top, leg), "table")
    return str(path)


@pytest.fixture
def process(tmp_path: Path) -> str:
    """The museum's process before tuning."""
    path = tmp_path / "harbour.toml"
    path.write_text(dump_process(replace(PLA, printer=replace(PLA.printer, name=PRINTER))), "utf-8")
    return str(path)


def test_tune_writes_a_process_that_plan_takes_a_page_and_a_document(ledger, tmp_path, capsys) -> None:
    assert run(["tune", "--ledger", str(ledger.path), "--printer", PRINTER, "--out", "tuned"]) == 0
    out = capsys.readouterr().out
    readings = ledger.readings()
    assert f"{len(readings)} readings" in out and "invented for demonstration" in out
    names = {p.name for p in (tmp_path / "tuned").iterdir()}
    assert names - {"next"} == {"process.toml", "tuning.html", "tuning.json"}
    process = load_process(tmp_path / "tuned" / "process.toml")
    assert process.structure.air_gap_layers == 3
    assert process.reach_share > 0.5
    evidence = tomllib.loads((tmp_path / "tuned" / "process.toml").read_text("utf-8"))["evidence"]
    over_support = [r.id for r in readings if r.reading.condition.kind is ConditionKind.SUPPORT]
    assert evidence["air_gap_layers"]["readings"] == f"{over_support[0]}–{over_support[-1]}"
    document = json.loads((tmp_path / "tuned" / "tuning.json").read_text("utf-8"))
    assert document["schema"] == "falsework.tuning/2"
    assert document["recommendation"]["invented"] == len(readings)
    page = (tmp_path / "tuned" / "tuning.html").read_text("utf-8")
    assert "invented for demonstration, never measured" in page


def test_the_fit_is_kept_in_the_ledger_and_used_again(ledger, monkeypatch, capsys) -> None:
    command = ["tune", "--ledger", str(ledger.path), "--printer", PRINTER, "--json"]
    assert run(command) == 0
    first = capsys.readouterr().out
    kept = ledger.fit()
    assert kept is not None and kept.digest == ledger.readings_digest()

    def refit(*_, **__):
        raise AssertionError("fitted again")

    monkeypatch.setattr("falsework.tuning.fit.fit_readings", refit)
    assert run(command) == 0
    assert capsys.readouterr().out == first


def test_without_readings_it_is_common_practice_and_a_piece_to_print(tmp_path, capsys) -> None:
    assert run(["tune", "--ledger", "none", "--out", "first", "--grams", "4"]) == 0
    out = capsys.readouterr().out
    assert "no readings yet" in out and "uncalibrated" in out
    assert load_process(tmp_path / "first" / "process.toml") == replace(PLA, name="pla-0.4 tuned")
    (folder,) = (p for p in (tmp_path / "first").iterdir() if p.is_dir())
    piece = {p.name for p in folder.iterdir()}
    assert {"coupon.json", "readings.csv", "sheet.html"} <= piece
    assert not (tmp_path / "no-such-ledger").exists()  # looking does not make one


def test_a_printer_nobody_knows_is_new_and_said_where_others_are_known(ledger, capsys) -> None:
    new = on_printer(PLA, "harbor", ledger)
    assert new == replace(PLA, printer=replace(PLA.printer, name="harbor"))
    assert f"harbor is new to the ledger, which knows {PRINTER}" in capsys.readouterr().err
    assert on_printer(PLA, "harbor", None) == new
    assert on_printer(PLA, None, ledger) == on_printer(PLA, PLA.printer.name, ledger) == PLA
    assert on_printer(PLA, PRINTER, ledger).printer == ledger.printers()[PRINTER]
    assert capsys.readouterr().err == ""
    assert run(["tune", "--ledger", "missing.sqlite3"]) == 1
    assert "no such ledger" in capsys.readouterr().err
    assert ledger.fit() is None


def test_a_strangers_folder_is_not_replaced(ledger, tmp_path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("mine")
    assert run(["tune", "--ledger", str(ledger.path), "--printer", PRINTER, "--out", "mine"]) == 1
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["thesis.txt"]


def _inspected(part: str, process: str, capsys, *more: str) -> dict:
    assert run(["inspect", part, "--process", process, "--json", *more]) == 0
    return json.loads(capsys.readouterr().out)


def test_predictions_rest_on_the_ledgers_fit_for_its_printer_and_material(
    ledger, tuned, part, process, monkeypatch, capsys
) -> None:
    monkeypatch.setenv("FALSEWORK_LEDGER", str(ledger.path))
    before = _inspected(part, process, capsys)
    assert {u["droop_mm"]["basis"] for u in before["undersides"]} == {"uncalibrated"}
    assert before["rests_on"] == ""
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tuned.path))
    after = _inspected(part, process, capsys)
    assert {u["droop_mm"]["basis"] for u in after["undersides"]} <= {"calibrated", "extrapolated"}
    assert after["rests_on"] == f"{len(tuned.readings())} readings of {PRINTER} × PLA, invented"
    # to another printer it says less, but something; to who does not want to hear it, nothing
    other = builtin("pla-0.4").printer.name
    afar = _inspected(part, "pla-0.4", capsys)
    others = f"{len(tuned.readings())} readings of others, some invented"
    assert afar["rests_on"] == f"no reading of {other} × PLA; {others}"
    assert {u["droop_mm"]["basis"] for u in afar["undersides"]} == {"uncalibrated"}
    prior = _inspected(part, "pla-0.4", capsys, "--ledger", "none")
    assert prior["rests_on"] == "" and prior["undersides"] != afar["undersides"] != after["undersides"]
    assert _inspected(part, process, capsys, "--ledger", "none") == before


def test_readings_newer_than_the_fit_are_said_not_fitted(tuned, part, process, capsys) -> None:
    where = ("--ledger", str(tuned.path))
    first = _inspected(part, process, capsys, *where)
    fin = printed(ConditionKind.OVERHANG, PLA, angle_deg=40.0)
    tuned.add_reading(Reading(PRINTER, "PLA", fin, finish=1))
    assert run(["inspect", part, "--process", process, "--json", *where]) == 0
    told = capsys.readouterr()
    assert "changed since its fit" in told.err
    assert json.loads(told.out) == first


def test_a_named_ledger_that_has_nothing_to_say_says_so(ledger, tuned, part, process, capsys) -> None:
    assert run(["inspect", part, "--process", process, "--ledger", str(ledger.path)]) == 0
    assert "holds no fit yet" in capsys.readouterr().err
    assert run(["inspect", part, "--ledger", str(tuned.path)]) == 0
    assert f"from afar (PLA on {PRINTER})" in capsys.readouterr().err


def test_a_fit_of_another_version_is_left_aside(tuned, part, process, capsys) -> None:
    where = ("--ledger", str(tuned.path))
    tuned.save_fit('{"schema": "falsework.fit/0"}', tuned.readings_digest())
    assert _inspected(part, process, capsys, *where) == _inspected(part, process, capsys, "--ledger", "none")
    assert run(["inspect", part, "--process", process, *where]) == 0
    assert "stored by another version" in capsys.readouterr().err


def test_a_plan_says_on_what_it_rests(tuned, part, process, tmp_path, capsys) -> None:
    where = ["--ledger", str(tuned.path)]
    assert run(["plan", part, "--process", process, *where, "--out", "p"]) == 0
    rests_on = f"{len(tuned.readings())} readings of {PRINTER} × PLA, invented"
    assert rests_on in capsys.readouterr().out
    document = json.loads((tmp_path / "p" / "plan.json").read_text("utf-8"))
    assert document["rests_on"] == rests_on
    assert "rest on invented readings" in (tmp_path / "p" / "report.html").read_text("utf-8")
    assert rests_on in (tmp_path / "p" / "settings.md").read_text("utf-8")
    assert run(["release", "p", *where]) == 0


def test_letters_that_no_font_has_are_said_with_the_next_piece(capsys, monkeypatch) -> None:
    monkeypatch.setattr("falsework.report.names._picture", lambda text: None)  # as if there were no fonts
    assert run(["tune", "--process", "pla-0.4", "--printer", "the quiet one ไ", "--out", "tuned"]) == 0
    assert "No font here has ไ: sheet.pdf shows ? for" in " ".join(capsys.readouterr().out.split())

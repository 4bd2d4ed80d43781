"""Recording on the command line: by questions, by options, by a table; test pieces and everyday prints."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from falsework.cli.app import run
from falsework.coupon import CouponKind
from falsework.coupon.reading import LetGo
from falsework.ledger import Ledger
from falsework.ledger.looking import spots_of_plan
from ledger.samples import DAY, piece
from plans import bracket_plan

TABLE = (
    "coupon,cell,printer,material,measured_on,let_go,finish,thickness_mm,note,#nominal_mm\n"
    "G7K,a1,,,2024-05-17,fused,2,,,2.0\n"
    "G7K,a2,,,2024-05-17,tool,4,2.2,,2.0\n"
    "G7K,b1,,,,,,,,\n"
)


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tmp_path / "ledger" / "ledger.sqlite3"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def folder(place) -> Path:
    """What 'falsework coupon' leaves, as far as recording minds it."""
    folder = place / "gap-interface-G7K"
    folder.mkdir()
    (folder / "coupon.json").write_text(piece().to_json(), "utf-8")
    (folder / "readings.csv").write_text(TABLE, "utf-8")
    return folder


@pytest.fixture
def plan(place) -> Path:
    folder = place / "bracket-plan"
    folder.mkdir()
    (folder / "plan.json").write_text(bracket_plan().to_json(), "utf-8")
    return folder


def answering(monkeypatch, *lines: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def told(capsys) -> dict:
    return json.loads(capsys.readouterr().out)


# by questions


def test_a_piece_cell_by_cell(folder, monkeypatch, capsys):
    answering(monkeypatch, "", "", *("1", "2", "2,3", "4", "left a scar"), *("hand", "4", "", "", ""), *"s")
    assert run(["record", "piece", folder.name, "--day", "2024-05-17", "--spool", "grey 7"]) == 0
    out, err = capsys.readouterr()
    assert "Recorded as readings 1, 2" in out
    a1, a2 = Ledger.open().readings()
    assert (a1.cell, a1.coupon, a1.when, a1.note) == ("a1", "G7K", DAY, "left a scar")
    assert (a1.reading.let_go, a1.reading.finish, a1.reading.clean_up_min) == (LetGo.FUSED, 2, 4.0)
    assert a1.reading.droop_mm == pytest.approx(0.3), "2.3 between the jaws where 2.0 would be"
    assert (a2.reading.let_go, a2.reading.finish, a2.reading.droop_mm) == (LetGo.HAND, 4, None)
    assert a1.reading.condition == piece().cell("a1").condition
    (of_piece,) = Ledger.open().prints()
    assert of_piece.coupon == "G7K" and of_piece.spool == Ledger.open().spools()[0].id
    for words in (
        *("Test piece G7K: air gap and interface, 3 cells", "a1 (1 of 3): support, gap 0.2 mm (1 layer)"),
        *("not without damage to the part", "loops hang down", "look at: the roof from below"),
        *("thickness, mm (2.00 if nothing sagged)", "note: printer 'harbour mole' is new in the ledger"),
    ):
        assert words in err


def test_going_back_skipping_and_correcting(folder, monkeypatch, capsys):
    answering(
        monkeypatch,
        *("", ""),
        *("3", "b", "4", "4", "", "", ""),  # a1: tool, back, hand, finish 4
        "b",  # from a2 back to a1
        *("", "3", "", "", ""),  # a1 again: hand stays, finish 3
        "s",  # a2
        *("5", "1", "0.2", "", "b", "b", "b", "2", "", "", ""),  # b1: back before recording, to the finish
    )
    assert run(["record", "piece", folder.name]) == 0
    a1, b1 = Ledger.open().readings()
    assert (a1.cell, a1.reading.let_go, a1.reading.finish, a1.changes) == ("a1", LetGo.HAND, 3, 1)
    assert [v.reason for v in Ledger.open().history(a1.id)] == ["", "corrected while recording"]
    assert (b1.cell, b1.reading.finish, b1.reading.droop_mm, b1.changes) == ("b1", 2, 0.2, 0)
    assert b1.gap_method == "one layer of 0.1 mm under the gap"


def test_wrong_answers_are_asked_again(folder, monkeypatch, capsys):
    answering(monkeypatch, "", "", *("9", "ha", "7", "3", "thick", "200", "", "", "", "", "2.1", "", "", "q"))
    assert run(["record", "piece", folder.name]) == 0
    err = capsys.readouterr().err
    for words in (
        *("'9' is none of 1 fused", "'7' is not one of 1 to 5", "'thick' is not a number"),
        "cannot be: droop_mm 198 mm is out of range",
    ):
        assert words in err
    (found,) = Ledger.open().readings()
    assert (found.reading.let_go, found.reading.finish) == (LetGo.HAND, 3)
    assert found.reading.droop_mm == pytest.approx(0.1)


def test_what_is_recorded_stays_when_the_person_walks_off(folder, monkeypatch, capsys):
    answering(monkeypatch, "", "", "4", "4", "", "", "", "3")
    assert run(["record", "piece", folder.name]) == 1
    assert "stopped; the results in" in capsys.readouterr().err
    assert [r.cell for r in Ledger.open().readings()] == ["a1"]
    answering(monkeypatch, "", "", "3", "3", "", "", "", "q")
    assert run(["record", "piece", "G7K"]) == 0, "by its code, which is known now"
    err = capsys.readouterr().err
    assert "Recorded before: a1" in err and "a2 (1 of 2)" in err
    assert len(Ledger.open().prints()) == 1
    answering(monkeypatch, "", "", "2", "", "", "", "", "q")
    assert run(["record", "piece", "G7K", "--again"]) == 0
    assert [r.cell for r in Ledger.open().readings()] == ["a1", "a2", "a1"]
    assert len(Ledger.open().prints()) == 2


def test_without_a_command_it_asks_for_the_piece(folder, plan, monkeypatch, capsys):
    answering(monkeypatch, folder.name, "mole", "PLA grey", "y", "4", "", "", "", "", "q")
    assert run(["record"]) == 0
    (found,) = Ledger.open().readings()
    assert (found.reading.printer, found.reading.material) == ("mole", "PLA grey")
    answering(monkeypatch, plan.name, "", "", "q")
    assert run(["record"]) == 0
    assert "Plan of lamp bracket" in capsys.readouterr().err
    answering(monkeypatch, "")
    assert run(["record"]) == 1


def test_the_likely_names_are_offered(folder, monkeypatch, capsys):
    ledger = Ledger.open()
    from falsework.process.settings import Material, Printer

    ledger.add_printer(Printer("lighthouse"))
    ledger.add_material(Material("PLA"))
    answering(monkeypatch, "", "", "4", "", "", "", "", "q")
    assert run(["record", "piece", folder.name]) == 0
    assert "Printer [lighthouse]" in capsys.readouterr().err, "the only one that is known"
    assert ledger.readings()[0].reading.printer == "lighthouse"


# by options


def test_one_cell_by_options(folder, capsys):
    line = ["record", "piece", folder.name, "--cell", "a2", "--let-go", "tool", "--finish", "4"]
    assert (
        run([*line, "--thickness", "2.15", "--minutes", "1.5", "--note", "cold", "--invented", "--json"]) == 0
    )
    document = told(capsys)
    assert document["schema"] == "falsework.recorded/1"
    assert document["notice"] == "This one reading is invented for demonstration, never measured."
    (reading,) = document["readings"]
    assert reading["cell"] == "a2" and reading["reading"]["droop_mm"] == 0.15
    assert [note.partition(" is new")[0] for note in document["notes"]] == [
        *("printer 'harbour mole'", "material 'PLA'")
    ]
    assert run(line) == 1
    assert "has been recorded already, as reading 1" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (["--cell", "a2"], 1, "no outcome is given"),
        (["--cell", "zz", "--finish", "3"], 1, "there is no such cell; there are a1, a2, b1"),
        (["--cell", "a2", "--finish", "7"], 1, "finish 7 is out of range"),
        (["--cell", "b1", "--thickness", "2"], 1, "has no thickness to take"),
        (["--cell", "a2", "--let-go", "gently"], 2, "'gently' is none of"),
        (["--cell", "a2", "--droop", "1", "--thickness", "2"], 2, "say the same"),
        (["--finish", "3"], 2, "--finish needs --cell"),
        (["--cell", "a2", "--finish", "3", "--day", "2999-01-01"], 1, "lies in the future"),
        (["--cell", "a2", "--finish", "3", "--day", "5/4/24"], 2, "write it as 2031-05-04"),
    ],
)
def test_wrong_options(folder, capsys, options: list[str], code: int, message: str):
    assert run(["record", "piece", folder.name, *options]) == code
    out, err = capsys.readouterr()
    assert message in err and out == ""
    ledger = Ledger.open()
    assert (ledger.readings(), ledger.prints(), ledger.printers()) == ([], [], {})


def test_an_unknown_piece(place, capsys):
    assert run(["record", "piece", "Q99"]) == 1
    assert "is neither a folder with a coupon.json nor a known piece" in capsys.readouterr().err


# by a table


def test_a_table(folder, capsys):
    table = str(folder / "readings.csv")
    assert run(["record", "--csv", table, "--dry-run"]) == 0
    assert "2 rows of harbour mole in PLA could be recorded; 1 without an outcome" in capsys.readouterr().out
    assert Ledger.open().readings() == []
    assert run(["record", "--csv", table, "--printer", "seal", "--spool", "grey 7"]) == 0
    out = capsys.readouterr().out
    assert "note: printer 'seal' is new in the ledger" in out and "recorded as readings 1, 2" in out
    assert [r.reading.printer for r in Ledger.open().readings()] == ["seal", "seal"]
    assert run(["record", "--csv", table, "--printer", "seal", "--json"]) == 1
    error = told(capsys)["error"]
    assert error["kind"] == "LedgerError" and "line 2 to line 3 (2 of them): cell a1" in error["wrong"]
    assert run(["record", "--csv", table, "--printer", "seal", "--again", "--json"]) == 0
    document = told(capsys)
    assert (document["rows"], document["empty"], len(document["readings"])) == (2, 1, 2)


def test_a_table_without_its_piece_beside(folder, place, capsys):
    alone = place / "tray.csv"
    alone.write_text(TABLE, "utf-8")
    assert run(["record", "--csv", str(alone)]) == 1
    assert "is of test piece G7K, which the ledger does not know" in capsys.readouterr().err
    assert run(["record", "piece", folder.name, "--cell", "b1", "--finish", "3"]) == 0
    assert run(["record", "--csv", str(alone)]) == 0
    assert len(Ledger.open().readings()) == 3 and len(Ledger.open().prints()) == 1


def test_every_wrong_row_is_told(folder, capsys):
    table = folder / "readings.csv"
    table.write_text(TABLE.replace("fused", "stuck").replace("tool,4", "tool,9"), "utf-8")
    assert run(["record", "--csv", str(table)]) == 1
    err = capsys.readouterr().err
    assert "line 2: let_go 'stuck'" in err and "line 3: finish 9" in err and "nothing was recorded" in err


@pytest.mark.parametrize(
    ("line", "code", "message"),
    [
        (["record", "--csv", "none.csv"], 1, "cannot be read"),
        (["record", "--csv", "."], 1, "is not a file"),
        (["record", "--dry-run"], 2, "--dry-run needs --csv"),
        (["record", "--csv", "x.csv", "piece", "G7K"], 2, "stand alone"),
        (["record", "print", "nowhere"], 1, "cannot be read"),
    ],
)
def test_tables_and_folders_that_are_not_there(place, capsys, line, code: int, message: str):
    assert run(line) == code
    assert message in capsys.readouterr().err


# everyday prints


def test_an_everyday_print(plan, monkeypatch, capsys):
    asked = spots_of_plan(bracket_plan())
    cells = [spot.cell for spot in asked]
    assert run(["record", "print", plan.name, "--cell", "nothing", "--finish", "3"]) == 1
    assert ", ".join(cells) in capsys.readouterr().err
    lines = []
    for spot in asked:
        lines += ["4" if name in ("let_go", "finish") else "0.2" for name in spot.outcomes] + [""]
    answering(monkeypatch, "mole", "PLA", *lines)
    assert run(["record", "print", plan.name, "--day", "17.5.2024"]) == 0, capsys.readouterr().err
    ledger = Ledger.open()
    assert [r.cell for r in ledger.readings()] == cells
    assert {r.source for r in ledger.readings()} == {"print"} and {r.when for r in ledger.readings()} == {DAY}
    (print_,) = ledger.prints()
    assert ledger.plans()[print_.plan].part == "lamp bracket"
    assert ledger.process(ledger.plans()[print_.plan].process) == bracket_plan().process
    assert run(["record", "print", plan.name, "--printer", "mole", "--cell", cells[0], "--finish", "3"]) == 1
    assert "recorded already" in capsys.readouterr().err


def test_a_plan_of_nothing_over_air(plan, capsys):
    from dataclasses import replace

    bare = replace(bracket_plan(), undersides=(), pieces=())
    (plan / "plan.json").write_text(bare.to_json(), "utf-8")
    assert run(["record", "print", plan.name]) == 1
    assert "there is nothing to look at" in capsys.readouterr().err


def test_the_kinds_of_pieces_have_titles():
    from falsework.coupon.guide import TITLES

    assert set(TITLES) == set(CouponKind)


def test_recording_starts_light():
    import subprocess

    code = (
        "import sys\nfrom falsework.cli.app import run\n"
        "run(['record', '--help'])\nrun(['ledger', '--help'])\n"
        "heavy = {'numpy', 'numba', 'rich', 'shapely', 'sqlite3'}\n"
        "print(*sorted(heavy & sys.modules.keys()), file=sys.stderr)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stderr.strip() == ""

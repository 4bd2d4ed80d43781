"""Looking at the ledger, correcting it, taking it elsewhere."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import click
import pytest

from falsework.cli.app import group, run
from falsework.ledger import Ledger
from falsework.process.settings import Material
from ledger.samples import PHOTOGRAPH, full


@pytest.fixture(autouse=True)
def usual(tmp_path, monkeypatch) -> Path:
    """The usual ledger with something in every table; the working folder is empty."""
    ledger = full(tmp_path / "usual")
    monkeypatch.setenv("FALSEWORK_LEDGER", str(ledger.path))
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return ledger.path


def told(capsys) -> dict:
    return json.loads(capsys.readouterr().out)


def out_of(capsys, *line: str) -> str:
    assert run(["ledger", *line]) == 0, capsys.readouterr().err
    return capsys.readouterr().out


NOTICE = "1 of 4 readings are invented for demonstration, never measured."


def test_what_it_holds(capsys, usual):
    out = out_of(capsys)
    assert f"Ledger {usual}" in out and NOTICE in out
    for line in (
        "readings     4",
        "withdrawn    1",
        "pieces       G7K",
        "printers     harbour mole, lighthouse",
    ):
        assert line in out
    assert "of all of them" in out
    assert run(["ledger", "withdraw", "2", "--why", "bent"]) == 0
    assert "from before the last change" in out_of(capsys)
    assert run(["ledger", "--json"]) == 0
    document = told(capsys)
    assert document["ledger"]["readings"] == 3 and document["fit"]["current"] is False


def test_the_readings(capsys):
    out = out_of(capsys, "show")
    assert NOTICE in out and out.count("invented") == 2, "the notice, and the reading itself"
    rows = [line.split()[0] for line in out.splitlines() if line.strip()[:1].isdecimal()]
    assert rows[1:] == ["1", "2", "3", "4"], "the first of these lines is the notice"
    assert "G7K a2" in out and "gap 0.4 mm, 2 interface" in out and "bridge 25 mm" in out
    assert "Readings of harbour mole in PLA" in out and "printer" not in out
    assert "withdrawn" in out_of(capsys, "show", "--withdrawn")
    assert "G7K" not in out_of(capsys, "show", "--print", "1")
    assert "There are no such readings" in out_of(capsys, "show", "--printer", "lighthouse")
    assert "There are no such readings" in out_of(capsys, "show", "--flagged")
    assert run(["ledger", "show", "--piece", "G7K", "--last", "1", "--json"]) == 0
    document = told(capsys)
    assert document["schema"] == "falsework.readings/1" and document["notice"] == ""
    assert [r["cell"] for r in document["readings"]] == ["a2"]


def test_the_prints(capsys):
    out = out_of(capsys, "prints")
    assert "ventilator cowl" in out and "test piece G7K" in out and "grey 7" in out and NOTICE in out
    assert run(["ledger", "prints", "--json"]) == 0
    assert [p["coupon"] for p in told(capsys)["prints"]] == [None, "G7K"]


def test_one_reading_in_full(capsys):
    out = out_of(capsys, "show", "1")
    for words in (
        "underside 3",
        "nozzle_temperature_c   210.0 °C",
        "let_go",
        "cowl from below.jpg",
        "changed",
    ):
        assert words in out
    assert run(["ledger", "show", "99"]) == 1
    assert "reading 99: the ledger has none of that number" in capsys.readouterr().err


def test_history(capsys):
    out = out_of(capsys, "history", "1")
    assert "1. " in out and "recorded" in out and "let_go hand, finish 4" in out
    assert "corrected (held against the wrong picture)" in out and "finish: 4 → 3" in out
    assert run(["ledger", "history", "4", "--json"]) == 0
    document = told(capsys)
    assert document["invented"] is True and document["history"][0]["act"] == "recorded"


def test_correcting(capsys, usual):
    changes = ("finish=2", "droop_mm=0,15", "measured_on=2024-05-18", "note=")
    out = out_of(capsys, "correct", "2", *changes, "--why", "read by another person")
    assert "Reading 2 corrected; what it said is kept" in out
    found = Ledger(usual).reading(2)
    assert (found.reading.finish, found.reading.droop_mm, found.note) == (2, 0.15, "")
    assert found.when.day == 18 and found.changes == 1
    assert (
        run(["ledger", "correct", "2", "clean_up_min=", "air_gap_mm=0.4", "--why", "wrong cell", "--json"])
        == 0
    )
    (reading,) = told(capsys)["readings"]
    assert reading["reading"]["condition"]["air_gap_mm"] == 0.4


@pytest.mark.parametrize(
    ("line", "code", "message"),
    [
        (["correct", "2", "finish=9", "--why", "x"], 1, "finish 9 is out of range"),
        (["correct", "2", "finish=good", "--why", "x"], 1, "'good' is not a number"),
        (["correct", "2", "fnish=3", "--why", "x"], 1, "there is no such field"),
        (["correct", "2", "kind=", "--why", "x"], 1, "kind is missing"),
        (["correct", "2", "measured_on=", "--why", "x"], 1, "measured_on: is missing"),
        (["correct", "2", "printer=ghost", "--why", "x"], 1, "no printer 'ghost'"),
        (["correct", "2", "finish=3"], 2, "--why"),
        (["correct", "2", "finish=3", "--why", " "], 1, "reason: is missing"),
        (["correct", "2", "--why", "x"], 2, "FIELD=VALUE"),
        (["correct", "2", "finish", "--why", "x"], 2, "is not of the form"),
        (["correct", "5", "finish=3", "--why", "x"], 1, "has been withdrawn"),
        (["withdraw", "2", "99", "--why", "x"], 1, "none of that number"),
        (["withdraw", "2", "2", "--why", "x"], 1, "has been withdrawn already"),
        (["restore", "2", "--why", "x"], 1, "has not been withdrawn"),
        (["photo", "--detach", "2", "--why", "x"], 1, "has been detached already"),
        (["photo", "--detach", "1"], 1, "reason: is missing"),
        (["photo", "none.jpg", "--reading", "1"], 1, "does not exist"),
        (["photo", "none.jpg"], 2, "Say what it shows"),
        (["import", "none.json"], 1, "cannot be read"),
        (["import", "none.csv"], 1, "cannot be read"),
        (["import", "x.json", "--dry-run"], 2, "--dry-run is for tables"),
        (["export", "no/such/folder/x.json"], 1, "does not exist"),
        (["show", "--ledger", "none.sqlite3"], 1, "there is no ledger yet"),
        (["show", str(2**70)], 1, "none of that number"),
        (["describe", "no-such-process"], 1, "no such file or built-in process"),
    ],
)
def test_what_cannot_be_is_refused(capsys, usual, line, code: int, message: str):
    before = Ledger(usual).export_json()
    assert run(["ledger", *line]) == code
    out, err = capsys.readouterr()
    assert message in err and out == ""
    assert Ledger(usual).export_json() == before
    if code == 1:
        assert run(["ledger", *line, "--json"]) == 1
        assert told(capsys)["error"]["wrong"]


def test_withdrawing_and_restoring(capsys, usual):
    assert "Reading 3 withdrawn" in out_of(capsys, "withdraw", "2", "3", "--why", "damp spool")
    assert [r.id for r in Ledger(usual).readings()] == [1, 4]
    out_of(capsys, "restore", "3", "--why", "it was the dry one")
    assert [r.id for r in Ledger(usual).readings()] == [1, 3, 4]


def test_a_whole_export_comes_back(capsys, usual):
    assert NOTICE in out_of(capsys, "export", "all")
    assert sorted(path.name for path in Path("all").iterdir()) == [
        *("history.csv", "ledger.json", "photographs", "readings.csv")
    ]
    out_of(capsys, "export", "all")  # an earlier one is replaced
    out = out_of(capsys, "import", "all", "--ledger", "other.sqlite3")
    assert "readings 5" in out and NOTICE in out and "did not come along" not in out
    other = Ledger(Path("other.sqlite3"))
    assert other.export_json() == Ledger(usual).export_json()
    assert other.photograph(other.photographs()[0].digest)[0] == PHOTOGRAPH
    out = out_of(capsys, "import", "all/ledger.json", "--ledger", "third.sqlite3")
    assert "1 photograph did not come along: import the folder" in out
    assert run(["ledger", "import", "all", "--ledger", "other.sqlite3", "--json"]) == 0
    document = told(capsys)
    assert (document["added"], document["known"], document["notice"]) == ({}, 5, NOTICE)


def test_tables_go_out_and_in(capsys, usual):
    out_of(capsys, "export", "all.json")
    out_of(capsys, "export", "readings.csv")
    text = Path("readings.csv").read_text("utf-8")
    assert text.count("\n") == 5 and ",yes," in text
    assert "5 rows" not in out_of(capsys, "import", "readings.csv", "--dry-run")
    Path("more.csv").write_text(text.replace(",0.30000000000000004,", ",0.4,"), "utf-8")
    assert run(["ledger", "import", "more.csv"]) == 1
    assert "which says otherwise" in capsys.readouterr().err
    lines = text.splitlines()
    Path("new.csv").write_text(
        "\n".join(line.partition(",")[2].partition(",")[2] for line in (lines[0], lines[4]))
    )
    out = out_of(capsys, "import", "new.csv")
    assert "flagged: line 2: the same as reading 4 in everything" in out and "1 row recorded" in out
    assert run(["ledger", "export", "x.csv", "--json"]) == 0
    assert told(capsys)["notice"].startswith("2 of 5 readings are invented")


def test_an_export_never_replaces_what_is_not_its_own(capsys):
    Path("mine").mkdir()
    (Path("mine") / "diary.txt").write_text("dear diary")
    assert run(["ledger", "export", "mine"]) == 1
    assert [p.name for p in Path("mine").iterdir()] == ["diary.txt"]


def test_backup_and_check(capsys, usual):
    out = out_of(capsys, "backup", "copy.sqlite3")
    assert "is sound; copied to copy.sqlite3" in out
    assert Ledger(Path("copy.sqlite3")).export_json() == Ledger(usual).export_json()
    assert "4 readings" not in out_of(capsys, "check", "--ledger", "copy.sqlite3")
    assert run(["ledger", "backup", "copy.sqlite3"]) == 1
    assert "is there already" in capsys.readouterr().err
    next(Path(".").glob("copy-photographs/*/*.jpg")).unlink()
    assert run(["ledger", "check", "--ledger", "copy.sqlite3", "--json"]) == 1
    assert "not all photographs are there" in told(capsys)["error"]["wrong"]
    assert "caution: " in out_of(capsys, "backup", "second.sqlite3", "--ledger", "copy.sqlite3")


def test_photographs(capsys, usual):
    Path("roof.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    out = out_of(capsys, "photo", "roof.png", "--reading", "3", "--note", "at noon")
    assert "roof.png" in out and "at noon" in out
    assert run(["ledger", "photo", "--json"]) == 0
    assert len(told(capsys)["photographs"]) == 3
    out_of(capsys, "photo", "--detach", "4", "--why", "shows the ceiling")
    assert Ledger(usual).photographs(reading=3) == []


def test_describing_a_material(capsys, usual):
    assert run(["process", "petg-0.4"]) == 0
    Path("petg.toml").write_text(capsys.readouterr().out, "utf-8")
    assert "material 'PETG'" in out_of(capsys, "describe", "petg.toml", "--why", "first spool")
    assert Ledger(usual).materials()["PETG"] != Material("PETG")


def test_a_damaged_ledger_is_told_in_a_sentence(capsys, usual):
    whole = usual.read_bytes()
    usual.write_bytes(whole[: 2 * 4096] + b"\x5a" * 20 * 4096 + whole[22 * 4096 :])
    for line in (["show"], ["check"], ["backup"], ["export", "x.json"], ["history", "1"]):
        assert run(["ledger", *line]) == 1
        err = capsys.readouterr().err
        assert str(usual) in err and "Traceback" not in err


DOCS = (Path(__file__).parents[2] / "docs" / "ledger.md").read_text("utf-8")


@pytest.mark.parametrize("line", re.findall(r"^falsework (.+)$", DOCS, flags=re.MULTILINE))
def test_every_command_that_the_docs_show_is_understood(line: str):
    name, *arguments = shlex.split(line, comments=True)
    command = group.commands[name]
    assert isinstance(command, click.Group)
    if arguments and arguments[0] in command.commands:
        name, *arguments = arguments
        command = command.commands[name]
    command.make_context(name, arguments)


def test_the_example_of_the_docs_runs(usual, capsys):
    (example,) = re.findall(r"```python\n(.*?)```", DOCS, flags=re.DOTALL)
    from falsework.process.settings import Printer

    Ledger(usual).add_printer(Printer("mole"))
    exec(example, {})
    assert capsys.readouterr().out.split()[-2:] == ["0.3", "()"]

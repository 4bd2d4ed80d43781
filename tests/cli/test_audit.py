"""``falsework audit``: exit codes, the table, JSON and page, on programs made by the tests' own writer."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from audited import faults, of_plan, table_plan
from falsework.auditing import Audit
from falsework.cli.app import run
from falsework.files.folder import write_plan


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("audit")
    plan = table_plan()
    write_plan(plan, folder / "plan")
    sound = of_plan(plan, turn_deg=90.0, shift=(200.0, 0.0)).end().bytes()
    (folder / "table.gcode").write_bytes(sound)
    (folder / "table.gcode.gz").write_bytes(gzip.compress(sound))
    (folder / "gap.gcode").write_bytes(faults()["gap too wide"][1]()[0])
    (folder / "bridge.gcode").write_bytes(faults()["long bridge"][1]())
    return folder


def test_a_program_that_does_what_the_plan_asks_for(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    for name in ("table.gcode", "table.gcode.gz"):
        assert run(["audit", name, "--plan", "plan"]) == 0
        said = capsys.readouterr().out
        assert said.startswith("Print it: it does what the plan asks for.")
        assert "0.400 of 0.400" in said and "as planned" in said
        assert "the part in it: turned by 90.00°, moved by 200.00, 0, 0 mm" in said


def test_findings_are_a_table_and_an_exit_code(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    before = (folder / "gap.gcode").read_bytes()
    assert run(["audit", "gap.gcode", "--plan", "plan"]) == 1
    said = capsys.readouterr().out
    assert "has an air gap of 0.6 mm, wider than the 0.4 mm planned" in said
    assert said.startswith("Look at this before you print: underside 1")
    assert "What to do: Set the air gap in whole layers." in said and "Where: layer 11" in said
    assert run(["audit", "gap.gcode", "--plan", "plan", "--worst", "fault"]) == 0
    capsys.readouterr()
    assert (folder / "gap.gcode").read_bytes() == before


def test_json_is_one_document_that_reads_back(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", "bridge.gcode", "--json"]) == 1
    text = capsys.readouterr().out
    document = json.loads(text)
    assert document["schema"] == "falsework.audit/2"
    assert document["findings"][0]["kind"] == "long bridge"
    assert document["findings"][0]["found"] == pytest.approx(45.0, abs=0.05)
    assert Audit.from_json(text).to_json() == text


def test_the_page_shows_each_finding_and_needs_nothing_else(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", "bridge.gcode", "--out", "bridge.html"]) == 1
    assert "Written to bridge.html" in capsys.readouterr().out
    page = (folder / "bridge.html").read_text("utf-8")
    assert "http" not in page.replace("http-equiv", "")
    assert "23 strands bridge 45.0 mm of air" in page
    assert page.count("<svg") == 2 and "Cut along x" in page


def test_against_the_part_alone(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", "table.gcode", "--part", "plan/part.stl"]) == 0
    assert "Undersides, planned and found (1)" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["nowhere.gcode", "plan/part.stl", "plan", "plan/print.3mf"])
def test_what_cannot_be_read_is_refused_with_two(folder, monkeypatch, capsys, name) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", name]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and Path(name).name in said.err
    assert run(["audit", name, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "ProgramError"


@pytest.mark.parametrize("wrong", ["--plan plan --part plan/part.stl", "--set nozzle_mm=0.6", "--worst bad"])
def test_options_that_contradict_each_other_are_wrong_usage(folder, monkeypatch, capsys, wrong) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", "table.gcode", *wrong.split()]) == 2
    assert "Error" in capsys.readouterr().err


def test_a_folder_without_a_plan_is_refused(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", "table.gcode", "--plan", "elsewhere"]) == 2
    assert "elsewhere" in capsys.readouterr().err


def test_the_program_is_never_replaced_by_its_page(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    before = (folder / "bridge.gcode").read_bytes()
    assert run(["audit", "bridge.gcode", "--out", "bridge.gcode"]) == 2
    assert run(["audit", "bridge.gcode", "--out", "table.gcode"]) == 2
    capsys.readouterr()
    assert (folder / "bridge.gcode").read_bytes() == before


def test_a_bed_counts_where_it_is_named(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    assert run(["audit", "table.gcode"]) == 0
    capsys.readouterr()
    assert run(["audit", "table.gcode", "--bed", "60x60"]) == 1
    assert capsys.readouterr().out.startswith("Do not print this: the print reaches from")
    assert run(["audit", "table.gcode", "--bed", "300x300x200,centre"]) == 0
    capsys.readouterr()
    assert run(["audit", "table.gcode", "--bed", "wide"]) == 2


def test_alone_it_says_what_a_plan_would_add(folder, monkeypatch, capsys) -> None:
    monkeypatch.chdir(folder)
    run(["audit", "table.gcode"])
    assert "Held against its part or plan it would also tell" in capsys.readouterr().out

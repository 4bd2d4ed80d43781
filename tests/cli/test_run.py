"""The command line around a pipeline that is put in place of the real one: messages, exit codes, stops.

What the real pipeline does through the command line is in ``test_end_to_end.py``.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import types
from collections.abc import Callable
from pathlib import Path

import pytest

import falsework.planning
from falsework.cli.app import run
from falsework.errors import PartError
from falsework.files import folder as folder_module
from falsework.planning.value import Plan
from plans import bracket_plan


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable], None]:
    """Put a function in the place of the pipeline's ``plan_for`` and ``inspect_for``."""

    def put(function: Callable) -> None:
        module = types.ModuleType("falsework.planning.pipeline")
        module.plan_for = module.inspect_for = function  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "falsework.planning.pipeline", module)
        for name in ("plan_for", "inspect_for"):  # kept there once they have been looked up
            monkeypatch.setitem(vars(falsework.planning), name, function)

    monkeypatch.setattr("falsework.cli.asked.AskedOptions.read", lambda asked, request, watch, **_: request)
    put(lambda *_, **__: bracket_plan())
    return put


def entries(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir()}


def test_plan_writes_the_folder_and_says_what_was_found(here, pipeline, capsys) -> None:
    assert run(["plan", "bracket.stl", "--no-report"]) == 0
    assert entries(here) == {"bracket-plan"}
    expected = {"plan.json", "print.3mf", "part.stl", "supports.stl", "settings.md"}
    assert entries(here / "bracket-plan") == expected
    text = capsys.readouterr().out
    for said in (
        "lamp bracket: 50.0 × 20.0 × 30.0 mm",
        "2 × duplicate faces: removed",
        "150 layers of 0.2 mm",
        "4.20 (1.90 to 8.80)",
        "general values, not your prints",
        "side by side",
        "caution: figures rest on a prior",
        "Written to bracket-plan: plan.json, print.3mf, part.stl, supports.stl, settings.md",
    ):
        assert said in text


def test_the_pipeline_gets_what_the_options_say(here, pipeline) -> None:
    calls = []

    def record(*given: object, **named: object) -> Plan:
        calls.append((given, named))
        return bracket_plan()

    pipeline(record)
    line = (
        "plan a.stl --no-report --process petg-0.6 --set structure.spacing_mm=3 --set fan=0.2 "
        "--scale 2 --unit inch --turn 90,0,-45 --standing bed --overrule 3=leave "
        "--overrule 1=bed-or-part --weigh finish=2,time=0"
    )
    assert run(line.split()) == 0
    (((request, _context), _named),) = calls
    placing, wish = request.placing, request.wish
    process = wish.process
    assert request.part == "a.stl"
    assert (process.nozzle_mm, process.structure.spacing_mm, process.fan) == (0.6, 3.0, 0.2)
    assert (placing.scale, placing.unit, placing.turn_deg) == (2.0, "inch", (90.0, 0.0, -45.0))
    assert (wish.standing, wish.overrules) == ("bed", {3: "leave", 1: "bed-or-part"})
    weights = wish.weights
    assert (weights.finish_per_cm2, weights.filament, weights.time) == (2.0, 1.0, 0.0)


@pytest.mark.parametrize(
    "wrong",
    [
        "--turn 1,2",
        "--turn 1,2,nan",
        "--scale 0",
        "--scale -1",
        "--standing floor",
        "--overrule 3",
        "--overrule 3=floor",
        "--overrule x=bed",
        "--weigh finish=-1",
        "--weigh beauty=1",
        "--weigh finish",
        "--set spacing_mm",
        "--supports-as glue",
        "--nonsense",
    ],
)
def test_wrong_usage_is_exit_2_and_writes_nothing(here, pipeline, capsys, wrong: str) -> None:
    assert run(["plan", "a.stl", *wrong.split()]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Error" in said.err
    assert entries(here) == set()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("--set structure.spacing_mm=-1", "spacing_mm"),
        ("--set structure.spacin_mm=2", "spacing_mm"),
        ("--process pla-9", "pla-9"),
        ("--process no-such.toml", "no-such.toml"),
        ("--out no/where", "does not exist"),
    ],
)
def test_refused_values_are_exit_1_in_one_line(here, pipeline, capsys, options: str, says: str) -> None:
    assert run(["plan", "a.stl", *options.split()]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert says in said.err
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err
    assert entries(here) == set()


def test_the_folder_is_checked_before_the_work(here, pipeline, capsys) -> None:
    (here / "a-plan").mkdir()
    (here / "a-plan" / "thesis.txt").write_text("mine")
    pipeline(lambda *_, **__: pytest.fail("worked in vain"))
    assert run(["plan", "a.stl"]) == 1
    assert "not written by falsework" in capsys.readouterr().err


def test_errors_as_json_have_one_shape(here, pipeline, capsys) -> None:
    def refuse(*_: object, **__: object) -> Plan:
        raise PartError("a.stl", "holds no triangles", "Export it again")

    pipeline(refuse)
    for command in (["plan", "a.stl", "--json"], ["inspect", "a.stl", "--json"]):
        assert run(command) == 1
        said = capsys.readouterr()
        assert said.err == ""
        assert json.loads(said.out) == {
            "error": {
                "kind": "PartError",
                "subject": "a.stl",
                "wrong": "holds no triangles",
                "cure": "Export it again",
            }
        }


def test_json_is_the_plan_itself(here, pipeline, capsys) -> None:
    assert run(["plan", "a.stl", "--json", "--no-report"]) == 0
    text = capsys.readouterr().out
    assert text == (here / "a-plan" / "plan.json").read_text("utf-8")
    assert Plan.from_json(text) == bracket_plan()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_during_the_planning_leaves_nothing(here, pipeline, capsys, number: int) -> None:
    def interrupted(*_: object, **__: object) -> Plan:
        os.kill(os.getpid(), number)
        return bracket_plan()

    pipeline(interrupted)
    before = signal.getsignal(number)
    assert run(["plan", "a.stl"]) == 1
    assert "stopped; nothing was written" in capsys.readouterr().err
    assert entries(here) == set()
    assert signal.getsignal(number) is before


def test_a_signal_that_a_library_swallows_stops_at_the_next_step(here, pipeline, capsys) -> None:
    def deaf(_request: object, context, **_: object) -> Plan:
        with contextlib.suppress(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
        context.watch.at("the next step", 0.5)
        return bracket_plan()

    pipeline(deaf)
    assert run(["plan", "a.stl", "--no-report"]) == 1
    assert "stopped; nothing was written" in capsys.readouterr().err
    assert entries(here) == set()


@pytest.mark.parametrize("step", ["write_3mf", "write_stl", "settings_sheet"])
def test_a_signal_during_the_writing_leaves_the_earlier_plan(
    here, pipeline, capsys, monkeypatch, step: str
) -> None:
    assert run(["plan", "a.stl", "--no-report"]) == 0
    before = {p.name: p.read_bytes() for p in (here / "a-plan").iterdir()}
    capsys.readouterr()
    pipeline(lambda *_, **__: bracket_plan("another"))

    def interrupted(*_: object, **__: object) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)  # an impatient second one must not disturb the clearing up

    monkeypatch.setattr(folder_module, step, interrupted)
    assert run(["plan", "a.stl", "--no-report"]) == 1
    assert "stopped; nothing was written" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in (here / "a-plan").iterdir()} == before
    assert entries(here) == {"a-plan"}


def test_a_stop_after_the_writing_says_that_the_results_are_there(
    here, pipeline, capsys, monkeypatch
) -> None:
    from falsework.cli import say

    monkeypatch.setattr(say, "plan", lambda _: os.kill(os.getpid(), signal.SIGINT))
    assert run(["plan", "a.stl", "--no-report"]) == 1
    assert "stopped; the results in a-plan are complete" in capsys.readouterr().err
    assert "plan.json" in entries(here / "a-plan")


def test_a_fault_of_our_own_is_exit_3_without_a_traceback(here, pipeline, capsys, monkeypatch) -> None:
    def broken(*_: object, **__: object) -> Plan:
        raise ZeroDivisionError("division by zero")

    pipeline(broken)
    monkeypatch.delenv("FALSEWORK_TRACEBACK", raising=False)
    assert run(["plan", "a.stl"]) == 3
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert "ZeroDivisionError" in said
    assert "FALSEWORK_TRACEBACK=1" in said
    monkeypatch.setenv("FALSEWORK_TRACEBACK", "1")
    assert run(["plan", "a.stl"]) == 3
    assert "in broken" in capsys.readouterr().err


def test_too_little_memory_is_said(here, pipeline, capsys) -> None:
    def greedy(*_: object, **__: object) -> Plan:
        raise MemoryError

    pipeline(greedy)
    assert run(["plan", "a.stl"]) == 1
    assert "not enough memory" in capsys.readouterr().err


def test_process_lists_and_prints_what_reads_back(here, capsys) -> None:
    from falsework.process import builtin, builtin_names, load_process

    assert run(["process"]) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in builtin_names())
    assert run(["process", "petg-0.4"]) == 0
    (here / "mine.toml").write_text(capsys.readouterr().out, "utf-8")
    assert load_process("mine.toml") == builtin("petg-0.4")
    assert run(["process", "pla-9"]) == 1


@pytest.mark.parametrize("command", [[], ["plan"], ["inspect"], ["demo"], ["process"]])
def test_help_of_every_command_documents_every_option(command: list[str], capsys) -> None:
    import click

    from falsework.cli.app import group

    assert run([*command, "--help"]) == 0
    text = capsys.readouterr().out
    found = group.commands[command[0]] if command else group
    for parameter in found.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
            assert parameter.opts[0] in text


def test_help_says_where_things_lie_unless_told(here: Path, monkeypatch, capsys) -> None:
    """As it is on this machine: in the data folder that the platform has, or where the variable says."""
    from falsework.ledger.place import data_folder

    def told(*command: str) -> str:
        assert run([*command, "--help"]) == 0
        return "".join(capsys.readouterr().out.split())

    monkeypatch.delenv("FALSEWORK_LEDGER")
    own = "".join(str(data_folder()).split())
    assert f"[default:{own}{os.sep}bench]" in told("bench")
    for command in ("bench", "record", "ledger"):
        assert f"[default:{own}{os.sep}ledger.sqlite3]" in told(command)
    monkeypatch.setenv("FALSEWORK_LEDGER", "room.sqlite3")
    assert "[default:room.sqlite3]" in told("record", "piece")


def test_version(capsys) -> None:
    import falsework

    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"falsework {falsework.__version__}\n"

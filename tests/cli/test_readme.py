"""Every falsework command that README.md shows is one that the command line understands."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from falsework.cli.app import group, run
from falsework.files.stl import write_stl
from falsework.part import place
from falsework.part.demo import demo_parts

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
COMMANDS = re.findall(
    r"^(?:falsework|\./run) (?!test|benchmark|bounds|docs)(.+)$", README, flags=re.MULTILINE
)

NUMBER = re.compile(r"\d+(?:\.\d+)?")


def test_there_are_commands_to_check() -> None:
    assert {"plan", "inspect", "process", "demo"} <= {c.split()[0] for c in COMMANDS}


def test_the_output_shown_is_what_is_printed(tmp_path: Path, monkeypatch, capsys) -> None:
    """Word for word; figures within a twentieth or a few hundredths, as platforms round differently."""
    (shown,) = re.findall(r"```text\n(table: .*?)\n```", README, flags=re.DOTALL)
    part = place(demo_parts()["table"](), bed_mm=(220.0, 220.0))
    write_stl(tmp_path / "table.stl", part.vertices, part.faces, "table")
    monkeypatch.chdir(tmp_path)
    assert run(["plan", "table.stl", "--unit", "mm", "--no-report"]) == 0  # pictures take a while
    shown = shown.removesuffix(", report.html")
    said = capsys.readouterr().out.rstrip()
    cure = "copy what 'falsework plan' prints into README.md"
    assert [NUMBER.sub("0", line).split() for line in said.splitlines()] == [
        NUMBER.sub("0", line).split() for line in shown.splitlines()
    ], cure
    assert [*map(float, NUMBER.findall(said))] == pytest.approx(
        [*map(float, NUMBER.findall(shown))], rel=0.05, abs=0.05
    ), cure


@pytest.mark.parametrize("command", COMMANDS)
def test_command_is_understood(command: str) -> None:
    name, *arguments = shlex.split(command, comments=True)
    if ">" in arguments:
        arguments = arguments[: arguments.index(">")]
    group.commands[name].make_context(name, arguments)

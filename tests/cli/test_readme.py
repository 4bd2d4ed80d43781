"""Every falsework command that README.md shows is one that the command line understands."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from falsework.cli.app import group

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
COMMANDS = re.findall(r"^(?:falsework|\./run) (?!test|benchmark)(.+)$", README, flags=re.MULTILINE)


def test_there_are_commands_to_check() -> None:
    assert {"plan", "inspect", "process", "demo"} <= {c.split()[0] for c in COMMANDS}


@pytest.mark.parametrize("command", COMMANDS)
def test_command_is_understood(command: str) -> None:
    name, *arguments = shlex.split(command, comments=True)
    if ">" in arguments:
        arguments = arguments[: arguments.index(">")]
    group.commands[name].make_context(name, arguments)

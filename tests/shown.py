"""Everything that falsework shows of one small job, as people read it: what commands say, pages, sheets.

Made once a session, by the commands themselves, on a bracket of boxes: the tests of wording walk through it.
"""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from audited import box_part, faults, table_plan
from falsework.cli.app import group, run
from falsework.files.folder import write_plan
from falsework.files.stl import write_stl

BRACKET = (((0, 0, 0), (8, 20, 26)), ((8, 0, 20), (30, 20, 26)), ((24, 4, 12), (29, 9, 20)))
"""A post, an arm, and a peg that hangs from the arm and begins in mid-air."""

_SPACES = re.compile(r"\s+")


@dataclass(frozen=True)
class Shown:
    """``said`` on stdout and ``beside`` it on stderr by each command; ``pages`` by file name; ``helps``;
    ``documents``: the texts of what programs read."""

    said: dict[str, str]
    beside: dict[str, str]
    pages: dict[str, str]
    helps: dict[str, str]
    documents: dict[str, str]

    @property
    def every(self) -> dict[str, str]:
        return {**self.said, **self.pages, **self.helps}


class _Text(HTMLParser):
    """The words of a page: no scripts, styles or tags, but what is read to people who do not see."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in ("script", "style")
        self.words += [value for name, value in attrs if name in ("aria-label", "title", "alt") and value]

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.words.append(data)


def words_of(html: str) -> str:
    """What people read of a page, spaces drawn together."""
    reader = _Text()
    reader.feed(html)
    return plain(" ".join(reader.words))


def plain(text: str) -> str:
    return _SPACES.sub(" ", unescape(text)).strip()


def helps() -> Iterator[tuple[str, str]]:
    """The help of every command, unbroken: lines are wrapped at no width."""

    def of(command: click.Command, name: str, above: click.Context | None) -> Iterator[tuple[str, str]]:
        context = click.Context(
            command, info_name=name, parent=above, terminal_width=10_000, max_content_width=10_000
        )
        yield f"{context.command_path} --help", plain(command.get_help(context))
        if isinstance(command, click.Group):
            for inner in command.list_commands(context):
                found = command.get_command(context, inner)
                assert found is not None
                yield from of(found, inner, context)

    yield from of(group, "falsework", None)


@cache
def shown() -> Shown:
    """The whole job, once."""
    with TemporaryDirectory() as folder, contextlib.chdir(folder):
        said, beside = {}, {}
        part = box_part(*BRACKET)
        write_stl(Path("bracket.stl"), part.vertices, part.faces, "bracket")
        write_plan(table_plan(), Path("table-plan"))
        Path("table.gcode").write_bytes(faults()["gap too wide"][1]()[0])
        job = ["--process", "abs-0.4", "--unit", "mm"]
        commands = [
            ["plan", "bracket.stl", *job, "--turn", "0,0,90", "--set", "structure.form=curtain"],
            ["inspect", "bracket.stl", *job],
            ["lie", "bracket.stl", *job, "--directions", "50", "--cores", "1", "--out", "lies"],
            ["release", "bracket-plan", "--out", "release.html"],
            ["redraw", "bracket.stl", *job, "--no-split", "--out", "redrawn"],
            ["audit", "table.gcode", "--plan", "table-plan", "--out", "audit.html"],
            ["coupon"],
            ["coupon", "gap-interface", "--seed", "1", "--out", "coupon"],
            ["record", "--csv", "coupon/readings.csv", "--dry-run"],
            ["tune", "--process", "abs-0.4", "--ledger", "none", "--out", "tuned"],
            ["process"],
            ["process", "abs-0.4"],
            ["cautions", "--process", "abs-0.4"],
            ["ledger"],
        ]
        for command in commands:
            out, err = io.StringIO(), io.StringIO()
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                run(command)
            name = "falsework " + " ".join(command[:2])
            said[name], beside[name] = plain(out.getvalue()), plain(err.getvalue())
        pages = {}
        for path in sorted(Path().rglob("*")):
            if path.suffix == ".html":
                pages[str(path)] = words_of(path.read_text("utf-8"))
            elif path.suffix in (".md", ".toml"):
                pages[str(path)] = plain(path.read_text("utf-8"))
        documents = {str(path): path.read_text("utf-8") for path in sorted(Path().rglob("*.json"))}
    return Shown(said, beside, pages, dict(helps()), documents)

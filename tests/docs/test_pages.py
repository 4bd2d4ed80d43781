"""What README and docs say of the project itself: links, the version, the file of the service."""

from __future__ import annotations

import configparser
import re
import shlex
from pathlib import Path

import pytest

import falsework
from falsework.cli.app import group

ROOT = Path(__file__).parents[2]
PAGES = [
    *sorted(ROOT.glob("*.md")),
    ROOT / "benchmarks" / "README.md",
    *sorted((ROOT / "docs").rglob("*.md")),
]
LINK = re.compile(r"\]\(([^)#\s]+)[^)]*\)")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_and_picture_is_there(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text("utf-8"), flags=re.DOTALL)
    linked = [link for link in LINK.findall(text) if "://" not in link]
    base = ROOT / "docs" if page.name == "cards.md" else page.parent  # which docs/gallery.md includes
    assert [link for link in linked if not (base / link).exists()] == []


def test_the_newest_changes_are_those_of_this_version() -> None:
    versions = re.findall(r"^## (\S+)$", (ROOT / "CHANGELOG.md").read_text("utf-8"), flags=re.MULTILINE)
    assert versions[0] == falsework.__version__


def test_the_bench_starts_as_the_service_says() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[method-assign, assignment]
    unit.read(ROOT / "docs" / "tasks" / "falsework-bench.service", "utf-8")
    assert unit["Install"]["WantedBy"] == "default.target"
    program, name, *options = shlex.split(unit["Service"]["ExecStart"])
    assert Path(program).name == "falsework"
    asked = group.commands[name].make_context(name, options).params
    assert asked["no_open"] and asked["port"] == 8765
    written = unit["Service"]["ReadWritePaths"].split()
    assert written == ["%h/.local/share/falsework", "%h/.cache/falsework"]  # data folder, compiled kernels


def test_every_room_is_in_the_picture() -> None:
    picture = (ROOT / "docs" / "pictures" / "architecture.svg").read_text("utf-8")
    rooms = {path.parent.name for path in (ROOT / "src" / "falsework").glob("*/__init__.py")}
    assert [room for room in sorted(rooms) if f">{room}</text>" not in picture] == []

"""The demo's folder and its index page: two small parts in place of the museum's, no real planning."""

from __future__ import annotations

import json
import os
import signal
import sys
import types
from html.parser import HTMLParser
from pathlib import Path

import pytest

from falsework.cli.app import run
from plans import bracket_plan


class Links(HTMLParser):
    """Collects link targets and the text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.targets: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.targets += [value or "" for name, value in attrs if name in ("href", "src") and tag != "image"]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture
def museum(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    """Two parts by name; each 'part' is its own plan."""
    parts = {
        "mooring cleat": bracket_plan("mooring cleat <small>"),
        "cowl": bracket_plan("cowl", supported=False),
    }
    demo = types.ModuleType("falsework.part.demo")
    demo.demo_parts = lambda: {name: (lambda plan=plan: plan) for name, plan in parts.items()}  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, demo.__name__, demo)
    monkeypatch.setattr("falsework.planning.plan", lambda part, **_: part, raising=False)

    def tuned(folder: Path, _watch: object) -> None:
        folder.mkdir()
        (folder / "tuning.html").write_text("<!doctype html>")

    monkeypatch.setattr("falsework.cli.demo.tuned_museum", tuned)
    monkeypatch.setattr("falsework.cli.plan.report_file", lambda *_: {"report.html": "<!doctype html>"})
    monkeypatch.chdir(tmp_path)
    return parts


def test_every_part_has_a_folder_that_the_index_links(museum, tmp_path: Path, capsys) -> None:
    assert run(["demo"]) == 0
    out = tmp_path / "falsework-demo"
    assert {p.name for p in out.iterdir()} == {"mooring-cleat", "cowl", "tuning", "demo.json", "index.html"}
    page = Links()
    page.feed((out / "index.html").read_text("utf-8"))
    assert page.targets == ["tuning/tuning.html", "mooring-cleat/report.html", "cowl/report.html"]
    assert all((out / target).is_file() for target in page.targets)
    assert "mooring cleat <small>" in page.words
    for text in (
        " ".join(page.words),
        capsys.readouterr().out,
        json.loads((out / "demo.json").read_text())["notice"],
    ):
        assert "nothing of this has been printed" in text
        assert "invented" in text


def test_an_earlier_demo_is_replaced_a_strangers_folder_is_not(museum, tmp_path: Path) -> None:
    assert run(["demo", "--out", "d"]) == 0
    del museum["mooring cleat"]
    (tmp_path / "d" / "notes.txt").write_text("mine")
    assert run(["demo", "--out", "d"]) == 0
    assert {"cowl", "notes.txt"} <= {p.name for p in (tmp_path / "d").iterdir()}
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "thesis.txt").write_text("mine")
    assert run(["demo", "--out", "other"]) == 1
    assert [p.name for p in (tmp_path / "other").iterdir()] == ["thesis.txt"]


def test_a_stop_at_the_second_part_leaves_nothing(museum, tmp_path: Path, monkeypatch, capsys) -> None:
    def interrupted(plan, *_) -> dict[str, str]:
        if plan is museum["cowl"]:
            os.kill(os.getpid(), signal.SIGINT)
        return {}

    monkeypatch.setattr("falsework.cli.plan.report_file", interrupted)
    assert run(["demo"]) == 1
    assert "nothing was written" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []

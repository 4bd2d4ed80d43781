"""Small parts of closed form, and an engine without processes for what does not need them."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from falsework.request.value import Placing
from falsework.screening import engine, running
from falsework.screening.row import Row
from falsework.screening.running import Screening, named_processes
from falsework.screening.terms import NamedProcess, Terms
from screenings import HereEngine, write_box


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> type[HereEngine]:
    """No processes: work is done in this one."""
    monkeypatch.setattr(running, "Engine", HereEngine)
    HereEngine.undone = monkeypatch.undo
    HereEngine.started = 0
    HereEngine.done = []
    return HereEngine


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A folder of two boxes, one in a folder of its own."""
    write_box(tmp_path / "store" / "a.stl")
    write_box(tmp_path / "store" / "deep" / "b.stl", (5.0, 4.0, 2.0))
    return tmp_path / "store"


@pytest.fixture
def screen(tmp_path: Path, here: object) -> Callable[..., list[Row]]:
    """Screen paths into a folder, at depth 'look' if nothing else is asked; rows by file."""

    def run(
        *paths: object, out: str = "out", process: object = ("pla-0.4",), again: bool = False, **terms: Any
    ):
        placing = {"placing": terms.pop("placing", Placing())}
        named = tuple(NamedProcess(*one) for one in named_processes(list(process)))
        asked = Terms(**{"depth": "look", **placing, **terms})
        screening = Screening(tuple(map(os.fspath, paths)), named, asked, engine.Cluster(), again)
        return sorted(screening.rows(tmp_path / out), key=lambda row: (row.file, row.process, row.entry))

    return run


@pytest.fixture
def rows_kept(tmp_path: Path) -> Callable[[], list[Row]]:
    """The rows that lie in the folder."""

    def read() -> list[Row]:
        from falsework.screening.dataset import all_rows
        from falsework.screening.row import rows_of

        found = rows_of(all_rows(tmp_path / "out"))
        return sorted(found, key=lambda row: (row.file, row.process, row.entry))

    return read

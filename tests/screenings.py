"""A screening without processes of its own, and small parts of closed form."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from falsework.files.stl import write_stl
from falsework.screening.dataset import Dataset
from falsework.screening.engine import Finished
from falsework.screening.row import Row
from falsework.screening.work import Briefing, ScreenJob, screened
from solids import box


class HereEngine:
    """As the engine, but that everything is done where it is sent from, in the order in which it comes."""

    started = 0
    undone: Any = None  # puts the real one back
    done: list[ScreenJob]

    def __init__(self, cluster: object, briefing: Briefing) -> None:
        self._briefing, self._sent, self.dashboard = briefing, [], ""
        HereEngine.started += 1
        HereEngine.done = []

    def __enter__(self) -> HereEngine:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    @property
    def has_room(self) -> bool:
        return len(self._sent) < 3

    @property
    def busy(self) -> bool:
        return bool(self._sent)

    def no_more(self) -> None:
        pass

    def rebrief(self, briefing: Briefing) -> None:
        self._briefing = briefing

    def send(self, token: Any, job: ScreenJob) -> None:
        self._sent.append((token, job))

    def finished(self, timeout_s: float) -> list[Finished]:
        token, job = self._sent.pop(0)
        HereEngine.done.append(job)
        return [Finished(token, job, screened(job, self._briefing), 1)]


def write_box(path: Path, size: tuple[float, float, float] = (4.0, 4.0, 2.0)) -> Path:
    """A box stands on the bed and asks for nothing."""
    vertices, faces = box(size)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_stl(os.fspath(path), vertices, faces, "box")
    return path


def kept(folder: Path, rows: list[Row]) -> Path:
    with Dataset(folder) as data:
        data.describe({"version": "0", "paths": ["<store>"], "depth": "plan", "finish_mm": 0.5})
        for k, row in enumerate(rows):
            data.add(replace(row, entry=row.file, key=str(k)))
        data.commit()
    return folder


def part(file: str, process: str = "p", **changes: object) -> Row:
    took = {"part_g": 10.0, "support_g": 2.0, "part_s": 100.0, "support_s": 20.0, "price": 1.5, "loss": 1.0}
    plain = Row(file=file, name=file, process=process, state="ready", best_process="p", total=3.0, **took)
    return replace(plain, **changes)


PAGE_ROWS = [
    part("a", wanted=3),
    part("b", loss=9.0, support_g=0.0),
    part("c </script><b>", state="not ready", why="It falls over."),
    Row(file="d", name="d", process="p", why="d: no part."),
    part("a", "q", wanted=3, price=9.0),
]

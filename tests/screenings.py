"""A screening without processes of its own, and small parts of closed form."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from falsework.files.stl import write_stl
from falsework.screening.engine import Finished
from falsework.screening.work import Briefing, ScreenJob, screened
from solids import box


class HereEngine:
    """As the engine, but that everything is done where it is sent from, in the order in which it comes."""

    started = 0
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

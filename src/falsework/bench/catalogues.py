"""Screenings that the bench runs: of folders that it was started with, one at a time, on a thread of its own.

Only such folders are screened and only parts from them opened, for whoever is let into the bench is not
therefore let into the machine. What was screened stays in the data folder; a screening that was stopped, or
whose bench was, goes on where it was.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import threading
import time
import uuid
from collections import deque
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from falsework.bench.answers import Refused, not_found
from falsework.errors import Cancelled, FalseworkError
from falsework.files.atomic import atomic_file
from falsework.watch import Watch

if TYPE_CHECKING:
    from falsework.screening import Row
    from falsework.screening.terms import NamedProcess

ASKED, TABLE = "asked.json", "table"
RUNNING, PAUSED, DONE, FAILED = "running", "paused", "done", "failed"
_SHOWN = 300  # rows that are told as they come
_PATIENCE_S = 5.0
TOLD = (
    "file", "name", "process", "best_process", "state", "why", "wanted", "support_g", "part_g", "price",
    "total", "loss", "sag_mm", "entry", "picture",
)  # fmt: skip


@dataclass(frozen=True)
class AskedScreening:
    """What was asked: of which folder, by the name it has here, by which processes, how deep."""

    catalogue: str
    processes: tuple[str, ...]
    depth: str


@dataclass(eq=False)
class ScreeningRun:
    """One screening and where it stands; ``coming`` are the rows that came last, each with its number."""

    id: str
    asked: AskedScreening
    began: float
    state: str = PAUSED
    wrong: str = ""
    done: int = 0
    listed: int = 0
    whole: bool = False
    states: dict[str, int] = field(default_factory=dict)
    coming: deque[tuple[int, dict[str, Any]]] = field(default_factory=lambda: deque(maxlen=_SHOWN))
    stopping: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None

    def told(self, after: int | None = None) -> dict[str, Any]:
        """For the page; with the rows that came after that number."""
        rows = [] if after is None else [{"number": n, **row} for n, row in list(self.coming) if n > after]
        return {
            "id": self.id,
            **asdict(self.asked),
            "began": self.began,
            "state": self.state,
            "wrong": self.wrong,
            "done": self.done,
            "listed": self.listed,
            "whole": self.whole,
            "states": dict(self.states),
            "rows": rows,
        }


class Catalogues:
    """The folders that may be screened, by name, and the screenings there are."""

    def __init__(self, folder: Path, roots: Sequence[Path], workers: int) -> None:
        self._folder, self._workers = folder, workers
        self.roots = _named(roots)
        self._runs: dict[str, ScreeningRun] = {}
        self._lock = threading.Lock()
        folder.mkdir(parents=True, exist_ok=True)
        for place in sorted(folder.iterdir()):
            try:
                kept = json.loads((place / ASKED).read_text("utf-8"))
                asked = AskedScreening(kept["catalogue"], tuple(kept["processes"]), kept["depth"])
                run = ScreeningRun(place.name, asked, float(kept["began"]))
            except (OSError, ValueError, KeyError, TypeError):
                continue
            self._runs[run.id] = run

    def all(self) -> list[ScreeningRun]:
        """Newest first."""
        return sorted(self._runs.values(), key=lambda run: -run.began)

    def get(self, name: str) -> ScreeningRun:
        """The screening of that id; ``Refused`` where there is none."""
        if name not in self._runs:
            raise not_found("screening", name)
        return self._runs[name]

    def table(self, run: ScreeningRun) -> Path:
        """The folder of its rows and pictures."""
        return self._folder / run.id / TABLE

    def add(self, asked: AskedScreening) -> ScreeningRun:
        """A new screening, not begun."""
        self._root(asked.catalogue)
        run = ScreeningRun(uuid.uuid4().hex[:16], asked, time.time())
        place = self._folder / run.id
        place.mkdir()
        with atomic_file(place / ASKED) as aside:
            aside.write_text(json.dumps({**asdict(asked), "began": run.began}), "utf-8")
        self._runs[run.id] = run
        return run

    def begin(self, run: ScreeningRun, processes: tuple[NamedProcess, ...]) -> None:
        """Begin it, or go on; ``Refused`` while another one runs."""
        root = self._root(run.asked.catalogue)
        with self._lock:
            if any(other.state == RUNNING for other in self._runs.values()):
                raise Refused(409, "Busy", "screening", "another one is running", "Pause it, or wait for it")
            run.state, run.wrong, run.done, run.listed, run.states = RUNNING, "", 0, 0, {}
            run.stopping.clear()
        work = (run, root, processes)
        run.thread = threading.Thread(target=self._screen, args=work, name="screening", daemon=True)
        run.thread.start()

    def pause(self, run: ScreeningRun) -> None:
        """Stop working on it; what is done is kept, and it can go on."""
        run.stopping.set()
        if run.thread is not None:
            run.thread.join(_PATIENCE_S)

    def forget(self, run: ScreeningRun) -> None:
        """Stop it and remove what it wrote."""
        self.pause(run)
        if run.state == RUNNING:
            raise Refused(409, "Busy", "screening", "it is still stopping", "Try again in a moment")
        self._runs.pop(run.id, None)
        shutil.rmtree(self._folder / run.id, ignore_errors=True)

    def close(self) -> None:
        """Pause whatever runs."""
        for run in self._runs.values():
            if run.state == RUNNING:
                self.pause(run)

    def copy_of(self, run: ScreeningRun, file: str, into: Path) -> tuple[Path, str, int]:
        """A copy of a screened part's file: its path, its hash, its size; ``Refused`` for a file that is not
        of the screened folder."""
        root = self._root(run.asked.catalogue)
        try:
            path = Path(file).resolve()
            inside = path.is_relative_to(root.resolve()) and path.is_file()
        except (OSError, ValueError):  # a name that none can have
            inside = False
        if not inside:
            raise not_found("part", Path(file).name)
        aside = into / uuid.uuid4().hex
        try:
            shutil.copyfile(path, aside)
            with aside.open("rb") as copy:
                digest = hashlib.file_digest(copy, "sha256").hexdigest()
            size = aside.stat().st_size
        except OSError as error:
            aside.unlink(missing_ok=True)
            why = f"cannot be read ({error.strerror})"
            raise Refused(422, "PartError", path.name, why, "Screen its folder again") from None
        return aside, digest, size

    def _root(self, name: str) -> Path:
        if name not in self.roots:
            raise not_found("catalogue", name)
        return self.roots[name]

    def _screen(self, run: ScreeningRun, root: Path, processes: tuple[NamedProcess, ...]) -> None:
        from falsework.screening import Cluster, Screening, Terms

        try:
            terms = Terms(depth=run.asked.depth)  # type: ignore[arg-type]
            screening = Screening((str(root),), processes, terms, Cluster(workers=self._workers))
            before = run.coming[-1][0] if run.coming else 0
            rows = screening.rows(self.table(run), Watch(stop=run.stopping.is_set))
            for number, row in enumerate(rows, before + 1):
                self._take(run, number, row)
                run.done, run.listed = screening.progress.done, screening.progress.listed
                run.whole = screening.progress.whole
            run.state = DONE
        except Cancelled:
            run.state = PAUSED
        except FalseworkError as error:
            run.state, run.wrong = FAILED, str(error)
        except Exception as error:
            run.state, run.wrong = FAILED, f"falsework failed by a fault of its own ({error})."

    def _take(self, run: ScreeningRun, number: int, row: Row) -> None:
        run.states[row.state] = run.states.get(row.state, 0) + 1
        run.coming.append((number, {name: getattr(row, name) for name in TOLD}))


def _named(roots: Sequence[Path]) -> dict[str, Path]:
    """Folders by their own names, those of equal ones numbered."""
    found: dict[str, Path] = {}
    for root in roots:
        name, number = root.resolve().name or "parts", 2
        while name in found:
            name, number = f"{root.resolve().name} {number}", number + 1
        found[name] = root
    return found

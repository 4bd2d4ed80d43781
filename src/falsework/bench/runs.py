"""Runs: every time that work is begun is a run of its own, with an identity and one of four states.

What is to be done is named by the hash of its input, and the same may be wanted, stopped and wanted again
within a moment. A run that was told to stop never comes back: whoever wants that work again gets a new one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class RunState(StrEnum):
    """Where a run stands."""

    WAITING = "waiting"  # in the line
    RUNNING = "running"  # a worker is at it
    STOPPING = "stopping"  # nobody wants it any more, and the worker has been told
    ENDED = "ended"


_NEXT: Mapping[RunState, tuple[RunState, ...]] = {
    RunState.WAITING: (RunState.RUNNING, RunState.ENDED),
    RunState.RUNNING: (RunState.STOPPING, RunState.ENDED),
    RunState.STOPPING: (RunState.ENDED,),
    RunState.ENDED: (),
}
_LIVE = (RunState.WAITING, RunState.RUNNING)


@dataclass(frozen=True)
class QueuedJob:
    """One piece of work, for however many sheets want it: ``key`` is the hash of all it depends on."""

    key: str
    what: str
    arguments: Mapping[str, Any]
    client: str
    part: str
    precedence: int
    marks: tuple[str, ...] = ()


@dataclass(eq=False)
class Run:
    """One time that a job is done; ``tries`` counts those before it whose worker was lost."""

    id: str
    job: QueuedJob
    tries: int = 0
    state: RunState = RunState.WAITING
    step: str = ""
    fraction: float = 0.0
    told_at: float = 0.0

    @property
    def key(self) -> str:
        return self.job.key

    @property
    def running(self) -> bool:
        return self.state is RunState.RUNNING


class RunBoard:
    """All runs that have not ended; at most one of a key is live, which is waiting or running."""

    def __init__(self) -> None:
        self._numbers = itertools.count(1)
        self._all: dict[str, Run] = {}
        self._live: dict[str, Run] = {}

    def begin(self, job: QueuedJob, tries: int = 0) -> Run:
        """A new run of a job that has no live one."""
        assert job.key not in self._live, job.key
        run = Run(f"{next(self._numbers)}-{job.key[:12]}", job, tries)
        self._all[run.id] = self._live[job.key] = run
        return run

    def move(self, run: Run, state: RunState) -> None:
        """Bring a run into its next state."""
        assert state in _NEXT[run.state], (run.id, run.state, state)
        run.state = state
        if state not in _LIVE and self._live.get(run.key) is run:
            del self._live[run.key]
        if state is RunState.ENDED:
            del self._all[run.id]

    def live(self, key: str) -> Run | None:
        """The run of that key that waits or is at work, None where there is none."""
        return self._live.get(key)

    def all_live(self) -> list[Run]:
        """All runs that wait or are at work."""
        return list(self._live.values())

    def by_id(self, id: str) -> Run:
        """A run that has not ended."""
        return self._all[id]

    def __iter__(self) -> Iterator[Run]:
        return iter(list(self._all.values()))

"""Plans of one part side by side, each lane a process of its own: none of them shares what Python locks.

A lane is started with ``python -m falsework.planning.lanes`` and speaks pickles with its parent alone:
the part and its wish once, then one turn after another, each answered by the lie as planned or by the
error it ended in. Nothing of the caller's program is imported anew, so scripts, daemons and worker
processes may all use it.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from threading import Event, Thread
from typing import IO, Any

from falsework.cores import own_cores
from falsework.errors import Cancelled, FalseworkError
from falsework.watch import Watch

LANE_BYTES = 400 << 20  # what a lane takes, and for each triangle ...
TRIANGLE_BYTES = 3_000  # ... so much more
_MEMORY_SHARE = 0.5  # of what is free
_GLANCE_S = 0.2  # between two looks at the watch


def lanes_for(cores: int | None, jobs: int, triangles: int) -> int:
    """How many lanes are worth starting: no more than jobs, processor cores, and memory that is free."""
    try:
        free = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError, AttributeError):  # not told here
        free = 4 << 30
    room = int(_MEMORY_SHARE * free / (LANE_BYTES + triangles * TRIANGLE_BYTES))
    return max(1, min(cores or own_cores(), jobs, room))


class Lanes:
    """Up to so many processes that do ``work(shared, job)`` of ``planning.proof`` beside each other.

    A context; none runs before ``start``.
    """

    def __init__(self, shared: Any, most: int) -> None:
        self._shared, self._most = shared, most
        self._lanes: list[_Lane] = []
        self._free: SimpleQueue[_Lane] = SimpleQueue()

    def __enter__(self) -> Lanes:
        self._pool = ThreadPoolExecutor(self._most)  # starts no thread before it is needed
        return self

    def __exit__(self, *_: object) -> None:
        for lane in self._lanes:
            lane.stop()  # before the pool waits for its threads
        self._pool.shutdown()
        for lane in self._lanes:
            lane.close()

    @property
    def count(self) -> int:
        """How many run."""
        return len(self._lanes)

    def start(self, count: int) -> None:
        """Start what is missing to so many, or to the most there may be."""
        for _ in range(min(count, self._most) - self.count):
            lane = _Lane(self._shared)
            self._lanes.append(lane)
            self._free.put(lane)

    @contextmanager
    def growing(self, every_s: float) -> Iterator[None]:
        """While the block goes on, one more each time, the first two at once: they are ready when it ends."""
        over = Event()

        def grow() -> None:
            for count in range(2, self._most + 1):
                if over.wait(every_s * (2 if count == 2 else 1)):
                    return
                self.start(count)

        thread = Thread(target=grow, daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def answers(self, jobs: Sequence[Any], watch: Watch, step: str) -> list[Any]:
        """The answers, in the order of jobs.

        Raises what a job raised, the first in the order of jobs; ``Cancelled`` when the watch says stop.
        """
        futures = [self._pool.submit(self._done_by_one, job) for job in jobs]
        waiting: set[Future[Any]] = set(futures)
        while waiting:
            try:
                watch.at(step, 1.0 - len(waiting) / len(futures))
            except Cancelled:
                for future in waiting:
                    future.cancel()
                raise
            _, waiting = wait(waiting, timeout=_GLANCE_S, return_when=FIRST_COMPLETED)
        return [future.result() for future in futures]

    def _done_by_one(self, job: Any) -> Any:
        lane = self._free.get()
        try:
            return lane.ask(job)
        finally:
            self._free.put(lane)


class _Lane:
    """One process and the pipes to it."""

    def __init__(self, shared: Any) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", __name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._shared = shared
        self._told = False

    def close(self) -> None:
        """Wait until it has ended."""
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):  # what it was not told any more
                    pipe.close()

    def stop(self) -> None:
        """End it at once; whoever waits for its answer gets an error."""
        self._process.kill()

    def ask(self, job: Any) -> Any:
        """The answer to one job; what it raised is raised here."""
        assert self._process.stdin is not None and self._process.stdout is not None
        try:
            if not self._told:
                _send(self._process.stdin, self._shared)
                self._told = True
            _send(self._process.stdin, job)
            good, answer = pickle.load(self._process.stdout)
        except (OSError, EOFError, pickle.UnpicklingError):
            raise FalseworkError(
                "a plan made beside others", "its process ended early", "Give it fewer cores (--cores 1)"
            ) from None
        if not good:
            raise answer
        return answer


def _send(pipe: IO[bytes], value: Any) -> None:
    pickle.dump(value, pipe, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.flush()


def _serve(work: Callable[[Any, Any], Any]) -> None:
    """Answer jobs from stdin until it is closed."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints must not print into the answers
    jobs = sys.stdin.buffer
    load_kernels()  # while whoever started it is still at work
    shared = pickle.load(jobs)
    while True:
        try:
            job = pickle.load(jobs)
        except EOFError:
            return
        try:
            answer = True, work(shared, job)
        except Exception as error:
            answer = False, error
        _send(answers, answer)


if __name__ == "__main__":
    from falsework.planning.loading import load_kernels
    from falsework.planning.proof import work

    _serve(work)

"""Plans of one part side by side, each lane a process of its own: none of them shares what Python locks.

One process, started with ``python -m falsework.planning.lanes``, loads the kernels and is forked into the
lanes, so that they are loaded once. A lane speaks pickles with the caller alone, by two pipes: the part and
its wish once, then one turn after another, each answered by the lie as planned or by the error it ended in.
Nothing of the caller's program is imported anew, so scripts, daemons and worker processes may all use it.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from threading import Timer
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
    """So many processes that do ``work(shared, job)`` of ``planning.proof`` beside each other.

    A context; none runs before ``start``. Jobs are hashable; the same one is done once.
    """

    def __init__(self, shared: Any, count: int) -> None:
        self._shared, self._count = shared, count
        self._source: subprocess.Popen[bytes] | None = None
        self._lanes: list[_Lane] = []
        self._free: SimpleQueue[_Lane] = SimpleQueue()
        self._asked: dict[Any, Future[Any]] = {}

    def __enter__(self) -> Lanes:
        self._pool = ThreadPoolExecutor(self._count)  # starts no thread before it is needed
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()  # before the pool waits for its threads
        self._pool.shutdown(cancel_futures=True)
        for lane in self._lanes:
            lane.close()
        if self._source is not None:
            self._source.wait()

    @property
    def started(self) -> bool:
        return self._source is not None

    def start(self) -> None:
        """Start all of them, unless that was done, or there would be only one."""
        if self.started or self._count < 2:
            return
        pipes = [os.pipe() for _ in range(2 * self._count)]  # for each lane its jobs, then its answers
        jobs, answers = pipes[::2], pipes[1::2]
        theirs = [
            end for (reads, _), (_, writes) in zip(jobs, answers, strict=True) for end in (reads, writes)
        ]
        try:
            self._source = subprocess.Popen(
                [sys.executable, "-m", __name__, *map(str, theirs)],
                stdin=subprocess.DEVNULL,
                pass_fds=theirs,
                start_new_session=True,  # a keyboard's interrupt is for the caller, who stops them
            )
        finally:
            for end in theirs:
                os.close(end)
            for (_, writes), (reads, _) in zip(jobs, answers, strict=True):
                self._lanes.append(_Lane(os.fdopen(writes, "wb"), os.fdopen(reads, "rb"), self._shared))
        for lane in self._lanes:
            self._free.put(lane)

    def stop(self) -> None:
        """End them at once; whoever waits for an answer gets an error."""
        if self._source is not None:
            self._source.terminate()

    @contextmanager
    def starting(self, after_s: float) -> Iterator[None]:
        """Started while the block goes on, if it goes on for so long."""
        timer = Timer(after_s, self.start)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()
            timer.join()

    def answers(self, jobs: Sequence[Any], watch: Watch, step: str, ahead: Sequence[Any] = ()) -> list[Any]:
        """The answers, in the order of jobs; lanes with nothing else to do begin with those of ``ahead``.

        Raises what a job raised, the first in the order of jobs; ``Cancelled`` when the watch says stop.
        """
        for job in set(self._asked) - {*jobs, *ahead}:
            if self._asked[job].cancel():
                del self._asked[job]
        futures = [self._future(job) for job in jobs]
        for job in ahead:
            self._future(job)
        waiting = set(futures)
        while waiting:
            try:
                watch.at(step, 1.0 - len(waiting) / len(futures))
            except Cancelled:
                for future in waiting:
                    future.cancel()
                raise
            _, waiting = wait(waiting, timeout=_GLANCE_S, return_when=FIRST_COMPLETED)
        return [future.result() for future in futures]

    def _future(self, job: Any) -> Future[Any]:
        known = self._asked.get(job)
        if known is None or known.cancelled():
            self._asked[job] = known = self._pool.submit(self._done_by_one, job)
        return known

    def _done_by_one(self, job: Any) -> Any:
        lane = self._free.get()
        try:
            return lane.ask(job)
        finally:
            self._free.put(lane)


class _Lane:
    """The pipes to one process."""

    def __init__(self, jobs: IO[bytes], answers: IO[bytes], shared: Any) -> None:
        self._jobs, self._answers, self._shared = jobs, answers, shared
        self._told = False

    def close(self) -> None:
        for pipe in (self._jobs, self._answers):
            with suppress(OSError):  # what it was not told any more
                pipe.close()

    def ask(self, job: Any) -> Any:
        """The answer to one job; what it raised is raised here."""
        try:
            if not self._told:
                _send(self._jobs, self._shared)
                self._told = True
            _send(self._jobs, job)
            good, answer = pickle.load(self._answers)
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


def _serve(jobs: IO[bytes], answers: IO[bytes]) -> None:
    """Answer jobs until their pipe is closed."""
    from falsework.planning.proof import work

    with suppress(EOFError, BrokenPipeError):  # whoever asked has gone
        shared = pickle.load(jobs)
        while True:
            job = pickle.load(jobs)
            try:
                answer: tuple[bool, Any] = True, work(shared, job)
            except Exception as error:
                answer = False, error
            _send(answers, answer)


def _fork(ends: list[int]) -> None:
    """Load the kernels and be forked into lanes, each with two ends of pipes; wait for them."""
    from falsework.planning.loading import load_kernels

    os.dup2(2, 1)  # whatever prints must not print into what the caller prints
    load_kernels()
    lanes: list[int] = []

    def end(*_: object) -> None:
        for lane in lanes:
            os.kill(lane, signal.SIGKILL)

    signal.signal(signal.SIGTERM, end)
    while ends:
        jobs, answers, *ends = ends
        if (lane := os.fork()) == 0:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            for other in ends:  # so that their readers see when they end
                os.close(other)
            _serve(os.fdopen(jobs, "rb"), os.fdopen(answers, "wb"))
            os._exit(0)
        lanes.append(lane)
        os.close(jobs)
        os.close(answers)
    while lanes:
        os.waitpid(lanes[-1], 0)
        lanes.pop()


if __name__ == "__main__":
    _fork([int(end) for end in sys.argv[1:]])

"""Plans of one part beside each other, each lane a process of its own: none of them shares what Python locks.

One process, started with ``python -m falsework.planning.lanes``, loads the kernels and is forked into the
lanes, so that they are loaded once. A lane speaks pickles with the caller alone, by two pipes: what is to be
done with every job, once, then one job after another, each answered by what came of it or by the error it
ended in. Nothing of the caller's program is imported anew, so scripts, daemons and worker processes may all
use it. What no lane has begun the caller does itself: nobody waits for kernels to load.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from threading import Thread, Timer
from typing import IO, Any

from falsework.cores import own_cores
from falsework.errors import Cancelled, FalseworkError
from falsework.watch import QUIET, Watch

LANE_BYTES = 400 << 20  # what a lane takes, and for each triangle ...
TRIANGLE_BYTES = 3_000  # ... so much more
_MEMORY_SHARE = 0.5  # of what is free
_GLANCE_S = 0.2  # between two looks at the watch


def lanes_for(cores: int | None, most: int, triangles: int) -> int:
    """How many lanes are worth starting beside the caller: no more than most, processor cores that are left,
    and memory that is free."""
    try:
        free = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError, AttributeError):  # not told here
        free = 4 << 30
    room = int(_MEMORY_SHARE * free / (LANE_BYTES + triangles * TRIANGLE_BYTES))
    return max(0, min((cores or own_cores()) - 1, most, room))


class Lanes:
    """The caller, and so many processes beside it, that do ``work(job, watch)``; it must be picklable.

    A context; no process runs before ``start``. Jobs are hashable; the same one is done once.
    """

    def __init__(self, work: Callable[[Any, Watch], Any], count: int) -> None:
        self._work, self._count = work, count
        self._source: subprocess.Popen[bytes] | None = None
        self._lanes: list[_Lane] = []
        self._threads: list[Thread] = []
        self._queue: SimpleQueue[tuple[Any, Future[Any]] | None] = SimpleQueue()
        self._asked: dict[Any, Future[Any]] = {}

    def __enter__(self) -> Lanes:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        self.ahead(())
        for _lane in self._lanes:
            self._queue.put(None)
        for thread in self._threads:
            thread.join()
        for lane in self._lanes:
            lane.close()
        if self._source is not None:
            self._source.wait()

    def start(self) -> None:
        """Start all of them, unless that was done."""
        if self._source is not None or self._count < 1:
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
                self._lanes.append(_Lane(os.fdopen(writes, "wb"), os.fdopen(reads, "rb")))
        work = pickle.dumps(self._work, protocol=pickle.HIGHEST_PROTOCOL)
        for lane in self._lanes:
            thread = Thread(target=self._attend, args=(lane, work), name="lane", daemon=True)
            self._threads.append(thread)
            thread.start()

    def stop(self) -> None:
        """End the processes at once; whoever waits for an answer of theirs gets an error."""
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

    def ahead(self, jobs: Sequence[Any]) -> None:
        """Lanes begin with these; what was asked for before and is not among them is not begun any more."""
        for job in set(self._asked) - set(jobs):
            if self._asked[job].cancel():
                del self._asked[job]
        for job in jobs:
            if job not in self._asked:
                self._asked[job] = future = Future[Any]()
                self._queue.put((job, future))

    def answers(self, jobs: Sequence[Any], watch: Watch, step: str, ahead: Sequence[Any] = ()) -> list[Any]:
        """What comes of the jobs, in their order; lanes with nothing else to do begin those of ``ahead``.

        Raises what a job raised, the first in the order of jobs; ``Cancelled`` when the watch says stop.
        """
        self.ahead((*jobs, *ahead))
        count = max(len(jobs), 1)
        try:
            for place, job in enumerate(jobs):
                watch.at(step, place / count)
                if self._asked[job].cancel():  # no lane has begun it
                    self._asked[job] = self._done_here(job, watch.part(place / count, (place + 1) / count))
            futures = [self._asked[job] for job in jobs]
            waiting = {future for future in futures if not future.done()}
            while waiting:
                watch.at(step, 1.0 - 1.0 / count)
                _, waiting = wait(waiting, timeout=_GLANCE_S, return_when=FIRST_COMPLETED)
        except Cancelled:
            self.ahead(())
            raise
        return [future.result() for future in futures]

    def _done_here(self, job: Any, watch: Watch) -> Future[Any]:
        done = Future[Any]()
        try:
            done.set_result(self._work(job, watch))
        except Cancelled:
            raise
        except Exception as error:
            done.set_exception(error)
        return done

    def _attend(self, lane: _Lane, work: bytes) -> None:
        """Hand jobs to a lane, from when its kernels are loaded until there are no more, or it ends."""
        try:
            lane.ask(work)
        except FalseworkError:  # before it began anything: the others do what there is
            return
        while (asked := self._queue.get()) is not None:
            job, future = asked
            if not future.set_running_or_notify_cancel():
                continue
            try:
                good, answer = lane.ask(pickle.dumps(job, protocol=pickle.HIGHEST_PROTOCOL))
            except Exception as error:  # an answer that cannot be read too: nobody must wait for it for ever
                future.set_exception(error)
                return
            if good:
                future.set_result(answer)
            else:
                future.set_exception(answer)


class _Lane:
    """The pipes to one process."""

    def __init__(self, jobs: IO[bytes], answers: IO[bytes]) -> None:
        self._jobs, self._answers = jobs, answers

    def close(self) -> None:
        for pipe in (self._jobs, self._answers):
            with suppress(OSError):  # what it was not told any more
                pipe.close()

    def ask(self, said: bytes) -> Any:
        """What the process answers to something said in pickles."""
        try:
            self._jobs.write(said)
            self._jobs.flush()
            return pickle.load(self._answers)
        except (OSError, EOFError, pickle.UnpicklingError):
            raise FalseworkError(
                "a plan made beside others", "its process ended early", "Give it fewer cores (--cores 1)"
            ) from None


def _send(pipe: IO[bytes], value: Any) -> None:
    pickle.dump(value, pipe, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.flush()


def _serve(jobs: IO[bytes], answers: IO[bytes]) -> None:
    """Be told what to do, say so, and answer jobs until their pipe is closed."""
    with suppress(EOFError, BrokenPipeError):  # whoever asked has gone
        work = pickle.load(jobs)
        _send(answers, None)
        while True:
            job = pickle.load(jobs)
            try:
                answer: tuple[bool, Any] = True, work(job, QUIET)
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
            with suppress(ProcessLookupError):  # it has ended by itself
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

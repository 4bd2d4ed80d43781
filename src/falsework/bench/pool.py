"""The worker pool: processes that are started, given one job at a time, watched, stopped and replaced."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import signal
import sys
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from falsework.bench.force import Error, crashed, no_memory, too_long
from falsework.cores import own_cores

RELIEF_S = 20.0  # when all workers have been busy for so long and somebody waits, one more is hired
PATIENCE_S = 0.6  # a worker told to stop gets this long before it is killed
_LOOK_EVERY_S = 0.25
_ROOM_FOR_CODE = 2 << 30  # address space that libraries take without using the memory
_LONGEST_LINE = 1 << 20
_LAST_WORDS = 2000
_KNOWS_PARTS = 4
_PAUSE_S = 1.0  # before a worker that ended by itself is replaced: the next may do the same

LOG = logging.getLogger("falsework.bench")

Tell = Callable[[str, float], None]


@dataclass(frozen=True)
class WorkerLimits:
    """What one worker may take: resident bytes while it works and between jobs, seconds for a job."""

    memory_bytes: int
    idle_bytes: int
    job_s: float

    @staticmethod
    def of_this_machine(workers: int, job_s: float = 1800.0) -> WorkerLimits:
        """Three quarters of the memory shared among the workers, at least 2 GB each."""
        try:
            whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
        except (AttributeError, OSError, ValueError):
            whole = 8 << 30
        each = max(2 << 30, int(0.75 * whole / workers))
        return WorkerLimits(each, min(each // 2, 3 << 30), job_s)


@dataclass(frozen=True)
class JobResult:
    """How a job ended: 'done', 'refused' or 'failed' with its error, 'stopped', or 'lost' with its worker."""

    state: str
    error: Error | None = None


class Worker:
    """One process and what the server knows of it."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.job = ""  # what it does now, '' when it waits
        self.since = 0.0  # when it began that, by the monotonic clock
        self.knows: OrderedDict[str, None] = OrderedDict()  # parts it has in memory, the latest last
        self.stopping = False
        self.last_words = b""

    @property
    def alive(self) -> bool:
        return self.process.returncode is None

    def resident_bytes(self) -> int:
        """Resident memory where the system tells it, else 0."""
        try:
            pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        except (OSError, ValueError, IndexError):
            return 0
        return pages * os.sysconf("SC_PAGE_SIZE")

    def kill(self) -> None:
        """End the process and, where there are process groups, whatever it started, at once."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            if sys.platform == "win32":
                self.process.kill()
            else:
                os.killpg(self.process.pid, signal.SIGKILL)


@dataclass
class WorkerPool:
    """``size`` workers. ``when_free`` is called whenever one of them may take a job."""

    size: int
    folder: Path
    limits: WorkerLimits
    when_free: Callable[[], None]
    workers: list[Worker] = field(default_factory=list)
    closing: bool = False
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    async def start(self) -> None:
        """Start all workers; they load while nobody waits."""
        for _ in range(self.size):
            await self._hire()

    async def close(self) -> None:
        """Kill all workers and wait until they are gone."""
        self.closing = True
        for worker in self.workers:
            worker.kill()
        await asyncio.gather(*(worker.process.wait() for worker in self.workers))
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def idle(self) -> list[Worker]:
        """Workers that may take a job now."""
        return [worker for worker in self.workers if worker.alive and not worker.job and not self.closing]

    async def give(
        self, worker: Worker, job: str, message: Mapping[str, Any], part: str, tell: Tell
    ) -> JobResult:
        """Have ``worker``, who is idle, do a job; its outcome, whatever happens to it.

        ``part`` is the digest of the part that the worker will have in memory afterwards.
        """
        worker.job, worker.since = job, time.monotonic()
        worker.knows[part] = None
        worker.knows.move_to_end(part)
        while len(worker.knows) > _KNOWS_PARTS:
            worker.knows.popitem(last=False)
        watching = asyncio.create_task(self._watch(worker, job, message["what"]))
        try:
            outcome = await self._done(worker, {"job": job, "cores": self._cores_each(), **message}, tell)
            if outcome.state == "lost" and watching.done() and (over := watching.result()) is not None:
                outcome = JobResult("failed", over)
        finally:
            watching.cancel()
            worker.job, worker.stopping = "", False
        if worker.alive and worker.resident_bytes() > self.limits.idle_bytes:
            worker.kill()
            await worker.process.wait()
        if not self.closing:
            if not worker.alive:
                await self._replace(worker)
            self.when_free()
            if len(self.workers) > self.size and not worker.job and worker in self.workers:
                self.workers.remove(worker)
                worker.kill()
        return outcome

    def _cores_each(self) -> int:
        """Processor cores for a job that begins now: those that are there, shared with the others at work."""
        return max(1, own_cores() // max(1, sum(bool(worker.job) for worker in self.workers)))

    async def relieve(self) -> bool:
        """One worker more where all have been at their jobs for long, up to twice as many as usual.

        So that long jobs, of which a few may never end before their time is up, block nobody: processes
        share the processor. Whether there is one more.
        """
        now = time.monotonic()
        long = all(worker.job and now - worker.since > RELIEF_S for worker in self.workers)
        if self.closing or not long or len(self.workers) >= 2 * self.size:
            return False
        await self._hire()
        return True

    def stop(self, job: str) -> None:
        """End a running job: asked first, killed after ``PATIENCE_S``."""
        for worker in self.workers:
            if worker.job == job and not worker.stopping:
                worker.stopping = True
                self._send(worker, {"stop": job})
                asyncio.get_running_loop().call_later(PATIENCE_S, self._insist, worker, job)

    def _insist(self, worker: Worker, job: str) -> None:
        if worker.job == job:
            worker.kill()

    def _send(self, worker: Worker, message: Mapping[str, Any]) -> None:
        assert worker.process.stdin is not None
        with contextlib.suppress(ConnectionError, RuntimeError):
            worker.process.stdin.write(json.dumps(message).encode() + b"\n")

    async def _done(self, worker: Worker, message: Mapping[str, Any], tell: Tell) -> JobResult:
        assert worker.process.stdout is not None and worker.process.stdin is not None
        self._send(worker, message)
        with contextlib.suppress(ConnectionError):
            await worker.process.stdin.drain()
        while True:
            try:
                line = await worker.process.stdout.readline()
                said = json.loads(line) if line else None
            except ValueError:  # too long, or not ours: whoever speaks there is no worker any more
                worker.kill()
                said = None
            if said is None:
                await worker.process.wait()
                if worker.stopping:
                    return JobResult("stopped")
                return JobResult("lost", crashed(message["what"], worker.process.returncode or 0))
            if said.get("job") != message["job"]:
                continue
            if "step" in said:
                tell(str(said["step"]), float(said["fraction"]))
            elif "done" in said:
                return JobResult("done")
            elif "stopped" in said:
                return JobResult("stopped")
            elif "refused" in said:
                return JobResult("refused", {str(key): str(text) for key, text in said["refused"].items()})
            else:
                return JobResult("failed", fault(str(said.get("failed"))))

    async def _watch(self, worker: Worker, job: str, what: str) -> Error | None:
        """Kill a worker that takes too long or too much; why, as an error."""
        end = time.monotonic() + self.limits.job_s
        while worker.job == job:
            await asyncio.sleep(_LOOK_EVERY_S)
            if worker.resident_bytes() > self.limits.memory_bytes:
                worker.kill()
                return no_memory(what)
            if time.monotonic() > end:
                worker.kill()
                return too_long(what, self.limits.job_s)
        return None

    async def _hire(self) -> None:
        memory = str(self.limits.memory_bytes + _ROOM_FOR_CODE)
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "falsework.bench.worker",
            "--folder",
            str(self.folder),
            "--memory",
            memory,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            limit=_LONGEST_LINE,
            start_new_session=True,
            # few arenas: address space is limited, and one thread computes
            env={**os.environ, "MALLOC_ARENA_MAX": "2", "OPENBLAS_NUM_THREADS": "1"},
        )
        worker = Worker(process)
        self.workers.append(worker)
        task = asyncio.create_task(self._listen_to_complaints(worker))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _replace(self, worker: Worker) -> None:
        self.workers.remove(worker)
        try:
            await self._hire()
        except OSError as error:  # no room for one more process now: ``fill`` tries again
            LOG.warning("no worker could be started: %s", error.strerror or error)

    async def fill(self) -> None:
        """Hire what is missing; ``watch`` of the scheduler asks for it again and again."""
        for dead in [worker for worker in self.workers if not worker.alive and not worker.job]:
            self.workers.remove(dead)
        with contextlib.suppress(OSError):
            while not self.closing and len(self.workers) < self.size:
                await self._hire()
                self.when_free()

    async def _listen_to_complaints(self, worker: Worker) -> None:
        """Keep stderr from filling up; its end tells what a crashed worker said last."""
        assert worker.process.stderr is not None
        while chunk := await worker.process.stderr.read(65536):
            worker.last_words = (worker.last_words + chunk)[-_LAST_WORDS:]
        # a worker that dies while nobody needs it is replaced before somebody does
        await worker.process.wait()
        if not self.closing and not worker.job and worker in self.workers:
            LOG.warning("a worker ended by itself: %s", worker.last_words.decode("utf-8", "replace").strip())
            await asyncio.sleep(_PAUSE_S)
            if not self.closing and worker in self.workers:
                await self._replace(worker)
                self.when_free()


def fault(text: str) -> Error:
    """A fault of ours as an error."""
    return {
        "kind": "OwnFault",
        "subject": "falsework",
        "wrong": f"failed by a fault of its own ({text[:300]})",
        "cure": "Report this text with the file",
    }

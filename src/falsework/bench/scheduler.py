"""The scheduler: what every sheet needs computed, in which order and for whom; its state as it changes."""

from __future__ import annotations

import asyncio
import base64
import itertools
import secrets
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from falsework.bench.answers import error_of
from falsework.bench.events import Hub
from falsework.bench.job_queue import JobQueue, Waiting
from falsework.bench.pool import LOG, Error, JobResult, Worker, WorkerPool, fault
from falsework.bench.results import Results
from falsework.bench.runs import QueuedJob, Run, RunBoard, RunState
from falsework.bench.stages import BY_ITSELF, PRECEDENCE, Order, Stage, before, key_of
from falsework.errors import FalseworkError

_TELL_EVERY_S = 0.2
_WATCH_EVERY_S = 2.0
_REMEMBERED_FAILURES = 1000
_REMEMBERED_TASKS = 200
MOST_WAITING = 100  # jobs of one client
_TRIES = 2  # of a job whose worker was lost

EVERYBODY = "everybody"
"""The channel of what concerns all sheets."""

StageState = dict[str, Any]

_LOST_RESULT = {
    "kind": "OutputError",
    "subject": "bench",
    "wrong": "the result could not be kept",
    "cure": "Make room on the disk of the bench's data folder, and try again",
}


class TooMany(Exception):
    """One client has more jobs waiting than is fair."""


@dataclass(eq=False)
class _Wanted:
    """One sheet's view: its order, for whom, what was asked for beyond what runs by itself."""

    order: Order
    client: str
    keys: dict[Stage, str]
    asked: set[Stage] = field(default_factory=set)
    stopped: set[str] = field(default_factory=set)
    shown: dict[Stage, str] = field(default_factory=dict)
    told: dict[Stage, StageState] = field(default_factory=dict)


@dataclass(eq=False)
class SideTask:
    """Work beside the sheets (making a demo part, a test piece, a fit): followed by its id.

    ``finish``, given the key of the result, makes ``result`` of it.
    """

    id: str
    what: str
    key: str
    finish: Callable[[str], Awaitable[Any]]
    state: str = "queued"
    step: str = ""
    fraction: float = 0.0
    error: Error | None = None
    result: Any = None

    @property
    def open(self) -> bool:
        """Whether it may still come to something."""
        return self.state in ("queued", "running")

    def as_json(self) -> dict[str, Any]:
        told = {"id": self.id, "what": self.what, "state": self.state, "step": self.step}
        return told | {"fraction": self.fraction, "error": self.error, "result": self.result}


class Scheduler:
    """Keeps the workers busy with what sheets and tasks need. Lives in the server's event loop."""

    def __init__(self, results: Results, hub: Hub, marks_of: Callable[[str], bytes | None]) -> None:
        self.results, self.hub = results, hub
        self.pool: WorkerPool | None = None
        self._marks_of = marks_of
        self._waiting = JobQueue()
        self._runs = RunBoard()
        self._sheets: dict[str, _Wanted] = {}
        self._failures: OrderedDict[str, Error] = OrderedDict()
        self._tasks: OrderedDict[str, SideTask] = OrderedDict()
        self._running: set[asyncio.Task[None]] = set()
        # what is told is numbered, over restarts too, so that an answer that was overtaken is known as such
        self._news = itertools.count(time.time_ns() // 1_000_000 * 1000)

    def news(self) -> int:
        """The number of what is told next: greater than of all that was told before."""
        return next(self._news)

    # sheets

    def want(self, sheet: str, order: Order, client: str, *, work: bool = True) -> None:
        """The sheet stands like this now; with ``work`` what it needs is computed for ``client``."""
        keys = {stage: order.key(stage) for stage in Stage}
        known = self._sheets.get(sheet)
        if known is None:
            if not work:
                return
            known = self._sheets[sheet] = _Wanted(order, client, keys)
        if known.keys != keys:
            known.asked = {stage for stage in known.asked if known.keys[stage] == keys[stage]}
            known.order, known.keys = order, keys
            self._drop_unwanted()
        if work:
            known.client = client
            self._advance(sheet, known)
        self._tell(sheet, known)

    def sheets(self) -> dict[str, str]:
        """The sheets that somebody has looked at since the server started, and who did last."""
        return {sheet: wanted.client for sheet, wanted in self._sheets.items()}

    def forget(self, sheet: str) -> None:
        """The sheet is gone."""
        if self._sheets.pop(sheet, None) is not None:
            self._drop_unwanted()

    def ask(self, sheet: str, stage: Stage, client: str) -> StageState:
        """Have ``stage`` computed, and what it rests on; a failed or stopped one again."""
        wanted = self._sheets[sheet]
        if self._waiting.count_of(client) >= MOST_WAITING:
            raise TooMany
        for each in (*before(stage), stage):
            self._failures.pop(wanted.keys[each], None)
            wanted.stopped.discard(wanted.keys[each])
            wanted.asked.add(each)
        wanted.client = client
        self._advance(sheet, wanted)
        self._tell(sheet, wanted)
        return self.state(sheet, stage)

    def stop(self, sheet: str, stage: Stage) -> StageState:
        """Have ``stage`` not computed; what others want goes on for them."""
        wanted = self._sheets[sheet]
        wanted.asked.discard(stage)
        wanted.stopped.add(wanted.keys[stage])
        self._drop_unwanted()
        self._tell(sheet, wanted)
        return self.state(sheet, stage)

    def state(self, sheet: str, stage: Stage, order: Order | None = None) -> StageState:
        """The state of one stage of a sheet; of one that nobody has looked at, from what lies on disk."""
        wanted = self._sheets.get(sheet)
        if wanted is None:
            assert order is not None
            return self.kept(order.key(stage))
        key = wanted.keys[stage]
        told: StageState = {"key": key}
        if self.results.has(key):
            wanted.shown[stage] = key
            return told | {"state": "ready"}
        if (shown := wanted.shown.get(stage)) is not None and self.results.has(shown):
            told["shown"] = shown
        run = self._runs.live(key)
        if run is not None and run.running:
            return told | {"state": "running", "step": run.step, "fraction": run.fraction}
        if run is not None:
            return told | {"state": "queued", "ahead": self._places().get(run.id, 0)}
        chain = [wanted.keys[each] for each in (stage, *reversed(before(stage)))]
        failed = next((self._failures[each] for each in chain if each in self._failures), None)
        if failed is not None and self._is_wanted(wanted, stage):
            return told | {"state": "failed", "error": failed}
        if self._is_wanted(wanted, stage) and not wanted.stopped.intersection(chain):
            return told | {"state": "waiting"}
        return told | {"state": "idle"}

    def kept(self, key: str) -> StageState:
        """The state of a stage that nobody works on: whether its result lies on the disk."""
        return {"state": "ready" if self.results.has(key) else "idle", "key": key}

    def needed(self) -> set[str]:
        """Keys of results that a sheet shows now or that a task is about to read."""
        wanted = self._sheets.values()
        shown = {key for one in wanted for key in (*one.keys.values(), *one.shown.values())}
        return shown | {task.key for task in self._tasks.values() if task.open}

    def fits(self) -> set[str]:
        """The fits of readings that a sheet's work or a job rests on."""
        at_work = {run.job.arguments.get("fit", "") for run in self._runs}
        return at_work | {wanted.order.fit for wanted in self._sheets.values()}

    def busy(self) -> dict[str, int]:
        """How many jobs run and wait."""
        return {"running": sum(run.running for run in self._runs), "waiting": len(self._waiting)}

    # tasks

    def begin(
        self,
        what: str,
        words: str,
        arguments: Mapping[str, Any],
        client: str,
        finish: Callable[[str], Awaitable[Any]],
    ) -> SideTask:
        """Work beside the sheets; ``finish``, given the key of the result, makes the task's result of it.

        The same work that is already done is finished at once.
        """
        if self._waiting.count_of(client) >= MOST_WAITING:
            raise TooMany
        key = key_of(what, arguments)
        task = SideTask(secrets.token_hex(8), words, key, finish)
        self._tasks[task.id] = task
        while len(self._tasks) > _REMEMBERED_TASKS:
            self._tasks.popitem(last=False)
        if self.results.has(key):
            self._end_task(task, JobResult("done"))
            self._tell_task(task)
        else:
            self._queue(QueuedJob(key, what, arguments, client, key, PRECEDENCE[Stage.LIES]))
            self._tell_task(task)
        return task

    async def watch(self) -> None:
        """Have lost workers replaced, and all relieved where jobs wait behind long ones, for as long as the
        bench is served."""
        while True:
            await asyncio.sleep(_WATCH_EVERY_S)
            if self.pool is not None:
                await self.pool.fill()
            if len(self._waiting) and self.pool is not None and await self.pool.relieve():
                self.dispatch()

    async def settle(self) -> None:
        """Wait for what is under way when the workers are gone."""
        await asyncio.gather(*self._running, return_exceptions=True)

    def task(self, id: str) -> SideTask | None:
        """A task by its id, None where there is none of it or no longer."""
        return self._tasks.get(id)

    def stop_task(self, task: SideTask) -> None:
        """Have a task not done."""
        if task.open:
            task.state = "stopped"
            self._drop_unwanted()
            self._tell_task(task)

    def _end_task(self, task: SideTask, outcome: JobResult) -> None:
        if outcome.state == "done":
            finishing = asyncio.create_task(self._finish(task))
            self._running.add(finishing)
            finishing.add_done_callback(self._running.discard)
        else:
            task.state, task.error = outcome.state, outcome.error
            self._tell_task(task)

    async def _finish(self, task: SideTask) -> None:
        try:
            task.result, task.state = await task.finish(task.key), "done"
        except FalseworkError as error:
            task.error, task.state = error_of(error), "refused"
        except Exception as error:
            LOG.error("%s", task.what, exc_info=error)
            task.error, task.state = fault(f"{type(error).__name__}: {error}"), "failed"
        self._tell_task(task)

    def _tell_task(self, task: SideTask) -> None:
        self.hub.tell(EVERYBODY, "task", task.as_json())

    # runs

    def dispatch(self) -> None:
        """Give waiting runs to idle workers."""
        if self.pool is None:
            return
        while idle := self.pool.idle():
            taken = self._waiting.take([worker.knows for worker in idle])
            if taken is None:
                break
            waiting, place = taken
            run, worker = self._runs.by_id(waiting.run), idle[place]
            self._runs.move(run, RunState.RUNNING)
            running = asyncio.create_task(self._run(run, self.pool, worker))
            self._running.add(running)
            running.add_done_callback(self._running.discard)
            # the worker is taken from now on, not from when the task first runs
            worker.job = run.id

    async def _run(self, run: Run, pool: WorkerPool, worker: Worker) -> None:
        try:
            outcome = await self._given(run, pool, worker)
        except Exception as error:  # whatever goes wrong here, the run ends and is told about
            LOG.error("%s", run.job.what, exc_info=error)
            outcome = JobResult("failed", fault(f"{type(error).__name__}: {error}"))
            if worker.job == run.id:
                worker.job = ""
        self._ended(run, outcome)

    async def _given(self, run: Run, pool: WorkerPool, worker: Worker) -> JobResult:
        job = run.job
        bits = {digest: self._marks_of(digest) or b"" for digest in job.marks}
        message = {
            "what": job.what,
            "arguments": job.arguments,
            "into": str(self.results.place(job.key)),
            "marks": {digest: base64.b64encode(raw).decode() for digest, raw in bits.items()},
        }
        run.step, run.fraction = "starting", 0.0
        self._tell_about(run)

        def tell(step: str, fraction: float) -> None:
            run.step, run.fraction = step, fraction
            now = time.monotonic()
            if now - run.told_at > _TELL_EVERY_S:
                run.told_at = now
                self._tell_about(run)

        return await pool.give(worker, run.id, message, job.part, tell)

    def _ended(self, run: Run, outcome: JobResult) -> None:
        told_to_stop = run.state is RunState.STOPPING
        self._runs.move(run, RunState.ENDED)
        if outcome.state == "done" and not self.results.added(run.key):
            outcome = JobResult("failed", _LOST_RESULT)
        if told_to_stop:
            # what came of it all the same counts; that it was ended counts for nobody
            if outcome.state in ("done", "refused"):
                self._settle(run, outcome)
        elif outcome.state in ("lost", "stopped"):  # nobody told it to: its worker is gone
            if run.tries + 1 < _TRIES and self._has_takers(run.key):
                self._tell_about(self._put_in_line(run.job, run.tries + 1))
            else:
                self._settle(run, JobResult("failed", outcome.error or fault("it stopped by itself")))
        else:
            self._settle(run, outcome)
        self.results.trim(self.needed())
        self.dispatch()
        self._tell_places()

    def _settle(self, run: Run, outcome: JobResult) -> None:
        """What came of a run, for all who want its result; another run of it that waits is not needed."""
        twin = self._runs.live(run.key)
        if twin is not None and twin.state is RunState.WAITING:
            self._leave_line(twin)
        if outcome.error is not None:
            self._failures[run.key] = outcome.error
            while len(self._failures) > _REMEMBERED_FAILURES:
                self._failures.popitem(last=False)
        for task in list(self._tasks.values()):
            if task.key == run.key and task.open:
                self._end_task(task, outcome)
        for sheet, wanted in list(self._sheets.items()):
            if run.key in wanted.keys.values():
                self._advance(sheet, wanted)
                self._tell(sheet, wanted)

    def _put_in_line(self, job: QueuedJob, tries: int = 0) -> Run:
        run = self._runs.begin(job, tries)
        self._waiting.add(Waiting(run.id, job.client, job.precedence, job.part))
        return run

    def _leave_line(self, run: Run) -> None:
        self._waiting.drop(run.id)
        self._runs.move(run, RunState.ENDED)

    def _queue(self, job: QueuedJob) -> None:
        if self._runs.live(job.key) is None:
            self._put_in_line(job)
            self.dispatch()

    def _advance(self, sheet: str, wanted: _Wanted) -> None:
        """Queue the next job of every chain of stages that the sheet wants."""
        for stage in Stage:
            if not self._is_wanted(wanted, stage) or self.results.has(wanted.keys[stage]):
                continue
            missing = next(
                each for each in (*before(stage), stage) if not self.results.has(wanted.keys[each])
            )
            key = wanted.keys[missing]
            if self._runs.live(key) or key in self._failures or key in wanted.stopped:
                continue
            arguments = wanted.order.arguments(missing)
            marks = arguments.get("marks", {}).values()
            self._queue(
                QueuedJob(
                    key,
                    missing.value,
                    arguments,
                    wanted.client,
                    wanted.order.digest,
                    PRECEDENCE[missing],
                    tuple(digest for digest in marks if digest),
                )
            )

    def _is_wanted(self, wanted: _Wanted, stage: Stage) -> bool:
        return stage in BY_ITSELF or stage in wanted.asked

    def _has_takers(self, key: str) -> bool:
        """Whether any sheet or task still wants the result of that key."""
        return any(task.key == key and task.open for task in self._tasks.values()) or any(
            key == wanted.keys[stage] and key not in wanted.stopped
            for wanted in self._sheets.values()
            for stage in Stage
            if self._is_wanted(wanted, stage) or any(stage in before(asked) for asked in wanted.asked)
        )

    def _drop_unwanted(self) -> None:
        for run in self._runs.all_live():
            if self._has_takers(run.key):
                continue
            if run.state is RunState.WAITING:
                self._leave_line(run)
            else:
                self._runs.move(run, RunState.STOPPING)
                if self.pool is not None:
                    self.pool.stop(run.id)

    # telling

    def _places(self) -> dict[str, int]:
        return {waiting.run: place for place, waiting in enumerate(self._waiting.in_turn())}

    def _tell(self, sheet: str, wanted: _Wanted) -> None:
        for stage in Stage:
            state = self.state(sheet, stage)
            if wanted.told.get(stage) != state:
                wanted.told[stage] = state
                self.hub.tell(f"sheet:{sheet}", "stage", {"stage": stage.value, **state, "news": self.news()})

    def _tell_about(self, run: Run) -> None:
        for sheet, wanted in self._sheets.items():
            if run.key in wanted.keys.values():
                self._tell(sheet, wanted)
        for task in self._tasks.values():
            if task.key == run.key and task.open:
                task.state = "running" if run.running else "queued"
                task.step, task.fraction = run.step, run.fraction
                self._tell_task(task)

    def _tell_places(self) -> None:
        for waiting in self._waiting.in_turn():
            self._tell_about(self._runs.by_id(waiting.run))
        self.hub.tell(EVERYBODY, "bench", {"busy": self.busy()})

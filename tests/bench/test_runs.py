"""What sheets need is worked out whatever is done to them meanwhile: nothing hangs, nothing runs for ever."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from falsework.bench.choices import Choices
from falsework.bench.events import Hub
from falsework.bench.force import crashed
from falsework.bench.pool import JobResult
from falsework.bench.results import Results
from falsework.bench.runs import QueuedJob, RunBoard, RunState
from falsework.bench.scheduler import Scheduler
from falsework.bench.stages import BY_ITSELF, Order, Stage
from falsework.process import builtin

GAPS = ("0.1", "0.2", "0.3")
SHEETS = ("one", "two")
ENDED = {"ready", "failed", "idle"}


@dataclass(eq=False)
class Hand:
    """A worker of the real protocol without its process: it obeys a stop by the name it was told last."""

    job: str = ""
    knows: dict[str, None] = field(default_factory=dict)
    since: float = 0.0
    told_to_stop: str = ""  # as in the worker's process: it is never cleared
    stopping: bool = False
    into: Path = Path()
    outcome: asyncio.Future[JobResult] | None = None


class Hands:
    """A pool whose workers end their jobs when the test says so, in whatever way it says."""

    def __init__(self, count: int) -> None:
        self.workers = [Hand() for _ in range(count)]
        self.given = 0

    def idle(self) -> list[Hand]:
        return [hand for hand in self.workers if not hand.job]

    def stop(self, job: str) -> None:
        for hand in self.workers:
            if hand.job == job:
                hand.told_to_stop, hand.stopping = job, True

    async def give(self, hand: Hand, job: str, message: Mapping[str, Any], part: str, tell: Any) -> JobResult:
        hand.job, hand.into, hand.outcome = job, Path(message["into"]), asyncio.Future()
        self.given += 1
        tell("at it", 0.5)
        if hand.told_to_stop == job:  # the stop came before the job
            hand.outcome.set_result(JobResult("stopped"))
        outcome = await hand.outcome
        hand.job, hand.stopping, hand.outcome = "", False, None
        return outcome


class Bench(RuleBasedStateMachine):
    """Two sheets, two workers, and everything that people and accidents do, in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.loop = asyncio.new_event_loop()
        self.hands = Hands(2)
        self.deaths = 0

    @initialize()
    def begin(self) -> None:
        results = Results(Path(self.folder.name), 8 << 30)
        self.scheduler = Scheduler(results, Hub(), lambda digest: b"")
        self.scheduler.pool = self.hands  # type: ignore[assignment]
        self.gap = dict.fromkeys(SHEETS, GAPS[0])
        self.past: dict[str, list[str]] = {sheet: [] for sheet in SHEETS}
        self.future: dict[str, list[str]] = {sheet: [] for sheet in SHEETS}
        for sheet in SHEETS:
            self.want(sheet)

    def order(self, sheet: str) -> Order:
        process = builtin("pla-0.4")
        choices = Choices(settings={"air_gap_mm": self.gap[sheet]})
        return Order("a" * 64, "part.stl", choices, process, fit=self.gap[sheet])

    def turn(self) -> None:
        """Let the server do what it has at hand."""
        self.loop.run_until_complete(_a_few_turns())

    def want(self, sheet: str) -> None:
        async def wanted() -> None:
            self.scheduler.want(sheet, self.order(sheet), sheet)

        self.loop.run_until_complete(wanted())

    @rule(sheet=st.sampled_from(SHEETS), gap=st.sampled_from(GAPS), quick=st.booleans())
    def edit(self, sheet: str, gap: str, quick: bool) -> None:
        self.past[sheet].append(self.gap[sheet])
        self.future[sheet], self.gap[sheet] = [], gap
        self.want(sheet)
        if not quick:
            self.turn()

    @rule(sheet=st.sampled_from(SHEETS), again=st.booleans(), quick=st.booleans())
    def undo(self, sheet: str, again: bool, quick: bool) -> None:
        source, goal = (self.future, self.past) if again else (self.past, self.future)
        if source[sheet]:
            goal[sheet].append(self.gap[sheet])
            self.gap[sheet] = source[sheet].pop()
            self.want(sheet)
            if not quick:
                self.turn()

    @rule(sheet=st.sampled_from(SHEETS), stage=st.sampled_from(list(Stage)), quick=st.booleans())
    def stop(self, sheet: str, stage: Stage, quick: bool) -> None:
        async def stopped() -> None:
            self.scheduler.stop(sheet, stage)

        self.loop.run_until_complete(stopped())
        if not quick:
            self.turn()

    @rule(sheet=st.sampled_from(SHEETS), stage=st.sampled_from(list(Stage)))
    def begin_again(self, sheet: str, stage: Stage) -> None:
        async def asked() -> None:
            self.scheduler.ask(sheet, stage, sheet)

        self.loop.run_until_complete(asked())

    @rule(which=st.integers(0, 1), how=st.sampled_from(["done", "refused", "failed"]))
    def a_worker_ends(self, which: int, how: str) -> None:
        hand = self.hands.workers[which]
        if hand.outcome is None or hand.outcome.done():
            return
        if hand.stopping and hand.told_to_stop == hand.job:
            hand.outcome.set_result(JobResult("stopped"))
        elif how == "done":
            hand.into.mkdir(parents=True, exist_ok=True)
            hand.outcome.set_result(JobResult("done"))
        else:
            told = {"kind": "PartError", "subject": "part", "wrong": "is no part", "cure": "Mend it"}
            hand.outcome.set_result(JobResult(how, told))
        self.turn()

    @rule(which=st.integers(0, 1))
    def a_worker_is_faster_than_the_stop(self, which: int) -> None:
        hand = self.hands.workers[which]
        if hand.outcome is not None and not hand.outcome.done():
            hand.into.mkdir(parents=True, exist_ok=True)
            hand.outcome.set_result(JobResult("done"))
            self.turn()

    @precondition(lambda self: self.deaths < 4)
    @rule(which=st.integers(0, 1))
    def a_worker_dies(self, which: int) -> None:
        hand = self.hands.workers[which]
        if hand.outcome is not None and not hand.outcome.done():
            self.deaths += 1
            lost = JobResult("stopped") if hand.stopping else JobResult("lost", crashed("supports", -9))
            hand.outcome.set_result(lost)
            self.turn()

    @rule()
    def time_passes(self) -> None:
        self.turn()

    @invariant()
    def a_worker_is_at_one_live_run(self) -> None:
        if hasattr(self, "scheduler"):
            keys = [run.key for run in self.scheduler._runs.all_live()]
            assert len(keys) == len(set(keys))

    def teardown(self) -> None:
        if hasattr(self, "scheduler"):
            self.everything_ends()
        self.loop.close()
        self.folder.cleanup()

    def everything_ends(self) -> None:
        """When nobody does anything more, all comes to an end, by a bounded number of runs."""
        self.turn()
        before = self.hands.given
        for _ in range(200):
            if not any(hand.job for hand in self.hands.workers):
                break
            for which in range(len(self.hands.workers)):
                self.a_worker_ends(which, "done")
        assert self.hands.given - before <= 4 * len(SHEETS) * len(Stage)
        assert self.scheduler.busy() == {"running": 0, "waiting": 0}
        assert list(self.scheduler._runs) == []
        for sheet in SHEETS:
            states = {stage: self.scheduler.state(sheet, stage) for stage in Stage}
            assert {told["state"] for told in states.values()} <= ENDED, states
            failed = [told["error"]["kind"] for told in states.values() if told["state"] == "failed"]
            assert set(failed) <= {"PartError", "Crashed"}, failed  # as the test said, never a fault of ours
            if not self.scheduler._sheets[sheet].stopped:
                assert all(states[stage]["state"] in ("ready", "failed") for stage in BY_ITSELF), states


async def _a_few_turns() -> None:
    for _ in range(8):
        await asyncio.sleep(0)


TestBench = Bench.TestCase
TestBench.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


def test_a_run_that_was_told_to_stop_never_comes_back() -> None:
    runs = RunBoard()
    job = QueuedJob("k" * 64, "supports", {}, "ann", "p", 0)
    first = runs.begin(job)
    runs.move(first, RunState.RUNNING)
    runs.move(first, RunState.STOPPING)
    second = runs.begin(job)
    assert second.id != first.id and runs.live(job.key) is second
    for state in (RunState.RUNNING, RunState.WAITING):
        with pytest.raises(AssertionError):
            runs.move(first, state)
    runs.move(first, RunState.ENDED)
    assert runs.live(job.key) is second and list(runs) == [second]

"""One worker by itself: too long, too much, killed, refused; each time another job can follow."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from falsework.bench import pool as pool_module
from falsework.bench import scheduler as scheduler_module
from falsework.bench.events import Hub
from falsework.bench.pool import JobResult, Worker, WorkerLimits, WorkerPool
from falsework.bench.results import Results
from falsework.bench.scheduler import Scheduler
from falsework.bench.stages import key_of
from falsework.bench.work import part_file
from falsework.documents import encode
from falsework.files.stl import write_stl
from falsework.part.demo import gull
from falsework.process import builtin
from falsework.request import Placing, Wish

ROOMY = WorkerLimits(memory_bytes=4 << 30, idle_bytes=4 << 30, job_s=600.0)


def test_limits_share_the_memory() -> None:
    one, two = WorkerLimits.of_this_machine(1), WorkerLimits.of_this_machine(2)
    assert one.memory_bytes >= two.memory_bytes >= 2 << 30 and two.idle_bytes <= two.memory_bytes


def test_a_worker_that_takes_too_long_or_too_much_or_dies_is_replaced(tmp_path: Path) -> None:
    place = part_file(tmp_path, "a" * 64)
    place.parent.mkdir(parents=True)
    part = gull(30_000)
    write_stl(place, part.vertices, part.faces, part.name)
    told = {"digest": "a" * 64, "name": "gull.stl", "placing": encode(Placing()), "fit": ""}
    steps: list[str] = []

    def message(what: str, **arguments: Any) -> dict[str, Any]:
        into = tmp_path / "results" / key_of(what, {**told, **arguments})
        return {"what": what, "arguments": {**told, **arguments}, "into": str(into), "marks": {}}

    async def run() -> None:
        free: list[int] = []
        pool = WorkerPool(1, tmp_path, ROOMY, lambda: free.append(1))

        async def give(sent: dict[str, Any]) -> JobResult:
            (worker,) = pool.idle()
            return await pool.give(worker, "job", sent, "a" * 64, lambda step, fraction: steps.append(step))

        await pool.start()
        try:
            done = message("patches")
            assert await give(done) == JobResult("done")
            assert (Path(done["into"]) / "patches.bin").is_file() and steps
            first = pool.workers[0]

            refused = await give(message("patches", digest="b" * 64))
            assert refused.state == "refused" and refused.error is not None
            assert refused.error["subject"] == "gull.stl"
            assert pool.workers[0] is first  # a refusal costs no worker

            fault = await give(message("patches", digest=None))
            assert fault.state == "failed" and fault.error is not None and fault.error["kind"] == "OwnFault"

            pool.limits = replace(ROOMY, job_s=0.0)
            slow = {"wish": encode(Wish(builtin("pla-0.4")))}
            late = await give(message("lies", **slow))
            assert late.state == "failed" and late.error is not None and late.error["kind"] == "TooLong"
            assert pool.workers[0] is not first and pool.workers[0].alive and not first.alive

            pool.limits = replace(ROOMY, memory_bytes=1 << 20)
            much = await give(message("lies", **slow))
            assert much.state == "failed" and much.error is not None and "memory" in much.error["wrong"]

            pool.limits = ROOMY
            (worker,) = pool.idle()
            worker.kill()
            lost = await pool.give(worker, "job", message("lies", **slow), "a", lambda step, fraction: None)
            assert lost.state == "lost" and lost.error is not None and "signal 9" in lost.error["wrong"]
            assert len(free) >= 6 and len(pool.idle()) == 1
        finally:
            await pool.close()
        assert not any(worker.alive for worker in pool.workers)

    asyncio.run(run())
    # nothing half-made is left under a name that counts
    found = [path.name for path in (tmp_path / "results").iterdir() if not path.name.startswith(".aside")]
    assert found == [key_of("patches", told)]


class Never:
    """A process that never ends."""

    pid, returncode = 0, None


def test_a_job_that_takes_for_ever_does_not_keep_another_from_being_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool_module, "RELIEF_S", 0.3)
    monkeypatch.setattr(scheduler_module, "_WATCH_EVERY_S", 0.1)
    folder = tmp_path / "data"
    hub = Hub()
    scheduler = Scheduler(Results(folder / "results", 1 << 40), hub, lambda digest: None)

    async def finish(key: str) -> str:
        return key

    async def run() -> None:
        scheduler.pool = WorkerPool(1, folder, ROOMY, scheduler.dispatch)
        stuck = Worker(Never())  # type: ignore[arg-type]
        stuck.job = "for ever"
        scheduler.pool.workers.append(stuck)
        watching = asyncio.create_task(scheduler.watch())
        task = scheduler.begin("demo", "making a table", {"name": "table"}, "bob", finish)
        while task.open:
            await asyncio.sleep(0.02)
        assert task.state == "done" and scheduler.results.file(task.result, "part") is not None
        await asyncio.sleep(0.1)
        assert scheduler.pool.workers == [stuck]  # who came to help has gone again
        watching.cancel()
        scheduler.pool.workers.clear()
        await scheduler.pool.close()
        await scheduler.settle()

    asyncio.run(run())

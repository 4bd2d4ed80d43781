"""Real processes: workers of our own, a scheduler that exists, workers that are killed, parts that hang."""

from __future__ import annotations

import dataclasses
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from falsework.screening import Cluster, Screening, Terms
from falsework.screening.engine import EngineError
from falsework.screening.row import NOT_COMPARED, Row
from falsework.screening.running import named_processes
from falsework.screening.terms import NamedProcess
from screenings import write_box


def asked(folder: Path, cluster: Cluster, **terms: object) -> Screening:
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    return Screening((os.fspath(folder),), named, Terms(**{"depth": "look", **terms}), cluster)  # type: ignore[arg-type]


def figures(rows: list[Row]) -> list[dict]:
    kept = [{k: v for k, v in dataclasses.asdict(row).items() if k not in NOT_COMPARED} for row in rows]
    return sorted(kept, key=lambda row: row["file"])


def family() -> list[psutil.Process]:
    return [p for p in psutil.Process().children(recursive=True) if p.status() != psutil.STATUS_ZOMBIE]


def workers() -> list[psutil.Process]:
    """Forked from the process that has everything imported."""
    server = "multiprocessing.forkserver"
    forked = [p for p in family() if server in " ".join(p.cmdline())]
    pids = {p.pid for p in forked}
    return [p for p in forked if p.ppid() in pids]


@pytest.fixture
def boxes(tmp_path: Path) -> Path:
    for k in range(6):
        write_box(tmp_path / "boxes" / f"{k}.stl", (4.0 + k, 4.0, 2.0))
    (tmp_path / "boxes" / "none.stl").write_text("hello")
    return tmp_path / "boxes"


HOSTILE = """
import os, time
from falsework.screening import work

right = work._worked

def worked(job, path, briefing):
    if job.called == "hangs.stl":
        time.sleep(3600)
    if job.called == "dies.stl":
        os.kill(os.getpid(), 9)
    if job.called == "grows.stl":
        held = [b"x" * (1 << 28) for _ in range(8)]
        time.sleep(3600)
    return right(job, path, briefing)

work._worked = worked
"""
"""Parts that no file at hand would be: what makes a process end is put into every interpreter that starts."""


@pytest.fixture
def hostile(tmp_path: Path, boxes: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for k, name in enumerate(("hangs", "dies", "grows")):
        write_box(boxes / f"{name}.stl", (4.0, 5.0 + k, 2.0))
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(HOSTILE)
    path = os.pathsep.join([os.fspath(tmp_path / "site"), os.environ.get("PYTHONPATH", "")])
    monkeypatch.setenv("PYTHONPATH", path)
    return boxes


def test_what_ends_its_worker_is_tried_once_more_and_named(tmp_path: Path, hostile: Path) -> None:
    before = {process.pid for process in family()}
    screening = asked(hostile, Cluster(workers=2, memory_bytes=1 << 30), limit_s=12.0)
    rows = {row.name: row for row in screening.rows(tmp_path / "out")}
    assert len(rows) == 10 == screening.progress.done
    assert {name: row.fault for name, row in rows.items() if row.state == "failed"} == {
        "none": "part",
        "hangs": "time",
        "dies": "crash",
        "grows": "memory",
    }
    assert {rows[name].tries for name in ("hangs", "dies", "grows")} == {2}
    assert "longer than 12" in rows["hangs"].why and "1024 MB" in rows["grows"].why
    until = time.monotonic() + 10.0
    while {process.pid for process in family()} - before and time.monotonic() < until:
        time.sleep(0.1)
    assert {process.pid for process in family()} <= before, "nothing is left behind"


def test_workers_that_are_killed_lose_nothing(tmp_path: Path, boxes: Path) -> None:
    rows: list[Row] = []
    for row in asked(boxes, Cluster(workers=1)).rows(tmp_path / "out"):
        if len(rows) == 3:
            for worker in workers():
                worker.kill()
        rows.append(row)
    assert len(rows) == 7 == len({row.entry for row in rows})
    assert [row.name for row in rows if row.state == "failed"] == ["none"]


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    """A scheduler and a worker, started as anyone would."""
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    command += ["--no-dashboard"]
    log = tmp_path / "scheduler.log"
    with open(log, "w") as out:
        started = [subprocess.Popen(command, stdout=out, stderr=out, cwd=tmp_path)]
    try:
        address = ""
        until = time.monotonic() + 120
        while not address and time.monotonic() < until:
            told = re.search(r"Scheduler at:\s+(tcp://[\d.:]+)", log.read_text())
            address = told[1] if told else ""
            time.sleep(0.1)
        assert address, log.read_text()
        worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1"]
        worker += ["--no-nanny", "--no-dashboard", "--local-directory", os.fspath(tmp_path)]
        with open(tmp_path / "worker.log", "w") as out:
            started.append(subprocess.Popen(worker, stdout=out, stderr=out, cwd=tmp_path))
        yield address
    finally:
        for process in started:
            process.kill()
            process.wait()


def test_a_scheduler_that_exists_gives_the_same_rows(
    tmp_path: Path, boxes: Path, scheduler: str, here
) -> None:
    plain = list(asked(boxes, Cluster()).rows(tmp_path / "plain"))
    here.undone()
    far = list(asked(boxes, Cluster(scheduler=scheduler)).rows(tmp_path / "far"))
    assert figures(far) == figures(plain) and len(far) == 7


def test_a_scheduler_that_is_not_there_is_said(tmp_path: Path, boxes: Path, monkeypatch) -> None:
    from falsework.screening import engine

    monkeypatch.setattr(engine, "_START_S", 0.5)
    with pytest.raises(EngineError, match="no workers can be reached"):
        list(asked(boxes, Cluster(scheduler="tcp://127.0.0.1:9")).rows(tmp_path / "out"))


def main_says(home: Path, *arguments: str) -> int:
    return subprocess.run([sys.executable, "-m", "falsework", "screen", *arguments], cwd=home).returncode


def test_a_stopped_run_goes_on(tmp_path: Path, boxes: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "falsework",
        "screen",
        os.fspath(boxes),
        "--out",
        "out",
        "--workers",
        "1",
    ]
    command += ["--depth", "look", "--ledger", "none"]
    one = subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE, text=True)
    with one:
        assert one.stderr is not None
        line = one.stderr.readline()  # the engine's link: it has begun
        assert "http://127.0.0.1" in line
        one.send_signal(signal.SIGTERM)
        rest = one.stderr.read()
    assert one.returncode == 1 and "goes on from there" in rest
    assert main_says(tmp_path, "out") == 0 and (tmp_path / "out" / "index.html").is_file()
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "7 parts" in done.stdout and "1 failed, 6 looked at" in done.stdout
    assert len(list((tmp_path / "out" / "rows").glob("*.parquet"))) >= 1

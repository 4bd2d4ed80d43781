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
import yaml

from falsework.cli.app import run
from falsework.screening import Cluster, Screening, Terms, engine
from falsework.screening.engine import EngineError
from falsework.screening.row import NOT_COMPARED, Row
from falsework.screening.running import named_processes
from falsework.screening.terms import NamedProcess
from screenings import write_box

CLUSTERS = Path(__file__).parents[2] / "docs" / "clusters"


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
        held = b"x" * (1 << 30)
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
    screening = asked(hostile, Cluster(workers=2, memory_bytes=768 << 20), limit_s=8.0)
    rows = {row.name: row for row in screening.rows(tmp_path / "out")}
    assert len(rows) == 10 == screening.progress.done
    assert {name: row.fault for name, row in rows.items() if row.state == "failed"} == {
        "none": "part",
        "hangs": "time",
        "dies": "crash",
        "grows": "memory",
    }
    assert {rows[name].tries for name in ("hangs", "dies", "grows")} == {2}
    assert "longer than 8" in rows["hangs"].why and "768 MB" in rows["grows"].why
    until = time.monotonic() + 10.0
    while {process.pid for process in family()} - before and time.monotonic() < until:
        time.sleep(0.1)
    assert {process.pid for process in family()} <= before, "nothing is left behind"


def test_workers_that_are_ended_from_outside_lose_nothing(tmp_path: Path, boxes: Path) -> None:
    screening, rows = asked(boxes, Cluster(workers=2), depth="plan"), []
    for row in screening.rows(tmp_path / "out"):
        if not rows:
            for worker in workers():
                worker.kill()
        rows.append(row)
    assert sorted(row.name for row in rows) == ["0", "1", "2", "3", "4", "5", "none"]
    assert [row.name for row in rows if row.state != "ready"] == ["none"]


@pytest.fixture
def certificates(tmp_path: Path) -> tuple[str, str, str]:
    """Files of authority, certificate and key."""
    from distributed.security import Security

    made = Security.temporary()
    for name in ("tls_ca_file", "tls_client_cert", "tls_client_key"):
        (tmp_path / name).write_text(getattr(made, name))
    return tuple(os.fspath(tmp_path / name) for name in ("tls_ca_file", "tls_client_cert", "tls_client_key"))  # type: ignore[return-value]


@pytest.fixture
def scheduler(tmp_path: Path, certificates: tuple[str, str, str]) -> Iterator[str]:
    """A scheduler and a worker, started as the file for Kubernetes starts its containers, with TLS."""
    told = yaml.safe_load((CLUSTERS / "kubernetes.yaml").read_text("utf-8"))["spec"]
    one, worker = (told[kind]["spec"]["containers"][0] for kind in ("scheduler", "worker"))
    more = ["--no-dashboard"]
    for name, path in zip(("--tls-ca-file", "--tls-cert", "--tls-key"), certificates, strict=True):
        more += [name, path]
    environment = {variable["name"]: variable["value"] for variable in one["env"]}
    log, started = tmp_path / "scheduler.log", []

    def start(arguments: list[str], out: Path) -> None:
        with open(out, "w") as log:
            command = [sys.executable, "-m", *arguments, *more]
            started.append(
                subprocess.Popen(
                    command, stdout=log, stderr=log, cwd=tmp_path, env={**os.environ, **environment}
                )
            )

    try:
        start([*one["args"], "--host", "tls://127.0.0.1", "--port", "0"], log)
        address, until = "", time.monotonic() + 120
        while not address and time.monotonic() < until:
            found = re.search(r"Scheduler at:\s+(tls://[\d.:]+)", log.read_text())
            address = found[1] if found else ""
            time.sleep(0.1)
        assert address, log.read_text()
        environment |= {"DASK_WORKER_NAME": "one", "DASK_SCHEDULER_ADDRESS": address}  # as the operator does
        named = [
            word.replace("$(DASK_WORKER_NAME)", environment["DASK_WORKER_NAME"]) for word in worker["args"]
        ]
        start([*named, "--no-nanny", "--local-directory", os.fspath(tmp_path)], tmp_path / "worker.log")
        yield address
    finally:
        for process in started:
            process.kill()
            process.wait()


def test_a_scheduler_that_exists_gives_the_same_rows(
    tmp_path: Path, boxes: Path, scheduler: str, certificates: tuple[str, str, str], here
) -> None:
    plain = list(asked(boxes, Cluster()).rows(tmp_path / "plain"))
    here.undone()
    far = list(asked(boxes, Cluster(scheduler=scheduler, tls=certificates)).rows(tmp_path / "far"))
    assert figures(far) == figures(plain) and len(far) == 7


@pytest.mark.parametrize(
    ("address", "tls", "said"),
    [
        ("tcp://127.0.0.1:9", None, "no workers can be reached"),
        ("http://127.0.0.1:9", None, "no address of a scheduler"),
        ("tls://127.0.0.1:9", None, "no certificates are named"),
        ("tls://127.0.0.1:9", ("/nowhere", "/nowhere", "/nowhere"), "there is no such file"),
        ("tcp://127.0.0.1:9", ("/nowhere", "/nowhere", "/nowhere"), "asks for none"),
    ],
)
def test_a_scheduler_that_cannot_be_asked_is_said(
    tmp_path: Path, boxes: Path, monkeypatch, address: str, tls: tuple[str, str, str] | None, said: str
) -> None:
    monkeypatch.setattr(engine, "_ANSWER_S", 0.5)
    with pytest.raises(EngineError, match=said):
        list(asked(boxes, Cluster(scheduler=address, tls=tls)).rows(tmp_path / "out"))


def test_a_stopped_run_goes_on(tmp_path: Path, boxes: Path, here, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    command = ["screen", os.fspath(boxes), "--out", "out", "--depth", "look", "--ledger", "none"]
    started = [sys.executable, "-m", "falsework", *command, "--workers", "1"]
    with subprocess.Popen(started, cwd=tmp_path, stderr=subprocess.PIPE, text=True) as one:
        assert one.stderr is not None
        line = one.stderr.readline()  # the engine's link: it has begun
        assert "http://127.0.0.1" in line
        one.send_signal(signal.SIGTERM)
        rest = one.stderr.read()
    assert one.returncode == 1 and "goes on from there" in rest
    assert run(["screen", "out"]) == 0 and (tmp_path / "out" / "index.html").is_file()
    assert run(command) == 0
    said = capsys.readouterr().out
    assert "7 parts" in said and "1 failed, 6 looked at" in said
    assert len(list((tmp_path / "out" / "rows").glob("*.parquet"))) >= 1

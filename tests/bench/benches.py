"""A bench that is really served, in a process of its own, and what tests do with it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2 as httpx

PATIENCE_S = 120.0
RUN = "from falsework.cli import main; main()"


class Served:
    """``falsework bench`` on a free port, and a client that has been let in."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder = folder
        command = [sys.executable, "-c", RUN, "bench", "--port", "0", "--folder", str(folder), "--no-open"]
        command += ["--ledger", str(folder / "ledger.sqlite3")]
        self.process = subprocess.Popen(
            [*command, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
        )
        assert self.process.stdout is not None and self.process.stderr is not None
        line = self.process.stdout.readline()
        if "http://" not in line:
            said = self.process.communicate()[1]
            raise AssertionError(said)
        self.entrance = line.split()[-1]
        self.client = self.newcomer(self.entrance)

    def newcomer(self, entrance: str | None = None) -> httpx.Client:
        """One more browser."""
        if entrance is None:
            entrance = self.client.post("/api/invitations").json()["address"]
        base = entrance.partition("/enter")[0]
        client = httpx.Client(base_url=base, timeout=PATIENCE_S)
        assert client.get(entrance).status_code == 303
        return client

    def workers(self) -> list[int]:
        """Process ids of the workers, by what they were started as."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        return [
            int(child)
            for child in children
            if b"falsework.bench.worker" in Path(f"/proc/{child}/cmdline").read_bytes()
        ]

    def kill(self) -> None:
        """As when the power fails, but for the disk."""
        self.process.send_signal(signal.SIGKILL)
        self._gone()

    def stop(self) -> int:
        """As with Ctrl-C; the exit code."""
        self.process.send_signal(signal.SIGINT)
        return self._gone()

    def _gone(self) -> int:
        code = self.process.wait(30)
        self.client.close()
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()
        return code


def upload(client: httpx.Client, data: bytes, name: str = "part.stl", **query: Any) -> dict[str, Any]:
    """Drop a file; the sheet."""
    answer = client.post("/api/parts", params={"name": name, **query}, content=data)
    assert answer.status_code == 201, answer.text
    sheet: dict[str, Any] = answer.json()["sheet"]
    return sheet


def demo(client: httpx.Client, part: str) -> dict[str, Any]:
    """Begin with a part of the museum; the sheet."""
    task = client.post(f"/api/demo/{part}").json()
    end = time.monotonic() + PATIENCE_S
    while task["state"] in ("queued", "running") and time.monotonic() < end:
        time.sleep(0.03)
        task = client.get(f"/api/tasks/{task['id']}").json()
    return read(client, task["result"]["sheet"])


def read(client: httpx.Client, sheet: str) -> dict[str, Any]:
    answer = client.get(f"/api/sheets/{sheet}")
    assert answer.status_code == 200, answer.text
    out: dict[str, Any] = answer.json()
    return out


def wait(client: httpx.Client, sheet: str, stage: str, state: str = "ready") -> dict[str, Any]:
    """Wait until a stage is in ``state``; fail at once when it ends otherwise."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        found: dict[str, Any] = read(client, sheet)["stages"][stage]
        if found["state"] == state:
            return found
        assert found["state"] not in {"ready", "failed"} - {state}, found
        time.sleep(0.03)
    raise AssertionError(f"{stage} still {found}")


def result(client: httpx.Client, key: str, file: str) -> bytes:
    answer = client.get(f"/api/results/{key}/{file}")
    assert answer.status_code == 200, answer.text
    return answer.content


def change(client: httpx.Client, sheet: dict[str, Any], **what: Any) -> dict[str, Any]:
    """PATCH a sheet; the new one."""
    answer = client.patch(f"/api/sheets/{sheet['id']}", json={"version": sheet["version"], **what})
    assert answer.status_code == 200, answer.text
    out: dict[str, Any] = answer.json()
    return out


def events(answer: httpx.Response) -> Iterator[tuple[str, str, Any]]:
    """Id, name and data of server-sent events as they come."""
    told: dict[str, str] = {}
    for line in answer.iter_lines():
        if line:
            key, _, value = line.partition(": ")
            told[key] = value
        elif "event" in told:
            yield told["id"], told["event"], json.loads(told["data"])
            told = {}


def alive(process: int) -> bool:
    """Whether a process of that id runs."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True

"""Twenty people at once, each with a part of 200 k triangles: nothing fails, memory is bounded, pages answer.

Every client drops its own part (scaled by a hair, so that nothing is shared), waits for its undersides,
changes the gap, and waits for its supports. One more browser asks for the page's own requests all the while;
the table compares their time with that of an idle bench.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx2 as httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from bench.benches import Served, change, read, upload
from falsework.files.stl import write_stl
from falsework.part.demo import gull

_PAGE = ("/", "/api/sheets", "/api/bench", "/api/processes")
_PAGE_SIZE = os.sysconf("SC_PAGE_SIZE")


def _resident_mb(process: int) -> float:
    try:
        return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * _PAGE_SIZE / 1e6
    except (OSError, IndexError):
        return 0.0


def _own_requests(client: httpx.Client, until: threading.Event | None, rounds: int = 25) -> list[float]:
    """Times of the page's own requests, in seconds: for some rounds, or until the event."""
    taken: list[float] = []
    while (len(taken) < rounds * len(_PAGE)) if until is None else not until.is_set():
        for path in _PAGE:
            began = time.monotonic()
            answer = client.get(path)
            taken.append(time.monotonic() - began)
            assert answer.status_code == 200, (path, answer.status_code, answer.text[:200])
        time.sleep(0.05)
    return taken


def _one_client(client: httpx.Client, data: bytes, name: str, stage: str, failures: list[str]) -> None:
    try:
        sheet = upload(client, data, name)
        changed = False
        while True:
            now = read(client, sheet["id"])
            state = now["stages"][stage]
            if now["stages"]["undersides"]["state"] == "ready" and not changed:
                change(client, now, choices={"settings": {"structure.air_gap_layers": "2"}})
                changed = True
            elif state["state"] == "ready" and changed:
                return
            elif state["state"] == "failed":
                failures.append(f"{name}: {state['error']}")
                return
            time.sleep(0.5)
    except Exception as error:
        failures.append(f"{name}: {type(error).__name__}: {error}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--clients", type=int, default=20)
    parser.add_argument("--triangles", type=int, default=200_000)
    parser.add_argument("--stage", default="supports", help="how far every client's part is taken")
    parser.add_argument("--quick", action="store_true", help="4 clients with 20,000 triangles")
    told = parser.parse_args()
    if told.quick:
        told.clients, told.triangles = 4, 20_000
    with tempfile.TemporaryDirectory() as name:
        part, path = gull(told.triangles), Path(name) / "gull.stl"
        bench = Served(Path(name) / "data")
        try:
            watcher = bench.newcomer()
            time.sleep(5.0)
            _own_requests(watcher, None, 3)
            idle = _own_requests(watcher, None)
            over, failures = threading.Event(), list[str]()
            busy: list[float] = []
            peaks = {"server": 0.0, "workers": 0.0}

            def look() -> None:
                while not over.wait(0.2):
                    peaks["server"] = max(peaks["server"], _resident_mb(bench.process.pid))
                    peaks["workers"] = max([peaks["workers"], *map(_resident_mb, bench.workers())])

            def answer() -> None:
                try:
                    busy.extend(_own_requests(watcher, over))
                except Exception as error:
                    failures.append(f"page: {type(error).__name__}: {error}")

            watching = [threading.Thread(target=look), threading.Thread(target=answer)]
            clients = []
            for k in range(told.clients):
                write_stl(path, part.vertices * (1.0 + 1e-4 * k), part.faces, f"gull {k}")
                given = (bench.newcomer(), path.read_bytes(), f"gull {k}.stl", told.stage, failures)
                clients.append(threading.Thread(target=_one_client, args=given))
            began = time.monotonic()
            for thread in (*watching, *clients):
                thread.start()
            for thread in clients:
                thread.join()
            wall = time.monotonic() - began
            over.set()
            for thread in watching:
                thread.join()
        finally:
            code = bench.stop()
        triangles = f"{len(part.faces):,}"
    print(f"\n{told.clients} clients, {triangles} triangles each, to {told.stage}: {wall:.0f} s\n")
    print(f"failed: {len(failures)}; exit code of the server: {code}")
    for failure in failures:
        print(f"  {failure}")
    print(f"\nmost memory: server {peaks['server']:.0f} MB, one worker {peaks['workers']:.0f} MB\n")
    print("| the page's own requests | median ms | 95 % ms | worst ms | count |\n|---|---:|---:|---:|---:|")
    for words, times in (("idle", idle), ("busy", busy)):
        ms = 1000.0 * np.array(times)
        row = f"{np.median(ms):.1f} | {np.quantile(ms, 0.95):.1f} | {ms.max():.0f} | {len(ms)}"
        print(f"| {words} | {row} |")
    print(
        f"\nbusy over idle: {np.median(busy) / np.median(idle):.1f} in the middle, "
        f"{np.quantile(busy, 0.95) / np.quantile(idle, 0.95):.1f} at 95 %"
    )


if __name__ == "__main__":
    main()

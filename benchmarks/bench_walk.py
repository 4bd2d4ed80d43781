"""A random walk over a bench that runs: edits, undo, redo, stop, begin again, killed workers, at any speed.

When nobody does anything more, every stage of every sheet must come to rest: ready, told as failed, or
stopped by whoever stopped it; and nothing may go on working.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import httpx2 as httpx

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from bench.benches import Served, demo, read

STAGES = ("part", "undersides", "totals", "supports", "release", "remedies", "files", "faces", "patches")
BY_ITSELF = STAGES[:5]
GAPS = ("0.2", "0.3", "0.4", "0.6")
TURNS = ([0, 0, 0], [180, 0, 0], [90, 0, 0])
REST = {"ready", "failed", "idle"}


def _restless(states: dict[str, dict[str, Any]]) -> list[str]:
    return [
        f"{sheet} {stage}: {one}"
        for sheet, stages in states.items()
        for stage, one in stages.items()
        if one["state"] not in REST
    ]


class Walk:
    """One bench, some sheets, and what was done so far."""

    def __init__(self, served: Served, sheets: list[str], seed: int, kills: int) -> None:
        self.served, self.client, self.sheets = served, served.client, sheets
        self.chance, self.kills_left = random.Random(seed), kills
        self.done: Counter[str] = Counter()
        self.stopped: set[tuple[str, str]] = set()

    def step(self) -> None:
        sheet = self.chance.choice(self.sheets)
        weights = {"edit": 30, "undo": 22, "redo": 14, "stop": 14, "begin": 14, "look": 4, "kill": 2}
        what = self.chance.choices(list(weights), weights=list(weights.values()))[0]
        getattr(self, f"_{what}")(sheet)
        self.done[what] += 1
        if self.chance.random() < 0.15:
            time.sleep(self.chance.random() * 0.4)

    def _edit(self, sheet: str) -> None:
        change = self.chance.choice(
            [
                {"settings": {"structure.air_gap_mm": self.chance.choice(GAPS)}},
                {"turn_deg": self.chance.choice(TURNS)},
                {"standing": self.chance.choice(["auto", "leave", "bed", "bed-or-part"])},
                {"overrules": {"1": self.chance.choice(["leave", "bed", None])}},
            ]
        )
        self._sent("PATCH", sheet, "", {"version": read(self.client, sheet)["version"], "choices": change})

    def _undo(self, sheet: str) -> None:
        self._sent("POST", sheet, "/undo", {"version": read(self.client, sheet)["version"]})

    def _redo(self, sheet: str) -> None:
        self._sent("POST", sheet, "/redo", {"version": read(self.client, sheet)["version"]})

    def _stop(self, sheet: str) -> None:
        self._sent("DELETE", sheet, f"/stages/{self.chance.choice(STAGES)}")

    def _begin(self, sheet: str) -> None:
        self._sent("POST", sheet, f"/stages/{self.chance.choice(STAGES)}")

    def _look(self, sheet: str) -> None:
        assert self.client.get("/api/sheets").status_code == 200

    def _kill(self, sheet: str) -> None:
        workers = self.served.workers()
        if workers and self.kills_left:
            self.kills_left -= 1
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.chance.choice(workers), signal.SIGKILL)

    def _sent(self, method: str, sheet: str, path: str, body: Any = None) -> httpx.Response:
        answer = self.client.request(method, f"/api/sheets/{sheet}{path}", json=body)
        assert answer.status_code in (200, 202, 409), (method, path, answer.status_code, answer.text)
        return answer

    def states(self) -> dict[str, dict[str, Any]]:
        return {sheet: read(self.client, sheet)["stages"] for sheet in self.sheets}

    def rest(self, patience_s: float) -> dict[str, dict[str, Any]]:
        """Ask for everything that was stopped again, and wait until all has come to rest."""
        for sheet in self.sheets:
            self._sent("POST", sheet, "/stages/release")
        end = time.monotonic() + patience_s
        while True:
            states, busy = self.states(), self.client.get("/api/bench").json()["busy"]
            told = {one["state"] for stages in states.values() for one in stages.values()}
            if told <= REST and busy == {"running": 0, "waiting": 0}:
                return states
            if time.monotonic() > end:
                raise AssertionError(f"stuck: {busy}, {_restless(states)}")
            time.sleep(0.05)


def walked(served: Served, steps: int, seed: int, kills: int, sheets: int = 2) -> Counter[str]:
    """Walk, come to rest, and hold every sheet to it; what was done."""
    ids = [demo(served.client, "table")["id"] for _ in range(sheets)]
    walk = Walk(served, ids, seed, kills)
    for _ in range(steps):
        walk.step()
    for stages in walk.rest(600.0).values():
        for stage in BY_ITSELF:
            assert stages[stage]["state"] == "ready" or stages[stage]["error"], stages
    return walk.done


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--steps", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=19)
    parser.add_argument("--kills", type=int, default=50)
    arguments = parser.parse_args()
    served = Served(Path(tempfile.mkdtemp()) / "data", "--workers", "2")
    began = time.monotonic()
    done = walked(served, arguments.steps, arguments.seed, arguments.kills)
    print(f"{sum(done.values())} steps in {time.monotonic() - began:.0f} s, no stage stuck: {dict(done)}")
    served.stop()


if __name__ == "__main__":
    main()

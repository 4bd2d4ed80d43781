"""Faults planted in the core, one at a time, and how many of them the tests of the room find.

    python benchmarks/mutants.py [--each 25] [--seed 8] [--rooms droop,support] [--cores 1] [--map FOLDER]

A fault is one small change to the source of a room: a comparison turned round, a sign, a factor, 'and' for
'or', the smaller for the larger, a term dropped, two arguments swapped, a constant doubled, a condition
denied; as many of each kind as there are, by chance (``planting/faults.py``). The seeds of samples that were
taken stand in mutants.toml, so that they can be taken again; the last of them is the one that no test was
written for. Those that tests once missed are planted by name, from mutants.toml too.

A room's tests are collected once, and each fault is planted in a fork of that process (``planting/warm.py``).
First all tests run without a fault, file by file, while coverage.py notes which lines each of them runs:
once, for the map is kept in a folder, and only files of tests that were changed since are run again. Those
that fail then, or take more than ``--longest`` seconds by themselves, are not asked. Then of each fault only
those tests run that run its line, the quickest first, up to the first that fails and to ``--most`` seconds in
all. Seconds are those of the processor. A fault counts as found where a test fails with it that passes alone
without it. What stands outside functions is planted as its module is imported, in a process of its own
(``planting/sitecustomize.py``). What survives: either a test is missing, or the change makes no difference,
and mutants.toml says why.

Compiled kernels are left out: their tests hold them against plain references. Words of errors are not
changed, nor tolerances below a millionth. The tools at hand for this run all tests of a file for each fault,
or want the sources copied, and the kernels compiled, once for each.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from math import log2
from pathlib import Path
from typing import IO, Any

from planting.faults import PACKAGE, Fault, named, sample

ROOT = Path(__file__).parents[1]
PLANTING = Path(__file__).parent / "planting"
ROOMS = {
    "droop": ("tests/droop", "tests/need", "tests/outside/test_droop_published.py"),
    "support": ("tests/support", "tests/properties/test_support_properties.py"),
    "release": ("tests/release", "tests/properties/test_release_properties.py"),
    "orientation": ("tests/orientation", "tests/properties/test_orientation_properties.py"),
    "objective": ("tests/objective", "tests/orientation", "tests/support/test_choosing.py"),
    "ledger": ("tests/ledger",),
    "auditing": ("tests/auditing",),
    "tuning": ("tests/tuning",),
}
MAP = ROOT / "build" / "mutants"
PASSED = 0  # as pytest ends
PATIENCE, GRACE_S = 3.0, 10.0  # times what the tests take without a fault, and beside it: longer hangs
BUSY = 8.0  # seconds that pass for one of the processor's, on a machine that others use too
START_S = 15.0  # of a process of its own, until its first test


class Warm:
    """One process that has collected the tests of a room; see ``planting/warm.py``."""

    def __init__(self, places: Sequence[str]) -> None:
        heard, orders = os.pipe()
        answers, said = os.pipe()
        command = _command(["-p", "warm", *(p for p in places if (ROOT / p).exists())])
        given = _environment({"WARM_PIPES": f"{heard},{said}"})
        self.process = subprocess.Popen(
            command, cwd=ROOT, env=given, pass_fds=(heard, said), stdout=subprocess.DEVNULL
        )
        os.close(heard)
        os.close(said)
        self.orders: IO[str] = os.fdopen(orders, "w", encoding="utf-8")
        self.answers: IO[str] = os.fdopen(answers, encoding="utf-8")
        first = self.answers.readline()
        if not first:
            raise SystemExit(f"pytest cannot collect {' '.join(places)}")
        self.tests: list[str] = json.loads(first)["items"]

    def ask(self, tests: Sequence[str], cpu_s: float, **order: Any) -> dict[str, Any]:
        told = {"tests": list(tests), "cpu_s": cpu_s, "wall_s": BUSY * cpu_s, **order}
        self.orders.write(json.dumps(told) + "\n")
        self.orders.flush()
        answer: dict[str, Any] = json.loads(self.answers.readline())
        return answer

    def __enter__(self) -> Warm:
        return self

    def __exit__(self, *_: object) -> None:
        self.orders.close()
        self.process.wait()
        self.answers.close()


def _command(arguments: Sequence[str]) -> list[str]:
    return [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *arguments]


def _environment(more: dict[str, str]) -> dict[str, str]:
    """One core each, no graphics processor; this tree's sources."""
    paths = os.pathsep.join([str(PLANTING), str(ROOT / "src"), os.environ.get("PYTHONPATH", "")])
    return os.environ | {"PYTHONPATH": paths, "OMP_NUM_THREADS": "1", "CUDA_VISIBLE_DEVICES": ""} | more


@dataclass
class Lines:
    """Which tests run which lines, and what each costs, file by file of the tests."""

    folder: Path
    longest_s: float
    cost_s: dict[str, float] = field(default_factory=dict)
    of: dict[str, dict[int, set[str]]] = field(default_factory=lambda: defaultdict(lambda: defaultdict(set)))

    def learn(self, warm: Warm) -> None:
        """From the map's folder; files of tests that are not there as they are now are run first."""
        files: defaultdict[str, list[str]] = defaultdict(list)
        for test in warm.tests:
            files[test.partition("::")[0]].append(test)
        for file, tests in files.items():
            digest = hashlib.sha256((ROOT / file).read_bytes()).hexdigest()[:16]
            kept = self.folder / f"{file.replace('/', '.')}.{digest}.json"
            if not kept.exists():
                start = time.monotonic()
                rooms = [f"{PACKAGE}/{room}/*" for room in ROOMS]
                told = warm.ask(tests, 20.0 + 20.0 * len(tests), record=rooms, each_s=self.longest_s)
                if "own_s" not in told:
                    print(f"  {file}: {told}: not asked", flush=True)
                    continue
                took = f"{sum(told['own_s'].values()):.1f} s, {time.monotonic() - start:.0f} s by the clock"
                print(f"  {file}: {len(told['own_s'])} of {len(tests)} tests, {took}", flush=True)
                if told["failed"]:
                    print(f"    fail without a fault, and are not asked: {told['failed']}", flush=True)
                told["digests"] = {source: _digest(source) for source in told["lines"]}
                self.folder.mkdir(parents=True, exist_ok=True)
                kept.write_text(json.dumps(told), "utf-8")
            self._take(json.loads(kept.read_text("utf-8")))

    def _take(self, told: dict[str, Any]) -> None:
        """Lines of a source that was changed since have moved: any of it stands for all."""
        for test, own_s in told["own_s"].items():
            self.cost_s[test] = own_s + sum(told["shared_s"].get(key, 0.0) for key in told["shared"][test])
        for source, by_line in told["lines"].items():
            moved = not Path(source).exists() or told["digests"][source] != _digest(source)
            for line, tests in by_line.items():
                self.of[source][0].update(tests)
                if not moved:
                    self.of[source][int(line)].update(tests)
            if moved:
                self.of[source][-1].update(self.of[source][0])

    def tests(self, fault: Fault, most_s: float) -> list[str]:
        """Those that run the fault, the quickest first and those of a file together, as far as ``most_s``
        reaches. What runs on import alone may show in any test that uses the module."""
        lines = self.of.get(str(fault.path), {})
        users = {test for line in (*fault.lines, -1) for test in lines.get(line, ())}
        users = (users or set(lines.get(0, ()))) & self.cost_s.keys()
        asked, spent = [], 0.0
        for test in sorted(users, key=self._turn):
            spent += self.cost_s[test]
            if asked and spent > most_s:
                break
            asked.append(test)
        return asked

    def _turn(self, test: str) -> tuple[int, str, float]:
        cost_s = self.cost_s[test]
        return round(log2(max(cost_s, 0.01))), test.partition("::")[0], cost_s


def _digest(source: str) -> str:
    return hashlib.sha256(Path(source).read_bytes()).hexdigest()[:16]


@dataclass(frozen=True)
class Judged:
    """What became of a fault: whether it was found, and by what; None where nothing can be said."""

    found: bool | None
    by: str = ""


@dataclass
class Judge:
    """Holds a room's faults against its tests. ``sound`` are tests that passed alone, without a fault and
    beside nothing else, and ``unsound`` those that did not: no witnesses."""

    warm: Warm
    lines: Lines
    most_s: float
    sound: set[str] = field(default_factory=set)
    unsound: set[str] = field(default_factory=set)

    def judged(self, fault: Fault) -> Judged:
        tests = self.lines.tests(fault, self.most_s)
        while asked := [test for test in tests if test not in self.unsound]:
            cost_s = sum(self.lines.cost_s[test] for test in asked)
            answer = self.warm.ask(asked, PATIENCE * cost_s + GRACE_S, fault=fault.planted)
            if answer.get("late"):
                return Judged(True, "took too long")
            if answer.get("broken"):
                return Judged(True, answer["broken"])
            if answer.get("afresh"):
                return self._afresh(fault, asked, PATIENCE * cost_s + START_S + GRACE_S)
            if not answer["failed"]:
                return Judged(False)
            if self._witness(answer["failed"][0]):
                return Judged(True, answer["failed"][0])
        return Judged(False, "all its tests fail without it" if tests else "run by no test")

    def _witness(self, test: str) -> bool:
        if test not in self.sound | self.unsound:
            answer = self.warm.ask([test], PATIENCE * self.lines.cost_s[test] + GRACE_S)
            (self.sound if answer.get("failed") == [] else self.unsound).add(test)
        return test in self.sound

    def _afresh(self, fault: Fault, tests: Sequence[str], cpu_s: float) -> Judged:
        code, failed = afresh(tests, fault, BUSY * cpu_s)
        if code == PASSED:
            return Judged(False)
        if code is None:
            return Judged(True, "took too long")
        if not failed:  # nothing could be collected, or all of it crashed
            whole = afresh(tests, None, None, "--collect-only")[0] == PASSED
            return Judged(True, f"ended with {code}") if whole else Judged(None, "cannot be collected")
        return (
            Judged(True, failed[0]) if self._witness(failed[0]) else Judged(None, f"{failed[0]} is unsound")
        )


def afresh(
    tests: Sequence[str], fault: Fault | None, patience_s: float | None, *more: str
) -> tuple[int | None, list[str]]:
    """How the tests end in a process of their own, None where it takes too long, and the first that fails."""
    with tempfile.TemporaryDirectory() as place:
        listed, told = Path(place) / "tests.txt", Path(place) / "failed.json"
        listed.write_text("\n".join(tests), "utf-8")
        given = {"FAILED_TESTS": str(told)}
        if fault is not None:
            given["PLANTED_FAULT"] = json.dumps(fault.planted)
        command = _command(["-x", "-p", "failing", *more, f"@{listed}"])
        try:
            done = subprocess.run(
                command,
                cwd=ROOT,
                env=_environment(given),
                capture_output=True,
                timeout=patience_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return None, []
        return done.returncode, json.loads(told.read_text("utf-8")) if told.exists() else []


def main() -> None:
    told = tomllib.loads((Path(__file__).parent / "mutants.toml").read_text("utf-8"))
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--each", type=int, default=25, help="faults in each room")
    parser.add_argument("--seed", type=int, default=told["sample"][-1]["seed"])
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--cores", type=int, default=1, help="rooms at a time")
    parser.add_argument(
        "--map", type=Path, default=ROOT / "build" / "mutants", help="which tests run which lines"
    )
    parser.add_argument("--seconds", type=float, default=1e9, help="that each room has")
    parser.add_argument("--most", type=float, default=20.0, help="seconds of tests that a fault meets")
    parser.add_argument("--longest", type=float, default=5.0, help="seconds of one test that is asked")
    parser.add_argument("--only", default="", help="faults whose name holds this")
    asked = parser.parse_args()
    rooms = asked.rooms.split(",")
    equal = {one["fault"] for one in told.get("equal", ())}
    by_name: defaultdict[str, list[Fault]] = defaultdict(list)
    for room, fault in named(told["named"]):
        by_name[room].append(fault)
    results: dict[tuple[str, Fault], Judged] = {}

    def worked(room: str) -> None:
        faults = [f for f in [*by_name[room], *sample(room, asked.each, asked.seed)] if asked.only in str(f)]
        for fault, judged in of_room(room, faults, asked):
            results[room, fault] = judged
            word = "found" if judged.found else "equal" if fault.key in equal else "SURVIVED"
            print(f"  {word if judged.found is not None else '?':8} {fault}  [{judged.by}]", flush=True)

    with ThreadPoolExecutor(asked.cores) as pool:
        list(pool.map(worked, rooms))
    _tell(results, equal)


def of_room(room: str, faults: Sequence[Fault], asked: argparse.Namespace) -> Any:
    """Each fault of a room with what became of it; those that no time was left for are not there."""
    until = time.monotonic() + asked.seconds
    lines = Lines(asked.map, asked.longest)
    with Warm(ROOMS.get(room, ())) as warm:
        lines.learn(warm)
        print(f"{room}: {len(lines.cost_s)} tests, {len(faults)} faults", flush=True)
        judge = Judge(warm, lines, asked.most)
        for fault in faults:
            if time.monotonic() > until:
                return
            if fault.tests:
                code, failed = afresh(fault.tests, fault, None)
                yield fault, Judged(code != PASSED, (failed or [""])[0])
            else:
                yield fault, judge.judged(fault)
        for test in sorted(judge.unsound):
            print(f"  no witness, fails alone: {test}")


def _tell(results: dict[tuple[str, Fault], Judged], equal: set[str]) -> None:
    """The score of each room: of faults that could be noticed."""
    rows: defaultdict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for (room, fault), judged in results.items():
        if judged.found is None:
            continue
        for name in (room, "all"):
            rows[name][0 if judged.found else 2 if fault.key in equal else 1] += 1
    for name in [*(name for name in rows if name != "all"), *(("all",) if rows else ())]:
        found, survived, same = rows[name]
        share = 100.0 * found / max(found + survived, 1)
        print(f"{name:12} {found:3} of {found + survived} found, {share:.0f} %; {same} make no difference")


if __name__ == "__main__":
    main()

"""Faults planted in the core, one at a time, and how many of them the tests of the room find.

    python benchmarks/mutants.py [--each 25] [--seed 8] [--rooms droop,support] [--cores 2] [--map FOLDER]

A fault is one small change to the source of a room: a comparison turned round, a sign, a factor, 'and' for
'or', the smaller for the larger, a term dropped, two arguments swapped, a constant doubled, a condition
denied; as many of each kind as there are, by chance (``planting/faults.py``). The seeds of samples that were
taken stand in mutants.toml, so that they can be taken again; the last of them is the one that no test was
written for. Those that tests once missed are planted by name, from mutants.toml too.

Tests are collected once, and each fault is planted in a fork of that process (``planting/warm.py``), turn by
turn in each room, so that all rooms get as far as the time reaches. First all tests run without a fault, file
by file, while coverage.py notes which lines each of them runs: once, for the map is kept in a folder, and
only files of tests that were changed since are run again. Those that fail then, or take more than
``--longest`` seconds by themselves, are not asked. Then of each fault only those tests run that run its line,
the quickest first, up to the first that fails and to ``--most`` seconds in all. Seconds are those of the
processor. A fault counts as found where a test fails with it that passes alone without it. What runs on
import alone is planted as its module is imported, in a process of its own, where no test has failed before
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
from itertools import zip_longest
from math import log2
from pathlib import Path
from queue import SimpleQueue
from typing import IO, Any

from falsework.cores import own_cores
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
QUICK_S = 0.5  # of a test that may be run once more to have loaded what others need
START_S = 15.0  # of a process of its own, until its first test


class Warm:
    """A process that has collected tests, and as many forks of it as orders are carried out at a time; see
    ``planting/warm.py``. ``tests`` are the names of all."""

    def __init__(self, places: Sequence[str], cores: int) -> None:
        theirs, self.ours = [], list[tuple[IO[str], IO[str]]]()
        for _ in range(cores):
            (heard, orders), (answers, said) = os.pipe(), os.pipe()
            theirs.append((heard, said))
            self.ours.append((os.fdopen(orders, "w", encoding="utf-8"), os.fdopen(answers, encoding="utf-8")))
        command = _command(["-p", "warm", *(place for place in places if (ROOT / place).exists())])
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=_environment({"WARM_PIPES": ";".join(f"{heard},{said}" for heard, said in theirs)}),
            pass_fds=[end for pair in theirs for end in pair],
            stdout=subprocess.DEVNULL,
        )
        for pair in theirs:
            os.close(pair[0])
            os.close(pair[1])
        first = self.ours[0][1].readline()
        if not first:
            raise SystemExit(f"pytest cannot collect {' '.join(places)}")
        self.tests: list[str] = json.loads(first)["items"]
        self.free: SimpleQueue[tuple[IO[str], IO[str]]] = SimpleQueue()

    def begin(self, tests: Sequence[str]) -> None:
        """Run these once, so that what they need is loaded; then orders are taken."""
        self._say(self.ours[0][0], list(tests))
        for pair in self.ours:
            self.free.put(pair)

    def ask(self, tests: Sequence[str], cpu_s: float, **order: Any) -> dict[str, Any]:
        orders, answers = pair = self.free.get()
        self._say(orders, {"tests": list(tests), "cpu_s": cpu_s, "wall_s": BUSY * cpu_s, **order})
        answer: dict[str, Any] = json.loads(answers.readline())
        self.free.put(pair)
        return answer

    def _say(self, orders: IO[str], what: Any) -> None:
        orders.write(json.dumps(what) + "\n")
        orders.flush()

    def __enter__(self) -> Warm:
        return self

    def __exit__(self, *_: object) -> None:
        for orders, _ in self.ours:
            orders.close()
        self.process.wait()


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

    def learn(self, warm: Warm, cores: int) -> None:
        """From the map's folder; files of tests that are not there as they are now are run first."""
        files: defaultdict[str, list[str]] = defaultdict(list)
        for test in warm.tests:
            files[test.partition("::")[0]].append(test)
        kept = {file: self.folder / f"{file.replace('/', '.')}.{_digest(ROOT / file)}.json" for file in files}
        for path in kept.values():
            if path.exists():
                self._take(json.loads(path.read_text("utf-8")))
        warm.begin(self._beforehand())
        missing = [file for file in files if not kept[file].exists()]
        self.folder.mkdir(parents=True, exist_ok=True)
        with ThreadPoolExecutor(cores) as pool:
            for _ in pool.map(lambda file: self._recorded(warm, file, files[file], kept[file]), missing):
                pass

    def _recorded(self, warm: Warm, file: str, tests: Sequence[str], path: Path) -> None:
        rooms = [f"{PACKAGE}/{room}/*" for room in ROOMS]
        told = warm.ask(
            tests, START_S + 4.0 * self.longest_s * len(tests), record=rooms, each_s=self.longest_s
        )
        if "own_s" not in told:
            print(f"  {file}: {told}: not asked", flush=True)
            return
        print(f"  {file}: {len(told['own_s'])} of {len(tests)} tests", flush=True)
        if told["failed"]:
            print(f"    fail without a fault, and are not asked: {told['failed']}", flush=True)
        told["digests"] = {source: _digest(Path(source)) for source in told["lines"]}
        path.write_text(json.dumps(told), "utf-8")
        self._take(told)

    def _take(self, told: dict[str, Any]) -> None:
        """Lines of a source that was changed since have moved: any of it stands for all."""
        for test, own_s in told["own_s"].items():
            self.cost_s[test] = own_s + sum(told["shared_s"].get(key, 0.0) for key in told["shared"][test])
        for source, by_line in told["lines"].items():
            moved = not Path(source).exists() or told["digests"][source] != _digest(Path(source))
            for line, tests in by_line.items():
                self.of[source][0].update(tests)
                if not moved:
                    self.of[source][int(line)].update(tests)
            if moved:
                self.of[source][-1].update(self.of[source][0])

    def _beforehand(self) -> list[str]:
        """Of each file the quick test that runs the most lines: it loads most of what the others need."""
        ran: defaultdict[str, int] = defaultdict(int)
        for by_line in self.of.values():
            for tests in by_line.values():
                for test in tests:
                    ran[test] += 1
        found: dict[str, str] = {}
        for test in sorted(self.cost_s, key=lambda test: ran[test]):
            if self.cost_s[test] <= QUICK_S:
                found[test.partition("::")[0]] = test
        return list(found.values())

    def tests(self, fault: Fault, within: Sequence[str], most_s: float) -> tuple[list[str], bool]:
        """Those of these places that run the fault, the quickest first and those of a file together, as far
        as ``most_s`` reaches; and whether any does. What runs on import alone may show in any of them."""
        places = tuple(f"{place}{end}" for place in within for end in ("/", "::"))
        mine = {test for test in self.cost_s if test.startswith(places)}
        lines = self.of.get(str(fault.path), {})
        users = {test for line in (*fault.lines, -1) for test in lines.get(line, ())} & mine
        asked, spent = [], 0.0
        for test in sorted(users or mine, key=self._turn):
            spent += self.cost_s[test]
            if asked and spent > most_s:
                break
            asked.append(test)
        return asked, bool(users)

    def _turn(self, test: str) -> tuple[int, str, float]:
        cost_s = self.cost_s[test]
        return round(log2(max(cost_s, 0.01))), test.partition("::")[0], cost_s


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


@dataclass(frozen=True)
class Judged:
    """What became of a fault: whether it was found, and by what; None where nothing can be said."""

    found: bool | None
    by: str = ""


@dataclass
class Judge:
    """Holds faults against the tests of their rooms. ``sound`` are tests that passed alone, without a fault
    and beside nothing else, and ``unsound`` those that did not: no witnesses."""

    warm: Warm
    lines: Lines
    most_s: float
    sound: set[str] = field(default_factory=set)
    unsound: set[str] = field(default_factory=set)

    def judged(self, room: str, fault: Fault) -> Judged:
        if fault.tests:
            code, failed = afresh(fault.tests, fault, None)
            return Judged(code != PASSED, (failed or [""])[0])
        tests, run = self.lines.tests(fault, ROOMS[room], self.most_s)
        while asked := [test for test in tests if test not in self.unsound]:
            cost_s = sum(self.lines.cost_s[test] for test in asked)
            answer = self.warm.ask(asked, PATIENCE * cost_s + GRACE_S, fault=fault.planted)
            if answer.get("late"):
                return Judged(True, "took too long")
            if answer.get("broken"):
                return Judged(True, answer["broken"])
            if answer.get("afresh") or not (answer["failed"] or run):
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
    parser.add_argument("--cores", type=int, default=own_cores())
    parser.add_argument("--map", type=Path, default=MAP, help="which tests run which lines")
    parser.add_argument("--seconds", type=float, default=1e9, help="after which no more is begun")
    parser.add_argument("--most", type=float, default=20.0, help="seconds of tests that a fault meets")
    parser.add_argument("--longest", type=float, default=5.0, help="seconds of one test that is asked")
    parser.add_argument("--only", default="", help="faults whose name holds this")
    asked = parser.parse_args()
    rooms, until = asked.rooms.split(","), time.monotonic() + asked.seconds
    equal = {one["fault"] for one in told.get("equal", ())}
    samples = [[(room, fault) for fault in sample(room, asked.each, asked.seed)] for room in rooms]
    queue = [(room, fault) for room, fault in named(told["named"]) if room in rooms]
    queue += [one for turn in zip_longest(*samples) for one in turn if one is not None]
    queue = [(room, fault) for room, fault in queue if asked.only in str(fault)]
    results: dict[tuple[str, Fault], Judged] = {}
    lines = Lines(asked.map, asked.longest)
    places = dict.fromkeys(place for room in rooms for place in ROOMS[room])
    with Warm(list(places), asked.cores) as warm, ThreadPoolExecutor(asked.cores) as pool:
        lines.learn(warm, asked.cores)
        print(f"{len(lines.cost_s)} tests, {len(queue)} faults", flush=True)
        judge = Judge(warm, lines, asked.most)

        def worked(one: tuple[str, Fault]) -> None:
            if time.monotonic() > until:
                return
            judged = results[one] = judge.judged(*one)
            word = "found" if judged.found else "equal" if one[1].key in equal else "SURVIVED"
            print(f"  {word if judged.found is not None else '?':8} {one[1]}  [{judged.by}]", flush=True)

        list(pool.map(worked, queue))
    for test in sorted(judge.unsound):
        print(f"no witness, fails alone: {test}")
    _tell(results, equal)
    if len(results) < len(queue):
        print(f"{len(queue) - len(results)} were not judged: no time was left")


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

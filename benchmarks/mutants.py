"""Faults planted in the core, one at a time, and how many of them the tests of the room find.

    python benchmarks/mutants.py [--each 40] [--seed 1] [--rooms droop,support] [--cores 2] [--map FILE]

A fault is one small change to the source of a room: a comparison turned round, a sign, a factor, 'and' for
'or', the smaller for the larger, a term dropped, two arguments swapped, a constant doubled, a condition
denied; as many of each kind as there are, by chance. Those that tests once missed are planted by name, from
mutants.toml. A fault is planted as its module is imported (``planting``), so kernels stay compiled, and as
many run at once as there are cores. First all tests run without a fault while coverage.py notes which lines
each of them runs; those that fail are not asked. Then of each fault only those tests run that run its line,
the quick ones first, and then those of the same files, which may stand on what the others have made. A fault
counts as found where a test fails with it that passes alone without it. Each is listed as it is judged. What
survives: either a test is missing, or the change makes no difference, and mutants.toml says why.

Compiled kernels are left out: their tests hold them against plain references. Words of errors are not
changed, nor tolerances below a millionth. The tools at hand for this run all tests of a file for each fault,
or want the sources copied, and the kernels compiled, once for each.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field
from functools import cache
from itertools import accumulate, zip_longest
from pathlib import Path
from typing import Any

from falsework.cores import own_cores

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "src" / "falsework"
LEFT_OUT = ("orientation/device.py",)  # runs on a graphics processor alone
PLANTING = Path(__file__).parent / "planting"
ROOMS = {
    "droop": ("tests/droop", "tests/need", "tests/outside/test_droop_published.py"),
    "support": ("tests/support", "tests/properties/test_support_properties.py"),
    "release": ("tests/release", "tests/properties/test_release_properties.py"),
    "orientation": (
        "tests/orientation",
        "tests/properties/test_orientation_properties.py",
        "tests/planning/test_orienting.py",
    ),
    "objective": ("tests/objective", "tests/orientation", "tests/support/test_choosing.py"),
    "ledger": ("tests/ledger",),
    "auditing": ("tests/auditing",),
    "tuning": ("tests/tuning",),
}
TINY = 1e-6  # constants that are smaller keep sums from dividing by nothing
PASSED, FAILED, LATE = 0, 1, -99  # as pytest ends, and where it does not
PARTS, LARGE_BYTES = 4, 20_000  # files of tests so large are recorded in so many parts, side by side
PATIENCE, GRACE_S = 3.0, 40.0  # times what the tests take without a fault, and for a start: longer hangs

COMPARED = {ast.Lt: ">", ast.LtE: ">", ast.Gt: "<", ast.GtE: "<", ast.Eq: "!=", ast.NotEq: "=="}
REVERSED = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*"}
OTHER_NAME = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
    "floor": "ceil",
    "ceil": "floor",
}


@dataclass(frozen=True)
class Fault:
    """One change: what stands in a file between two offsets becomes ``text``. ``lines`` are run by whatever
    test may notice; ``beside`` is the whole of the line where it starts; ``tests`` are asked in place of the
    room's where there are any."""

    path: Path
    lines: tuple[int, ...]
    start: int
    end: int
    was: str
    text: str
    kind: str
    beside: str = ""
    tests: tuple[str, ...] = field(default=())

    @property
    def module(self) -> str:
        return ".".join(self.path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")

    @property
    def key(self) -> str:
        """As mutants.toml calls it: without the line's number, which moves; a constant with its line."""
        change = f"{_one_line(self.was)} -> {_one_line(self.text)}"
        where = f" in {self.beside}" if self.kind == "double" else ""
        return f"{self.path.relative_to(PACKAGE)}: {change}{where}"

    def __str__(self) -> str:
        where = f"{self.path.relative_to(PACKAGE)}:{self.lines[-1]}"
        return f"{where}: {_one_line(self.was)} -> {_one_line(self.text)}"


def _one_line(text: str) -> str:
    return " ".join(text.split())


class _Sites(ast.NodeVisitor):
    """All changes that one file offers."""

    def __init__(self, path: Path) -> None:
        self.path, self.source = path, path.read_bytes()
        starts = [0]
        for line in self.source.splitlines(keepends=True):
            starts.append(starts[-1] + len(line))
        self.starts, self.statement, self.found = starts, 1, list[Fault]()
        self.visit(ast.parse(self.source))

    def visit(self, node: ast.AST) -> None:
        if isinstance(node, ast.stmt):
            self.statement = node.lineno
        super().visit(node)

    def _put(self, node: ast.expr, text: str, kind: str) -> None:
        assert node.end_lineno is not None and node.end_col_offset is not None
        start = self.starts[node.lineno - 1] + node.col_offset
        end = self.starts[node.end_lineno - 1] + node.end_col_offset
        was = self.source[start:end].decode()
        lines = (self.statement, *range(node.lineno, node.end_lineno + 1))
        beside = self.source[self.starts[node.lineno - 1] : self.starts[node.lineno]].decode().strip()
        self.found.append(Fault(self.path, lines, start, end, was, text, kind, beside))

    def visit_Compare(self, node: ast.Compare) -> None:
        kind = type(node.ops[0])
        if len(node.ops) == 1 and kind in COMPARED:
            self._put(node, f"({_text(node.left)} {COMPARED[kind]} {_text(node.comparators[0])})", "compare")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if type(node.op) in REVERSED and not any(_is_words(side) for side in (node.left, node.right)):
            left, right = _text(node.left), _text(node.right)
            self._put(node, f"({left} {REVERSED[type(node.op)]} {right})", "reverse")
            if isinstance(node.op, ast.Add | ast.Sub | ast.Mult):
                self._put(node, left, "drop")
                if not isinstance(node.op, ast.Sub):
                    self._put(node, right, "drop")
            for side in (node.left, node.right):
                self._double(side)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
            self._put(node, _text(node.operand), "sign")
        if isinstance(node.op, ast.Not | ast.Invert):
            self._put(node, _text(node.operand), "deny")
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        other = " or " if isinstance(node.op, ast.And) else " and "
        self._put(node, "(" + other.join(f"({_text(v)})" for v in node.values) + ")", "and-or")
        for value in node.values:
            self._put(node, _text(value), "drop")
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self._put(node.test, f"(not ({_text(node.test)}))", "deny")
            self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in OTHER_NAME:
            text = _text(node.func)
            self._put(node.func, text[: len(text) - len(name)] + OTHER_NAME[name], "min-max")
        elif len(node.args) >= 2 and not any(isinstance(a, ast.Starred) or _is_words(a) for a in node.args):
            k = 0 if len(node.args) < 4 else 1
            if ast.dump(node.args[k]) != ast.dump(node.args[k + 1]):
                self._swap(node.args[k], node.args[k + 1])
        for given in node.keywords:
            self._double(given.value)
        self.generic_visit(node)

    def _swap(self, first: ast.expr, second: ast.expr) -> None:
        both = ast.Tuple([first, second])
        both.lineno, both.col_offset = first.lineno, first.col_offset
        both.end_lineno, both.end_col_offset = second.end_lineno, second.end_col_offset
        self._put(both, f"{_text(second)}, {_text(first)}", "swap")

    def visit_Assign(self, node: ast.Assign) -> None:
        self._double(node.value)
        self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self._double(node.value)
            self.visit(node.value)

    def _double(self, value: ast.expr) -> None:
        if isinstance(value, ast.Constant) and _is_number(value) and abs(value.value) > TINY:
            self._put(value, repr(2 * value.value), "double")

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        """Not its annotations, and not how it shows itself to programmers."""
        if node.name != "__repr__":
            for inner in [*node.args.defaults, *node.body]:
                self.visit(inner)

    def visit_Raise(self, node: ast.Raise) -> None:
        """Words of errors are not the tests' business here."""


def _is_number(node: ast.Constant) -> bool:
    return isinstance(node.value, int | float) and not isinstance(node.value, bool)


def _is_words(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and not _is_number(node))


def _text(node: ast.expr) -> str:
    text = ast.unparse(node)
    return text if isinstance(node, ast.Name | ast.Constant | ast.Call | ast.Attribute) else f"({text})"


def faults(room: str, count: int, seed: int) -> list[Fault]:
    """A room's sample: kind by kind in turn, no two on one line, by chance from all that can be planted."""
    chance = random.Random(f"{room} {seed}")
    kinds: defaultdict[str, list[Fault]] = defaultdict(list)
    for path in sorted((PACKAGE / room).rglob("*.py")):
        if str(path.relative_to(PACKAGE)) not in LEFT_OUT:
            for fault in _Sites(path).found:
                kinds[fault.kind].append(fault)
    for kind in sorted(kinds):
        chance.shuffle(kinds[kind])
    chosen: dict[tuple[Path, int], Fault] = {}
    while len(chosen) < count and any(kinds.values()):
        for kind in sorted(kinds):
            if kinds[kind] and len(chosen) < count:
                fault = kinds[kind].pop()
                chosen.setdefault((fault.path, fault.lines[-1]), fault)
    return list(chosen.values())


def named(told: Sequence[dict[str, Any]]) -> Iterator[tuple[str, Fault]]:
    """Faults that mutants.toml names, each with the room that they count for."""
    for one in told:
        path = PACKAGE / one["file"]
        source, was = path.read_bytes(), one["was"].encode()
        if source.count(was) != 1:
            raise SystemExit(
                f"mutants.toml: {one['was']!r} stands {source.count(was)} times in {one['file']}"
            )
        start = source.index(was)
        line = source[:start].count(b"\n") + 1
        tests = tuple(one.get("tests", ()))
        fault = Fault(path, (line,), start, start + len(was), one["was"], one["text"], "named", "", tests)
        yield path.relative_to(PACKAGE).parts[0], fault


@dataclass(frozen=True)
class Lines:
    """Which tests run which lines, and how long each takes: ``of`` a source's lines, 0 for any of them."""

    times_s: dict[str, float]
    of: dict[str, dict[str, list[str]]]

    def tests(self, fault: Fault, within: Sequence[str], most_s: float) -> list[str]:
        """Those that run the fault, the quickest first; then those of the same files; as many as take no more
        than ``most_s``. What only runs on import may show in any test of the room."""
        lines = self.of.get(str(fault.path.relative_to(ROOT)), {})
        places = tuple(f"{place}{end}" for place in within for end in ("", "/", "::"))
        mine = {test for test in self.times_s if test.startswith(places)}
        run = mine & {test for line in fault.lines for test in lines.get(str(line), ())}
        users = run or mine & set(lines.get("0", ()))
        files = {test.partition("::")[0] for test in users}
        others = {test for test in mine if test.partition("::")[0] in files} - users
        rest = set() if run else mine - users - others
        groups = (users, others, rest)
        asked = [t for group in groups for t in sorted(group, key=lambda t: (self.times_s[t], t))]
        spent = accumulate(self.times_s[t] for t in asked)
        return [t for t, s in zip(asked, spent, strict=True) if s <= most_s] or asked[:1]


def _pytest(arguments: Sequence[str], more: dict[str, str], patience_s: float | None) -> tuple[int, str]:
    """pytest's exit code and last words; ``LATE`` where it takes too long."""
    paths = os.pathsep.join([str(PLANTING), str(ROOT / "src"), os.environ.get("PYTHONPATH", "")])
    alone = {"OMP_NUM_THREADS": "1", "CUDA_VISIBLE_DEVICES": ""}  # one core each, no graphics processor
    environment = os.environ | {"PYTHONPATH": paths} | alone | more
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *arguments]
    try:
        done = subprocess.run(
            command,
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            timeout=patience_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return LATE, "took too long"
    return done.returncode, (done.stdout + done.stderr)[-1500:]


def recorded(asked: argparse.Namespace, rooms: Sequence[str], more: Sequence[str]) -> Lines:
    """All tests of the rooms without a fault, file by file, large ones in parts; from ``--map`` where that is
    there."""
    if asked.map and asked.map.exists():
        return Lines(**json.loads(asked.map.read_text("utf-8")))
    files = sorted(
        {
            str(path.relative_to(ROOT))
            for place in [*(p for room in rooms for p in ROOMS[room]), *more]
            for path in ([ROOT / place] if place.endswith(".py") else (ROOT / place).rglob("test_*.py"))
        }
    )
    parts = [(file, k, _parts(file)) for file in files for k in range(_parts(file))]
    times: dict[str, float] = {}
    of: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    with tempfile.TemporaryDirectory() as place, ThreadPoolExecutor(asked.cores) as pool:
        each = pool.map(lambda k: _recorded(*parts[k], Path(place) / str(k)), range(len(parts)))
        for (file, _, _), found in zip(parts, each, strict=True):
            times |= found.times_s
            print(f"  {file}: {len(found.times_s)} in {sum(found.times_s.values()):.1f} s", flush=True)
            for path, lines in found.of.items():
                for line, tests in lines.items():
                    of[path][line].update(tests)
    plain = {path: {line: sorted(tests) for line, tests in lines.items()} for path, lines in of.items()}
    if asked.map:
        asked.map.write_text(json.dumps({"times_s": times, "of": plain}), "utf-8")
    return Lines(times, plain)


def _parts(file: str) -> int:
    return PARTS if (ROOT / file).stat().st_size > LARGE_BYTES else 1


@cache
def _called(path: Path) -> frozenset[int]:
    """Lines of a source that run when a function is called, not when the module is imported."""
    found: set[int] = set()
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            found.update(range(node.body[0].lineno, (node.end_lineno or node.lineno) + 1))
    return frozenset(found)


def _recorded(file: str, part: int, parts: int, place: Path) -> Lines:
    from coverage import CoverageData

    place.mkdir()
    timed = place / "times.json"
    more = {"COVERAGE_FILE": str(place / "coverage"), "TIMED_TESTS": str(timed)}
    more["PART_OF_TESTS"] = f"{part}/{parts}"
    plain = f"--cov-config={os.devnull}"  # not the floor of ./run test, nor its branches
    asked = ["-p", "timing", "--cov=falsework", plain, "--cov-context=test", "--cov-report=", file]
    code, words = _pytest(asked, more, None)
    told = json.loads(timed.read_text("utf-8")) if timed.exists() else {"passed": {}, "failed": [file]}
    if code != PASSED:
        failed = "".join(f"\n    {test}" for test in told["failed"])
        print(f"{file}: fail without a fault, and are not asked:{failed}\n{words}", flush=True)
    times = told["passed"]
    if not times:
        return Lines({}, {})
    data = CoverageData(str(place / "coverage"))
    data.read()
    of: dict[str, dict[str, list[str]]] = {}
    for source in data.measured_files():
        path = Path(source)
        if not path.is_relative_to(ROOT):
            continue
        lines, every = of.setdefault(str(path.relative_to(ROOT)), {}), set()
        called = _called(path)
        for line, contexts in data.contexts_by_lineno(source).items():
            tests = {context.rpartition("|")[0] for context in contexts} & times.keys()
            every |= tests
            # What runs on import is run for whatever test uses the module, not only the first.
            if tests and line in called:
                lines[str(line)] = sorted(tests)
        lines["0"] = sorted(every or times)
    return Lines(times, of)


@dataclass(frozen=True)
class Judged:
    """What became of a fault: whether it was found, and by what; None where there was no time to say."""

    found: bool | None
    by: str = ""


@dataclass
class Judge:
    """Holds faults against tests. ``sound`` and ``unsound`` are tests that passed, or failed, alone without a
    fault: one that needs another before it, or fails by chance, is no witness."""

    lines: Lines
    until: float
    sound: set[str] = field(default_factory=set)
    unsound: set[str] = field(default_factory=set)

    def judged(self, fault: Fault, tests: Sequence[str]) -> Judged:
        while asked := [test for test in tests if test not in self.unsound]:
            patience = PATIENCE * sum(self.lines.times_s[t] for t in asked) + GRACE_S
            left = self.until - time.monotonic()
            code, failed = self._run(asked, fault, min(patience, left)) if left > 0.0 else (LATE, [])
            if code == LATE:  # it hangs, unless the machine is busy
                return Judged(True, "took too long") if patience < left else Judged(None)
            if code == PASSED:
                break
            if failed and self._witness(failed[0]):
                return Judged(True, failed[0])
            if not failed:  # nothing could be collected, or all of it crashed
                return Judged(True, f"ended with {code}") if self._collects(asked) else Judged(None, "?")
        return Judged(False, "" if tests else "run by no test")

    def _witness(self, test: str) -> bool:
        if test not in self.sound | self.unsound:
            code, _ = self._run([test], None, None)
            (self.sound if code == PASSED else self.unsound).add(test)
        return test in self.sound

    def _collects(self, tests: Sequence[str]) -> bool:
        return self._run(tests, None, None, "--collect-only")[0] == PASSED

    def _run(
        self, tests: Sequence[str], fault: Fault | None, patience_s: float | None, *more: str
    ) -> tuple[int, list[str]]:
        """How the tests end, up to the first that fails, and which that is."""
        with tempfile.TemporaryDirectory() as place:
            listed, timed = Path(place) / "tests.txt", Path(place) / "times.json"
            listed.write_text("\n".join(tests), "utf-8")
            given = {"TIMED_TESTS": str(timed)}
            if fault is not None:
                told = {"module": fault.module, "start": fault.start, "end": fault.end, "text": fault.text}
                given["PLANTED_FAULT"] = json.dumps(told)
            code, _ = _pytest(["-x", "-p", "timing", *more, f"@{listed}"], given, patience_s)
            return code, json.loads(timed.read_text("utf-8"))["failed"] if timed.exists() else []


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--each", type=int, default=40, help="faults in each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--cores", type=int, default=own_cores())
    parser.add_argument("--map", type=Path, help="which tests run which lines: written, or read where it is")
    parser.add_argument("--seconds", type=float, default=1e9, help="after which all ends")
    parser.add_argument(
        "--most", type=float, default=90.0, help="seconds of tests that a fault is held against"
    )
    parser.add_argument("--quick", action="store_true", help="two faults a room")
    asked = parser.parse_args()
    rooms, start = asked.rooms.split(","), time.monotonic()
    told = tomllib.loads((Path(__file__).parent / "mutants.toml").read_text("utf-8"))
    equal = {one["fault"] for one in told.get("equal", ())}
    queue = [(room, fault) for room, fault in named(told["named"]) if room in rooms or fault.tests]
    if asked.quick:
        asked.each = 2
    samples = [[(room, fault) for fault in faults(room, asked.each, asked.seed)] for room in rooms]
    queue += [one for row in zip_longest(*samples) for one in row if one is not None]
    lines = recorded(asked, rooms, [test for _, fault in queue for test in fault.tests])
    print(f"{len(lines.times_s)} tests, {len(queue)} faults", flush=True)
    results: dict[tuple[str, Fault], bool] = {}
    judge = Judge(lines, start + asked.seconds)
    with ThreadPoolExecutor(asked.cores) as pool:
        waiting: dict[Future[Judged], tuple[str, Fault]] = {}
        for room, fault in queue:
            tests = lines.tests(fault, fault.tests or ROOMS.get(room, ()), asked.most)
            waiting[pool.submit(judge.judged, fault, tests)] = (room, fault)
        for future in as_completed(waiting):
            (room, fault), judged = waiting[future], future.result()
            if judged.found is not None:
                results[room, fault] = judged.found
                word = "found" if judged.found else "equal" if fault.key in equal else "SURVIVED"
                print(f"  {word:8} {fault}  [{judged.by}]", flush=True)
    for test in sorted(judge.unsound):
        print(f"no witness, fails alone: {test}")
    _tell(results, equal, len(queue))


def _tell(results: dict[tuple[str, Fault], bool], equal: set[str], asked: int) -> None:
    """The score of each room: of faults that could be noticed."""
    rows: defaultdict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for (room, fault), found in results.items():
        for name in (room, "all"):
            rows[name][0 if found else 2 if fault.key in equal else 1] += 1
    for name in [*(name for name in rows if name != "all"), *(("all",) if rows else ())]:
        found, survived, same = rows[name]
        share = 100.0 * found / max(found + survived, 1)
        print(f"{name:12} {found:3} of {found + survived} found, {share:.0f} %; {same} make no difference")
    if len(results) < asked:
        print(f"{asked - len(results)} were not judged: no time was left, or no test could be collected")


if __name__ == "__main__":
    main()

"""Faults planted in the core, one at a time, and how many of them the tests of the room find.

    python benchmarks/mutants.py [--each 12] [--seed 1] [--rooms droop,support] [--cores 2]

A fault is one small change to the source of a room: a comparison turned round, a sign, a factor, 'and' for
'or', the smaller for the larger, a constant doubled, a condition denied. Each is planted in a copy of the
sources; the room's own tests run on the copy and either notice or do not. Whatever survives is listed with
its line: either a test is missing, or the change makes no difference. Compiled kernels are left out: their
tests hold them against plain references. Words of errors are not changed, nor tolerances below a millionth.

The tools at hand for this run the whole suite for each fault, or want to import the sources from where the
tests do; to keep to one room, and to the kernels compiled already, takes less than to teach them that.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "src" / "falsework"
ROOMS = {
    "droop": ("tests/droop", "tests/outside"),
    "support": ("tests/support", "tests/properties"),
    "release": ("tests/release",),
    "orientation": ("tests/orientation",),
    "ledger": ("tests/ledger",),
    "auditing": ("tests/auditing",),
    "tuning": ("tests/tuning",),
}
TINY = 1e-6  # constants that are smaller keep sums from dividing by nothing
PATIENCE = 4.0  # times what the tests take without a fault: longer is found too, for it hangs

COMPARED = {ast.Lt: ">", ast.LtE: ">", ast.Gt: "<", ast.GtE: "<", ast.Eq: "!=", ast.NotEq: "=="}
REVERSED = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*"}
OTHER_NAME = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
}


@dataclass(frozen=True)
class Fault:
    """One change: what stands in a file between two offsets becomes ``text``."""

    path: Path
    line: int
    start: int
    end: int
    was: str
    text: str

    def __str__(self) -> str:
        return f"{self.path.relative_to(PACKAGE)}:{self.line}: {' '.join(self.was.split())} -> {self.text}"


class _Sites(ast.NodeVisitor):
    """All changes that one file offers."""

    def __init__(self, path: Path) -> None:
        self.path, self.source = path, path.read_text("utf-8")
        starts = [0]
        for line in self.source.encode().splitlines(keepends=True):
            starts.append(starts[-1] + len(line))
        self.starts, self.found = starts, []
        self.visit(ast.parse(self.source))

    def _at(self, line: int, column: int) -> int:
        return self.starts[line - 1] + column

    def _put(self, node: ast.expr, text: str) -> None:
        assert node.end_lineno is not None and node.end_col_offset is not None
        start, end = self._at(node.lineno, node.col_offset), self._at(node.end_lineno, node.end_col_offset)
        was = self.source.encode()[start:end].decode()
        self.found.append(Fault(self.path, node.lineno, start, end, was, text))

    def visit_Compare(self, node: ast.Compare) -> None:
        kind = type(node.ops[0])
        if len(node.ops) == 1 and kind in COMPARED:
            self._put(node, f"({_text(node.left)} {COMPARED[kind]} {_text(node.comparators[0])})")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        words = (ast.JoinedStr, ast.Constant) if isinstance(node.op, ast.Add | ast.Mod) else ()
        texts = [
            side
            for side in (node.left, node.right)
            if isinstance(side, words) and not (isinstance(side, ast.Constant) and _is_number(side))
        ]
        if type(node.op) in REVERSED and not texts:
            self._put(node, f"({_text(node.left)} {REVERSED[type(node.op)]} {_text(node.right)})")
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        other = " or " if isinstance(node.op, ast.And) else " and "
        self._put(node, "(" + other.join(f"({_text(v)})" for v in node.values) + ")")
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self._put(node.test, f"(not ({_text(node.test)}))")
            self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in OTHER_NAME:
            text = _text(node.func)
            self._put(node.func, text[: len(text) - len(name)] + OTHER_NAME[name])
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        value = node.value
        if isinstance(value, ast.Constant) and _is_number(value) and TINY < abs(value.value) != 1:
            self._put(value, repr(2 * value.value))
        self.generic_visit(node)

    def visit_Raise(self, node: ast.Raise) -> None:
        """Words of errors are not the tests' business here."""


def _is_number(node: ast.Constant) -> bool:
    return isinstance(node.value, int | float) and not isinstance(node.value, bool)


def _text(node: ast.expr) -> str:
    text = ast.unparse(node)
    return text if isinstance(node, ast.Name | ast.Constant | ast.Call | ast.Attribute) else f"({text})"


def faults(room: str, count: int, seed: int) -> list[Fault]:
    """A room's sample: no two on one line, by chance from all that can be planted."""
    sites = [f for path in sorted((PACKAGE / room).rglob("*.py")) for f in _Sites(path).found]
    random.Random(f"{room} {seed}").shuffle(sites)
    chosen: dict[tuple[Path, int], Fault] = {}
    for fault in sites:
        chosen.setdefault((fault.path, fault.line), fault)
        if len(chosen) == count:
            break
    return list(chosen.values())


class Bed:
    """A copy of the sources in which faults are planted and taken out again."""

    def __init__(self, folder: Path) -> None:
        self.sources = folder / "src"
        shutil.copytree(ROOT / "src", self.sources, ignore=shutil.ignore_patterns("__pycache__"))

    def planted(self, fault: Fault, tests: Sequence[str], patience_s: float) -> bool:
        """Whether the tests notice the fault."""
        path = self.sources / fault.path.relative_to(ROOT / "src")
        sound = path.read_bytes()
        path.write_bytes(sound[: fault.start] + fault.text.encode() + sound[fault.end :])
        try:
            return self.run(tests, patience_s) != 0
        finally:
            path.write_bytes(sound)

    def run(self, tests: Sequence[str], patience_s: float) -> int:
        """pytest's exit code; 1 where it takes too long."""
        command = [
            sys.executable,
            "-B",
            "-m",
            "pytest",
            "-x",
            "-q",
            "-n",
            "0",
            "-p",
            "no:cacheprovider",
            *tests,
        ]
        environment = os.environ | {"PYTHONPATH": str(self.sources), "HYPOTHESIS_MAX_EXAMPLES": "20"}
        try:
            done = subprocess.run(
                command, cwd=ROOT, env=environment, capture_output=True, timeout=patience_s, check=False
            )
        except subprocess.TimeoutExpired:
            return 1
        return done.returncode


def judged(room: str, asked: argparse.Namespace) -> Iterator[tuple[Fault, bool]]:
    """Each fault of a room, and whether it was found."""
    import time

    tests = ROOMS[room]
    with tempfile.TemporaryDirectory() as place:
        beds = [Bed(Path(place) / str(k)) for k in range(asked.cores)]
        start = time.monotonic()
        if beds[0].run(tests, 3600.0) != 0:
            raise SystemExit(f"{room}: its tests fail without a fault")
        patience = PATIENCE * (time.monotonic() - start) + 30.0
        chosen = faults(room, asked.each, asked.seed)
        with ThreadPoolExecutor(asked.cores) as pool:
            free = list(beds)

            def one(fault: Fault) -> bool:
                bed = free.pop()
                try:
                    return bed.planted(fault, tests, patience)
                finally:
                    free.append(bed)

            yield from zip(chosen, pool.map(one, chosen), strict=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--each", type=int, default=12, help="faults in each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--quick", action="store_true", help="two faults a room")
    asked = parser.parse_args()
    if asked.quick:
        asked.each = 2
    planted = found = 0
    for room in asked.rooms.split(","):
        survivors = []
        count = 0
        for fault, noticed in judged(room, asked):
            count += 1
            if not noticed:
                survivors.append(fault)
                print(f"  survived {fault}", flush=True)
        planted, found = planted + count, found + count - len(survivors)
        print(f"{room:12} {count - len(survivors):3} of {count} found", flush=True)
    print(f"{'all':12} {found:3} of {planted} found: {100 * found / max(planted, 1):.0f} %")


if __name__ == "__main__":
    main()

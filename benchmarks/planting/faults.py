"""Small changes to the source of a room that could be faults: all that a file offers, a sample of a room's by
chance, and those that mutants.toml names. See ``mutants.py``."""

from __future__ import annotations

import ast
import random
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).parents[2] / "src" / "falsework"
LEFT_OUT = ("orientation/device.py",)  # runs on a graphics processor alone
TINY = 1e-6  # constants that are smaller keep sums from dividing by nothing

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
    def planted(self) -> dict[str, Any]:
        """As ``warm`` and ``sitecustomize`` are told."""
        told = {"module": self.module, "path": str(self.path)}
        return told | {"start": self.start, "end": self.end, "text": self.text}

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


def sample(room: str, count: int, seed: int) -> list[Fault]:
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

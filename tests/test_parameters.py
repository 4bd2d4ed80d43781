"""No function takes more parameters than a reader can hold: what belongs together travels as one value.

Kernels are left out: what numba compiles takes plain arrays. ``self`` and ``cls`` do not count, and neither
do ``*`` and ``**`` parameters, which are typed where they are taken.
"""

from __future__ import annotations

import ast
from pathlib import Path

import falsework

MOST = 7
ROOT = Path(falsework.__file__).parent


def parameters(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    told = function.args
    names = [one.arg for one in (*told.posonlyargs, *told.args, *told.kwonlyargs)]
    return [name for name in names if name not in ("self", "cls")]


def crowded() -> dict[str, int]:
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        where = path.relative_to(ROOT).as_posix()
        if where.startswith("kernels/"):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and len(parameters(node)) > MOST:
                found[f"{where}:{node.name}"] = len(parameters(node))
    return found


def test_no_function_takes_more_parameters_than_a_reader_can_hold() -> None:
    assert crowded() == {}


def test_what_is_counted() -> None:
    (function,) = ast.parse("def f(self, a, /, b, *c, d=1, **e): ...").body
    assert isinstance(function, ast.FunctionDef) and parameters(function) == ["a", "b", "d"]

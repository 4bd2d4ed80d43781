"""Each class and each type has a name of its own, all over the package: one name, one meaning."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import falsework

ROOT = Path(falsework.__file__).parent


def named(tree: ast.Module) -> list[str]:
    """Classes wherever they stand, and what a module calls by a name in capitals and small letters."""
    classes = [node.name for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
    targets = [
        target.id
        for node in tree.body
        if isinstance(node, ast.Assign | ast.AnnAssign)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name)
    ]
    return classes + [name for name in targets if name.lstrip("_")[:1].isupper() and not name.isupper()]


def twice() -> dict[str, list[str]]:
    places = defaultdict(list)
    for path in sorted(ROOT.rglob("*.py")):
        for name in named(ast.parse(path.read_text("utf-8"))):
            places[name].append(path.relative_to(ROOT).as_posix())
    return {name: found for name, found in places.items() if len(found) > 1}


def test_no_name_means_two_things() -> None:
    assert twice() == {}


def test_what_counts() -> None:
    tree = ast.parse("class A:\n    class B: ...\nC: type = int\nDone = 1\nLIMIT = 2\nF = 3\n_Row = 4\nx = 5")
    assert named(tree) == ["A", "B", "Done", "_Row"]

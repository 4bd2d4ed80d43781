"""Benchmarks and picture scripts are not run by the tests: what they import must be there all the same."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCRIPTS = sorted([*ROOT.glob("benchmarks/*.py"), *ROOT.glob("docs/pictures/*.py")])


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_what_a_script_takes_from_falsework_exists(script):
    """Imports inside functions too: a script that breaks at its end has wasted an hour."""
    tree = ast.parse(script.read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "falsework":
            module = importlib.import_module(node.module)
            for name in node.names:
                if not hasattr(module, name.name):
                    importlib.import_module(f"{node.module}.{name.name}")

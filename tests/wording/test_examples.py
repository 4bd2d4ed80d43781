"""The examples in docstrings are true."""

from __future__ import annotations

import doctest
import importlib

import pytest


@pytest.mark.parametrize("module", ["falsework.wording.figures"])
def test_examples_run(module: str) -> None:
    found = doctest.testmod(importlib.import_module(module))
    assert found.attempted > 10 and found.failed == 0

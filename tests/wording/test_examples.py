"""The examples in docstrings are true, and every public name has one."""

from __future__ import annotations

import doctest
import importlib

import pytest

import falsework

pytestmark = pytest.mark.usefixtures("quick")
PUBLIC = sorted(set(falsework.__all__) - {"__version__"})


def failed(name: str, value: object) -> tuple[int, int]:
    """How many examples of a docstring there are and how many do not come out as they say."""
    runner = doctest.DocTestRunner(optionflags=doctest.IGNORE_EXCEPTION_DETAIL | doctest.ELLIPSIS)
    for found in doctest.DocTestFinder(recurse=False).find(value, name, globs={}):
        runner.run(found)
    return runner.tries, runner.failures


@pytest.mark.parametrize("module", ["falsework.wording.figures"])
def test_examples_run(module: str) -> None:
    found = doctest.testmod(importlib.import_module(module))
    assert found.attempted > 10 and found.failed == 0


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_has_an_example_that_runs(name: str) -> None:
    tried, wrong = failed(name, getattr(falsework, name))
    assert tried > 1 and wrong == 0


def test_a_wrong_example_is_found() -> None:
    def two() -> int:
        """
        >>> 1 + 1
        3
        """
        return 2

    assert failed("two", two) == (1, 1)

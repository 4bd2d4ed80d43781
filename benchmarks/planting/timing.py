"""A plugin of pytest: how long every test that passed took, seconds, and which failed, as JSON into
``TIMED_TESTS``. Of all tests only each n-th from the k-th is run where ``PART_OF_TESTS`` is k/n."""

import json
import os
from collections import defaultdict
from pathlib import Path

import pytest

_TIMES: defaultdict[str, float] = defaultdict(float)
_PASSED: set[str] = set()
_FAILED: dict[str, None] = {}  # in their order


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    k, n = map(int, os.environ.get("PART_OF_TESTS", "0/1").split("/"))
    items[:] = items[k::n]


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    _TIMES[report.nodeid] += report.duration
    if report.when == "call" and report.passed and not hasattr(report, "wasxfail"):
        _PASSED.add(report.nodeid)
    if report.failed:
        _FAILED[report.nodeid] = None


def pytest_sessionfinish() -> None:
    passed = {test: spent for test, spent in _TIMES.items() if test in _PASSED and test not in _FAILED}
    told = {"passed": passed, "failed": list(_FAILED)}
    Path(os.environ["TIMED_TESTS"]).write_text(json.dumps(told), encoding="utf-8")

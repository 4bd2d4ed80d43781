"""A plugin of pytest: which tests failed, in their order, as JSON into ``FAILED_TESTS``."""

import json
import os
from pathlib import Path

import pytest

_FAILED: list[str] = []


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.failed and report.nodeid not in _FAILED:
        _FAILED.append(report.nodeid)


def pytest_sessionfinish() -> None:
    Path(os.environ["FAILED_TESTS"]).write_text(json.dumps(_FAILED), encoding="utf-8")

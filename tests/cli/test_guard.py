"""Long work ends on a signal, and before it fills the memory, even inside one call of a library."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import falsework
from falsework.cli.guard import BUDGET, TOO_LARGE_MB, budget_bytes

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGUSR1"), reason="a system without such signals")

HELD = """
import signal, sys
from falsework.cli.guard import guarded
signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(1))
with guarded():
    print("begun", flush=True)
    sum(range(10**12))  # one call that never asks whether to stop
"""
UNWOUND = HELD.replace("sum(range(10**12))", "while True: pass")
LARGE = """
from falsework.cli.guard import OverBudget, guarded
held = []
try:
    with guarded():
        while True:
            held.append(bytearray(1 << 20))
except OverBudget as error:
    print(len(held), error)
"""


def started(text: str, **environment: str) -> subprocess.Popen[str]:
    source = str(Path(falsework.__file__).parents[1])
    return subprocess.Popen(
        [sys.executable, "-c", text],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": source, **environment},
    )


def stopped(text: str) -> tuple[int, str]:
    with started(text) as work:
        assert work.stdout is not None and work.stderr is not None
        assert work.stdout.readline() == "begun\n"
        time.sleep(0.5)
        work.send_signal(signal.SIGTERM)
        code = work.wait(timeout=30)
        return code, work.stderr.read()


def test_a_call_that_never_returns_is_ended() -> None:
    assert stopped(HELD) == (-signal.SIGKILL, "stopped; nothing was written\n")


def test_what_can_unwind_unwinds_by_itself() -> None:
    assert stopped(UNWOUND) == (1, "")


def test_what_fits_no_printer_gets_a_smaller_budget(monkeypatch) -> None:
    monkeypatch.delenv(BUDGET, raising=False)
    assert budget_bytes(too_large=True) == min(budget_bytes(), TOO_LARGE_MB << 20)
    monkeypatch.setenv(BUDGET, "3000")
    assert budget_bytes(too_large=True) == 3000 << 20


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="a system that does not tell what is held")
def test_a_budget_is_kept() -> None:
    with started(LARGE, FALSEWORK_MEMORY_MB="300") as work:
        said, _ = work.communicate(timeout=60)
    assert "more than 300 MB of memory would be needed" in said

"""A second process beside long work, which ends it where it cannot end itself: inside a library's long call.

Signals and memory are seen to by a small interpreter of its own, without any of falsework's code. It is told
of a signal by the system itself (the byte that Python's handler writes in C, whatever holds the interpreter),
gives the work time to unwind, and ends it where that does not come. It watches what the work holds in memory,
asks it to refuse when the budget is passed, and ends it where it cannot. Neither leaves anything
half-written: results are written aside and renamed.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from types import FrameType

PATIENCE_S = 0.8
BUDGET = "FALSEWORK_MEMORY_MB"
SHARE_OF_MACHINE = 0.75
TOO_LARGE_MB = 1536  # what may be held for a part that does not fit the printer: nobody prints it as it is
CURE = f"Use a coarser mesh, a smaller part or thicker layers, or allow more by {BUDGET}"

# Arguments: the work's process, its budget in bytes, seconds to unwind, what to say of it. Told on stdin.
_WATCHER = r"""
import os, select, signal, sys, time
work, budget, patience, said = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), sys.argv[4]
page, until, text = os.sysconf("SC_PAGE_SIZE"), None, "stopped; nothing was written"
while True:
    wait = 0.1 if until is None else max(0.0, until - time.monotonic())
    if select.select([0], [], [], wait)[0]:
        told = os.read(0, 64)
        if not told:
            sys.exit()
        if until is None and (signal.SIGINT in told or signal.SIGTERM in told):
            until = time.monotonic() + patience
    if until is not None and time.monotonic() >= until:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()
        os.kill(work, signal.SIGKILL)
        sys.exit()
    if until is None and budget:
        try:
            with open(f"/proc/{work}/statm") as held:
                resident = int(held.read().split()[1]) * page
        except OSError:
            sys.exit()
        if resident > budget:
            os.kill(work, signal.SIGUSR1)
            until, text = time.monotonic() + patience, said
"""


class OverBudget(MemoryError):
    """The work holds more memory than it may."""


def budget_bytes(too_large: bool = False) -> int:
    """What one command may hold: ``FALSEWORK_MEMORY_MB``, else three quarters of the machine's memory, but
    ``TOO_LARGE_MB`` where parts may be ``too_large``; 0 where the system does not tell."""
    asked = os.environ.get(BUDGET, "")
    if asked.strip().isdecimal():
        return int(asked) << 20
    if not os.path.isdir("/proc/self"):
        return 0
    machine = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    for path in ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"):
        with contextlib.suppress(OSError, ValueError), open(path, encoding="ascii") as limit:
            machine = min(machine, int(limit.read()))
    budget = int(SHARE_OF_MACHINE * machine)
    return min(budget, TOO_LARGE_MB << 20) if too_large else budget


@contextlib.contextmanager
def guarded(too_large: bool = False) -> Iterator[None]:
    """Long work within the block ends soon after SIGINT or SIGTERM, and before it fills the memory:
    ``too_large`` as ``budget_bytes`` has it."""
    if not hasattr(signal, "SIGUSR1"):  # a system without such signals
        yield
        return
    budget = budget_bytes(too_large)
    said = f"part: more than {budget >> 20} MB of memory would be needed for it. {CURE}."
    command = [
        sys.executable,
        "-I",
        "-S",
        "-c",
        _WATCHER,
        str(os.getpid()),
        str(budget),
        str(PATIENCE_S),
        said,
    ]
    watcher = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, start_new_session=True
    )
    assert watcher.stdin is not None
    told = watcher.stdin.fileno()
    os.set_blocking(told, False)
    before = signal.signal(signal.SIGUSR1, partial(_over_budget, budget))
    earlier = signal.set_wakeup_fd(told, warn_on_full_buffer=False)
    try:
        yield
    finally:
        signal.set_wakeup_fd(earlier)
        signal.signal(signal.SIGUSR1, before)
        watcher.kill()
        watcher.stdin.close()
        watcher.wait()


def _over_budget(budget: int, number: int, frame: FrameType | None) -> None:
    raise OverBudget(f"more than {budget >> 20} MB of memory would be needed for it")

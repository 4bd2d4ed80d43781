"""Many pieces of work in processes of their own, some at a time, for benchmarks of a whole corpus."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TypeVar

Task = TypeVar("Task")
Answer = TypeVar("Answer")


def answered(
    work: Callable[..., Answer], tasks: Sequence[tuple[Task, ...]], at_once: int, *, fresh: bool = False
) -> Iterator[tuple[tuple[Task, ...], Answer | Exception]]:
    """Each task and ``work(*task)``, or what it ended in, as they are done; ``at_once`` of them at a time.

    ``fresh``: each in a process of its own, so that its peak of memory is its own. A request to end (SIGTERM
    to the whole group) ends the work only: what was done can still be summed up.
    """
    if at_once == 1:
        for task in tasks:
            try:
                yield task, work(*task)
            except Exception as error:
                yield task, error
        return
    signal.signal(signal.SIGTERM, lambda *_: None)
    new, most = multiprocessing.get_context("spawn"), 1 if fresh else None
    with ProcessPoolExecutor(at_once, mp_context=new, max_tasks_per_child=most) as pool:
        running = {pool.submit(work, *task): task for task in tasks}
        for done in as_completed(running):
            error = done.exception()
            if isinstance(error, Exception):
                yield running[done], error
            else:
                yield running[done], done.result()

"""How work is shared among processor cores: results are the same for any number of them.

Threads, for kernels and the library of outlines let other threads run while they work.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

A = TypeVar("A")
B = TypeVar("B")
T = TypeVar("T")

_CHUNKS = 4  # for each thread: pieces of work differ in what they cost
_POOL: ContextVar[tuple[int, ThreadPoolExecutor] | None] = ContextVar("pool", default=None)


def own_cores() -> int:
    """How many processor cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def on_cores(cores: int | None) -> Iterator[None]:
    """Within the block, work is shared among so many threads; None: one for every core."""
    threads = cores or own_cores()
    with ThreadPoolExecutor(threads, thread_name_prefix="regions") as pool:  # starts none before it is needed
        before = _POOL.set((threads, pool) if threads > 1 else None)
        try:
            yield
        finally:
            _POOL.reset(before)


def cores_here() -> int:
    """How many threads share work in this block."""
    shared = _POOL.get()
    return shared[0] if shared is not None else 1


def in_chunks(work: Callable[..., T], least: int, *arrays: NDArray[Any]) -> list[T]:
    """``work`` of stretches of arrays of one length, ``least`` elements each or more, in their order.

    ``work`` must not share what it does in its turn.
    """
    shared, count = _POOL.get(), len(arrays[0])
    chunks = 1 if shared is None else min(_CHUNKS * shared[0], count // least)
    if shared is None or chunks < 2:
        return [work(*arrays)]
    import numpy as np

    parts = zip(*(np.array_split(array, chunks) for array in arrays), strict=True)
    jobs = [shared[1].submit(copy_context().run, work, *part) for part in parts]
    return [job.result() for job in jobs]


def side_by_side(jobs: Sequence[Callable[[], T]]) -> list[T]:
    """What each job gives, in their order; beside each other where there are cores, and then they may share
    what they do in their turn. Raises what the first of them that fails raises."""
    cores = cores_here()
    if cores == 1 or len(jobs) < 2:
        return [job() for job in jobs]
    with ThreadPoolExecutor(min(len(jobs), cores), thread_name_prefix="beside") as pool:
        running = [pool.submit(copy_context().run, job) for job in jobs]
        return [job.result() for job in running]


def both(one: Callable[[], A], other: Callable[[], B]) -> tuple[A, B]:
    """What two jobs of different kinds give, as ``side_by_side`` does them."""
    jobs: list[Callable[[], Any]] = [one, other]
    first, second = side_by_side(jobs)
    return first, second


@contextmanager
def meanwhile(job: Callable[[], T]) -> Iterator[Callable[[], T]]:
    """What gives the result of a job: done beside the block where there are cores, else when it is asked for.

    The block does not end before the job does.
    """
    if cores_here() == 1:
        yield job
        return
    with ThreadPoolExecutor(1, thread_name_prefix="beside") as pool:
        yield pool.submit(copy_context().run, job).result


def dealt(items: NDArray[np.int64], least: int = 1) -> list[NDArray[np.int64]]:
    """The items dealt out evenly among the cores, ``least`` to each or more; none: nothing."""
    hands = max(1, min(cores_here(), len(items) // least))
    return [items[k::hands] for k in range(hands)] if len(items) else []

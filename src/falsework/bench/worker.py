"""A worker: a process of its own that does one job at a time and may be killed at any moment.

It reads jobs as JSON lines from stdin and tells progress and outcome as JSON lines on stdout. It reads what
strangers made, so its memory is limited, and nothing it says is executed: lines of JSON, no pickles. What
it made before stays in memory, so that a changed gap does not slice the part again.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import functools
import importlib
import json
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from queue import SimpleQueue
from typing import Any, BinaryIO

from falsework.bench.force import no_memory, no_room
from falsework.errors import Cancelled, FalseworkError

_TELL_EVERY_S = 0.1
_COMPILING = "compiling the kernels for this machine, once"  # which takes a minute
_NICE = 10  # the server answers first


class _Pipe:
    """Lines in and out: jobs wait in ``jobs``; ``stopping`` is the job that is to end."""

    def __init__(self, source: BinaryIO, sink: BinaryIO) -> None:
        self.jobs: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self.stopping = ""
        self._source, self._sink = source, sink
        self._lock = threading.Lock()
        threading.Thread(target=self._listen, daemon=True).start()

    def say(self, **what: Any) -> None:
        with self._lock:
            self._sink.write(json.dumps(what).encode() + b"\n")
            self._sink.flush()

    def is_stopping(self, job: str) -> bool:
        return self.stopping == job

    def _listen(self) -> None:
        for line in self._source:
            message = json.loads(line)
            if "stop" in message:
                self.stopping = message["stop"]
            else:
                self.jobs.put(message)
        os._exit(0)  # the server is gone, whatever is being done here


class _Progress:
    """Progress of one job, a few times a second; a changed step is always told."""

    def __init__(self, pipe: _Pipe, job: str) -> None:
        self._pipe, self._job = pipe, job
        self._step, self._when = "", 0.0

    def __call__(self, step: str, fraction: float) -> None:
        now = time.monotonic()
        if step != self._step or now - self._when > _TELL_EVERY_S:
            self._step, self._when = step, now
            self._pipe.say(job=self._job, step=step, fraction=round(fraction, 4))


def _limit_memory(most_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # a system without such limits; the server watches what is resident
        return
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    most = most_bytes if hard == resource.RLIM_INFINITY else min(most_bytes, hard)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


@contextlib.contextmanager
def _staged(into: Path) -> Iterator[Path]:
    """A folder aside, moved to ``into`` when the block ends well: a result is there whole or not at all."""
    into.parent.mkdir(parents=True, exist_ok=True)
    staging = Path(tempfile.mkdtemp(prefix=".aside-", dir=into.parent))
    try:
        yield staging
        for file in staging.iterdir():
            with open(file, "rb") as handle:
                os.fsync(handle.fileno())
        with contextlib.suppress(OSError):  # somebody was faster with the same result
            os.rename(staging, into)
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _serve(pipe: _Pipe, folder: Path) -> None:
    from falsework.bench.work import Bench, do
    from falsework.watch import Watch, compiling

    importlib.import_module("falsework.planning.pipeline")  # before the first job, while nobody waits
    bench = Bench(folder)
    pipe.say(ready=os.getpid())
    while True:
        message = pipe.jobs.get()
        job = message["job"]
        progress = _Progress(pipe, job)
        watch = Watch(tell=progress, stop=functools.partial(pipe.is_stopping, job))
        bench.marks, bench.cores = message["marks"], message["cores"]
        try:
            with (
                compiling(functools.partial(progress, _COMPILING, 0.0)),
                _staged(Path(message["into"])) as staging,
            ):
                do(message["what"], bench, message["arguments"], staging, watch)
            pipe.say(job=job, done=True)
        except Cancelled:
            pipe.say(job=job, stopped=True)
        except FalseworkError as error:
            told_why = {"subject": error.subject, "wrong": error.wrong, "cure": error.cure}
            pipe.say(job=job, refused={"kind": type(error).__name__, **told_why})
        except MemoryError:
            pipe.say(job=job, refused=no_memory(message["what"]))
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                pipe.say(job=job, refused=no_room())
                continue
            pipe.say(job=job, failed=f"{type(error).__name__}: {error.strerror or error}")
        except Exception as error:
            pipe.say(job=job, failed=f"{type(error).__name__}: {error}")


def main() -> None:
    """Entry point of ``python -m falsework.bench.worker``."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--memory", type=int, required=True)
    arguments = parser.parse_args()
    # what libraries print must not come between our lines
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    _limit_memory(arguments.memory)
    with contextlib.suppress(OSError, AttributeError):  # not every system has it
        os.nice(_NICE)
    _serve(_Pipe(sys.stdin.buffer, sink), arguments.folder)


if __name__ == "__main__":
    main()

"""One run of a command: how it is stopped, how it shows progress, what it has already written."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from falsework.watch import Watch

_PATIENCE_S = 2.0


@dataclass
class Session:
    """State of the running command, shared with the error boundary.

    ``as_json``: stdout carries one JSON document, errors included. ``written``: the results' place once
    they are complete. ``stopping``: a signal asked for the end. ``refusal``: exit code of a refusal, where
    the usual one means something else.
    """

    as_json: bool = False
    written: Path | None = None
    stopping: bool = False
    refusal: int | None = None
    _stopped_at: float = field(default=0.0, repr=False)

    def stop(self, number: int, frame: FrameType | None) -> None:
        """Signal handler: unwind now; if a library swallows that, the next step of the watch stops the work.

        Further signals within two seconds are ignored so that clearing up is not itself interrupted.
        """
        now = time.monotonic()
        if self.stopping and now - self._stopped_at < _PATIENCE_S:
            return
        self.stopping, self._stopped_at = True, now
        raise KeyboardInterrupt

    @contextlib.contextmanager
    def progress(self, too_large: bool = False) -> Iterator[Watch]:
        """A watch that draws a bar on stderr if that is a terminal, and is quiet otherwise; work within is
        guarded, parts that do not fit the printer (``too_large``) within less memory: see
        :mod:`falsework.cli.guard`."""
        from falsework.cli.guard import guarded

        with guarded(too_large), self._shown() as watch:
            yield watch

    @contextlib.contextmanager
    def _shown(self) -> Iterator[Watch]:
        if not sys.stderr.isatty():
            yield Watch(stop=lambda: self.stopping)
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description:<32}"), BarColumn(), TimeElapsedColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("starting", total=1.0)
            yield Watch(
                tell=lambda step, fraction: bar.update(task, description=step, completed=fraction),
                stop=lambda: self.stopping,
            )


@contextlib.contextmanager
def stoppable() -> Iterator[Session]:
    """A session that SIGINT and SIGTERM stop; the handlers that were there come back at the end."""
    session = Session()
    loud = sys.unraisablehook

    def quiet(raised: sys.UnraisableHookArgs) -> None:
        # A stop that lands in a destructor or a callback cannot unwind; the watch stops the work instead.
        if raised.exc_type is not KeyboardInterrupt:
            loud(raised)

    sys.unraisablehook = quiet
    before = {number: signal.signal(number, session.stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield session
    finally:
        sys.unraisablehook = loud
        for number, handler in before.items():
            signal.signal(number, handler)

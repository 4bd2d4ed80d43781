"""How long work reports itself and is stopped: one small object handed down the pipeline."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any

from falsework.errors import Cancelled


def _silent(step: str, fraction: float) -> None:
    pass


def _never() -> bool:
    return False


@dataclass(frozen=True)
class Watch:
    """Progress out, cancel in.

    Attributes
    ----------
    tell : called with the step's name and the overall fraction done (0..1).
    stop : asked at every step; when it answers True, ``Cancelled`` is raised.
    start, end : the stretch of the overall fraction that belongs to the work at hand.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> steps = []
    >>> watch = falsework.Watch(tell=lambda step, share: steps.append(share))
    >>> found = falsework.inspect(table(), watch=watch)
    >>> steps == sorted(steps)
    True
    """

    tell: Callable[[str, float], None] = _silent
    stop: Callable[[], bool] = _never
    start: float = 0.0
    end: float = 1.0

    def at(self, step: str, fraction: float = 0.0) -> None:
        """Report ``step`` at ``fraction`` (0..1) of this stretch; raise ``Cancelled`` if asked to stop."""
        if self.stop():
            raise Cancelled(step)
        self.tell(step, self.start + (self.end - self.start) * fraction)

    def part(self, start: float, end: float) -> Watch:
        """The same watch for the stretch ``start``..``end`` (fractions of this one)."""
        width = self.end - self.start
        return replace(self, start=self.start + width * start, end=self.start + width * end)

    def beside(self) -> Watch:
        """The same watch for jobs beside each other: they tell one at a time, all at the fraction where this
        stretch begins."""
        told, start = Lock(), self.start

        def tell(step: str, fraction: float) -> None:
            with told:
                self.tell(step, start)

        return replace(self, tell=tell)

    def silent(self) -> Watch:
        """The same watch that is not told anything, for work beside other work that is."""
        return replace(self, tell=_silent)


QUIET = Watch()
_HEEDED: ContextVar[Watch] = ContextVar("heeded", default=QUIET)


@contextmanager
def heeding(watch: Watch) -> Iterator[None]:
    """Within the block, ``breathe`` asks this watch, also in threads that work for the block."""
    before = _HEEDED.set(watch)
    try:
        yield
    finally:
        _HEEDED.reset(before)


def breathe(step: str) -> None:
    """Raise ``Cancelled`` if the work at hand is to stop: for what many stages call again and again, so that
    each may be stopped between its words."""
    if _HEEDED.get().stop():
        raise Cancelled(step)


@contextmanager
def compiling(tell: Callable[[], None]) -> Iterator[None]:
    """Call ``tell`` whenever a kernel is about to be compiled within the block, however it came to that.

    Asked of numba itself: the call comes exactly when the cache of compiled kernels does not serve, after an
    update or on another machine too. Must be entered before the first kernel is imported.
    """
    from numba.core import event

    class Listener(event.Listener):
        def on_start(self, event: Any) -> None:
            tell()

        def on_end(self, event: Any) -> None:
            pass

    notice = Listener()
    event.register("numba:compile", notice)
    try:
        yield
    finally:
        event.unregister("numba:compile", notice)

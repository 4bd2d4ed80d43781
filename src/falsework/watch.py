"""How long work reports itself and is stopped: one small object handed down the pipeline."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

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


QUIET = Watch()

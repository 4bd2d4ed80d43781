"""Settings as earlier versions named them: process files, ledgers and kept documents are still read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

CORNER_AT_MM_S = 60.0
"""The speed at which ``Printer.corner_loss_s`` is taken."""

_WEAVES = {"lines": "parallel", "grid": "crossed"}
_EARLIER_ACCELERATION_MM_S2 = 1000.0  # where a file that gives a corner's speed leaves it out


def renewed(values: Mapping[str, Any]) -> dict[str, Any]:
    """Settings by the names and words of this version, whichever version wrote them.

    A speed kept through a corner becomes the time lost there, to the millisecond.
    """
    new = dict(values)
    if "pattern" in new:
        word = new.pop("pattern")
        new.setdefault("weave", _WEAVES.get(word, word) if isinstance(word, str) else word)
    if "corner_speed_mm_s" in new:
        kept = new.pop("corner_speed_mm_s")
        new.setdefault("corner_loss_s", _corner_loss_s(kept, new.get("acceleration_mm_s2")))
    return new


def _corner_loss_s(kept_mm_s: Any, acceleration_mm_s2: Any) -> Any:
    """Braking to a speed and speeding up again, against running on; what is no number stays what it is."""
    if not isinstance(kept_mm_s, int | float) or isinstance(kept_mm_s, bool):
        return kept_mm_s
    given = isinstance(acceleration_mm_s2, int | float) and acceleration_mm_s2 > 0
    acceleration = acceleration_mm_s2 if given else _EARLIER_ACCELERATION_MM_S2
    slowing = max(CORNER_AT_MM_S - max(kept_mm_s, 0.0), 0.0)
    return round(slowing * slowing / (acceleration * CORNER_AT_MM_S), 3)

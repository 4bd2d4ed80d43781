"""What becomes of a piece of support."""

from __future__ import annotations

from enum import StrEnum


class ReleaseState(StrEnum):
    """What becomes of a piece, best first."""

    STAYS = "stays on the bed"  # the part is lifted off it
    BY_HAND = "comes by hand"
    BY_TOOL = "comes with a tool"
    BREAK = "break up first"  # into blocks, each of which can be pulled out
    DIG = "pick out in bits"  # only crumb by crumb, with a pick
    TRAPPED = "cannot be removed"  # not even a pick reaches it

    @classmethod
    def _missing_(cls, value: object) -> ReleaseState | None:
        """Words of earlier plans."""
        return {"dig out": cls.DIG, "trapped": cls.TRAPPED}.get(str(value))


HAND_N = 20.0  # from memory: a comfortable pull between thumb and finger
TOOL_N = 150.0  # from memory: a strong pull of one arm with pliers, the part held in the other hand

"""How a program is to be read, and the bed that it is for where somebody named one."""

from __future__ import annotations

import math
from dataclasses import dataclass

from falsework.errors import ProcessError
from falsework.process.settings import Process


@dataclass(frozen=True)
class Bed:
    """What a machine can reach, mm. ``centred``: the count's zero lies in the bed's middle, not at its
    corner.
    """

    width_mm: float
    depth_mm: float
    height_mm: float | None = None
    centred: bool = False

    def __post_init__(self) -> None:
        for value in (self.width_mm, self.depth_mm, self.height_mm or 1.0):
            if not (math.isfinite(value) and value > 0.0):
                raise ProcessError(
                    "bed", f"has a size of {value:g} mm", "Give width and depth in millimetres"
                )

    @property
    def low(self) -> tuple[float, float]:
        return (-0.5 * self.width_mm, -0.5 * self.depth_mm) if self.centred else (0.0, 0.0)

    @property
    def high(self) -> tuple[float, float]:
        return self.low[0] + self.width_mm, self.low[1] + self.depth_mm


@dataclass(frozen=True)
class Reads:
    """``volumetric``: E counts mm³ of plastic and not mm of filament; ``bed`` instead of the process's."""

    volumetric: bool = False
    bed: Bed | None = None


PLAIN = Reads()


def bed_of(reads: Reads, process: Process | None) -> Bed | None:
    """The bed that was named, or that of a process that was given; None where nobody named one."""
    if reads.bed is not None or process is None:
        return reads.bed
    printer = process.printer
    return Bed(
        printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm, printer.origin == "centre"
    )

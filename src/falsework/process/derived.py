"""Plain arithmetic that a process rests on: bead section, and gaps of whole layers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# A height that misses a whole number of layers by less than this share of a layer is that number:
# 0.6 / 0.2 is 2.9999999999999996, and meshes carry single-precision heights.
LAYER_TOLERANCE = 1e-5


@overload
def bead_section_mm2(width_mm: float, height_mm: float) -> float: ...
@overload
def bead_section_mm2(width_mm: float, height_mm: NDArray[np.float64]) -> NDArray[np.float64]: ...
def bead_section_mm2(width_mm: float, height_mm: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Section of a bead in mm²: a rectangle with half circles on both sides, h (w − h) + π h² / 4.

    Needs width ≥ height, which every valid process has. Rectangle and circle, by plain geometry.
    """
    return height_mm * (width_mm - height_mm) + 0.25 * math.pi * height_mm * height_mm


def whole_layers(asked_mm: float, layer_height_mm: float) -> int:
    """The number of layers nearest to ``asked_mm``, at least 1.

    Half a layer rounds up: the larger gap lets go. Never 0: support of the part's own material fuses
    where there is no gap at all.
    """
    return max(1, math.floor(asked_mm / layer_height_mm + 0.5 + LAYER_TOLERANCE))


@dataclass(frozen=True)
class Gap:
    """An air gap as asked for and as whole layers can realise it."""

    asked_mm: float
    layers: int
    realised_mm: float

    @staticmethod
    def of(asked_mm: float, layer_height_mm: float) -> Gap:
        """The gap that so many layers of one height make."""
        layers = whole_layers(asked_mm, layer_height_mm)
        return Gap(asked_mm, layers, layers * layer_height_mm)

"""What follows from a process by plain arithmetic: bead section, whole-layer gaps, layer count, reach."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, overload

from falsework.process.earlier import CORNER_AT_MM_S
from falsework.process.settings import Printer, Process, Structure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# A height that misses a whole number of layers by less than this share of a layer is that number:
# 0.6 / 0.2 is 2.9999999999999996, and meshes carry single-precision heights.
_LAYER_TOLERANCE = 1e-5

_USUAL_REACH = 0.5  # of the line width; with layers half as high as wide this is the 45° of common practice
_REACH_PER_FAN = 0.15  # from memory: full fan against none moves the threshold from about 0.65 to 0.5


@overload
def bead_section_mm2(width_mm: float, height_mm: float) -> float: ...
@overload
def bead_section_mm2(width_mm: float, height_mm: NDArray[np.float64]) -> NDArray[np.float64]: ...
def bead_section_mm2(width_mm: float, height_mm: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Section of a bead in mm²: a rectangle with half circles on both sides, h (w − h) + π h² / 4.

    Needs width ≥ height, which every valid process has. Rectangle and circle, by plain geometry.
    """
    return height_mm * (width_mm - height_mm) + 0.25 * math.pi * height_mm * height_mm


def filament_section_mm2(process: Process) -> float:
    """Section of the filament that goes into the machine, mm²."""
    return 0.25 * math.pi * process.printer.filament_diameter_mm**2


def filament_per_mm(process: Process) -> float:
    """Millimetres of filament fed per millimetre of bead (volume balance)."""
    return bead_section_mm2(process.line_width_mm, process.layer_height_mm) / filament_section_mm2(process)


def corner_speed_mm_s(printer: Printer) -> float:
    """Speed left in a right-angled corner, from the time that is lost there.

    Braking from v to c and speeding up again takes (v − c)² / (a v) longer than running on.
    """
    lost_mm2_s2 = printer.corner_loss_s * printer.acceleration_mm_s2 * CORNER_AT_MM_S
    return max(CORNER_AT_MM_S - math.sqrt(lost_mm2_s2), 0.0)


def flow_mm3_s(process: Process, speed_mm_s: float) -> float:
    """Molten volume per second at a printing speed."""
    return bead_section_mm2(process.line_width_mm, process.layer_height_mm) * speed_mm_s


def whole_layers(asked_mm: float, layer_height_mm: float) -> int:
    """The number of layers nearest to ``asked_mm``, at least 1.

    Half a layer rounds up: the larger gap lets go. Never 0: support of the part's own material fuses
    where there is no gap at all.
    """
    return max(1, math.floor(asked_mm / layer_height_mm + 0.5 + _LAYER_TOLERANCE))


def _gap(asked_mm: float, layer_height_mm: float) -> tuple[float, int, float]:
    layers = whole_layers(asked_mm, layer_height_mm)
    return asked_mm, layers, layers * layer_height_mm


def air_gap(process: Process) -> tuple[float, int, float]:
    """The air gap under the part: (asked mm, whole layers, realised mm).

    ``air_gap_mm`` counts where it is set, else ``air_gap_layers`` times the layer height.
    """
    structure = process.structure
    asked_mm = structure.air_gap_mm or structure.air_gap_layers * process.layer_height_mm
    return _gap(asked_mm, process.layer_height_mm)


def air_gap_below(process: Process) -> tuple[float, int, float]:
    """The air gap between support feet and the part they stand on: (asked mm, whole layers, realised mm)."""
    return _gap(process.structure.air_gap_below_layers * process.layer_height_mm, process.layer_height_mm)


def layer_count(height_mm: float, process: Process) -> int:
    """How many layers a part of this height gets, at least 1.

    A layer is printed when its middle lies within the part, for there its section is taken: a rest of up to
    half a layer on top is left off.
    """
    above_first = (height_mm - process.first_layer_height_mm) / process.layer_height_mm
    return 1 + max(0, math.ceil(above_first - 0.5 - _LAYER_TOLERANCE))


def reach_fraction(process: Process) -> float:
    """How far a layer may reach past the one beneath it and still hold, as a share of the line width.

    ``reach_share`` counts where it is set, as tuning does. Else half the width at the material's usual
    cooling, 0.15 more or less for a full share of fan.
    Half: common practice, no source (45° where the layer is half as high as the line is wide).
    0.15: from memory.
    """
    if process.reach_share > 0:
        return process.reach_share
    return _USUAL_REACH + _REACH_PER_FAN * (process.fan - process.material.usual_fan)


def reach_mm(process: Process) -> float:
    """How far a layer may reach past the one beneath it and still hold, mm."""
    return reach_fraction(process) * process.line_width_mm


def with_usual_structure(process: Process) -> Process:
    """The process with supports as they are where nothing is said of them: for what does not depend on how
    they are built."""
    usual = Structure()
    spacing_mm = max(usual.spacing_mm, process.line_width_mm)  # the lines of a wide bore would fuse
    return replace(process, structure=replace(usual, spacing_mm=spacing_mm))


def head_reach_mm(process: Process) -> float:
    """How far the head of a support reaches to either side of an edge that is too narrow to print."""
    return 0.5 * process.structure.head_widths * process.line_width_mm


def limit_deg(process: Process) -> float:
    """The same reach as an angle from the vertical, at the process's layer height."""
    return math.degrees(math.atan2(reach_mm(process), process.layer_height_mm))

"""From extruded volume to filament, mass and price (volume balance)."""

from __future__ import annotations

import numpy as np

from falsework.cost.cost import Cost
from falsework.layers.stack import Floats
from falsework.process import Process


def filament_mm(volume_mm3: float, process: Process) -> float:
    """Length of filament that holds this volume."""
    return volume_mm3 / process.filament_section_mm2


def mass_g(volume_mm3: float, process: Process) -> float:
    """Mass of this volume of the process's material."""
    return volume_mm3 * process.material.density_g_cm3 * 1e-3


def price(volume_mm3: float, time_s: float, process: Process) -> float:
    """Filament plus machine time, in the currency of the process."""
    filament = mass_g(volume_mm3, process) * 1e-3 * process.material.price_per_kg
    return filament + time_s / 3600.0 * process.printer.price_per_hour


def cost_of(volume_mm3: float, time_s: float, process: Process) -> Cost:
    """The whole ``Cost`` of extruding ``volume_mm3`` in ``time_s``."""
    return Cost(
        volume_mm3,
        filament_mm(volume_mm3, process),
        mass_g(volume_mm3, process),
        time_s,
        price(volume_mm3, time_s, process),
    )


def costs_of(volumes_mm3: Floats, times_s: Floats, process: Process) -> list[Cost]:
    """``cost_of`` for each of (n,) volumes and times."""
    pairs = zip(np.asarray(volumes_mm3).tolist(), np.asarray(times_s).tolist(), strict=True)
    return [cost_of(volume, time, process) for volume, time in pairs]

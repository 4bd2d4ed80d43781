"""From extruded volume to filament, mass and price (volume balance)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from falsework.cost.cost import Cost
from falsework.layers.stack import Floats
from falsework.process import Process


@dataclass(frozen=True, slots=True)
class Rates:
    """What plastic and machine time come to with a process."""

    process: Process

    def filament_mm(self, volume_mm3: float) -> float:
        """Length of filament that holds this volume."""
        return volume_mm3 / self.process.filament_section_mm2

    def mass_g(self, volume_mm3: float) -> float:
        """Mass of this volume of the process's material."""
        return volume_mm3 * self.process.material.density_g_cm3 * 1e-3

    def price(self, volume_mm3: float, time_s: float) -> float:
        """Filament plus machine time, in the currency of the process."""
        filament = self.mass_g(volume_mm3) * 1e-3 * self.process.material.price_per_kg
        return filament + time_s / 3600.0 * self.process.printer.price_per_hour

    def cost(self, volume_mm3: float, time_s: float) -> Cost:
        """The whole ``Cost`` of extruding ``volume_mm3`` in ``time_s``."""
        return Cost(
            volume_mm3,
            self.filament_mm(volume_mm3),
            self.mass_g(volume_mm3),
            time_s,
            self.price(volume_mm3, time_s),
        )

    def costs(self, volumes_mm3: Floats, times_s: Floats) -> list[Cost]:
        """``cost`` of each of (n,) volumes and times."""
        pairs = zip(np.asarray(volumes_mm3).tolist(), np.asarray(times_s).tolist(), strict=True)
        return [self.cost(volume, time) for volume, time in pairs]

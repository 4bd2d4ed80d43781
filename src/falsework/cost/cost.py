"""``Cost``: what something takes to print."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Cost:
    """Material, time and price; adds with ``+``.

    ``price`` is in the currency of the process file: filament plus machine time.

    Examples
    --------
    >>> import falsework
    >>> one = falsework.Cost(mass_g=2.0, time_s=600.0, price=0.5)
    >>> (one + one).time_s
    1200.0
    """

    volume_mm3: float = 0.0
    filament_mm: float = 0.0
    mass_g: float = 0.0
    time_s: float = 0.0
    price: float = 0.0

    def __add__(self, other: Cost) -> Cost:
        return Cost(
            self.volume_mm3 + other.volume_mm3,
            self.filament_mm + other.filament_mm,
            self.mass_g + other.mass_g,
            self.time_s + other.time_s,
            self.price + other.price,
        )

"""Which metric screw goes through a hole."""

from __future__ import annotations

# Clearance holes, fine and medium, mm. ISO 273:1979, from memory.
CLEARANCE_MM = {
    "M2": (2.2, 2.4),
    "M2.5": (2.7, 2.9),
    "M3": (3.2, 3.4),
    "M4": (4.3, 4.5),
    "M5": (5.3, 5.5),
    "M6": (6.4, 6.6),
    "M8": (8.4, 9.0),
}
NEAR_MM = 0.051  # between the sizes of a row a hole serves as well


def fits_screw(diameter_mm: float) -> str:
    """The screw whose clearance hole this may be, '' for none."""
    for screw, (fine, medium) in CLEARANCE_MM.items():
        if fine - NEAR_MM <= diameter_mm <= medium + NEAR_MM:
            return screw
    return ""

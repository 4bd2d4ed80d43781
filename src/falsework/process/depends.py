"""What of a process the steps of a plan depend on: keys under which what they made is kept for other plans.

Left out is what says how long something takes, what it costs or what it is called, so that a setting that is
added counts until someone says that it does not.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields
from typing import Any

from falsework.process.settings import Process

Values = tuple[object, ...]

_TAKES = {  # what the print takes, and names
    "name",
    "nozzle_mm",
    "printer",
    "wall_lines",
    "solid_layers",
    "fill",
    "wall_speed_mm_s",
    "fill_speed_mm_s",
    "support_speed_mm_s",
    "first_layer_speed_mm_s",
}
_COSTS = {"name", "price_per_kg", "bed_temperature_c"}
_HOLDS = {"youngs_modulus_gpa", "weld_strength_mpa"}


def need_depends(process: Process) -> Values:
    """All on which it depends what of a part needs support, and how far it sags without."""
    material = _but(process.material, _COSTS | _HOLDS)
    return *_but(process, {*_TAKES, "material", "structure"}), *material


def support_depends(process: Process) -> Values:
    """All on which it depends how supports are built, of where they may be: not what they take."""
    return *_but(process, {*_TAKES, "material"}), *_but(process.material, _COSTS)


def _but(settings: Any, left_out: Collection[str]) -> Values:
    return tuple(getattr(settings, f.name) for f in fields(settings) if f.name not in left_out)

"""What things take to print: filament, hours, price.

Names are looked up when they are first used, so that ``Cost`` alone does not load the kernels.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.cost.cost import Cost
    from falsework.cost.filament import cost_of, costs_of, filament_mm, mass_g, price
    from falsework.cost.part import PartLayers, part_cost
    from falsework.cost.strands import region_cost, strands_cost, strands_cost_by

__all__ = [
    "Cost",
    "PartLayers",
    "cost_of",
    "costs_of",
    "filament_mm",
    "mass_g",
    "part_cost",
    "price",
    "region_cost",
    "strands_cost",
    "strands_cost_by",
]

_HOMES = {
    "falsework.cost.cost": ("Cost",),
    "falsework.cost.filament": ("cost_of", "costs_of", "filament_mm", "mass_g", "price"),
    "falsework.cost.part": ("PartLayers", "part_cost"),
    "falsework.cost.strands": ("region_cost", "strands_cost", "strands_cost_by"),
}


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

"""Planning: the pipeline from a part to its ``Plan``, and the plan as a document.

Names are looked up when they are first used, so that the document's form alone loads nothing heavy.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.planning.pipeline import inspect, judged, placed_part, plan, totals
    from falsework.planning.store import Store
    from falsework.planning.value import Inspection, Plan, Totals

_HOMES = {
    "falsework.planning.pipeline": ("inspect", "judged", "placed_part", "plan", "totals"),
    "falsework.planning.store": ("Store",),
    "falsework.planning.value": ("Inspection", "Plan", "Totals"),
}

__all__ = ["Inspection", "Plan", "Store", "Totals", "inspect", "judged", "placed_part", "plan", "totals"]


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

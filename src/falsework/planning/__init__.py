"""Planning: the pipeline from a part to its ``Plan``, and the plan as a document.

Names are looked up when they are first used, so that the document's form alone loads nothing heavy.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.planning.calls import inspect, plan, totals
    from falsework.planning.pipeline import inspect_for, judged, placed_part, plan_for, totals_for
    from falsework.planning.value import Inspection, Plan, Totals

_HOMES = {
    "falsework.planning.calls": ("inspect", "plan", "totals"),
    "falsework.planning.pipeline": ("inspect_for", "judged", "placed_part", "plan_for", "totals_for"),
    "falsework.planning.value": ("Inspection", "Plan", "Totals"),
}

__all__ = [
    "Inspection",
    "Plan",
    "Totals",
    "inspect",
    "inspect_for",
    "judged",
    "placed_part",
    "plan",
    "plan_for",
    "totals",
    "totals_for",
]


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

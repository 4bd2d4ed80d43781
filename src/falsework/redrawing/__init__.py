"""Redrawing: changes to the part so that it needs no support, each applied and proved by planning again.

Names are looked up when they are first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.redrawing.changes.draft import ChangeKind
    from falsework.redrawing.features.candidates import candidates
    from falsework.redrawing.pipeline import redraw, redraw_for
    from falsework.redrawing.request import Scope
    from falsework.redrawing.value import Redraw

_HOME_OF = {
    "ChangeKind": "falsework.redrawing.changes.draft",
    "Redraw": "falsework.redrawing.value",
    "candidates": "falsework.redrawing.features.candidates",
    "Scope": "falsework.redrawing.request",
    "redraw": "falsework.redrawing.pipeline",
    "redraw_for": "falsework.redrawing.pipeline",
}

__all__ = ["ChangeKind", "Redraw", "Scope", "candidates", "redraw", "redraw_for"]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'falsework.redrawing' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value

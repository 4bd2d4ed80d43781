"""How a part should lie on the bed. Names are looked up when they are first used."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.lie.best import best_lies
    from falsework.lie.marks import MarkedFaces, Marks, direction, marks_beside, read_marks
    from falsework.lie.value import Care, LayerCheck, Lie, LiePrice, Lies
    from falsework.lie.words import HEAD, rows, shown, turn_text, turn_words

_HOMES = {
    "falsework.lie.best": ("best_lies",),
    "falsework.lie.marks": ("Marks", "MarkedFaces", "direction", "marks_beside", "read_marks"),
    "falsework.lie.value": ("Care", "LayerCheck", "Lie", "LiePrice", "Lies"),
    "falsework.lie.words": ("HEAD", "rows", "shown", "turn_text", "turn_words"),
}

__all__ = [
    "HEAD",
    "Care",
    "LayerCheck",
    "Lie",
    "LiePrice",
    "Lies",
    "MarkedFaces",
    "Marks",
    "best_lies",
    "direction",
    "marks_beside",
    "read_marks",
    "rows",
    "shown",
    "turn_text",
    "turn_words",
]


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

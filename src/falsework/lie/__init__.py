"""How a part should lie on the bed. Names are looked up when they are first used."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.lie.best import best_lies, lies_for
    from falsework.lie.value import Care, LayerCheck, Lie, LiePrice, Lies, Search
    from falsework.lie.words import HEAD, rows, shown, turn_text, turn_words

_HOMES = {
    "falsework.lie.best": ("best_lies", "lies_for"),
    "falsework.lie.value": ("Care", "LayerCheck", "Lie", "LiePrice", "Lies", "Search"),
    "falsework.lie.words": ("HEAD", "rows", "shown", "turn_text", "turn_words"),
}

__all__ = [
    "HEAD",
    "Care",
    "LayerCheck",
    "Lie",
    "LiePrice",
    "Lies",
    "Search",
    "best_lies",
    "lies_for",
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

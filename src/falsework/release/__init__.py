"""Will the supports come off? Names are looked up when they are first used."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.release.judge import judge_release
    from falsework.release.remedies import what_to_change
    from falsework.release.value import Block, Cut, PieceRelease, Pulls, Release, Remedy, State, Tool

_HOMES = {
    "falsework.release.judge": ("judge_release",),
    "falsework.release.remedies": ("what_to_change",),
    "falsework.release.value": (
        *("Block", "Cut", "PieceRelease", "Pulls", "Release", "Remedy", "State", "Tool"),
    ),
}

__all__ = [
    "Block",
    "Cut",
    "PieceRelease",
    "Pulls",
    "Release",
    "Remedy",
    "State",
    "Tool",
    "judge_release",
    "what_to_change",
]


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

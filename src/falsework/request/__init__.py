"""What is asked of the bench, as values: a part, how it is placed, what is wished of it, and in what context.

A request is checked once, when it is made, and then travels whole: command line, Python and the bench in the
browser make the same values, and the same values are stored. Names are looked up when they are first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.request.context import Context
    from falsework.request.marks import NO_FACES, MarkedFaces, Vector, direction
    from falsework.request.options import Options, request_of
    from falsework.request.standing import AUTO, Standing
    from falsework.request.store import Store
    from falsework.request.value import Placing, Request, Wish
    from falsework.request.weights import Weights

_HOMES = {
    "falsework.request.context": ("Context",),
    "falsework.request.marks": ("NO_FACES", "MarkedFaces", "Vector", "direction"),
    "falsework.request.options": ("Options", "request_of"),
    "falsework.request.standing": ("AUTO", "Standing"),
    "falsework.request.store": ("Store",),
    "falsework.request.value": ("Placing", "Request", "Wish"),
    "falsework.request.weights": ("Weights",),
}

__all__ = [
    "AUTO",
    "NO_FACES",
    "Context",
    "MarkedFaces",
    "Options",
    "Placing",
    "Request",
    "Standing",
    "Store",
    "Vector",
    "Weights",
    "Wish",
    "direction",
    "request_of",
]


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(module), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

"""Parts: reading files, healing meshes, placing on the bed, demo parts. Loaded when first asked for."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.part.demo import demo_parts
    from falsework.part.part import Finding, Health, Part
    from falsework.part.placing import fits, place
    from falsework.part.reading import read_part

_HOME_OF = {
    "Finding": "falsework.part.part",
    "Health": "falsework.part.part",
    "Part": "falsework.part.part",
    "demo_parts": "falsework.part.demo",
    "fits": "falsework.part.placing",
    "place": "falsework.part.placing",
    "read_part": "falsework.part.reading",
}

__all__ = ["Finding", "Health", "Part", "demo_parts", "fits", "place", "read_part"]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'falsework.part' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value

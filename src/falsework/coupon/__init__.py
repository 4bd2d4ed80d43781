"""Test pieces: what is tried, how it is built, and what is read off the print.

Names are looked up when they are first used, so that a ``Reading`` alone loads no geometry.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from falsework.coupon.conditions import candidate_conditions, printed, support_condition
    from falsework.coupon.designing import design
    from falsework.coupon.reading import Condition, Kind, LetGo, Reading
    from falsework.coupon.value import Batch, Cell, Coupon, CouponKind, LeftOut, Shape

_HOMES = {
    "falsework.coupon.conditions": ("candidate_conditions", "printed", "support_condition"),
    "falsework.coupon.designing": ("design",),
    "falsework.coupon.reading": ("Condition", "Kind", "LetGo", "Reading"),
    "falsework.coupon.value": ("Batch", "Cell", "Coupon", "CouponKind", "LeftOut", "Shape"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Batch",
    "Cell",
    "Condition",
    "Coupon",
    "CouponKind",
    "Kind",
    "LeftOut",
    "LetGo",
    "Reading",
    "Shape",
    "candidate_conditions",
    "design",
    "printed",
    "support_condition",
]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'falsework.coupon' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value

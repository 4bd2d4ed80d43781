"""Test pieces made once and looked at by several tests."""

from __future__ import annotations

from functools import cache

from falsework.coupon import Coupon, CouponKind, design_coupon
from falsework.process import builtin


@cache
def piece(kind: CouponKind, name: str = "pla-0.4", seed: int = 1) -> Coupon:
    """A test piece for a built-in process."""
    return design_coupon(kind, builtin(name), seed=seed)

"""Test pieces: what is tried, and what is read off the print."""

from falsework.coupon.reading import Condition, Kind, LetGo, Reading

__all__ = ["Condition", "Kind", "LetGo", "Reading"]

"""Stance: whether the part itself stands while it grows: its first layer, its balance, its corners."""

from falsework.stance.check import Balance
from falsework.stance.value import Foot, Stance

__all__ = ["Balance", "Foot", "Stance"]

"""Droop: how far strands over air sag, how they bond, with intervals."""

from falsework.droop.belief import PRIOR, Belief
from falsework.droop.estimate import Estimate

__all__ = ["PRIOR", "Belief", "Estimate"]

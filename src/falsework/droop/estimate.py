"""``Estimate``: a predicted figure with its interval and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Estimate:
    """A prediction: the middle value and a 90 % interval.

    ``basis`` says on what it rests: 'uncalibrated' (prior only), 'extrapolated' or 'calibrated'.
    """

    value: float
    low: float
    high: float
    basis: str = "uncalibrated"

    def at_most(self, limit: float) -> Estimate:
        """The same prediction where nothing can exceed ``limit``."""
        return Estimate(min(self.value, limit), min(self.low, limit), min(self.high, limit), self.basis)

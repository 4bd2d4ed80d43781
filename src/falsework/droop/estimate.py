"""``Estimate``: a predicted figure with its interval and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import Any

import numpy as np

NORMAL_95 = 1.6448536269514722  # the 95 % point of the standard normal: a two-sided 90 % interval


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


def around(value: float, log_sd: float, basis: str) -> Estimate:
    """An estimate whose logarithm is normal with ``log_sd`` around ``value``."""
    factor = exp(NORMAL_95 * log_sd)
    return Estimate(value, value / factor, value * factor, basis)


def quantiles(draws: Any) -> Any:
    """(3, …) median, 5 % and 95 % of draws (S, …)."""
    low, middle, high = np.quantile(draws, (0.05, 0.5, 0.95), axis=0)
    return np.stack([middle, low, high])


def spread(draws: Any, basis: str) -> Estimate:
    """Median and 90 % interval of draws (S,) of one figure."""
    value, low, high = (float(q) for q in quantiles(draws))
    return Estimate(value, low, high, basis)

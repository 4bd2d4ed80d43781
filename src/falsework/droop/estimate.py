"""``Estimate``: a predicted figure with its interval and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp
from typing import Any

import numpy as np

NORMAL_95 = 1.6448536269514722  # the 95 % point of the standard normal: a two-sided 90 % interval


@dataclass(frozen=True)
class Estimate:
    """A prediction: the middle value and a 90 % interval.

    ``basis`` says on what it rests: 'uncalibrated' (prior only), 'extrapolated' or 'calibrated'.

    Examples
    --------
    >>> import falsework
    >>> falsework.Estimate(0.30, low=0.21, high=0.35).high
    0.35
    """

    value: float
    low: float
    high: float
    basis: str = "uncalibrated"


def around(value: float, log_sd: float, basis: str) -> Estimate:
    """An estimate whose logarithm is normal with ``log_sd`` around ``value``."""
    factor = exp(NORMAL_95 * log_sd)
    return Estimate(value, value / factor, value * factor, basis)


def quantiles(draws: Any) -> Any:
    """(3, …) median, 5 % and 95 % of draws (S, …)."""
    ordered = np.sort(np.ascontiguousarray(np.moveaxis(draws, 0, -1)), axis=-1)  # quicker than to select
    last = ordered.shape[-1] - 1
    at = last * np.array([0.5, 0.05, 0.95])
    below = at.astype(np.int64)
    least, next_ = ordered[..., below], ordered[..., np.minimum(below + 1, last)]
    return np.moveaxis(least + (next_ - least) * (at - below), -1, 0)


def estimates(ends: Any, bases: Sequence[str]) -> list[Estimate]:
    """The estimate of each column of (3, n) middles, lows and highs, and what it rests on."""
    columns = zip(*np.asarray(ends).tolist(), bases, strict=True)
    return [Estimate(value, low, high, basis) for value, low, high, basis in columns]


def spread(draws: Any, basis: str) -> Estimate:
    """Median and 90 % interval of draws (S,) of one figure."""
    value, low, high = (float(q) for q in quantiles(draws))
    return Estimate(value, low, high, basis)

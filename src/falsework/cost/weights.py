"""``Weights``: what the user cares about, as prices."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Weights:
    """What the user cares about, as prices, so that everything adds up in one currency.

    ``finish_per_cm2``: what a square centimetre of fully spoilt surface is worth;
    ``filament`` and ``time`` multiply the price of material and machine time (1 = as priced).
    """

    finish_per_cm2: float = 0.5
    filament: float = 1.0
    time: float = 1.0

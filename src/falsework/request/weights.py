"""``Weights``: what the user cares about, as prices."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.process.checks import check_fields
from falsework.process.fields import setting

_MOST = 1e6


@dataclass(frozen=True)
class Weights:
    """What the user cares about, as prices, so that everything adds up in one currency.

    ``finish_per_cm2``: what a square centimetre of fully spoilt surface is worth;
    ``filament`` and ``time`` multiply the price of material and machine time (1 = as priced).
    ``ProcessError`` for one that is negative or no number.
    """

    finish_per_cm2: float = setting(
        0.5,
        help="what a square centimetre of fully spoilt surface is worth, in your currency",
        unit="per cm²",
        low=0.0,
        high=_MOST,
    )
    filament: float = setting(1.0, help="factor on filament", low=0.0, high=_MOST)
    time: float = setting(1.0, help="factor on machine time", low=0.0, high=_MOST)

    def __post_init__(self) -> None:
        check_fields(self, "weights")


EQUAL = Weights()
"""Filament and machine time as priced."""

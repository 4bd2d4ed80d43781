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
    ``filament`` and ``time`` multiply the price of material and machine time (1 = as priced);
    ``hands_per_hour``: what an hour of taking supports off is worth; ``show_per_cm2``: what a square
    centimetre of fully spoilt show face costs on top; ``strength``: what it costs that a load along the given
    axis pulls wholly across the layers.
    ``ProcessError`` for one that is negative or no number.

    Examples
    --------
    >>> import falsework
    >>> falsework.Weights(time=2.0).filament
    1.0
    """

    finish_per_cm2: float = setting(
        0.5,
        help="what a square centimetre of fully spoilt surface is worth, in your currency",
        unit="per cm²",
        low=0.0,
        high=_MOST,
    )
    filament: float = setting(1.0, help="factor on the price of filament", low=0.0, high=_MOST)
    time: float = setting(1.0, help="factor on the price of machine time", low=0.0, high=_MOST)
    hands_per_hour: float = setting(
        12.0, help="what an hour of taking supports off is worth", unit="per h", low=0.0, high=_MOST
    )
    show_per_cm2: float = setting(
        2.0,
        help="what a square centimetre of fully spoilt face that shows costs on top",
        unit="per cm²",
        low=0.0,
        high=_MOST,
    )
    strength: float = setting(
        5.0, help="what it costs that a load pulls wholly across the layers", low=0.0, high=_MOST
    )

    def __post_init__(self) -> None:
        check_fields(self, "weights")


WEIGHTS = {
    "finish": "finish_per_cm2",
    "filament": "filament",
    "time": "time",
    "hands": "hands_per_hour",
    "show": "show_per_cm2",
    "strength": "strength",
}
"""The short words for the weights, as they are typed."""

EQUAL = Weights()
"""Filament and machine time as priced."""

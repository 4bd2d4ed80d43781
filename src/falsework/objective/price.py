"""``Price``: everything a way to print a part costs, in one currency, term by term."""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass, fields
from typing import Any


@dataclass(frozen=True)
class Price:
    """The price of printing a part in some way; the least ``total`` is best.

    Each term is in the currency of the process file, as ``Weights`` weigh it. The table of ``docs/price.md``
    says how each is reckoned.

    Attributes
    ----------
    filament, time : of the part and its supports.
    finish : surface that droops, and the marks of supports on what they carry.
    scars : part surface that supports marked by support feet.
    show : the same three on faces to keep clean, on top.
    hands : minutes that taking the supports off takes.
    inside : support that never comes out.
    risk : chance that the print fails, times what is lost then.
    strength : how much of the load pulls across the layers.
    """

    filament: float = 0.0
    time: float = 0.0
    finish: float = 0.0
    scars: float = 0.0
    show: float = 0.0
    hands: float = 0.0
    inside: float = 0.0
    risk: float = 0.0
    strength: float = 0.0

    @staticmethod
    def EARLIER(data: dict[str, Any]) -> dict[str, Any]:
        """The terms of prices of lies up to falsework.lies/2: printing in one, failure for risk."""
        if "printing" not in data:
            return data
        names = {"finish": "finish", "show": "show", "failure": "risk", "strength": "strength"}
        terms = {new: data[old] for old, new in names.items()}
        return dict.fromkeys(PARTS, 0.0) | terms | {"time": data["printing"]}

    def __add__(self, other: Price) -> Price:
        return Price(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))

    @property
    def total(self) -> float:
        return math.fsum(astuple(self))

    @property
    def printing(self) -> float:
        """Filament and machine time."""
        return self.filament + self.time

    @property
    def surface(self) -> float:
        """What is spoilt of the surface, show faces apart."""
        return self.finish + self.scars

    @property
    def removal(self) -> float:
        """What taking the supports off costs, or leaving them in."""
        return self.hands + self.inside


PARTS = tuple(field.name for field in fields(Price))
"""Names of the terms, in order."""

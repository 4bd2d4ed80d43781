"""``Stance``: how the part stands on the bed, in figures, ready for ``plan.json``."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.cost.cost import Cost
from falsework.process.forces import LEAST_TOPPLE_SAFETY

NARROW_SHARE = 0.5  # of a first layer that must be wide enough for a line, or it is too narrow to print
CURL_MM = 0.5  # from memory: corners that would curl by more than this lift where the bed is not at its best


@dataclass(frozen=True)
class Foot:
    """A rim of one layer around the first layer that would make the part stand: its breadth and price.

    ``safety`` is the least toppling safety with it.
    """

    breadth_mm: float
    cost: Cost
    safety: float


@dataclass(frozen=True)
class Stance:
    """How the part stands while it is printed.

    Attributes
    ----------
    first_layer_mm2 : what of the part lies on the bed; ``printable_mm2`` of it is half a line wide or more.
    bits : separate bits of the first layer.
    safety : least, over all heights, of what holds a body of the part upright over what tips it: moments
        ``righting_nmm`` and ``turning_nmm`` about the edge of all it stands on, when the layer whose upper
        side is at ``height_mm`` is done, towards ``towards_deg`` from x towards y.
    weight_n : of the whole part.
    held_by : pieces of support (by number) without which it would not stand.
    corners : sharp corners of the first layer; ``curl_mm`` how far the worst would curl up if it were free.
    foot : the least rim that would make it stand; None where it stands, or where no rim does.
    """

    first_layer_mm2: float
    printable_mm2: float
    bits: int
    safety: float
    height_mm: float
    righting_nmm: float
    turning_nmm: float
    towards_deg: float
    weight_n: float
    held_by: tuple[int, ...]
    corners: int
    curl_mm: float
    foot: Foot | None

    @property
    def narrow(self) -> bool:
        """Whether the first layer is too narrow to print."""
        return self.printable_mm2 < NARROW_SHARE * self.first_layer_mm2

    @property
    def topples(self) -> bool:
        return self.safety < LEAST_TOPPLE_SAFETY

    @property
    def stands(self) -> bool:
        return not (self.narrow or self.topples)

    @property
    def curls(self) -> bool:
        return self.curl_mm >= CURL_MM

"""``Coupon``: one test piece as it will be printed, cell by cell; and what of it may be kept as text."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from falsework.coupon.geometry import CouponGeometry
from falsework.coupon.reading import Condition
from falsework.documents import dumps, loads
from falsework.process.settings import Process

SCHEMA = "falsework.coupon/1"


EARLIER_KINDS = {"pattern-comb": "weave-comb"}
"""Words of earlier test pieces, which are still read."""


class CouponKind(StrEnum):
    """The test pieces there are.

    Examples
    --------
    >>> import falsework
    >>> [kind.value for kind in falsework.CouponKind][:2]
    ['overhang-fan', 'bridge-ladder']
    """

    OVERHANG = "overhang-fan"  # fins that lean more and more
    BRIDGE = "bridge-ladder"  # rungs over longer and longer spans, at two fan shares
    GAP = "gap-interface"  # slabs over support, by air gap and interface layers
    WEAVE = "weave-comb"  # slabs over support, by spacing, weave, direction and perimeter
    CONFIRM = "confirmation"  # one underside of each class at the recommended settings

    @classmethod
    def _missing_(cls, value: object) -> CouponKind | None:
        return cls(EARLIER_KINDS[value]) if isinstance(value, str) and value in EARLIER_KINDS else None


class Shape(StrEnum):
    """What a cell is built like."""

    FIN = "fin"  # a leaning wall
    RUNG = "rung"  # a narrow bridge between two blocks
    ROOF = "roof"  # a broad bridge between two blocks, over support
    LEDGE = "ledge"  # a shelf from one block, over support
    PEG = "peg"  # a block that hangs from a roof and starts in mid-air, on support


@dataclass(frozen=True)
class Cell:
    """One condition on the piece, and how it is read off.

    ``label`` stands on the piece beside it. ``batch`` is the index of the print it belongs to (see
    ``Batch``); ``middle_mm`` and ``size_mm`` are its place there, seen from above, x and y.
    ``look`` says what to look at. ``calipers`` says where the outside jaws go, and ``nominal_mm`` what they
    would read if nothing had sagged; None where there is no thickness to take. ``method`` says how an air gap
    that is no whole number of layers was made ('' for whole layers).
    """

    label: str
    condition: Condition
    shape: Shape
    batch: int
    middle_mm: tuple[float, float]
    size_mm: tuple[float, float]
    look: str
    calipers: str
    nominal_mm: float | None
    method: str = ""

    def droop_of(self, thickness_mm: float) -> float:
        """Droop in mm that a thickness between outside jaws means; ValueError where none is taken."""
        if self.nominal_mm is None:
            raise ValueError(f"cell {self.label} has no thickness to take")
        return thickness_mm - self.nominal_mm


@dataclass(frozen=True)
class Batch:
    """What is printed in one go: one file, one share of the fan. A piece with two fan shares has two."""

    name: str  # of its files; '' when it is the only one
    code: str  # as it stands on this body
    fan: float
    size_mm: tuple[float, float, float]
    minutes: float
    grams: float


@dataclass(frozen=True)
class LeftOut:
    """A cell that the piece could have had, and why it has not."""

    what: str
    why: str


@dataclass(frozen=True)
class PieceLimits:
    """The most that a test piece may take to print, supports included.

    Examples
    --------
    >>> import falsework
    >>> falsework.PieceLimits(minutes=20.0).grams
    15.0
    """

    minutes: float = 30.0
    grams: float = 15.0


COMMON_LIMITS = PieceLimits()


@dataclass(frozen=True)
class Coupon:
    """A test piece: what it tries, where, and what it takes to print.

    ``code`` is short and stands on the piece. The same kind, process, belief, limits and ``seed`` give the
    same piece. ``minutes`` and ``grams`` are those of all batches, supports included, without heating up.

    Examples
    --------
    >>> import falsework
    >>> piece = falsework.design_coupon("bridge-ladder", falsework.load_process("pla-0.4"))
    >>> piece.minutes <= piece.most_minutes, falsework.Coupon.from_json(piece.to_json()) == piece
    (True, True)
    """

    kind: CouponKind
    code: str
    seed: int
    process: Process
    cells: tuple[Cell, ...]
    batches: tuple[Batch, ...]
    minutes: float
    grams: float
    most_minutes: float
    most_grams: float
    left_out: tuple[LeftOut, ...] = ()
    notes: tuple[str, ...] = ()
    geometry: CouponGeometry | None = field(default=None, compare=False, repr=False)

    def cell(self, label: str) -> Cell:
        """The cell of that label; KeyError where there is none."""
        for cell in self.cells:
            if cell.label == label:
                return cell
        raise KeyError(label)

    def to_json(self) -> str:
        """Text of ``coupon.json``: everything but the geometry, which is written as files beside it."""
        return dumps(self, SCHEMA)

    @staticmethod
    def from_json(text: str, subject: str = "coupon.json") -> Coupon:
        """Read ``coupon.json`` back to an equal ``Coupon``; ``PartError`` where it does not fit."""
        return loads(Coupon, text, SCHEMA, subject, cure="Make the test piece again")

"""How each piece of support comes off: plain values, ready for ``plan.json``, pictures and sheets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from falsework.arrays import Vector
from falsework.droop.estimate import Estimate
from falsework.errors import ProcessError
from falsework.process.checks import check_fields
from falsework.process.fields import setting
from falsework.release import words
from falsework.release.state import ReleaseState
from falsework.wording.cautions import RULES, CautionedTask, PrintFacts, cautions


@dataclass(frozen=True)
class Tool:
    """Pliers as a box: ``length_mm`` from tip to hand, ``width_mm`` of the jaws, ``opening_mm`` across the
    open jaws.

    Behind its length a hand ``hand_mm`` wide needs room. Defaults from memory: needle-nosed pliers.
    """

    length_mm: float = setting(50.0, help="from tip to hand", unit="mm", low=0.1, high=1000.0)
    width_mm: float = setting(6.0, help="width of the jaws", unit="mm", low=0.1, high=1000.0)
    opening_mm: float = setting(8.0, help="across the open jaws", unit="mm", low=0.1, high=1000.0)
    hand_mm: float = setting(70.0, help="room for the hand behind", unit="mm", low=0.1, high=1000.0)

    def __post_init__(self) -> None:
        check_fields(self, "tool")


FEWEST, MOST = 50, 20_000  # directions


@dataclass(frozen=True)
class Pulls:
    """How pieces are tried to be pulled out: with what tool at hand, in how many even directions.

    ``ProcessError`` for a number of directions that is out of range.
    """

    tool: Tool = Tool()
    directions: int = 1000

    def __post_init__(self) -> None:
        if not (type(self.directions) is int and FEWEST <= self.directions <= MOST):
            wrong = f"{self.directions!r} is out of range"
            raise ProcessError("directions", wrong, f"Give {FEWEST} to {MOST}")


FINGERS = Tool(length_mm=35.0, width_mm=16.0, opening_mm=22.0, hand_mm=70.0)  # from memory: thumb and finger
PICK = Tool(length_mm=80.0, width_mm=2.0, opening_mm=2.0, hand_mm=30.0)
"""Least opening to take supports out 4 mm² (PLA): Cuellar et al. 2018, Proc. IMechE H 232(9):962-971,
doi 10.1177/0954411918794734; as a square. Its length and hand are from memory."""


@dataclass(frozen=True)
class BreakingPlane:
    """A plane through a piece: a point on it, its unit normal, and ``strands``, how many strands it
    severs."""

    point_mm: Vector
    normal: Vector
    strands: int


@dataclass(frozen=True)
class Block:
    """What the cuts leave of a piece: its middle and the direction in which it is pulled; in order of
    removal."""

    center_mm: Vector
    pull_direction: Vector


@dataclass(frozen=True)
class PieceRelease:
    """How one piece comes off. ``number`` is ``SupportPiece.number``.

    Attributes
    ----------
    pull_direction : unit vector in the part's frame as it lies on the bed; None where no straight pull frees
        the whole piece. ``arrow_from_mm`` is a point on the piece to draw it from.
    order : place in the order of removal from 1; 0 for pieces that never leave.
    round : 0 when the part is lifted, then from 1: pieces of one round do not wait for each other.
    after : numbers of the pieces that must leave before.
    free_share : share of the directions looked at in which the part is not in the way (screened, optimistic).
    tool_share, hand_share, pick_share : share of its surface that pliers, fingers, a 2 × 2 mm pick can
    touch from
        outside (other pieces taken as gone).
    contact_mm2 : under the part. bond_n : what holds it to the part, if all of it lets go at once.
    bed_hold_n : what holds its foot to the bed.
    neck_mm2 : least section of the part between the contact and its bulk (0: none found, nothing is carried).
    neck_n : what that section can bear. tears : the bond may be the stronger.
    cuts, blocks : planes that break it up, and what to pull then.
    """

    number: int
    state: ReleaseState
    pull_direction: Vector | None
    arrow_from_mm: Vector
    order: int
    round: int
    after: tuple[int, ...]
    free_share: float
    tool_share: float
    hand_share: float
    pick_share: float
    contact_mm2: float
    bond_n: Estimate
    bed_hold_n: Estimate
    neck_mm2: float
    neck_n: float
    tears: bool
    cuts: tuple[BreakingPlane, ...]
    blocks: tuple[Block, ...]

    SAID: ClassVar[tuple[str, ...]] = ("why",)

    @property
    def why(self) -> str:
        """How it comes off, in sentences."""
        return words.why(self)

    @property
    def fails(self) -> bool:
        """Whether something about it should be changed: it does not come off whole, or takes the part
        along."""
        return self.tears or self.state in (ReleaseState.BREAK, ReleaseState.DIG, ReleaseState.TRAPPED)


@dataclass(frozen=True)
class Release:
    """All pieces, in the order of the scheme; ``order`` lists their numbers as they are to be taken off.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> release = falsework.plan(table()).release
    >>> len(release.pieces) == len(release.order)
    True
    """

    pieces: tuple[PieceRelease, ...]
    order: tuple[int, ...]
    tool: Tool
    directions: int

    SAID: ClassVar[tuple[str, ...]] = ("verdict", "cautions")

    @property
    def verdict(self) -> str:
        """All pieces in one sentence."""
        return words.verdict(self.pieces)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind at the bench, where there is anything to take off."""
        if not self.pieces:
            return ()
        job = PrintFacts(hold_n=max(piece.bed_hold_n.value for piece in self.pieces))
        return (
            *(caution.line for caution in cautions(CautionedTask.TAKE_OFF, job=job)),
            RULES.removesuffix("."),
        )

    @property
    def failing(self) -> tuple[PieceRelease, ...]:
        return tuple(piece for piece in self.pieces if piece.fails)


@dataclass(frozen=True)
class RemedyTakes:
    """What to set so that a remedy is taken: settings of the process by key, undersides decided, a turn.

    ``turn_deg`` is about x, then y, then z, from how the part lies now.
    """

    settings: tuple[tuple[str, str], ...] = ()
    overrules: tuple[tuple[int, str], ...] = ()
    turn_deg: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Remedy:
    """One change and what it comes to, computed by building and judging again.

    ``change`` in words; ``failing`` pieces and the ``failing_mm2`` they carry, before and after;
    ``trapped`` of them; ``strands`` to sever in all cuts; ``left_mm2`` of undersides that get no support;
    ``droop_mm`` the worst droop, onto supports or of what is left bare; ``price`` of the supports.
    ``takes`` is how the change is made.
    """

    change: str
    failing: tuple[int, int]
    failing_mm2: tuple[float, float]
    trapped: tuple[int, int]
    strands: tuple[int, int]
    left_mm2: tuple[float, float]
    droop_mm: tuple[float, float]
    price: tuple[float, float]
    takes: RemedyTakes | None = None  # None: no setting does it

    SAID: ClassVar[tuple[str, ...]] = ("effect",)

    @property
    def effect(self) -> str:
        """What changes, in figures."""
        return words.effect(self)

"""``Redraw``: the changes that make each underside hold, what they cost and save, and all of them done."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from manifold3d import Manifold

from falsework.cost.cost import Cost
from falsework.documents import dumps, loads
from falsework.need.underside import Underside
from falsework.part.part import Part
from falsework.planning.value import PartSummary, Plan
from falsework.process.settings import Process
from falsework.redrawing.body.placement import Placement
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.features.candidates import Candidate
from falsework.redrawing.printed import Printed
from falsework.redrawing.split.value import Splits
from falsework.request.standing import Standing
from falsework.request.weights import Weights
from falsework.wording.notices import Notice

SCHEMA = "falsework.redraw/2"


@dataclass(frozen=True)
class ChangedRegion:
    """One named solid that is added to the part, or taken from it where not ``added``.

    ``solid`` is in the placed part's frame: see ``Placement`` for the part's own.
    """

    name: str
    added: bool
    volume_mm3: float
    solid: Manifold | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Change:
    """One kind of change for one underside, applied and proved.

    ``dimensions``: what to type into a drawing program, in the frame of the files.
    ``faults``: why it is not good, in plain sentences; none for one that is proven. ``touches``: what of the
    part's function it would spoil; such a change is made only when asked for. ``added_mm3`` and
    ``removed_mm3`` are what really comes and goes, ``share`` both over the part's volume. ``extra``: what the
    part itself takes more (or less, below 0). ``saved_g``, ``saved_s``, ``saved_price``: what the plan of the
    part takes less with the change than without, filament, time, marks, the chance that what is left ruins
    it, all told, and less the hands that break the change off again: ``hand_min``, ``hand_price``. Below 0
    the change costs more than it saves. The smallest sections: see ``Proof``.
    """

    kind: ChangeKind
    underside: int
    words: str
    dimensions: tuple[str, ...]
    by_hand: str
    notes: tuple[str, ...]
    faults: tuple[str, ...]
    touches: tuple[str, ...]
    added_mm3: float
    removed_mm3: float
    share: float
    extra: Cost
    saved_g: float
    saved_s: float
    saved_price: float
    hand_min: float
    hand_price: float
    smallest_before_mm2: float
    smallest_after_mm2: float
    regions: tuple[ChangedRegion, ...]
    draft: Draft | None = field(default=None, compare=False, repr=False)

    @property
    def proven(self) -> bool:
        return not self.faults

    @property
    def offered(self) -> bool:
        """Whether it may be made without being asked for."""
        return self.proven and not self.touches

    def failing(self, why: str) -> Change:
        """The same with a fault, for which it saves nothing."""
        return replace(self, faults=(*self.faults, why), saved_g=0.0, saved_s=0.0, saved_price=0.0)


@dataclass(frozen=True)
class Treated:
    """One underside: what its support takes, what can be done instead, best first, and what cannot.

    ``standing`` is what the plan chose, ``support`` and ``price`` what that takes (marks and the chance of
    failure included). ``chosen``: the kind that went into the combined proposal, None where none did;
    ``outcome`` says so in a sentence.
    """

    underside: Underside
    standing: Standing
    support: Cost
    price: float
    changes: tuple[Change, ...]
    declined: tuple[Refusal, ...]
    chosen: ChangeKind | None
    outcome: str

    @property
    def change(self) -> Change | None:
        """The change that was chosen."""
        return next((c for c in self.changes if c.kind is self.chosen), None)


@dataclass(frozen=True)
class LeftAlone:
    """An underside for which nothing was drawn, and why."""

    underside: int
    why: str


@dataclass(frozen=True)
class Combined:
    """The best change of every underside, applied together and planned as a whole.

    ``undersides``: those that are treated; ``gone``: of these, those of which the new plan finds nothing that
    asks for support. ``after``: the redrawn part as printed. ``outside_share``: volume that differs outside
    the changed regions, over the part's. ``dropped``: sentences on changes that hurt others and were left
    out. ``closed``: the mesh has no open edge.
    """

    undersides: tuple[int, ...]
    gone: tuple[int, ...]
    added_mm3: float
    removed_mm3: float
    outside_share: float
    triangles: int
    closed: bool
    after: Printed
    dropped: tuple[str, ...]
    by_hand: tuple[str, ...]
    hand_min: float
    hand_price: float

    @property
    def price(self) -> float:
        """Printed, and the hands that break off what does not stay."""
        return self.after.price + self.hand_price


@dataclass(frozen=True)
class OtherOrientation:
    """The best other way to lay the part as it is, unchanged."""

    turn_deg: tuple[float, float, float]
    words: str
    needs_no_support: bool
    printed: Printed


@dataclass(frozen=True, eq=False)
class RedrawGeometry:
    """The arrays behind a redraw: not part of its value.

    ``placed``: the part as it was planned; ``redrawn``: the changed part as its files hold it, in their
    frame, its face sets carried over, None where nothing is changed; ``placement``: from the part's own
    frame and that of the files to the place of the plan. ``replan``: the plan of ``redrawn``.
    """

    placed: Part
    redrawn: Part | None
    placement: Placement
    plan: Plan
    replan: Plan | None


@dataclass(frozen=True)
class Redraw:
    """The result: a value that can be written, read back and compared.

    ``span_mm``: the longest flat bridge that prints cleanly. ``frame``: in which files and dimensions are.
    ``spared``: what must stay, in words; ``candidates``: what else the user may want to keep. ``left``:
    undersides for which nothing was drawn. ``best``: 'another position', 'split', 'redraw' or 'as it is',
    whichever is cheapest in all; ``why`` says so.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.redraw(table(), kinds=("drawn-in fins",), split=False, other_lies=False)
    >>> [treated.underside.number for treated in found.treated]
    [1]
    >>> falsework.Redraw.from_json(found.to_json()) == found
    True
    """

    part: PartSummary
    process: Process
    weights: Weights
    limit_deg: float
    reach_mm: float
    span_mm: float
    spared: tuple[str, ...]
    spared_mm2: float
    frame: str
    candidates: tuple[Candidate, ...]
    before: Printed
    treated: tuple[Treated, ...]
    left: tuple[LeftAlone, ...]
    combined: Combined | None
    lie: OtherOrientation | None
    splits: Splits | None
    best: str
    why: str
    notes: tuple[str, ...]
    warnings: tuple[Notice, ...]
    rests_on: str = ""
    geometry: RedrawGeometry | None = field(default=None, compare=False, repr=False)

    @staticmethod
    def EARLIER(data: dict[str, Any]) -> dict[str, Any]:
        """By the words of this version."""
        return {**data, "best": "another position"} if data["best"] == "another lie" else data

    def to_json(self, *, said: bool = False) -> str:
        """Text of ``redraw.json``: everything but the geometry, which is written as files beside it."""
        return dumps(self, SCHEMA, said=said)

    @staticmethod
    def from_json(text: str, subject: str = "redraw.json") -> Redraw:
        """Read ``redraw.json`` back to an equal ``Redraw``; ``PartError`` where it does not fit."""
        return loads(Redraw, text, SCHEMA, subject, "Redraw the part again")

"""``Plan``: one part, one process, everything decided, as ``planning.pipeline`` makes it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.cost.cost import Cost
from falsework.documents import dumps, loads
from falsework.need.measured import MeasuredPart
from falsework.need.underside import Underside
from falsework.objective import Price
from falsework.orientation.value import Orientations
from falsework.part.part import MeshFinding
from falsework.process.derived import Gap
from falsework.process.settings import Process
from falsework.release.value import Release
from falsework.request.standing import renewed_words
from falsework.request.weights import Weights
from falsework.stance.value import Stance
from falsework.support.geometry import Geometry
from falsework.support.scheme import SupportPiece
from falsework.support.standing import Alternative, Choice
from falsework.support.starts import Start
from falsework.wording.notices import Notice

SCHEMA = "falsework.plan/3"
INSPECTION_SCHEMA = "falsework.inspection/2"
TOTALS_SCHEMA = "falsework.totals/3"
LIES_SCHEMA = "falsework.lies/3"
RELEASE_SCHEMA = "falsework.release/2"


@dataclass(frozen=True)
class PartSummary:
    """The part as planned: after healing, scaling, turning and placing on the bed."""

    name: str
    digest: str
    triangles: int
    size_mm: tuple[float, float, float]
    volume_mm3: float
    bodies: int
    closed: bool
    unit: str  # what the file's numbers were taken as
    scale: float
    turn_deg: tuple[float, float, float]
    findings: tuple[MeshFinding, ...]


@dataclass(frozen=True)
class LayerSummary:
    """One figure per layer boundary or layer, for pictures by height."""

    count: int
    z_mm: tuple[float, ...]
    area_mm2: tuple[float, ...]
    need_mm2: tuple[float, ...]
    widest_stitch_mm: float
    stitched: int


@dataclass(frozen=True)
class Inspection:
    """The part's health and its need alone.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.inspect(table())
    >>> found.part.name, len(found.undersides), found.layers.count
    ('table', 1, 200)
    """

    part: PartSummary
    process: Process
    limit_deg: float
    reach_mm: float
    layers: LayerSummary
    undersides: tuple[Underside, ...]
    warnings: tuple[Notice, ...]
    rests_on: str = ""  # on what its predictions rest, in words; '' for the prior
    ground: MeasuredPart | None = field(default=None, compare=False, repr=False)

    def to_json(self, *, said: bool = False) -> str:
        """Text of the inspection under schema ``falsework.inspection/2``."""
        return dumps(self, INSPECTION_SCHEMA, said=said)


@dataclass(frozen=True)
class SparedUnderside:
    """An underside that is not carried, or not all of it, for the sake of faces that no support may touch.

    ``whole``: it lies on such faces altogether and is left, unless the user sets it otherwise. ``own_mm2`` of
    it lie on such faces; support of ``landing_mm2`` more could stand only on such faces.
    """

    number: int
    whole: bool
    own_mm2: float
    landing_mm2: float


@dataclass(frozen=True)
class Sparing:
    """What of the part no support may touch, and what is left for it, estimated by columns.

    ``faces`` are those of the placed part, in its file's order, as runs from the first to before the last.
    """

    area_mm2: float
    undersides: tuple[SparedUnderside, ...]
    faces: tuple[tuple[int, int], ...]

    @property
    def whole(self) -> tuple[int, ...]:
        """Numbers of the undersides that lie on such faces altogether."""
        return tuple(one.number for one in self.undersides if one.whole)

    def marked(self, count: int) -> NDArray[np.bool_]:
        """(count,) which faces of the placed part they are."""
        out = np.zeros(count, dtype=bool)
        for first, end in self.faces:
            out[first:end] = True
        return out


@dataclass(frozen=True)
class Totals:
    """What every standing would cost, estimated before anything is built; fields as in ``Plan``."""

    choices: tuple[Choice, ...]
    alternatives: tuple[Alternative, ...]
    part_cost: Cost
    warnings: tuple[Notice, ...]
    sparing: Sparing | None = None

    def to_json(self, *, said: bool = False) -> str:
        """Text of the totals under schema ``falsework.totals/3``."""
        return dumps(self, TOTALS_SCHEMA, said=said)


FREE = Price()


@dataclass(frozen=True)
class Plan:
    """The result: a value that can be written, read back and compared.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> plan = falsework.plan(table())
    >>> [choice.chosen.value for choice in plan.choices]
    ['bed']
    >>> falsework.Plan.from_json(plan.to_json()) == plan
    True
    """

    EARLIER = staticmethod(renewed_words)

    part: PartSummary
    process: Process
    weights: Weights
    standing: str  # what was asked: leave, bed, bed-or-part or auto
    limit_deg: float
    reach_mm: float
    layers: LayerSummary
    undersides: tuple[Underside, ...]
    choices: tuple[Choice, ...]
    alternatives: tuple[Alternative, ...]  # leave, bed, bed-or-part, chosen (estimated alike)
    gap: Gap
    gap_below: Gap
    pieces: tuple[SupportPiece, ...]
    part_cost: Cost
    support_cost: Cost  # as built
    warnings: tuple[Notice, ...]
    price: Price = FREE  # all in all, as built: what it is chosen by
    rests_on: str = ""  # on what its predictions rest, in words; '' for the prior
    release: Release | None = None  # how the pieces come off
    lies: Orientations | None = None  # the search that chose ``part.turn_deg``; None: laid as asked
    sparing: Sparing | None = None  # what no support may touch; None: nothing is spared
    starts: tuple[Start, ...] = ()  # what starts in mid-air, and what carries it
    stance: Stance | None = None  # how the part itself stands; None in plans from before it was looked at
    otherwise: Notice | None = None  # a position in which a part stands that does not as it lies
    geometry: Geometry | None = field(default=None, compare=False, repr=False)

    def to_json(self, *, said: bool = False) -> str:
        """Text of ``plan.json``: everything but the geometry, which is written as files beside it."""
        return dumps(self, SCHEMA, said=said)

    @staticmethod
    def from_json(text: str, subject: str = "plan.json") -> Plan:
        """Read ``plan.json`` back to an equal ``Plan``; ``PartError`` where it does not fit the schema."""
        return loads(Plan, text, SCHEMA, subject)


def orientations_json(lies: Orientations, *, said: bool = False) -> str:
    """Text of ``lies.json`` under schema ``falsework.lies/3``."""
    return dumps(lies, LIES_SCHEMA, said=said)


def release_json(release: Release, *, said: bool = False) -> str:
    """How the supports come off as text under schema ``falsework.release/2``."""
    return dumps(release, RELEASE_SCHEMA, said=said)

"""``Audit``: what a machine program will print, and everything about it that somebody should know first."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from falsework.documents import dumps, loads
from falsework.droop.estimate import Estimate
from falsework.need.underside import UndersideKind
from falsework.request.standing import Standing

SCHEMA = "falsework.audit/2"


class FindingLevel(StrEnum):
    """How much a finding matters.

    Examples
    --------
    >>> import falsework
    >>> [level.value for level in falsework.FindingLevel]
    ['note', 'caution', 'fault', 'stop: do not print']
    """

    NOTE = "note"  # good to know
    CAUTION = "caution"  # it may show
    FAULT = "fault"  # it will not come out as it should
    RUIN = "stop: do not print"  # the print fails, or the machine is at risk

    @classmethod
    def _missing_(cls, value: object) -> FindingLevel | None:
        """What earlier audits call it, and what the command line takes for short."""
        return cls.RUIN if value in ("ruin", "stop") else None

    @property
    def rank(self) -> int:
        return list(FindingLevel).index(self)


@dataclass(frozen=True)
class Place:
    """Where to look: layer from 1 (by height), top of the layer, a point, the box of all it concerns.

    ``lines``: first and last line of the program, from 1; ``own_lines``: in that layer the very lines that
    lay the strands, where they are few and do not follow one another.
    """

    layer: int
    z_mm: float
    at_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    lines: tuple[int, int]
    layers: int = 1  # how many layers in a row it goes on for
    own_lines: tuple[int, ...] = ()


_EARLIER_KINDS = {"other lie": "other position"}


def _renewed(data: dict[str, Any]) -> dict[str, Any]:
    """Kinds of findings by the words of this version."""
    words = {key: _EARLIER_KINDS[data[key]] for key in ("kind", "follows") if data.get(key) in _EARLIER_KINDS}
    return {**data, **words}


@dataclass(frozen=True)
class Finding:
    """One thing to know before printing.

    ``kind``: a short name, the same for the same thing everywhere; ``says``: one plain sentence; ``cure``:
    what to do about it. ``count``: how often it was met. ``found`` and ``planned``: the figures behind it, if
    any, in ``unit``. ``underside``: its number in the plan, else 0.
    """

    number: int
    kind: str
    level: FindingLevel
    says: str
    cure: str
    count: int = 1
    place: Place | None = None
    lines: tuple[int, ...] = ()  # of the program, where there is no place
    underside: int = 0
    found: float | None = None
    planned: float | None = None
    unit: str = ""
    droop_mm: Estimate | None = None
    follows: str = ""  # kind of the finding that it follows from, if any
    EARLIER = staticmethod(_renewed)


class Decision(StrEnum):
    """What to do with the program."""

    PRINT = "print"
    LOOK = "look"  # at some things first
    DO_NOT = "do not print"


@dataclass(frozen=True)
class Group:
    """Findings of one kind, told as one: ``findings`` are their numbers, the first speaks for all."""

    kind: str
    level: FindingLevel
    says: str
    cure: str
    findings: tuple[int, ...]
    EARLIER = staticmethod(_renewed)


@dataclass(frozen=True)
class Answer:
    """What to do and why, in one sentence; the groups behind it, at most five; how many are folded."""

    decision: Decision
    says: str
    groups: tuple[Group, ...]
    folded: int


@dataclass(frozen=True)
class UndersideAudit:
    """An underside of the part: what was planned and what the program does; None where it does not tell.

    ``carried_share``: share of the strands over it that have support beneath, through the gap or touching;
    ``gap_mm``: the real gap beneath most of these; ``interface_layers``: interface layers under the gap;
    ``spacing_mm`` between the strands of the support's body; ``closed_lines``: around the support.
    ``direction_deg``: of the strands over it, from x towards y.
    """

    number: int
    kind: UndersideKind
    area_mm2: float
    height_mm: float
    standing: Standing
    planned_gap_mm: float
    strands_mm: float
    carried_share: float
    gap_mm: float | None
    interface_layers: int | None
    spacing_mm: float | None
    closed_lines: int | None
    direction_deg: float | None
    fan: float | None
    speed_mm_s: float | None
    nozzle_c: float | None
    longest_in_air_mm: float
    droop_mm: Estimate | None
    verdict: str
    copy_number: int = 1  # of the part on the plate


@dataclass(frozen=True)
class ProgramPlacement:
    """How the part lies in the program: turned about z, then shifted; ``misfit_mm``: median distance of the
    part's outlines from the strands that should run along them; ``covered``: share of outlines so
    followed."""

    turn_deg: float
    shift_mm: tuple[float, float, float]
    misfit_mm: float
    covered: float
    beyond: float = 0.0  # share of points just outside the outlines that lie on strands


@dataclass(frozen=True)
class ProgramFigures:
    """What the whole program comes to; lengths mm, volumes mm³, times s, temperatures °C."""

    lines: int
    moves: int
    strands: int
    layers: int
    height_mm: float  # of most layers
    first_height_mm: float
    width_mm: float  # of most strands
    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]
    pushed_mm3: float
    rebuilt_mm3: float
    part_mm3: float
    support_mm3: float
    aside_mm3: float
    filament_mm: float
    mass_g: float
    time_s: float
    planned_filament_mm: float | None
    planned_time_s: float | None
    nozzle_c: float
    bed_c: float
    fan: float  # mean over the strands above the first layer, by length
    unfollowed: tuple[tuple[str, int, int], ...]  # words not followed: word, how often, first line
    harmless: int  # lines of commands that change nothing about what is laid
    wall_speed_mm_s: float | None  # mean of closed lines above the first layer
    fed_share: float | None  # of the filament that lines side by side need
    texts: tuple[tuple[int, str], ...]  # first lines that are no words at all: line, text


@dataclass(frozen=True)
class Audit:
    r"""The result: findings worst first, figures, and the undersides of the part beside the plan.

    Examples
    --------
    >>> import falsework
    >>> program = b"G28\nG90\nM82\nM104 S210\nG1 Z0.2 F600\nG1 X10 Y10 F6000\nG1 X40 Y10 E1 F1200\n"
    >>> found = falsework.audit(program)
    >>> isinstance(found, falsework.Audit), len(found.undersides)
    (True, 0)
    """

    program: str
    part: str
    against: str  # 'plan', 'part' or 'program': what it was compared with
    process: str
    answer: Answer
    findings: tuple[Finding, ...]
    figures: ProgramFigures
    copies: tuple[ProgramPlacement, ...]  # how each copy of the part lies, the one found first in front
    undersides: tuple[UndersideAudit, ...]
    would_add: str = ""  # what a part or a plan to hold it against would tell besides
    geometry: Any = field(default=None, compare=False, repr=False)

    @property
    def verdict(self) -> str:
        """The answer in one sentence."""
        return self.answer.says

    @property
    def placement(self) -> ProgramPlacement | None:
        """How the first copy of the part lies; None where there is none."""
        return self.copies[0] if self.copies else None

    @property
    def worst(self) -> FindingLevel | None:
        """The worst level among the findings; None without any."""
        return max((f.level for f in self.findings), key=lambda level: level.rank, default=None)

    def worse_than(self, level: FindingLevel) -> bool:
        """Whether any finding is worse than that."""
        return self.worst is not None and self.worst.rank > level.rank

    def to_json(self) -> str:
        """Text under schema ``falsework.audit/2``."""
        return dumps(self, SCHEMA)

    @staticmethod
    def from_json(text: str, subject: str = "audit") -> Audit:
        """Read back what ``to_json`` wrote, to an equal value."""
        return loads(Audit, text, SCHEMA, subject, "Make the audit again")

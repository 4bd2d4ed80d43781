"""``Reading``: one measured outcome, and the ``Condition`` under which it was printed.

The same record comes from a cell of a test piece and from an underside of an everyday print. Every field's
unit, range, help and source stand beside it, as for a process: the ledger, its CSV, the prompts and the page
read them from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from falsework.process.earlier import renewed
from falsework.process.fields import setting


class ConditionKind(StrEnum):
    """What an underside or a cell tries."""

    OVERHANG = "overhang"  # a slope or ledge without support
    BRIDGE = "bridge"  # strands between two anchors, without support
    SUPPORT = "support"  # an underside over support


class LetGo(StrEnum):
    """How a support came off the part, from hard to easy; the last is an older word for either of the two
    before it.

    Examples
    --------
    >>> import falsework
    >>> [word.value for word in falsework.LetGo][:2]
    ['fused', 'scraped']
    """

    FUSED = "fused"  # not without damage to the part
    SCRAPED = "scraped"  # in bits, with a blade or a scraper
    TOOL = "tool"  # in one go, with pliers
    HAND = "hand"  # in one go, by hand
    TOUCH = "touch"  # by itself, at the first touch, once the print was done
    FELL = "fell"  # before the print was done, so that it carried no longer
    EARLY = "early"  # by itself, before the print was done or at the first touch: not told apart


LET_GO_GRADES = tuple(word for word in LetGo if word is not LetGo.EARLY)
"""What is asked now; ``EARLY`` stands in readings that were taken before the two were told apart."""


@dataclass(frozen=True)
class Condition:
    """What was tried, as it was printed. Fields that a kind does not have are None.

    Examples
    --------
    >>> import falsework
    >>> tried = falsework.Condition("bridge", 0.4, 0.2, 0.45, 210, 1.0, 30, span_mm=25)
    >>> tried.kind, tried.air_gap_mm is None
    (<ConditionKind.BRIDGE: 'bridge'>, True)
    """

    EARLIER = staticmethod(renewed)

    kind: ConditionKind = setting(help="what is tried", choices=tuple(ConditionKind))
    nozzle_mm: float = setting(help="nozzle bore", unit="mm", low=0.1, high=3.0)
    layer_height_mm: float = setting(help="layer height", unit="mm", low=0.02, high=2.5)
    line_width_mm: float = setting(help="width of one strand", unit="mm", low=0.05, high=5.0)
    nozzle_temperature_c: float = setting(help="nozzle temperature", unit="°C", low=120, high=500)
    fan: float = setting(help="cooling fan, share of full", low=0.0, high=1.0)
    speed_mm_s: float = setting(help="speed of the strands in question", unit="mm/s", low=1, high=1000)
    room_temperature_c: float = setting(25.0, help="air around the part", unit="°C", low=-20, high=120)
    angle_deg: float | None = setting(
        None, help="overhang: angle of the underside from the vertical", unit="°", low=0, high=90
    )
    span_mm: float | None = setting(
        None,
        help="bridge: free span; support: length of the strands over the support",
        unit="mm",
        low=0.1,
        high=1000,
    )
    air_gap_mm: float | None = setting(
        None, help="support: air gap as it was really printed", unit="mm", low=0.0, high=20
    )
    interface_layers: int | None = setting(None, help="support: interface layers on top", low=0, high=20)
    spacing_mm: float | None = setting(
        None, help="support: distance between the lines of the body", unit="mm", low=0.3, high=50
    )
    weave: str | None = setting(
        None,
        help="support: strands of the body all one way, or in two directions",
        choices=("parallel", "crossed"),
    )
    crossing_deg: float | None = setting(
        None, help="support: angle between the part's strands and the top lines", unit="°", low=0, high=90
    )
    perimeter_lines: int | None = setting(None, help="support: closed lines around the body", low=0, high=3)

    def __post_init__(self) -> None:
        known = {kind.value: kind for kind in ConditionKind}  # what is none is told where it is recorded
        object.__setattr__(self, "kind", known.get(self.kind, self.kind))


@dataclass(frozen=True)
class Reading:
    """One measured outcome. What was not looked at is None; at least one outcome is given.

    Examples
    --------
    >>> import falsework
    >>> tried = falsework.Condition("bridge", 0.4, 0.2, 0.45, 210, 1.0, 30, span_mm=25)
    >>> falsework.Reading("mole", "PLA", tried, droop_mm=0.3).droop_mm
    0.3
    """

    printer: str = setting(help="the printer's name in the ledger")
    material: str = setting(help="the material's name in the ledger")
    condition: Condition = setting(help="what was tried")
    let_go: LetGo | None = setting(None, help="how the support came off", choices=tuple(LetGo))
    finish: int | None = setting(
        None, help="the underside against five pictures, 1 (sagging loops) to 5 (as a wall)", low=1, high=5
    )
    droop_mm: float | None = setting(
        None, help="how far the underside sagged below its place", unit="mm", low=-1.0, high=100
    )
    clean_up_min: float | None = setting(
        None, help="minutes spent on getting it clean", unit="min", low=0, high=1000
    )
    invented: bool = setting(False, help="made up for a demonstration, never measured")
    graded_by: str = setting("", help="who judged it, '' where that is not known")

"""``Placing``, ``Wish`` and ``Request``: what is asked, checked when it is made.

Their fields are what ``plan.json`` and the bench's sheets store; what is read back is checked again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any

from falsework.errors import ProcessError
from falsework.part.placing import LARGEST_SCALE
from falsework.part.units import MM_PER_UNIT
from falsework.process.settings import Process
from falsework.request.marks import NO_FACES, MarkedFaces, Vector, direction
from falsework.request.standing import AUTO, Standing, standing_of, wished_standing
from falsework.request.weights import EQUAL, Weights

if TYPE_CHECKING:
    from falsework.part.part import Part

Turn = tuple[float, float, float]

AS_IS, BEST = "as-is", "auto"
"""How a part lies: as it is turned, or as is found to be best."""

UNTURNED: Turn = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Placing:
    """How a part's file is read and the part put on the bed.

    Attributes
    ----------
    unit : of a file that carries none: 'um', 'mm', 'cm', 'inch', 'foot' or 'm'; None: as the file says,
        else guessed.
    scale : factor on the size.
    turn_deg : rotation about x, then y, then z; the part is then put on the bed, centred.
    lie : 'as-is', or 'auto' to search for the best way to lay the part down; then it is not turned besides.

    Raises
    ------
    ProcessError : a unit or lie that is unknown, a scale out of range, a turn that is none.

    Examples
    --------
    >>> import falsework
    >>> falsework.Placing(unit="inch", turn_deg=(90.0, 0.0, 0.0)).lie
    'as-is'
    """

    unit: str | None = None
    scale: float = 1.0
    turn_deg: Turn = UNTURNED
    lie: str = AS_IS

    def __post_init__(self) -> None:
        if self.unit is not None and self.unit not in MM_PER_UNIT:
            cure = f"Use one of {', '.join(MM_PER_UNIT)}"
            raise ProcessError("unit", f"{self.unit!r} is not known", cure)
        scale = _number(self.scale)
        if not 0.0 < scale <= LARGEST_SCALE:
            cure = f"Give one above 0, up to {LARGEST_SCALE:g}"
            raise ProcessError("scale", f"{self.scale!r} is no usable factor", cure)
        object.__setattr__(self, "scale", scale)
        object.__setattr__(self, "turn_deg", _turn(self.turn_deg))
        if self.lie not in (AS_IS, BEST):
            raise ProcessError("lie", f"{self.lie!r} is unknown", f"Use {AS_IS} or {BEST}")
        if self.lie == BEST and any(self.turn_deg):
            wrong = "the part cannot be turned as asked and as is best"
            raise ProcessError("lie", wrong, "Give one of them")

    def turned(self, turn_deg: Turn) -> Placing:
        """The same, turned so instead."""
        return replace(self, turn_deg=turn_deg, lie=AS_IS)


@dataclass(frozen=True)
class Wish:
    """How a part is to be printed and supported, and what matters about it.

    Attributes
    ----------
    process : how it is printed.
    standing : where supports start: 'leave', 'bed', 'bed-or-part', or 'auto' to choose for each underside by
        ``weights``.
    overrules : standings that are set by underside number, whatever ``standing`` says.
    weights : what matters, as prices.
    show : faces to keep clean. load_axis : direction in which the part will be pulled. Both in the part's own
        frame; they matter to the search for the best lie.
    spare : faces that no support may touch, in the part's own frame: none stands on them, and undersides on
        them are left, those that lie on them altogether unless ``overrules`` says otherwise.

    Raises
    ------
    ProcessError : a standing that is unknown, a number that is none, a direction that points nowhere.

    Examples
    --------
    >>> import falsework
    >>> falsework.Wish(falsework.load_process("petg-0.6"), standing="bed").process.material.name
    'PETG'
    """

    process: Process
    standing: str = AUTO
    overrules: Mapping[int, Standing] = field(default_factory=dict, hash=False)
    weights: Weights = EQUAL
    show: MarkedFaces = NO_FACES
    spare: MarkedFaces = NO_FACES
    load_axis: Vector | None = None

    def __post_init__(self) -> None:
        for name, kind in (("process", Process), ("weights", Weights), *((f, MarkedFaces) for f in _MARKED)):
            if not isinstance(value := getattr(self, name), kind):
                raise ProcessError(name, f"a {type(value).__name__} is none", f"Give a {kind.__name__}")
        object.__setattr__(self, "standing", wished_standing(self.standing))
        object.__setattr__(self, "overrules", _overrules(self.overrules))
        if self.load_axis is not None:
            object.__setattr__(self, "load_axis", direction(self.load_axis, "load axis"))

    @property
    def bed_mm(self) -> tuple[float, float]:
        """Width and depth of the bed."""
        return self.process.printer.build_width_mm, self.process.printer.build_depth_mm

    @property
    def of_orientations(self) -> Wish:
        """What of it matters to how a part should lie."""
        return replace(self, standing=AUTO, overrules={})

    @property
    def of_supports(self) -> Wish:
        """What of it matters once the lie is settled."""
        return replace(self, show=NO_FACES, load_axis=None)


_MARKED = ("show", "spare")


@dataclass(frozen=True)
class Request:
    """One part, how it is placed, and what is wished of it.

    ``part`` is a ``Part`` or the path of a mesh file; it is kept apart from what is stored.

    Examples
    --------
    >>> import falsework
    >>> wish = falsework.Wish(falsework.load_process("pla-0.4"))
    >>> asked = falsework.Request("cowl.stl", falsework.Placing(), wish)
    >>> asked.turned((90.0, 0.0, 0.0)).placing.turn_deg
    (90.0, 0.0, 0.0)
    """

    part: Part | str | Path
    placing: Placing
    wish: Wish

    def __post_init__(self) -> None:
        from falsework.part.part import Part

        for name, kinds in (("part", (Part, str, Path)), ("placing", (Placing,)), ("wish", (Wish,))):
            if not isinstance(value := getattr(self, name), kinds):
                cure = f"Give a {kinds[0].__name__}{' or the path of a file' if name == 'part' else ''}"
                raise ProcessError(name, f"a {type(value).__name__} is none", cure)

    def turned(self, turn_deg: Turn) -> Request:
        """The same part with the same wish, turned so instead."""
        return replace(self, placing=self.placing.turned(turn_deg))


def _number(value: Any) -> float:
    """A number as float; nan for what is none."""
    return float(value) if isinstance(value, Real) and not isinstance(value, bool) else math.nan


def _turn(value: Any) -> Turn:
    angles = [_number(angle) for angle in value] if isinstance(value, Sequence) else []
    if len(angles) != 3 or isinstance(value, str) or not all(map(math.isfinite, angles)):
        raise ProcessError("turn", f"{value!r} is no rotation", "Give three angles in degrees")
    x, y, z = angles
    return x, y, z


def _overrules(value: Any) -> dict[int, Standing]:
    """By number; every one an underside's number and a standing."""
    if not isinstance(value, Mapping):
        cure = "Say where supports start by underside number, such as {3: 'bed'}"
        raise ProcessError("overrules", f"{value!r} are none", cure)
    for number in value:
        if not (type(number) is int and number >= 1):
            raise ProcessError("overrules", f"{number!r} is no underside", "Use a number from the table")
    return {number: standing_of(value[number], f"underside {number}") for number in sorted(value)}

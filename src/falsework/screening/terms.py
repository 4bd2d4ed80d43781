"""``Terms``: what is asked of every part of a screening, checked when it is made."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field, replace
from enum import StrEnum

from falsework.droop.belief import PRIOR, Belief
from falsework.errors import ProcessError
from falsework.process.settings import Process
from falsework.request.marks import Marks
from falsework.request.value import Placing, Wish
from falsework.request.weights import EQUAL, Weights
from falsework.screening.row import SCHEMA
from falsework.version import __version__


class Depth(StrEnum):
    """How deep each part is looked at.

    Examples
    --------
    >>> from falsework.screening import Depth
    >>> [depth.value for depth in Depth]
    ['look', 'plan', 'full']
    """

    LOOK = "look"  # mesh, undersides, and by columns what supports would take
    PLAN = "plan"  # supports built, as 'falsework plan' does but for how they come off
    FULL = "full"  # and how they come off, in the recommended position too, and what a redraw saves

    @property
    def rank(self) -> int:
        """The deeper, the higher."""
        return list(Depth).index(self)


@dataclass(frozen=True)
class NamedProcess:
    """A process by the name that its rows bear, and what was learnt of it."""

    name: str
    process: Process
    belief: Belief = PRIOR


@dataclass(frozen=True)
class Terms:
    """What is asked of every part.

    ``placing``: as for one plan; a unit in the list counts before its own. ``redraw``: whether the best
    change is looked for. ``lies``: whether another position is, as depth 'full' does in any case: by columns
    alone at 'look', planned at 'plan'. ``finish_mm``: the most that an underside may sag for a process to
    hold the finish, None for any. ``pictures``: whether a small one is drawn of each. ``plans``: folder for
    each part's plan, '' for none. ``limit_s``: seconds that a part may take with one process.
    ``ProcessError`` for a value that is none.

    Examples
    --------
    >>> from falsework.screening import Terms
    >>> Terms(depth="look").depth.value
    'look'
    """

    depth: Depth = Depth.PLAN
    placing: Placing = field(default_factory=Placing)
    weights: Weights = EQUAL
    redraw: bool = False
    lies: bool = False
    finish_mm: float | None = None
    pictures: bool = True
    plans: str = ""
    limit_s: float = 600.0

    def __post_init__(self) -> None:
        try:
            object.__setattr__(self, "depth", Depth(self.depth))
        except ValueError:
            cure = f"Use {', '.join(Depth)}"
            raise ProcessError("depth", f"{self.depth!r} is unknown", cure) from None
        if not (math.isfinite(self.limit_s) and self.limit_s > 0):
            raise ProcessError("limit_s", f"{self.limit_s!r} is no time", "Give seconds above 0")
        if self.finish_mm is not None and not (math.isfinite(self.finish_mm) and self.finish_mm >= 0):
            raise ProcessError("finish_mm", f"{self.finish_mm!r} is no sag", "Give millimetres")
        if self.plans and self.depth is Depth.LOOK:
            raise ProcessError("plans", "nothing is planned at depth 'look'", "Use depth plan or full")

    @property
    def searches(self) -> bool:
        """Whether another position is looked for."""
        return self.lies or self.depth is Depth.FULL

    def wish(self, process: Process, marks: Marks) -> Wish:
        """What is wished of a part with these marks."""
        return Wish(
            process,
            weights=self.weights,
            show=marks.show,
            spare=marks.spare,
            load_axis=marks.load_axis,
        )

    def key(self, digest: str, suffix: str, unit: str | None, named: NamedProcess, marks: Marks) -> str:
        """Under which the work on a content is kept: nothing that its figures depend on is left out, but how
        deep it was looked and what was kept beside, for which a deeper look serves as well."""
        placing = replace(self.placing, unit=unit or self.placing.unit)
        told = (
            SCHEMA, __version__, digest, suffix.lower(), repr(placing), repr(named.process),
            repr(named.belief), repr(marks), repr(self.weights),
        )  # fmt: skip
        return hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).hexdigest()[:32]

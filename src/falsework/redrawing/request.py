"""``RedrawRequest``: what is to be redrawn, what may be changed, and how all its plans are made."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from falsework.droop import Belief
from falsework.errors import ProcessError
from falsework.lie import MarkedFaces
from falsework.lie.marks import Vector
from falsework.part.part import Part
from falsework.planning.pipeline import plan
from falsework.planning.store import Store
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.redrawing.changes.draft import ChangeKind
from falsework.redrawing.features.candidates import Candidate
from falsework.support.standing import Weights
from falsework.watch import Watch


@dataclass(frozen=True)
class Scope:
    """What may be tried.

    ``kinds`` of change; ``undersides`` by number, None for the dearest of those that ask; ``split``: cuts;
    ``other_lies``: other ways to lay the part down; ``flat_mm``: what a peaked roof leaves flat at its top.
    """

    kinds: tuple[ChangeKind, ...] = tuple(ChangeKind)
    undersides: tuple[int, ...] | None = None
    split: bool = True
    other_lies: bool = True
    flat_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class RedrawRequest:
    """A part, with its candidates as face sets, and how it is planned.

    ``spare``, ``show``: faces that must stay as they are, that must come out clean. ``standing``: where
    supports may start. The fields after it are as for a plan.
    """

    part: Part
    candidates: tuple[Candidate, ...]
    process: Process
    spare: MarkedFaces
    show: MarkedFaces | None
    load_axis: Vector | str | None
    scope: Scope
    standing: str
    weights: Weights
    scale: float
    belief: Belief
    store: Store

    def plan(self, part: Part, watch: Watch, **lying: Any) -> Plan:
        """The plan of this part or one made from it; ``lying``: how it lies, and what else is its own."""
        return plan(
            part,
            self.process,
            standing=self.standing,
            weights=self.weights,
            release=False,
            belief=self.belief,
            watch=watch,
            store=self.store,
            **lying,
        )


def kinds_named(kinds: Collection[ChangeKind | str] | None) -> tuple[ChangeKind, ...]:
    """Kinds of change by name, in the order they are tried; all for None; ``ProcessError`` for others."""
    if kinds is None:
        return tuple(ChangeKind)
    unknown = [str(k) for k in kinds if k not in list(ChangeKind)]
    if unknown:
        raise ProcessError("change", f"{unknown[0]!r} is unknown", f"Known: {', '.join(ChangeKind)}")
    return tuple(kind for kind in ChangeKind if kind in kinds)

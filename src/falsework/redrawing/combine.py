"""The best change of every underside, together: one body, planned again and proved as one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap
from falsework.part.part import Part
from falsework.planning.value import Plan
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.prove import Proof, proof_of
from falsework.redrawing.site.value import Ground
from falsework.redrawing.value import Change
from falsework.watch import Watch

if TYPE_CHECKING:
    from manifold3d import Manifold


@dataclass(frozen=True, eq=False)
class Replanned:
    """The changed part, planned again; ``stack`` and ``need`` of that plan in the place of the ground."""

    redrawn: Part
    plan: Plan
    stack: LayerStack
    need: NeedMap


@dataclass(frozen=True, eq=False)
class Combination:
    """Changes that are good together, their proof, the part that they make planned again (None for both
    where there are no changes), and sentences on those that were left out."""

    changes: tuple[Change, ...]
    proof: Proof | None
    replanned: Replanned | None
    dropped: tuple[str, ...]


def combine(
    ground: Ground,
    ranked: list[tuple[Change, ...]],
    replan: Callable[[Manifold, Watch], Replanned],
    watch: Watch,
) -> Combination:
    """One proven change of each row, applied in the order of rows.

    All firsts are made at once, and the part that they make, planned again, is their proof. If they hurt one
    another, rows are added one by one: of each the first that is good with what stands already; a row of
    which none is, is dropped.
    """
    rows = [row for row in ranked if row]
    if not rows:
        return Combination((), None, None, ())
    firsts = [row[0] for row in rows]
    changed = _changed(ground, firsts)
    replanned = replan(changed.solid, watch.part(0.1, 0.5))
    proof = proof_of(changed, replanned.stack, replanned.need, watch.part(0.5, 0.6))
    if proof.good:
        return Combination(tuple(firsts), proof, replanned, ())
    taken, good, dropped = _one_by_one(ground, rows, watch.part(0.6, 0.9))
    if good is None:
        return Combination((), None, None, dropped)
    return Combination(taken, good, replan(good.changed.solid, watch.part(0.9, 1.0)), dropped)


def _one_by_one(
    ground: Ground, rows: list[tuple[Change, ...]], watch: Watch
) -> tuple[tuple[Change, ...], Proof | None, tuple[str, ...]]:
    """The first change of each row that goes with those before it; the proof of all; who was dropped."""
    taken: list[Change] = []
    good: Proof | None = None
    dropped: list[str] = []
    for k, row in enumerate(rows):
        at = watch.part(k / len(rows), (k + 1) / len(rows))
        for change in row:
            proof = proof_of(_changed(ground, [*taken, change]), watch=at)
            if proof.good:
                taken.append(change)
                good = proof
                break
        else:
            others = ", ".join(str(c.underside) for c in taken)
            number, why = row[0].underside, proof.faults[0]
            dropped.append(f"Underside {number}: its changes do not go with those of {others}: {why}")
    return tuple(taken), good, tuple(dropped)


def _changed(ground: Ground, changes: list[Change]) -> Changed:
    return Changed(ground, tuple(c.draft for c in changes if c.draft is not None))

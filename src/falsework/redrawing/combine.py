"""The best change of every underside, together: one body, planned again and proved as one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap
from falsework.part.part import Part
from falsework.planning.value import Plan
from falsework.redrawing.changed import Changed
from falsework.redrawing.proof import Proof, proof_of
from falsework.redrawing.site import Ground
from falsework.redrawing.value import Change
from falsework.watch import Watch

if TYPE_CHECKING:
    from manifold3d import Manifold


@dataclass(frozen=True, eq=False)
class Again:
    """The changed part, planned again; ``stack`` and ``need`` of that plan in the place of the ground."""

    redrawn: Part
    plan: Plan
    stack: LayerStack
    need: NeedMap


@dataclass(frozen=True, eq=False)
class Together:
    """Changes that are good together, their proof, the part that they make planned again (None for both
    where there are no changes), and sentences on those that were left out."""

    changes: tuple[Change, ...]
    proof: Proof | None
    again: Again | None
    dropped: tuple[str, ...]


def together(
    ground: Ground,
    ranked: list[tuple[Change, ...]],
    planned_again: Callable[[Manifold, Watch], Again],
    watch: Watch,
) -> Together:
    """One proven change of each row, applied in the order of rows.

    All firsts are made at once, and the part that they make, planned again, is their proof. If they hurt one
    another, rows are added one by one: of each the first that is good with what stands already; a row of
    which none is, is dropped.
    """
    rows = [row for row in ranked if row]
    if not rows:
        return Together((), None, None, ())
    firsts = [row[0] for row in rows]
    changed = _changed(ground, firsts)
    again = planned_again(changed.solid, watch.part(0.1, 0.5))
    proof = proof_of(changed, again.stack, again.need, watch.part(0.5, 0.6))
    if proof.good:
        return Together(tuple(firsts), proof, again, ())
    standing: list[Change] = []
    good: Proof | None = None
    dropped: list[str] = []
    for k, row in enumerate(rows):
        at = watch.part(0.6 + 0.3 * k / len(rows), 0.6 + 0.3 * (k + 1) / len(rows))
        for change in row:
            proof = proof_of(_changed(ground, [*standing, change]), watch=at)
            if proof.good:
                standing.append(change)
                good = proof
                break
        else:
            others = ", ".join(str(c.underside) for c in standing)
            number, why = row[0].underside, proof.faults[0]
            dropped.append(f"Underside {number}: its changes do not go with those of {others}: {why}")
    if good is None:
        return Together((), None, None, tuple(dropped))
    again = planned_again(good.changed.solid, watch.part(0.9, 1.0))
    return Together(tuple(standing), good, again, tuple(dropped))


def _changed(ground: Ground, changes: list[Change]) -> Changed:
    return Changed(ground, tuple(c.draft for c in changes if c.draft is not None))

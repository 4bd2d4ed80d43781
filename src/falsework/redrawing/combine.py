"""The best change of every underside, together: one body, proved as one."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.redrawing.proof import Proof, prove_together
from falsework.redrawing.site import Ground
from falsework.redrawing.value import Change
from falsework.watch import Watch


@dataclass(frozen=True, eq=False)
class Together:
    """Changes that are good together, their proof, and sentences on those that were left out."""

    changes: tuple[Change, ...]
    proof: Proof | None
    dropped: tuple[str, ...]


def together(ground: Ground, ranked: list[tuple[Change, ...]], watch: Watch) -> Together:
    """One proven change of each row, applied in the order of rows.

    All firsts are tried at once. If they hurt one another, rows are added one by one: of each the first that
    is good with what stands already; a row of which none is, is dropped.
    """
    rows = [row for row in ranked if row]
    if not rows:
        return Together((), None, ())
    firsts = [row[0] for row in rows]
    proof = _proved(ground, firsts, watch.part(0.0, 0.3))
    if proof.good:
        return Together(tuple(firsts), proof, ())
    standing: list[Change] = []
    good: Proof | None = None
    dropped: list[str] = []
    for k, row in enumerate(rows):
        at = watch.part(0.3 + 0.7 * k / len(rows), 0.3 + 0.7 * (k + 1) / len(rows))
        for change in row:
            proof = _proved(ground, [*standing, change], at)
            if proof.good:
                standing.append(change)
                good = proof
                break
        else:
            others = ", ".join(str(c.underside) for c in standing)
            number, why = row[0].underside, proof.faults[0]
            dropped.append(f"Underside {number}: its changes do not go with those of {others}: {why}")
    return Together(tuple(standing), good, tuple(dropped))


def _proved(ground: Ground, changes: list[Change], watch: Watch) -> Proof:
    return prove_together(ground, tuple(c.draft for c in changes if c.draft is not None), watch)

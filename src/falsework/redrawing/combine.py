"""The best change of every underside, together: one body, proved as its files hold it, planned again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from falsework.planning.value import Plan
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.prove import ChangeProof, proof_again, proof_of
from falsework.redrawing.proof.whole import Written
from falsework.redrawing.site.value import PlannedPart
from falsework.redrawing.value import Change
from falsework.watch import Watch

if TYPE_CHECKING:
    from manifold3d import Manifold


class Writer(Protocol):
    """From a changed solid to what its files hold, and to the plan of that."""

    def written(self, solid: Manifold, watch: Watch) -> Written:
        """The solid as its files hold it, looked at."""

    def jittered(self, written: Written, watch: Watch) -> Written:
        """The same with corners a little elsewhere: see ``JITTER_MM``."""

    def plan(self, written: Written, watch: Watch) -> Plan:
        """The whole plan of it."""


@dataclass(frozen=True, eq=False)
class Combination:
    """Changes that are good together, their proof, the part that they make and its plan (None for all three
    where there are no changes), and why those of an underside were left out, by its number; ``unsound``: of
    these the undersides whose change fails as its files hold it even if it is made alone."""

    changes: tuple[Change, ...]
    proof: ChangeProof | None
    written: Written | None
    plan: Plan | None
    dropped: dict[int, str]
    unsound: frozenset[int]


@dataclass(frozen=True, eq=False)
class _Alternatives:
    """What may be done for one underside: the change at hand, and those to be tried after it."""

    change: Change
    others: tuple[Change, ...]


@dataclass(frozen=True, eq=False)
class _Good:
    """Rows whose changes are good together."""

    rows: list[_Alternatives]
    written: Written
    proof: ChangeProof


def combine(
    ground: PlannedPart, ranked: Sequence[tuple[Change, ...]], writer: Writer, watch: Watch
) -> Combination:
    """One proven change of each row, applied in the order of rows.

    All firsts are made at once and proved as their files hold them, as they are and a hair off. Of a row that
    lies next to what fails the next change is tried; a row that has none left is dropped. One that went
    although nothing pointed at it is tried once more in the end.
    """
    rows = [_Alternatives(row[0], row[1:]) for row in ranked if row]
    dropped: dict[int, str] = {}
    unsound: set[int] = set()
    unproved: list[_Alternatives] = []  # left out for what may be another's fault
    good: _Good | None = None
    rounds = 1 + sum(1 + len(row.others) for row in rows)
    for k in range(rounds):
        if not rows:
            break
        at = watch.part(0.8 * k / rounds, 0.8 * (k + 1) / rounds)
        numbers = ", ".join(str(row.change.underside) for row in rows)
        at.at(f"proving together what is drawn for {numbers}", 0.0)
        written, proof = _proved(ground, rows, writer, at)
        if proof.good:
            good = _Good(rows, written, proof)
            break
        rows, gone = _without(rows, proof)
        if gone is not None:
            dropped[gone.change.underside] = _why(rows, proof)
            if not rows:
                unsound.add(gone.change.underside)
            if gone.change.underside not in proof.suspects:
                unproved.append(gone)
    good = _with_more(ground, good, unproved, writer, dropped, watch.part(0.8, 0.9))
    if good is None:
        return Combination((), None, None, None, dropped, frozenset(unsound))
    plan = writer.plan(good.written, watch.part(0.9, 1.0))
    made = tuple(row.change for row in good.rows)
    return Combination(made, good.proof, good.written, plan, dropped, frozenset(unsound & dropped.keys()))


def _with_more(
    ground: PlannedPart,
    good: _Good | None,
    unproved: list[_Alternatives],
    writer: Writer,
    dropped: dict[int, str],
    watch: Watch,
) -> _Good | None:
    """What is good, with those rows too that were left out although nothing pointed at them: each is tried
    once more, what saves most first, and stays if all is good with it. Takes them out of ``dropped``."""
    unproved = sorted(unproved, key=lambda row: -row.change.saved_price)
    for k, row in enumerate(unproved):
        at = watch.part(k / len(unproved), (k + 1) / len(unproved))
        at.at(f"trying underside {row.change.underside} once more", 0.0)
        rows = [*(good.rows if good else ()), row]
        written, proof = _proved(ground, rows, writer, at)
        if proof.good:
            good = _Good(rows, written, proof)
            del dropped[row.change.underside]
    return good


def _why(rows: list[_Alternatives], proof: ChangeProof) -> str:
    """Why a row was left out, ``rows`` being those that were made with it and stay."""
    others = ", ".join(str(row.change.underside) for row in rows)
    return f"with the changes of {others} {proof.faults[0]}" if others else proof.faults[0]


def _proved(
    ground: PlannedPart, rows: list[_Alternatives], writer: Writer, watch: Watch
) -> tuple[Written, ChangeProof]:
    """All rows' changes made, written and proved; where that is good, proved once more a hair off."""
    drafts = tuple(row.change.draft for row in rows if row.change.draft is not None)
    changed = Changed(ground, drafts)
    written = writer.written(changed.solid, watch.part(0.0, 0.4))
    proof = proof_of(changed, written, watch=watch.part(0.4, 0.5))
    if not proof.good:
        return written, proof
    off = writer.jittered(written, watch.part(0.5, 0.9))
    watch.at("judging it a hair off", 0.9)
    return written, proof_again(proof, off)


def _without(
    rows: list[_Alternatives], proof: ChangeProof
) -> tuple[list[_Alternatives], _Alternatives | None]:
    """The rows with the worst suspect's next change in the place of its first; the row that went for want of
    one. Of several suspects the one that saves least."""
    suspects = [row for row in rows if row.change.underside in proof.suspects] or rows
    worst = min(suspects, key=lambda row: (not row.others, row.change.saved_price))
    if not worst.others:
        return [row for row in rows if row is not worst], worst
    nxt = _Alternatives(worst.others[0], worst.others[1:])
    return [nxt if row is worst else row for row in rows], None

"""Which undersides are treated, and what is drafted, proved and priced for one of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from falsework.errors import PartError
from falsework.planning.value import Plan
from falsework.redrawing.changes.catalogue import draft_of, fallback_draft
from falsework.redrawing.changes.dimensions import of_solids
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.pricing import DRAWN, USUAL_HANDS, Sayings, priced, ranked
from falsework.redrawing.proof.changed import BROKEN_OFF
from falsework.redrawing.proof.crumbs import swept
from falsework.redrawing.proof.function import FeatureRoom, drop_words, touches_of
from falsework.redrawing.proof.prove import ChangeProof, prove
from falsework.redrawing.request import Scope
from falsework.redrawing.site.ground import asks
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.redrawing.value import Change, LeftAlone
from falsework.request.standing import Standing
from falsework.support.choosing import chosen_option
from falsework.support.standing import Choice
from falsework.watch import Watch

# Of the part, what a change may add or take without being asked for: one in planes, and one that follows
# layers, which looks grown and not drawn.
MOST_SHARE, MOST_FREEFORM_SHARE = 0.5, 0.1
ENOUGH_SHARE = 0.85  # of what an underside costs, of which a change that saves it leaves nothing to look for
# Undersides that are treated: the dearest, of those that cost more than a share of all, unless they are asked
# for by number; none where all of them cost less than it takes to look at a proposal.
MOST_TREATED, LEAST_SHARE = 10, 0.01


@dataclass(frozen=True)
class Worked:
    """One underside worked on: ``changes`` drafted and proved, best first; why others are not offered."""

    choice: Choice
    changes: tuple[Change, ...]
    declined: tuple[Refusal, ...]


@dataclass(frozen=True, eq=False)
class Workplace:
    """What all undersides of a part share: its ground, its plan, what may be tried, the room its features
    need and the scale they are drawn at."""

    ground: PlannedPart
    planned: Plan
    scope: Scope
    rooms: tuple[FeatureRoom, ...]
    scale: float


class _Take(Protocol):
    def __call__(self, kind: ChangeKind, draft: Draft | Refusal, watch: Watch) -> None: ...


def to_treat(planned: Plan, scope: Scope) -> tuple[tuple[Choice, ...], tuple[LeftAlone, ...]]:
    """Choices of the undersides to be treated, dearest first; and those that ask but are left, and why."""
    process, numbers, wished = planned.process, scope.undersides, set(scope.chosen)
    by_price = sorted(planned.choices, key=lambda c: (-chosen_option(c).price.total, c.underside))
    if numbers is not None or wished:
        unknown = [n for n in (*(numbers or ()), *wished) if not 1 <= n <= len(planned.undersides)]
        if unknown:
            raise PartError(
                f"underside {unknown[0]}",
                f"the part has {len(planned.undersides)} undersides",
                "Use a number from the table",
            )
    if numbers is not None:
        return tuple(c for c in by_price if c.underside in {*numbers, *wished}), ()
    asking = [
        c
        for c in by_price
        if c.chosen is not Standing.LEAVE or asks(planned.undersides[c.underside - 1], process)
    ]
    all_ = math.fsum(chosen_option(c).price.total for c in asking)
    worth_a_look = all_ > USUAL_HANDS.looking_price(planned.weights)
    least = LEAST_SHARE * all_ if worth_a_look else math.inf
    treated = [c for c in asking[:MOST_TREATED] if chosen_option(c).price.total >= least]
    treated += [c for c in by_price if c.underside in wished and c not in treated]
    small = [c for c in asking if c not in treated]
    why = "too cheap for a change to pay; can be asked for by number"
    return tuple(treated), tuple(LeftAlone(c.underside, why) for c in small)


def worked(place: Workplace, choice: Choice, watch: Watch) -> Worked:
    """Draft, prove and price every kind of change for one underside."""
    ground, scope = place.ground, place.scope
    wished = scope.chosen.get(choice.underside)
    if wished is not None and wished not in scope.tried:
        scope = replace(scope, kinds=(*scope.tried, wished))
    site = UndersideSite(ground, ground.need.undersides[choice.underside - 1])
    changes: dict[ChangeKind, Change] = {}
    declined: dict[ChangeKind, Refusal] = {}

    def take(kind: ChangeKind, draft: Draft | Refusal, watch: Watch) -> None:
        if isinstance(draft, Refusal):
            declined.setdefault(kind, draft)
            return
        if draft.breaks and any(ground.in_a_void(region.solid) for region in draft.added):
            why = "it would stand in a closed void, where nobody can take it out again"
            declined[kind] = Refusal(kind, draft.underside, why, "Cut a lid off, or add a corbel")
            return
        draft = swept(ground, draft) if draft.kind is ChangeKind.CORBEL else draft
        proof = prove(ground, draft, watch)
        change = priced(ground, draft, proof, place.planned, _sayings(place, draft, proof))
        if change.proven or kind not in changes:
            changes[kind] = change
            declined.pop(kind, None)

    worth = chosen_option(choice).price.total

    def enough() -> str:
        best = max((c.saved_price for c in changes.values() if c.offered), default=0.0)
        does = next((c.kind for c in changes.values() if c.offered and c.saved_price == best), None)
        return f"not tried: {does} saves nearly all" if does and best >= ENOUGH_SHARE * worth else ""

    def too_dear(kind: ChangeKind) -> str:
        cheap = kind in BROKEN_OFF and worth <= USUAL_HANDS.least_price(place.planned.weights)
        return "not tried: the hands alone would cost more than it does" if cheap else ""

    _draft_each(site, scope, take, lambda kind: enough() or too_dear(kind), watch.part(0.0, 0.8))
    if not any(change.proven for change in changes.values()):
        _draft_fallbacks(site, scope, take, watch.part(0.8, 1.0))
    return Worked(choice, ranked(list(changes.values()), worth), tuple(declined.values()))


def _sayings(place: Workplace, draft: Draft, proof: ChangeProof) -> Sayings:
    """What a proven change harms, and its dimensions."""
    if not proof.good:
        return Sayings()
    touches = touches_of(proof.changed, place.rooms, place.scale) + _too_much(draft, proof, place.ground)
    dimensions = [one.words(place.ground.origin_mm) for one in (*draft.dimensions, *of_solids(draft))]
    return Sayings(touches, (*drop_words(draft, place.rooms, place.scale), *dimensions))


def worth_making(row: Worked, scope: Scope) -> tuple[Change, ...]:
    """The changes of an underside that may go into the proposal, best first.

    That is the one that the user chose, else those that spoil nothing and save something.

    Raises ``PartError`` where what was chosen does not hold or cannot be made.
    """
    number = row.choice.underside
    wished = scope.chosen
    if number not in wished:
        return tuple(c for c in row.changes if c.offered and (scope.undersides or c.saved_price > 0.0))
    kind = wished[number]
    if kind is None:
        return ()
    change = next((c for c in row.changes if c.kind is kind), None)
    if change is not None and change.proven:
        return (change,)
    why = change.faults[0] if change else next(r.why for r in row.declined if r.kind is kind)
    raise PartError(
        f"{kind} for underside {number}", f"it does not hold: {why}", "Choose another change, or leave"
    )


def _too_much(draft: Draft, proof: ChangeProof, ground: PlannedPart) -> tuple[str, ...]:
    """Said of a change that would make another part of it."""
    share = (proof.added_mm3 + proof.removed_mm3) / max(ground.solid.volume(), 1e-9)
    most = MOST_FREEFORM_SHARE if draft.freeform else MOST_SHARE
    if not proof.good or draft.kind in BROKEN_OFF or share <= most:
        return ()
    return (f"the look of the part: it changes {100.0 * share:.0f} % of its volume",)


def _draft_each(
    site: UndersideSite, scope: Scope, take: _Take, useless: Callable[[ChangeKind], str], watch: Watch
) -> None:
    """Every kind in the order in which a person would try them, until one does so well that the others need
    not be tried: those are declined, unless asked for by name."""
    wished = scope.chosen.get(site.underside.number)
    kinds = sorted(scope.tried, key=lambda kind: -DRAWN[kind])
    for k, kind in enumerate(kinds):
        at = watch.part(k / len(kinds), (k + 1) / len(kinds))
        at.at(f"underside {site.underside.number}: {kind}", 0.0)
        if kind is not wished and (why := useless(kind)):
            ask = f"Ask for it by --change {site.underside.number}='{kind}'"
            take(kind, Refusal(kind, site.underside.number, why, ask), at)
            continue
        take(kind, draft_of(kind, site, at.part(0.0, 0.5), scope.flat_mm), at.part(0.5, 1.0))


def _draft_fallbacks(site: UndersideSite, scope: Scope, take: _Take, watch: Watch) -> None:
    for kind in scope.tried:
        draft = fallback_draft(kind, site, watch.part(0.0, 0.5))
        if draft is not None:
            take(kind, draft, watch.part(0.5, 1.0))

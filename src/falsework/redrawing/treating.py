"""Which undersides are treated, and what is drafted, proved and priced for one of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from falsework.errors import PartError
from falsework.planning.value import Plan
from falsework.redrawing.changes.catalogue import draft_of, fallback_draft
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.pricing import priced, ranked
from falsework.redrawing.proof.prove import prove
from falsework.redrawing.request import Scope
from falsework.redrawing.site.ground import asks
from falsework.redrawing.site.value import Ground, Site
from falsework.redrawing.value import Change, LeftAlone
from falsework.request.standing import Standing
from falsework.request.weights import Weights
from falsework.support.choosing import chosen_option
from falsework.support.standing import Choice
from falsework.watch import Watch

MOST_TREATED = 12  # undersides, the dearest, unless they are asked for by number


@dataclass(frozen=True)
class Worked:
    """One underside worked on: ``changes`` drafted and proved, best first; why others are not offered."""

    choice: Choice
    changes: tuple[Change, ...]
    declined: tuple[Refusal, ...]


class _Take(Protocol):
    def __call__(self, kind: ChangeKind, draft: Draft | Refusal, watch: Watch) -> None: ...


def to_treat(planned: Plan, scope: Scope) -> tuple[tuple[Choice, ...], tuple[LeftAlone, ...]]:
    """Choices of the undersides to be treated, dearest first; and those that ask but are left, and why."""
    process, numbers = planned.process, scope.undersides
    by_price = sorted(planned.choices, key=lambda c: (-chosen_option(c).objective, c.underside))
    if numbers is not None:
        unknown = [n for n in numbers if not 1 <= n <= len(planned.undersides)]
        if unknown:
            raise PartError(
                f"underside {unknown[0]}",
                f"the part has {len(planned.undersides)} undersides",
                "Use a number from the table",
            )
        return tuple(c for c in by_price if c.underside in numbers), ()
    asking = [
        c
        for c in by_price
        if c.chosen is not Standing.NONE or asks(planned.undersides[c.underside - 1], process)
    ]
    small = asking[MOST_TREATED:]
    why = f"it is less dear than the {MOST_TREATED} treated; ask for it by its number"
    return tuple(asking[:MOST_TREATED]), tuple(LeftAlone(c.underside, why) for c in small)


def worked(ground: Ground, choice: Choice, scope: Scope, weights: Weights, watch: Watch) -> Worked:
    """Draft, prove and price every kind of change for one underside."""
    site = Site(ground, ground.need.undersides[choice.underside - 1])
    option = chosen_option(choice)
    changes: dict[ChangeKind, Change] = {}
    declined: dict[ChangeKind, Refusal] = {}

    def take(kind: ChangeKind, draft: Draft | Refusal, watch: Watch) -> None:
        if isinstance(draft, Refusal):
            declined.setdefault(kind, draft)
            return
        change = priced(ground, draft, prove(ground, draft, watch), option, weights)
        if change.proven or kind not in changes:
            changes[kind] = change
            declined.pop(kind, None)

    _draft_each(site, scope, take, watch.part(0.0, 0.8))
    if not any(change.proven for change in changes.values()):
        _draft_fallbacks(site, scope, take, watch.part(0.8, 1.0))
    return Worked(choice, ranked(list(changes.values()), option.objective), tuple(declined.values()))


def _draft_each(site: Site, scope: Scope, take: _Take, watch: Watch) -> None:
    for k, kind in enumerate(scope.tried):
        at = watch.part(k / len(scope.tried), (k + 1) / len(scope.tried))
        at.at(f"underside {site.underside.number}: {kind}", 0.0)
        take(kind, draft_of(kind, site, at.part(0.0, 0.5), scope.flat_mm), at.part(0.5, 1.0))


def _draft_fallbacks(site: Site, scope: Scope, take: _Take, watch: Watch) -> None:
    for kind in scope.tried:
        draft = fallback_draft(kind, site, watch.part(0.0, 0.5))
        if draft is not None:
            take(kind, draft, watch.part(0.5, 1.0))

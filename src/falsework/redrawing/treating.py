"""Which undersides are treated, and what is drafted, proved and priced for one of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from falsework.errors import PartError
from falsework.objective import printing_price
from falsework.planning.value import Plan
from falsework.redrawing.changes.catalogue import FALLBACKS, draft_of, fallback_draft
from falsework.redrawing.changes.dimensions import of_solids
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, added_mm3
from falsework.redrawing.changes.trellis import MOST_CROSSED
from falsework.redrawing.pricing import DRAWN, SAME_PRICE, USUAL_HANDS, Sayings, fin_marks, priced, ranked
from falsework.redrawing.proof.changed import BROKEN_OFF
from falsework.redrawing.proof.function import (
    FeatureRoom,
    drop_words,
    filled_by,
    surely_filled,
    touches_of,
)
from falsework.redrawing.proof.prove import ChangeProof, swept_and_proved
from falsework.redrawing.request import Scope
from falsework.redrawing.site.ground import asks
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.redrawing.value import Change, LeftAlone
from falsework.request.standing import Standing
from falsework.support.choosing import chosen_option
from falsework.support.standing import Choice
from falsework.watch import Watch
from falsework.wording import figures

# Of the part, what a change may add or take without being asked for: one in planes, and one that follows
# layers, which looks grown and not drawn.
MOST_SHARE, MOST_FREEFORM_SHARE = 0.5, 0.1
ENOUGH_SHARE = 0.85  # of what a change may save at most, more than which it hardly does (constructed)
_ON_REQUEST = "Drawn when it is asked for"
_LEAST_OWN = 0.5  # of what the part costs by volume, what is added costs at least (constructed)
# Undersides that are treated: the dearest, unless they are asked for by number; none of those that cost, all
# together, less than a share of all, or than it takes to look at a proposal.
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
    prices = np.array([chosen_option(c).price.total for c in asking])
    beneath = np.cumsum(prices[::-1])[::-1]  # what each costs with all that are cheaper
    least = max(USUAL_HANDS.looking_price(planned.weights), LEAST_SHARE * float(prices.sum()))
    dear = prices[beneath > least]  # and what costs the same as the last of these: both ends of a part that
    same = (1.0 - SAME_PRICE) * float(dear[-1]) if len(dear) else math.inf  # mirrors itself are treated alike
    treated = [c for c, price in zip(asking[:MOST_TREATED], prices, strict=False) if price >= same]
    treated += [c for c in by_price if c.underside in wished and c not in treated]
    small = [c for c in asking if c not in treated]
    why = "too cheap for a change to pay; can be asked for by number"
    return tuple(treated), tuple(LeftAlone(c.underside, why) for c in small)


def worked(place: Workplace, choice: Choice, watch: Watch) -> Worked:
    """Draft, prove and price every kind of change for one underside, as far as it may be worth it."""
    row = _Row(place, choice)
    row.draft_each(watch.part(0.0, 0.8))
    row.draft_fallbacks(watch.part(0.8, 1.0))
    return Worked(choice, ranked(list(row.changes.values()), row.worth), tuple(row.declined.values()))


class _Row:
    """What is found for one underside: changes by kind, and why there is none.

    A change is drawn only while it may save more than the best at hand and spoils nothing that can be
    foreseen, and proved only if the same is true once it is drawn; one that is asked for by name always is.
    """

    def __init__(self, place: Workplace, choice: Choice) -> None:
        self.place, self.ground = place, place.ground
        self.number = choice.underside
        self.site = UndersideSite(place.ground, place.ground.need.undersides[choice.underside - 1])
        self.worth = chosen_option(choice).price.total
        self.wished = place.scope.chosen.get(choice.underside)
        tried = place.scope.tried
        self.tried = tried if self.wished is None or self.wished in tried else (*tried, self.wished)
        self.changes: dict[ChangeKind, Change] = {}
        self.declined: dict[ChangeKind, Refusal] = {}
        self.harmful = False  # whether one was drawn that may be asked for

    def draft_each(self, watch: Watch) -> None:
        """Every kind in the order in which a person would try them."""
        kinds = sorted(self.tried, key=lambda kind: -DRAWN[kind])
        for k, kind in enumerate(kinds):
            at = watch.part(k / len(kinds), (k + 1) / len(kinds))
            at.at(f"underside {self.number}: {kind}", 0.0)
            if not self._beaten(kind) and not self._foreseen(kind):
                flat_mm, drafting = self.place.scope.flat_mm, at.part(0.0, 0.5)
                self._take(kind, draft_of(kind, self.site, drafting, flat_mm, self._most_fins()), at)

    def draft_fallbacks(self, watch: Watch) -> None:
        """What there is to fall back on where a kind does not hold as it is mostly drawn, whatever others do:
        a hair that decides whether these hold must not decide whether it is tried."""
        if self.harmful:  # one was drawn that may be asked for
            return
        for kind in self.tried:
            drawn, refused = self.changes.get(kind), self.declined.get(kind)
            if kind not in FALLBACKS or (drawn and drawn.proven) or (refused and refused.harms):
                continue
            if self._beaten(kind):
                continue
            draft = fallback_draft(kind, self.site, self._most_mm3(kind), watch.part(0.0, 0.5))
            if draft is not None:
                self._take(kind, draft, watch)

    def _take(self, kind: ChangeKind, draft: Draft | Refusal, watch: Watch) -> None:
        """Prove and price a draft, unless it cannot pay."""
        if isinstance(draft, Refusal):
            if draft.harms:  # it says more than why a plainer one cannot be
                self.changes.pop(kind, None)
                self.declined.pop(kind, None)
                self._on_request(kind, draft.harms)
            self.declined.setdefault(kind, draft)
            return
        if draft.breaks and any(self.ground.in_a_void(region.solid) for region in draft.added):
            why = "it would stand in a closed void, where nobody can take it out again"
            self.declined[kind] = Refusal(kind, self.number, why, "Cut a lid off, or add a corbel")
            return
        if self._beaten(kind, draft) or self._harmful(kind, draft):
            return
        draft, proof = swept_and_proved(self.ground, draft, watch.part(0.5, 0.9))
        watch.at("what it would harm", 0.9)
        sayings = _sayings(self.place, draft, proof)
        watch.at("what it would cost", 0.95)
        change = priced(self.ground, draft, proof, self.place.planned, sayings)
        if change.proven or kind not in self.changes:
            self.changes[kind] = change
            self.declined.pop(kind, None)

    def _beaten(self, kind: ChangeKind, draft: Draft | None = None) -> bool:
        """Whether a kind, or a draft of it, can save nothing, or less than what is there already; it is
        declined then, unless it is asked for by name."""
        if kind is self.wished:
            return False
        most, hands = self._most(kind, draft)
        noise = USUAL_HANDS.looking_price(self.place.planned.weights)
        if most <= 0.0:
            takes = "the hands alone" if hands >= self.worth else "what it takes"
            why = f"not tried: {takes} would cost more than it saves"
        else:
            why = beaten(kind, most, self._best(), noise, drawn=draft is not None)
        if why:
            self.declined.setdefault(kind, Refusal(kind, self.number, why, _ON_REQUEST, most))
        return bool(why)

    def _most(self, kind: ChangeKind, draft: Draft | None) -> tuple[float, float]:
        """What a kind, or a draft of it, may save at most, and what of its worth goes into hands."""
        weights = self.place.planned.weights
        hands = fin_marks(kind, self.number, self.place.planned)
        if kind in BROKEN_OFF:
            least = USUAL_HANDS.least_price(weights, self._least_seam_mm(kind))
            hands += USUAL_HANDS.price(draft, weights) if draft else least
        own = _LEAST_OWN * self._price_mm3 * added_mm3(draft) if draft else 0.0
        return self.worth - hands - own, hands

    def _foreseen(self, kind: ChangeKind) -> bool:
        """Whether a kind would spoil what the part is for wherever it is drawn; it is declined then, unless
        it is asked for by name."""
        if kind is self.wished:
            return False
        return self._on_request(kind, surely_filled(self.site, kind, self.place.rooms))

    def _harmful(self, kind: ChangeKind, draft: Draft) -> bool:
        """The same of what is drawn."""
        if kind is self.wished:
            return False
        harms = filled_by(self.ground, draft, self.place.rooms, self.place.scale)
        self.harmful |= bool(harms)
        return self._on_request(kind, harms, draft)

    def _on_request(self, kind: ChangeKind, harms: tuple[str, ...], draft: Draft | None = None) -> bool:
        """Whether a kind harms anything: it is listed with that then, and drawn when it is asked for."""
        if harms:
            most, _ = self._most(kind, draft)
            why = f"only on request, for it harms {'; '.join(harms)}"
            refusal = Refusal(kind, self.number, why, _ON_REQUEST, most, harms)
            self.declined.setdefault(kind, refusal)
        return bool(harms)

    def _most_fins(self) -> int | None:
        """How many can be broken off for what they save at most; None for as many as it takes."""
        each = USUAL_HANDS.least_price(self.place.planned.weights)
        if self.wished is ChangeKind.FINS or each <= 0.0:
            return None
        left = self.worth - fin_marks(ChangeKind.FINS, self.number, self.place.planned)
        return min(MOST_CROSSED, max(0, math.floor(left / each)))

    def _least_seam_mm(self, kind: ChangeKind) -> float:
        """Of fins no farther apart than the cleanest bridge is long, half of what as many as fit would have;
        the edges carry the rest."""
        if kind is not ChangeKind.FINS:
            return 0.0
        return 0.5 * self.site.underside.area_mm2 / self.ground.span_mm

    def _best(self) -> Change | None:
        """The change at hand that saves most."""
        offered = [change for change in self.changes.values() if change.offered]
        return max(offered, key=_counting, default=None)

    def _most_mm3(self, kind: ChangeKind) -> float:
        """What a change that follows layers may add at most, for it to pay and not to look grown; without end
        for one that is asked for."""
        if kind is self.wished:
            return math.inf
        pays_mm3 = self.worth / max(_LEAST_OWN * self._price_mm3, 1e-12)
        return min(pays_mm3, MOST_FREEFORM_SHARE * self.ground.solid.volume())

    @cached_property
    def _price_mm3(self) -> float:
        """What a cubic millimetre of the part costs, on the average."""
        planned = self.place.planned
        own = printing_price(planned.part_cost, planned.process, planned.weights).total
        return own / max(self.ground.solid.volume(), 1e-9)


def beaten(kind: ChangeKind, most: float, best: Change | None, noise: float, *, drawn: bool) -> str:
    """Why a kind that may save ``most`` is not worth its proof beside the ``best`` at hand; '' where it is.

    Prices; what is less than ``noise`` is nothing. ``drawn``: what it takes is known.
    """
    if kind is ChangeKind.FINS and most <= noise:
        return "not tried: broken off, they would save less than it takes to look at them"
    if best is None:
        return ""
    most, least = DRAWN[kind] * most, _counting(best)
    if least >= ENOUGH_SHARE * most:
        return f"not tried: {best.kind} saves {'more' if drawn else 'nearly all'}"
    if most - least <= noise:
        return f"not proved further: it could save no more beside {best.kind} than it takes to look at it"
    return ""


def _counting(change: Change) -> float:
    """What a change saves, as much of it as counts."""
    return DRAWN[change.kind] * change.saved_price


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
    return (f"the look of the part, of whose volume it changes {figures.share(share)}",)

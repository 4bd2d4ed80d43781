"""What a proven change costs and saves, and which of several is best."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from falsework.cost import Rates, part_cost
from falsework.cost.cost import Cost
from falsework.layers.stack import LayerStack
from falsework.objective import printing_price
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.redrawing.changes.draft import ChangeKind, Draft
from falsework.redrawing.proof.asking import reaching
from falsework.redrawing.proof.prove import ChangeProof
from falsework.redrawing.site.value import PlannedPart
from falsework.redrawing.value import Change, ChangedRegion
from falsework.request.value import Wish
from falsework.request.weights import Weights
from falsework.support.choosing import choose, chosen_option, standing_figures

# What drawn-in fins leave of the marks that a support would (constructed: one line instead of a face).
FIN_MARKS = 0.5
# How much of its saving counts when changes are compared: what a person would draw comes first (constructed).
DRAWN = {
    ChangeKind.CORBEL: 1.0,
    ChangeKind.ROOF: 1.0,
    ChangeKind.STEPS: 1.0,
    ChangeKind.RIBS: 0.8,
    ChangeKind.MEMBRANE: 0.8,
    ChangeKind.FINS: 0.7,
}
WHOLE_SHARE = 0.5  # of the layers: where more change, all are counted
SAME_PRICE = 0.05  # of what the underside costs: prices this near are the same


@dataclass(frozen=True)
class Hands:
    """What a change takes of a person's time. Constructed, not measured: set your own.

    ``break_min``: minutes for each piece that is snapped off or cut out; ``trim_min_per_cm``
    for each centimetre of seam that is trimmed; ``look_min`` for looking at a proposal at all.
    """

    break_min: float = 0.25
    trim_min_per_cm: float = 0.1
    look_min: float = 0.25

    def least_price(self, weights: Weights, trim_mm: float = 0.0) -> float:
        """Of breaking anything off at all, with so much of a seam at least."""
        return weights.hands_per_hour * (self.break_min + self.trim_min_per_cm * 0.1 * trim_mm) / 60.0

    def looking_price(self, weights: Weights) -> float:
        """What must be saved for a proposal to be worth looking at: less is noise."""
        return weights.hands_per_hour * self.look_min / 60.0

    def minutes(self, draft: Draft) -> float:
        """Minutes of hand work that a change leaves."""
        return self.break_min * draft.breaks + self.trim_min_per_cm * 0.1 * draft.trim_mm

    def price(self, draft: Draft, weights: Weights) -> float:
        """The same in the process's currency."""
        return weights.hands_per_hour * self.minutes(draft) / 60.0


USUAL_HANDS = Hands()


@dataclass(frozen=True)
class Sayings:
    """What is said of a change beside its figures: what of the part it harms, and its dimensions."""

    touches: tuple[str, ...] = ()
    dimensions: tuple[str, ...] = ()


def priced(ground: PlannedPart, draft: Draft, proof: ChangeProof, planned: Plan, sayings: Sayings) -> Change:
    """The change with its figures; ``planned``: the plan of the part as it is."""
    extra, before, after = Cost(), _NOTHING, _NOTHING
    hand_min = USUAL_HANDS.minutes(draft)
    if proof.good:
        extra = extra_cost(ground, proof)
        before, after = _supports_before(ground, proof, planned), _supports_after(proof, planned)
    changed = proof.added_mm3 + proof.removed_mm3
    regions = [(region, True) for region in draft.added] + [(region, False) for region in draft.removed]
    hand_price = USUAL_HANDS.price(draft, planned.weights) + fin_marks(draft.kind, draft.underside, planned)
    own = printing_price(extra, ground.process, planned.weights).total
    return Change(
        kind=draft.kind,
        underside=draft.underside,
        words=draft.words,
        dimensions=sayings.dimensions,
        by_hand=draft.by_hand,
        notes=draft.notes,
        faults=proof.faults,
        touches=sayings.touches,
        added_mm3=proof.added_mm3,
        removed_mm3=proof.removed_mm3,
        share=changed / max(ground.solid.volume(), 1e-9),
        extra=extra,
        saved_g=before.cost.mass_g - after.cost.mass_g - extra.mass_g,
        saved_s=before.cost.time_s - after.cost.time_s - extra.time_s,
        saved_price=before.objective - after.objective - own - hand_price if proof.good else 0.0,
        hand_min=hand_min,
        hand_price=hand_price,
        smallest_before_mm2=proof.smallest_before_mm2,
        smallest_after_mm2=proof.smallest_after_mm2,
        regions=tuple(ChangedRegion(r.name, added, r.solid.volume(), r.solid) for r, added in regions),
        draft=draft,
    )


@dataclass(frozen=True)
class _Supports:
    """What some undersides take as chosen, marks and the chance of failure in ``objective``."""

    cost: Cost
    objective: float


_NOTHING = _Supports(Cost(), 0.0)


def _supports_before(ground: PlannedPart, proof: ChangeProof, planned: Plan) -> _Supports:
    """Of the undersides that the change reaches, as the plan has them."""
    numbers = {int(k) + 1 for k in np.flatnonzero(reaching(ground.need, *proof.changed.span))}
    options = [chosen_option(choice) for choice in planned.choices if choice.underside in numbers]
    return _Supports(sum((o.cost for o in options), Cost()), math.fsum(o.price.total for o in options))


def _supports_after(proof: ChangeProof, planned: Plan) -> _Supports:
    """Of the undersides that are there instead, chosen as a plan chooses."""
    wish = Wish(planned.process, standing=planned.standing, weights=planned.weights)
    figures = standing_figures(proof.changed.stack, proof.need, wish.process)
    choices = choose(figures, proof.need, wish, planned.part_cost)
    options = [chosen_option(choice) for choice in choices]
    return _Supports(sum((o.cost for o in options), Cost()), math.fsum(o.price.total for o in options))


def fin_marks(kind: ChangeKind, underside: int, planned: Plan) -> float:
    """What the seams of fins take of the surface's worth; 0 of other kinds."""
    if kind is not ChangeKind.FINS:
        return 0.0
    choice = planned.choices[underside - 1]
    carried = (option.price.surface for option in choice.options if option.contact_mm2 > 0.0)
    return FIN_MARKS * max(carried, default=0.0)


def ranked(changes: list[Change], worth: float) -> tuple[Change, ...]:
    """Best first: proven before others, those that spoil nothing before others, then by what is saved.

    Of what is saved, a change counts for as much as it is what a person would draw (``DRAWN``). Of equal
    ones the one that leaves less to be done by hand, then the one that changes less.
    """
    band = max(SAME_PRICE * worth, 1e-3)

    def key(change: Change) -> tuple[bool, bool, float, bool, float, str]:
        saved = change.saved_price * (DRAWN[change.kind] if change.saved_price > 0.0 else 1.0)
        return (
            not change.proven,
            bool(change.touches),
            -round(saved / band),
            change.by_hand != "",
            change.share,
            change.kind,
        )

    return tuple(sorted(changes, key=key))


def extra_cost(ground: PlannedPart, proof: ChangeProof) -> Cost:
    """What the part takes more (or less, below 0) with the change: from the changed layers and those that
    they make solid or sparse."""
    process, stack, (first, last) = ground.process, proof.changed.stack, proof.changed.span
    low = max(0, first - process.solid_layers - 1)
    high = last + process.solid_layers + 2
    if high - low > WHOLE_SHARE * ground.stack.count:  # the part as it was is counted only once
        after, before = part_cost(stack, process, every=ground.priced_every)[0], ground.cost
    else:
        after, before = _cost(stack, low, high, process), _cost_before(ground, low, high)
    return Rates(process).cost(after.volume_mm3 - before.volume_mm3, after.time_s - before.time_s)


def _cost_before(ground: PlannedPart, low: int, high: int) -> Cost:
    """The cost of some layers of the part as it is, counted once for all changes that reach them."""
    known = ground.layer_costs
    if (low, high) not in known:
        known[low, high] = _cost(ground.stack, low, high, ground.process)
    return known[low, high]


def _cost(stack: LayerStack, low: int, high: int, process: Process) -> Cost:
    return part_cost(layers_of(stack, low, min(high, stack.count)), process)[0]


def layers_of(stack: LayerStack, low: int, high: int) -> LayerStack:
    """Layers ``low`` … ``high - 1`` as a stack."""
    rings = slice(int(stack.layer_start[low]), int(stack.layer_start[high]))
    points = slice(int(stack.ring_start[rings.start]), int(stack.ring_start[rings.stop]))
    return LayerStack(
        stack.z_mm[low : high + 1],
        stack.points_mm[points],
        stack.ring_start[rings.start : rings.stop + 1] - points.start,
        stack.layer_start[low : high + 1] - rings.start,
        0.0,
        np.zeros(0, dtype=np.int64),
    )

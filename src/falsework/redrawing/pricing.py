"""What a proven change costs and saves, and which of several is best."""

from __future__ import annotations

import numpy as np

from falsework.cost import cost_of, part_cost, price
from falsework.cost.cost import Cost
from falsework.layers.stack import LayerStack
from falsework.process.settings import Process
from falsework.redrawing.changes.draft import ChangeKind, Draft
from falsework.redrawing.proof.prove import Proof
from falsework.redrawing.site.value import Ground
from falsework.redrawing.value import Change, ChangedRegion
from falsework.request.weights import Weights
from falsework.support.standing import Option

# What drawn-in fins leave of the marks that a support would (constructed: one line instead of a face).
FIN_MARKS = 0.5
WHOLE_SHARE = 0.5  # of the layers: where more change, all are counted
SAME_PRICE = 0.05  # of what the underside costs: prices this near are the same


def priced(ground: Ground, draft: Draft, proof: Proof, supported: Option, weights: Weights) -> Change:
    """The change with its figures; ``supported`` is what the plan does for the underside."""
    process = ground.process
    extra = extra_cost(ground, proof) if proof.good else Cost()
    marks = FIN_MARKS * supported.finish_price if draft.kind is ChangeKind.FINS else 0.0
    changed = proof.added_mm3 + proof.removed_mm3
    regions = [(region, True) for region in draft.added] + [(region, False) for region in draft.removed]
    return Change(
        kind=draft.kind,
        underside=draft.underside,
        words=draft.words,
        by_hand=draft.by_hand,
        notes=draft.notes,
        faults=proof.faults,
        added_mm3=proof.added_mm3,
        removed_mm3=proof.removed_mm3,
        share=changed / max(ground.solid.volume(), 1e-9),
        extra=extra,
        saved_g=supported.cost.mass_g - extra.mass_g,
        saved_s=supported.cost.time_s - extra.time_s,
        saved_price=supported.objective - _weighted_price(extra, process, weights) - marks,
        smallest_before_mm2=proof.smallest_before_mm2,
        smallest_after_mm2=proof.smallest_after_mm2,
        regions=tuple(ChangedRegion(r.name, added, r.solid.volume(), r.solid) for r, added in regions),
        draft=draft,
    )


def _weighted_price(cost: Cost, process: Process, weights: Weights) -> float:
    filament, machine = price(cost.volume_mm3, 0.0, process), price(0.0, cost.time_s, process)
    return weights.filament * filament + weights.time * machine


def ranked(changes: list[Change], worth: float) -> tuple[Change, ...]:
    """Best first: proven before others, then by price; of equal prices the one that leaves less to be done by
    hand, then the one that changes less."""
    band = max(SAME_PRICE * worth, 1e-3)
    return tuple(
        sorted(
            changes,
            key=lambda c: (not c.proven, -round(c.saved_price / band), c.by_hand != "", c.share, c.kind),
        )
    )


def extra_cost(ground: Ground, proof: Proof) -> Cost:
    """What the part takes more (or less, below 0) with the change: from the changed layers and those that
    they make solid or sparse."""
    process, stack, (first, last) = ground.process, proof.changed.stack, proof.changed.span
    low = max(0, first - process.solid_layers - 1)
    high = last + process.solid_layers + 2
    if high - low > WHOLE_SHARE * ground.stack.count:  # the part as it was is counted only once
        after, before = part_cost(stack, process, every=ground.priced_every)[0], ground.cost
    else:
        after, before = (_cost(one, low, high, process) for one in (stack, ground.stack))
    return cost_of(after.volume_mm3 - before.volume_mm3, after.time_s - before.time_s, process)


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

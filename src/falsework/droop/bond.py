"""How firmly a strand holds to the support beneath it: what must be broken to let go."""

from __future__ import annotations

from math import exp, log1p, pi

from falsework.droop.belief import Belief
from falsework.droop.estimate import Estimate
from falsework.droop.strand import strand_diameter_mm
from falsework.process.settings import Process

REFERENCE = Process(name="reference strand", layer_height_mm=0.2, line_width_mm=0.45)
# middles of nine slices of equal probability of the standard normal
_SLICES = (-1.5932, -0.9674, -0.5895, -0.2822, 0.0, 0.2822, 0.5895, 0.9674, 1.5932)


def contact_share(gap_mm: float, height_mm: float, diameter_mm: float, softness: float) -> float:
    """Flat width over diameter of a strand of ``diameter_mm`` squeezed between nozzle and support.

    At height H = g + h it keeps its section: w_c/d = (π/4)(d/H − H/d), zero at g = d − h. Softplus of width
    ``softness`` stands for the undulation of real strands, which touch here and there before that.
    """
    room = gap_mm + height_mm
    flat = pi / 4 * (diameter_mm / room - room / diameter_mm)
    x = flat / softness
    return softness * (x + log1p(exp(-x)) if x > 0 else log1p(exp(x)))


def bond_share(gap_mm: float, process: Process, belief: Belief) -> Estimate:
    """Bond across ``gap_mm`` as a share (0..1) of the bond without a gap, before any sag closes the gap.

    Two laws, mixed by the belief's weight because no reading has decided between them:
    *clearance*: contact ends where the gap eats up d − h of this strand;
    *layers*: the gap counts in layer heights, and contact ends where it does for the reference strand.
    They agree on the reference strand (0.45 × 0.2 mm). Healing adds its own spread.
    """
    k, soft = belief.clearance_factor, belief.contact_softness
    h, d = process.layer_height_mm, strand_diameter_mm(process)
    h_ref, d_ref = REFERENCE.layer_height_mm, strand_diameter_mm(REFERENCE)

    def share(gap: float, height: float, diameter: float) -> float:
        return contact_share(gap, height, diameter, soft) / contact_share(0.0, height, diameter, soft)

    def by_clearance(factor: float) -> float:
        return share(gap_mm, h, d * factor)

    def by_layers(factor: float) -> float:
        return share(gap_mm * h_ref / h, h_ref, d_ref * factor)

    weight = belief.layers_law_weight
    value = (1 - weight) * by_clearance(k) + weight * by_layers(k)
    cases: list[tuple[float, float]] = []
    for contact in _SLICES:
        factor = k * exp(contact * belief.clearance_sd)
        for healing in _SLICES:
            times = exp(healing * belief.bond_sd)
            cases.append((min(1.0, by_clearance(factor) * times), 1 - weight))
            cases.append((min(1.0, by_layers(factor) * times), weight))
    low, high = _quantile(cases, 0.05), _quantile(cases, 0.95)
    return Estimate(value, min(low, value), max(high, value), belief.basis)


def _quantile(cases: list[tuple[float, float]], share: float) -> float:
    """Weighted quantile of (value, weight) pairs."""
    goal = share * sum(weight for _, weight in cases)
    seen = 0.0
    for value, weight in sorted(cases):
        seen += weight
        if seen >= goal:
            return value
    return max(value for value, _ in cases)

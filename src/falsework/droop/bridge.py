"""Sag of a bridge: a hot strand between two anchors."""

from __future__ import annotations

from math import exp, sqrt

from falsework.droop.belief import Belief, around
from falsework.droop.estimate import Estimate
from falsework.droop.strand import (
    GRAVITY,
    MELT_SHARE,
    fluidity_1_pa,
    size_distance,
    strand_diameter_mm,
)
from falsework.process.settings import Process


def _terms(process: Process, belief: Belief) -> tuple[float, float, float]:
    """Load ρ g Φ (1/m), bending 72 d² (m²) and tautness 24 ε (1) of the cubic, SI."""
    density = process.material.density_g_cm3 * 1e3 * MELT_SHARE
    d = strand_diameter_mm(process) * 1e-3
    taut = process.material.taut_strain * exp(belief.log_taut)
    return density * GRAVITY * fluidity_1_pa(process, belief), 72 * d * d, 24 * taut


def _root(linear: float, load: float) -> float:
    """The one real root of (320/3) δ³ + linear δ = load (both ≥ 0): Newton from above, monotone."""
    if load <= 0.0:
        return 0.0
    cubic = 320.0 / 3.0
    delta = min(load / linear if linear > 0 else float("inf"), (load / cubic) ** (1 / 3))
    for _ in range(60):
        step = (cubic * delta**3 + linear * delta - load) / (3 * cubic * delta * delta + linear)
        delta -= step
        if abs(step) <= 1e-14 * delta:
            break
    return delta


def bridge_droop(span_mm: float, process: Process, belief: Belief) -> Estimate:
    """Sag at mid-span of one layer of strands over ``span_mm``, mm.

    The peak of a viscous catenary that cools and contracts, in closed form:
    (320/3) δ³ + (72 d² + 24 ε L²) δ = ρ g L⁴ Φ; stretching, viscous bending, tautness against the weight.
    Grows with the span. The interval composes log spreads through the cubic's own sensitivities.
    """
    if span_mm <= 0:
        return Estimate(0.0, 0.0, 0.0, belief.basis)
    span = span_mm * 1e-3
    weight, bending, taut = _terms(process, belief)
    linear = bending + taut * span**2
    delta = _root(linear, weight * span**4)
    slope = 320.0 * delta * delta + linear
    by_fluidity = (320.0 / 3.0 * delta * delta + linear) / slope
    by_taut = taut * span**2 / slope
    model = belief.sag_sd + belief.sag_sd_per_log_size * size_distance(process)
    log_sd = sqrt(
        (by_fluidity * belief.log_fluidity_sd) ** 2 + (by_taut * belief.log_taut_sd) ** 2 + model**2
    )
    return around(delta * 1e3, log_sd, belief.basis)


def longest_clean_bridge_mm(process: Process, belief: Belief, tolerance_mm: float) -> Estimate:
    """The span whose sag is ``tolerance_mm``: exact inverse of :func:`bridge_droop`, interval and all."""
    weight, bending, taut = _terms(process, belief)
    if weight <= 0:
        return Estimate(float("inf"), float("inf"), float("inf"), belief.basis)
    delta = tolerance_mm * 1e-3
    half = 0.5 * taut * delta / weight
    rest = (320.0 / 3.0 * delta**3 + bending * delta) / weight
    middle = sqrt(half + sqrt(half * half + rest)) * 1e3

    def inverse(end: str) -> float:
        # sag grows at least with the span: 64 times either way covers any spread worth stating
        low, high = middle / 64.0, middle * 64.0
        for _ in range(60):
            mid = sqrt(low * high)
            if getattr(bridge_droop(mid, process, belief), end) < tolerance_mm:
                low = mid
            else:
                high = mid
        return sqrt(low * high)

    return Estimate(middle, inverse("high"), inverse("low"), belief.basis)

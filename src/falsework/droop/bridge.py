"""Sag of a bridge: a hot strand between two anchors."""

from __future__ import annotations

import numpy as np

from falsework.droop.parameters import Parameters
from falsework.droop.strand import Array, LaidStrands, fluidity_1_pa

_STRETCH = 320.0 / 3.0
USUAL_SPAN_M = 0.03
_ENDLESS_M = 1e6
_REPEATS = 12  # each takes the error times half the exponent's


def _terms(strand: LaidStrands, p: Parameters) -> tuple[Array, Array, Array]:
    """Load ρ g Φ (1/m), bending 72 d² (m²) and tautness 24 ε (1) of the cubic, SI."""
    d = strand.diameter_mm * 1e-3
    return strand.load_n_m3 * fluidity_1_pa(strand, p), 72 * d * d, 24 * strand.taut * np.exp(p.log_taut)


def _beside(strand: LaidStrands, p: Parameters) -> Array:
    """Factor on the sag over 30 mm that the cubic does not explain."""
    return np.exp(
        p.log_sag
        + p.sag_by_height * strand.log_height
        + p.sag_by_width * strand.log_width
        + p.sag_by_speed * strand.log_speed
        + p.sag_in_still_air * (1.0 - strand.fan)
    )


def sag_mm(span_mm: Array, strand: LaidStrands, p: Parameters) -> Array:
    """Sag at mid-span of one layer of strands over ``span_mm`` (> 0), mm.

    The peak of a viscous catenary that cools and contracts, in closed form:
    (320/3) δ³ + (72 d² + 24 ε L²) δ = ρ g L⁴ Φ; stretching, viscous bending, tautness against the weight.
    Its one real root by hyperbolic sines (Cardano), times what the cubic misses. Grows with the span.
    """
    span = span_mm * 1e-3
    weight, bending, taut = _terms(strand, p)
    linear = bending + taut * span**2
    scale = np.sqrt(linear / (3 * _STRETCH))
    root = 2 * scale * np.sinh(np.arcsinh(1.5 * weight * span**4 / (linear * scale)) / 3)
    return 1e3 * root * _beside(strand, p) * np.exp(_bent(np.log(span / USUAL_SPAN_M), p))


def _bent(log_span: Array, p: Parameters) -> Array:
    """Log of what the cubic misses by the span, from 30 mm: a slope and a bend that levels off."""
    return log_span * (p.sag_by_span + p.sag_bend * np.tanh(log_span))


def clean_span_mm(tolerance_mm: Array, strand: LaidStrands, p: Parameters) -> Array:
    """The span whose sag is ``tolerance_mm``: inverse of :func:`sag_mm`; infinite where none flows.

    The cubic's own inverse is closed; what it misses by span is met by repeating it, to 1e-6.
    """
    weight, bending, taut = _terms(strand, p)
    clean = tolerance_mm * 1e-3 / _beside(strand, p)
    span = USUAL_SPAN_M
    with np.errstate(divide="ignore"):
        for _ in range(_REPEATS):
            delta = clean * np.exp(-_bent(np.log(span / USUAL_SPAN_M), p))
            half = 0.5 * taut * delta / weight
            rest = (_STRETCH * delta**3 + bending * delta) / weight
            span = np.minimum(np.sqrt(half + np.sqrt(half * half + rest)), _ENDLESS_M)
    return np.where(span < _ENDLESS_M, 1e3 * span, np.inf)

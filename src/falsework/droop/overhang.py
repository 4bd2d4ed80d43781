"""Droop of layers that reach past the one beneath, and of what starts in mid-air.

Gravity does not explain why overhangs fail: for strands up to half a millimetre wide the weight moves a hot
edge by less than a micrometre, and surface tension by a few. What fails is contact: too little of the line
lies on the layer beneath. The droop here is therefore an empirical law in the share f of a line that lies
over air, with a threshold to be learned from readings; its interval is wide on purpose.
"""

from __future__ import annotations

from math import exp, log1p, sqrt

from falsework.droop.belief import NORMAL_95, Belief
from falsework.droop.estimate import Estimate
from falsework.process.settings import Process


def _softplus(x: float) -> float:
    return x + log1p(exp(-x)) if x > 0 else log1p(exp(x))


def overhang_droop(
    free_mm: float, process: Process, belief: Belief, fall_mm: float = float("inf")
) -> Estimate:
    """Droop of the free edge of a layer that reaches ``free_mm`` past the one beneath, mm.

    droop = h · s · softplus((f − f₅₀)/s) with f = free/line width: next to nothing below the threshold f₅₀,
    then one layer height for each further line laid beside the last one in air. Never more than ``fall_mm``,
    the height of the air beneath. Grows with ``free_mm``, in all three figures. Constructed.
    """
    if free_mm <= 0:
        return Estimate(0.0, 0.0, 0.0, belief.basis)
    width = belief.overhang_width
    x = (free_mm / process.line_width_mm - belief.threshold(process.fan)) / width
    onset = _softplus(x)
    value = process.layer_height_mm * width * onset
    by_threshold = 1.0 / ((1.0 + exp(-x)) * onset * width) if x > -700 else 1.0 / width
    factor = exp(NORMAL_95 * sqrt((by_threshold * belief.threshold_sd) ** 2 + belief.overhang_sd**2))
    return Estimate(value, value / factor, value * factor, belief.basis).at_most(fall_mm)


def island_droop(fall_mm: float, process: Process, belief: Belief) -> Estimate:
    """Droop of what starts in mid-air, mm: it falls onto what is beneath, ``fall_mm`` lower.

    At the least it misses its own layer (what is extruded may curl up on the nozzle before it falls).
    """
    return Estimate(fall_mm, min(process.layer_height_mm, fall_mm), fall_mm, belief.basis)

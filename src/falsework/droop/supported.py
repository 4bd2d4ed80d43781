"""Droop of an underside that has support beneath it."""

from __future__ import annotations

from math import exp

from falsework.droop.belief import NORMAL_95, Belief
from falsework.droop.bridge import bridge_droop
from falsework.droop.estimate import Estimate
from falsework.droop.strand import strand_diameter_mm
from falsework.process.settings import Process


def clearance_mm(gap_mm: float, process: Process, factor: float = 1.0) -> float:
    """How far a free strand may sink until it touches the support, mm: e = g + h − k·d; below 0: pressed."""
    return gap_mm + process.layer_height_mm - factor * strand_diameter_mm(process)


def supported_droop(free: Estimate, gap_mm: float, process: Process, belief: Belief) -> Estimate:
    """Droop with support ``gap_mm`` beneath, where the underside left to itself would droop by ``free``.

    A strand sinks until it touches, at most by the clearance, and then sags between the support's lines:
    min(e, free) + δ(s), with s the line spacing, or the line width under a dense roof; never more than
    ``free``. Between lines up to 4 mm apart that second sag is a few micrometres: gravity is not what limits
    spacing.
    """
    structure = process.structure
    run = process.line_width_mm if structure.interface_layers > 0 else structure.spacing_mm
    between = bridge_droop(run, process, belief)
    spread = exp(NORMAL_95 * belief.clearance_sd)

    def droop(own: float, factor: float, sag: float) -> float:
        return min(own, max(clearance_mm(gap_mm, process, factor), 0.0) + sag)

    k = belief.clearance_factor
    return Estimate(
        droop(free.value, k, between.value),
        droop(free.low, k * spread, between.low),
        droop(free.high, k / spread, between.high),
        belief.basis,
    )

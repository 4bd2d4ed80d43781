"""``Laws``: droop and bond of the strands of one process, by what is believed of them.

The other modules of this room are laws over plain arrays; here they meet a process and a belief, which always
travel together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from falsework.droop.belief import PRIOR, Belief
from falsework.droop.bond import CAP, FULL_RUN_MM, Landing, log_bond
from falsework.droop.bridge import clean_span_mm, sag_mm
from falsework.droop.estimate import Estimate, estimates, quantiles, spread
from falsework.droop.outcome import Grading, let_go_grading, probabilities, removable_gaps_mm
from falsework.droop.overhang import ledge_mm, threshold
from falsework.droop.parameters import Parameters
from falsework.droop.smooth import lesser
from falsework.droop.strand import Array, LaidStrands, strand_of
from falsework.droop.supported import lane_spacing_mm, room_mm
from falsework.process.settings import Process


@dataclass(frozen=True)
class Laws:
    """What the model says of one process.

    Estimates are medians with 90 % intervals over the belief's cloud; lengths mm.
    """

    process: Process
    belief: Belief = PRIOR

    @property
    def strand(self) -> LaidStrands:
        """The strand as it is laid over air, arrays of one."""
        return strand_of(self.process)

    @property
    def parameters(self) -> Parameters:
        """The cloud for this strand, arrays (S, 1)."""
        return self.belief.parameters(self.process)

    def basis(self, kind: str) -> str:
        """On what a prediction rests; see :class:`falsework.droop.belief.Seen`."""
        return self.belief.basis(kind, self.process)

    # bridges

    def bridge_droop(self, span_mm: float) -> Estimate:
        """Sag at mid-span of one layer of strands over ``span_mm``."""
        value, low, high = (float(q[0]) for q in self.bridge_droops(np.array([span_mm])))
        return Estimate(value, low, high, self.basis("bridge"))

    def bridge_droops(self, span_mm: Array) -> Array:
        """(3, n) middle, low and high of the sag over spans (n,)."""
        return quantiles(sag_mm(np.maximum(span_mm, 1e-9), self.strand, self.parameters))

    def longest_clean_bridge_mm(self, tolerance_mm: float) -> Estimate:
        """The span whose sag is ``tolerance_mm``: inverse of :meth:`bridge_droop`, interval and all."""
        span = clean_span_mm(tolerance_mm, self.strand, self.parameters)
        if not np.isfinite(span).all():
            return Estimate(float("inf"), float("inf"), float("inf"), self.basis("bridge"))
        return spread(span[:, 0], self.basis("bridge"))

    # what reaches past the layer beneath

    def overhang_droops(self, free_mm: Array) -> Array:
        """(3, n) middle, low and high of the droop of free edges that reach ``free_mm`` (n,) past the layer
        beneath. Each of the three grows with the reach."""
        return quantiles(ledge_mm(free_mm, self.strand, self.parameters))

    def island_droops(self, fall_mm: Array) -> Array:
        """(3, n) middle, low and high of the droop of what starts in mid-air (n,): it falls onto what is
        beneath, ``fall_mm`` lower.

        At the least it misses its own layer (what is extruded may curl up on the nozzle before it falls).
        """
        return np.stack([fall_mm, np.minimum(self.process.layer_height_mm, fall_mm), fall_mm])

    def limit_share(self) -> Estimate:
        """f₅₀: the share of a line over air up to which it looks closed as often as not."""
        return spread(threshold(self.strand, self.parameters)[:, 0], self.basis("overhang"))

    def limit_angle_deg(self) -> Estimate:
        """The same as an angle from the vertical."""
        strand = self.strand
        share = threshold(strand, self.parameters)
        angle = np.degrees(np.arctan2(share * strand.width_mm, strand.height_mm))
        return spread(angle[:, 0], self.basis("overhang"))

    # supports

    def supported_droops(self, free: Sequence[Estimate], gap_mm: float) -> list[Estimate]:
        """Droop with support ``gap_mm`` beneath, where undersides left to themselves would droop by ``free``.

        min(e, free) + δ(s), with s how far the support's lines, or the lanes beneath its roof, are apart;
        never more than ``free``.
        """
        structure = self.process.structure
        run = structure.spacing_mm if structure.form == "curtain" else lane_spacing_mm(self.process)
        strand, p = self.strand, self.parameters
        room = quantiles(room_mm(gap_mm, strand, p) + sag_mm(run, strand, p))
        own = np.array([[e.value for e in free], [e.low for e in free], [e.high for e in free]])
        return estimates(lesser(own, room), [self.basis("bridge")] * len(free))

    def bond_share(self, gap_mm: float, top: Landing = CAP, run_mm: float = FULL_RUN_MM) -> Estimate:
        """Bond across ``gap_mm`` as a share (0..1) of a full weld over the whole area of contact."""
        log = self._log_bond(gap_mm, top, run_mm)
        return spread(np.minimum(1.0, np.exp(log[:, 0])), self.basis("support"))

    def let_go_chances(
        self, gap_mm: float, top: Landing = CAP, run_mm: float = FULL_RUN_MM
    ) -> tuple[float, float, float, float, float]:
        """Chances that a support is fused, scraped, off by tool, by hand, or by itself."""
        grading = let_go_grading(self.parameters)
        told = Grading(grading.cuts[:-1], grading.scatter)  # at a touch or before: both by itself
        chances = probabilities(-self._log_bond(gap_mm, top, run_mm), told).mean(axis=(0, 1))
        a, b, c, d, e = (float(v) for v in chances)
        return a, b, c, d, e

    def removable_gap_mm(self, top: Landing = CAP, run_mm: float = FULL_RUN_MM) -> Estimate:
        """Least air gap at which 4 of 5 supports come off in one go, whether it can be printed or not."""
        by_layers = self.belief.by_layers[:, None]
        gaps = removable_gaps_mm(run_mm, top, self.strand, self.parameters, by_layers)
        return spread(gaps, self.basis("support"))

    def _log_bond(self, gap_mm: float, top: Landing, run_mm: float) -> Array:
        by_layers = self.belief.by_layers[:, None]
        return log_bond(gap_mm, run_mm, top, self.strand, self.parameters, by_layers)

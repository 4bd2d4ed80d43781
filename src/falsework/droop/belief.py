"""``Belief``: the strand model's free parameters, each with how far it is trusted."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from falsework.droop.estimate import Estimate

NORMAL_95 = 1.6448536269514722  # the 95 % point of the standard normal: a two-sided 90 % interval


@dataclass(frozen=True)
class Belief:
    """What the model holds true. The defaults are the prior; tuning replaces them by a posterior.

    Standard deviations of positive quantities are those of their natural logarithm.

    Attributes
    ----------
    log_fluidity, log_fluidity_sd : factor on the fluidity integral (viscosity level, heat balance).
        sd constructed: published zero-shear viscosities of PLA range over 1480..9460 Pa·s
        (Materials 16(24):7664 (2023), table 1).
    log_taut, log_taut_sd : factor on the material's taut strain. Constructed.
    still_air_m_s, full_fan_m_s : speed of the air at the strand with the fan off and at full. Constructed;
        a nuisance that only readings can settle.
    sag_sd : what the cubic leaves unexplained at the reference strand (constructed, from trials on
        synthetic truth), and ``sag_sd_per_log_size`` more per unit of log distance from that strand.
    threshold_still, threshold_fan, threshold_sd : share of the line width that may lie over air before half
        of such lines droop, fan off and at full. From memory.
    overhang_width : how sharply droop sets in around the threshold, in line widths. Constructed.
    overhang_sd : spread of the droop of overhangs. Constructed, wide.
    clearance_factor, clearance_sd : k in the clearance e = g + h − k·d. Constructed.
    contact_softness : how gradually contact sets in, in strand diameters. Constructed: it stands for the
        undulation of real strands.
    bond_sd : spread of the bond by healing (2 to 3 times between hot and cold). Constructed.
    layers_law_weight : probability of the law in which the gap counts in layers, against the law in which it
        counts as clearance. Undecided: both have half.
    basis : what the belief rests on, passed to every ``Estimate``.
    """

    log_fluidity: float = 0.0
    log_fluidity_sd: float = 0.35
    log_taut: float = 0.0
    log_taut_sd: float = 0.30
    still_air_m_s: float = 0.05
    full_fan_m_s: float = 4.0
    sag_sd: float = 0.15
    sag_sd_per_log_size: float = 0.25
    threshold_still: float = 0.50
    threshold_fan: float = 0.75
    threshold_sd: float = 0.15
    overhang_width: float = 0.10
    overhang_sd: float = 0.70
    clearance_factor: float = 1.0
    clearance_sd: float = 0.05
    contact_softness: float = 0.05
    bond_sd: float = 0.5
    layers_law_weight: float = 0.5
    basis: str = "uncalibrated"

    def air_m_s(self, fan: float) -> float:
        """Air speed at the strand for a fan share 0..1, linear between the two ends."""
        return self.still_air_m_s + fan * (self.full_fan_m_s - self.still_air_m_s)

    def threshold(self, fan: float) -> float:
        """Share of a line over air at which half of the lines droop, linear in the fan share."""
        return self.threshold_still + fan * (self.threshold_fan - self.threshold_still)


PRIOR = Belief()


def around(value: float, log_sd: float, basis: str) -> Estimate:
    """An estimate whose logarithm is normal with ``log_sd`` around ``value``."""
    factor = exp(NORMAL_95 * log_sd)
    return Estimate(value, value / factor, value * factor, basis)

"""Droop of layers that reach past the one beneath, and of what starts in mid-air.

Gravity does not explain why overhangs fail: for strands up to half a millimetre wide the weight moves a hot
edge by less than a micrometre, and surface tension by a few. What fails is contact: too little of the line
lies on the layer beneath. The droop here is therefore an empirical law in the share f of a line that lies
over air, with a threshold to be learned from readings; its interval is wide on purpose.
"""

from __future__ import annotations

import numpy as np

from falsework.droop.parameters import Parameters
from falsework.droop.smooth import softplus
from falsework.droop.strand import Array, LaidStrands

CURL_LEDGE_MM = 2.0  # ledge whose curl is taken as the measure; constructed
CURL_SHAPE = 0.375  # lift of a ledge b whose strain varies through the layer: ½ · ¾ · ε b²/h


def curl_layers(strand: LaidStrands) -> Array:
    """How far a ledge curls up by its own contraction, in layer heights: 0.375 ε_s (b/h)², b = 2 mm."""
    return CURL_SHAPE * strand.shrinks * (CURL_LEDGE_MM / strand.height_mm) ** 2


def threshold(strand: LaidStrands, p: Parameters) -> Array:
    """f₅₀: share of a line over air at which half of such lines look closed with visible sag.

    More fan moves it out, curl takes some of it.
    """
    return np.exp(
        p.log_threshold
        + p.threshold_by_fan * strand.cooler
        + p.threshold_by_height * strand.log_height
        + p.threshold_by_ratio * (strand.log_height - strand.log_width)
        - np.exp(p.log_curl) * curl_layers(strand)
    )


def ledge_mm(free_mm: Array, strand: LaidStrands, p: Parameters) -> Array:
    """Droop of the free edge of a layer that reaches ``free_mm`` past the one beneath, mm.

    h · s · softplus((f − f₅₀)/s) with f = free/line width: next to nothing below the threshold f₅₀, then one
    layer height for each further line laid beside the last one in air. Constructed.
    """
    onset = np.exp(p.log_onset)
    beyond = softplus((free_mm / strand.width_mm - threshold(strand, p)) / onset)
    return strand.height_mm * onset * beyond * np.exp(p.log_ledge)

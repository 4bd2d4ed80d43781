"""Outcomes that are graded in words: how a support lets go, and the finish of an underside.

Both are cumulative logits, P(grade ≤ r) = σ((c_r − quality)/s), the grades as in ``coupon``: let-go from
fused to fell, finish from 1 to 5.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from falsework.droop.bond import Landing, log_bond
from falsework.droop.overhang import threshold
from falsework.droop.parameters import Parameters
from falsework.droop.smooth import logistic
from falsework.droop.strand import Array, LaidStrands

SCRAPED = -4.8  # log share of a full weld above which a support no longer comes off in one go; constructed
REMOVABLE = 0.8  # chance of coming off in one go that counts as enough
MOST_GAP_LAYERS = 6.0
CLEAN_BRIDGE_MM = 0.3  # added to the layer height as the measure of a bridge's sag


class Grading(NamedTuple):
    """Cuts c₁, c₂, … between grades on a scale of quality, and the logistic scale of its scatter."""

    cuts: tuple[Array, ...]
    scatter: Array


def let_go_grading(p: Parameters) -> Grading:
    """The let-go by quality −log bond: P(let-go ≤ r) = σ((c_r + log bond)/s)."""
    hand = np.exp(p.log_step_tool) - SCRAPED
    fused = -SCRAPED - np.exp(p.log_step_fused)
    touch = hand + np.exp(p.log_step_hand)
    cuts = fused, np.zeros_like(hand) - SCRAPED, hand, touch, touch + np.exp(p.log_step_touch)
    return Grading(cuts, np.exp(p.log_bond_scatter))


def finish_grading(p: Parameters) -> Grading:
    """The finish; its second cut is 0: half of all undersides of quality 0 are 3 or better."""
    third = np.exp(p.log_step_3)
    cuts = -np.exp(p.log_step_2), np.zeros_like(third), third, third + np.exp(p.log_step_4)
    return Grading(cuts, np.exp(p.log_finish_scatter))


def overhang_quality(share: Array, strand: LaidStrands, p: Parameters) -> Array:
    """Finish quality of a slope whose lines lie over air by this share."""
    return (threshold(strand, p) - share) / np.exp(p.log_onset)


def bridge_quality(sag: Array, strand: LaidStrands, p: Parameters) -> Array:
    """Finish quality of a bridge that sags by ``sag`` mm."""
    half = np.exp(p.log_bridge_half) * (strand.height_mm + CLEAN_BRIDGE_MM)
    return -np.exp(p.log_bridge_steep) * np.log((sag + 1e-3) / half)


# of supports that came off so (fused, scraped, by tool, by hand, at a touch, fell): log bond above SCRAPED,
# the middle of the grade at the centres of the prior; what lies open at one end counts half a width more
BOND_READ = (2.2, 0.75, -0.7, -2.8, -7.2, -12.0)


def carried_quality(droop: Array, bond: Array, top: Landing, strand: LaidStrands, p: Parameters) -> Array:
    """Finish quality of an underside on support: its droop, the scars where it must be scraped off, and what
    it was laid on."""
    return (
        p.finish
        - np.exp(p.log_finish_droop) * np.log1p(droop / (0.25 * strand.diameter_mm))
        - np.exp(p.log_finish_scar) * logistic(bond - SCRAPED)
        + p.finish_by_coverage * np.log(top.coverage)
        + p.finish_by_dense
        * np.where(np.asarray(top.dense) > 0, np.log((1.0 + np.asarray(top.dense)) / 3), 0)
        + p.finish_grid * top.grid
        + p.finish_along * top.along
    )


def probabilities(quality: Array, grading: Grading) -> Array:
    """(…, grades) probabilities of the grades."""
    below = np.stack([logistic((c - quality) / grading.scatter) for c in grading.cuts], axis=-1)
    edge = np.ones_like(below[..., :1])
    return np.diff(np.concatenate([np.zeros_like(edge), below, edge], axis=-1), axis=-1)


def removable_gaps_mm(
    run_mm: Array, top: Landing, strand: LaidStrands, p: Parameters, by_layers: Array
) -> Array:
    """(S,) least gap, mm, at which 4 of 5 supports come off in one go, in each draw of parameters (S, 1).

    To a hundredth of a layer; 6 layers stand for more.
    """
    gap = np.linspace(0.0, MOST_GAP_LAYERS, 121) * strand.height_mm
    bond = np.atleast_2d(log_bond(gap, run_mm, top, strand, p, by_layers))
    goal = np.broadcast_to(SCRAPED + np.exp(p.log_bond_scatter) * np.log(1 / REMOVABLE - 1), (len(bond), 1))
    holds = np.minimum.accumulate(bond, axis=1) > goal
    last = np.minimum(holds.sum(axis=1), len(gap) - 1)[:, None]
    before = np.maximum(last - 1, 0)
    above, below = np.take_along_axis(bond, before, 1), np.take_along_axis(bond, last, 1)
    share = np.clip((above - goal) / np.maximum(above - below, 1e-9), 0.0, 1.0)
    return (gap[before] + share * (gap[last] - gap[before]))[:, 0]

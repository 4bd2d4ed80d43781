"""Grades of supports and what a belief says of where it comes from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework import load_process
from falsework.droop.belief import PRIOR, Seen
from falsework.droop.bond import CAP, FULL_RUN_MM, log_bond
from falsework.droop.laws import Laws
from falsework.droop.outcome import (
    MOST_GAP_LAYERS,
    REMOVABLE,
    let_go_grading,
    probabilities,
    removable_gaps_mm,
)
from falsework.droop.strand import strand_of

PLA = load_process("pla-0.4")


def test_more_fan_bonds_less() -> None:
    """A strand that arrives cooler welds less to the support beneath: fewer are fused or scraped."""
    stuck = [sum(Laws(replace(PLA, fan=fan)).let_go_chances(0.2)[:2]) for fan in (0.0, 0.5, 1.0)]
    assert stuck[0] > stuck[1] > stuck[2]


@pytest.mark.parametrize("name", ["pla-0.25", "pla-0.4", "petg-0.8"])
def test_at_the_removable_gap_four_of_five_come_off_in_one_go(name: str) -> None:
    """Each draw's gap, put back into its own grades."""
    process = load_process(name)
    p, by_layers, strand = PRIOR.parameters(process), PRIOR.by_layers[:, None], strand_of(process)
    gap = removable_gaps_mm(FULL_RUN_MM, CAP, strand, p, by_layers)
    inside = (gap > 0.0) & (gap < 0.999 * MOST_GAP_LAYERS * process.layer_height_mm)
    assert inside.mean() > 0.5
    bond = log_bond(gap[:, None], FULL_RUN_MM, CAP, strand, p, by_layers)
    in_one_go = probabilities(-bond, let_go_grading(p))[..., 2:].sum(axis=-1)
    np.testing.assert_allclose(in_one_go[inside], REMOVABLE, atol=0.01)


def test_the_removable_gap_grows_with_the_layers() -> None:
    fine, thick = (Laws(load_process(f"pla-{nozzle}")).removable_gap_mm().value for nozzle in ("0.25", "0.8"))
    assert thick > 2.0 * fine > 0.0


@pytest.mark.parametrize(
    ("strands", "basis"),
    [
        ((), "uncalibrated"),
        (((0.2, 0.45, 3),), "extrapolated"),
        (((0.2, 0.45, 4),), "calibrated"),
        (((0.2, 0.45, 2), (0.22, 0.45, 2)), "calibrated"),
        (((0.4, 0.45, 40),), "extrapolated"),
        (((0.2, 0.9, 40),), "extrapolated"),
    ],
)
def test_calibrated_is_what_was_read_often_enough_near_by(strands, basis: str) -> None:
    seen = Seen({"support": strands} if strands else {})
    assert seen.basis("support", 0.2, 0.45) == basis
    assert seen.basis("bridge", 0.2, 0.45) == "uncalibrated"
    assert seen.count == sum(n for _, _, n in strands)

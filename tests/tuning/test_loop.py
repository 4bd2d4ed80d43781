"""The loop in small: from a wrong belief to the truth of invented printers (in full: benchmarks/loop.py)."""

from __future__ import annotations

from functools import cache
from itertools import combinations

import numpy as np
import pytest

from falsework.coupon import CouponKind, candidate_conditions
from falsework.droop.laws import Laws
from falsework.process import builtin
from falsework.tuning.fit import fit_readings
from falsework.tuning.invented import InventedPrinter, invented_printer
from falsework.tuning.next_test import MadeUpReadings
from falsework.tuning.posterior import PRIOR_POSTERIOR
from falsework.tuning.survey import SettingSurvey, survey

pytestmark = pytest.mark.usefixtures("few_steps")

PLA = builtin("pla-0.4")
MATERIALS = {"PLA": PLA.material}
PRINTERS = 4


@cache
def believed() -> SettingSurvey:
    return survey(PRIOR_POSTERIOR, PLA, "invented")


def printer_off(k: int) -> InventedPrinter:
    """Limit 10° and gap one layer off from what is believed, up and down in turn."""
    limit = float(np.median(believed().limit_deg)) + (10.0 if k % 2 else -10.0)
    gap = float(np.median(believed().gap_layers)) + (1.0 if (k // 2) % 2 else -1.0)
    printer = invented_printer(50 + k, name="invented").with_limit(PLA, limit)
    return printer.with_gap(PLA, max(gap, 0.2) * PLA.layer_height_mm)


def test_after_one_tray_of_each_piece_limit_and_gap_are_found() -> None:
    kinds = (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP)
    hits = 0
    for k in range(PRINTERS):
        printer = printer_off(k)
        readings = [
            r
            for n, kind in enumerate(kinds)
            for r in printer.readings(candidate_conditions(kind, Laws(PLA)), 10 * k + n)
        ]
        found = survey(fit_readings(readings, MATERIALS), PLA, "invented")
        limit = abs(float(np.median(found.limit_deg)) - printer.limit_deg(PLA)) <= 3.0
        gap = abs(float(np.median(found.gap_layers)) - printer.gap_mm(PLA) / 0.2) <= 0.5
        hits += limit and gap
    assert hits >= PRINTERS - 1  # the benchmark asks for 9 in 10; one of these may miss


def test_the_pair_of_cells_chosen_settles_the_gap_at_least_as_often_as_any_pair_of_a_ladder() -> None:
    """Chosen by the weight on right answers, judged by how often the best answer is right."""
    cells = candidate_conditions(CouponKind.GAP, Laws(PLA))
    here = survey(PRIOR_POSTERIOR, PLA, "invented", more=cells)
    trial = MadeUpReadings(here, [q for q in here.questions() if q.name == "air gap"])
    chosen = trial.gains(trial.best_cells(range(len(cells)), 2))[0].after
    ladder = [k for k, c in enumerate(cells) if c.interface_layers == 2]
    pairs = [trial.gains([a, b])[0].after for a, b in combinations(ladder, 2)]
    assert chosen >= max(pairs) - 0.04  # twice the error of a mean over 400 turns
    assert chosen > np.mean(pairs)

"""Invented printers: they obey what they are told to be true, and read with the noise they say."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from falsework.coupon import ConditionKind, LetGo, printed, support_condition
from falsework.process import builtin
from falsework.tuning.invented import InventedPrinter, invented_printer

PLA = builtin("pla-0.4")
SPANS = np.array([8.0, 15.0, 25.0, 40.0, 60.0, 100.0])


def _sag(printer: InventedPrinter, fan: float, spans: np.ndarray = SPANS) -> np.ndarray:
    condition = printed(ConditionKind.BRIDGE, replace(PLA, fan=fan), span_mm=10.0)
    return printer.sag_mm([condition] * len(spans), spans)


@pytest.mark.parametrize("seed", range(5))
def test_sag_grows_with_the_span_and_shrinks_with_the_fan(seed: int) -> None:
    still, blown = _sag(invented_printer(seed), 0.0), _sag(invented_printer(seed), 1.0)
    assert (np.diff(still) > 0).all() and (np.diff(blown) > 0).all()
    assert (blown < still).all()


def test_a_strand_that_neither_contracts_nor_is_fed_too_much_sags_by_the_cube_root_of_its_flow() -> None:
    # dy/dt = K(t)/√y, K proportional to the fluidity: y^(3/2) is linear in it, so δ goes by its cube root
    loose = replace(invented_printer(1), kept_taut=0.0, overfeed=0.0)
    thinner = replace(loose, softness=loose.softness / 2)
    assert _sag(thinner, 0.5) / _sag(loose, 0.5) == pytest.approx(2 ** (1 / 3), rel=5e-3)


def test_a_printer_can_be_given_its_limit_and_its_gap() -> None:
    printer = invented_printer(3).with_limit(PLA, 52.0).with_gap(PLA, 0.37)
    assert printer.limit_deg(PLA) == pytest.approx(52.0, abs=1e-3)
    assert printer.gap_mm(PLA) == pytest.approx(0.37, abs=1e-3)
    at_limit = printed(ConditionKind.OVERHANG, PLA, angle_deg=52.0)
    assert printer.closed([at_limit])[0] == pytest.approx(0.5, abs=1e-3)


def test_readings_follow_the_truth_in_the_long_run() -> None:
    printer = invented_printer(4)
    at_limit = printed(ConditionKind.OVERHANG, PLA, angle_deg=printer.limit_deg(PLA))
    gap = printer.gap_mm(PLA)
    over_support = support_condition(PLA, 24.0, air_gap_mm=gap)
    clean = printed(ConditionKind.BRIDGE, PLA, span_mm=printer.longest_clean_bridge_mm(PLA))
    trays = [printer.readings([at_limit, over_support, clean], seed) for seed in range(1000)]
    closed = np.mean([tray[0].finish >= 3 for tray in trays])
    removable = np.mean([tray[1].let_go in (LetGo.TOOL, LetGo.HAND, LetGo.EARLY) for tray in trays])
    # binomial sd 0.016 and 0.013
    assert closed == pytest.approx(0.5, abs=0.06)
    at_gap = printer.removable([support_condition(PLA, 24.0, air_gap_mm=gap)])[0]
    assert removable == pytest.approx(at_gap, abs=0.05)
    assert np.median([tray[2].droop_mm for tray in trays]) == pytest.approx(0.3, abs=0.02)
    assert all(r.invented and r.printer == printer.name for r in trays[0])
    assert trays[0][0].let_go is None and trays[0][2].let_go is None


def test_the_same_seed_reads_the_same() -> None:
    cells = [support_condition(PLA, 24.0, air_gap_mm=0.2 * n) for n in range(1, 5)]
    assert invented_printer(7).readings(cells, 1) == invented_printer(7).readings(cells, 1)
    assert invented_printer(7).readings(cells, 1) != invented_printer(7).readings(cells, 2)
    assert invented_printer(7) == invented_printer(7) != invented_printer(8)


def test_the_two_laws_agree_at_the_usual_strand_and_part_from_it_elsewhere() -> None:
    thick = replace(builtin("pla-1.2"), layer_height_mm=0.9)
    printer = invented_printer(5)
    clearance, layers = replace(printer, layers_law=0.0), replace(printer, layers_law=1.0)
    assert clearance.gap_mm(PLA) == pytest.approx(layers.gap_mm(PLA), rel=1e-3)
    assert clearance.gap_mm(thick) / 0.9 < layers.gap_mm(thick) / 0.9 - 0.05


def test_the_invention_is_the_right_size() -> None:
    many = [invented_printer(seed) for seed in range(20)]
    gaps = np.array([p.gap_mm(PLA) / 0.2 for p in many])
    limits = np.array([p.limit_deg(PLA) for p in many])
    bridges = np.array([p.longest_clean_bridge_mm(PLA) for p in many])
    assert 1.0 < np.median(gaps) < 2.0 and gaps.min() > 0.5 and gaps.max() < 3.0
    assert 50 < np.median(limits) < 66
    assert 15 < np.median(bridges) < 40
    assert math.isfinite(bridges.max())

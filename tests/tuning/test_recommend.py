"""Recommendations: common practice on an empty ledger, what readings say on a full one, evidence for each."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from falsework.coupon import ConditionKind, CouponKind, candidate_conditions
from falsework.droop.laws import Laws
from falsework.ledger import Entry, Ledger, Recorded
from falsework.process import builtin, dump_process, load_process
from falsework.tuning.fit import fit_readings
from falsework.tuning.invented import InventedPrinter, invented_printer
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.tuning.process_file import process_file
from falsework.tuning.recommend import Recommendation, numbered, recommend
from falsework.tuning.survey import first_crossing

PLA = builtin("pla-0.4")
DAY = datetime.date(2024, 3, 4)


@cache
def empty(name: str = "pla-0.4") -> Recommendation:
    return recommend(PRIOR_POSTERIOR, builtin(name))


@pytest.fixture(scope="module")
def tuned(
    few_steps: None, tmp_path_factory: pytest.TempPathFactory
) -> tuple[InventedPrinter, Posterior, list[Recorded]]:
    """A printer whose slopes hold longer and whose supports need more room than practice says."""
    printer = replace(invented_printer(11), name="harbour printer")
    printer = printer.with_limit(PLA, 58.0).with_gap(PLA, 0.5)
    ledger = Ledger.open(tmp_path_factory.mktemp("ledger") / "ledger.sqlite")
    ledger.add_printer(replace(PLA.printer, name=printer.name))
    ledger.add_material(PLA.material)
    for seed, kind in enumerate((CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP)):
        for twice in (0, 10):
            cells = candidate_conditions(kind, Laws(PLA))
            ledger.add_many([Entry(r, measured_on=DAY) for r in printer.readings(cells, seed + twice)])
    recorded = ledger.readings()
    return printer, fit_readings([r.reading for r in recorded], ledger.materials()), recorded


@pytest.fixture(scope="module")
def found(tuned: tuple[InventedPrinter, Posterior, list[Recorded]]) -> Recommendation:
    printer, posterior, recorded = tuned
    return recommend(posterior, PLA, printer=printer.name, recorded=recorded)


def test_first_crossing_is_exact_for_straight_lines_and_ends_stay_ends() -> None:
    x = np.array([0.0, 1.0, 3.0])
    values = np.array([[0.0, 1.0, 2.0], [5.0, 6.0, 7.0], [0.0, 0.1, 0.2], [0.0, 0.2, 0.8]])
    assert first_crossing(x, values, 0.5).tolist() == pytest.approx([0.5, 0.0, 3.0, 2.0])


@pytest.mark.parametrize("name", ["pla-0.4", "petg-0.8", "abs-1.2"])
def test_an_empty_ledger_recommends_common_practice(name: str) -> None:
    found, process = empty(name), builtin(name)
    assert found.readings == 0
    assert found.of("limit angle").value == pytest.approx(process.limit_deg, abs=0.06)
    assert found.of("air gap").value == 2
    assert {a.basis for a in found.advice} == {"uncalibrated"}
    assert all(a.rests_on == () for a in found.advice)
    assert found.tuned == process  # nothing is changed without a reading
    gap, limit = found.of("air gap").estimate, found.of("limit angle").estimate
    assert gap is not None and gap.low <= 2 <= gap.high
    assert limit is not None and limit.low <= process.limit_deg <= limit.high


def test_where_the_layer_is_half_as_high_as_the_line_is_wide_practice_is_45_degrees() -> None:
    square = replace(PLA, layer_height_mm=0.225)
    assert recommend(PRIOR_POSTERIOR, square).of("limit angle").value == pytest.approx(45.0, abs=0.06)


def test_where_practice_and_model_part_the_test_that_settles_it_is_named() -> None:
    thick = replace(builtin("pla-1.2"), layer_height_mm=0.9, line_width_mm=1.4)
    found = recommend(PRIOR_POSTERIOR, thick)
    gap = next(d for d in found.disagreements if d.settled_by is CouponKind.GAP)
    assert "practice says 2 layers (1.80 mm)" in gap.what
    assert gap.at == "cells at 1 and 2 layers"
    assert found.of("air gap").value == 2  # practice stands until it is settled
    assert not [d for d in empty().disagreements if d.settled_by is CouponKind.GAP]


def test_readings_move_the_settings_to_where_they_truly_are(tuned, found) -> None:
    printer, _, recorded = tuned
    limit, gap, bridge = found.of("limit angle"), found.of("air gap"), found.of("longest clean bridge")
    assert limit.basis == gap.basis == bridge.basis == "calibrated"
    assert limit.value == pytest.approx(58, abs=4)
    assert gap.value == 3
    assert gap.estimate.value == pytest.approx(2.5, abs=0.5)
    assert bridge.value == pytest.approx(printer.longest_clean_bridge_mm(PLA), rel=0.25)
    assert found.tuned.limit_deg == pytest.approx(limit.value, abs=0.1)
    assert found.tuned.structure.air_gap_layers == 3
    assert found.invented == found.readings == len(recorded) and found.invented_elsewhere == 0


def test_each_value_points_back_to_the_readings_of_its_kind(tuned, found) -> None:
    _, _, recorded = tuned
    kinds = {r.id: r.reading.condition.kind for r in recorded}
    assert {kinds[k] for k in found.of("limit angle").rests_on} == {ConditionKind.OVERHANG}
    assert {kinds[k] for k in found.of("longest clean bridge").rests_on} == {ConditionKind.BRIDGE}
    assert {kinds[k] for k in found.of("air gap").rests_on} == {ConditionKind.SUPPORT}


def test_where_nothing_was_read_for_a_setting_the_readings_that_bear_on_it_are_named(tuned) -> None:
    _, posterior, recorded = tuned
    supports = [r for r in recorded if r.reading.condition.kind is ConditionKind.SUPPORT]
    process = replace(PLA, printer=replace(PLA.printer, name="harbour printer"))
    alone = recommend(posterior, process, recorded=supports)
    told = f"no slope was read, but readings of supports ({numbered(r.id for r in supports)}) bear on"
    assert told in alone.of("limit angle").why
    assert "bear on" not in alone.of("air gap").why
    assert all("bear on" not in empty().of(name).why for name in ("limit angle", "air gap"))


def test_probabilities_of_every_printable_gap(found) -> None:
    gaps = found.gaps
    assert [g.layers for g in gaps] == [1, 2, 3, 4, 5, 6]
    for g in gaps:
        assert sum(g.let_go.values()) == pytest.approx(1) and sum(g.finish) == pytest.approx(1)
        assert g.removable.low <= g.removable.value <= g.removable.high
    (chosen,) = (g.layers for g in gaps if g.recommended)
    shares = [g.removable.value for g in gaps][:chosen]  # farther on some fall before the print is done
    assert shares == sorted(shares) and chosen in (3, 4)
    assert [g.let_go["fell"] for g in gaps] == sorted(g.let_go["fell"] for g in gaps)


def test_the_process_file_reads_back_as_the_tuned_process_with_its_evidence(
    tuned, found, tmp_path: Path
) -> None:
    _, _, recorded = tuned
    text = process_file(found, recorded, name="harbour pla")
    path = tmp_path / "tuned.toml"
    path.write_text(text, "utf-8")
    assert load_process(path) == replace(found.tuned, name="harbour pla")
    evidence = tomllib.loads(text)["evidence"]
    assert evidence["air_gap_layers"]["basis"] == "calibrated"
    assert evidence["air_gap_layers"]["from"] == evidence["air_gap_layers"]["to"] == DAY.isoformat()
    assert evidence["reach_share"]["readings"] == numbered(found.of("limit angle").rests_on)
    assert "never measured" in evidence["reach_share"]["invented"]
    assert evidence["spacing_mm"]["basis"] == "uncalibrated"


def test_evidence_of_an_empty_ledger_says_so() -> None:
    text = process_file(empty(), [])
    assert tomllib.loads(text)["evidence"]["reach_share"]["basis"] == "uncalibrated"
    assert dump_process(replace(PLA, name="pla-0.4 tuned")) in text


def test_another_printer_of_the_ledger_is_uncalibrated(tuned) -> None:
    _, posterior, recorded = tuned
    other = recommend(posterior, PLA, printer="another", recorded=recorded)
    assert other.readings == other.invented == 0
    assert other.invented_elsewhere == len(recorded)
    assert other.of("air gap").basis == "uncalibrated"
    assert other.of("air gap").value == 2


@pytest.mark.parametrize(
    ("ids", "text"), [([], ""), ([3], "3"), ([4, 1, 2, 3, 9], "1–4, 9"), ([1, 3, 5, 6], "1, 3, 5–6")]
)
def test_numbers_with_runs_joined(ids: list[int], text: str) -> None:
    assert numbered(ids) == text


def test_a_process_tuned_before_is_not_taken_for_practice() -> None:
    before = replace(PLA, reach_share=0.9, structure=replace(PLA.structure, air_gap_layers=4.0))
    found = recommend(PRIOR_POSTERIOR, before)
    assert found.of("air gap").value == found.of("air gap").practice == 2
    assert found.of("limit angle").value == pytest.approx(PLA.limit_deg, abs=0.06)
    assert found.tuned == PLA

"""The strand model against its own limits, inverses and signs."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from falsework.droop.belief import NORMAL_95, PRIOR
from falsework.droop.bond import bond_share
from falsework.droop.bridge import bridge_droop, longest_clean_bridge_mm
from falsework.droop.estimate import Estimate
from falsework.droop.overhang import island_droop, overhang_droop
from falsework.droop.strand import (
    GRAVITY,
    MELT_SHARE,
    fluidity_1_pa,
    strand_diameter_mm,
    strand_time_constant_s,
    time_constant_s,
    viscosity_pa_s,
)
from falsework.droop.supported import clearance_mm, supported_droop
from falsework.process.settings import Process

FINE = Process()
COARSE = replace(FINE, layer_height_mm=0.9, line_width_mm=1.4, nozzle_mm=1.2)


def test_the_strand_keeps_the_section_of_the_bead():
    # 0.45 x 0.2: section 0.08142 mm² (worked by hand), to the four digits given
    assert math.pi / 4 * strand_diameter_mm(FINE) ** 2 == pytest.approx(0.08142, abs=5e-6)


def test_fluidity_integral_against_a_fine_time_march():
    """Trapezoid in time, 200 000 steps over 30 τ: exact to 1e-6, so the tolerance is Simpson's."""
    tau = strand_time_constant_s(FINE, PRIOR)
    material, room = FINE.material, FINE.room_temperature_c
    steps, total, last = 200_000, 0.0, None
    end = tau * math.log((material.nozzle_temperature_c - room) / (material.wlf_d2_c - room))
    for i in range(steps + 1):
        temperature = room + (material.nozzle_temperature_c - room) * math.exp(-i * end / steps / tau)
        rate = 1 / viscosity_pa_s(material, temperature)
        if last is not None:
            total += 0.5 * (rate + last) * end / steps
        last = rate
    assert fluidity_1_pa(FINE, PRIOR) == pytest.approx(total, rel=1e-5)


def test_a_cold_nozzle_does_not_flow():
    material = replace(FINE.material, nozzle_temperature_c=120.0, wlf_d2_c=130.0)
    cold = replace(FINE, material=material)
    assert fluidity_1_pa(cold, PRIOR) == 0.0
    assert bridge_droop(50.0, cold, PRIOR).value == 0.0
    assert longest_clean_bridge_mm(cold, PRIOR, 0.2).value == math.inf


@pytest.mark.parametrize(
    ("span_mm", "taut", "power"), [(0.05, 0.0, 4.0), (8000.0, 0.0, 4 / 3), (20.0, 0.2, 2.0)]
)
def test_the_three_regimes_of_the_cubic(span_mm, taut, power):
    """Short: bending, L⁴. Slack: stretching, L^(4/3). Taut: L². Slopes over a doubling, to 2 %."""
    process = replace(FINE, material=replace(FINE.material, taut_strain=taut))
    ratio = bridge_droop(2 * span_mm, process, PRIOR).value / bridge_droop(span_mm, process, PRIOR).value
    assert math.log2(ratio) == pytest.approx(power, rel=0.02)


def test_the_taut_regime_has_its_closed_form():
    """δ ≈ ρ g L² Φ / 24 ε where tautness rules; the cubic lies below it (its other terms only hold)."""
    process = replace(FINE, material=replace(FINE.material, taut_strain=0.2))
    span = 0.03
    density = process.material.density_g_cm3 * 1e3 * MELT_SHARE
    limit_mm = 1e3 * density * GRAVITY * span**2 * fluidity_1_pa(process, PRIOR) / (24 * 0.2)
    droop = bridge_droop(30.0, process, PRIOR).value
    assert 0.99 * limit_mm < droop < limit_mm


def test_the_sag_solves_the_cubic():
    for span_mm in (0.3, 5.0, 37.0, 140.0, 900.0):
        delta, span = bridge_droop(span_mm, FINE, PRIOR).value * 1e-3, span_mm * 1e-3
        d = strand_diameter_mm(FINE) * 1e-3
        left = 320 / 3 * delta**3 + (72 * d * d + 24 * 0.01 * span**2) * delta
        density = FINE.material.density_g_cm3 * 1e3 * MELT_SHARE
        right = density * GRAVITY * span**4 * fluidity_1_pa(FINE, PRIOR)
        assert left == pytest.approx(right, rel=1e-10)


def test_spread_before_calibration_is_about_a_factor_of_two():
    droop = bridge_droop(50.0, FINE, PRIOR)
    assert droop.basis == "uncalibrated"
    assert 1.4 < droop.high / droop.value < 2.5
    assert droop.high / droop.value == pytest.approx(droop.value / droop.low)
    # in the slack limit the cube root takes two thirds of the fluidity's spread off
    slack = replace(FINE, material=replace(FINE.material, taut_strain=0.0))
    spread = math.log(bridge_droop(9000.0, slack, PRIOR).high / bridge_droop(9000.0, slack, PRIOR).value)
    expected = math.hypot(PRIOR.log_fluidity_sd / 3, PRIOR.sag_sd)
    assert spread == pytest.approx(NORMAL_95 * expected, rel=0.02)


def test_longest_clean_bridge_is_the_inverse():
    clean = longest_clean_bridge_mm(FINE, PRIOR, 0.3)
    assert bridge_droop(clean.value, FINE, PRIOR).value == pytest.approx(0.3, rel=1e-9)
    assert bridge_droop(clean.low, FINE, PRIOR).high == pytest.approx(0.3, rel=1e-6)
    assert bridge_droop(clean.high, FINE, PRIOR).low == pytest.approx(0.3, rel=1e-6)
    assert clean.low < clean.value < clean.high


def test_an_unweakened_film_is_the_limit_of_a_perfect_conductor():
    plain = time_constant_s(0.4, 100.0, 2.2e6, math.inf)
    assert plain == pytest.approx(2.2e6 * 0.4e-3 / 400)
    assert time_constant_s(0.4, 100.0, 2.2e6, 0.13) > plain


@pytest.mark.parametrize("process", [FINE, COARSE, replace(FINE, layer_height_mm=0.1)])
def test_overhangs_hold_below_the_threshold_and_sag_by_layers_beyond(process):
    w, h = process.line_width_mm, process.layer_height_mm
    assert overhang_droop(0.4 * w, process, PRIOR).value < 0.01 * h
    one, six = overhang_droop(w, process, PRIOR), overhang_droop(6 * w, process, PRIOR)
    assert 0.1 * h < one.value < 0.5 * h
    assert six.value == pytest.approx((6 - 0.75) * h, rel=1e-6)  # one layer for each line beyond f₅₀ = 0.75
    assert six.high / six.low > 5  # constructed: wide on purpose


def test_droop_never_exceeds_the_fall():
    assert overhang_droop(30.0, FINE, PRIOR, fall_mm=0.6) == Estimate(0.6, 0.6, 0.6)
    fall = island_droop(12.0, FINE, PRIOR)
    assert (fall.value, fall.low, fall.high) == (12.0, 0.2, 12.0)
    assert island_droop(0.1, FINE, PRIOR).low == 0.1


def test_support_stops_the_sag_at_the_clearance():
    free = bridge_droop(80.0, FINE, PRIOR)
    on = supported_droop(free, 0.4, FINE, PRIOR)
    assert clearance_mm(0.4, FINE) == pytest.approx(0.4 + 0.2 - 0.32197, abs=1e-5)
    assert clearance_mm(0.4, FINE) <= on.value < clearance_mm(0.4, FINE) + 1e-3
    assert on.low < on.value < on.high
    # what would droop by less anyway is not made worse, and a gap that presses leaves no droop to speak of
    short = bridge_droop(8.0, FINE, PRIOR)
    assert supported_droop(short, 0.4, FINE, PRIOR).value == short.value
    assert supported_droop(free, 0.05, FINE, PRIOR).value < 1e-3


def test_lines_without_a_roof_add_their_own_small_sag():
    free = bridge_droop(80.0, FINE, PRIOR)
    open_lines = replace(FINE, structure=replace(FINE.structure, interface_layers=0, spacing_mm=4.0))
    extra = (
        supported_droop(free, 0.4, open_lines, PRIOR).value - supported_droop(free, 0.4, FINE, PRIOR).value
    )
    assert 0.002 < extra < 0.01  # micrometres, as the model says: 4 at full fan


def test_the_two_laws_of_bond_agree_on_the_reference_strand_and_differ_off_it():
    clear, layers = replace(PRIOR, layers_law_weight=0.0), replace(PRIOR, layers_law_weight=1.0)
    for gap in (0.0, 0.05, 0.12, 0.2):
        assert bond_share(gap, FINE, clear).value == pytest.approx(bond_share(gap, FINE, layers).value)
    thin = replace(FINE, layer_height_mm=0.1)
    # thin layers squeeze a strand wider than they are high: by clearance it still touches at one layer's gap
    assert bond_share(0.1, thin, clear).value > 10 * bond_share(0.1, thin, layers).value
    mixed = bond_share(0.1, thin, PRIOR)
    assert bond_share(0.1, thin, layers).value < mixed.value < bond_share(0.1, thin, clear).value
    assert mixed.low < bond_share(0.1, thin, layers).value * 2 and mixed.high > 0.1


def test_bond_is_a_share_that_falls_with_the_gap():
    for process in (FINE, COARSE):
        shares = [bond_share(0.05 * k, process, PRIOR) for k in range(30)]
        assert shares[0].value == 1.0
        for a, b in itertools.pairwise(shares):
            assert b.value < a.value and b.high <= a.high and b.low <= a.low
        assert all(0 <= s.low <= s.value <= s.high <= 1 for s in shares)

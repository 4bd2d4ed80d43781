"""The strand model against its own limits, inverses and signs."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from falsework.droop.belief import PRIOR, Belief, paired_normals, with_law, with_values
from falsework.droop.bond import coverage, top_of
from falsework.droop.bridge import sag_mm
from falsework.droop.estimate import NORMAL_95, estimates, quantiles
from falsework.droop.laws import Laws
from falsework.droop.parameters import NAMES, PRIORS, Parameters
from falsework.droop.strand import (
    GRAVITY,
    MELT_SHARE,
    fluidity_1_pa,
    strand_diameter_mm,
    strand_of,
    strand_time_constant_s,
    time_constant_s,
    viscosity_pa_s,
)
from falsework.droop.supported import clearance_mm, lane_spacing_mm
from falsework.process import load_process
from falsework.process.settings import Process

FINE = Process()
COARSE = replace(FINE, layer_height_mm=0.9, line_width_mm=1.4, nozzle_mm=1.2)
CENTRE = Parameters()


def sag(span_mm: float, process: Process, p: Parameters = CENTRE) -> float:
    return float(sag_mm(np.array([span_mm]), strand_of(process), p)[0])


def fluidity(process: Process) -> float:
    return float(fluidity_1_pa(strand_of(process), CENTRE)[0])


def test_the_strand_keeps_the_section_of_the_bead():
    # 0.45 x 0.2: section 0.08142 mm² (worked by hand), to the four digits given
    assert math.pi / 4 * strand_diameter_mm(FINE) ** 2 == pytest.approx(0.08142, abs=5e-6)


def test_fluidity_integral_against_a_fine_time_march():
    """Trapezoid in time, 200 000 steps over 30 τ: exact to 1e-6, so the tolerance is Simpson's."""
    tau = float(strand_time_constant_s(strand_of(FINE), CENTRE)[0])
    material, room = FINE.material, FINE.room_temperature_c
    end = tau * math.log((material.nozzle_temperature_c - room) / (material.wlf_d2_c - room))
    at = np.linspace(0.0, end, 200_001)
    rate = 1 / viscosity_pa_s(material, room + (material.nozzle_temperature_c - room) * np.exp(-at / tau))
    assert fluidity(FINE) == pytest.approx(np.trapezoid(rate, at), rel=1e-5)


def test_a_cold_nozzle_does_not_flow():
    material = replace(FINE.material, nozzle_temperature_c=120.0, wlf_d2_c=130.0)
    cold = replace(FINE, material=material)
    assert fluidity(cold) == 0.0
    assert Laws(cold).bridge_droop(50.0).value == 0.0
    assert Laws(cold).longest_clean_bridge_mm(0.2).value == math.inf


@pytest.mark.parametrize(
    ("span_mm", "taut", "power"), [(0.05, 0.0, 4.0), (8000.0, 0.0, 4 / 3), (20.0, 0.2, 2.0)]
)
def test_the_three_regimes_of_the_cubic(span_mm, taut, power):
    """Short: bending, L⁴. Slack: stretching, L^(4/3). Taut: L². Slopes over a doubling, to 2 %."""
    process = replace(FINE, material=replace(FINE.material, taut_strain=taut))
    assert math.log2(sag(2 * span_mm, process) / sag(span_mm, process)) == pytest.approx(power, rel=0.02)


def test_the_taut_regime_has_its_closed_form():
    """δ ≈ ρ g L² Φ / 24 ε where tautness rules; the cubic lies below it (its other terms only hold)."""
    process = replace(FINE, material=replace(FINE.material, taut_strain=0.2))
    span = 0.03
    density = process.material.density_g_cm3 * 1e3 * MELT_SHARE
    limit_mm = 1e3 * density * GRAVITY * span**2 * fluidity(process) / (24 * 0.2)
    assert 0.99 * limit_mm < sag(30.0, process) < limit_mm


def test_the_sag_solves_the_cubic():
    for span_mm in (0.3, 5.0, 37.0, 140.0, 900.0):
        delta, span = sag(span_mm, FINE) * 1e-3, span_mm * 1e-3
        d = strand_diameter_mm(FINE) * 1e-3
        left = 320 / 3 * delta**3 + (72 * d * d + 24 * 0.01 * span**2) * delta
        density = FINE.material.density_g_cm3 * 1e3 * MELT_SHARE
        right = density * GRAVITY * span**4 * fluidity(FINE)
        assert left == pytest.approx(right, rel=1e-10)


def test_spread_before_calibration_is_about_a_factor_of_two():
    droop = Laws(FINE).bridge_droop(50.0)
    assert droop.basis == "uncalibrated"
    assert droop.value == pytest.approx(sag(50.0, FINE), rel=0.05)  # the median of the cloud
    assert 1.4 < droop.high / droop.value < 2.5
    assert 1.4 < droop.value / droop.low < 2.5
    # in the slack limit the cube root takes two thirds of the fluidity's spread off; air held still
    slack = replace(FINE, material=replace(FINE.material, taut_strain=0.0), fan=0.0)
    droop = Laws(slack, with_values(PRIOR, sag_by_span=0.0, sag_in_still_air=0.0)).bridge_droop(9000.0)
    expected = math.hypot(PRIORS["log_fluidity"].sd / 3, PRIORS["log_sag"].sd)
    assert math.log(droop.high / droop.value) == pytest.approx(NORMAL_95 * expected, rel=0.10)


def test_the_cloud_has_the_spread_of_the_prior():
    for name in NAMES:
        draws = getattr(PRIOR.draws, name)
        assert np.median(draws) == pytest.approx(PRIORS[name].centre, abs=1e-9)
        assert np.std(draws) == pytest.approx(PRIORS[name].sd, rel=1e-6)
    assert PRIOR.layers_law_weight == 0.5


def test_longest_clean_bridge_is_the_inverse():
    clean = Laws(FINE).longest_clean_bridge_mm(0.3)
    for at, end in (("value", "value"), ("low", "high"), ("high", "low")):
        droop = Laws(FINE).bridge_droop(getattr(clean, at))
        assert getattr(droop, end) == pytest.approx(0.3, rel=5e-3)  # between neighbouring draws
    assert clean.low < clean.value < clean.high


def test_an_unweakened_film_is_the_limit_of_a_perfect_conductor():
    plain = time_constant_s(0.4, 100.0, 2.2e6, math.inf)
    assert plain == pytest.approx(2.2e6 * 0.4e-3 / 400)
    assert time_constant_s(0.4, 100.0, 2.2e6, 0.13) > plain


@pytest.mark.parametrize("process", [FINE, COARSE, replace(FINE, layer_height_mm=0.1)])
def test_overhangs_hold_below_the_threshold_and_sag_by_layers_beyond(process):
    w, h = process.line_width_mm, process.layer_height_mm
    share = Laws(process).limit_share().value
    free_mm = np.array([0.5 * share * w, w, 6 * w])
    below, one, six = estimates(Laws(process).overhang_droops(free_mm), ["uncalibrated"] * 3)
    assert below.value < 0.02 * h
    assert 0.25 * h < one.value < 0.75 * h
    # one layer for each line beyond the threshold, but for the median of a product
    assert six.value == pytest.approx((6 - share) * h, rel=0.03)
    assert six.high / six.low > 5  # constructed: wide on purpose
    assert one.low < one.value < one.high


def test_the_limit_is_the_usual_one_where_layers_are_half_as_high_as_lines_are_wide():
    half = replace(FINE, layer_height_mm=0.2, line_width_mm=0.4)
    limit = Laws(half).limit_angle_deg()
    assert limit.value == pytest.approx(45.0, abs=1.0)  # curl takes the rest
    assert limit.low < 36 and limit.high > 58
    assert Laws(replace(half, fan=0.0)).limit_angle_deg().value < limit.value - 5


def test_curl_works_against_thin_layers_of_hot_materials():
    pla, hot = replace(FINE, layer_height_mm=0.1), replace(load_process("abs-0.4"), layer_height_mm=0.1)
    assert Laws(hot).limit_share().value < Laws(pla).limit_share().value < Laws(FINE).limit_share().value


def test_what_starts_in_mid_air_falls_and_misses_its_layer_at_the_least():
    assert Laws(FINE).island_droops(np.array([12.0, 0.1])).T.tolist() == [[12.0, 0.2, 12.0], [0.1, 0.1, 0.1]]


def test_quantiles_are_the_usual_ones():
    draws = np.random.default_rng(3).lognormal(size=(1000, 7, 2))
    assert quantiles(draws) == pytest.approx(np.quantile(draws, (0.5, 0.05, 0.95), axis=0), rel=1e-12)
    assert quantiles(draws[:, 0, 0]) == pytest.approx(quantiles(draws)[:, 0, 0], rel=1e-12)
    assert quantiles(np.ones((1, 3))).tolist() == [[1.0] * 3] * 3


CURTAIN = replace(FINE, structure=replace(FINE.structure, form="curtain"))


def test_lanes_are_as_far_apart_as_the_roof_bridges_well():
    """The roof's sag between lanes adds no more than a twentieth to what an underside sinks anyway."""
    free = Laws(FINE).bridge_droop(80.0)
    lanes, lines = (Laws(process).supported_droops([free], 0.4)[0].value for process in (FINE, CURTAIN))
    assert lane_spacing_mm(FINE) == 5.5
    assert lines < lanes <= 1.05 * lines
    softer = load_process("petg-0.4")
    assert FINE.structure.spacing_mm <= lane_spacing_mm(softer) < lane_spacing_mm(FINE)
    fixed = replace(FINE, structure=replace(FINE.structure, lane_spacing_mm=8.0))
    assert lane_spacing_mm(fixed) == 8.0
    assert Laws(fixed).supported_droops([free], 0.4)[0].value > lanes


def test_support_stops_the_sag_at_the_clearance():
    free = Laws(FINE).bridge_droop(80.0)
    short = Laws(FINE).bridge_droop(8.0)
    on, short_on = Laws(CURTAIN).supported_droops([free, short], 0.4)
    assert clearance_mm(0.4, FINE) == pytest.approx(0.4 + 0.2 - 0.32197, abs=1e-5)
    assert on.value == pytest.approx(clearance_mm(0.4, FINE), rel=0.02)
    assert on.low < on.value < on.high
    # what would droop by less anyway is not made worse, and a gap that presses leaves no droop to speak of
    assert short_on.value == pytest.approx(short.value, rel=1e-3)
    assert Laws(CURTAIN).supported_droops([free], 0.05)[0].value < 3e-3


def test_lines_farther_apart_add_their_own_small_sag():
    free = Laws(FINE).bridge_droop(80.0)
    wide = replace(CURTAIN, structure=replace(CURTAIN.structure, spacing_mm=4.0))
    bare, roofed = (Laws(process).supported_droops([free], 0.4)[0] for process in (wide, CURTAIN))
    assert 0.002 < bare.value - roofed.value < 0.01  # micrometres, as the model says: 4 at full fan


def test_the_two_laws_of_bond_agree_on_the_reference_strand_and_differ_off_it():
    clear, layers = with_law(PRIOR, False), with_law(PRIOR, True)
    for gap in (0.0, 0.05, 0.12, 0.2):
        assert Laws(FINE, clear).bond_share(gap).value == pytest.approx(
            Laws(FINE, layers).bond_share(gap).value
        )
    thin = replace(FINE, layer_height_mm=0.1)
    # thin layers squeeze a strand wider than they are high: by clearance it still touches at one layer's gap
    by_clearance, by_layers = Laws(thin, clear).bond_share(0.1), Laws(thin, layers).bond_share(0.1)
    assert by_clearance.value > 5 * by_layers.value
    mixed = Laws(thin).bond_share(0.1)
    assert by_layers.value < mixed.value < by_clearance.value
    assert mixed.low < by_layers.value and mixed.high > by_clearance.value


def test_bond_is_a_share_that_falls_with_the_gap():
    for process in (FINE, COARSE):
        shares = [Laws(process).bond_share(0.05 * k) for k in range(30)]
        assert shares[0].value == pytest.approx(1.0, abs=0.01)
        for a, b in itertools.pairwise(shares):
            assert b.value <= a.value and b.high <= a.high and b.low <= a.low
        assert shares[8].value < 0.5 * shares[2].value
        assert all(0 <= s.low <= s.value <= s.high <= 1 for s in shares)


def test_chances_of_letting_go_add_up_and_move_with_the_gap():
    chances = [Laws(FINE).let_go_chances(0.1 * k) for k in range(8)]
    for row in chances:
        assert sum(row) == pytest.approx(1.0) and min(row) >= 0
    for a, b in itertools.pairwise(chances):
        assert b[0] < a[0] and sum(b[2:]) > sum(a[2:])
    assert chances[0][0] > 0.9  # without a gap it is fused
    # a strand that never sags onto the support is no evidence of a clean release
    short, long = (Laws(FINE).let_go_chances(0.4, run_mm=run) for run in (5.0, 40.0))
    assert short[4] > long[4] + 0.1


def test_coverage_by_lines_and_grid():
    assert coverage(0.45, 1.8, 0, 0) == pytest.approx(0.25)
    assert coverage(0.45, 1.8, 0, 1) == pytest.approx(1 - 0.75**2)  # two independent sets of lines
    assert coverage(0.45, 1.8, 2, 0) == 1.0
    bare = replace(FINE, structure=replace(FINE.structure, interface_layers=0, spacing_mm=1.8))
    assert Laws(bare).bond_share(0.2, top_of(bare, 0)).value < 0.5 * Laws(bare).bond_share(0.2).value


def test_a_belief_is_known_by_what_it_holds():
    other = with_values(PRIOR, log_taut=0.1)
    assert with_values(PRIOR) == PRIOR and hash(with_values(PRIOR)) == hash(PRIOR)
    assert other != PRIOR
    assert Laws(FINE, other).bridge_droop(50).value < Laws(FINE).bridge_droop(50).value
    said = Belief(PRIOR.draws, PRIOR.by_layers, rests_on="hearsay")
    assert said == PRIOR and said.rests_on == "hearsay"


def test_draws_come_in_mirrored_pairs_of_unit_variance():
    draws = paired_normals(400, 3, 7)
    assert np.array_equal(draws[:200], -draws[200:])
    assert (
        np.mean(draws**2, axis=0) == pytest.approx(np.ones(3))
        and np.median(draws, axis=0).tolist() == [0.0] * 3
    )


def test_a_parameter_spreads_at_a_level_by_that_of_the_printers_and_by_the_doubt_of_the_law():
    for prior in PRIORS.values():
        doubts = {"both": prior.doubt, "strand": prior.strand_doubt, "anew": prior.anew_doubt}
        for level in ("both", "strand", "anew"):
            expected = math.hypot(getattr(prior, level), doubts[level])
            assert prior.spread(level) == pytest.approx(expected)

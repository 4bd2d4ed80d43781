"""Every law worked again in plain arithmetic, with no parameter at its centre: a term that the prior leaves
at nothing is as wrong when it is dropped."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest

from falsework.droop.belief import PRIOR, Seen, with_values
from falsework.droop.bond import CAP, Landing, log_bond, top_of
from falsework.droop.bridge import sag_mm
from falsework.droop.estimate import around
from falsework.droop.laws import Laws
from falsework.droop.outcome import (
    SCRAPED,
    bridge_quality,
    carried_quality,
    finish_grading,
    let_go_grading,
    overhang_quality,
    probabilities,
)
from falsework.droop.overhang import curl_layers, ledge_mm, threshold
from falsework.droop.parameters import PRIORS, Parameters
from falsework.droop.smooth import lesser
from falsework.droop.strand import (
    REFERENCE_DIAMETER_MM,
    cross_flow_film_w_m2_k,
    fluidity_1_pa,
    strand_of,
    strand_time_constant_s,
    time_constant_s,
)
from falsework.droop.supported import clearance_mm, room_mm, settled_mm, touching
from falsework.process import load_process

PLA = load_process("pla-0.4")
# Half a fan, faster, wider and thicker than what everything is reckoned from.
ODD = replace(
    PLA,
    layer_height_mm=0.3,
    line_width_mm=0.6,
    fan=0.5,
    bridge_speed_mm_s=45.0,
)
STRAND = strand_of(ODD)
# All their own, and none at 0 or 1.
P = Parameters(**{f.name: PRIORS[f.name].centre + 0.07 + 0.011 * k for k, f in enumerate(fields(Parameters))})
TOP = Landing(coverage=0.6, dense=3, grid=1.0, perimeter=2.0, along=0.7)
HEIGHT, WIDTH = 0.3, 0.6
DIAMETER = float(STRAND.diameter_mm[0])


def one(value: object) -> float:
    return float(np.ravel(np.asarray(value))[0])


def softplus(x: float) -> float:
    return math.log1p(math.exp(x))


def logistic(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x))


def test_how_a_strand_differs_from_the_reference() -> None:
    section = (WIDTH - HEIGHT) * HEIGHT + math.pi / 4 * HEIGHT**2
    assert pytest.approx(math.sqrt(4 * section / math.pi)) == DIAMETER
    assert one(STRAND.log_height) == pytest.approx(math.log(HEIGHT / 0.2))
    assert one(STRAND.log_width) == pytest.approx(math.log(WIDTH / 0.45))
    assert one(STRAND.log_speed) == pytest.approx(math.log(45.0 / 30.0))
    assert one(STRAND.cooler) == pytest.approx(0.5 - PLA.material.usual_fan)


def test_sag_with_all_that_the_cubic_misses() -> None:
    for span_mm in (12.0, 55.0):
        span, d = span_mm * 1e-3, DIAMETER * 1e-3
        weight = one(STRAND.load_n_m3) * one(fluidity_1_pa(STRAND, P))
        taut = 24 * one(STRAND.taut) * math.exp(P.log_taut)
        roots = np.roots([320 / 3, 0.0, 72 * d * d + taut * span**2, -weight * span**4])
        (real,) = roots[np.abs(roots.imag) < 1e-12].real
        log_span = math.log(span_mm / 30.0)
        beside = (
            P.log_sag
            + P.sag_by_height * math.log(HEIGHT / 0.2)
            + P.sag_by_width * math.log(WIDTH / 0.45)
            + P.sag_by_speed * math.log(1.5)
            + P.sag_in_still_air * 0.5
            + log_span * (P.sag_by_span + P.sag_bend * math.tanh(log_span))
        )
        assert one(sag_mm(span_mm, STRAND, P)) == pytest.approx(1e3 * real * math.exp(beside), rel=1e-9)


def test_ledges() -> None:
    curl = 0.375 * one(STRAND.shrinks) * (2.0 / HEIGHT) ** 2
    assert one(curl_layers(STRAND)) == pytest.approx(curl)
    half = math.exp(
        P.log_threshold
        + P.threshold_by_fan * (0.5 - PLA.material.usual_fan)
        + P.threshold_by_height * math.log(HEIGHT / 0.2)
        + P.threshold_by_ratio * math.log((HEIGHT / 0.2) / (WIDTH / 0.45))
        - math.exp(P.log_curl) * curl
    )
    assert one(threshold(STRAND, P)) == pytest.approx(half)
    onset = math.exp(P.log_onset)
    for free in (0.1, 0.5):
        droop = HEIGHT * onset * softplus((free / WIDTH - half) / onset) * math.exp(P.log_ledge)
        assert one(ledge_mm(free, STRAND, P)) == pytest.approx(droop)
        assert one(overhang_quality(free / WIDTH, STRAND, P)) == pytest.approx((half - free / WIDTH) / onset)


@pytest.mark.parametrize("by_layers", [False, True])
@pytest.mark.parametrize("gap", [0.0, 0.15, 0.4])
def test_bond(gap: float, by_layers: bool) -> None:
    k, softness = math.exp(P.log_clearance), math.exp(P.log_softness)

    def contact(height: float) -> float:
        return softness * softplus(math.pi / 4 * (1 / height - height) / softness)

    start = 0.2 / (k * REFERENCE_DIAMETER_MM) if by_layers else HEIGHT / (k * DIAMETER)
    unit = HEIGHT * (HEIGHT / 0.2) ** -P.gap_by_height
    room = max(gap + HEIGHT - k * DIAMETER, 1e-3)
    assert one(room_mm(gap, STRAND, P)) == pytest.approx(room)
    touched = logistic(math.log(one(sag_mm(20.0, STRAND, P)) / room) / 0.25)
    assert one(touching(gap, 20.0, STRAND, P)) == pytest.approx(touched)
    expected = (
        math.log(contact(start * (1 + gap / unit)) / contact(start) + math.exp(P.log_touch) * touched + 1e-12)
        + P.bond
        + {0.0: P.bond_at_1, 0.15: P.bond_at_1, 0.4: (2 * P.bond_at_1 + P.bond_at_2) / 3}[gap]
        + P.bond_by_height * math.log(HEIGHT / 0.2)
        + P.bond_by_width * math.log(WIDTH / 0.45)
        + P.bond_by_heat * one(STRAND.hotter)
        + P.bond_by_fan * (0.5 - PLA.material.usual_fan)
        + P.bond_by_coverage * math.log(0.6)
        + P.bond_grid
        + P.bond_perimeter * 2.0
        + P.bond_along * 0.7
    )
    assert one(log_bond(gap, 20.0, TOP, STRAND, P, by_layers)) == pytest.approx(expected, rel=1e-9)


def test_a_hotter_nozzle_than_the_material_asks_for_bonds_more() -> None:
    hotter = replace(STRAND, hotter=STRAND.hotter + 1.0)
    more = one(log_bond(0.1, 20.0, TOP, hotter, P, True)) - one(log_bond(0.1, 20.0, TOP, STRAND, P, True))
    assert more == pytest.approx(P.bond_by_heat)


def test_a_strand_on_support_sinks_by_the_clearance_and_by_what_it_sags_between() -> None:
    room = one(room_mm(0.3, STRAND, P)) + one(sag_mm(2.5, STRAND, P))
    free = one(sag_mm(40.0, STRAND, P))
    small, large = sorted((free, room))
    assert one(settled_mm(0.3, 40.0, 2.5, STRAND, P)) == pytest.approx(
        small / (1 + (small / large) ** 8) ** 0.125
    )


def test_grades() -> None:
    hand = math.exp(P.log_step_tool) - SCRAPED
    touch = hand + math.exp(P.log_step_hand)
    let_go = let_go_grading(P)
    cuts = (-SCRAPED - math.exp(P.log_step_fused), -SCRAPED, hand, touch, touch + math.exp(P.log_step_touch))
    assert [one(c) for c in let_go.cuts] == pytest.approx(cuts)
    assert one(let_go.scatter) == pytest.approx(math.exp(P.log_bond_scatter))
    finish = finish_grading(P)
    third = math.exp(P.log_step_3)
    cuts = (-math.exp(P.log_step_2), 0.0, third, third + math.exp(P.log_step_4))
    assert [one(c) for c in finish.cuts] == pytest.approx(cuts)
    assert one(finish.scatter) == pytest.approx(math.exp(P.log_finish_scatter))
    chances = probabilities(np.array(0.4), finish)
    below = [logistic((c - 0.4) / one(finish.scatter)) for c in cuts]
    assert chances.tolist() == pytest.approx(np.diff([0.0, *below, 1.0]).tolist())


def test_finish() -> None:
    half = math.exp(P.log_bridge_half) * (HEIGHT + 0.3)
    assert one(bridge_quality(0.7, STRAND, P)) == pytest.approx(
        -math.exp(P.log_bridge_steep) * math.log(0.701 / half)
    )
    for dense in (0, 3):
        expected = (
            P.finish
            - math.exp(P.log_finish_droop) * math.log1p(0.2 / (0.25 * DIAMETER))
            - math.exp(P.log_finish_scar) * logistic(-3.0 - SCRAPED)
            + P.finish_by_coverage * math.log(0.6)
            + (P.finish_by_dense * math.log((1 + dense) / 3) if dense else 0.0)
            + P.finish_grid
            + P.finish_along * 0.7
        )
        top = replace(TOP, dense=dense)
        assert one(carried_quality(0.2, -3.0, top, STRAND, P)) == pytest.approx(expected)


def test_where_some_of_what_is_believed_never_sags_there_is_no_longest_bridge() -> None:
    """Nothing flows where the melt counts as solid; half a cloud of such strands is no figure either."""
    frozen = with_values(PRIOR, log_fluidity=-60.0)
    assert math.isinf(Laws(PLA, frozen).longest_clean_bridge_mm(0.5).value)
    some = np.where(np.arange(len(PRIOR.by_layers)) % 2 == 0, -60.0, 0.0)
    mixed = replace(PRIOR, draws=replace(PRIOR.draws, log_fluidity=some))
    found = Laws(PLA, mixed).longest_clean_bridge_mm(0.5)
    assert math.isinf(found.low) and math.isinf(found.high)


def test_readings_near_by_count_and_others_do_not() -> None:
    seen = Seen({"bridge": ((0.2, 0.45, 3), (0.2, 0.55, 1), (0.3, 0.8, 9))})
    assert seen.count == 13
    assert seen.basis("bridge", 0.2, 0.45) == "calibrated"  # ln(0.55 / 0.45) = 0.2
    assert seen.basis("bridge", 0.2, 0.36) == "extrapolated"
    assert seen.basis("support", 0.2, 0.45) == "uncalibrated"


def test_the_law_of_the_gap_is_drawn_in_mirrored_pairs() -> None:
    """Half of the pairs each, so that no law leans to one side of the rest."""
    half = len(PRIOR.by_layers) // 2
    assert PRIOR.layers_law_weight == 0.5
    assert PRIOR.by_layers[:half].tolist() == PRIOR.by_layers[half:].tolist()


def test_readings_are_those_of_the_layer_height_and_the_line_width() -> None:
    """Not of the two the other way round: a strand as high as this one is wide was never read."""
    read = replace(PRIOR, seen=Seen({"bridge": ((0.2, 0.45, 9),)}))
    assert read.basis("bridge", PLA) == "calibrated"
    assert read.basis("bridge", ODD) == "extrapolated"


def test_a_belief_is_known_by_what_it_holds_of_single_strands_too() -> None:
    some = np.linspace(-0.1, 0.1, len(PRIOR.by_layers))
    one = replace(PRIOR, strands={(0.45, 0.2): {"log_sag": some}})
    assert one == replace(PRIOR, strands={(0.45, 0.2): {"log_sag": some.copy()}})
    others = [{(0.45, 0.2): {"log_sag": -some}}, {(0.4, 0.2): {"log_sag": some}}, {}]
    assert all(replace(PRIOR, strands=strands) != one for strands in others)
    assert one != one.digest


def test_a_cap_as_the_landings_are_read_takes_nothing_off_the_finish() -> None:
    """Two dense layers, all of them strands: quality without droop or scars is that of the parameter."""
    assert one(carried_quality(0.0, -60.0, CAP, STRAND, P)) == pytest.approx(P.finish)
    lines = replace(TOP, grid=0.0)
    without = one(carried_quality(0.2, -3.0, TOP, STRAND, P)) - one(
        carried_quality(0.2, -3.0, lines, STRAND, P)
    )
    assert without == pytest.approx(P.finish_grid)


@pytest.mark.parametrize(
    ("dense", "weave", "share", "grid"),
    [
        (2, "parallel", 1.0, 0.0),
        (0, "parallel", 0.2, 0.0),
        (0, "crossed", 0.36, 1.0),
        (3, "crossed", 1.0, 1.0),
    ],
)
def test_the_top_of_a_support(dense: int, weave: str, share: float, grid: float) -> None:
    """Lines of 0.6 mm every 3 mm: a fifth; crossed: 1 - 0.8 squared."""
    structure = replace(ODD.structure, spacing_mm=3.0, weave=weave, perimeter_lines=2)
    top = top_of(replace(ODD, structure=structure), dense)
    assert one(top.coverage) == pytest.approx(share)
    assert (top.dense, top.grid, top.perimeter, top.along) == (dense, grid, 2, 0.0)


def test_an_estimate_around_a_value_is_as_wide_as_its_logarithm_spreads() -> None:
    """exp(1.64485 x 0.5) = 2.27602."""
    told = around(2.0, 0.5, "calibrated")
    assert (told.value, told.basis) == (2.0, "calibrated")
    assert (told.low, told.high) == pytest.approx((2.0 / 2.27602, 2.0 * 2.27602), rel=1e-5)


def test_parameters_may_lean_between_two_laws() -> None:
    """Where between counting by shares and by angles, by layers and by millimetres, the fit starts."""
    assert {name: prior.lean for name, prior in PRIORS.items() if prior.lean} == {
        "threshold_by_ratio": 0.4,
        "gap_by_height": 0.4,
    }


def test_what_never_touches_holds_by_next_to_nothing() -> None:
    """A share of 1e-12 stands for it: log is -27.631."""
    free = Parameters(bond=0.0, log_touch=-8.0)
    far = log_bond(30.0, 0.5, CAP, STRAND, free, True)
    usual = (free.bond_by_fan * one(STRAND.cooler), free.bond_by_heat * one(STRAND.hotter))
    assert one(far) - sum(usual) == pytest.approx(-27.631, abs=1e-3)


def test_the_lesser_of_two_is_rounded_off_where_they_are_equal() -> None:
    assert float(lesser(1.0, 1.0)) == pytest.approx(0.917004, abs=1e-6)  # the eighth root of a half
    assert float(lesser(1.0, 3.0)) == pytest.approx(0.999981, abs=1e-6) == float(lesser(3.0, 1.0))


def test_a_thick_cylinder_in_a_gale() -> None:
    """50 mm at 20 m/s, of air that is 27 °C throughout: Re = 63,740, Nu = 159.4, h = 83.8 W/(m² K)."""
    film = one(cross_flow_film_w_m2_k(np.array([50.0]), np.array([20.0]), np.array([26.85]), 26.85))
    assert film == pytest.approx(83.85, abs=0.02)


def test_films_of_fan_of_rising_air_and_of_heat_that_shines_add_up(monkeypatch) -> None:
    """3 and 4 W/(m² K) of moving air make the third root of 91, 4.498; radiation adds its 5."""
    from falsework.droop import strand as module

    told = []

    def noted(diameter, film, heat, conductivity):
        told.append(one(film))
        return time_constant_s(diameter, film, heat, conductivity)

    monkeypatch.setattr(module, "cross_flow_film_w_m2_k", lambda *how: np.array([3.0]))
    monkeypatch.setattr(module, "time_constant_s", noted)
    strand_time_constant_s(replace(STRAND, films=(np.array([4.0]), np.array([5.0]))), P)
    assert told == pytest.approx([9.49794], abs=1e-5)


def test_how_far_a_free_strand_may_sink() -> None:
    """A strand of 0.4 by 0.2 mm is as thick as one of 0.3021 mm across."""
    thin = replace(PLA, line_width_mm=0.4, layer_height_mm=0.2)
    assert clearance_mm(0.3, thin) == pytest.approx(0.5 - 0.30158, abs=1e-4)
    assert clearance_mm(0.3, thin, 0.5) == pytest.approx(0.5 - 0.15079, abs=1e-4)

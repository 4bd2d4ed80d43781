"""The fit: from no reading to many, what it learns, what it leaves alone, and how it is kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework.coupon.conditions import printed, support_condition
from falsework.coupon.reading import ConditionKind, LetGo, Reading
from falsework.droop.belief import PRIOR
from falsework.droop.bond import top_of
from falsework.droop.estimate import NORMAL_95
from falsework.droop.laws import Laws
from falsework.droop.parameters import PRIORS
from falsework.errors import Cancelled, FalseworkError
from falsework.process import load_process
from falsework.tuning import fit as fitting
from falsework.tuning.belief import belief_of
from falsework.tuning.fit import fit_readings
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.tuning.predict import predict, predicted
from falsework.watch import Watch

PLA = load_process("pla-0.4")
MATERIAL = PLA.material
MATERIALS = {"PLA": MATERIAL}


def slopes(finishes: dict[float, int], process=PLA, printer="heron") -> list[Reading]:
    return [
        Reading(printer, "PLA", printed(ConditionKind.OVERHANG, process, angle_deg=a), finish=f)
        for a, f in finishes.items()
    ]


def bridges(factor: float, process=PLA, printer="heron") -> list[Reading]:
    """A printer whose strands sag by ``factor`` times what the prior expects."""
    return [
        Reading(
            printer,
            "PLA",
            printed(ConditionKind.BRIDGE, process, span_mm=span),
            droop_mm=round(factor * Laws(process).bridge_droop(span).value, 3),
        )
        for span in (15.0, 25.0, 40.0, 60.0, 80.0)
    ]


def gaps(outcomes: dict[float, LetGo], process=PLA, printer="heron") -> list[Reading]:
    return [
        Reading(printer, "PLA", support_condition(process, 25.0, air_gap_mm=gap), let_go)
        for gap, let_go in outcomes.items()
    ]


TRAY = (
    slopes({35: 5, 40: 5, 45: 4, 50: 4, 55: 3, 60: 3, 65: 2, 70: 1})
    + bridges(0.5)
    + gaps({0.2: LetGo.FUSED, 0.4: LetGo.SCRAPED, 0.6: LetGo.TOOL, 0.8: LetGo.HAND})
)


@pytest.fixture(scope="module", autouse=True)
def few_steps():
    """A quarter of the walkers' steps, enough for what is asked here, to save time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fitting, "_SWEEPS", 40)
        yield


@pytest.fixture(scope="module")
def learnt() -> Posterior:
    return fit_readings(TRAY, MATERIALS)


def test_without_readings_it_is_the_prior():
    assert fit_readings([], {}) is PRIOR_POSTERIOR
    assert belief_of(PRIOR_POSTERIOR, "heron", MATERIAL) is PRIOR
    np.testing.assert_allclose(PRIOR_POSTERIOR.mean, 0.0, atol=1e-12)
    np.testing.assert_allclose(np.diag(PRIOR_POSTERIOR.covariance), 1.0, rtol=2e-3)


def test_it_learns_what_the_tray_shows(learnt):
    belief = belief_of(learnt, "heron", MATERIAL)
    limit = Laws(PLA, belief).limit_angle_deg()
    assert 55 < limit.value < 64 and limit.basis == "calibrated"
    prior = Laws(PLA).limit_angle_deg()
    assert limit.high - limit.low < 0.5 * (prior.high - prior.low)
    sag = Laws(PLA, belief).bridge_droop(50)
    assert sag.value == pytest.approx(0.5 * Laws(PLA).bridge_droop(50).value, rel=0.10)
    assert Laws(PLA, belief).longest_clean_bridge_mm(0.3).value > Laws(PLA).longest_clean_bridge_mm(0.3).value
    removable = [sum(Laws(PLA, belief).let_go_chances(0.2 * n)[2:]) for n in range(1, 5)]
    assert removable[0] < 0.1 and removable[1] < 0.5 and removable[3] > 0.8


def test_laws_that_agree_do_not_give_the_same_draws_twice(learnt):
    assert learnt.layers_law == pytest.approx(0.5, abs=0.05)  # of one strand, where both laws are one
    assert len(np.unique(learnt.sets, axis=0)) > 0.7 * len(learnt.sets)


def test_one_reading_is_enough_and_moves_what_it_is_about():
    one = fit_readings(gaps({0.4: LetGo.FUSED}), MATERIALS)
    belief = belief_of(one, "heron", MATERIAL)
    assert sum(Laws(PLA, belief).let_go_chances(0.4)[2:]) < sum(Laws(PLA).let_go_chances(0.4)[2:]) - 0.15
    before, after = Laws(PLA).limit_angle_deg(), Laws(PLA, belief).limit_angle_deg()
    assert after.value == pytest.approx(before.value, abs=1.5)  # a draw's error
    assert after.basis == "uncalibrated" and belief.basis("support", PLA) == "extrapolated"


def test_many_readings_are_fitted_and_narrow_the_interval():
    few, many = bridges(0.8), bridges(0.8) * 24  # 120 readings
    spread = []
    for some in (few, many):
        sag = Laws(PLA, belief_of(fit_readings(some, MATERIALS), "heron", MATERIAL)).bridge_droop(50)
        spread.append(sag.high / sag.low)
    # never below what the laws get wrong from case to case
    floor = np.exp(2 * NORMAL_95 * PRIORS["log_sag"].anew)
    assert 0.9 * floor < spread[1] < spread[0]
    assert spread[1] - floor < 0.5 * (spread[0] - floor)


def test_readings_that_contradict_each_other_are_no_reason_to_fail():
    mixed = gaps({0.4: LetGo.FUSED}) * 3 + gaps({0.4: LetGo.EARLY}) * 3 + slopes({60: 1}) + slopes({60: 5})
    wild = [replace(bridges(1.0)[0], droop_mm=80.0), replace(bridges(1.0)[0], droop_mm=-0.9)]
    posterior = fit_readings(mixed + wild, MATERIALS)
    assert np.isfinite(posterior.sets).all()
    # not in the end sure of anything: both outcomes stay likely
    chances = Laws(PLA, belief_of(posterior, "heron", MATERIAL)).let_go_chances(0.4)
    assert chances[0] > 0.02 and chances[3] + chances[4] > 0.05


def test_a_slipped_caliper_hardly_moves_the_rest():
    clean = fit_readings(bridges(0.8) * 2, MATERIALS)
    slipped = fit_readings(bridges(0.8) * 2 + [replace(bridges(0.8)[2], droop_mm=9.0)], MATERIALS)
    sags = [Laws(PLA, belief_of(p, "heron", MATERIAL)).bridge_droop(50).value for p in (clean, slipped)]
    assert sags[1] == pytest.approx(sags[0], rel=0.10)


def test_readings_at_another_height_decide_between_the_laws():
    """Thin layers tell: by clearance they still touch at two layers' gap, by layers they let go."""
    thin = replace(PLA, layer_height_mm=0.1)
    usual = gaps({0.1: LetGo.FUSED, 0.2: LetGo.SCRAPED, 0.3: LetGo.HAND, 0.4: LetGo.HAND}) * 2
    like_clearance = {0.1: LetGo.FUSED, 0.2: LetGo.FUSED, 0.3: LetGo.TOOL, 0.4: LetGo.HAND}
    like_layers = {0.05: LetGo.FUSED, 0.1: LetGo.SCRAPED, 0.15: LetGo.HAND, 0.2: LetGo.HAND}
    assert fit_readings(usual, MATERIALS).layers_law == pytest.approx(0.5, abs=0.05)
    clearance = fit_readings(usual + gaps(like_clearance, thin) * 2, MATERIALS)
    layers = fit_readings(usual + gaps(like_layers, thin) * 2, MATERIALS)
    assert clearance.layers_law < 0.3 and layers.layers_law > 0.7
    for found in (clearance, layers):  # each law has its share of the draws
        assert found.by_layers.mean() == pytest.approx(found.layers_law, abs=0.51 / len(found.sets))


def test_a_neighbour_learns_less_than_the_printer_itself(learnt):
    width = {}
    for printer in ("heron", "tern"):
        sag = Laws(PLA, belief_of(learnt, printer, MATERIAL)).bridge_droop(50)
        width[printer] = sag.high / sag.low
        told = belief_of(learnt, printer, MATERIAL)
        assert (told.seen.count > 0) == (printer == "heron")
    assert told.rests_on == f"no reading of tern × {MATERIAL.name}; {learnt.count} readings of others"
    stranger = Laws(PLA, belief_of(learnt, "gannet", replace(MATERIAL, name="cork"))).bridge_droop(50)
    assert width["heron"] < 0.75 * width["tern"]
    assert width["tern"] < stranger.high / stranger.low


def test_far_from_the_readings_less_is_known(learnt):
    belief = belief_of(learnt, "heron", MATERIAL)
    width = []
    for height in (0.2, 0.24, 0.32):
        there = replace(PLA, layer_height_mm=height)
        sag = Laws(there, belief).bridge_droop(50)
        width.append(np.log(sag.high / sag.low))
        assert sag.basis == ("calibrated" if height < 0.25 else "extrapolated")
    assert width[0] < width[1] < width[2]


def test_the_same_readings_give_the_same_posterior(learnt):
    again = fit_readings(TRAY, MATERIALS)
    assert again.to_json() == learnt.to_json()
    shuffled = fit_readings(TRAY[::-1], MATERIALS)
    here, there = (Laws(PLA, belief_of(p, "heron", MATERIAL)).limit_angle_deg() for p in (learnt, shuffled))
    assert there.value == pytest.approx(here.value, abs=0.5)


def test_it_is_kept_as_text_and_comes_back(learnt):
    text = learnt.to_json()
    back = Posterior.from_json(text)
    assert back.to_json() == text
    assert back.names == learnt.names and back.seen == learnt.seen and back.count == len(TRAY)
    np.testing.assert_allclose(back.sets, learnt.sets, rtol=1e-6, atol=1e-6)
    assert belief_of(back, "heron", MATERIAL) == belief_of(Posterior.from_json(text), "heron", MATERIAL)
    for broken in ("", "{}", text.replace("falsework.fit/2", "falsework.fit/9"), text[:-9]):
        with pytest.raises(FalseworkError, match="cannot be read"):
            Posterior.from_json(broken)


def test_it_says_on_what_it_rests(learnt):
    assert belief_of(learnt, "heron", MATERIAL).rests_on == "17 readings of heron × PLA"
    invented = [replace(r, invented=True) for r in TRAY[:1]]
    belief = belief_of(fit_readings(invented, MATERIALS), "heron", MATERIAL)
    assert belief.rests_on == "1 reading of heron × PLA, invented"
    assert "no reading of tern × PLA; 17 readings of others" in belief_of(learnt, "tern", MATERIAL).rests_on


def test_plan_and_prediction_agree(learnt):
    """The same equations over the same draws: medians and chances to rounding."""
    belief = belief_of(learnt, "heron", MATERIAL)
    conditions = [
        printed(ConditionKind.OVERHANG, PLA, angle_deg=52.0, speed_mm_s=PLA.bridge_speed_mm_s),
        printed(ConditionKind.BRIDGE, PLA, span_mm=40.0),
        support_condition(PLA, 1000.0, air_gap_mm=0.4),
    ]
    found = predicted(belief, MATERIAL, conditions)
    assert np.median(found.droop_mm_draws[:, 1]) == pytest.approx(Laws(PLA, belief).bridge_droop(40.0).value)
    told = [*found.let_go[2, :4], found.let_go[2, 4:].sum()]  # a plan tells touch and fell not apart
    np.testing.assert_allclose(told, Laws(PLA, belief).let_go_chances(0.4, top_of(PLA, 2)), rtol=1e-9)
    limit = Laws(PLA, belief).limit_angle_deg().value
    at_limit = predicted(belief, MATERIAL, [printed(ConditionKind.OVERHANG, PLA, angle_deg=limit)])
    assert at_limit.finish[0, 2:].sum() == pytest.approx(0.5, abs=0.05)
    same = predict(learnt, "heron", MATERIAL, conditions, draws=1000)
    np.testing.assert_allclose(same.let_go, found.let_go, atol=0.05, equal_nan=True)
    assert found.basis == ("calibrated",) * 3
    assert Laws(PLA, belief).bond_share(0.4).basis == "calibrated"


def test_predictions_are_probabilities(learnt):
    conditions = [support_condition(PLA, 25.0, air_gap_mm=0.1 * k) for k in range(8)]
    found = predict(learnt, "tern", MATERIAL, conditions, draws=200, seed=3)
    assert found.let_go_draws.shape == (200, 8, 6) and found.finish_draws.shape == (200, 8, 5)
    np.testing.assert_allclose(found.let_go_draws.sum(axis=2), 1.0, rtol=1e-9)
    assert (found.finish_draws >= 0).all() and (found.droop_mm_draws > 0).all()
    assert (np.diff(found.let_go[:, 2:].sum(axis=1)) > 0).all()  # a wider gap lets go more readily
    assert set(found.basis) == {"uncalibrated"}  # of this printer nothing was read
    overhang = predict(learnt, "heron", MATERIAL, [printed(ConditionKind.OVERHANG, PLA, angle_deg=90.0)])
    assert np.isnan(overhang.let_go).all() and overhang.finish[0, 0] > 0.99


def test_it_can_be_stopped():
    with pytest.raises(Cancelled):
        fit_readings(TRAY, MATERIALS, watch=Watch(stop=lambda: True))

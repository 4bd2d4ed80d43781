"""What to test next: worth what it can settle, nothing for what is known, and a time to stop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework.coupon import ConditionKind, CouponKind, candidate_conditions, printed
from falsework.droop.laws import Laws
from falsework.process import builtin
from falsework.tuning.agreement import Agreement, FigureCheck
from falsework.tuning.fit import fit_readings
from falsework.tuning.invented import invented_printer
from falsework.tuning.next_test import (
    MINUTES_PER_PRINT,
    SURE,
    Gain,
    MadeUpReadings,
    Next,
    Proposal,
    advised,
    next_test,
)
from falsework.tuning.posterior import PRIOR_POSTERIOR
from falsework.tuning.predict import predict
from falsework.tuning.recommend import settings_from
from falsework.tuning.survey import SettingSurvey, survey

PLA = builtin("pla-0.4")


@pytest.fixture(scope="module")
def first() -> Next:
    return next_test(PRIOR_POSTERIOR, PLA)


def test_with_nothing_known_every_piece_settles_its_own_question(first: Next) -> None:
    assert not first.stop
    own = {
        CouponKind.OVERHANG: "limit angle",
        CouponKind.BRIDGE: "longest clean bridge",
        CouponKind.GAP: "air gap",
    }
    by_kind = {p.kind: p for p in first.proposals}
    assert by_kind.keys() >= own.keys()
    for kind, question in own.items():
        gains = {g.question: g.after - g.now for g in by_kind[kind].gains}
        assert gains[question] > 0.03
    # fins say nothing of supports
    assert {g.question: g.after - g.now for g in by_kind[CouponKind.OVERHANG].gains}["air gap"] < 0.03


def test_proposals_keep_to_the_limits_and_come_in_order_of_what_they_save(first: Next) -> None:
    saved = [p.gain_min - p.cost_min for p in first.proposals]
    assert saved == sorted(saved, reverse=True)
    for p in first.proposals:
        assert 0 < p.print_min <= 30 and 0 < p.grams <= 15
        assert p.cost_min == pytest.approx(p.print_min + MINUTES_PER_PRINT + len(p.cells))
        assert all(g.after >= g.now for g in p.gains)
        # the second share of the fan is what tells cooling from tautness
        if p.kind is CouponKind.BRIDGE:
            assert len({c.fan for c in p.cells}) == 2


def _asked(more: list) -> tuple[SettingSurvey, MadeUpReadings]:
    here = survey(PRIOR_POSTERIOR, PLA, "any", more=more, draws=600)
    return here, MadeUpReadings(here, here.questions())


def test_the_fin_near_the_limit_tells_most_a_wall_tells_nothing() -> None:
    angles = [1.0, 20.0, 48.0, 85.0]
    _, trial = _asked([printed(ConditionKind.OVERHANG, PLA, angle_deg=a) for a in angles])
    assert trial.best_cells(range(4), 1) == [2]
    many = trial.best_cells(range(4), 9)
    assert many[:2] == [2, 2] and max(map(many.count, many)) == 4  # the same fin once more tells as well
    assert trial.best_cells(range(4), 3) == many[:3]
    assert trial.best_cells(range(4), 5, least=1.0) == []  # no cell settles a whole answer
    wall = {g.question: g for g in trial.gains([0])}["limit angle"]
    middle = {g.question: g for g in trial.gains([2])}["limit angle"]
    assert wall.after - wall.now < 0.05 < middle.after - middle.now


def test_a_reading_that_cannot_vary_gains_nothing() -> None:
    here, _ = _asked([printed(ConditionKind.OVERHANG, PLA, angle_deg=48.0)])
    sure = np.zeros_like(here.more.finish_draws)
    sure[..., 2] = 1.0
    blunt = replace(here, more=replace(here.more, finish_draws=sure))
    trial = MadeUpReadings(blunt, here.questions())
    assert trial.best_cells([0], 1) == []
    assert all(g.after == g.now for g in trial.gains([0]))


def test_no_number_of_cells_tells_what_their_print_has_of_its_own() -> None:
    fins = [printed(ConditionKind.OVERHANG, PLA, angle_deg=a) for a in np.linspace(32, 62, 16)]
    read = replace(PRIOR_POSTERIOR, count=1)  # before any reading no print has anything of its own
    here = survey(read, PLA, "any", more=fins)
    many = replace(here, more=predict(read, "any", PLA.material, fins, draws=1000))
    after = {
        name: MadeUpReadings(found, found.questions()[:1]).gains(range(len(fins)))[0].after
        for name, found in (("one print", here), ("many prints", many))
    }
    assert after["one print"] < after["many prints"] - 0.03


def test_what_has_nothing_to_do_with_a_setting_gains_nothing_for_it() -> None:
    _, trial = _asked([printed(ConditionKind.OVERHANG, PLA, angle_deg=a) for a in (40.0, 48.0, 55.0)])
    gap = {g.question: g for g in trial.gains(range(3))}["air gap"]
    assert gap.after == gap.now


def test_what_is_known_is_not_tested_again() -> None:
    printer = invented_printer(2)
    kinds = (CouponKind.OVERHANG, CouponKind.BRIDGE, CouponKind.GAP, CouponKind.WEAVE)
    cells = [c for kind in kinds for c in candidate_conditions(kind, Laws(PLA))]
    readings = [r for seed in range(6) for r in printer.readings(cells, seed)]
    posterior = fit_readings(readings, {"PLA": PLA.material})
    assert all(q.sure > 0.7 for q in survey(posterior, PLA, printer.name).questions())
    found = next_test(posterior, PLA, printer=printer.name)
    assert found.stop
    assert all(not p.worth_it for p in found.proposals)


def test_stop_where_the_best_piece_costs_more_than_it_saves() -> None:
    gain = Gain("air gap", "half a layer", SURE - 0.1, SURE - 0.05, 0.05)
    cheap = Proposal(CouponKind.GAP, (), (gain,), gain_min=12.0, cost_min=10.0, print_min=6.0, grams=1.0)
    assert not advised((cheap,)).stop
    assert "gap-interface" in advised((cheap,)).advice and "80\u00a0%" in advised((cheap,)).advice
    dear = replace(cheap, cost_min=13.0)
    assert advised((dear,)).stop
    assert advised(()).stop


def test_where_readings_and_model_disagree_that_piece_is_printed_once_more() -> None:
    failing = Agreement((FigureCheck(ConditionKind.SUPPORT, "order of let-go", 0.001, 8),))
    found = next_test(PRIOR_POSTERIOR, PLA, agreed=failing)
    assert found.proposals[0].kind is CouponKind.GAP and found.proposals[0].piece is not None
    assert "gap-interface" in found.advice and not found.stop
    # printed twice without an answer: another one comes between
    between = next_test(PRIOR_POSTERIOR, PLA, agreed=replace(failing, repeated=(ConditionKind.SUPPORT,)))
    first = between.proposals[0]
    assert first.kind is not CouponKind.GAP and first.worth_it and not between.stop
    assert CouponKind.GAP in {p.kind for p in between.proposals}
    assert f"so {first.kind.value} comes between" in between.advice


def test_how_sure_an_answer_is_belongs_to_the_value_that_is_set() -> None:
    found = survey(PRIOR_POSTERIOR, PLA, "any")
    advice = {a.name: a for a in settings_from(found)}
    for question in found.questions()[:3]:
        assert question.sure == pytest.approx(advice[question.name].sure, abs=1e-9)
    # practice is set where nothing was read, so that it is practice whose chance is told
    assert advice["limit angle"].value == advice["limit angle"].practice
    near = np.abs(found.limit_deg - found.set_limit_deg) <= 3.0
    assert found.questions()[0].sure == pytest.approx(near.mean())


def test_limits_that_no_piece_keeps_are_said() -> None:
    found = next_test(PRIOR_POSTERIOR, PLA, most_minutes=0.2)
    assert found.stop and not found.proposals
    assert "0.2 min" in found.advice and "overhang-fan" in found.advice

"""The one price: its terms add up, its severities are monotone, its chances combine like chances."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from falsework.cost.cost import Cost
from falsework.objective import (
    PARTS,
    Price,
    any_of,
    contact_severity,
    droop_severity,
    expected_loss,
    hand_minutes,
    printing_price,
    worth,
)
from falsework.objective.expected import BAYS_MM, LEAN_SHARE
from falsework.process import load_process
from falsework.request.weights import Weights

AMOUNT = st.floats(0.0, 1e6)
CHANCE = st.floats(0.0, 1.0)


@given(st.lists(AMOUNT, min_size=len(PARTS), max_size=len(PARTS)))
def test_the_total_is_the_sum_of_its_terms_and_of_what_people_compare(amounts):
    price = Price(*amounts)
    assert price.total == pytest.approx(math.fsum(amounts))
    groups = price.printing + price.surface + price.show + price.removal + price.risk + price.strength
    assert groups == pytest.approx(price.total)


@given(st.lists(AMOUNT, min_size=len(PARTS), max_size=len(PARTS)))
def test_prices_add_term_by_term(amounts):
    price = Price(*amounts)
    assert (price + price).total == pytest.approx(2.0 * price.total)
    assert sum((price, price), Price()) == price + price


@given(st.lists(CHANCE, max_size=6), CHANCE)
def test_chances_combine(chances, one):
    assert 0.0 <= any_of(chances) <= 1.0
    assert any_of([*chances, one]) >= max(any_of(chances), one) - 1e-12
    assert any_of([one]) == pytest.approx(one)


def test_half_and_half_is_three_quarters():
    assert any_of([0.5, 0.5]) == 0.75  # elementary probability
    assert any_of([]) == 0.0


@given(st.floats(-1.0, 100.0), st.floats(0.0, 10.0))
def test_more_droop_is_never_better(droop_mm, more_mm):
    assert droop_severity(droop_mm) <= droop_severity(droop_mm + more_mm)
    assert contact_severity(droop_mm) <= contact_severity(droop_mm + more_mm) <= 1.0


def test_printing_is_filament_and_machine_time_as_weighed():
    process = load_process("pla-0.4")
    cost = Cost(mass_g=100.0, time_s=7200.0)
    price = printing_price(cost, process, Weights(filament=2.0, time=0.5))
    assert price.filament == pytest.approx(2.0 * 0.1 * process.material.price_per_kg)
    assert price.time == pytest.approx(0.5 * 2.0 * process.printer.price_per_hour)
    assert price.total == price.printing


def test_a_support_on_the_part_takes_longer_than_one_on_the_bed():
    assert hand_minutes(by_hand=True, scar_mm2=0.0) < hand_minutes(by_hand=False, scar_mm2=0.0)
    assert hand_minutes(by_hand=False, scar_mm2=0.0) < hand_minutes(by_hand=False, scar_mm2=50.0)


PAGE = " ".join((Path(__file__).parents[2] / "docs" / "price.md").read_text("utf-8").split())


@pytest.mark.parametrize(
    "said",
    [
        f"cm² of part marked by support feet × {worth.SCAR:.2f} ×",
        f"carried: {worth.ROUGHNESS:.2f} for marks and its droop",
        f"left: droop / {worth.SPOILT_DROOP_MM:g} mm, at most all of it",
        f"lifted off {worth.MINUTES_A_LIFT:g}, by hand {worth.MINUTES_BY_HAND:g}, with a tool "
        f"{worth.MINUTES_BY_TOOL:.1f}, each block of one that is broken up {worth.MINUTES_A_BLOCK:g}, "
        f"picked out {worth.MINUTES_A_CM2_PICKED:g} a cm²; smoothing {worth.MINUTES_A_SCAR_CM2:g} a cm²",
        f"cutting off a rim {worth.MINUTES_A_RIM:g}",
        f"the chance that it fails, at most {worth.MOST_CHANCE:g}",
        f"an island with nothing beneath {worth.FAILURE_CHANCE:g}; an underside left that droops more than "
        f"{worth.FAILS_FROM_MM:g} mm or ten layers, up to {worth.FAILURE_CHANCE:g}; a part that "
        f"topples, up to {worth.TOPPLE_CHANCE:g}; one that a rim holds upright, up to {worth.RIM_CHANCE:g}; "
        f"a first layer too narrow to print {worth.NARROW_CHANCE:g}; a piece of support that fails a check "
        f"{worth.WEAK_CHANCE:g}; one that may tear the part {worth.TEAR_CHANCE:g}",
        f"bays of {BAYS_MM[0]:g} or {BAYS_MM[1]:g} mm, edges that lean inwards by {LEAN_SHARE:g} of",
    ],
)
def test_the_page_says_what_is_reckoned_with(said: str) -> None:
    assert said in PAGE
    assert worth.FAILS_FROM_LAYERS == 10.0


def test_losses_are_those_of_trying_again() -> None:
    assert expected_loss(0.5, 8.0) == pytest.approx(8.0)  # twice on average, once for nothing
    assert expected_loss(0.2, 8.0) == pytest.approx(2.0)
    assert expected_loss(1.0, 8.0) == pytest.approx(0.95 / 0.05 * 8.0) and expected_loss(-1.0, 8.0) == 0.0


def test_severities_and_minutes_by_hand() -> None:
    assert [droop_severity(mm) for mm in (-1.0, 0.0, 0.25, 1.0, 3.0)] == [0.0, 0.0, 0.25, 1.0, 1.0]
    assert [contact_severity(mm) for mm in (0.0, 0.25, 1.0)] == pytest.approx([0.1, 0.35, 1.0])
    assert hand_minutes(True, 0.0) == 0.4 and hand_minutes(False, 200.0) == pytest.approx(1.0 + 2.0 * 0.3)


def test_prices_of_earlier_documents_are_read() -> None:
    now = dict.fromkeys(PARTS, 1.0)
    assert Price.EARLIER(now) == now
    before = {"printing": 5.0, "finish": 1.0, "show": 2.0, "failure": 3.0, "strength": 4.0}
    terms = {"time": 5.0, "finish": 1.0, "show": 2.0, "risk": 3.0, "strength": 4.0}
    assert Price.EARLIER(before) == dict.fromkeys(PARTS, 0.0) | terms

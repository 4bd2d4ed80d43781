"""The one price: its terms add up, its severities are monotone, its chances combine like chances."""

from __future__ import annotations

import math

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
    hand_minutes,
    printing_price,
)
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

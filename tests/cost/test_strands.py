"""Support strands: hand-counted beads and moves, groups that add up, estimates that say what they assume."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from falsework.cost import Cost, Laying, Rates
from falsework.cost.strands import APPROACH_MM, BACK_S
from falsework.process import Process, bead_section_mm2, builtin

PROCESS = builtin("pla-0.4")
HEIGHTS = np.array([0.3, 0.2, 0.2, 0.2])
FIELDS = [field.name for field in dataclasses.fields(Cost)]


def as_array(cost):
    return np.array([getattr(cost, name) for name in FIELDS])


def cost_of(ends, layer, process=PROCESS, speed_mm_s=60.0):
    """Of strands that make one piece."""
    one = np.zeros(len(layer), dtype=np.int64)
    (cost,) = Laying(process, speed_mm_s).costs(one, 1, np.array(ends), np.array(layer), HEIGHTS)
    return cost


def rest_to_rest_s(length_mm, speed_mm_s):
    """At the printer's 1000 mm/s²; too short for the speed: half of it speeding up."""
    if length_mm < speed_mm_s**2 / 1000:
        return 2 * math.sqrt(length_mm / 1000)
    return length_mm / speed_mm_s + speed_mm_s / 1000


def test_two_strands_by_hand():
    cost = cost_of([[0, 0, 10, 0], [0, 0, 50, 0]], [0, 2])
    low, high = 0.3 * 0.15 + math.pi * 0.0225, 0.2 * 0.25 + math.pi * 0.01
    assert cost.volume_mm3 == pytest.approx(10 * low + 50 * high, rel=1e-12)
    # 10 mm at the first layer's 20 mm/s, 50 mm at 60 mm/s; to each layer of the piece a way, drawn back
    there_s = rest_to_rest_s(APPROACH_MM, 120.0) + BACK_S
    assert cost.time_s == pytest.approx(
        rest_to_rest_s(10, 20) + rest_to_rest_s(50, 60) + 2 * there_s, rel=1e-12
    )
    assert cost.filament_mm == pytest.approx(cost.volume_mm3 / (math.pi * 0.875**2), rel=1e-12)
    assert cost.mass_g == pytest.approx(cost.volume_mm3 * 1.24e-3, rel=1e-12)
    assert cost.price == pytest.approx(cost.mass_g * 22e-3 + cost.time_s / 3600 * 0.5, rel=1e-12)


def test_a_slow_support_is_not_sped_up_on_the_first_layer():
    there_s = rest_to_rest_s(APPROACH_MM, 120.0) + BACK_S
    one = cost_of([[0, 0, 100, 0]], [0], speed_mm_s=10.0)
    assert one.time_s == pytest.approx(rest_to_rest_s(100, 10) + there_s, rel=1e-12)


def test_no_strands():
    nothing = np.zeros(0, dtype=np.int64)
    laying = Laying(PROCESS, 60.0)
    assert laying.costs(nothing, 2, np.zeros((0, 4)), nothing, HEIGHTS) == [Cost(), Cost()]


ends = st.tuples(*[st.floats(0, 200)] * 4)
strands = st.lists(st.tuples(ends, st.integers(0, 3), st.integers(0, 4)), min_size=1, max_size=30)


@given(strands, st.floats(5, 200))
def test_each_piece_takes_what_it_takes_alone(rows, speed):
    at, layer, piece = (np.array(column) for column in zip(*rows, strict=True))
    costs = Laying(PROCESS, speed).costs(piece, 6, at, layer, HEIGHTS)
    assert len(costs) == 6 and costs[5] == Cost()
    for k in np.unique(piece):
        mine = piece == k
        alone = cost_of(at[mine], layer[mine], speed_mm_s=speed)
        assert as_array(costs[k]) == pytest.approx(as_array(alone), rel=1e-9, abs=1e-12)


def test_an_estimate_is_strands_of_the_stated_length_and_a_spacing_of_travel_to_each():
    section = bead_section_mm2(0.45, 0.2)
    estimated = Laying(PROCESS, 60.0).estimate(7 * 12.5 * section, strand_mm=12.5)
    assert estimated.volume_mm3 == pytest.approx(7 * 12.5 * section, rel=1e-12)
    travel_s = rest_to_rest_s(PROCESS.structure.spacing_mm, 120.0)
    assert estimated.time_s == pytest.approx(7 * (rest_to_rest_s(12.5, 60.0) + travel_s), rel=1e-9)


def test_an_estimate_grows_with_volume():
    laying = Laying(PROCESS, 60.0)
    assert laying.estimate(0.0) == Cost()
    one, ten = laying.estimate(100.0), laying.estimate(1000.0)
    assert as_array(ten) == pytest.approx(10 * as_array(one), rel=1e-12)
    assert ten.time_s > 1000.0 / bead_section_mm2(0.45, 0.2) / 60.0


def test_costs_of_many_are_those_of_each():
    volumes, times = np.array([0.0, 12.5, 3e5]), np.array([1.0, 0.0, 7200.0])
    rates = Rates(Process())
    costs = rates.costs(volumes, times)
    assert costs == [rates.cost(v, t) for v, t in zip(volumes, times, strict=True)]
    assert type(costs[0].price) is float  # plain numbers, fit for JSON

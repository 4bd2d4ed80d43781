"""Support strands: hand-counted beads and moves, groups that add up, estimates that say what they assume."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from falsework.cost import Cost, cost_of, costs_of, region_cost, strands_cost, strands_cost_by
from falsework.process import Process, bead_section_mm2, builtin

PROCESS = builtin("pla-0.4")
HEIGHTS = np.array([0.3, 0.2, 0.2, 0.2])
FIELDS = [field.name for field in dataclasses.fields(Cost)]


def as_array(cost):
    return np.array([getattr(cost, name) for name in FIELDS])


def test_two_strands_by_hand():
    cost = strands_cost(np.array([10.0, 50.0]), np.array([0, 2]), HEIGHTS, PROCESS, 60.0)
    low, high = 0.3 * 0.15 + math.pi * 0.0225, 0.2 * 0.25 + math.pi * 0.01
    assert cost.volume_mm3 == pytest.approx(10 * low + 50 * high, rel=1e-12)
    # 10 mm at the first layer's 20 mm/s, 50 mm at 60 mm/s, each with 2 mm of travel, too short for 120 mm/s
    moves = (10 / 20 + 20 / 1000) + (50 / 60 + 60 / 1000)
    assert cost.time_s == pytest.approx(moves + 2 * 2 * math.sqrt(2 / 1000), rel=1e-12)
    assert cost.filament_mm == pytest.approx(cost.volume_mm3 / (math.pi * 0.875**2), rel=1e-12)
    assert cost.mass_g == pytest.approx(cost.volume_mm3 * 1.24e-3, rel=1e-12)
    assert cost.price == pytest.approx(cost.mass_g * 22e-3 + cost.time_s / 3600 * 0.5, rel=1e-12)


def test_a_slow_support_is_not_sped_up_on_the_first_layer():
    one = strands_cost(np.array([100.0]), np.array([0]), HEIGHTS, PROCESS, 10.0)
    assert one.time_s == pytest.approx(100 / 10 + 10 / 1000 + 2 * math.sqrt(2 / 1000), rel=1e-12)


def test_no_strands():
    none = np.zeros(0), np.zeros(0, dtype=np.int64), HEIGHTS, PROCESS, 60.0
    assert strands_cost(*none) == Cost()
    assert strands_cost_by(np.zeros(0, dtype=np.int64), 2, *none) == [Cost(), Cost()]


strands = st.lists(
    st.tuples(st.floats(0, 300), st.integers(0, 3), st.integers(0, 4)), min_size=1, max_size=30
)


@given(strands, st.floats(5, 200))
def test_groups_add_up(rows, speed):
    lengths, layer, key = (np.array(column) for column in zip(*rows, strict=True))
    whole = strands_cost(lengths, layer, HEIGHTS, PROCESS, speed)
    groups = strands_cost_by(key, 6, lengths, layer, HEIGHTS, PROCESS, speed)
    assert len(groups) == 6 and groups[5] == Cost()
    assert as_array(sum(groups, Cost())) == pytest.approx(as_array(whole), rel=1e-9, abs=1e-12)
    alone = strands_cost(lengths[key == 2], layer[key == 2], HEIGHTS, PROCESS, speed)
    assert as_array(groups[2]) == pytest.approx(as_array(alone), rel=1e-9, abs=1e-12)


@given(st.integers(1, 500), st.floats(1, 100), st.floats(5, 200))
def test_region_cost_is_that_of_strands_of_the_stated_length(count, length, speed):
    layer = np.ones(count, dtype=np.int64)
    drawn = strands_cost(np.full(count, length), layer, HEIGHTS, PROCESS, speed)
    estimated = region_cost(drawn.volume_mm3, PROCESS, speed, strand_mm=length)
    assert as_array(estimated) == pytest.approx(as_array(drawn), rel=1e-9)


def test_region_cost_grows_with_volume():
    assert region_cost(0.0, PROCESS, 60.0) == Cost()
    one, ten = region_cost(100.0, PROCESS, 60.0), region_cost(1000.0, PROCESS, 60.0)
    assert as_array(ten) == pytest.approx(10 * as_array(one), rel=1e-12)
    assert ten.time_s > 1000.0 / bead_section_mm2(0.45, 0.2) / 60.0


def test_costs_of_many_are_those_of_each():
    volumes, times = np.array([0.0, 12.5, 3e5]), np.array([1.0, 0.0, 7200.0])
    assert costs_of(volumes, times, Process()) == [
        cost_of(v, t, Process()) for v, t in zip(volumes, times, strict=True)
    ]
    assert type(costs_of(volumes, times, Process())[0].price) is float  # plain numbers, fit for JSON

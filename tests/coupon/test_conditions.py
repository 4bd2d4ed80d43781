"""Which cells a piece could have: ranges from the belief, whole layers, runs that let strands sag."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.coupon import ConditionKind, CouponKind, candidate_conditions, support_condition
from falsework.coupon.conditions import by_interest, clean_droop_mm, other_fan
from falsework.droop import PRIOR
from falsework.droop.laws import Laws
from falsework.droop.supported import clearance_mm
from falsework.process import builtin, builtin_names
from falsework.process.fields import spec_of

EVERY = pytest.mark.parametrize("name", builtin_names())


@EVERY
def test_angles_surround_the_limit_five_degrees_apart_or_finer(name: str) -> None:
    process = builtin(name)
    angles = sorted(c.angle_deg for c in candidate_conditions(CouponKind.OVERHANG, Laws(process)))
    assert len(angles) >= 6
    steps = [b - a for a, b in pairwise(angles)]
    assert max(steps) <= 5.0
    assert angles[0] < process.limit_deg < angles[-1]


def test_thin_layers_get_finer_angles() -> None:
    process = replace(builtin("pla-0.4"), layer_height_mm=0.05)
    angles = sorted(c.angle_deg for c in candidate_conditions(CouponKind.OVERHANG, Laws(process)))
    assert min(b - a for a, b in pairwise(angles)) < 5.0
    assert len(angles) >= 6


@EVERY
def test_spans_are_geometric_around_the_limit_in_two_rows(name: str) -> None:
    process = builtin(name)
    conditions = candidate_conditions(CouponKind.BRIDGE, Laws(process))
    fans = {c.fan for c in conditions}
    assert fans == {process.fan, other_fan(process)}
    for fan in fans:
        spans = sorted(c.span_mm for c in conditions if c.fan == fan)
        limit = Laws(replace(process, fan=fan)).longest_clean_bridge_mm(clean_droop_mm(process))
        assert spans[0] <= max(limit.value, 12 * process.line_width_mm + 0.5)
        assert spans[-1] > limit.value
        ratios = [b / a for a, b in pairwise(spans)]
        assert max(ratios) / min(ratios) < 1.35  # whole millimetres


def test_a_fan_that_is_off_already_gets_a_row_with_some_fan() -> None:
    still = replace(builtin("pla-0.4"), fan=0.0)
    assert {c.fan for c in candidate_conditions(CouponKind.BRIDGE, Laws(still))} == {0.0, 0.3}


@EVERY
def test_gaps_are_whole_layers_around_the_usual_one(name: str) -> None:
    process = builtin(name)
    conditions = candidate_conditions(CouponKind.GAP, Laws(process))
    layers = [c.air_gap_mm / process.layer_height_mm for c in conditions]
    assert all(abs(n - round(n)) < 1e-6 for n in layers)
    assert min(layers) == pytest.approx(1.0)
    assert max(layers) > process.air_gap.layers
    assert {c.interface_layers for c in conditions} == {0, 2}


@EVERY
@pytest.mark.parametrize("kind", [CouponKind.GAP, CouponKind.WEAVE, CouponKind.CONFIRM])
def test_support_runs_20_mm_and_as_far_as_strands_need_to_sag_onto_it(name: str, kind: CouponKind) -> None:
    process = builtin(name)
    for condition in candidate_conditions(kind, Laws(process)):
        if condition.kind is not ConditionKind.SUPPORT:
            continue
        assert condition.span_mm - 2 * process.structure.side_gap_mm >= 20.0
        clearance = clearance_mm(2 * process.layer_height_mm, process, PRIOR.clearance_factor)
        assert Laws(process).bridge_droop(condition.span_mm).value >= clearance


@EVERY
def test_the_comb_tries_spacing_pattern_direction_and_perimeter(name: str) -> None:
    conditions = candidate_conditions(CouponKind.WEAVE, Laws(builtin(name)))
    assert len({c.spacing_mm for c in conditions}) == 3
    assert {c.weave for c in conditions} == {"parallel", "crossed"}
    assert {c.crossing_deg for c in conditions} == {0.0, 90.0}
    assert {c.perimeter_lines for c in conditions} == {0, 1}
    assert len({c.air_gap_mm for c in conditions}) == 1


def test_confirmation_has_one_underside_of_each_class_at_the_process_itself() -> None:
    process = builtin("pla-0.4")
    slope, bridge, ledge, island = candidate_conditions(CouponKind.CONFIRM, Laws(process))
    assert slope.angle_deg == math.floor(process.limit_deg)
    assert bridge.kind is ConditionKind.BRIDGE
    assert ledge == island
    assert ledge.air_gap_mm == pytest.approx(process.air_gap.realised_mm)
    assert ledge.interface_layers == process.structure.interface_layers


def test_interest_takes_both_sides_of_the_threshold_then_the_ends() -> None:
    assert by_interest([1.0, 2.0, 3.0, 4.0, 5.0], 2.5) == [2.0, 3.0, 1.0, 5.0, 4.0]
    assert by_interest([4.0, 5.0, 6.0], 1.0) == [4.0, 6.0, 5.0]


def test_a_support_condition_is_the_process_s_own_unless_told() -> None:
    process = builtin("petg-0.6")
    condition = support_condition(process, 30.0, spacing_mm=5.0)
    structure = process.structure
    assert (condition.spacing_mm, condition.weave) == (5.0, structure.weave)
    assert condition.speed_mm_s == process.bridge_speed_mm_s


@settings(max_examples=15, deadline=None)
@given(
    name=st.sampled_from(builtin_names()),
    share=st.floats(0.2, 1.0),
    fan=st.floats(0.0, 1.0),
    kind=st.sampled_from(list(CouponKind)),
)
def test_candidates_are_distinct_and_in_range(name: str, share: float, fan: float, kind: CouponKind) -> None:
    base = builtin(name)
    process = replace(base, layer_height_mm=share * base.nozzle_mm, fan=fan)
    conditions = candidate_conditions(kind, Laws(process))
    assert conditions
    if kind is not CouponKind.CONFIRM:
        assert len(set(conditions)) == len(conditions)
    for condition in conditions:
        for field in condition.__dataclass_fields__.values():
            value, spec = getattr(condition, field.name), spec_of(field)
            if value is not None and spec.low is not None:
                assert spec.low <= value <= spec.high

"""Arithmetic on processes: closed forms and the rules of whole layers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from falsework.process import Gap, Process, Structure, bead_section_mm2, builtin, override, whole_layers


def test_bead_as_wide_as_high_is_a_circle():
    assert bead_section_mm2(0.4, 0.4) == pytest.approx(math.pi * 0.2**2, rel=1e-14)


def test_flow():
    assert Process().flow_mm3_s(60) == pytest.approx(4.885, rel=1e-3)  # 0.08142 mm² at 60 mm/s


@pytest.mark.parametrize(
    ("asked", "height", "layers"),
    [
        (0.4, 0.2, 2),
        (1.8, 0.9, 2),
        (0.6, 0.2, 3),
        (0.3, 0.2, 2),
        (0.29, 0.2, 1),
        (0.0, 0.2, 1),
        (0.1, 0.9, 1),
    ],
)
def test_whole_layers(asked, height, layers):
    assert whole_layers(asked, height) == layers


@given(st.floats(0, 20), st.floats(0.02, 2.5))
def test_whole_layers_are_the_nearest(asked, height):
    layers = whole_layers(asked, height)
    assert layers >= 1
    assert abs(layers * height - asked) <= height * (0.5 + 2e-5) or (layers == 1 and asked < height)


def test_air_gap_follows_layers_unless_set_in_mm():
    def gap(found: Gap):
        return (found.asked_mm, found.layers, found.realised_mm)

    assert gap(Process().air_gap) == pytest.approx((0.4, 2, 0.4))
    assert gap(Process(structure=Structure(air_gap_mm=0.5)).air_gap) == pytest.approx((0.5, 3, 0.6))
    assert gap(Process(structure=Structure(air_gap_layers=0.0)).air_gap) == pytest.approx((0.0, 1, 0.2))
    assert gap(Process().air_gap_below) == pytest.approx((0.2, 1, 0.2))
    # common practice, no source: 0.9 mm layers, 1.8 mm gap
    fat = override(builtin("pla-1.2"), {"layer_height_mm": "0.9"})
    assert gap(fat.air_gap) == pytest.approx((1.8, 2, 1.8))


@pytest.mark.parametrize(
    ("height", "count"),
    [(0.2, 1), (0.01, 1), (0.3, 1), (0.31, 2), (0.4, 2), (20.0, 100), (20.09, 100), (20.11, 101), (0.6, 3)],
)
def test_layer_count(height, count):
    assert Process().layer_count(height) == count


def test_layer_count_with_a_thick_first_layer():
    assert override(builtin("pla-0.4"), {"first_layer_height_mm": "0.4"}).layer_count(1.0) == 4


@given(st.floats(0.001, 500), st.floats(0.05, 0.4), st.floats(0.05, 0.4))
def test_layer_count_takes_layers_whose_middle_is_in_the_part(height, first, layer):
    process = Process(layer_height_mm=layer, first_layer_height_mm=first)
    count = process.layer_count(height)
    slack = 1e-4 * layer
    if count > 1:
        assert first + (count - 1.5) * layer < height + slack
    assert first + (count - 0.5) * layer >= height - slack


def test_reach_at_usual_cooling_is_45_degrees_for_layers_half_as_high_as_wide():
    process = Process(line_width_mm=0.4)  # common practice, no source
    assert process.reach_mm == pytest.approx(0.2, rel=1e-12)
    assert process.limit_deg == pytest.approx(45.0, rel=1e-12)


def test_limit_is_measured_from_the_vertical():
    # 0.2 mm reach on 0.1155 mm layers: tan 60° = 1.732; from the horizontal it would read 30°
    process = Process(line_width_mm=0.4, layer_height_mm=0.2 / math.tan(math.radians(60)))
    assert process.limit_deg == pytest.approx(60.0, rel=1e-9)


def test_less_fan_reaches_less():
    assert override(builtin("pla-0.4"), {"fan": "0"}).reach_mm == pytest.approx(0.35 * 0.45, rel=1e-12)
    assert override(builtin("abs-0.4"), {"fan": "1"}).reach_mm == pytest.approx(0.62 * 0.45, rel=1e-12)


def test_a_tuned_reach_replaces_the_rule_whatever_the_fan():
    tuned = override(builtin("pla-0.4"), {"reach_share": "0.8", "fan": "0.2"})
    assert tuned.reach_mm == pytest.approx(0.8 * 0.45, rel=1e-12)
    assert tuned.limit_deg == pytest.approx(math.degrees(math.atan(0.36 / 0.2)), rel=1e-12)

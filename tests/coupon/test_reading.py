"""The one record of what was tried and measured."""

from __future__ import annotations

import dataclasses

import pytest

from falsework.coupon import Condition, Reading
from falsework.process.fields import spec_of


@pytest.mark.parametrize("record", [Condition, Reading])
def test_every_field_says_what_it_means(record):
    for field in dataclasses.fields(record):
        spec = spec_of(field)
        assert spec.help
        if "float" in str(field.type) or "int" in str(field.type):
            assert spec.low is not None and spec.high is not None and spec.low < spec.high


def test_a_reading_is_a_value():
    tried = Condition("bridge", 0.4, 0.2, 0.45, 210.0, 1.0, 30.0, span_mm=25.0)
    assert Reading("mole", "PLA", tried, droop_mm=0.2) == Reading("mole", "PLA", tried, droop_mm=0.2)
    with pytest.raises(dataclasses.FrozenInstanceError):
        tried.fan = 0.5

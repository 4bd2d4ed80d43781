"""What a change comes to, in words: every figure that changes is said, none that stays."""

from __future__ import annotations

from dataclasses import replace

import pytest

from falsework.release.value import Remedy
from falsework.wording.figures import plain

SAME = Remedy("a change", (4, 4), (90.0, 90.0), (1, 1), (12, 12), (30.0, 30.0), (0.4, 0.4), (2.0, 2.0))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "4 still fail"),
        ({"failing": (1, 1)}, "1 still fails"),
        ({"failing": (4, 1)}, "1 instead of 4 fail"),
        ({"trapped": (1, 0)}, "4 still fail, 0 instead of 1 cannot be removed"),
        ({"strands": (12, 3)}, "4 still fail, 3 instead of 12 strands to sever"),
        ({"left_mm2": (30.0, 31.0)}, "4 still fail, 31.0 mm² instead of 30.0 mm² left without support"),
        ({"left_mm2": (30.0, 30.9)}, "4 still fail"),
        ({"droop_mm": (0.4, 0.406)}, "4 still fail, sag 0.41 mm instead of 0.40 mm"),
        ({"droop_mm": (0.4, 0.404)}, "4 still fail"),
        ({"price": (2.0, 1.5)}, "4 still fail, supports cost 1.50 ¤ instead of 2.00 ¤"),
        ({"price": (2.0, 2.009)}, "4 still fail"),
    ],
)
def test_effect(changes, said: str) -> None:
    assert plain(replace(SAME, **changes).effect) == said

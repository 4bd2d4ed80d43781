"""The rows of standings side by side count what would really be built."""

from __future__ import annotations

from pathlib import Path

import pytest

from falsework import Plan, plan
from hung import TIPS, block, drawn, gallows

DATA = Path(__file__).parents[1] / "data"


def left(made: Plan, row: int) -> int:
    return made.alternatives[row].left_count


@pytest.mark.parametrize(
    ("part", "scale", "turn_deg"),
    [
        ("wuson.stl", 8.0, (0.0, 0.0, 0.0)),
        ("so101_gauge_tight.stl", 1.0, (35.0, 25.0, 0.0)),
    ],
)
def test_a_row_says_as_many_are_left_as_are_when_it_is_asked_for(part, scale, turn_deg):
    free = plan(DATA / part, scale=scale, turn_deg=turn_deg, release=False)
    for row, standing in ((1, "bed"), (2, "bed-or-part")):
        asked = plan(DATA / part, scale=scale, turn_deg=turn_deg, standing=standing, release=False)
        assert left(free, row) == left(asked, 3)


def test_a_tip_too_near_above_the_part_counts_as_left():
    """0.8 mm beneath the tip lies a block: from the bed nothing, and between the gaps one layer."""
    solid = gallows(TIPS["cone 30"]()) + block((-4, -6, 0), (32, 6, 11.6))
    free = plan(drawn(solid), standing="leave", release=False)
    assert left(free, 1) >= 1 and left(free, 2) >= 1

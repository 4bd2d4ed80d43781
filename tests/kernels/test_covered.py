"""What solid layers cover, measured along lanes, against polygons cut by the general library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.kernels.outline.covered import covered_chords
from stacks import stack_of

_DISC = st.tuples(st.floats(-6, 6), st.floats(-6, 6), st.floats(1.5, 6))


def chords(sections, cores, at, solid, turn=0.0, lanes=400):
    stack, core = stack_of(sections, 0.2), stack_of(cores, 0.2)
    low, step = -15.0, 30.0 / lanes
    sets = [(np.ascontiguousarray(s.points_mm), s.ring_start, s.layer_start) for s in (core, stack)]
    axes = np.array([math.cos(turn), math.sin(turn)])
    found = covered_chords(*sets, np.array(at, dtype=np.int64), solid, axes, low, step, lanes)
    return found * step


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(_DISC, min_size=1, max_size=3), min_size=3, max_size=3), st.floats(0.0, 3.0))
def test_lengths_along_lanes_are_areas(layers, turn) -> None:
    sections = [
        shapely.union_all([shapely.Point(x, y).buffer(r, quad_segs=12) for x, y, r in one]) for one in layers
    ]
    core = sections[1].buffer(-0.4)
    found = chords(sections, [core], [1], 1, turn)[0]
    left = core.intersection(sections[0]).intersection(sections[2])
    assert found[0] == pytest.approx(core.area, rel=0.01, abs=0.05)
    assert found[2] == pytest.approx(left.area, rel=0.01, abs=0.1)


def test_a_slot_parts_the_lanes() -> None:
    """Lanes across a square of 10 with a slot of 2 beneath: one stretch, two covered, one left bare."""
    square = shapely.box(-5, -5, 5, 5)
    slotted = square - shapely.box(-1, -6, 1, 6)
    found = chords([slotted, square, square], [square], [1], 1)[0]
    assert found[[0, 2]] == pytest.approx([100.0, 80.0], rel=0.01)
    assert found[[1, 3, 4]] / found[1] == pytest.approx([1.0, 2.0, 1.0])


def test_nothing_covers_the_ends() -> None:
    square = shapely.box(-5, -5, 5, 5)
    found = chords([square] * 4, [square] * 4, [0, 1, 2, 3], 1)
    assert found[:, 2].tolist() == pytest.approx([0.0, found[1, 0], found[2, 0], 0.0])
    assert found[0, 4] == found[0, 1] and found[1, 4] == 0.0

"""Strips over air found quickly against strips found plainly: each piece against all that lies beneath."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, scale, translate

from falsework.need import strips
from falsework.need.strips import strips_over_air

REACH, LINE = 0.225, 0.45


def plainly(sections: np.ndarray, on_bed: bool) -> tuple[np.ndarray, np.ndarray]:
    """The strips without shortcuts: nothing is held at first sight, all of a layer lies below each piece."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(strips, "_held_all_round", lambda pieces, *_: np.zeros(len(pieces), bool))
        patch.setattr(strips, "_pieces_below", _all_below)
        return strips_over_air(sections, REACH, LINE, on_bed)


def _all_below(pieces, layer, beneath, beneath_layer, hold_mm):
    below = [shapely.MultiPolygon(list(beneath[beneath_layer == l])) for l in layer]
    return np.array([*below, None], dtype=object)[:-1]


@st.composite
def stacks(draw) -> np.ndarray:
    """Twelve layers of blocks, rings and stars that drift, grow, turn, are cut away and come back."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    turn = 2 * np.pi * np.arange(40) / 40
    far = rng.uniform(2.0, 4.0, 40)
    star = shapely.Polygon(np.column_stack([far * np.cos(turn), far * np.sin(turn)]))
    ring = shapely.Point(0, 0).buffer(3.0) - shapely.Point(0, 0).buffer(rng.uniform(1.0, 2.9))
    shapes = [star, ring, shapely.box(-3, -0.3, 3, 0.3), shapely.box(-2, -2, 2, 2)]
    moves = [
        (
            shapes[rng.integers(4)],
            rng.uniform(-6, 6, 2),
            rng.normal(0, 0.12, 2) * rng.integers(0, 2),
            rng.normal(1, 0.05) if rng.uniform() < 0.5 else 1.0,
            rng.normal(0, 2.0) * rng.integers(0, 2),
            rng.integers(0, 12, 2),
        )
        for _ in range(rng.integers(1, 7))
    ]
    layers = []
    for k in range(12):
        there = [
            translate(rotate(scale(s, g**k, g**k, origin=(0, 0)), k * t, origin=(0, 0)), *(at + k * by))
            for s, at, by, g, t, (gone, back) in moves
            if not gone <= k < back
        ]
        layers.append(shapely.union_all(there) if there else shapely.Polygon())
    return np.array([*layers, None], dtype=object)[:-1]


@settings(max_examples=60, deadline=None)
@given(stacks(), st.booleans())
def test_shortcuts_change_nothing(sections, on_bed):
    found, layer = strips_over_air(sections, REACH, LINE, on_bed)
    plain, plain_layer = plainly(sections, on_bed)
    assert layer.tolist() == plain_layer.tolist()
    differ = shapely.area(shapely.symmetric_difference(found, plain))
    assert (differ <= 1e-9 * shapely.area(plain)).all()


def test_a_piece_beside_others_is_set_against_what_its_growth_meets():
    """Thin plates beside a block, within its box: each is held by what lies beneath it alone."""
    wedge = shapely.Polygon([(0, 0), (10, 0), (10, 10)])
    plates = [translate(shapely.box(0, 0, 0.4, 3), 1.0 + k, 4.0 + k) for k in range(4)]
    lower = shapely.union_all([wedge, *plates])
    upper = shapely.union_all([wedge, *(translate(p, 0.5, 0.0) for p in plates)])
    found, layer = strips_over_air(np.array([lower, upper]), REACH, LINE, on_bed=True)
    assert layer.tolist() == [1] * 4
    assert shapely.area(found) == pytest.approx(4 * [0.4 * 3])

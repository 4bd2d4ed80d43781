"""Designed supports as they are built: never dearer than a curtain; they stay on the bed where they can."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.cores import on_cores
from falsework.droop.laws import Laws
from falsework.kernels.outline.rays import level_ways
from falsework.layers.overlay import buffer, union
from falsework.need.measure import Outlines
from falsework.need.needmap import need_map
from falsework.process.settings import Process, Structure
from falsework.request.standing import Standing
from falsework.support.generate import build_scheme
from falsework.support.leaving import leaving
from falsework.support.making import _beaten, _Tally
from falsework.support.stability import foot_to_stay_mm2
from stacks import stack_of

DESIGNED, CURTAIN = (Process(structure=Structure(form=form)) for form in ("designed", "curtain"))


def scheme_of(sections, process=DESIGNED, standing=Standing.BED_OR_PART):
    stack = stack_of(sections, 0.2)
    need = need_map(stack, Laws(process))
    return build_scheme(stack, need, [standing] * len(need.undersides), process)


@settings(max_examples=12, deadline=None)
@given(
    st.integers(8, 90),
    st.floats(3.0, 60.0),
    st.floats(3.0, 25.0),
    st.floats(-6.0, 6.0),
)
def test_designed_supports_take_no_more_than_a_curtain(legs, long, deep, step) -> None:
    """A shelf on a leg, a step beneath it or none: filament and time never rise by more than 2 %, unless only
    the curtain would not stand."""
    leg = shapely.box(-4, 0, 0, deep)
    foot = leg | shapely.box(0, 0, max(step, 0.1), deep)
    sections = [foot] * (legs // 3) + [leg] * (legs - legs // 3) + [shapely.box(-4, 0, long, deep)] * 5
    designed, curtain = (scheme_of(sections, process).pieces for process in (DESIGNED, CURTAIN))
    taken = [
        np.sum([(p.cost.mass_g, p.cost.time_s) for p in pieces], axis=0) for pieces in (designed, curtain)
    ]
    stands = not any(piece.weak for piece in designed) and any(piece.weak for piece in curtain)
    assert stands or np.all(taken[0] <= 1.02 * taken[1] + 1e-9)


def test_what_stands_is_not_given_up_for_a_curtain_that_does_not() -> None:
    """Three groups a little slower than their curtains: where only the curtain is weak, the shores stay."""

    def tally(second: float, weak: list[bool]) -> _Tally:
        takes = np.tile([400.0, second], (3, 1))
        return _Tally(takes, np.full(3, 0.1), np.ones(3), np.array(weak), np.zeros(3, dtype=bool))

    built, curtain = tally(236.0, [False] * 3), tally(222.0, [False, True, False])
    curtain.price[:] = 0.2
    every, none = np.ones(3, dtype=bool), np.zeros(3, dtype=bool)
    assert _beaten(built, curtain, none, every).tolist() == [True, False, True]


def test_a_foot_holds_better_than_the_part_above() -> None:
    """A wide roof: the foot of what carries it is widened until lifting the part leaves it on the bed."""
    sections = [shapely.box(-5, 0, 0, 45) | shapely.box(80, 0, 85, 45)] * 170
    sections += [shapely.box(-5, 0, 85, 45)] * 5
    (piece,) = scheme_of(sections).pieces
    wanted = foot_to_stay_mm2(np.array([piece.contact_mm2]), DESIGNED)[0]
    assert wanted - 1e-6 <= piece.foot_mm2 < 2.0 * wanted
    assert "foot" in piece.remedy


def test_what_else_was_reckoned_is_told_the_cheapest_first() -> None:
    sections = [shapely.box(-5, 0, 0, 30) | shapely.box(40, 0, 45, 30)] * 100
    sections += [shapely.box(-5, 0, 45, 30)] * 5
    (piece,) = scheme_of(sections).pieces
    named = [one.structure for one in piece.others]
    assert "curtain" in named and named[-1] == "curtain with lines as far apart as they may be"
    prices = [one.cost.price for one in piece.others[:-1]]
    assert prices == sorted(prices) and piece.cost.price < min(prices)
    wide, usual = piece.others[-1].cost, piece.others[named.index("curtain")].cost
    assert wide.mass_g < usual.mass_g


def ring(outer, inner):
    return shapely.box(-outer, -outer, outer, outer) - shapely.box(-inner, -inner, inner, inner)


def test_level_ways_are_blocked_by_what_lies_ahead_alone() -> None:
    wall = shapely.box(5, -5, 6, 5)
    outlines = Outlines(stack_of([wall, ring(9, 7)], 0.2))
    ways = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0]])
    points = np.zeros((2, 2))
    found = level_ways(points, np.array([0, 1]), outlines.edges, outlines.layer_edge, ways)
    assert found.tolist() == [[1, 1], [0, 1], [0, 1]]


@pytest.mark.parametrize(
    ("sections", "free"),
    [
        ([ring(9, 7)] * 4, True),  # the part is lifted off
        ([shapely.box(-9, -9, 9, 9)] * 2 + [ring(9, 7)] * 2, False),  # a cup, and a roof over it
        ([shapely.box(-9, -9, 9, 9)] * 2 + [ring(9, 7) - shapely.box(6, -8, 10, 8)] * 2, True),  # a drawer
    ],
)
def test_pieces_leave_by_lifting_or_level(sections, free) -> None:
    outlines = Outlines(stack_of(sections, 0.2))
    post = np.array([shapely.box(-2, -2, 2, 2)] * 2, dtype=object)
    layer, piece = np.array([2, 3]), np.zeros(2, dtype=np.int64)
    assert leaving(post, layer, piece, 1, outlines).tolist() == [free]


def test_any_number_of_cores_gives_the_same_regions() -> None:
    regions = np.array([shapely.Point(k % 7, 0).buffer(1 + 0.01 * k) for k in range(300)], dtype=object)
    other = np.roll(regions, 1)
    alone = union(buffer(regions, 0.3), other)
    for cores in (2, 5):
        with on_cores(cores):
            shared = union(buffer(regions, 0.3), other)
        assert [g.wkb for g in shared] == [g.wkb for g in alone]


@pytest.mark.parametrize(("deep", "held"), [(40, True), (4, False)])
def test_a_column_close_in_a_bore_does_not_fall(deep, held) -> None:
    """Its foot has no room to be widened; what holds it is the foot, and the part all around. A bore of less
    than a fifth of its height does not."""
    bore, lid = shapely.Point(0, 0).buffer(2.3), shapely.box(-20, -20, 20, 20)
    post = shapely.box(-20, -20, -12, 20) | shapely.box(12, -20, 20, 20)
    sections = [lid - bore] * deep + [post] * (115 - deep)
    sections += [post | shapely.Point(0, 0).buffer(2.0)] * 3 + [lid] * 3
    stack, process = stack_of(sections, 0.2), CURTAIN
    need = need_map(stack, Laws(process))
    islands = [Standing.BED if u.extent_mm < 6.0 else Standing.LEAVE for u in need.undersides]
    (piece,) = build_scheme(stack, need, islands, process).pieces
    assert 1.0 <= piece.topple_safety < 1.5 and piece.weak is not held

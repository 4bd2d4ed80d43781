"""Voids that nothing comes out of: a box with a chamber, and openings of several widths to it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.affinity import translate

from falsework.support.sealed import sealed_undersides
from stacks import need_of, stack_of

BLOCK, CHAMBER = shapely.box(0, 0, 20, 20), shapely.box(5, 5, 15, 15)
WALLED = BLOCK - CHAMBER


def slot(width_mm: float) -> shapely.Polygon:
    """A way out of the chamber through a wall."""
    return shapely.box(14, 10 - 0.5 * width_mm, 21, 10 + 0.5 * width_mm)


def sealed(sections, roof=CHAMBER, layer: int = 15, doubtful: bool = True) -> bool:
    stack, need = stack_of(sections), need_of([(layer, roof, 0)])
    return bool(sealed_undersides(stack, need, np.array([doubtful]))[0])


def chamber(opening=None, at: range = range(8, 12)):
    """Layers 5 to 14 are hollow, those of ``at`` with the opening besides."""
    hollow = [WALLED if 5 <= k < 15 else BLOCK for k in range(20)]
    return [h if opening is None or k not in at else h - opening for k, h in enumerate(hollow)]


@pytest.mark.parametrize(
    ("opening", "at", "closed"),
    [
        (None, range(0), True),
        (slot(1.9), range(8, 12), True),  # narrower than a pick of 2 mm
        (slot(2.1), range(8, 12), False),
        (slot(2.1), range(8, 9), False),  # one layer is enough: how high it is does not count
        (shapely.box(9, 9, 12, 12), range(5), False),  # down to the bed
        (shapely.box(9, 9, 12, 12), range(1, 5), True),  # not quite
        (shapely.box(9, 9, 12, 12), range(15, 20), False),  # up into the open
        (shapely.box(9, 9, 12, 12), range(15, 19), True),
    ],
)
def test_a_chamber_is_closed_unless_a_pick_goes_in(opening, at, closed: bool) -> None:
    roof = CHAMBER if at.stop < 16 else CHAMBER - opening
    assert sealed(chamber(opening, at), roof) == closed


def test_only_what_is_asked_for_and_lies_within_is_sealed() -> None:
    closed = chamber()
    assert not sealed(closed, doubtful=False)
    outside = shapely.box(20, 5, 25, 15)
    assert not sealed(closed, outside)
    # a hundredth of it may lie elsewhere: 1 of 101 mm², not 2 of 102
    assert sealed(closed, CHAMBER | shapely.box(20, 0, 21, 1))
    assert not sealed(closed, CHAMBER | shapely.box(20, 0, 21, 2))
    assert not sealed(closed, CHAMBER, layer=0)  # it lies on the bed


def test_what_hangs_over_nothing_at_all_is_open() -> None:
    """The layer beneath is empty: a part of two bodies, one above the other."""
    apart = [BLOCK] * 5 + [shapely.MultiPolygon()] * 5 + [BLOCK] * 5
    assert not sealed(apart, BLOCK, layer=10)


def test_chambers_are_told_apart() -> None:
    """Of two side by side one has a door."""
    other = translate(CHAMBER, 0, 30)
    both = [a | translate(b, 0, 30) for a, b in zip(chamber(), chamber(slot(3)), strict=True)]
    need = need_of([(15, CHAMBER, 0), (15, other, 1)])
    assert sealed_undersides(stack_of(both), need, np.array([True, True])).tolist() == [True, False]

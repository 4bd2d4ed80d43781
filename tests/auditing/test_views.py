"""What a finding's picture shows, by hand: the square, the strands in it, which are marked, the cut."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.auditing.value import Place
from falsework.auditing.views import _cuts, _KeptRows, _view, square_of
from falsework.kernels.bead import strands as cut

HEIGHT = 0.2
PLACE = Place(10, 2.0, (50.0, 60.0), (48.0, 59.0, 52.0, 61.0), (100, 110))


def test_a_square_holds_the_box_with_room_around_it_or_what_can_be_seen_well_around_its_point() -> None:
    x0, y0, x1, y1 = square_of(PLACE)
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == (50.0, 60.0) and x1 - x0 == pytest.approx(y1 - y0)
    assert x0 < 48.0 and x1 > 52.0
    assert x1 - x0 == 14.0  # the least that is shown
    wide = square_of(Place(10, 2.0, (20.0, 60.0), (10.0, 59.0, 30.0, 61.0), (100, 110)))
    assert wide == (6.0, 46.0, 34.0, 74.0)  # 4 mm around its longer side, about the middle of the box
    huge = Place(10, 2.0, (20.0, 60.0), (0.0, 0.0, 500.0, 300.0), (100, 110))
    assert square_of(huge) == (-15.0, 25.0, 55.0, 95.0)
    far = Place(10, 2.0, (-90.0, 7.0), (20.0, -40.0, 24.0, -30.0), (1, 2))
    e0, f0, e1, f1 = square_of(far)
    assert ((e0 + e1) / 2, (f0 + f1) / 2) == pytest.approx((22.0, -35.0))  # its own box, wherever that lies


def rows(*strands: tuple[float, ...]) -> np.ndarray:
    """(x from, y from, x to, y to, top, line of the program) of strands of 0.45 mm."""
    out = np.zeros((len(strands), cut.STRAND))
    for k, (ax, ay, bx, by, z, line) in enumerate(strands):
        out[k, [cut.AX, cut.AY, cut.BX, cut.BY]] = ax, ay, bx, by
        out[k, cut.AZ] = out[k, cut.BZ] = z
        out[k, cut.LINE] = line
        out[k, cut.VOLUME] = np.hypot(bx - ax, by - ay) * (HEIGHT * (0.45 - HEIGHT) + np.pi * HEIGHT**2 / 4)
    return out


STRANDS = rows(
    (45.0, 60.0, 55.0, 60.0, 2.0, 105),  # of this place: along x
    (45.0, 60.6, 55.0, 60.6, 2.0, 150),  # of the layer, of other lines
    (50.0, 55.0, 50.0, 65.0, 1.8, 90),  # beneath, across
    (45.0, 70.0, 55.0, 70.0, 2.0, 106),  # of these lines, elsewhere
    (45.0, 60.0, 55.0, 60.0, 2.2, 160),  # a layer later
)


def view_of(place: Place):
    seen = _KeptRows()
    seen.rows.append(STRANDS)
    seen.owner.append(np.arange(len(STRANDS), dtype=np.uint8))
    seen.count = len(STRANDS)
    return _view(square_of(place), place, seen, HEIGHT)


def test_what_lies_there_is_marked_what_lies_beneath_is_shown_and_what_comes_later_is_not() -> None:
    view = view_of(PLACE)
    order = view.owner.tolist()
    assert order[0] == 2 and sorted(order) == [0, 1, 2, 3]  # the lowest first
    assert [owner for owner, is_marked in zip(order, view.marked, strict=True) if is_marked] == [0]
    assert [owner for owner, lower in zip(order, view.beneath, strict=True) if lower] == [2]
    assert view.width_mm == pytest.approx(np.full(4, 0.45), abs=1e-6)
    alone = view_of(Place(10, 2.0, PLACE.at_mm, PLACE.box_mm, PLACE.lines, own_lines=(150,)))
    assert [o for o, is_marked in zip(alone.owner.tolist(), alone.marked, strict=True) if is_marked] == [1]


def test_the_cut_runs_along_the_marked_strands() -> None:
    view = view_of(PLACE)
    assert view.axis == 0
    at = view.cut_owner.tolist().index(0)
    low, high, bottom, top = view.cut_mm[at]
    assert (low, high) == pytest.approx((45.0 - 0.225, 55.0 + 0.225), abs=1e-6)
    assert (bottom, top) == pytest.approx((1.8, 2.0))
    across = view.cut_mm[view.cut_owner.tolist().index(2)]
    assert across == pytest.approx([50.0 - 0.225, 50.0 + 0.225, 1.6, 1.8], abs=1e-6)
    assert view.cut_marked.tolist() == [owner == 0 for owner in view.cut_owner.tolist()]


def test_a_bead_beside_the_cut_has_none() -> None:
    spans = _cuts(np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]]), np.array([0.2]), 0, 0.3)
    assert spans[0, 0] > spans[0, 1]

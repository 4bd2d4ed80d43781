"""The two discs of prices: where directions lie, that cells cover them, that no colour tells it alone."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPoint, Point, Polygon, unary_union

from falsework import best_orientations, load_process, orientations_html
from falsework.orientation import PriceMap
from falsework.orientation.directions import even_directions
from falsework.part.demo import table
from falsework.report.price_sphere import MIDDLE_Y, MIDDLES, RADIUS, _outlines, _places, price_sphere

ANGLE = st.floats(0.0, 2.0 * np.pi)


@pytest.fixture(scope="module")
def lies():
    return best_orientations(table(), load_process("pla-0.4"), directions=50)


def test_up_and_down_are_in_the_middles_and_sides_on_the_rims():
    at = _places(np.array([[0, 0, 1.0], [0, 0, -1.0], [1.0, 0, 0], [0, -1.0, 0]]))
    assert at[:2].tolist() == [[MIDDLES[0], MIDDLE_Y], [MIDDLES[1], MIDDLE_Y]]
    assert at[2].tolist() == pytest.approx([MIDDLES[0] + RADIUS, MIDDLE_Y])
    assert at[3].tolist() == pytest.approx([MIDDLES[0], MIDDLE_Y + RADIUS])


@given(lean=st.floats(0.0, np.pi / 2), way=ANGLE)
def test_a_cap_of_the_sphere_keeps_its_share_of_the_area(lean, way):
    """A cap of half angle a has 1 - cos a of the half sphere (Archimedes); so of the disc."""
    up = np.array([[np.sin(lean) * np.cos(way), np.sin(lean) * np.sin(way), np.cos(lean)]])
    reach = np.hypot(*(_places(up)[0] - (MIDDLES[0], MIDDLE_Y))) / RADIUS
    assert reach**2 == pytest.approx(1.0 - np.cos(lean), abs=1e-9)


def test_cells_cover_the_discs_and_hold_their_own_direction():
    places = _places(even_directions(400))
    cells = {
        k: Polygon(np.array(re.findall(r"-?[\d.]+", d), float).reshape(-1, 2)) for k, d in _outlines(places)
    }
    assert len(cells) == 400
    assert all(cell.buffer(0.2).contains(Point(places[k])) for k, cell in cells.items())
    whole = unary_union([cell.buffer(0.1) for cell in cells.values()])
    for middle in MIDDLES:
        assert whole.contains(Point(middle, MIDDLE_Y).buffer(RADIUS - 0.5))
    assert MultiPoint(places).within(whole)


def test_what_falls_or_does_not_fit_is_struck_and_said(lies):
    ups = even_directions(60)
    stands, fits = np.arange(60) % 3 > 0, np.arange(60) % 4 > 0
    drawn = price_sphere(PriceMap(ups, np.linspace(1.0, 4.0, 60), fits, stands), lies)
    assert sum("falls" in cell.said for cell in drawn.cells) == int((~stands & fits).sum())
    assert sum("does not fit" in cell.said for cell in drawn.cells) == int((~fits).sum())
    assert all(bool(cell.mark) == ("," in cell.said) for cell in drawn.cells)
    assert drawn.ticks[0][1] == "1.00\u00a0¤" and "4.00" in drawn.ticks[-1][1]
    assert [n.shape for n in drawn.numbers].count("recommended") == 1


def test_the_page_holds_it(lies):
    page = orientations_html(lies, table(), load_process("pla-0.4"))
    assert "What it costs whichever side is up" in page and page.count('class="cell"') > 300
    same = np.full(60, 2.0)
    flat = price_sphere(PriceMap(even_directions(60), same, same > 1, same > 1), lies)
    assert len({cell.fill for cell in flat.cells}) == 1  # one price: one colour, no division by nothing

"""The redraw as a page: what it says is what the value holds; pictures show what changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework.part.demo import demo_parts
from falsework.redrawing import Redraw, redraw
from falsework.redrawing.body.solids import solid_of
from falsework.report.redraw import changed_surface, left_lines, redraw_html, redraw_words, row, ways
from falsework.wording.figures import plain

pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def table() -> Redraw:
    return redraw(demo_parts()["table"](), kinds=["ribs", "membrane"], change={1: "ribs"})


@pytest.fixture(scope="module")
def page(table) -> str:
    return redraw_html(table)


def test_the_page_says_every_way_and_change_and_fetches_nothing(table, page) -> None:
    assert page == redraw_html(table)  # the same value, the same bytes
    for way in ways(table):
        assert way.said in page.replace("&#39;", "'")
    assert [way.name for way in ways(table) if way.chosen] == [table.best]
    assert "does not certify a part" in page and "http" not in page.replace("http-equiv", "")
    assert table.splits is not None and table.splits.options
    options = table.splits.options
    for note in options[0].notes:
        if all(note in option.notes for option in options):
            assert page.replace("&#39;", "'").count(note[1:]) == 1  # said once for all


def test_without_geometry_there_are_no_pictures(table, page) -> None:
    assert "<image" in page and "<image" not in redraw_html(replace(table, geometry=None))


def test_what_is_drawn_as_added_is_what_was_added(table) -> None:
    vertices, faces, origin = changed_surface(table)
    corners = vertices[faces]
    # every added face lies off the table's own slab and legs, but for where it meets them
    assert set(np.unique(origin)) == {0, 1}
    volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() / 6.0
    before = solid_of(table.geometry.placed).volume()
    assert volume - before == pytest.approx(table.combined.added_mm3, rel=1e-6)
    middles = corners[origin == 1].mean(axis=1)
    assert (middles[:, 2] < 36.0 + 1e-6).all()  # beneath the slab


def test_a_declined_change_says_why_and_a_row_without_change_has_no_figures(table) -> None:
    treated = table.treated[0]
    assert any("Membrane: " in other for other in row(treated).others)
    alone = row(replace(treated, changes=(), chosen=None))
    assert (alone.volume, alone.difference, alone.section, alone.done) == ("–", "–", "–", False)


def test_what_costs_more_is_said_to_and_no_sign_is_to_be_read(table) -> None:
    treated = table.treated[0]

    def said(price: float, mass_g: float, time_s: float) -> str:
        change = replace(treated.change, saved_price=price, saved_g=mass_g, saved_s=time_s)
        return plain(row(replace(treated, changes=(change,))).difference)

    assert said(0.24, -0.1, -60.0) == "saves about 0.24 ¤, 0.1 g and 1 min more"
    assert said(0.81, 2.4, -180.0) == "saves about 0.81 ¤, 2.4 g less, 3 min more"
    assert said(-0.03, 0.0, 12.0) == "costs about 0.03 ¤ more"
    assert said(-0.004, 0.04, 600.0) == "costs the same, 10 min less"


def test_what_another_skin_is_told_is_plain_and_complete(table) -> None:
    import json

    said = json.loads(json.dumps(redraw_words(table)))
    assert [r["number"] for r in said["rows"]] == [t.underside.number for t in table.treated]
    assert said["verdict"] and said["notes"] and said["left"] == list(left_lines(table))

"""Lettering: every sign there, no two alike, strokes and gaps as wide as asked for."""

from __future__ import annotations

from itertools import combinations

import pytest
import shapely

from falsework.coupon.lettering import CODE_SIGNS, HIGH, LABELS, lettering, width_strokes

SIGNS = sorted({*LABELS, *CODE_SIGNS, *"FLGPC12"})


@pytest.mark.parametrize("sign", SIGNS)
def test_a_sign_fills_its_cell_with_strokes_of_one_width(sign: str) -> None:
    outline = lettering(sign, 0.8)
    x0, y0, x1, y1 = outline.bounds
    assert (y0, y1) == (pytest.approx(0.0), pytest.approx(4.0))
    assert x0 >= 0.0 and x1 <= 3 * 0.8 + 1e-9
    assert outline.geom_type == "Polygon"
    # nowhere thinner than a stroke: opening it with a disc of half the stroke leaves all but corners
    opened = outline.buffer(-0.39).buffer(0.39)
    assert outline.difference(opened.buffer(0.25)).area < 0.02 * outline.area
    # no gap that the nozzle would close: closing it fills nothing but corners
    closed = outline.buffer(0.35, join_style="mitre").buffer(-0.35, join_style="mitre")
    assert closed.difference(outline).area < 0.12 * outline.area


def test_no_two_signs_look_alike() -> None:
    outlines = {sign: lettering(sign, 1.0) for sign in SIGNS}
    for a, b in combinations(SIGNS, 2):
        assert outlines[a].symmetric_difference(outlines[b]).area > 0.7, (a, b)


def test_a_line_of_text_is_as_long_as_told() -> None:
    outline = lettering("HH", 2.0)
    assert outline.bounds[2] - outline.bounds[0] == pytest.approx(2.0 * width_strokes("HH"))
    assert outline.bounds[3] == pytest.approx(2.0 * HIGH)
    assert len(shapely.get_parts(outline)) == 2


def test_an_unknown_sign_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        lettering("Å", 1.0)

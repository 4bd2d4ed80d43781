"""Support that can never come out is not chosen in silence."""

from __future__ import annotations

import pytest

from falsework import load_process, plan
from falsework.support.choosing import chosen_option
from falsework.wording.figures import plain
from falsework.wording.notices import Tears, Trapped
from hung import block, drawn


def hollow(wide_mm: float, bore_mm: float = 0.0):
    """A box with walls of 2 mm, closed but for a bore in its side."""
    half = wide_mm / 2
    box = block((-half - 2, -22, 0), (half + 2, 22, 30)) - block((-half, -20, 2), (half, 20, 28))
    if bore_mm:
        box -= block((-half - 3, -bore_mm / 2, 14), (-half + 1, bore_mm / 2, 14 + bore_mm))
    return box


@pytest.mark.parametrize(("bore_mm", "left"), [(0.0, True), (1.0, True), (8.0, False)])
def test_a_roof_that_no_eye_sees_is_left_to_bridge(bore_mm, left):
    """A roof of 40 mm bridges with a droop of 1 mm: inside a closed box that does no harm, and support would
    stay for ever. Through a bore of 8 mm tools and eyes get in."""
    made = plan(drawn(hollow(40.0, bore_mm)), load_process("pla-0.4"), release=False)
    roof = max(made.undersides, key=lambda u: u.area_mm2)
    chosen = made.choices[roof.number - 1].chosen
    assert (chosen.value == "leave") is left


def test_what_stays_inside_all_the_same_is_weighed_against_leaving_it():
    """Asked for inside a closed box, it is said what stays there and what leaving it would come to."""
    made = plan(drawn(hollow(40.0)), load_process("pla-0.4"), standing="bed-or-part")
    (notice,) = [w for w in made.warnings if isinstance(w, Trapped)]
    mine = [c for c in made.choices if c.chosen.value != "leave"]
    assert mine and notice.pieces
    assert notice.inside_g == pytest.approx(made.support_cost.mass_g)
    assert notice.stays_price == pytest.approx(sum(chosen_option(c).price.total for c in mine))
    assert notice.left_price < notice.stays_price
    assert notice.worst_mm is not None and notice.worst_mm.value > 0.5
    for word in ("stay inside", "left bare", "cut open"):
        assert word in plain(notice.text)
    assert not any(isinstance(w, Tears) for w in made.warnings)

"""Stepped holes: crossed steps and membranes, volumes by closed form, each proved on the changed part."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.redrawing.changes.membrane import membrane
from falsework.redrawing.changes.ribs import ribs
from falsework.redrawing.changes.steps import crossed_steps
from falsework.redrawing.site.ceiling import ceiling_of
from falsework.redrawing.site.stepped import stepped_hole
from grounds import PROCESS, block, ground, proved, refused, spared, worst

LAYER = PROCESS.layer_height_mm
SIDES = 96


def plate(
    wide: float, bore: float, wide_sides: int = SIDES, bore_sides: int = SIDES, at: float = 0.0
) -> Manifold:
    """A plate of 12 with a hole of ``wide`` up to 6 and a bore above it."""
    solid = block((-15, -15, 0), (15, 15, 12))
    solid -= Manifold.cylinder(7, wide, wide, wide_sides).translate((0, 0, -1))
    return solid - Manifold.cylinder(14, bore, bore, bore_sides).translate((at, 0, -1))


def disc(radius: float, sides: int = SIDES) -> shapely.Polygon:
    turn = 2 * math.pi * np.arange(sides) / sides
    return shapely.Polygon(radius * np.column_stack([np.cos(turn), np.sin(turn)]))


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.floats(3.0, 8.5), st.floats(0.25, 0.85))
def test_a_membrane_is_the_bores_section_a_layer_thick(wide: float, share: float) -> None:
    """π r² h of the bore as drawn, which has ``SIDES`` sides."""
    if wide * (1 - share) < 0.6:  # a ring so narrow holds by itself
        share = 1 - 0.6 / wide
    draft, proof = proved(ground(plate(wide, wide * share)), membrane)
    assert proof.added_mm3 == pytest.approx(disc(wide * share).area * LAYER, rel=1e-3)
    assert proof.removed_mm3 == 0.0
    assert "away from your body" in draft.by_hand


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.floats(4.0, 8.0), st.floats(0.3, 0.7))
def test_crossed_steps_take_slot_and_square(wide: float, share: float) -> None:
    """Slot: 2 r √(R² − r²) + 2 R² asin(r/R); square: 4 r²; each less the bore, a layer deep.

    Up to r = R / √2 the square lies within the wide hole.
    """
    bore = wide * share
    draft, proof = proved(ground(plate(wide, bore)), crossed_steps)
    slot = 2 * bore * math.sqrt(wide**2 - bore**2) + 2 * wide**2 * math.asin(share)
    hole = math.pi * bore**2
    assert len(draft.removed) == 2
    assert proof.removed_mm3 == pytest.approx(LAYER * (slot - hole + 4 * bore**2 - hole), rel=6e-3)
    assert proof.added_mm3 == 0.0


def test_steps_are_a_layer_deep_at_the_layers_own_heights() -> None:
    draft, proof = proved(ground(plate(7.0, 3.0)), crossed_steps)
    tops = [region.solid.bounding_box()[5] for region in draft.removed]
    assert tops == pytest.approx([6.2, 6.4])
    open_ = 30 * 30 - proof.changed.stack.areas_mm2[[30, 31, 32]]
    slot = shapely.intersection(disc(7.0), shapely.box(-9, -3, 9, 3)).area
    assert open_ == pytest.approx([slot, 36.0, disc(3.0).area], rel=1e-3)


def test_the_slot_runs_where_the_strands_are_shortest() -> None:
    """A long hole: across it the strands beside the slot are short, along it they would be as long as it."""
    long = Manifold.hull(
        Manifold.cylinder(7, 4, 4, SIDES).translate((-7, 0, -1))
        + Manifold.cylinder(7, 4, 4, SIDES).translate((7, 0, -1))
    )
    solid = (
        block((-15, -15, 0), (15, 15, 12)) - long - Manifold.cylinder(14, 3, 3, SIDES).translate((0, 0, -1))
    )
    draft, _ = proved(ground(solid), crossed_steps)
    assert "a slot along 90° from x: no strand bridges more than 8.0 mm" in draft.words


@pytest.mark.parametrize("sides", [4, 6])
def test_bores_with_corners(sides: int) -> None:
    """A square bore fills the slot from side to side: its slot alone will do."""
    draft, _ = proved(ground(plate(7.0, 3.5, SIDES, sides)), crossed_steps)
    assert len(draft.removed) == (1 if sides == 4 else 2)
    proved(ground(plate(7.0, 3.5, SIDES, sides)), membrane)


def test_a_nut_pocket_and_bores_off_the_middle() -> None:
    for solid in (
        plate(6.5, 2.6, wide_sides=6),
        plate(7.5, 2.5, at=3.0),
        plate(7.5, 2.5, at=5.0),
        plate(6.0, 3.0, at=5.0),
    ):
        proved(ground(solid), crossed_steps)
        proved(ground(solid), membrane)


def test_a_ceiling_between_layers() -> None:
    """A ceiling at 6.07 is printed from 6.0 on: what is drawn ends at the layers' heights all the same."""
    solid = block((-15, -15, 0), (15, 15, 12))
    solid -= Manifold.cylinder(7.07, 7, 7, SIDES).translate((0, 0, -1))
    solid -= Manifold.cylinder(14, 3, 3, SIDES).translate((0, 0, -1))
    proved(ground(solid), crossed_steps)
    _, proof = proved(ground(solid), membrane)
    assert proof.added_mm3 == pytest.approx(disc(3.0).area * 0.13, rel=1e-3)


def test_what_the_finder_takes_for_a_stepped_hole() -> None:
    on = ground(plate(7.0, 3.0))
    hole = stepped_hole(on, ceiling_of(worst(on)))
    assert hole is not None and hole.layer == 30 and hole.closed
    assert hole.wide.area == pytest.approx(disc(7.0).area, rel=1e-3)
    assert hole.bore.area == pytest.approx(disc(3.0).area, rel=1e-3)
    blind = block((-15, -15, 0), (15, 15, 12)) - Manifold.cylinder(7, 12, 12, SIDES).translate((0, 0, -1))
    on = ground(blind)
    assert stepped_hole(on, ceiling_of(worst(on))) is None
    assert "not the flat ceiling" in refused(on, crossed_steps).why
    assert "not the flat ceiling" in refused(on, membrane).why


def test_refusals() -> None:
    far = ground(plate(13.0, 2.0))
    assert "a strand would bridge" in refused(far, crossed_steps).why
    assert "would not bridge cleanly" in refused(far, membrane).why
    two = block((-15, -15, 0), (15, 15, 12)) - Manifold.cylinder(7, 8, 8, SIDES).translate((0, 0, -1))
    for x in (-3.5, 3.5):
        two -= Manifold.cylinder(14, 2.5, 2.5, SIDES).translate((x, 0, -1))
    assert "more than one bore" in refused(ground(two), crossed_steps).why
    proved(ground(two), membrane)
    thin = plate(7.0, 3.0) ^ block((-20, -20, -1), (20, 20, 6.6))
    assert "too little above" in refused(ground(thin), crossed_steps).why


def test_ribs_keep_out_of_stepped_holes() -> None:
    assert "stepped hole" in refused(ground(plate(7.0, 3.0)), ribs).why


def test_spared_faces_are_not_touched() -> None:
    on = ground(plate(7.0, 3.0))

    def bore(corners: np.ndarray) -> np.ndarray:
        return np.isclose(np.hypot(corners[:, :, 0] - 15, corners[:, :, 1] - 15), 3.0)

    assert "must stay" in refused(spared(on, bore), crossed_steps).why
    assert "must stay" in refused(spared(on, bore), membrane).why
    side = spared(on, lambda c: np.isclose(c[:, :, 0], 0.0))
    proved(side, crossed_steps)
    proved(side, membrane)

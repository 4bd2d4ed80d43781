"""Ribs under spans whose best answer is known by arithmetic, each proved on the changed part."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.redrawing.changes.draft import Draft, Refusal
from falsework.redrawing.changes.ribs import MARGIN_DEG, ribs
from falsework.redrawing.site.value import UndersideSite
from grounds import PROCESS, block, ground, proved, refused, spared, worst

THICK = 0.9
LAYER = PROCESS.layer_height_mm
DROP = 1.0 / math.tan(math.radians(PROCESS.limit_deg - MARGIN_DEG))


def channel(width: float, length: float, height: float) -> Manifold:
    """A slab of 4 on two walls of 10, open at both ends: the span runs along x."""
    slab = block((0, 0, height), (20 + width, length, height + 4))
    return (
        slab
        + block((0, 0, 0), (10, length, height))
        + block((10 + width, 0, 0), (20 + width, length, height))
    )


def splits(clear: float, span: float) -> int:
    return max(0, math.ceil((clear - span) / (span + THICK) - 1e-9))


def best_channel(width: float, length: float, height: float, span: float) -> tuple[int, float]:
    """Count and volume of the least ribs: along the channel on the bed, or across it from wall to wall."""
    along = splits(width, span)
    standing = along * THICK * length * height
    across = 2 + splits(length - 2 * THICK, span)  # the open ends want one each
    half = 0.5 * width
    deep = min(half, (height - LAYER) / DROP)  # farther from the middle the bracket has met the bed
    profile = width * LAYER + deep * deep * DROP + 2 * (half - deep) * (height - LAYER)
    bracketed = across * THICK * profile
    return min((standing, along), (bracketed, across))[::-1]


@settings(max_examples=8, deadline=None, derandomize=True)
@given(st.integers(20, 60), st.integers(12, 50), st.integers(2, 40))
def test_a_channel_gets_the_least_ribs(width: int, length: int, height: int) -> None:
    on = ground(channel(width, length, height))
    # where turning the strands is enough there are no ribs to count
    if length <= on.span_mm:
        length = 20
        on = ground(channel(width, length, height))
    count, volume = best_channel(width, length, height, on.span_mm)
    draft, proof = proved(on, ribs)
    assert proof.added_mm3 == pytest.approx(volume, rel=2e-3)
    assert len(draft.added) == count
    assert proof.removed_mm3 == 0.0


def test_a_wide_low_channel_gets_one_rib_on_the_bed() -> None:
    draft, proof = proved(ground(channel(30, 40, 20)), ribs)
    assert proof.added_mm3 == pytest.approx(THICK * 40 * 20, rel=1e-6)
    assert "1 rib 0.9 mm thick, along 90°" in draft.words
    assert "at most 14.6 mm" in draft.words  # (30 - 0.9) / 2
    assert draft.notes == ("Let the strands run across the ribs, along 0° from x.",)


def test_far_from_the_floor_ribs_recede_to_the_walls() -> None:
    on = ground(channel(30, 40, 60))
    draft, proof = proved(on, ribs)
    profile = 30 * LAYER + 15 * 15 * DROP
    assert proof.added_mm3 == pytest.approx(4 * THICK * profile, rel=1e-3)
    assert "receding" in draft.words
    # no rib reaches lower than its bracket
    lowest = min(region.solid.bounding_box()[2] for region in draft.added)
    assert lowest == pytest.approx(60 - LAYER - (15 + 0.1) * DROP, abs=1e-6)


def test_ribs_of_a_chamber_leave_its_ways_open() -> None:
    """Between two walls on a floor a rib never goes down to it: it would shut the chamber in two."""
    box = block((0, 0, 0), (50, 60, 26)) - block((5, 5, 2), (45, 55, 22)) - block((20, -1, 2), (30, 6, 12))
    draft, proof = proved(ground(box), ribs)
    assert "receding" in draft.words
    assert proof.changed.solid.genus() == ground(box).solid.genus()


def test_a_shelf_on_one_wall_gets_brackets() -> None:
    shelf = block((0, 0, 0), (10, 30, 64)) + block((0, 0, 60), (30, 30, 64))
    draft, proof = proved(ground(shelf), ribs)
    profile = 20 * LAYER + 0.5 * 20 * 20 * DROP
    assert len(draft.added) == 3  # at both ends and between them
    assert proof.added_mm3 == pytest.approx(3 * THICK * profile, rel=1e-3)


def test_a_clean_bridge_needs_no_geometry() -> None:
    on = ground(channel(15, 40, 20))
    under = on.need.undersides[0]
    draft = ribs(UndersideSite(on, under))
    assert isinstance(draft, Draft) and draft.added == () and draft.removed == ()
    assert draft.words.startswith("bridge along 0° from x: the span there is 15.0 mm")


def test_refusals() -> None:
    arch = block((0, 0, 0), (60, 20, 40)) - Manifold.cylinder(30, 22, 22, 96).rotate((-90, 0, 0)).translate(
        (30, -5, 0)
    )
    assert refused(ground(arch), ribs).why == "it is not flat"
    floating = block((0, 0, 0), (5, 5, 30)) + block((0, 0, 25), (40, 5, 30)) + block((30, 0, 15), (40, 5, 26))
    on = ground(floating)
    island = next(under for under in on.need.undersides if under.kind == "island")
    refusal = ribs(UndersideSite(on, island))
    assert isinstance(refusal, Refusal) and "mid-air" in refusal.why


def test_spared_faces_are_not_touched() -> None:
    on = ground(channel(30, 40, 20))
    walls = spared(on, lambda c: np.isclose(c[:, :, 0], 10.0))  # a wall: ribs on the bed stay clear of it
    assert isinstance(ribs(worst(walls)), Draft)
    ceiling = spared(on, lambda c: np.isclose(c[:, :, 2], 20.0))
    assert "must stay" in refused(ceiling, ribs).why
    far = ground(channel(30, 40, 60))
    wall = spared(far, lambda c: np.isclose(c[:, :, 0], 10.0))
    _, proof = proved(wall, ribs)  # brackets would touch it: the dearer rib on the bed it is
    # four lines thick, for it is no more than 40 times as high as thick
    assert proof.added_mm3 == pytest.approx(2 * THICK * 40 * 60, rel=1e-6)

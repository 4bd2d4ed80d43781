"""Peaked roofs: the drop over a round hole, gables and pyramids by arithmetic, what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.process.settings import Process
from falsework.redrawing.changes.draft import Refusal
from falsework.redrawing.changes.field import slope_of
from falsework.redrawing.changes.roof import peaked_roof
from falsework.redrawing.proof.prove import prove
from grounds import PROCESS, block, ground, proved, refused, worst

THIN = replace(PROCESS, layer_height_mm=0.1, first_layer_height_mm=0.1)
SLOPE = slope_of(PROCESS, first_layer=False)


def bored(radius: float, axis_mm: float = 20.0, length: float = 20.0, height: float = 40.0) -> Manifold:
    """A block with a horizontal hole along y."""
    hole = Manifold.cylinder(length + 2, radius, radius, 144).rotate((-90, 0, 0)).translate((20, -1, axis_mm))
    return block((0, 0, 0), (40, length, height)) - hole


@pytest.mark.parametrize("process", [PROCESS, THIN], ids=["0.2", "0.1"])
@pytest.mark.parametrize("radius", [5.0, 9.0])
def test_a_round_hole_becomes_a_drop(process: Process, radius: float) -> None:
    """Two tangents at the angle a from the vertical meet r / sin a above the axis; between them and the bore
    lies r² (cot a − (π/2 − a))."""
    on = ground(bored(radius), process)
    draft, proof = proved(on, peaked_roof)
    angle = math.radians(process.limit_deg - 1.0)
    apex = draft.removed[0].solid.bounding_box()[5]
    assert apex == pytest.approx(20.0 + radius / math.sin(angle), abs=0.02 * radius)
    want = 20.0 * radius**2 * (1.0 / math.tan(angle) - (math.pi / 2.0 - angle))
    assert proof.removed_mm3 == pytest.approx(want, rel=0.03)
    assert proof.added_mm3 == pytest.approx(0.0, abs=1e-6)


def test_the_bore_stays() -> None:
    """Nothing goes from beneath where the planes touch the circle."""
    draft, _ = proved(ground(bored(8.0)), peaked_roof)
    touch = 20.0 + 8.0 * math.sin(math.radians(PROCESS.limit_deg - 1.0))
    assert draft.removed[0].solid.bounding_box()[2] > touch - 0.5


def test_a_cube_shaped_room_takes_a_pyramid() -> None:
    """a² · c a / 2 / 3 = c a³ / 6."""
    side = 30.0
    on = ground(block((0, 0, 0), (38, 38, 70)) - block((4, 4, 4), (34, 34, 34)))
    draft, proof = proved(on, peaked_roof)
    assert proof.removed_mm3 == pytest.approx(SLOPE * side**3 / 6.0, rel=2e-3)
    assert draft.removed[0].solid.bounding_box()[5] == pytest.approx(34.0 + SLOPE * side / 2, abs=0.05)
    assert draft.removed[0].solid.num_tri() <= 400


@settings(max_examples=4, deadline=None, derandomize=True)
@given(st.floats(22.0, 36.0), st.floats(10.0, 30.0))
def test_a_tunnel_takes_a_gable(width: float, length: float) -> None:
    """w² c / 4 for each length, and with a flat top the small gable less."""
    solid = block((0, 0, 0), (width + 10, length, 60)) - block((5, -1, 5), (5 + width, length + 1, 25))
    on = ground(solid)
    site = worst(on)
    for flat in (0.0, 8.0):
        draft = peaked_roof(site, flat_mm=flat)
        assert not isinstance(draft, Refusal)
        want = SLOPE * (width**2 - flat**2) / 4.0 * length
        assert prove(on, draft).removed_mm3 == pytest.approx(want, rel=1e-2)


def test_a_roof_does_not_break_through() -> None:
    refusal = refused(ground(bored(8.0, height=30.5)), peaked_roof)
    assert "break through" in refusal.why or "leave" in refusal.why


def test_a_ledge_keeps_its_edge() -> None:
    refusal = refused(ground(block((0, 0, 0), (5, 20, 24)) + block((4, 0, 20), (15, 20, 24))), peaked_roof)
    assert "free edge" in refusal.why

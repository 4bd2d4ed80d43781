"""Crumbs: what would begin in mid-air comes off, and nothing else does."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
from manifold3d import Manifold

from falsework.redrawing.changes.dimensions import of_solids
from falsework.redrawing.changes.draft import ChangeKind, Dimension, Draft, Region
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.crumbs import in_the_air, swept
from falsework.redrawing.proof.prove import prove
from falsework.redrawing.site.value import PlannedPart
from grounds import block, ground

LAYER_MM = 0.2


def table() -> PlannedPart:
    """A post of 10 × 10 × 20 that carries a plate of 40 × 10 × 4."""
    return ground(block((0, 0, 0), (10, 10, 20)) + block((0, 0, 20), (40, 10, 24)))


def bracket(*solids: Manifold) -> Draft:
    return Draft(ChangeKind.CORBEL, 1, "", tuple(Region("corbel", solid) for solid in solids))


def placed(on: PlannedPart, low: tuple[float, ...], high: tuple[float, ...]) -> Manifold:
    """A block in the frame of the ground's own corner."""
    x, y, z = on.part.bounds_mm[0]
    size = [b - a for a, b in zip(low, high, strict=True)]
    return Manifold.cube(size).translate((low[0] + x, low[1] + y, low[2] + z))


def test_a_draft_without_crumbs_is_the_very_draft() -> None:
    on = table()
    draft = bracket(placed(on, (9.9, 0, 10), (20, 10, 20.1)))
    assert swept(Changed(on, (draft,))) is draft


def test_a_crumb_hanging_from_what_is_added_comes_off() -> None:
    on = table()
    body = placed(on, (9.9, 0, 10), (20, 10, 20.1))
    crumb = placed(on, (15, 4, 9.25), (15.3, 4.3, 10.05))  # three layers of it hang beneath
    hanging = bracket(body + crumb)
    spot = in_the_air(Changed(on, (hanging,)))
    assert spot is not None and spot[2] == pytest.approx(9.2, abs=0.5 * LAYER_MM)
    clean = swept(Changed(on, (hanging,)))
    assert clean is not hanging and in_the_air(Changed(on, (clean,))) is None
    lost = (hanging.added[0].solid - clean.added[0].solid).volume()
    assert lost == pytest.approx(0.3 * 0.3 * 0.75, rel=0.35)
    assert not any("mid-air" in fault for fault in prove(on, clean).faults)


def test_what_is_no_crumb_but_begins_in_the_air_is_a_fault() -> None:
    on = table()
    apart = placed(on, (25, 2, 15), (31, 8, 20.1))
    draft = bracket(placed(on, (9.9, 0, 10), (20, 10, 20.1)), apart)
    assert swept(Changed(on, (draft,))) is draft
    assert any("begin in mid-air" in fault for fault in prove(on, draft).faults)


def test_layers_above_what_came_off_are_as_they_were() -> None:
    on = table()
    body = placed(on, (9.9, 0, 10), (20, 10, 20.1))
    hanging = bracket(body + placed(on, (15, 4, 9.25), (15.3, 4.3, 10.05)))
    with_, without = (Changed(on, (draft,)) for draft in (swept(Changed(on, (hanging,))), bracket(body)))
    first, last = without.span
    for layer in range(first + 1, last + 1):
        a, b = with_.stack.regions[layer], without.stack.regions[layer]
        assert shapely.area(shapely.symmetric_difference(a, b)) < 0.2


def test_what_has_no_planes_to_type_says_where_its_solid_is() -> None:
    block_ = Draft(ChangeKind.CORBEL, 1, "", (Region("corbel", Manifold.cube((1, 1, 1))),))
    assert of_solids(replace(block_, dimensions=(Dimension("chamfer"),))) == ()
    for draft, follows in ((block_, "a curved underside"), (replace(block_, freeform=True), "the layers")):
        (said,) = of_solids(draft)
        assert f"follows {follows}" in said.phrase and "file of changes" in said.phrase
    fins = Draft(ChangeKind.FINS, 1, "", (Region("crossed fins", Manifold.cube((1, 1, 1))),))
    assert "file of changes" in of_solids(fins)[0].phrase

"""Proofs of changes drawn by hand on the plain table, a slab on four legs: 80 × 50, legs of 8, slab of 4."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from manifold3d import Manifold

from falsework.droop.laws import Laws
from falsework.layers import stack_layers
from falsework.layers.stack import LayerStack
from falsework.need import need_map
from falsework.part import demo_parts, place
from falsework.part.part import Part
from falsework.planning import inspect
from falsework.process import load_process
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.changes.draft import ChangeKind, Draft, Region
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.prove import proof_of, prove
from falsework.redrawing.proof.sections import outside_mm3
from falsework.redrawing.proof.whole import Written
from falsework.redrawing.site.ground import asks, ground_of
from falsework.redrawing.site.value import PlannedPart

PROCESS = load_process("pla-0.4")


@pytest.fixture(scope="module")
def table() -> PlannedPart:
    return ground_of(inspect(demo_parts()["table"](), PROCESS))


def block(ground: PlannedPart, low: tuple[float, ...], high: tuple[float, ...]) -> Manifold:
    """A box in the frame of the table's own corner."""
    corner = ground.part.bounds_mm[0]
    return Manifold.cube(np.subtract(high, low)).translate(corner + low)


def added(solid: Manifold, kind: ChangeKind = ChangeKind.CORBEL) -> Draft:
    return Draft(kind, 1, "", added=(Region("added", solid),))


def removed(solid: Manifold) -> Draft:
    return Draft(ChangeKind.ROOF, 1, "", removed=(Region("removed", solid),))


def test_a_block_beneath_the_whole_slab_settles_it(table: PlannedPart) -> None:
    proof = prove(table, added(block(table, (0, 0, 0), (80, 50, 37))))
    assert proof.good, proof.faults
    assert proof.left_mm2 == proof.new_mm2 == 0.0
    assert proof.added_mm3 == pytest.approx((80 * 50 - 4 * 64) * 36)
    assert proof.removed_mm3 == 0.0
    # a leg of 8 × 8 is the smallest section of the part's own, with the block and without
    assert proof.smallest_before_mm2 == proof.smallest_after_mm2 == pytest.approx(64.0)


def test_half_a_block_leaves_the_rest(table: PlannedPart) -> None:
    proof = prove(table, added(block(table, (0, 0, 0), (40, 50, 37))))
    # what is left spans 32 mm from block to legs between them, and hangs free outside: all of it asks
    assert proof.left_mm2 == pytest.approx(40 * 50 - 2 * 64, rel=1e-3)
    assert proof.new_mm2 == 0.0
    assert proof.faults == ("18.7\u00a0cm² of the underside still need support",)


def test_a_shelf_on_a_leg_is_a_new_underside(table: PlannedPart) -> None:
    proof = prove(table, added(block(table, (7, 0, 10), (27, 8, 12))))
    assert proof.new_mm2 == pytest.approx(19 * 8, rel=1e-3)
    assert not any("held before" in fault for fault in proof.faults)  # it has its price, and that is all


def test_a_loose_block_and_a_thin_wall_and_a_change_beneath_the_bed(table: PlannedPart) -> None:
    loose = prove(table, added(block(table, (30, 20, 0), (40, 30, 10))))
    assert "a piece would come loose" in loose.faults
    web = block(table, (0, 0, 0), (80, 50, 37)) + block(table, (20, 20, 39), (40, 20.4, 45))
    assert prove(table, added(web)).faults == ("a wall would be thinner than 0.90\u00a0mm",)
    assert prove(table, added(web, ChangeKind.FINS)).good
    deep = prove(table, added(block(table, (0, 0, -1), (80, 50, 37))))
    assert "the change reaches beneath the bed" in deep.faults


def test_walls_are_judged_as_they_are_once_fins_are_broken_off(table: PlannedPart) -> None:
    web = added(block(table, (0, 0, 0), (80, 50, 37)) + block(table, (20, 20, 39), (40, 20.4, 45)))
    beside = [block(table, (20, y, 39), (40, y + 0.5, 45)) for y in (19.5, 20.4)]
    fins = Draft(ChangeKind.FINS, 1, "", tuple(Region("fin", one) for one in beside))
    proof = proof_of(Changed(table, (web, fins)))
    assert proof.faults == ("a wall would be thinner than 0.90\u00a0mm",)
    wall = added(block(table, (0, 0, 0), (80, 50, 37)) + block(table, (20, 20, 39), (40, 22, 45)))
    proof = proof_of(Changed(table, (wall, fins)))
    assert proof.good and proof.smallest_after_mm2 == pytest.approx(8 * 8)


def test_a_hole_that_is_closed_and_a_void_that_is_shut_in(table: PlannedPart) -> None:
    # four legs and a slab: walls between all legs leave a chamber that is open below only
    walls = block(table, (0, 0, 0), (80, 50, 37)) - block(table, (8, 8, -1), (72, 42, 38))
    assert "it would close a hole of the part" not in prove(table, added(walls)).faults
    floor = walls + block(table, (0, 0, 0), (80, 50, 2))
    assert "it would shut in a void" in prove(table, added(floor)).faults
    frame = ground_of(inspect(_as_part(table.solid + block(table, (0, 0, 0), (80, 8, 2))), PROCESS))
    filled = prove(frame, added(block(frame, (0, 0, 0), (80, 8, 37))))
    assert "it would close a hole of the part" in filled.faults


def test_specks_that_a_union_leaves_are_neither_pieces_nor_voids(table: PlannedPart) -> None:
    speck = block(table, (40, 25, 10), (40.01, 25.01, 10.01))
    hole = block(table, (40, 25, 20), (40.01, 25.01, 20.01))
    top = np.isclose(table.part.vertices[table.part.faces][:, :, 2], 40.0).all(axis=1)
    solid = Manifold.compose([speck, block(table, (0, 0, 15), (80, 50, 37)) - hole])
    proof = prove(replace(table, spared=top), added(solid))
    assert not [fault for fault in proof.faults if "loose" in fault or "void" in fault or "spare" in fault]
    assert len(proof.changed.solid.decompose()) == 1


def test_spared_faces_are_found_out_when_covered_or_cut(table: PlannedPart) -> None:
    below = np.isclose(table.part.vertices[table.part.faces][:, :, 2], 36.0).all(axis=1)
    spared = replace(table, spared=below)
    whole = block(table, (0, 0, 0), (80, 50, 37))
    assert prove(table, added(whole)).good
    assert prove(spared, added(whole)).faults == ("37.4\u00a0cm² of the faces to keep would be changed",)
    top = np.isclose(table.part.vertices[table.part.faces][:, :, 2], 40.0).all(axis=1)
    spared = replace(table, spared=top)
    assert prove(spared, added(whole)).good
    cut = prove(spared, removed(block(table, (30, 20, 39.5), (32, 22, 41))))
    assert "4.0\u00a0mm² of the faces to keep would be changed" in cut.faults


def test_a_change_that_grows_the_part_upwards_gets_its_layers(table: PlannedPart) -> None:
    mushroom = block(table, (30, 20, 39), (50, 30, 50)) + block(table, (20, 10, 49), (60, 40, 52))
    proof = prove(table, added(mushroom))
    assert proof.changed.stack.count == 260
    assert proof.new_mm2 == pytest.approx(40 * 30 - 20 * 10, rel=1e-3)


def test_spliced_layers_and_need_are_those_of_the_whole_part_cut_anew(table: PlannedPart) -> None:
    drafts = (
        added(block(table, (0, 0, 10), (30, 50, 37)), ChangeKind.RIBS),
        removed(block(table, (35, 20, 30), (45, 30, 39))),
    )
    proof = proof_of(Changed(table, drafts))
    anew = stack_layers(_as_part(proof.changed.solid), table.stack.z_mm)
    assert np.allclose(anew.areas_mm2, proof.changed.stack.areas_mm2)
    assert np.array_equal(anew.z_mm, proof.changed.stack.z_mm)
    need = need_map(anew, Laws(PROCESS))
    asking = np.array([asks(u, PROCESS) for u in need.undersides])[need.region_underside]
    assert shapely.area(need.regions[asking]).sum() == pytest.approx(proof.left_mm2 + proof.new_mm2, rel=1e-6)


def test_layers_that_are_known_of_the_body_say_the_same(table: PlannedPart) -> None:
    # the slab's top millimetre goes too: the body has five layers fewer than the ground
    changed = Changed(
        table,
        (
            added(block(table, (0, 0, 0), (80, 50, 37))),
            removed(block(table, (-1, -1, 39), (81, 51, 41))),
        ),
    )
    body = stack_layers(
        _as_part(changed.solid), table.stack.z_mm[: int(np.searchsorted(table.stack.z_mm, 39.0)) + 1]
    )
    assert body.count == table.stack.count - 5
    by_sections, by_body = proof_of(changed), proof_of(changed, written(changed, body))
    assert by_sections.faults == by_body.faults == ()
    assert by_body.smallest_after_mm2 == pytest.approx(by_sections.smallest_after_mm2)
    assert outside_mm3(changed, body) == pytest.approx(0.0, abs=1e-6)
    narrower = Changed(table, (added(block(table, (0, 0, 0), (79, 50, 37))), changed.drafts[1]))
    assert outside_mm3(narrower, body) == pytest.approx((50 - 16) * 36.0 * (1 - 0.002), rel=1e-6)


def written(changed: Changed, body: LayerStack) -> Written:
    return Written(_as_part(changed.solid), np.zeros(3), body, need_map(body, Laws(PROCESS)))


def test_what_begins_in_mid_air_is_never_let_pass(table: PlannedPart) -> None:
    speck = block(table, (30, 20, 10), (30.4, 20.4, 37))  # 0.16 mm²: a dab that no nozzle can aim at
    changed = Changed(table, (added(block(table, (0, 0, 20), (80, 50, 37)) + speck),))
    body = stack_layers(_as_part(changed.solid), table.stack.z_mm)
    proof = proof_of(changed, written(changed, body))
    assert any("begin in mid-air at" in fault and "10.0" in fault for fault in proof.faults)


def _as_part(solid: Manifold) -> Part:
    """The solid as a part that is read and placed like any other, where it stands."""
    return Part("by hand", *mesh_of(solid))


def test_every_demo_part_is_a_solid_of_its_own_volume() -> None:
    for name, make in demo_parts().items():
        part = place(make(), bed_mm=(200.0, 200.0))
        ground = ground_of(inspect(part, PROCESS))
        assert ground.solid.volume() == pytest.approx(part.volume_mm3, rel=1e-9), name

"""``redraw`` from end to end: the undersides gone when the whole part is planned again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold

import falsework
from falsework.errors import Cancelled, PartError, ProcessError
from falsework.files.redraw import MESH, PACKAGE, write_redraw
from falsework.part import demo_parts, read_part
from falsework.part.health import healed_part
from falsework.part.part import Health, Part
from falsework.part.placing import turn_matrix
from falsework.part.raw import RawMesh
from falsework.planning import plan
from falsework.redrawing import ChangeKind, Redraw, Scope, redraw
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.pricing import USUAL_HANDS
from falsework.redrawing.printed import printed_of
from falsework.redrawing.treating import to_treat
from falsework.report.redraw import notes, row, verdict
from falsework.request.marks import MarkedFaces
from falsework.support.choosing import chosen_option
from falsework.watch import Watch


@pytest.fixture(scope="module")
def block() -> Redraw:
    """The pulley block, turned a little about z, without a comparison with other lies."""
    part = demo_parts()["pulley block"]()
    return redraw(part, turn_deg=(0.0, 0.0, 20.0), split=False, other_lies=False, kinds=_FEW)


_FEW = (ChangeKind.CORBEL, ChangeKind.ROOF)


def test_the_replanned_part_shows_every_treated_underside_gone(block: Redraw) -> None:
    combined = block.combined
    assert combined is not None and len(combined.undersides) >= 4
    assert combined.gone == combined.undersides
    assert combined.after.undersides < block.before.undersides
    assert combined.after.price < block.before.price
    assert block.best == "redraw"


def test_every_underside_says_what_was_done_or_why_nothing(block: Redraw) -> None:
    prices = [t.price for t in block.treated]
    assert prices == sorted(prices, reverse=True)
    for treated in block.treated:
        assert {c.kind for c in treated.changes} | {d.kind for d in treated.declined} == set(_FEW)
        assert all(d.why for d in treated.declined)
        proven = [c.proven for c in treated.changes]
        assert proven == sorted(proven, reverse=True)
        assert (treated.change is not None) == treated.outcome.startswith(str(treated.chosen))
    assert "does not certify" in block.notes[0]


def test_the_output_is_closed_by_an_independent_library_and_the_same_elsewhere(block: Redraw) -> None:
    assert block.geometry is not None and block.combined is not None
    redrawn, placed = block.geometry.redrawn, block.geometry.placed
    assert redrawn is not None
    mesh = trimesh.Trimesh(redrawn.vertices, redrawn.faces, process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert block.combined.closed
    change = block.combined.added_mm3 - block.combined.removed_mm3
    assert mesh.volume == pytest.approx(placed.volume_mm3 + change, rel=1e-6)
    assert block.combined.outside_share < 1e-4


def test_regions_are_closed_solids_in_the_frame_of_the_files(block: Redraw) -> None:
    assert block.geometry is not None
    placement = block.geometry.placement
    own = demo_parts()["pulley block"]()
    there = own.vertices @ turn_matrix((0.0, 0.0, 20.0)).T
    assert np.allclose(placement.filed(block.geometry.placed.vertices), there, atol=1e-9)
    assert "turned as it is to be printed" in placement.words
    for treated in block.treated:
        if treated.change is None:
            continue
        for region in treated.change.regions:
            assert region.solid is not None
            corners = placement.filed(mesh_of(region.solid)[0])
            assert (corners.min(axis=0) > there.min(axis=0) - 10.0).all()
            assert (corners.max(axis=0) < there.max(axis=0) + 10.0).all()
            assert trimesh.Trimesh(*mesh_of(region.solid), process=False).is_watertight


def test_it_is_a_value_that_can_be_written_and_read_back(block: Redraw) -> None:
    text = block.to_json()
    again = Redraw.from_json(text)
    assert again == block
    assert again.to_json() == text
    assert '"schema": "falsework.redraw/2"' in text


def test_spared_faces_by_the_name_of_a_candidate_stay_as_they_are() -> None:
    part = demo_parts()["pulley block"]()
    spare = MarkedFaces(face_sets=("bore 1",))
    spared = redraw(part, spare=spare, split=False, other_lies=False, kinds=_FEW)
    assert spared.spared == ("bore 1, " + spared.candidates[0].words,)
    assert spared.spared_mm2 == pytest.approx(spared.candidates[0].area_mm2)
    assert spared.geometry is not None and spared.geometry.redrawn is not None
    redrawn, placed = (
        spared.geometry.redrawn,
        spared.geometry.placement.filed(spared.geometry.placed.vertices),
    )
    # every corner of the bore is still a corner of the surface, and its area is all there
    bore = placed[np.unique(spared.geometry.placed.faces[list(spared.candidates[0].faces)])]
    apart = np.abs(bore[:, None] - redrawn.vertices[None]).max(axis=2).min(axis=1)
    assert apart.max() < 0.01
    kept = redrawn.faces[redrawn.face_sets["bore 1"]]
    area = trimesh.Trimesh(redrawn.vertices, kept, process=False).area
    assert area == pytest.approx(spared.spared_mm2, rel=1e-6)


def test_chosen_kinds_and_undersides_alone_are_treated(block: Redraw) -> None:
    part = demo_parts()["pulley block"]()
    number = block.treated[-1].underside.number
    few = redraw(part, undersides=[number], kinds=["corbel"], split=False, other_lies=False)
    assert [t.underside.number for t in few.treated] == [number]
    assert {c.kind for c in few.treated[0].changes} <= {ChangeKind.CORBEL}


def test_both_ends_of_a_part_that_mirrors_itself_are_treated_alike() -> None:
    post = Manifold.cube((10, 10, 20), True) + Manifold.cube((34, 10, 4), True).translate((0, 0, 8))
    planned = plan(Part("post", *mesh_of(post)), release=False)
    one, other = (chosen_option(choice).price.total for choice in planned.choices)
    assert one == pytest.approx(other)

    def treated(looks: float) -> list[int]:
        """Undersides by number, where a look costs so many times what one of them does."""
        weights = replace(planned.weights, hands_per_hour=looks * one * 60.0 / USUAL_HANDS.look_min)
        chosen, left = to_treat(replace(planned, weights=weights), Scope())
        assert len(chosen) + len(left) == 2
        return sorted(choice.underside for choice in chosen)

    assert treated(0.5) == treated(1.5) == [1, 2] and treated(2.5) == []


def test_a_table_is_better_turned_over() -> None:
    ribs = {1: ChangeKind.RIBS}  # they stand on the bed: nothing that is proposed unasked
    found = falsework.redraw(demo_parts()["table"](), kinds=[ChangeKind.RIBS], change=ribs, split=False)
    assert found.lie is not None and found.lie.needs_no_support
    assert found.lie.turn_deg[0] % 360.0 == pytest.approx(180.0)
    assert found.best == "another position"
    assert found.combined is not None and found.combined.gone == (1,)
    # each is what a plan of it says, the hands that take supports off and all
    as_it_is, turned = (
        plan(demo_parts()["table"]()),
        plan(demo_parts()["table"](), turn_deg=found.lie.turn_deg),
    )
    assert (
        found.before.price == as_it_is.price.total != plan(demo_parts()["table"](), release=False).price.total
    )
    assert found.lie.printed.price == turned.price.total
    # ribs save most of the support, turning it over saves all
    assert found.lie.printed.price < found.combined.after.price < found.before.price


def test_refusals_are_clear() -> None:
    part = demo_parts()["table"]()
    with pytest.raises(PartError, match=r"underside 7.*2? ?undersides?"):
        redraw(part, undersides=[7], split=False, other_lies=False)
    with pytest.raises(ProcessError, match="Known: corbel"):
        redraw(part, kinds=["glue"], split=False, other_lies=False)
    with pytest.raises(PartError, match="bore 9"):
        redraw(part, spare=MarkedFaces(face_sets=("bore 9",)), split=False, other_lies=False)
    open_box = Part("tray", part.vertices, part.faces[:-1], Health(closed=False))
    with pytest.raises(PartError, match="open"):
        redraw(open_box, split=False, other_lies=False)


def test_it_tells_how_far_it_is_and_can_be_stopped() -> None:
    seen: list[float] = []
    part = demo_parts()["table"]()
    watch = Watch(tell=lambda step, fraction: seen.append(fraction))
    redraw(part, kinds=["ribs"], split=False, other_lies=False, watch=watch)
    assert seen == sorted(seen) and seen[-1] == 1.0
    with pytest.raises(Cancelled):
        redraw(part, watch=Watch(stop=lambda: len(seen) > 0))


def test_the_files_hold_what_was_proved_scaled_and_turned(tmp_path: Path) -> None:
    arm = Manifold.cube((30, 30, 80)) + Manifold.cube((30, 90, 30)).translate((0, 0, 50))
    part, turn = Part("arm", *mesh_of(arm)), (0.0, 0.0, 30.0)
    found = redraw(part, kinds=_FEW, split=False, other_lies=False, turn_deg=turn, scale=0.5)
    assert found.combined is not None and found.geometry is not None and found.geometry.redrawn is not None
    write_redraw(found, tmp_path / "out")
    for name in (MESH, PACKAGE):
        again = read_part(tmp_path / "out" / name, unit="mm")
        assert again.health.closed and again.health.self_intersections == 0
        assert printed_of(plan(again)).price == pytest.approx(found.combined.after.price, abs=1e-3)
    assert again.size_mm == pytest.approx(found.geometry.redrawn.size_mm)
    assert np.allclose(
        again.bounds_mm, 0.5 * Part("", part.vertices @ turn_matrix(turn).T, part.faces).bounds_mm
    )
    # an arm of 15 × 30 beyond the post: a chamfer whose legs are these, in the frame of the files
    (treated,) = found.treated
    (chamfer,) = [line for line in treated.changes[0].dimensions if line.startswith("chamfer")]
    assert "legs 30.00 mm under the ceiling" in chamfer and "(-7.50, 12.99, 25.00)" in chamfer


def test_what_would_spoil_the_function_is_made_only_when_asked_for() -> None:
    bay = Manifold.cube((44, 30, 30)) - Manifold.cube((36, 40, 26)).translate((4, -5, 0))
    part = Part("bay", *mesh_of(bay))
    few = {"split": False, "other_lies": False, "kinds": ["ribs", "corbel"]}
    found = redraw(part, **few)
    assert [c.sort for c in found.candidates if c.sort == "slot"] == ["slot"]
    (treated,) = found.treated
    assert found.combined is None and treated.change is None
    assert any("slot 1" in words for r in treated.declined for words in r.harms)
    assert not treated.changes  # what spoils something is drawn and proved only when it is asked for
    assert all(r.most_price is not None and r.most_price <= treated.price for r in treated.declined)
    assert treated.outcome.endswith("only on request")
    assert any("made only when asked for" in line for line in verdict(found))
    asked = redraw(part, change={1: "ribs"}, **few)
    assert asked.combined is not None and asked.treated[0].chosen is ChangeKind.RIBS
    assert any("slot 1" in words for c in asked.treated[0].changes for words in c.touches)
    assert redraw(part, change={1: "leave"}, **few).combined is None
    with pytest.raises(PartError, match="membrane for underside 1: it does not hold"):
        redraw(part, change={1: "membrane"}, **few)


def test_a_closed_void_is_one_body_and_gets_a_lid_and_no_fins() -> None:
    shell = Manifold.cube((50, 40, 40)) - Manifold.cube((42, 32, 32)).translate((4, 4, 4))
    part = Part("shell", *mesh_of(shell), Health(bodies=2))
    with pytest.raises(PartError, match="in a closed void, where nobody can take it out"):
        redraw(part, change={1: "drawn-in fins"}, other_lies=False, split=False)
    found = redraw(part, kinds=["crossed steps"], other_lies=False)
    assert found.splits is not None and found.splits.options
    assert found.splits.options[0].needs_no_support
    assert any("Cut level at z = 36.00" in option.words for option in found.splits.options)


def test_where_the_user_wants_no_change_of_a_face_beneath_nothing_is_done() -> None:
    part = demo_parts()["table"]()
    below = MarkedFaces(directions=((0.0, 0.0, -1.0),))
    found = redraw(part, spare=below, kinds=["ribs", "corbel"], split=False, other_lies=False)
    assert found.combined is None
    (treated,) = found.treated
    assert treated.chosen is None and treated.outcome.startswith("left: ")
    assert all(not c.proven for c in treated.changes)


def shelf() -> Part:
    """An arm of 15 × 20 beyond a post: a corbel beneath it saves nearly all that its support costs."""
    solid = Manifold.cube((10, 20, 20)) + Manifold.cube((25, 20, 4)).translate((0, 0, 20))
    return Part("shelf", *mesh_of(solid))


def test_what_cannot_win_is_not_tried_unless_it_is_asked_for() -> None:
    (row,) = redraw(shelf(), split=False, other_lies=False).treated
    assert row.chosen is ChangeKind.CORBEL and row.change is not None
    left = {refusal.kind: refusal.why for refusal in row.declined}
    assert left[ChangeKind.FINS].startswith("not tried: corbel saves")
    asked = redraw(shelf(), split=False, other_lies=False, change={1: ChangeKind.FINS})
    assert asked.treated[0].chosen is ChangeKind.FINS


def test_another_position_is_planned_only_where_it_may_be_the_cheapest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    turned = redraw(shelf(), split=False)
    assert turned.lie is not None and turned.lie.needs_no_support  # upside down
    assert turned.combined is not None and turned.lie.printed.price <= 1.02 * turned.combined.price
    monkeypatch.setattr("falsework.redrawing.comparing.LEAST_OF_COLUMNS", 1e9)
    stood = redraw(shelf(), split=False, turn_deg=(180.0, 0.0, 0.0))
    assert stood.lie is None and stood.best == "as it is"


def _loop_through_itself() -> Part:
    """A tube in the shape of an eight, one shell that passes through itself."""
    along, around = (np.linspace(0.0, 2.0 * np.pi, n, endpoint=False) for n in (24, 8))
    path = np.column_stack([10 * np.sin(along), 10 * np.sin(along) * np.cos(along), 6 + 0 * along])
    way = np.roll(path, -1, axis=0) - np.roll(path, 1, axis=0)
    side = np.cross(way / np.linalg.norm(way, axis=1)[:, None], [0.0, 0.0, 1.0])
    ring = np.cos(around)[None, :, None] * side[:, None] + np.sin(around)[None, :, None] * [0.0, 0.0, 1.0]
    i, j = np.divmod(np.arange(24 * 8), 8)
    a, b = 8 * i + j, 8 * i + (j + 1) % 8
    c, d = 8 * ((i + 1) % 24) + j, 8 * ((i + 1) % 24) + (j + 1) % 8
    faces = np.concatenate([np.column_stack([a, c, d]), np.column_stack([a, d, b])]).astype(np.int32)
    return Part("loop", (path[:, None] + 2.5 * ring).reshape(-1, 3), faces)


def _all_thread() -> Part:
    """Three starts on a rod that lies on the bed."""
    angle = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)
    ring = (3.0 + 0.6 * np.cos(3 * angle))[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    rod = Manifold.extrude(CrossSection([ring]), 12.0, 24, 720.0).rotate((90, 0, 0))
    return Part("thread", *mesh_of(rod))


def _thin_hood() -> Part:
    """Walls of 0.3 mm: half of what a strand is wide."""
    wall = Manifold.cube((12, 0.3, 12)) + Manifold.cube((12, 12, 0.3)).translate((0, 0, 12))
    return Part("hood", *mesh_of(wall))


def _assembly() -> Part:
    """A base and an arm over it that touch nowhere."""
    base, arm = Manifold.cube((12, 12, 4)), Manifold.cube((24, 6, 4)).translate((4, 3, 10))
    return Part("assembly", *mesh_of(Manifold.compose([base, arm])), Health(bodies=2))


def read_as(part: Part) -> Part:
    """The part with the health that a reader finds."""
    raw = RawMesh(part.vertices, part.faces, np.zeros(len(part.faces), np.int32), (part.name,), "mm")
    return healed_part(part.name, raw, subject=part.name)


def test_what_looks_grown_is_listed_with_what_it_harms_and_made_only_when_asked_for() -> None:
    solid = Manifold.cube((6, 10, 34)) + Manifold.cube((50, 10, 4)).translate((0, 0, 30))
    knob = Part("knob", *mesh_of(solid + Manifold.cube((4, 4, 10)).translate((40, 3, 24))))
    told = {"kinds": ["corbel"], "split": False, "other_lies": False}
    found = redraw(knob, **told)
    island = next(t for t in found.treated if str(t.underside.kind) == "island")
    assert island.chosen is None and "from which legs would grow" in island.outcome
    (line,) = [one for one in row(island).menu if one.kind == "corbel"]
    assert line.state == "on request" and line.harms
    asked = redraw(knob, change={island.underside.number: "corbel"}, **told)
    made = next(t for t in asked.treated if t.underside.number == island.underside.number)
    assert made.chosen is ChangeKind.CORBEL


def test_walls_that_are_no_walls_and_faces_that_cross_are_told_first() -> None:
    hood = redraw(_thin_hood(), split=False, other_lies=False)
    assert verdict(hood)[0].startswith("Draw its walls thicker before anything else. About ")
    loop = redraw(read_as(_loop_through_itself()), split=False, other_lies=False)
    assert any(note.startswith("As it came: ") and "cross" in note for note in notes(loop))


@pytest.mark.parametrize("odd", [_loop_through_itself, _all_thread, _thin_hood, _assembly])
def test_odd_solids_get_an_answer(odd) -> None:
    found = redraw(odd(), split=False, other_lies=False)
    assert found.best in ("as it is", "redraw") and found.why
    assert all(t.chosen is not None or t.outcome.startswith("left: ") for t in found.treated)
    if found.combined is not None:
        assert found.combined.closed and found.combined.gone == found.combined.undersides

"""Faces that no support may touch: exact where boxes are, and never touched whatever the part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.part import read_part
from falsework.part.part import Part
from falsework.planning import plan, totals
from falsework.process.settings import Process, Structure
from falsework.release import what_to_change
from falsework.request.context import Context
from falsework.request.marks import MarkedFaces
from falsework.request.standing import Standing
from falsework.request.store import Store
from falsework.support.bulk import section_tolerance_mm
from falsework.support.sparing import footprints
from falsework.wording.figures import plain
from solids import ball_of_squares, blocks

DATA = Path(__file__).parents[1] / "data"
PLAIN = Process(structure=Structure(form="curtain", foot_widening_mm=0.0))
CLEARANCE_MM = PLAIN.structure.side_gap_mm + section_tolerance_mm(PLAIN)
UP, DOWN = MarkedFaces(((0.0, 0.0, 1.0),)), MarkedFaces(((0.0, 0.0, -1.0),))
MARKED = MarkedFaces(face_sets=("marked",))


def where(part: Part, height_mm: float, low_x: float, high_x: float) -> np.ndarray:
    """Level faces at a height within a range of x."""
    corners = part.vertices[part.faces]
    x = corners[:, :, 0]
    level = (np.abs(corners[:, :, 2] - height_mm) < 1e-9).all(axis=1)
    return level & (x.min(axis=1) > low_x - 1e-9) & (x.max(axis=1) < high_x + 1e-9)


def brushed(part: Part, faces: np.ndarray) -> Part:
    assert faces.any()
    return part.with_face_set("marked", faces)


ROOM = blocks(  # a floor of 2 mm and a ceiling at 20 mm between two walls 30 mm apart, 20 mm deep
    ((40, 20, 2), (0, 0, 0)), ((5, 20, 22), (0, 0, 0)), ((5, 20, 22), (35, 0, 0)), ((40, 20, 3), (0, 0, 20))
)


def regions(made):
    """(L,) everything that is support."""
    scheme = made.geometry.scheme
    return shapely.union_all([scheme.body, scheme.cap, scheme.sole, scheme.foot], axis=0, grid_size=1e-6)


def planned(part: Part, spare=None, standing="bed-or-part", process=PLAIN, **other):
    return plan(part, process, standing=standing, spare=spare, release=False, **other)


def test_no_column_stands_on_a_marked_floor():
    free = planned(ROOM)
    assert shapely.area(regions(free)).max() == pytest.approx((30 - 2 * CLEARANCE_MM) * 20, rel=1e-4)
    made = planned(ROOM, UP)
    assert made.pieces == () and shapely.area(regions(made)).max() == 0.0
    (choice,) = made.choices
    none, bed, anywhere = choice.options
    assert choice.chosen is Standing.LEAVE and "would touch faces supports must not touch" in choice.why
    assert anywhere.contact_mm2 == anywhere.scar_mm2 == anywhere.cost.volume_mm3 == 0.0
    assert none.left_mm2 == bed.left_mm2 == anywhere.left_mm2 == pytest.approx(600, rel=0.01)
    assert made.warnings[0].text.startswith(
        "underside 1: support beneath would touch faces supports must not touch; left, it sags"
    )


@pytest.mark.parametrize("edge", [15.0, 20.0])
def test_on_a_half_marked_floor_support_stands_on_the_other_half(edge):
    """It keeps the side clearance from the mark; the price knows that half a column is half the plastic."""
    part = brushed(ROOM, where(ROOM, 2.0, edge, 35.0))
    made = planned(part, MARKED)
    corner = made.geometry.part.vertices[:, 0].min()
    support = regions(made)
    built = np.flatnonzero(shapely.area(support) > 0)
    assert len(built) > 80
    low, _, high, _ = shapely.bounds(support[built]).T - corner
    np.testing.assert_allclose(low, 5 + CLEARANCE_MM, atol=0.021)
    np.testing.assert_allclose(high, edge - CLEARANCE_MM, atol=0.021)
    np.testing.assert_allclose(shapely.area(support[built]), (edge - 5 - 2 * CLEARANCE_MM) * 20, rtol=0.003)
    (piece,) = made.pieces
    assert piece.scar_mm2 == pytest.approx((edge - 5 - 2 * CLEARANCE_MM) * 20, rel=0.003)

    option, whole = made.choices[0].options[2], planned(ROOM).choices[0].options[2]
    share = (edge - 5) / 30
    assert option.contact_mm2 == pytest.approx(600 * share, rel=0.01)
    assert option.left_mm2 == pytest.approx(600 * (1 - share), rel=0.02)
    assert option.cost.volume_mm3 == pytest.approx(whole.cost.volume_mm3 * share, rel=0.02)
    said = [w for w in made.warnings if "its support would touch faces supports must not touch" in w.text]
    assert len(said) == 1 and f"{100 * (1 - share):.0f} % of it" in plain(said[0].text)
    assert "for the sake of faces supports must not touch" in made.choices[0].why


def test_a_marked_ceiling_is_left_unless_the_user_says_otherwise():
    made = planned(ROOM, DOWN)
    assert made.pieces == () and made.sparing.whole == (1,)
    assert "it lies on faces supports must not touch" in made.choices[0].why
    assert made.warnings[0].text.startswith("underside 1 lies on faces supports must not touch and is left")
    free = planned(ROOM)
    assert made.choices[0].options == free.choices[0].options  # what overruling would take
    by_name = {row.name: row for row in made.alternatives}
    assert by_name["bed-or-part"] == replace(by_name["leave"], name="bed-or-part")

    ruled = planned(ROOM, DOWN, overrules={1: Standing.BED_OR_PART})
    assert ruled.choices[0].why.startswith("by your own choice, although it lies on faces supports must not")
    assert "carried all the same, by your own choice" in ruled.warnings[0].text
    assert ruled.pieces == free.pieces
    both = MarkedFaces((*UP.directions, *DOWN.directions))
    assert planned(ROOM, both, overrules={1: Standing.BED_OR_PART}).pieces == ()  # but nothing stands on one


def test_of_a_partly_marked_ceiling_the_rest_is_carried():
    """A strip of 5 mm from wall to wall: support on either side of it, with clearance."""
    part = brushed(ROOM, where(ROOM, 20.0, 20.0, 25.0))
    made = planned(part, MARKED)
    (mine,) = made.sparing.undersides
    assert (mine.number, mine.whole, mine.landing_mm2) == (1, False, 0.0)
    assert mine.own_mm2 == pytest.approx(100, rel=0.03)
    assert made.sparing.area_mm2 == pytest.approx(100.0)
    corner = made.geometry.part.vertices[:, 0].min()
    support = [r for r in regions(made) if r.area]
    for region in support:
        spans = sorted((p.bounds[0] - corner, p.bounds[2] - corner) for p in shapely.get_parts(region))
        expected = [(5 + CLEARANCE_MM, 20 - CLEARANCE_MM), (25 + CLEARANCE_MM, 35 - CLEARANCE_MM)]
        np.testing.assert_allclose(spans, expected, atol=0.021)
    option = made.choices[0].options[2]
    assert option.left_mm2 == pytest.approx(100, rel=0.03)
    assert option.contact_mm2 == pytest.approx(500, rel=0.01)
    # an overrule carries the rest, too, and no more: both wishes are kept
    ruled = planned(part, MARKED, standing="leave", overrules={1: Standing.BED_OR_PART})
    assert ruled.pieces == made.pieces


def test_walls_that_are_marked_change_nothing():
    """The side clearance keeps off them already."""
    assert planned(ROOM, MarkedFaces(((1.0, 0.0, 0.0), (-1.0, 0.0, 0.0)))).pieces == planned(ROOM).pieces


def test_directions_are_those_of_the_part_in_its_file():
    """Turned upside down, the ceiling becomes the floor."""
    free = planned(ROOM, turn_deg=(180.0, 0.0, 0.0))
    assert free.pieces
    assert planned(ROOM, DOWN, turn_deg=(180.0, 0.0, 0.0)).pieces == ()
    assert planned(ROOM, UP, turn_deg=(180.0, 0.0, 0.0)).sparing.whole == (1,)


def test_from_the_bed_a_marked_floor_does_not_matter():
    wing = blocks(((10, 20, 20), (0, 0, 0)), ((40, 20, 3), (0, 0, 20)), ((16, 20, 2), (0, 0, 0)))
    free, made = planned(wing, standing="bed"), planned(wing, UP, standing="bed")
    assert made.choices[0].chosen is Standing.BED and made.choices[0].options[1] == free.choices[0].options[1]
    support, before = regions(made), regions(free)
    for mine, other in zip(support, before, strict=True):
        assert mine.difference(other).area < 1e-6
    assert not any("would touch" in w.text for w in made.warnings)


def test_totals_say_what_the_plan_says_and_the_store_keeps_them_apart():
    store = Store()
    half = brushed(ROOM, where(ROOM, 2.0, 20.0, 35.0))
    others = brushed(ROOM, where(ROOM, 2.0, 5.0, 20.0))
    parts = [(ROOM, None), (half, MARKED), (others, MARKED), (ROOM, UP), (ROOM, None)]
    for part, spare in parts:
        fresh = planned(part, spare)
        kept = planned(part, spare, store=store)
        assert kept.to_json() == fresh.to_json()
        told = totals(part, PLAIN, standing="bed-or-part", spare=spare, store=store)
        assert told.choices[0].options == fresh.choices[0].options
        assert told.sparing == fresh.sparing


def test_nothing_changes_where_nothing_is_marked():
    plain, spared = planned(ROOM), planned(ROOM, MarkedFaces())
    assert plain.to_json() == spared.to_json() and spared.sparing is None
    assert plain.geometry.scheme.vertices.tobytes() == spared.geometry.scheme.vertices.tobytes()


def test_what_to_change_touches_none_either():
    """Every change that is tried keeps off: the cavity's ceiling, marked, is carried by none of them."""
    made = plan(brushed(ROOM, where(ROOM, 2.0, 20.0, 35.0)), PLAIN, standing="bed-or-part", spare=MARKED)
    at_hand, tried = made.geometry, []
    import falsework.release.remedies as remedies

    build = remedies.build_scheme

    def watched(stack, need, standings, process, *, spared):
        scheme = build(stack, need, standings, process, spared=spared)
        tried.append((spared, scheme))
        return scheme

    failing = [replace(piece, tears=True) for piece in made.release.pieces]
    release = replace(made.release, pieces=tuple(failing))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(remedies, "build_scheme", watched)
        what_to_change(
            at_hand,
            PLAIN,
            [choice.chosen for choice in made.choices],
            release,
            Context(),
            turns_deg=((180.0, 0.0, 0.0),),
        )
    assert len(tried) > 1 and all(spared is not None for spared, _ in tried)
    assert any(len(spared.whole) and spared.share.max() > 0.3 for spared, _ in tried)  # turned: a ceiling


def test_footprints_of_a_slope_are_its_strips():
    """A square of 10 mm rising to 5 mm: between the middles of layers of 1 mm lie strips of 2 mm."""
    corners = np.array([[[0, 0, 0], [10, 0, 5], [10, 10, 5]], [[0, 0, 0], [10, 10, 5], [0, 10, 0]]], float)
    seen = footprints(corners, np.arange(8) + 0.5)
    expected = [20.0, 20.0, 20.0, 20.0, 10.0, 0.0, 0.0, 0.0]
    np.testing.assert_allclose(shapely.area(seen), expected, atol=1e-3)
    np.testing.assert_allclose(shapely.bounds(seen[:2])[:, 0], [1.0, 3.0], atol=1e-5)


@pytest.mark.parametrize("seed", range(2))
def test_footprints_of_a_ball_are_rings(seed):
    """However it is turned: in each slab a ring above and one beneath, polygons of facets within 1 %."""
    radius = 10.0
    vertices, faces = ball_of_squares(radius, 60)
    turn = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]
    corners = ((vertices - [0.0, 0.0, radius]) @ turn + [0.0, 0.0, radius])[faces]
    middles = np.arange(100) * 0.2 + 0.1
    seen = footprints(corners, middles)
    assert shapely.is_valid(seen).all()
    square = radius**2 - (middles - radius) ** 2
    expected = np.pi * np.abs(np.diff(square))
    apart = np.abs(middles[:-1] + 0.1 - radius) > 1.0  # near the equator facets cross many slabs
    np.testing.assert_allclose(shapely.area(seen)[:-1][apart], expected[apart], rtol=0.02)


def test_a_level_face_at_the_middle_of_a_layer_counts_on_either_side():
    corners = np.array([[[0, 0, 2.5], [4, 0, 2.5], [0, 4, 2.5]]], float)
    assert shapely.area(footprints(corners, np.arange(6) + 0.5)).tolist() == [0.0, 8.0, 8.0, 0.0, 0.0, 0.0]


_BLOCK = st.tuples(
    st.integers(0, 24), st.integers(0, 16), st.integers(0, 8), st.integers(3, 14), st.integers(3, 12),
    st.integers(1, 4),
)  # fmt: skip


def surfaces(part: Part, points, upwards: bool):
    """(n,) face that each point meets first straight above or beneath it, and how far off; by every face."""
    a, b, c = (part.vertices[part.faces[:, k]] for k in range(3))
    first, second = (b - a)[:, :2], (c - a)[:, :2]
    doubled = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    level = np.abs(doubled) > 1e-9
    doubled[~level] = 1.0
    away = points[:, None, :2] - a[None, :, :2]
    u = (away[..., 0] * second[:, 1] - away[..., 1] * second[:, 0]) / doubled
    v = (first[:, 0] * away[..., 1] - first[:, 1] * away[..., 0]) / doubled
    z = a[:, 2] + u * (b - a)[:, 2] + v * (c - a)[:, 2]
    off = (z - points[:, None, 2]) * (1.0 if upwards else -1.0)
    off = np.where(level & (u >= 0) & (v >= 0) & (u + v <= 1) & (off > -1e-9), off, np.inf)
    nearest = off.argmin(axis=1)
    return nearest, off[np.arange(len(points)), nearest]


def touched(made, marked: np.ndarray) -> int:
    """How many of a plan's strands stand on marked faces or are the last beneath one, by rays."""
    at_hand = made.geometry
    strands, placed = at_hand.scheme.strands, at_hand.part
    ends = strands.ends_mm
    middles = np.column_stack([(ends[:, :2] + ends[:, 2:]) / 2, at_hand.stack.middles_mm[strands.layer]])
    middles = middles[:: max(1, len(ends) // 800)]
    beneath, drop = surfaces(placed, middles, upwards=False)
    above, rise = surfaces(placed, middles, upwards=True)
    gap_mm = at_hand.scheme.gap.realised_mm + 1.5 * made.process.layer_height_mm
    return int(marked[beneath[np.isfinite(drop)]].sum() + marked[above[rise < gap_mm]].sum())


@settings(max_examples=8, deadline=None)
@given(
    st.lists(_BLOCK, min_size=1, max_size=4),
    st.integers(0, 2**32 - 1),
    st.floats(0.1, 0.7),
    st.sampled_from(["bed-or-part", "bed", "auto"]),
)
def test_no_support_stands_on_a_marked_face_or_carries_one(boxes, seed, share, standing):
    """By rays through the middle of every strand, against the triangles themselves."""
    part = blocks(
        ((6, 6, 20), (9, 6, 0)), *(((w, d, 2 * h), (x - 6, y - 6, 2 * z)) for x, y, z, w, d, h in boxes)
    )
    marked = np.random.default_rng(seed).random(len(part.faces)) < share
    made = planned(brushed(part, marked), MARKED, standing=standing)
    assert made.sparing.area_mm2 > 0
    assert not len(made.pieces) or touched(made, marked) == 0


def test_a_real_part_with_one_side_of_its_inside_marked():
    """Supports on that side go, those on the other stay; what comes off and what it costs agree with it."""
    part = read_part(DATA / "so101_webcam_mount.stl")
    corners = part.vertices[part.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    up = normals[:, 2] > 0.3 * np.linalg.norm(normals, axis=1)
    middle = part.vertices[:, 0].min() + 0.5 * part.size_mm[0]
    marked = up & (corners[:, :, 0].max(axis=1) < middle)
    free = planned(part, process=Process())
    made = plan(brushed(part, marked), Process(), standing="bed-or-part", spare=MARKED)
    assert touched(free, marked) > 10 and touched(made, marked) == 0

    centre = made.geometry.part.bounds_mm[:, 0].mean()

    def scars(plan_made, side):
        strands = plan_made.geometry.scheme.strands
        x = np.bincount(strands.piece, strands.ends_mm[:, ::2].mean(axis=1)) / np.bincount(strands.piece)
        return sum(p.scar_mm2 for p, at in zip(plan_made.pieces, x, strict=True) if side * (at - centre) > 2)

    assert scars(free, -1) > 10 and scars(made, -1) < 0.3 * scars(free, -1)
    assert scars(made, 1) == pytest.approx(scars(free, 1), rel=0.05)
    assert {piece.number for piece in made.release.pieces} == {piece.number for piece in made.pieces}
    assert made.support_cost.volume_mm3 == pytest.approx(sum(p.cost.volume_mm3 for p in made.pieces))
    before, after = (row for m in (free, made) for row in m.alternatives if row.name == "chosen")
    assert after.contact_mm2 < before.contact_mm2 and after.left_mm2 > before.left_mm2
    assert sum(p.contact_mm2 for p in made.pieces) < 1.05 * after.contact_mm2
    assert made.sparing.undersides and all(u.landing_mm2 + u.own_mm2 > 0 for u in made.sparing.undersides)

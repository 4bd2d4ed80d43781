"""The rules of release one by one: what becomes of a piece, what stays, which ways count, what is tried."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace as Made

import numpy as np
import pytest

from falsework.droop.estimate import Estimate
from falsework.errors import ProcessError
from falsework.release import ReleaseState, breaking, judge, pulling, remedies
from falsework.release.bodies import BodyMesh, surface_points, window_of
from falsework.release.order import Exit, blockers_of, peeled, staying
from falsework.release.pulling import Screen
from falsework.release.value import FINGERS, PICK, Pulls, Tool
from falsework.request.context import Context
from falsework.request.standing import Standing
from falsework.support.scheme import SupportStrands
from falsework.watch import QUIET, Watch
from falsework.wording.figures import plain
from release.scenes import PLA, arrays, box, piece
from stacks import underside

UP, DOWN, ASIDE = np.array([0.0, 0, 1.0]), np.array([0.0, 0, -1.0]), np.array([1.0, 0, 0])
STATE = ReleaseState


def about(value: float) -> Estimate:
    return Estimate(value, value, value)


@pytest.mark.parametrize(
    ("pliers", "fingers", "pick", "whole", "breaks", "bond_n", "state"),
    [
        (0.5, 0.5, 0.5, True, False, 20.0, STATE.BY_HAND),
        (0.0, 0.005, 0.0, True, False, 20.0, STATE.BY_HAND),  # two points of 400
        (0.5, 0.5, 0.5, True, False, 21.0, STATE.BY_TOOL),
        (0.5, 0.004, 0.5, True, False, 5.0, STATE.BY_TOOL),
        (0.0, 0.5, 0.0, True, False, 150.0, STATE.BY_TOOL),
        (0.5, 0.5, 0.5, True, False, 151.0, STATE.DIG),
        (0.5, 0.5, 0.5, True, True, 151.0, STATE.BREAK),
        (0.004, 0.004, 0.5, True, False, 5.0, STATE.DIG),
        (0.0, 0.0, 0.0, True, False, 5.0, STATE.DIG),
        (0.5, 0.5, 0.5, False, True, 5.0, STATE.BREAK),
        (0.5, 0.5, 0.005, False, False, 5.0, STATE.DIG),
        (0.0, 0.0, 0.004, False, True, 5.0, STATE.TRAPPED),
    ],
)
def test_what_becomes_of_a_piece(pliers, fingers, pick, whole, breaks, bond_n, state) -> None:
    touched = np.array([[0.9], [0.9], [0.9]]) * 0 + np.array([[pliers], [fingers], [pick]])
    assert judge._state(0, touched, False, whole, breaks, about(bond_n)) is state
    assert judge._state(0, touched, True, whole, breaks, about(bond_n)) is STATE.STAYS


@pytest.mark.parametrize(
    ("foot", "scar", "bond", "hold", "blocked", "clear", "stays"),
    [
        (5.0, 0.0, 1.0, 2.0, 0.0, True, True),
        (0.0, 0.0, 1.0, 2.0, 0.0, True, False),  # not on the bed
        (5.0, 0.1, 1.0, 2.0, 0.0, True, False),  # on the part too
        (5.0, 0.0, 2.0, 2.0, 0.0, True, False),  # the part holds it as well as the bed
        (5.0, 0.0, 1.0, 2.0, 0.1, True, False),  # the part seems to reach beneath it
        (5.0, 0.0, 1.0, 2.0, 0.09, True, True),
        (5.0, 0.0, 1.0, 2.0, 0.0, False, False),
    ],
)
def test_what_stays_when_the_part_is_lifted(
    monkeypatch, foot, scar, bond, hold, blocked, clear, stays
) -> None:
    monkeypatch.setattr(judge, "confirmed", lambda *how: clear)
    monkeypatch.setattr(judge, "blockers_of", lambda *how: frozenset())
    screen = Made(blocked=np.array([[0.0], [blocked], [0.0]]), even=1)
    scheme = Made(pieces=(Made(foot_mm2=foot, scar_mm2=scar),))
    found = judge._staying(None, None, screen, scheme, [about(bond)], [about(hold)])
    assert found == (frozenset({0}) if stays else frozenset())


def test_what_stands_on_what_goes_along_goes_along() -> None:
    nothing = frozenset[int]()
    assert staying({0: nothing, 1: frozenset({0})}) == {0, 1}
    assert staying({0: frozenset({7}), 1: frozenset({0}), 2: nothing}) == {2}


def test_the_first_free_way_is_all_that_counts_else_the_first_three(monkeypatch) -> None:
    ways = [np.array([float(k), 0.0, 0.0]) for k in range(5)]
    monkeypatch.setattr(judge, "ways_out", lambda *how: iter(ways))

    def exits(blockers, gone=frozenset()):
        monkeypatch.setattr(judge, "blockers_of", lambda mesh, k, way: frozenset(blockers[int(way[0])]))
        found = judge._exits(None, None, None, None, 0, 1.0, frozenset(gone))
        return [(int(one.direction[0]), set(one.blockers)) for one in found]

    assert exits([{4}, {5}, {6}, {7}, {8}]) == [(0, {4}), (1, {5}), (2, {6})]
    assert exits([{4}, (), {6}, {7}, {8}]) == [(1, set())]
    assert exits([{4, 9}, {5}, {6}, {7}, {8}], gone={5}) == [(1, set())]


def test_pieces_leave_in_rounds() -> None:
    def out(*blockers):
        return [Exit(UP, frozenset(b)) for b in blockers]

    rounds, taken, locked = peeled({0: out({1}), 1: out({2}), 2: out(())})
    assert (rounds, locked) == ({2: 1, 1: 2, 0: 3}, frozenset())
    assert taken[0].blockers == {1}
    # of two that lock each other the one with fewer in its way is broken out
    rounds, taken, locked = peeled({0: out({1, 2}), 1: out({0}), 2: out({0})})
    assert (rounds, locked, set(taken)) == ({1: 1, 0: 2, 2: 3}, frozenset({0, 1}), {2})
    # what is broken up waits for all that leave whole, unless it is in their way
    rounds, _, _ = peeled({0: out(())}, {5})
    assert rounds == {0: 1, 5: 2}
    # the second way counts where the first is blocked
    rounds, taken, _ = peeled({0: out({1}, ()), 1: out({0})})
    assert rounds == {0: 1, 1: 2} and taken[0].blockers == frozenset()


def mesh_of(*solids) -> BodyMesh:
    vertices, faces, start = [], [], [0]
    for solid in solids:
        points, triangles = arrays(solid)
        faces.append(triangles + sum(map(len, vertices)))
        vertices.append(points)
        start.append(start[-1] + len(triangles))
    together = np.ascontiguousarray(np.concatenate(vertices).T, dtype=np.float32)
    return BodyMesh(together, np.concatenate(faces).astype(np.int32), True, np.array(start))


def test_who_is_in_the_way() -> None:
    """A plate; over half of it another; one beside it, one beneath, one that covers too little to matter."""
    mesh = mesh_of(
        box((0, 0, 0), (20, 20, 2)),
        box((10, 0, 5), (20, 20, 7)),
        box((30, 0, 5), (40, 20, 7)),
        box((0, 0, -9), (20, 20, -7)),
        box((0, 0, 9), (0.15, 20, 11)),
        box((0, 0, 20), (0.3, 20, 22)),  # three of two hundred columns
    )
    assert blockers_of(mesh, 0, UP) == {1, 5}
    assert blockers_of(mesh, 0, DOWN) == {3}
    assert blockers_of(mesh, 2, -ASIDE) == {1}
    assert blockers_of(mesh, 1, ASIDE) == {2}
    assert blockers_of(mesh, 3, UP) == {0, 1, 5}
    # what stands beneath a slab, beside its leg, is in its way down though the leg reaches lower
    hooked = mesh_of(
        box((0, 0, 0), (5, 20, 20)) + box((0, 0, 16), (20, 20, 20)), box((8, 0, 5), (18, 20, 10))
    )
    assert blockers_of(hooked, 0, DOWN) == {1} and blockers_of(hooked, 0, UP) == frozenset()


def test_share_of_columns_in_the_way() -> None:
    """Half of a plate 20 mm wide lies under the other body; samples 0.12 mm apart, so to 1 %."""
    mesh = mesh_of(
        box((0, 0, 0), (20, 20, 2)), box((10, -5, 1.5), (25, 25, 7)), box((-5, -5, -3), (25, 25, 0))
    )
    window = window_of(mesh, 0, UP)
    assert window.cell_mm == pytest.approx(0.12)
    # turned by an odd angle about the pull: as many columns as the plate has area
    assert window.columns * 0.12**2 == pytest.approx(400.0, rel=0.01)
    assert window.overlap(mesh, 1) == pytest.approx(0.5, abs=0.01)
    assert window.overlap(mesh, 2) == 0.0  # beneath, and touching it
    wide = window_of(mesh_of(box((0, 0, 0), (300, 300, 2))), 0, UP)
    assert max(wide.width, wide.height) in (360, 361) and wide.cell_mm > 0.8
    long = window_of(mesh_of(box((0, 0, 0), (300, 10, 2))), 0, UP)
    assert max(long.width, long.height) in (360, 361)


def screen_of(shares, directions=None, even=None) -> Screen:
    shares = np.asarray(shares, dtype=float)[:, None]
    if directions is None:
        angle = np.radians(40.0 * np.arange(len(shares)))
        directions = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    return Screen(directions, shares, len(shares) if even is None else even, np.ones_like(shares))


def test_a_direction_is_as_open_as_the_twelve_around_it() -> None:
    """Thirty on a circle, 12° apart; free from 0° to 168° (15 of them), the last with two of a hundred
    points in the way. One in the middle, at the rim, and opposite."""
    angle = np.radians(12.0 * np.arange(30))
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    shares = np.where(np.arange(30) < 15, 0.0, 0.021)
    shares[14] = 0.02
    asked = np.concatenate([circle, [[np.cos(1.5), np.sin(1.5), 0.0]]])
    openness = pulling._openness(asked, np.append(shares, 1.0)[:, None], 30)[:, 0]
    assert openness[7] == 1.0 and openness[22] == 0.0
    # at 0°: itself and five (or six) to the free side, of twelve
    assert openness[0] in (pytest.approx(6 / 12), pytest.approx(7 / 12))
    assert openness[30] == 1.0
    few = pulling._openness(circle[:4], np.array([0.0, 0.0, 1.0, 1.0])[:, None], 4)[:, 0]
    assert few == pytest.approx(np.full(4, 0.5))


def test_ways_out_are_confirmed_one_by_one_and_narrow_ones_come_last(monkeypatch) -> None:
    samples = Made(points=np.zeros((3, 4), np.float32), start=np.array([0, 4]))
    screen = screen_of([0.0, 0.0, 0.5, 0.0, 0.0])
    good = {1, 3}
    monkeypatch.setattr(
        pulling,
        "confirmed",
        lambda o, p, b, way: any(np.array_equal(way, screen.directions[k]) for k in good),
    )
    monkeypatch.setattr(pulling, "local_axes", lambda *how: np.empty((0, 3)))
    monkeypatch.setattr(pulling, "_narrow", lambda *how: iter([screen.directions[2], screen.directions[3]]))

    def found(start):
        some = Made(points=samples.points, start=np.array(start))
        return [
            next(k for k in range(5) if np.array_equal(way, screen.directions[k]))
            for way in pulling.ways_out(None, None, some, screen, 0, 1.0)
        ]

    assert found([0, 4]) == [1, 3, 3]
    assert found([0, 0]) == [1, 3]  # of nothing no narrow way is looked for


def test_narrow_ways_out(monkeypatch) -> None:
    """The surface's own axes that seem free, the freest first; then what turning towards less finds."""
    hole = np.array([np.sin(np.radians(5.0)), 0.0, np.cos(np.radians(5.0))])

    def blocked(obstacle, points, ways):
        off = np.degrees(np.arccos(np.clip(ways @ hole, -1.0, 1.0)))
        share = np.minimum(off / 50.0, 1.0)  # 2 % of points for each degree off
        return (np.arange(100)[None] < np.round(100 * share)[:, None]).astype(np.uint8)

    monkeypatch.setattr(pulling, "blocked", blocked)
    points = np.zeros((3, 100), np.float32)
    axes = np.array([ASIDE, hole, UP])
    screen = screen_of([0.1, 1.0, 1.0, 1.0], np.array([UP, ASIDE, -ASIDE, DOWN]))
    found = list(pulling._narrow(None, points, screen, 0, axes))
    assert np.array_equal(found[0], hole)
    assert [float(way @ hole) > np.cos(np.radians(1.1)) for way in found] == [True, True]  # and from up
    # without axes and without any direction that is not wholly blocked nothing is turned
    shut = screen_of([1.0] * 4, screen.directions)
    assert list(pulling._narrow(None, points, shut, 0, np.empty((0, 3)))) == []
    most = screen_of([0.6, 1.0, 1.0, 1.0], screen.directions)
    assert len(list(pulling._narrow(None, points, most, 0, np.empty((0, 3))))) == 0
    half = screen_of([0.59, 1.0, 1.0, 1.0], screen.directions)
    assert len(list(pulling._narrow(None, points, half, 0, np.empty((0, 3))))) == 1


def test_how_far_a_piece_is_confirmed_and_how_much_may_be_in_the_way(monkeypatch) -> None:
    for share, free in ((0.002, True), (0.0021, False)):
        monkeypatch.setattr(pulling, "window_of", lambda *how, s=share: Made(overlap=lambda o, b: s))
        assert pulling.confirmed(None, None, 0, UP) is free
    assert pulling.confirmed(None, None, 0, UP, 0.01)


def test_an_arrow_begins_at_a_corner_far_along_the_pull_and_near_its_axis() -> None:
    corners = np.array([[0.0, 0, 0], [10.0, 0, 0], [0.0, 10, 0], [10.0, 10, 4], [5.0, 5, 3]])
    mesh = Made(corners=[corners], bounds=np.array([[[0.0, 0, 0], [10.0, 10, 4]]]))
    assert judge._arrow(mesh, 0, UP) == (5.0, 5.0, 3.0)
    assert judge._arrow(mesh, 0, None) == (5.0, 5.0, 3.0)
    assert judge._arrow(mesh, 0, ASIDE) in ((10.0, 0.0, 0.0), (10.0, 10.0, 4.0))
    assert str(judge._vector(np.array([-0.0, -1e-12, 1.0]))) == "(0.0, 0.0, 1.0)"


@pytest.mark.parametrize("directions", [50, 20_000])
def test_as_many_directions_as_may_be_asked_for(directions: int) -> None:
    assert Pulls(directions=directions).directions == directions


@pytest.mark.parametrize("directions", [49, 20_001, 100.0, True])
def test_how_many_directions_may_not(directions) -> None:
    with pytest.raises(ProcessError, match="Give 50 to 20000"):
        Pulls(directions=directions)


def test_tools_as_the_documents_describe_them() -> None:
    """Pliers 6 x 8 mm and 50 long, thumb and finger 16 x 22 and 35 long, a pick of 2 x 2 mm and 80 long."""

    def figures(tool: Tool):
        return tool.length_mm, tool.width_mm, tool.opening_mm, tool.hand_mm

    assert [figures(t) for t in (Tool(), FINGERS, PICK)] == [
        (50.0, 6.0, 8.0, 70.0),
        (35.0, 16.0, 22.0, 70.0),
        (80.0, 2.0, 2.0, 30.0),
    ]
    assert Pulls().directions == 1000


def test_eight_ways_apart_are_confirmed_and_narrow_ones_looked_for_around_three(monkeypatch) -> None:
    angle = np.radians(16.0 * np.arange(20))
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    asked, turned = [], []
    monkeypatch.setattr(pulling, "confirmed", lambda o, p, b, way: asked.append(way) or False)
    monkeypatch.setattr(pulling, "local_axes", lambda *how: np.empty((0, 3)))

    def blocked(obstacle, points, ways):
        turned.append(ways)
        return np.ones((len(ways), points.shape[1]), np.uint8)

    monkeypatch.setattr(pulling, "blocked", blocked)
    samples = Made(points=np.zeros((3, 4), np.float32), start=np.array([0, 4]))
    assert list(pulling.ways_out(None, None, samples, screen_of(np.zeros(20), circle), 0, 1.0)) == []
    assert len(asked) == 8
    assert [len(ways) for ways in turned] == [9] * 9  # three steps around each of three


def test_axes_are_those_of_the_faces_whose_middles_lie_in_the_box() -> None:
    """A box of 10 mm at the origin and a tilted plate far off: around the box its own axes are found."""
    plate = box((0, 0, 0), (40, 30, 1)).rotate((30.0, 20.0, 0.0)).translate((60, 0, 0))
    mesh = mesh_of(box((0, 0, 0), (10, 20, 30)), plate)
    axes = pulling.local_axes(mesh, np.full(3, -1.0), np.full(3, 31.0))
    assert np.abs(axes[:3]).max(axis=1) == pytest.approx(np.ones(3), abs=1e-6)


def test_points_on_a_piece_have_its_outermost_corners_among_them() -> None:
    points = surface_points(mesh_of(box((0, 0, 0), (4, 5, 6))), 20).points.T
    assert len(points) == 28
    corners = {(x, y, z) for x in (0.0, 4.0) for y in (0.0, 5.0) for z in (0.0, 6.0)}
    assert {tuple(map(float, p)) for p in points[20:]} == corners


# --- cuts ---


def test_blocks_are_told_apart_by_the_side_of_each_plane() -> None:
    planes = breaking.Planes(np.array([UP, ASIDE]), np.array([1.0, 2.0]))
    points = np.array([[0.0, 0, 0], [0.0, 0, 2], [3.0, 0, 0], [3.0, 0, 2], [2.0, 0, 1]])
    assert planes.labels(points).tolist() == [0, 1, 2, 3, 0]


def test_a_slanted_cut_that_is_nearly_level_severs_a_layer() -> None:
    """Normal (0, 0.6, 0.8), offset 0.4: its height over the origin, 0.5 mm, lies in the third layer."""
    count = 6
    ends = np.tile([0.0, 1.0, 9.0, 1.0], (count, 1))
    layer = np.arange(count)
    strands = SupportStrands(ends, layer, np.zeros(count, np.int8), np.zeros(count, int))
    strands = replace(strands, layer=np.array([0, 1, 2, 3, 3, 4]))
    planes = breaking.Planes(np.array([[0.0, 0.6, 0.8]]), np.array([0.4]))
    assert breaking.severed(planes, strands, 0, 0.1 + 0.2 * np.arange(6)).tolist() == [1]
    # upright but for a lean of 0.6: along x from 0 to 9 in layers 0.1 to 0.9 high, cut at x = 4.5 to 5.1
    lean = breaking.Planes(np.array([[0.8, 0.0, 0.6]]), np.array([3.7]))
    assert breaking.severed(lean, strands, 0, 0.1 + 0.2 * np.arange(6)).tolist() == [6]
    short = replace(strands, ends_mm=np.tile([4.3, 1.0, 4.5, 1.0], (count, 1)))
    # 0.8 x + 0.6 z = 3.7: at x 4.3 z is 0.433, at 4.5 z is 0.167: of layers at 0.1 to 0.9 that at 0.3
    assert breaking.severed(lean, short, 0, 0.1 + 0.2 * np.arange(6)).tolist() == [1]


def test_what_pieces_are_broken_up_by(monkeypatch) -> None:
    """Each by 600 points and 300 even directions, the plain ones and the axes within the margin around it;
    how open a way is counts those within 15°."""
    seen: dict[str, list] = {"even": [], "points": [], "around": [], "told": []}

    def even(count):
        seen["even"].append(count)
        return np.array([ASIDE, [np.cos(np.radians(14.0)), np.sin(np.radians(14.0)), 0.0]])

    def sampled(mesh, each):
        seen["points"].append(each)
        return surface_points(mesh, 20)

    monkeypatch.setattr(breaking, "even_directions", even)
    monkeypatch.setattr(breaking, "surface_points", sampled)
    monkeypatch.setattr(
        breaking, "local_axes", lambda part, low, high: seen["around"].append((low, high)) or np.empty((0, 3))
    )
    monkeypatch.setattr(
        breaking, "blocked", lambda part, points, ways: np.zeros((len(ways), points.shape[1]), np.uint8)
    )
    openness = []
    monkeypatch.setattr(breaking, "_verified", lambda *how: openness.append(how[4]) or (how[4], how[5]))
    pieces = mesh_of(box((0, 0, 0), (4, 5, 6)), box((10, 0, 0), (14, 5, 6)))
    strands = SupportStrands(np.empty((0, 4)), np.empty(0, int), np.empty(0, np.int8), np.empty(0, int))
    watch = Watch(tell=lambda what, share: seen["told"].append(share))
    found = breaking.break_up(pieces, pieces, [0, 1], strands, 0.0, 2.0, watch)
    assert set(found) == {0, 1}
    assert seen["even"] == [300] and seen["points"] == [600] and seen["told"][0] == 0.0
    low, high = seen["around"][0]
    assert low.tolist() == [-2.0] * 3 and high.tolist() == [6.0, 7.0, 8.0]
    # all is free: every way is as open as can be, as a share of its neighbours
    assert openness[0] == pytest.approx(np.ones_like(openness[0]))


def test_how_open_a_way_out_of_a_block_is(monkeypatch) -> None:
    """Ways at 0°, 14° and 29° on a circle: of the first and its neighbour one is blocked."""
    angle = np.radians([0.0, 14.0, 29.5, 90.0])
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    points = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])
    in_way = np.zeros((4, 8), np.uint8)
    in_way[1] = 1
    seen = []
    monkeypatch.setattr(breaking, "_solid_of", lambda mesh: "solid")
    monkeypatch.setattr(breaking, "_split", lambda solid, planes: {})
    monkeypatch.setattr(breaking, "_verified", lambda *how: seen.append(how[4]) or (how[4], how[5]))
    breaking._fewest(None, None, breaking._Ways(circle, in_way, points), np.eye(3), np.empty(0), 1.0)
    assert seen[0][:, 0] == pytest.approx([0.5, -1.0, 1.0, 1.0])


def test_of_ways_as_open_those_away_from_the_middle_of_the_piece_come_first(monkeypatch) -> None:
    """A block whose middle lies at x = 6 of a piece whose middle lies at x = 10: away is −x."""
    monkeypatch.setattr(breaking, "local_axes", lambda *how: np.empty((0, 3)))
    whole, block = mesh_of(box((0, 0, 0), (20, 9, 9))), mesh_of(box((2, 0, 0), (10, 9, 9)))
    found = list(breaking._candidates(None, whole, block, 0, np.ones(2), np.array([ASIDE, -ASIDE]), 1.0))
    assert np.array(found)[:, 0].tolist() == [-1.0, 1.0]


def test_a_cut_is_given_up_after_twenty_that_no_block_could_leave_by(monkeypatch) -> None:
    tried = []
    monkeypatch.setattr(breaking, "_solid_of", lambda mesh: "solid")
    monkeypatch.setattr(breaking, "_split", lambda solid, planes: {})
    monkeypatch.setattr(breaking, "_verified", lambda *how: tried.append(how))
    points = np.stack(np.meshgrid(*[np.linspace(0, 1, 6)] * 3), -1).reshape(-1, 3)
    free = breaking._Ways(np.array([UP, DOWN]), np.zeros((2, len(points)), np.uint8), points)
    assert breaking._fewest(None, None, free, np.eye(3), np.empty(0), 1.0) is None
    assert len(tried) == 20


def test_what_no_straight_way_leads_out_from_is_not_cut(monkeypatch) -> None:
    """Two of a hundred such points are forgiven: with 4 of 216 cuts are looked for, with 5 they are not."""
    asked = []
    monkeypatch.setattr(breaking, "simple_cuts", lambda *how: asked.append(how) or iter(()))
    points = np.stack(np.meshgrid(*[np.linspace(0, 1, 6)] * 3), -1).reshape(-1, 3)
    for shut, looked in ((5, 0), (4, 1)):
        in_way = np.zeros((2, len(points)), np.uint8)
        in_way[:, :shut] = 1
        ways = breaking._Ways(np.array([UP, DOWN]), in_way, points)
        assert breaking._fewest(None, None, ways, np.eye(3), np.empty(0), 1.0) is None
        assert len(asked) == looked


def test_three_ways_of_a_block_are_held_against_the_others_unless_one_is_free(monkeypatch) -> None:
    """The most doubtful block is looked at first, and one without a way ends it."""
    asked = []
    blocks = mesh_of(box((0, 0, 0), (5, 5, 5)), box((5, 0, 0), (10, 5, 5)))
    solids = {0: None, 1: None}
    monkeypatch.setattr(
        breaking,
        "_joined",
        lambda made: blocks if len(made) == 2 else mesh_of(made and box((0, 0, 0), (1, 1, 1))),
    )
    ways = [np.array([float(k), 0.0, 0.0]) for k in range(6)]
    monkeypatch.setattr(breaking, "_candidates", lambda *how: iter(ways))
    monkeypatch.setattr(breaking, "confirmed", lambda *how: True)

    def verified(blockers):
        asked.clear()

        def of(mesh, block, way):
            asked.append((block, int(way[0])))
            return frozenset(blockers(block, int(way[0])))

        monkeypatch.setattr(breaking, "blockers_of", of)
        openness = np.array([[0.9, 0.2], [0.1, 0.3]])
        return breaking._verified(None, None, solids, np.array([0, 1]), openness, np.zeros((2, 3)), 1.0)

    # block 0 always waits for block 1, which is free by its second way
    middles, directions = verified(lambda block, way: {1} if block == 0 else ({0} if way == 0 else ()))
    assert asked == [(1, 0), (1, 1), (0, 0), (0, 1), (0, 2)]
    assert middles.tolist() == [[7.5, 2.5, 2.5], [2.5, 2.5, 2.5]]
    assert directions[:, 0].tolist() == [1.0, 0.0]
    assert verified(lambda block, way: {1 - block}) is None  # each locked by the other
    monkeypatch.setattr(breaking, "confirmed", lambda *how: False)
    assert verified(lambda block, way: ()) is None and asked == []
    assert (
        breaking._verified(None, None, {0: None}, np.array([0, 1]), np.ones((1, 2)), np.zeros((1, 3)), 1)
        is None
    )


def test_at_most_twelve_ways_apart_and_then_the_axes_around_a_block(monkeypatch) -> None:
    axes = np.array([[0.6, 0.8, 0.0]])
    seen = []
    monkeypatch.setattr(breaking, "local_axes", lambda part, low, high: seen.append((low, high)) or axes)
    angle = np.radians(11.0 * np.arange(30))
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    mesh = mesh_of(box((0, 0, 0), (10, 10, 10)))
    found = list(breaking._candidates(None, mesh, mesh, 0, np.ones(30), circle, 2.0))
    assert len(found) == 13 and np.array_equal(found[-1], axes[0])
    assert seen[0][0].tolist() == [-2.0] * 3 and seen[0][1].tolist() == [12.0] * 3
    near = np.radians(9.0 * np.arange(6))
    close = np.stack([np.cos(near), np.sin(near), 0 * near], axis=1)
    assert len(list(breaking._candidates(None, mesh, mesh, 0, np.ones(6), close, 2.0))) == 4  # each second


# --- what to change ---


def release_of(*pieces):
    return Made(
        pieces=pieces,
        failing=tuple(p for p in pieces if p.fails),
        tool=Tool(),
    )


def fails(number, state=STATE.BREAK, tears=False, strands=(), contact=10.0, way=None, blocks=(), bond=5.0):
    return Made(
        number=number,
        state=state,
        tears=tears,
        fails=tears or state in (STATE.BREAK, STATE.DIG, STATE.TRAPPED),
        cuts=tuple(Made(strands=s) for s in strands),
        contact_mm2=contact,
        pull_direction=way,
        blocks=tuple(Made(pull_direction=b) for b in blocks),
        bond_n=about(bond),
    )


def trial(release, pieces=(), undersides=(), standings=(), layers=2):
    scheme = Made(pieces=tuple(pieces), gap=Made(layers=layers))
    planned = Made(part=None, need=Made(undersides=undersides), scheme=scheme)
    return remedies._Trial(planned, standings, release)


def test_what_a_state_of_things_comes_to() -> None:
    now = trial(
        release_of(
            fails(1, strands=(4, 5)),
            fails(2, STATE.TRAPPED, contact=7.0),
            fails(3, STATE.BY_HAND, contact=90.0),
        ),
        [piece(1, (1,), contact=30.0), piece(2, (2,), contact=10.0)],
        (underside(1, area_mm2=35.0), underside(2, area_mm2=25.0)),
    )
    assert (now.failing_mm2, now.trapped, now.strands) == (17.0, 1, 9)
    assert now.left_mm2 == pytest.approx(20.0)
    assert now.price == pytest.approx(0.2)
    more = replace(now, planned=Made(need=now.need, scheme=Made(pieces=(piece(1, contact=80.0),))))
    assert more.left_mm2 == 0.0
    assert now.droop_mm == now.need.undersides[0].supported_droop_mm.value
    bare = (underside(1, droop_mm=0.5, supported_droop_mm=0.1), underside(2, droop_mm=2.0))
    assert trial(now.release, (), bare).droop_mm == 2.0


def test_a_split_frees_what_breaks_and_does_not_tear() -> None:
    """Of four that fail one breaks up, one breaks up but tears, one is dug out; the last is trapped."""
    pieces = (
        fails(1, strands=(4, 5), contact=12.0),
        fails(2, tears=True, strands=(7,)),
        fails(3, STATE.DIG),
        fails(4, STATE.TRAPPED),
    )
    split = remedies._split(trial(release_of(*pieces)))
    assert plain(split.change) == "build piece 1 in blocks, apart at 2 cuts"
    assert split.failing == (4, 3)
    assert split.failing_mm2 == (42.0, 30.0)
    assert split.strands == (16, 7)
    assert split.trapped == (1, 1) and split.takes is None
    assert remedies._split(trial(release_of(*pieces[1:]))) is None


@pytest.mark.parametrize(
    ("pieces", "angle"),
    [
        ((fails(1, way=(1.0, 0.0, 0.0)),), 0.0),
        ((fails(1, way=(0.0, -1.0, 0.0)),), 90.0),
        ((fails(1, way=(-0.6, 0.6, 0.5)),), -45.0),
        ((fails(1, way=(0.3, 0.0, 0.954)),), None),  # as good as upright
        ((fails(1, way=(0.31, 0.0, 0.95)),), 0.0),
        ((fails(1, way=(0.0, 0.0, 1.0)), fails(2, way=(0.0, 1.0, 0.0), contact=1.0)), 90.0),
        ((fails(1, way=(0.0, 1.0, 0.0)), fails(2, way=(1.0, 0.0, 0.0), contact=20.0)), 0.0),
        ((fails(2, way=(0.0, 1.0, 0.0)), fails(1, way=(1.0, 0.0, 0.0))), 0.0),
        ((fails(1, blocks=((0.0, 0.0, 1.0), (0.5, 0.5, 0.7))),), 45.0),
    ],
)
def test_the_compass_of_the_pull(pieces, angle) -> None:
    assert remedies._pull_angle_deg(trial(release_of(*pieces))) == angle


@pytest.mark.parametrize(
    ("weave", "angle", "lines"),
    [
        ("parallel", None, None),
        ("crossed", None, None),
        ("crossed", 30.0, 30.0),
        ("parallel", 30.0, None),  # they lie along it
        ("parallel", 40.0, None),
        ("parallel", 41.0, 41.0),
        ("parallel", 19.0, 19.0),
        ("parallel", -150.0, None),  # the same line
        ("parallel", 120.0, 120.0),
    ],
)
def test_lines_are_laid_along_the_pull_where_they_do_not_lie_so(monkeypatch, weave, angle, lines) -> None:
    monkeypatch.setattr(remedies, "_pull_angle_deg", lambda now: angle)
    monkeypatch.setattr(remedies, "_worth_building", lambda *how: ())
    structure = replace(PLA.structure, weave=weave, line_angle_deg=30.0, perimeter_lines=0)
    now = trial(release_of(fails(1, bond=0.5)), [piece(1, (1,), scar=0.0)])
    tried = remedies._trials(now, replace(PLA, structure=structure), Context(), ())
    takes = [dict(one[2].settings) for one in tried]
    if lines is None:
        assert takes == []
    else:
        assert float(takes[0].get("structure.line_angle_deg", 30.0)) == lines
        assert ("structure.weave" in takes[0]) == (weave == "crossed")
        assert takes[0].get("structure.weave", "parallel") == "parallel"


def test_only_what_fails_on_the_part_and_may_stand_there_is_tried_from_the_bed(monkeypatch) -> None:
    monkeypatch.setattr(remedies, "_pull_angle_deg", lambda now: None)
    monkeypatch.setattr(remedies, "_worth_building", lambda *how: ())
    structure = replace(PLA.structure, perimeter_lines=0)
    undersides = tuple(underside(n) for n in (1, 2, 3))
    both, bed = Standing.BED_OR_PART, Standing.BED

    def tried(standings, scars=(1.0, 1.0, 0.0), failing=(1, 3)):
        pieces = [piece(n, (n,), scar=s) for n, s in zip((1, 2, 3), scars, strict=True)]
        release = release_of(
            *(fails(n, bond=0.5) if n in failing else fails(n, STATE.BY_HAND) for n in (1, 2, 3))
        )
        now = trial(release, pieces, undersides, standings)
        found = remedies._trials(now, replace(PLA, structure=structure), Context(), ())
        return [(one[0], one[2].overrules) for one in found]

    words = "let these supports stand on the bed only"
    assert tried((both, both, both)) == [(words, ((1, "bed"),))]
    assert tried((both, both, both), (1.0, 1.0, 2.0)) == [(words, ((1, "bed"), (3, "bed")))]
    assert tried((bed, both, both)) == []
    assert tried((both, both, both), (0.0, 1.0, 0.0)) == []


def test_turns_with_the_least_air_above_the_part_are_built(monkeypatch) -> None:
    from falsework.kernels.column.intervals import BED_VOLUME, PART_VOLUME

    turns = ((180.0, 0.0, 0.0), (90.0, 0.0, 0.0), (0.0, 90.0, 0.0), (0.0, -90.0, 0.0))
    figures = np.zeros((4, 40))
    figures[:, PART_VOLUME] = [5.0, 1.4, 1.0, 1.2]
    figures[:, BED_VOLUME] = [0.0, 7.0, 9.0, 8.0]
    monkeypatch.setattr(remedies, "body_of", lambda *how: None)
    monkeypatch.setattr(remedies, "judge_of", lambda *how: lambda *asked: Made(figures=figures))
    part = Made(vertices=np.zeros((3, 3)), faces=np.zeros((1, 3), int))
    assert remedies._worth_building(part, PLA, turns) == [turns[1], turns[3]]
    assert remedies._worth_building(part, PLA, ()) == []


def test_changes_are_ranked_by_what_is_trapped_then_by_harm_then_strands_then_price() -> None:
    from falsework.release.value import Remedy

    one = Remedy("a", (3, 1), (50.0, 20.0), (1, 0), (9, 4), (10.0, 14.0), (0.1, 0.2), (2.0, 1.23456))
    assert remedies.rank(one) == (0, 24, 4, 1.2346)
    assert remedies.rank(replace(one, left_mm2=(14.0, 10.0))) == (0, 20, 4, 1.2346)


@pytest.mark.parametrize(
    ("strands", "failing_mm2", "better"),
    [(89, 20.0, True), (90, 20.0, False), (200, 19.0, True), (80, 21.0, False)],
)
def test_a_tenth_fewer_strands_is_better(strands, failing_mm2, better) -> None:
    def state(strands, failing_mm2):
        release = Made(failing=[None])
        return Made(trapped=0, failing_mm2=failing_mm2, strands=strands, release=release)

    assert remedies._better(state(100, 20.0), state(strands, failing_mm2)) is better


def test_progress_of_what_is_tried_is_a_share(monkeypatch) -> None:
    seen = []
    now = release_of(fails(1, STATE.DIG))
    made = trial(release_of())
    tries = [(f"try {k}", lambda: made, None) for k in range(4)]
    monkeypatch.setattr(remedies, "_trials", lambda *how: tries)
    planned = trial(now, [piece(1)], (underside(1),)).planned
    context = Context(watch=Watch(tell=lambda what, share: seen.append(share)))
    found = remedies.what_to_change(planned, PLA, (), now, context, ())
    assert [one.change for one in found] == ["try 0", "try 1", "try 2", "try 3"]
    assert seen[:1] == [0.0] and seen[-1] == 1.0 and sorted(seen) == seen


@pytest.mark.parametrize(
    ("gap", "below", "side", "clearance"),
    [(0.4, 0.2, 0.3, 0.2), (0.3, 0.4, 0.5, 0.3), (0.4, 0.4, 0.25, 0.25), (0.4, 0.4, 0.01, 0.05)],
)
def test_the_part_is_thinned_by_the_least_gap_around_it(monkeypatch, gap, below, side, clearance) -> None:
    """A side that touches counts as a twentieth of a millimetre."""
    seen = []

    class Enough(Exception):
        pass

    def part_mesh(part, mm):
        seen.append(mm)
        raise Enough

    monkeypatch.setattr(judge, "part_mesh", part_mesh)
    monkeypatch.setattr(judge, "_check_meshes", lambda scheme: None)
    scheme = Made(pieces=[1], gap=Made(realised_mm=gap), gap_below=Made(realised_mm=below))
    process = Made(structure=Made(side_gap_mm=side))
    with pytest.raises(Enough):
        judge.judge_release(
            Made(part=None, stack=None, need=None, scheme=scheme), process, Made(belief=None, watch=QUIET)
        )
    assert seen == [clearance]

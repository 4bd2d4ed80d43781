"""Ways to pull, by hand: which are tried first, which seem free, and where a piece is looked at."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.release import judge
from falsework.release.bodies import BodyMesh, surface_points
from falsework.release.breaking import Planes, _candidates, severed
from falsework.release.order import Exit, peeled
from falsework.release.pulling import Screen, _around, apart, local_axes, plain_directions, ranked
from falsework.support.scheme import Role, SupportStrands
from solids import box, part_of

UP = np.array([0.0, 0.0, 1.0])


def mesh_of(vertices, faces, start=None) -> BodyMesh:
    faces = np.ascontiguousarray(faces, dtype=np.int32)
    start = np.array([0, len(faces)] if start is None else start)
    return BodyMesh(np.ascontiguousarray(np.asarray(vertices).T, dtype=np.float32), faces, True, start)


def test_people_try_down_and_up_then_along_and_across_the_lines() -> None:
    c, s = np.cos(np.radians(30.0)), 0.5
    expected = [[0, 0, -1], [0, 0, 1], [c, s, 0], [-c, -s, 0], [-s, c, 0], [s, -c, 0]]
    assert plain_directions(30.0) == pytest.approx(np.array(expected))


def test_the_most_open_way_comes_first_and_a_plain_one_before_others_as_open() -> None:
    directions = np.concatenate([np.eye(3), -np.eye(3)[:2]])  # the last two are plain ones
    openness = np.array([[0.5], [0.9], [0.5], [0.5], [1.0]])
    blocked = np.array([[0.0], [0.02], [0.01], [0.0], [0.5]])
    screen = Screen(directions, blocked, 3, openness)
    assert ranked(screen, 0).tolist() == [1, 3, 0, 2]  # what is blocked is none
    assert screen.free_share.tolist() == [1.0]


def test_ways_that_are_tried_lie_apart() -> None:
    angles = np.radians([0.0, 10.0, 20.0, 31.0, 80.0])
    directions = np.stack([np.cos(angles), np.sin(angles), 0 * angles], axis=1)
    assert apart(directions, np.arange(5), 15.0, 9) == [0, 2, 4]
    assert apart(directions, np.arange(5), 15.0, 2) == [0, 2]


@pytest.mark.parametrize("direction", [UP, np.array([0.6, 0.0, -0.8]), np.array([0.0, 1.0, 0.0])])
def test_around_a_way_lie_eight_others_as_far_away(direction) -> None:
    ring = _around(direction, 4.0)
    assert ring @ direction == pytest.approx(np.full(8, np.cos(np.radians(4.0))))
    assert np.linalg.norm(ring, axis=1) == pytest.approx(np.ones(8))
    assert ring.mean(axis=0) == pytest.approx(np.cos(np.radians(4.0)) * direction)
    beside = ring @ ring.T
    assert np.count_nonzero(beside > 1.0 - 1e-9) == 8  # no two are one


@pytest.mark.parametrize("seed", range(3))
def test_axes_do_not_depend_on_the_order_of_the_faces(seed: int) -> None:
    part = part_of(*box((30.0, 20.0, 10.0)))
    faces = np.random.default_rng(seed).permutation(part.faces)
    axes = local_axes(mesh_of(part.vertices, faces), np.full(3, -100.0), np.full(3, 100.0))
    assert axes[:3] == pytest.approx(np.eye(3), abs=1e-6)


def test_points_begin_in_the_middle_of_their_share_and_level_faces_count_threefold() -> None:
    def triangles(*corners):
        flat = np.concatenate(corners)
        return mesh_of(flat, np.arange(len(flat)).reshape(-1, 3))

    def at(x: float):
        return np.array([[x, 0, 0], [x + 1, 0, 0], [x, 1, 0]], dtype=float)

    one = surface_points(triangles(at(0.0), at(10.0), at(20.0)), 1).points[:, 0]
    assert 10.0 <= one[0] <= 11.0  # of three alike, the middle one
    upright = np.array([[50.0, 0, 0], [50.0, 3, 0], [50.0, 0, 1]])  # three times as large
    points = surface_points(triangles(at(0.0), upright), 100).points[0, :100]
    assert np.count_nonzero(points < 25.0) == 50
    assert np.unique(points[:50]).size > 40  # spread, not heaped


def test_what_is_in_the_way_is_broken_up_first_and_the_rest_when_nothing_else_is_left() -> None:
    behind = {0: [Exit(UP, frozenset({1}))]}
    rounds, taken, locked = peeled(behind, {1, 2})
    assert rounds == {1: 1, 0: 2, 2: 3} and set(taken) == {0} and not locked
    rounds, taken, locked = peeled(behind, frozenset(), {1})  # it never leaves
    assert locked == {0} and not taken and rounds == {0: 1}


@pytest.mark.parametrize(("directions", "tools"), [(100, 50), (1000, 250)])
def test_tools_come_from_a_quarter_as_many_sides(directions, tools, monkeypatch) -> None:
    asked = []

    def counted(count: int):
        asked.append(count)
        return np.array([UP])

    monkeypatch.setattr(judge, "even_directions", counted)
    part = part_of(*box((3.0, 3.0, 3.0)))
    mesh = mesh_of(part.vertices, part.faces)
    far = mesh_of(part.vertices + 50.0, part.faces)
    judge._touched(far, surface_points(mesh, 20), {}, 0.0, judge.Tool(), directions)
    assert asked == [tools]


def test_a_slanted_cut_severs_what_passes_through_it() -> None:
    """Lines along x of 10 mm in each of 10 layers; a plane at 45° through x = z + 2: all that reach it."""
    count = 10
    ends = np.array([(0.0, 1.0, 0.6 * k, 1.0) for k in range(count)])
    strands = SupportStrands(ends, np.arange(count), np.full(count, Role.LINE, np.int8), np.zeros(count, int))
    normal = np.array([[0.8, 0.0, -0.6]])
    middles = 0.1 + 0.2 * np.arange(count)
    crossed = [0.8 * 0.6 * k - 0.6 * (0.1 + 0.2 * k) > 1.0 for k in range(count)]
    assert severed(Planes(normal, np.array([1.0])), strands, 0, middles).tolist() == [sum(crossed)]
    assert 0 < sum(crossed) < count


def test_ways_of_a_block_come_the_most_open_first_then_away_from_the_rest() -> None:
    """Of ways as open (to a tenth) those that lead away from the middle of the piece."""
    whole = part_of(*box((30.0, 10.0, 10.0)))
    left = part_of(*box((10.0, 10.0, 10.0)))
    nothing = mesh_of(np.zeros((3, 3)), np.empty((0, 3)), [0])
    directions = np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0], [0, -1.0, 0]])
    openness = np.array([0.52, 0.48, 0.9, 0.0, -1.0])
    shift = np.array([-10.0, 0.0, 0.0])
    blocks = mesh_of(left.vertices + shift, left.faces)
    found = list(
        _candidates(nothing, mesh_of(whole.vertices, whole.faces), blocks, 0, openness, directions, 1.0)
    )
    assert np.array(found).tolist() == [[0, 0, 1], [-1, 0, 0], [1, 0, 0]]

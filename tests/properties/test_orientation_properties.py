"""Properties of the search: turning the mesh first changes nothing; many random lies find nothing better."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.orientation.body import body_of, own_frame
from falsework.orientation.directions import (
    even_directions,
    resting_directions,
    rotations_to_up,
    spin_for,
    turn_deg_of,
)
from falsework.orientation.search import FINE_GRID, GRID, judge_of, with_hidden
from falsework.orientation.shortlist import shortlist
from falsework.orientation.value import Search
from falsework.part.part import Health, Part
from falsework.part.placing import turn_matrix
from falsework.process import load_process
from falsework.request.context import Context
from falsework.request.value import Wish
from falsework.request.weights import Weights
from falsework.watch import QUIET
from solids import box, merged, spindle

PROCESS = load_process("pla-0.4")


def clutter(seed):
    """Boxes and spindles thrown together: many undersides, no symmetry."""
    rng = np.random.default_rng(seed)
    shells = [spindle([0, *rng.uniform(3, 12, 3), 0], np.linspace(0, rng.uniform(15, 40), 5), 9)]
    for _ in range(int(rng.integers(1, 4))):
        vertices, faces = box(tuple(rng.uniform(4, 25, 3)), tuple(rng.uniform(-12, 8, 3)))
        shells.append((vertices @ turn_matrix(tuple(rng.uniform(0, 90, 3))).T, faces))
    vertices, faces = merged(*shells)
    return Part(f"clutter {seed}", vertices, faces, Health(bodies=len(shells)))


def short(part, directions):
    """The lies worth a plan, as columns have them."""
    return shortlist(part, Wish(PROCESS), Context(), Search(directions=directions)).lies


def random_directions(count, seed):
    directions = np.random.default_rng(seed).normal(size=(count, 3))
    return directions / np.linalg.norm(directions, axis=1)[:, None]


@pytest.mark.parametrize("seed", range(4))
def test_no_random_lie_is_better(seed):
    """2 % above the best of 3000 random ones at most, both priced alike on 256 columns."""
    part = clutter(seed)
    best = min(short(part, 1000), key=lambda lie: lie.price.total)
    judge = judge_of(
        body_of(part.vertices, part.faces, np.zeros(len(part.faces), bool)), PROCESS, Weights(), None
    )
    many = judge(random_directions(3000, seed), GRID, QUIET, "random")
    few = many.directions[np.argsort(many.rank)[:20]]
    least = judge(few, FINE_GRID, QUIET, "random").priced.total.min()
    assert best.price.total <= 1.02 * least


@pytest.mark.parametrize("seed", range(3))
def test_facets_promise_no_more_than_columns_find(seed):
    """The bound by facets is no higher than the rank on fine columns, 0.5 % of sampling forgiven."""
    rng = np.random.default_rng(seed)
    vertices, faces = spindle([0, *rng.uniform(3, 20, 6), 0], np.linspace(0, 60, 8), 40)
    judge = judge_of(body_of(vertices, faces, np.zeros(len(faces), bool)), PROCESS, Weights(), None)
    ups = random_directions(150, seed)
    likely, least = judge.foresee(ups)
    looked = judge(ups, FINE_GRID, QUIET, "")
    assert (least <= 1.005 * looked.rank).all()
    assert (least <= likely.rank).all()
    assert np.median(least / looked.rank) > 0.6  # worth having


@pytest.mark.parametrize("seed", range(3))
def test_the_bound_holds_where_shells_cross(seed):
    """What other shells hide is told by a few columns: no direction of 150 costs less than 1 % under it."""
    part = clutter(seed)
    body = body_of(part.vertices, part.faces, np.zeros(len(part.faces), bool))
    judge = with_hidden(judge_of(body, PROCESS, Weights(), None), QUIET)
    ups = random_directions(150, seed)
    assert (judge.foresee(ups)[1] <= 1.01 * judge(ups, FINE_GRID, QUIET, "").rank).all()


@pytest.mark.parametrize("seed", range(3))
def test_turning_the_mesh_changes_nothing(seed):
    """The same price within 1 % and the same side up within a degree (single precision, nothing else)."""
    part = clutter(10 + seed)
    turn = turn_matrix((31.0 + seed, -47.0, 113.0))
    turned = Part(part.name, part.vertices @ turn.T + [3.0, 50.0, -7.0], part.faces, part.health)
    first, second = (min(short(p, 500)[1:], key=lambda lie: lie.price.total) for p in (part, turned))
    assert second.price.total == pytest.approx(first.price.total, rel=0.01)
    assert turn @ np.array(first.up) @ np.array(second.up) > np.cos(np.radians(1.0))
    assert second.height_mm == pytest.approx(first.height_mm, abs=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_own_frame_turns_with_the_mesh(seed):
    part = clutter(seed)
    turn = turn_matrix((10.0 * seed, 70.0, -25.0))
    frame, turned = own_frame(part.vertices, part.faces), own_frame(part.vertices @ turn.T + 9.0, part.faces)
    assert turned @ turn == pytest.approx(frame, abs=1e-6)
    assert np.linalg.det(frame) == pytest.approx(1.0)


def test_even_directions_are_even():
    """No direction of the sphere is farther from the lattice than 1.2 times the mean spacing."""
    lattice = even_directions(2000)
    assert np.linalg.norm(lattice, axis=1) == pytest.approx(1.0)
    nearest = np.arccos(np.clip((random_directions(2000, 1) @ lattice.T).max(axis=1), -1, 1))
    assert nearest.max() < 1.2 * np.sqrt(4 * np.pi / 2000)


def test_rotations_are_those_of_a_plan():
    directions = np.vstack([random_directions(50, 2), np.eye(3), -np.eye(3)])
    rotations = rotations_to_up(directions, 25.0)
    assert np.einsum("dij,dj->di", rotations, directions) == pytest.approx(
        np.tile([0.0, 0.0, 1.0], (56, 1)), abs=1e-12
    )
    for direction, rotation in zip(directions, rotations, strict=True):
        assert turn_matrix(turn_deg_of(direction, 25.0)) == pytest.approx(rotation, abs=1e-9)


def test_half_a_turn_is_said_in_one_way():
    assert turn_deg_of(np.array([0.0, -0.0, -1.0])) == turn_deg_of(np.array([0.0, 0.0, -1.0])) == (180, 0, 0)


def test_a_box_rests_on_its_six_faces():
    """Largest first."""
    up = resting_directions(box((10.0, 20.0, 30.0))[0])
    assert len(up) == 6
    assert np.abs(up[0]) == pytest.approx([1.0, 0.0, 0.0])
    assert {tuple(np.round(u).astype(int)) for u in up} == {
        tuple(s * e) for s in (1, -1) for e in np.eye(3, dtype=int)
    }
    assert len(resting_directions(np.zeros((5, 3)))) == 0


def test_spin_squares_an_outline():
    angle = np.radians(33.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    outline = np.array([[0, 0], [50, 0], [50, 20], [0, 20.0]]) @ turn.T
    spin, ratio = spin_for(outline, (220.0, 200.0))
    assert spin == pytest.approx(-33.0)
    assert ratio == pytest.approx(4.4, rel=1e-4)
    assert spin_for(outline, (200.0, 220.0))[0] == pytest.approx(57.0)
    # 150 by 5 in a bed of 120 by 110 only goes in across it
    long = np.array([[0, 0], [150, 0], [150, 5], [0, 5.0]])
    spin, ratio = spin_for(long, (120.0, 110.0))
    assert 30.0 < abs(spin) < 60.0 and ratio >= 1.0
    assert spin_for(long, (100.0, 100.0))[1] < 1.0

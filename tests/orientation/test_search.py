"""The search for directions, by a judge whose prices are known: a dip on the sphere, and facets that see only
a share of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np
import pytest

from falsework import load_process
from falsework.errors import PartError
from falsework.kernels.column.intervals import BASE_AREA, LEAN_DEG
from falsework.orientation.directions import even_directions, resting_directions
from falsework.orientation.search import (
    FEW,
    FLAT_WORTH,
    GRID,
    HOPEFUL,
    RING,
    START_WORTH,
    TRIED,
    Looked,
    _around,
    _between,
    _descended,
    _expected,
    _hopeful,
    _refined,
    _spacing,
    distinct,
    front_rows,
    grouped,
    joined,
    laid_flat,
    searched,
    with_passed_by,
)
from falsework.orientation.shortlist import _bases, own_shape
from falsework.part.part import Part
from falsework.request import Wish
from falsework.watch import QUIET
from orientation.looks import BEST, looked


@dataclass
class Dip:
    """A price that rises with the angle from ``BEST``; facets see ``seen`` of it, and bound it by less."""

    seen: float = 1.0
    bound: float = 0.9
    unseen: float = 0.0  # what columns find everywhere besides
    load_axis: None = None
    body: SimpleNamespace | None = None
    asked: list[np.ndarray] = field(default_factory=list)

    def price(self, directions):
        angle = np.arccos(np.clip(directions @ BEST, -1.0, 1.0))
        return 1.0 + angle**2

    def __call__(self, directions, grid, watch, step) -> Looked:
        self.asked.append(directions)
        return looked(directions, self.price(directions) + self.unseen)

    def likely_price(self, directions):
        return self.seen * self.price(directions)

    def foresee(self, directions):
        likely = self.likely_price(directions)
        return looked(directions, likely), self.bound * likely


def angle_deg(found: Looked) -> float:
    return float(np.degrees(np.arccos(min(1.0, found.directions[np.argmin(found.rank)] @ BEST))))


def test_only_what_may_be_less_than_the_best_is_looked_at():
    judge = Dip()
    foreseen = judge.foresee(even_directions(2000))
    found = _hopeful(judge, foreseen, 1.5, GRID, QUIET)
    least = foreseen[1]
    true = judge.price(foreseen[0].directions)
    assert found.rank.min() == pytest.approx(true.min())
    # the front is one direction, then a batch at a time, each while its bound is below the best so far
    assert len(judge.asked[0]) == 1 and all(len(some) <= FEW for some in judge.asked[1:])
    assert sum(map(len, judge.asked)) <= 1 + FEW * (1 + int((least < true.min()).sum() / FEW))
    assert sum(map(len, judge.asked)) >= (least < true.min()).sum()


@pytest.mark.parametrize(("below", "hope"), [(0.89, False), (1.2, True)])
def test_only_what_may_cost_less_than_what_is_at_hand_is_searched(monkeypatch, below, hope):
    """Facets promise 0.9 of the price at the bottom of the dip, which is 1."""
    monkeypatch.setattr("falsework.orientation.search.with_hidden", lambda judge, _: judge)
    judge, today = Dip(), np.array([0.0, 0.0, -1.0])
    judge.body = SimpleNamespace(points=np.array([[0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]], float))
    found, _, resting = searched(judge, today, 200, QUIET, refine=False, below=below)
    assert (found.directions[0] == today).all()
    assert (len(found.rank) > 1, len(resting) > 0) == (hope, hope)
    assert (found.rank.min() < 1.02) == hope


def test_where_nothing_may_be_less_the_front_alone_is_looked_at():
    judge = Dip(bound=1.0)
    found = _hopeful(judge, judge.foresee(even_directions(500)), 0.5, GRID, QUIET)
    assert len(found.rank) == 1 and len(judge.asked) == 1


def test_from_where_most_is_expected_facets_lead_down():
    judge = Dip()
    first = judge(np.array([[0.0, 0.0, -1.0]]), GRID, QUIET, "")
    found = _expected(judge, first, judge.foresee(even_directions(400)), 0.1, QUIET)
    assert angle_deg(found) < 0.5
    assert 1 < len(found.rank) <= 1 + HOPEFUL and found.directions[0] @ [0, 0, -1] == 1.0


def test_what_columns_add_counts_to_what_is_expected():
    """They found 5 where the facets said 1: only within half a radian less than 1.05 times 5 is expected."""
    judge = Dip(bound=0.1)
    first = looked(BEST[None], [5.0])
    lattice = even_directions(100)
    hopeful = judge.price(lattice) + 4.0 < 1.05 * 5.0
    found = _expected(judge, first, judge.foresee(lattice), 0.1, QUIET)
    assert 3 < hopeful.sum() < 12 and len(found.rank) == 1 + hopeful.sum()
    away = Dip(bound=0.1)
    foreseen = away.foresee(lattice[lattice @ BEST < 0.0])
    assert _expected(away, first, foreseen, 0.1, QUIET) is first and away.asked == []


def test_what_by_its_bound_cannot_be_less_is_not_expected_to_be():
    judge = Dip(bound=1.0)
    first = looked(BEST[None], [0.99])
    assert _expected(judge, first, judge.foresee(even_directions(100)), 0.1, QUIET) is first


def test_refining_ends_at_the_bottom_and_asks_the_likeliest_of_each_ring():
    judge = Dip()
    start = judge(even_directions(300), GRID, QUIET, "")
    judge.asked.clear()
    found = _refined(judge, start, 3, np.radians([1.0, 0.06]), QUIET)
    assert angle_deg(found) < 0.1
    assert len(found.rank) == 300 + sum(map(len, judge.asked))
    assert all(len(some) % TRIED == 0 and len(some) <= 3 * TRIED for some in judge.asked)


def test_refining_begins_where_the_part_stands_and_costs_little_more_than_the_best():
    apart = np.array([BEST, -BEST, [0.8, 0.6, 0.0]])
    tip = looked(apart, [1.0, 2.0, 2.0 * START_WORTH * 1.01], lean=20.0)
    tip.figures[0, LEAN_DEG] = 0.5  # the cheapest balances
    judge = Dip()
    _refined(judge, tip, 3, np.radians([1.0, 0.3]), QUIET)
    assert all(np.all(some @ -BEST > 0.9) for some in judge.asked)
    fallen = looked(apart, [1.0, 2.0, 3.0], lean=0.5)
    judge.asked.clear()
    _refined(judge, fallen, 3, np.radians([1.0, 0.3]), QUIET)
    assert all(np.all(some @ BEST > 0.9) for some in judge.asked)


def test_a_pattern_search_goes_on_as_far_as_its_least_step():
    judge = Dip()
    start = np.array([[0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    turns = []

    def look(tried):
        turns.append(len(tried))
        return tried, judge.price(tried.reshape(-1, 3)).reshape(tried.shape[:2])

    at = _descended(start, judge.price(start), np.array([0.2, 0.001]), look)
    assert np.arccos(np.minimum(at @ BEST, 1.0)).max() < 0.005
    assert turns[0] == 2 and turns == sorted(turns, reverse=True) and len(turns) < 50
    kept = _descended(BEST[None], np.array([0.5]), np.array([0.2, 0.001]), look)
    assert kept == pytest.approx(BEST[None])


def test_a_ring_lies_a_step_away_all_around_and_turns_from_round_to_round():
    centres = np.array([[0.0, 0.0, 1.0], BEST, [1.0, 0.0, 0.0]])
    steps = np.array([0.1, 0.02, 0.3])
    ring = _around(centres, steps, 0)
    assert ring.shape == (3, RING, 3)
    assert np.linalg.norm(ring, axis=2) == pytest.approx(1.0)
    assert np.einsum("drk,dk->dr", ring, centres) == pytest.approx(np.cos(steps)[:, None] * np.ones(RING))
    beside = np.einsum("drk,drk->dr", ring, np.roll(ring, 1, axis=1))
    expected = np.cos(steps) ** 2 + np.sin(steps) ** 2 * np.cos(2 * np.pi / RING)
    assert beside == pytest.approx(expected[:, None] * np.ones(RING))
    turned = np.einsum("drk,drk->dr", ring, _around(centres, steps, 1))
    golden = np.cos(steps) ** 2 + np.sin(steps) ** 2 * np.cos(2 * np.pi * 0.381966)
    assert turned == pytest.approx(golden[:, None] * np.ones(RING))


def test_a_denser_lattice_lies_around_what_was_good():
    dense = _between(BEST[None], 200)
    away = np.arccos(dense @ BEST)
    assert _spacing(200) == pytest.approx(np.radians(14.36), rel=1e-3)  # squares of 4 π / 200
    assert away.max() <= 0.7 * _spacing(200) and len(dense) > 5
    # as many as the lattice has in a cap of that size: half of 1 − cos of all 16 × 200
    assert len(dense) == pytest.approx(16 * 200 * (1 - np.cos(0.7 * _spacing(200))) / 2, rel=0.3)


def test_distinct_ones_are_so_far_apart_and_as_many_as_asked():
    around = _around(np.array([[0.0, 0.0, 1.0]]), np.array([np.radians(5.0)]), 0)[0]
    order = np.arange(RING)
    assert distinct(around, order, 1.0, 3) == [0, 1, 2]
    # neighbours on a ring of 5° lie 3.8° apart, the next but one 7.1°
    assert distinct(around, order, 5.0, RING) == [0, 2, 4, 6]
    assert distinct(around, order[::-1], 9.9, RING) == [7, 3]


def test_what_lies_nearly_flat_is_laid_flat_where_that_costs_no_more():
    resting = np.array([[0.0, 0.0, 1.0]])
    five, twenty = (np.array([np.sin(a), 0.0, np.cos(a)]) for a in np.radians([5.0, 20.0]))

    class Flat:
        def __call__(self, directions, grid, watch, step):
            return looked(directions, np.full(len(directions), 10.0))

    for total, flat in ((10.0 / FLAT_WORTH * 1.001, True), (10.0 / FLAT_WORTH * 0.999, False)):
        found = laid_flat(looked(np.array([five, twenty]), [total, 99.0]), Flat(), resting, QUIET)
        assert np.allclose(found.directions[0], resting[0] if flat else five)
        assert np.allclose(found.directions[1], twenty)
    same = looked(np.array([five]), [1.0])
    assert laid_flat(same, Flat(), np.zeros((0, 3)), QUIET) is same


def test_the_front_holds_what_nothing_beats_in_everything():
    at = even_directions(6)
    total, finish = [10.0, 11.0, 12.0, 10.0, 9.0, 8.0], [5.0, 2.0, 3.0, 5.0, 1.0, 0.5]
    some = looked(at, total, finish=np.array(finish))
    some.fit[4] = 0.9  # does not fit
    some.figures[5, LEAN_DEG] = 1.0  # does not stand
    # 0 and 3 are alike; 1 has the better surface and dearer printing; 2 is beaten by 1
    assert front_rows(some, False, False).tolist() == [0, 1]
    assert grouped(some.priced)[0, :2].tolist() == [5.0, 5.0]
    none = looked(at, total, finish=np.array(finish), fit=0.9, lean=1.0)
    assert front_rows(none, False, False).tolist() == [0, 5]


def test_what_does_not_fit_ranks_behind_all_that_does_the_nearest_first():
    some = looked(even_directions(3), [5.0, 1.0, 1.0], fit=np.array([1.0, 0.5, 0.9]))
    assert np.argsort(some.rank).tolist() == [0, 2, 1]
    both = joined(some, some.rows(np.array([2])))
    assert both.rank[3] == both.rank[2] and len(both.directions) == 4


def test_a_pyramid_rests_on_its_base_with_its_apex_up():
    corners = np.array([[-5, -5, 0], [5, -5, 0], [5, 5, 0], [-5, 5, 0], [0, 0, 6.0]])
    up = resting_directions(corners)
    assert len(up) == 5 and up[0] == pytest.approx([0.0, 0.0, 1.0])
    assert (up[1:, 2] < 0.0).all()  # on its sides the apex points down


@dataclass
class Pit(Dip):
    """Besides, a narrow pit about an even direction, in which it costs ``low``."""

    low: float = 0.9
    pit: np.ndarray = field(default_factory=lambda: even_directions(4000)[1234])

    def price(self, directions):
        return np.where(directions @ self.pit > np.cos(0.05), self.low, super().price(directions))


def prices(judge, count):
    return judge.price(even_directions(count))


@pytest.mark.parametrize(("low", "added"), [(0.9, 1), (0.97, 0)])
def test_a_side_that_the_search_passed_by_is_added_once_if_it_costs_clearly_less(low, added):
    judge = Pit(low=low)
    found = looked(BEST[None], [1.0])
    more = with_passed_by(judge, found, prices(judge, 4000), QUIET)
    assert len(more.rank) == 1 + added
    if added:
        assert more.directions[1] @ judge.pit > np.cos(0.05)


def test_where_nothing_fits_every_side_is_asked():
    more = with_passed_by(Pit(), looked(BEST[None], [1.0], fit=0.5), prices(Pit(), 400), QUIET)
    assert len(more.rank) == 401


@pytest.mark.parametrize(
    ("vertices", "faces"),
    [
        (np.zeros((3, 3)), np.array([[0, 1, 2]], np.int32)),
        (np.eye(3), np.zeros((0, 3), np.int32)),
    ],
    ids=["no size", "no faces"],
)
def test_what_has_no_surface_is_refused(vertices, faces):
    with pytest.raises(PartError, match="has no surface"):
        own_shape(Part("nothing", vertices, faces), Wish(load_process("pla-0.4")))


def test_of_what_lies_widely_on_the_bed_the_cheapest_is_kept():
    """However wide the faces of the hull are, and however dear it is: it may be all that stands by itself."""

    class Based(Dip):
        def foresee(self, directions):
            likely, least = super().foresee(directions)
            likely.figures[:, BASE_AREA] = own_mm2[-len(directions) :]
            return likely, least

    away = even_directions(40)
    dear = away[np.argsort(away @ BEST)]  # the dearest first
    resting = np.concatenate([dear[-12:], dear[:4]])
    own_mm2 = np.array([0.0] * 12 + [60.0, 100.0, 45.0, 49.0])  # half of 100 is wide
    kept = _bases(Based(), looked(dear[-12:], np.arange(12.0)), resting)
    wide = [np.abs(kept - direction).max(axis=1).min() < 1e-12 for direction in dear[:4]]
    assert wide == [True, True, False, False]
    assert len(kept) <= 7

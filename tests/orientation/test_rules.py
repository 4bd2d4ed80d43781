"""The rules of the search for positions one by one: what is looked at again, what is kept, how it is said."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from importlib import import_module
from types import SimpleNamespace as Given

import numpy as np
import pytest

from falsework import load_process
from falsework.errors import ProcessError
from falsework.kernels.column.intervals import BASE_AREA, BASE_LEAN_DEG, CONTACT_AREA, FIGURES
from falsework.objective import PARTS
from falsework.orientation import room, search
from falsework.orientation.body import body_of, mass_of, own_frame, sharp_edges, thinned
from falsework.orientation.directions import (
    even_directions,
    fit_ratios,
    hull_corners,
    outline_of,
    resting_faces,
    rotations_to_up,
    spin_between,
    spin_for,
    turn_deg_of,
)
from falsework.orientation.price import Priced, _odds
from falsework.orientation.search import compared, grouped
from falsework.orientation.shortlist import _apart, _bases, _chosen, _steady, _with_others
from falsework.orientation.value import Search
from falsework.part.part import Part
from falsework.watch import QUIET, Watch
from orientation.looks import BEST, looked
from solids import box, part_of

UP = np.array([0.0, 0.0, 1.0])


def on_circle(*degrees: float) -> np.ndarray:
    angle = np.radians(degrees)
    return np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)


# --- the search as a whole ---

CUBE = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])


@dataclass
class Bowl:
    """A price that rises with the angle from ``BEST``; facets see all of it, and bound it by nine tenths."""

    body: object = field(default_factory=lambda: Given(points=CUBE))
    hidden: float = 0.0
    load_axis: None = None
    asked: list = field(default_factory=list)
    dearest: dict = field(default_factory=dict)
    bound: float = 0.9
    needs: float = 1.0  # of undersides, as columns see them; facets see 1

    def price(self, directions):
        return 1.0 + np.arccos(np.clip(directions @ BEST, -1.0, 1.0)) ** 2

    def __call__(self, directions, grid, watch, step):
        watch.at(step, 0.0)
        self.asked.append((grid, len(directions), step))
        self.dearest[step] = float(self.price(directions).max()) if len(directions) else 0.0
        found = looked(directions, self.price(directions))
        found.figures[:, CONTACT_AREA] = self.needs
        return found

    def likely_price(self, directions):
        return self.price(directions)

    def foresee(self, directions):
        found = looked(directions, self.price(directions))
        found.figures[:, CONTACT_AREA] = 1.0
        return found, self.bound * self.price(directions)


@dataclass
class Plain(Bowl):
    """Everywhere nearly the same; facets leave hope everywhere."""

    def price(self, directions):
        return 1.0 + 1e-3 * super().price(directions)


def steps_of(asked, step):
    return [(grid, count) for grid, count, what in asked if what == step]


def test_a_search_from_coarse_columns_to_fine_ones() -> None:
    """24 probes; today and six resting faces; of 400 even directions 48 (12 %), none dearer than 1.15 times
    the best, again on finer columns; so between, at most 30; then ten and four pattern searches."""
    judge, told = Bowl(), []
    found, weighed, resting = search.searched(judge, UP, 400, Watch(tell=lambda what, at: told.append(at)))
    assert len(resting) == 6 and found.directions[0].tolist() == UP.tolist()
    angle = np.degrees(np.arccos(min(1.0, float(found.directions[np.argmin(found.rank)] @ BEST))))
    assert angle < 0.06
    every = steps_of(judge.asked, "looking at every side")
    assert every[0] == (64, 24) and every[1] == (128, 1) and {grid for grid, _ in every} == {64, 128}
    near = np.sort(judge.price(even_directions(400)))
    ((grid, again),) = steps_of(judge.asked, "looking closer")
    assert grid == 128 and 8 < again <= np.count_nonzero(near <= 1.15 * near[0]) < 48
    assert 1.1 * near[0] < judge.dearest["looking closer"] <= 1.15 * near[0]
    between = steps_of(judge.asked, "looking between")
    assert between[0][0] == 128 and between[0][1] <= 30
    assert judge.dearest["looking between"] <= 1.15 * near[0]
    assert {grid for grid, _ in steps_of(judge.asked, "refining")} == {128}
    assert told == sorted(told) and told[0] >= 0.0 and told[-1] <= 1.0
    plain = Bowl()
    rough, _, _ = search.searched(plain, UP, 400, QUIET, refine=False)
    assert steps_of(plain.asked, "refining") == [] and len(rough.rank) < len(found.rank)
    assert weighed > len(found.rank) + 400


def test_a_way_down_begins_with_half_of_what_lies_between_directions(monkeypatch) -> None:
    """Those of a lattice sixteen times as dense, whose cells are 4π / 6400; all that were weighed count."""
    asked, expected, between = {}, search._expected, search._between

    def noted(judge, looked, foreseen, step, watch):
        asked["step"] = step
        return expected(judge, looked, foreseen, step, watch)

    def near(directions, count):
        asked["dense"] = between(directions, count)
        return asked["dense"]

    monkeypatch.setattr(search, "_expected", noted)
    monkeypatch.setattr(search, "_between", near)
    found, weighed, _ = search.searched(Bowl(), UP, 400, QUIET, refine=False)
    assert asked["step"] == pytest.approx(0.5 * np.sqrt(4.0 * np.pi / 6400.0))
    assert weighed == len(found.rank) + 400 + len(asked["dense"])


@pytest.mark.parametrize(("count", "again"), [(100, 40), (400, 48), (600, 72)])
def test_of_what_is_alike_everywhere_a_share_is_looked_at_again(count, again) -> None:
    """12 % of all directions, at least 40; between them at most 30, and ten and four ways are refined."""
    judge = Plain()
    search.searched(judge, UP, count, QUIET)
    ((grid, closer),) = steps_of(judge.asked, "looking closer")
    assert (grid, closer) == (128, again)
    assert steps_of(judge.asked, "looking between")[0] == (128, 30)
    refined = [some for _, some in steps_of(judge.asked, "refining")]
    assert refined[0] == 10 * 4 and 4 * 4 in refined


def test_today_is_all_where_nothing_can_be_cheaper() -> None:
    judge = Bowl(bound=100.0, body=Given(points=np.zeros((3, 3))))
    found, _, resting = search.searched(judge, BEST, 400, QUIET, refine=False)
    assert len(resting) == 0 and found.rank[0] == pytest.approx(1.0)
    assert sum(count for _, count in steps_of(judge.asked, "looking at every side")[1:]) < 30
    none, weighed, resting = search.searched(Bowl(), UP, 400, QUIET, below=0.5)
    assert none.directions.tolist() == [UP.tolist()] and weighed == 401 and len(resting) == 0


@pytest.mark.parametrize(("needs", "hidden"), [(1.0, 0.0), (0.9, 0.2), (0.4, 1.0), (1.5, 0.0)])
def test_twice_what_columns_miss_of_the_needs_is_not_believed(needs, hidden) -> None:
    assert search.with_hidden(Bowl(needs=needs), QUIET).hidden == pytest.approx(hidden)


def test_sides_that_were_passed_by() -> None:
    """Of those that cost less than 95 % of the best at most ten, three degrees apart."""
    judge = Bowl()
    prices = judge.price(even_directions(4000))
    found = looked(-BEST[None], [2.0])
    more = search.with_passed_by(judge, found, prices, QUIET)
    assert len(more.rank) == 11 and judge.asked[-1][0] == 128
    apart = more.directions[1:] @ more.directions[1:].T - 2 * np.eye(10)
    assert apart.max() <= np.cos(np.radians(3.0)) + 1e-12
    same = looked(BEST[None], [float(prices.min()) / 0.94999])
    assert len(search.with_passed_by(judge, same, prices, QUIET).rank) == 2
    same = looked(BEST[None], [float(prices.min()) / 0.95001])
    assert search.with_passed_by(judge, same, prices, QUIET) is same


def test_what_is_compared_and_what_prices_are_grouped_by() -> None:
    assert compared(False, False) == [0, 1, 2] and compared(True, False) == [0, 1, 2, 3]
    assert compared(False, True) == [0, 1, 2, 4] and compared(True, True) == [0, 1, 2, 3, 4]
    parts = {"filament": 1.0, "time": 2.0, "finish": 4.0, "scars": 8.0, "show": 16.0, "hands": 32.0}
    parts |= {"inside": 64.0, "risk": 128.0, "strength": 256.0}
    row = np.array([[parts[name] for name in PARTS]])
    zero = np.zeros(1)
    priced = Priced(zero, zero, zero, zero, zero, row)
    assert grouped(priced).tolist() == [[3.0, 12.0, 224.0, 16.0, 256.0]] and priced.total.tolist() == [511.0]


def test_ranks_of_what_does_not_fit() -> None:
    some = looked(on_circle(0, 90, 180), [5.0, 5.0, 5.0], fit=np.array([1.0, 0.5, 0.0]))
    assert some.rank.tolist() == [5.0, 2e12, pytest.approx(1e21)]
    assert search.laid_flat(some, None, np.zeros((0, 3)), QUIET) is some


def test_the_front_in_steps_of_half_a_per_cent() -> None:
    """Of a total of 100 half a unit is a step: 40.2 and 40.0 of finish are alike, 40.2 and 39.7 are not."""
    at = on_circle(0, 90)
    alike = looked(at, [100.0, 100.2], finish=np.array([40.2, 40.0]))
    assert search.front_rows(alike, False, False).tolist() == [0]
    apart = looked(at, [100.0, 100.2], finish=np.array([40.2, 39.7]))
    assert search.front_rows(apart, False, False).tolist() == [0, 1]


def test_what_stands_and_needs_no_support_worth_the_name() -> None:
    """Half a mm² and a thousandth of the level surfaces; what topples at 2° of a lean does not stand."""
    process = load_process("pla-0.4")
    body = Given(volume_mm3=1000.0)
    judge = search.Judge(body, 10.0 * CUBE, process, Given(), None)
    figures = np.zeros((4, FIGURES))
    figures[:, CONTACT_AREA] = [0.7, 0.71, 0.7, 0.7]
    figures[:, BASE_LEAN_DEG] = [2.1, 2.1, 2.0, 30.0]
    sums = np.tile([0.0, 200.0, 0.0, 0.0], (4, 1))
    object.__setattr__(judge, "_priced", lambda *how: None)
    assert judge._looked(np.tile(UP, (4, 1)), figures, sums).negligible.tolist() == [True, False, False, True]
    assert judge._across(np.array([UP, [1.0, 0, 0]])).tolist() == [0.0, 0.0]
    loaded = replace(judge, load_axis=np.array([0.6, 0.0, 0.8]))
    assert loaded._across(np.array([UP, [1.0, 0, 0]])) == pytest.approx([0.64, 0.36])
    flat = search.Judge(body, CUBE * [10.0, 10.0, 0.05], process, Given(), None)
    assert flat._prints(np.array([UP, [1.0, 0, 0]])).tolist() == [False, True]


def test_directions_are_shared_among_threads_alike() -> None:
    judge = search.Judge(None, CUBE, None, None, None, threads=3)
    rows = np.arange(10.0).reshape(5, 2)
    seen = []
    out = judge._shared(lambda at: seen.append(len(at)) or 2 * at, rows)
    assert out.tolist() == (2 * rows).tolist() and sorted(seen) == [1, 2, 2]
    assert replace(judge, threads=1)._shared(lambda at: at, rows) is rows


def test_how_many_directions_may_be_asked_for() -> None:
    assert [Search(n).count for n in (50, 200_000)] == [50, 200_000]
    assert (Search().count, Search().everywhere, Search().many) == (2000, 50_000, False)
    assert (Search(2000).many, Search(2001).many, Search(60).everywhere) == (False, True, 60)
    for wrong in (49, 200_001, 60.0, True):
        with pytest.raises(ProcessError, match="Give 50 to 200000"):
            Search(wrong)


# --- what is kept ---


def test_the_cheapest_and_the_best_of_every_sort_are_kept_first() -> None:
    """Apart by 10°, at most six; what differs by less than 2 % in every part of the price is one."""
    at = on_circle(0, 40, 80, 120, 160, 200, 240, 280)
    total = np.array([10.0, 10.5, 11.0, 11.5, 12.0, 12.5, 13.0, 13.5])
    finish = np.array([8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0])
    assert _chosen(looked(at, total, finish=finish), False, False).tolist() == [0, 7, 1, 2, 3, 4]
    near = on_circle(0, 9.9, 20, 120)
    some = looked(near, total[:4], finish=finish[:4])
    assert _chosen(some, False, False).tolist() == [0, 3, 2]
    alike = looked(at[:3], [10.0, 10.08, 10.6], finish=np.array([5.0, 4.9, 4.0]))
    assert _chosen(alike, False, False).tolist() == [0, 2]


def test_resting_faces_that_are_kept() -> None:
    """The widest two, of those with half as much of the part on the bed as any the two that facets find
    cheapest, and the cheapest three of those looked at; ten degrees apart."""

    def kept(found, resting, base_mm2=(), facets=()):
        count = len(resting)
        likely = looked(resting, facets or np.arange(1.0, count + 1)) if count else None
        if count:
            likely.figures[:, BASE_AREA] = base_mm2 or 1.0
        return _bases(Given(foresee=lambda ups: (likely, None)), found, resting).tolist()

    resting = on_circle(0, 30, 60, 90, 120, 150, 180, 210)
    total = np.array([8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0])
    base = (0.0, 0.0, 4.9, 5.0, 10.0, 6.0, 0.0, 0.0)
    found = kept(looked(resting, total), resting, base, (1.0, 1.0, 1.0, 9.0, 8.0, 7.0, 1.0, 1.0))
    assert found == resting[[0, 1, 5, 4, 7, 6]].tolist()
    some = kept(looked(resting[:3], total[:3]), resting[:3])
    assert some == resting[[0, 1, 2]].tolist()
    assert kept(looked(resting, total), np.zeros((0, 3))) == []
    close = on_circle(0, 9, 18, 90)
    assert kept(looked(close, total[:4]), close) == close[[0, 2, 3]].tolist()


def test_lies_no_farther_apart_than_half_a_degree_are_one() -> None:
    fine = looked(on_circle(0, 0.4, 50, 50.6, 51.0, 120), [9.0, 1.0, 3.0, 2.0, 4.0, 5.0])
    assert _apart(fine) == [3, 2, 5]


def test_others_near_to_one_of_the_few_are_measured_too() -> None:
    """Within 10° of it, 0.3° apart from each other, at most eight."""
    degrees = [0.0, 0.2, 0.4, 9.9, 10.1, 50.0, *np.arange(1.0, 9.0)]
    found = looked(on_circle(*degrees), np.arange(1.0, 1.0 + len(degrees)))
    rows = _with_others(found, np.array([0]))
    assert rows[0] == 0 and rows[1:3].tolist() == [2, 3]
    assert 1 not in rows and 4 not in rows and 5 not in rows and len(rows) <= 9


def test_each_gives_way_to_the_cheapest_of_the_others_nearest_to_it() -> None:
    measured = looked(on_circle(0, 90, 2, 88, 3), [5.0, 5.0, 4.0, 6.0, 3.0])
    assert _steady(measured, 2).directions.tolist() == measured.directions[[4, 1]].tolist()


# --- fitting ---


@pytest.mark.parametrize(
    ("size", "bed", "spin", "share"),
    [
        ((30.0, 10.0), (100.0, 100.0), 0.0, 3.33337),
        ((10.0, 30.0), (100.0, 80.0), -90.0, 3.33337),  # its longer side along the bed's
        ((10.0, 30.0), (80.0, 100.0), 0.0, 3.33337),
        ((300.0, 10.0), (100.0, 100.0), None, 0.4562),  # best along the diagonal
    ],
)
def test_an_outline_laid_squarely_on_the_bed(size, bed, spin, share) -> None:
    x, y = size
    found, ratio = spin_for(np.array([[0.0, 0], [x, 0], [x, y], [0, y]]), bed)
    assert ratio == pytest.approx(share, rel=1e-3)
    if spin is not None:
        assert abs(found) == pytest.approx(abs(spin), abs=1e-6)
    else:
        assert 40.0 <= abs(found) <= 50.0


def test_a_turned_outline_is_turned_back_the_shortest_way() -> None:
    c, s = np.cos(np.radians(20.0)), np.sin(np.radians(20.0))
    corners = np.array([[0.0, 0], [40, 0], [40, 10], [0, 10]]) @ np.array([[c, s], [-s, c]])
    assert spin_for(corners, (200.0, 200.0))[0] == pytest.approx(-20.0)


def test_share_at_which_a_box_fits_in_some_turn_about_the_vertical() -> None:
    corners = CUBE * [300.0, 20.0, 30.0]
    found = fit_ratios(
        corners, rotations_to_up(np.array([UP, [1.0, 0, 0], [0, 1.0, 0]])), (220.0, 220.0, 250.0)
    )
    diagonal = 220.0 * np.sqrt(2.0) / 320.0
    assert found == pytest.approx([diagonal, 250.0 / 300.0, 220.0 * np.sqrt(2.0) / 330.0], rel=2e-3)
    assert np.isinf(fit_ratios(CUBE * 100.0, rotations_to_up(UP[None]), (220.0, 220.0, 250.0))).all()
    # 2 x its farthest corner just reaches the least side: it fits whatever way it lies
    assert np.isinf(fit_ratios(CUBE * 127.0, rotations_to_up(UP[None]), (220.0, 220.0, 250.0))).all()
    assert not np.isinf(fit_ratios(CUBE * 127.1, rotations_to_up(UP[None]), (220.0, 220.0, 250.0))).any()


@pytest.mark.parametrize(
    ("size", "pieces"),
    [
        ((700.0, 20.0, 10.0), 3),
        ((500.0, 20.0, 10.0), 2),
        ((440.0, 440.0, 10.0), 4),
        ((700.0, 700.0, 700.0), 48),
    ],
)
def test_pieces_that_a_cut_straight_across_would_leave(size, pieces) -> None:
    """The side of 250 mm along the longest: 700 is 2.8 of it; 48 = 4 x 4 x 3."""
    found = room.room_for(part_of(*box(size)), load_process("pla-0.4"))
    assert found is not None and found.pieces == pieces


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (0.91666, "0.916"),
        (1.2345, "1.23"),
        (0.06289, "0.0628"),
        (12.39, "12.3"),
        (0.5, "0.5"),
        (123.9, "123"),
    ],
)
def test_a_factor_is_rounded_down_to_three_figures(factor, said) -> None:
    assert room._rounded_down(factor) == said


def test_outlines_and_hulls_of_what_has_none() -> None:
    line = np.array([[0.0, 1.0], [2.0, 1.0], [1.0, 1.0]])
    assert outline_of(line).tolist() == [[0.0, 1.0], [2.0, 1.0], [2.0, 1.0], [0.0, 1.0]]
    assert sorted(outline_of(np.array([[0.0, 0], [2, 0], [1, 0.5], [1, 2]])).tolist()) == [
        [0, 0],
        [1, 2],
        [2, 0],
    ]
    flat = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    assert hull_corners(flat) is flat and resting_faces(flat)[0].shape == (0, 3)
    inner = np.concatenate([CUBE, [[0.5, 0.5, 0.5]]])
    assert len(hull_corners(inner)) == 8
    ups, areas = resting_faces(CUBE * [3.0, 2.0, 1.0])
    assert areas == pytest.approx([6.0, 6.0, 3.0, 3.0, 2.0, 2.0])
    assert np.abs(ups[:2, 2]) == pytest.approx([1.0, 1.0]) and len(resting_faces(CUBE, 2)[0]) == 2
    # a strip that leans by 0.3° is one face with what it borders, and the wider of both says how it lies
    drop = 0.5 * np.tan(np.radians(0.3))
    edged = np.concatenate([CUBE * [10.0, 10.0, 1.0], [[10.5, y, z] for y in (0, 10) for z in (0, 1 - drop)]])
    ups, areas = resting_faces(edged)
    assert [0.0, 0.0, -1.0] in np.round(ups, 9).tolist() and areas[:2] == pytest.approx(
        [105.0, 105.0], rel=1e-4
    )


def test_turns_of_a_direction() -> None:
    assert turn_deg_of(UP) == (0.0, 0.0, 0.0) and turn_deg_of(-UP) == (180.0, 0.0, 0.0)
    assert turn_deg_of(np.array([1.0, 0.0, 0.0]), 30.0) == (0.0, -90.0, 30.0)
    assert turn_deg_of(np.array([0.0, 1.0, 0.0])) == (90.0, 0.0, 0.0)
    assert turn_deg_of(np.array([0.6, 0.0, 0.8]), -180.0) == (0.0, pytest.approx(-36.8699), 180.0)
    assert turn_deg_of(UP, 20.000002)[2] == 20.000002
    for way in even_directions(7):
        for spin in (0.0, 25.0):
            turned = rotations_to_up(way[None], spin)[0]
            assert turned @ way == pytest.approx(UP, abs=1e-12)
            plain = rotations_to_up(way[None])[0]
            assert spin_between(plain, turned) == pytest.approx(spin)
            assert spin_between(turned, plain) == pytest.approx(-spin)


def test_even_directions_are_even() -> None:
    """Each of n holds 4π / n: their sum is nought, and a cap of a quarter of the sphere has a quarter."""
    found = even_directions(1000)
    assert np.linalg.norm(found, axis=1) == pytest.approx(np.ones(1000))
    assert np.abs(found.mean(axis=0)).max() < 2e-3
    for axis in (*np.eye(3), BEST):
        assert np.count_nonzero(found @ axis > 0.5) == pytest.approx(250, abs=6)
    assert found[[0, -1], 2] == pytest.approx([0.999, -0.999])


# --- the body ---


def test_mass_of_a_box_and_of_a_sheet() -> None:
    vertices, faces = box((4.0, 5.0, 6.0))
    volume, center = mass_of(vertices + 1.0, faces)
    assert volume == pytest.approx(120.0)
    assert center == pytest.approx(vertices.mean(axis=0) + 1.0)
    assert mass_of(vertices, faces[:, ::-1])[0] == pytest.approx(-120.0)
    sheet = np.array([[0.0, 0, 0], [3, 0, 0], [0, 3, 0]])
    volume, center = mass_of(sheet, np.array([[0, 1, 2]], np.int32))
    assert volume == 0.0 and center == pytest.approx([1.0, 1.0, 0.0])
    turned = body_of(vertices, np.ascontiguousarray(faces[:, ::-1]), np.zeros(len(faces), bool))
    assert turned.volume_mm3 == pytest.approx(120.0)
    outward = ((turned.middles - vertices.mean(axis=0)) * turned.normals).sum(axis=1)
    assert (outward > 0.0).all()


def test_mass_of_a_tip_lies_a_quarter_up() -> None:
    """A right-angled tip with legs of 4 mm: 32/3 mm³; its surface has its middle lower."""
    vertices = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0], [0, 0, 4]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
    volume, middle = mass_of(vertices, faces)
    assert volume == pytest.approx(32 / 3) and middle == pytest.approx(np.ones(3))


def test_edges_of_a_box_are_sharp_and_those_of_a_dent_are_not() -> None:
    vertices, faces = box((4.0, 5.0, 6.0))
    body = body_of(vertices, faces, np.zeros(len(faces), bool))
    assert len(body.edges) == 12
    ends = {tuple(sorted(map(int, e))) for e in body.edges}
    lengths = sorted(np.linalg.norm(vertices[a] - vertices[b]) for a, b in ends)
    assert lengths == pytest.approx([4.0] * 4 + [5.0] * 4 + [6.0] * 4)
    inside = sharp_edges(vertices, np.ascontiguousarray(faces[:, ::-1]), -body.normals.astype(float))
    assert len(inside[0]) == 0


def test_axes_of_its_own_turn_with_the_part() -> None:
    wedge = np.array([[0, 0, 0], [30, 0, 0], [0, 20, 0], [0, 0, 7.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], np.int32)
    frame = own_frame(wedge, faces)
    assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-9) and np.linalg.det(frame) == pytest.approx(
        1.0
    )
    for way in even_directions(5):
        turn = rotations_to_up(way[None], 40.0)[0]
        assert own_frame(wedge @ turn.T, faces) @ turn == pytest.approx(frame, abs=1e-6)
    square = box((10.0, 10.0, 30.0))
    upright = own_frame(*square)
    assert np.abs(upright).max(axis=1) == pytest.approx(np.ones(3))
    cube = own_frame(*box((10.0, 10.0, 10.0)))
    assert np.abs(cube).max(axis=1) == pytest.approx(np.ones(3)) and np.linalg.det(cube) == pytest.approx(1.0)


def test_small_meshes_are_searched_as_they_are() -> None:
    part = part_of(*box((10.0, 10.0, 10.0)))
    body, tolerance = thinned(part, part.vertices, np.zeros(len(part.faces), bool), 0.5)
    assert tolerance == 0.0 and len(body.faces) == len(part.faces)


def test_large_closed_meshes_are_thinned_but_not_across_marked_faces() -> None:
    from manifold3d import Manifold

    mesh = Manifold.cube((40.0, 40.0, 40.0)).refine(60).to_mesh64()
    vertices = np.asarray(mesh.vert_properties)[:, :3].copy()
    faces = np.asarray(mesh.tri_verts).astype(np.int32)
    part = Part("block", vertices, faces)
    body, tolerance = thinned(part, vertices, np.zeros(len(faces), bool), 0.05)
    assert tolerance == 0.05 and len(body.faces) == 12
    opened = Part("open", vertices, faces[1:])
    assert thinned(opened, vertices, np.zeros(len(faces) - 1, bool), 0.05)[1] == 0.0
    top = vertices[faces].mean(axis=1)[:, 2] > 39.9
    marked, _ = thinned(part, vertices, top, 0.05)
    assert marked.areas[marked.show == 1].sum() == pytest.approx(1600.0, rel=1e-6)


def test_odds_of_failing_are_no_more_than_one_print() -> None:
    assert _odds(np.array([0.0, 0.2, 0.5, 0.6, 1.0])) == pytest.approx([0.0, 0.25, 1.0, 1.0, 1.0])


@pytest.mark.parametrize(
    ("wanted", "thinned_mm", "prices", "searched", "device"),
    [
        (False, 0.0, None, (9000, False), "cpu"),
        (False, 0.02, None, (9000, False), "cpu"),
        (True, 0.02, np.array([1.0] * 7 + [np.inf]), (2000, True), "gpu"),
        (True, 0.0, None, (2000, False), "cpu after gpu failed"),
    ],
)
def test_what_counts_columns_and_on_what(monkeypatch, wanted, thinned_mm, prices, searched, device) -> None:
    """Of 9000 directions 2000 are looked at where a graphics processor prices all of them."""
    shortlist = import_module("falsework.orientation.shortlist")  # the package has a function of that name
    asked = []

    def look(judge, count, watch):
        asked.append(count)
        return "looked", 11, "resting"

    def passed_by(judge, looked, prices, watch):
        return f"{looked} and what was passed by"

    monkeypatch.setattr(shortlist, "wanted", lambda device, many: wanted)
    monkeypatch.setattr(shortlist, "_judge", lambda body, own, wish, context: body)
    monkeypatch.setattr(shortlist, "with_passed_by", passed_by)
    monkeypatch.setattr(shortlist, "_priced_there", lambda judge, count, watch: prices)
    own = Given(thinned=lambda process: ("thin", thinned_mm), whole=lambda: "whole")
    context, search = Given(watch=QUIET, device="auto"), Given(many=True, count=9000, everywhere=9)
    (looked, looks, resting), on = shortlist._found(own, Given(process=None), look, search, context)
    count, all_of_them = searched
    assert asked == [count] and resting == "resting"
    assert (looked, looks) == (("looked and what was passed by", 18) if all_of_them else ("looked", 11))
    assert (on.whole, on.thinned_mm, on.device) == ("whole" if thinned_mm else "thin", thinned_mm, device)

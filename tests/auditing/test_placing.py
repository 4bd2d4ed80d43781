"""How the part is found in a program, step by step, with what lies beneath given."""

from __future__ import annotations

import math
from types import SimpleNamespace as Given

import numpy as np
import pytest
import shapely

from falsework.auditing import placement
from falsework.auditing.deposit import ASIDE, PART, SUPPORT
from falsework.auditing.placement import PlacedSections, _along, _fit, outward, strand_points
from falsework.auditing.survey import Usual
from falsework.kernels.bead import strands as cut

USUAL = Usual(0.2, 0.5)


def placed(turn=90.0, shift=(10.0, 20.0, 0.6)) -> PlacedSections:
    """Two sections of 4 x 2 mm, 0.2 mm high each, with supports up to 3 mm around."""
    region = shapely.box(0, 0, 4, 2)
    stack = Given(z_mm=np.array([0.0, 0.2, 0.4]), count=2, regions=[region, region])
    at = Given(turn_deg=turn, shift_mm=shift)
    return PlacedSections(at, stack, [region, shapely.box(0, 0, 2, 2)], shapely.box(-3, -3, 7, 5))


def test_points_of_the_program_and_of_the_part() -> None:
    one = placed()
    assert one.to_program(np.array([[4.0, 1.0]])) == pytest.approx(np.array([[9.0, 24.0]]))
    assert one.to_part(np.array([[9.0, 24.0]])) == pytest.approx(np.array([[4.0, 1.0]]))
    assert [one.layer_at(z) for z in (0.59, 0.61, 0.79, 0.81, 0.99, 1.01)] == [-1, 0, 0, 1, 1, -1]


def test_whose_a_strand_is_by_two_of_three_points_along_it() -> None:
    """At 0.2, 0.5 and 0.8 of its length; outside by its middle; below the part everything lies aside."""
    one = placed(0.0, (0.0, 0.0, 0.0))

    def owner(x0, x1, z=0.2, y=1.0):
        return int(one.owners(z, 0.2, np.array([[x0, y, z, x1, y, z]]))[0])

    assert owner(3.0, 4.9) == PART and owner(3.0, 5.1) == SUPPORT  # the middle at 3.95, at 4.05
    assert owner(4.1, -0.9) == PART  # 0.2 of its way beyond: the other two inside
    assert owner(6.0, 7.9) == SUPPORT and owner(6.0, 8.1) == ASIDE
    assert owner(1.0, 2.9, z=0.4) == PART and owner(2.1, 3.9, z=0.4) == SUPPORT
    assert owner(1.0, 2.0, z=0.7) == ASIDE
    assert (
        one.owners(0.32, 0.2, np.array([[2.5, 1, 0.32, 3.5, 1, 0.32]]))[0] == SUPPORT
    )  # by the layer's middle


def rows_of(*ends):
    rows = np.zeros((len(ends), cut.STRAND))
    rows[:, [cut.AX, cut.AY, cut.BX, cut.BY]] = ends
    return rows


def test_points_along_strands_and_outlines() -> None:
    step = 0.25
    points, normal = strand_points(rows_of((0, 0, 4 * step, 0), (0, 1, 0, 1 + step / 2)))
    assert points[:4, 0].tolist() == pytest.approx([step * (k + 0.5) for k in range(4)]) and len(points) == 5
    assert normal[[0, 4]].tolist() == [[0.0, 1.0], [-1.0, 0.0]]
    ring = _along(shapely.box(0, 0, 4, 2), 0.5)
    assert len(ring) == 24 and _along(shapely.Polygon(), 0.5).shape == (0, 2)
    assert shapely.box(0, 0, 4, 2).exterior.distance(shapely.points(ring)).max() < 1e-9
    holed = shapely.box(0, 0, 9.7, 9.0).difference(shapely.box(4, 4, 6.1, 6))
    at, out = outward(holed)
    beyond = shapely.contains_xy(holed, *(at + 0.01 * out).T)
    assert not beyond.any() and shapely.contains_xy(holed, *(at - 0.01 * out).T).all()
    assert np.hypot(*out.T) == pytest.approx(np.ones(len(out)))
    assert len(at) == 46 + 10  # 37.4 and 8.2 mm, a point every 0.8 mm


def test_how_well_outlines_fit_strands() -> None:
    """Within 0.6 of a width of 0.5 mm: three of four points, and one of two just outside."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]))
    outline = np.array([[0.0, 0.1], [1.0, 0.29], [2.0, 0.31], [3.0, 0.2]])
    match = Given(outline=[outline], outside=[np.array([[0.0, 0.2], [0.0, 0.5]])], trees=[tree])
    assert _fit(match, 0.0, np.zeros(2), USUAL) == pytest.approx((0.75, 0.5, 0.245))
    assert _fit(match, 0.0, np.array([0.0, -0.2]), USUAL)[0] == 1.0
    assert _fit(match, 180.0, np.array([3.0, 0.0]), USUAL)[0] == 0.75


def fitted(score, turn=0.0, misfit=0.0, shift=(0.0, 0.0, 0.0)):
    return placement._Fitted(placement.ProgramPlacement(turn, shift, misfit, score, 0.0), score)


def test_right_angles_are_enough_where_one_fits_well(monkeypatch) -> None:
    asked = []
    scores = {}

    def best_of(match, correlator, turns, dz, usual):
        asked.append(turns)
        return fitted(scores[len(turns)], turn=float(turns[0]))

    monkeypatch.setattr(placement, "_matching", lambda *how: Given(outline=[1]))
    monkeypatch.setattr(placement, "_Correlator", lambda match: None)
    monkeypatch.setattr(placement, "_best_of", best_of)
    monkeypatch.setattr(placement, "_drawn_on", lambda match, best, dz, usual: best)
    good, sure = 0.9, 0.02

    def found(right, other):
        asked.clear()
        scores.update({4: right, 68: other})
        return placement._search(None, None, USUAL, 0.0).placement.turn_deg

    assert found(good, 1.0) == 0.0 and asked == [(0.0, 90.0, 180.0, 270.0)]
    assert found(good - 0.01, 1.0) == 5.0 and len(asked[1]) == 68 and asked[1][-1] == 355.0
    assert found(0.5, 0.5 + 0.9 * sure) == 0.0 and found(0.5, 0.5 + 1.1 * sure) == 5.0
    monkeypatch.setattr(placement, "_matching", lambda *how: Given(outline=[]))
    none = placement._search(None, None, USUAL, 0.4)
    assert none.score == 0.0 and none.placement.shift_mm == (0.0, 0.0, 0.4)


def test_the_four_most_promising_turns_are_drawn_on_and_the_least_wins_among_equals(monkeypatch) -> None:
    scores = {0: 0.30, 5: 0.50, 10: 0.45, 15: 0.40, 20: 0.20, 25: 0.35}
    drawn = []
    becomes = {}

    def refined(match, turn, shift, dz, usual):
        drawn.append((turn, *np.round(shift, 3).tolist()))
        return fitted(becomes.get(turn, 0.1), turn)

    monkeypatch.setattr(placement, "_refined", refined)
    correlator = Given(best=lambda t: (scores[t], np.array([float(t), 1.0])), cell=2.0)

    def best(**of):
        drawn.clear()
        becomes.clear()
        becomes.update({int(k[1:]): v for k, v in of.items()})
        return placement._best_of(None, correlator, tuple(scores), 0.0, USUAL).placement.turn_deg

    assert best(t10=0.2) == 10 and [d[0] for d in drawn] == [5, 10, 15, 25]
    assert best(t5=0.2, t10=0.2) == 5
    middling = 0.51
    assert best(t10=middling) == 10
    aside = [
        (t, t + 2.0 * x, 1.0 + 2.0 * y) for t in (5, 10) for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y
    ]
    assert drawn[4:] == [pytest.approx(one) for one in aside]
    assert best(t10=0.98) == 10 and len(drawn) == 4


def test_a_part_stands_on_the_bed_or_ends_at_the_top(monkeypatch) -> None:
    """10 mm high in a program of 10.31: on a raft of two layers of 0.2; in one of 10.29 it can but stand."""
    tried = []

    def search(stack, found, usual, dz):
        tried.append(dz)
        return placement._Fitted(
            placement.ProgramPlacement(0.0, (0.0, 0.0, dz), 0.0, 1.0, 0.0), scores[len(tried) - 1]
        )

    region = shapely.box(0, 0, 4, 2)
    stack = Given(regions=np.array([region]), count=1, z_mm=np.array([0.0, 10.0]))
    monkeypatch.setattr(placement, "_sections", lambda part, found, dz: stack)
    monkeypatch.setattr(placement, "_search", search)
    part = Given(vertices=np.array([[0.0, 0, 0], [0, 0, 10.0]]))

    def at(top):
        tried.clear()
        one = placement.place_in(part, Given(z_mm=np.array([0.2, top])), USUAL, around_mm=3.0)
        assert shapely.bounds(one.shadow).tolist() == pytest.approx([-3, -3, 7, 5], abs=0.01)
        assert shapely.bounds(one.sections[0]).tolist() == pytest.approx([-0.125, -0.125, 4.125, 2.125])
        return tried.copy(), one.placement.shift_mm[2]

    scores = [0.5, 0.9]
    assert at(10.29) == ([0.0], 0.0)
    assert at(10.31) == ([0.0, pytest.approx(0.4)], pytest.approx(0.4))
    scores = [0.9, 0.9 + 0.018]
    assert at(10.31)[1] == 0.0
    assert math.isclose(placement._turned(np.array([[1.0, 0.0]]), 90.0)[0, 1], 1.0)

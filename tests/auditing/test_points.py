"""Points along strands, who crosses whom, outlines that are not followed, and least squares, by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace as Given

import numpy as np
import pytest

from falsework.auditing import gather, outlines
from falsework.auditing.deposit import BED, PART
from falsework.auditing.fits import robust_fit
from falsework.auditing.outlines import outline_findings
from falsework.auditing.points import (
    _closed,
    crossed,
    hanging_together,
    neighbours,
    points_along,
    running_across,
)
from falsework.kernels.bead import laying


def ends(*rows) -> np.ndarray:
    return np.array(rows, float).reshape(-1, 4)


def test_points_stand_in_the_middle_of_equal_pieces() -> None:
    found = points_along(ends((0, 0, 1.2, 0), (0, 5, 0, 5.3)), 0.5, 100)
    assert found.xy.tolist() == pytest.approx(np.array([[0.2, 0], [0.6, 0], [1.0, 0], [0, 5.15]]))
    assert found.strand.tolist() == [0, 0, 0, 1] and found.step_mm == 0.5
    assert found.unit[[0, 3]].tolist() == [[1.0, 0.0], [0.0, 1.0]]
    few = points_along(ends((0, 0, 10, 0), (0, 5, 10, 5)), 0.5, 5)  # 20 mm in five: 4 mm apart
    assert few.step_mm == 4.0 and few.strand.tolist() == [0, 0, 0, 1, 1, 1]


def test_what_hangs_together_by_cells_of_a_millimetre() -> None:
    """Two lines within a cell of each other and one 2.6 mm off; one that does not count."""
    lines = ends((0, 0, 9, 0), (0, 0.9, 9, 0.9), (0, 4.6, 9, 4.6), (0, 1.9, 9, 1.9))
    chosen = np.array([True, True, True, False])
    assert hanging_together(lines, chosen).tolist() == [1, 1, 2, 0]
    assert hanging_together(lines, np.ones(4, bool)).tolist() == [1, 1, 2, 1]
    assert hanging_together(lines, np.zeros(4, bool)).tolist() == [0, 0, 0, 0]


def test_paths_that_end_where_they_began() -> None:
    """Three strands back to within the distance; the same open; two there and back; one alone."""
    rows = ends((0, 0, 5, 0), (5, 0, 5, 5), (5, 5, 0.4, 0), (0, 0, 5, 0), (5, 0, 5, 5), (5, 5, 0.6, 0))
    more = ends((0, 0, 5, 0), (5, 0, 0, 0), (0, 0, 0.1, 0))
    path = np.array([3, 3, 3, 4, 4, 4, 5, 5, 6])
    closed = _closed(np.vstack([rows, more]), path, 0.5)
    assert closed.tolist() == [True] * 3 + [False] * 6


def lattice(many: int, apart: float, *, to: float = 20.0):
    """Lines along y so far apart, and one along x through the middle of them all."""
    rows = [(apart * k, 0.0, apart * k, to) for k in range(1, many + 1)]
    return ends(*rows, (0.0, to / 2, apart * (many + 1), to / 2)), np.arange(many + 1)


@pytest.mark.parametrize(
    ("many", "apart", "told"),
    [
        (8, 1.5, True),
        (7, 1.5, False),  # fewer than eight
        (20, 3.0, True),  # lines of supports may lie 3.2 mm apart
        (20, 3.5, False),
    ],
)
def test_a_line_that_runs_across_others(many, apart, told) -> None:
    rows, path = lattice(many, apart)
    assert running_across(rows, path, 0.45) == ({many: many} if told else {})


def test_a_line_that_ends_in_others_runs_across_none() -> None:
    rows, path = lattice(12, 1.0)
    rows[:12, 3] = 10.4  # 0.4 mm past where it runs: as fill ends in a wall
    assert running_across(rows, path, 0.45) == {}
    rows[:12, 3] = 10.5
    assert running_across(rows, path, 0.45) == {12: 12}


def test_strands_that_cross_one_of_those_chosen() -> None:
    """At 45° they cross, at 10° they touch; of one path they do not count."""
    rows = ends((0, 0, 10, 0), (2, -1, 4, 1), (4, -0.2, 6.3, 0.2), (7, -1, 9, 1))
    over = np.array([True, False, False, False])
    assert crossed(rows, np.array([1, 2, 3, 4]), over).tolist() == [1, 3]
    assert crossed(rows, np.array([1, 1, 3, 4]), over).tolist() == [3]
    assert crossed(ends(), np.zeros(0, np.int64), np.zeros(0, bool)).tolist() == []


def test_how_far_parallel_strands_lie_beside_a_point() -> None:
    points = points_along(ends((0, 0, 4, 0), (0, 0.5, 4, 0.5), (0, -0.7, 4, -0.7)), 1.0, 100)
    left, right = neighbours(points, 2.0, math.cos(math.radians(12.0)), 0.0)
    assert left[:4].tolist() == pytest.approx([0.5] * 4) and right[:4].tolist() == pytest.approx([0.7] * 4)
    assert np.isinf(left[4:8]).all() and right[4:8].tolist() == pytest.approx([0.5] * 4)
    left, _ = neighbours(points, 2.0, 0.97, 0.6)
    assert np.isinf(left[:4]).all()
    left, right = neighbours(points, 2.0, 0.97, 0.0, points.strand != 1)
    assert np.isinf(left[:4]).all() and right[:4].tolist() == pytest.approx([0.7] * 4)


def test_a_few_values_elsewhere_do_not_mislead() -> None:
    """Twenty values of 2 x + 1 and two far off."""
    x = np.linspace(0.0, 1.0, 22)
    columns = np.column_stack([x, np.ones(22)])
    values = 2.0 * x + 1.0
    values[[3, 17]] += 5.0
    assert robust_fit(columns, values, 0.01) == pytest.approx([2.0, 1.0], abs=0.01)
    assert robust_fit(columns, values, 100.0)[1] > 1.2  # all count fully
    weight = np.ones(22)
    weight[[3, 17]] = 0.0
    assert robust_fit(columns, values, 100.0, weight) == pytest.approx([2.0, 1.0], abs=0.01)
    assert robust_fit(1e-3 * columns, values, 0.01) == pytest.approx([2e3, 1e3], rel=0.01)


def outlined(monkeypatch, *layers):
    """Layers of height, share of the outline followed, and points where it is not."""
    rows = [(z, share, np.array(xy, float).reshape(-1, 2)) for z, share, xy in layers]
    monkeypatch.setattr(outlines, "uncovered", lambda *how: rows)
    found = Given(z_mm=np.array([0.2, 0.4, 0.6, 0.8]), line=np.array([10, 20, 30, 40]))
    return list(outline_findings(Given(), found, Given(), np.array([0.2, 0.4, 0.6, 0.8])))


def test_an_outline_that_is_not_followed(monkeypatch) -> None:
    assert outlined(monkeypatch, (0.2, 0.9, []), (0.4, 1.0, [])) == []
    (one,) = outlined(monkeypatch, (0.2, 0.89, [(1, 2)]), (0.4, 0.5, [(3, 4), (9, 1)]), (0.6, 1.0, []))
    assert one.says.startswith("the part's outline is followed over 50 % only") and one.count == 2
    assert (one.place.layer, one.place.z_mm, one.place.at_mm) == (2, 0.4, (3.0, 4.0))
    assert (one.place.box_mm, one.place.lines) == ((3.0, 1.0, 9.0, 4.0), (20, 20))


@pytest.mark.parametrize(("layers", "places", "told"), [(3, 5, True), (2, 5, False), (3, 4, False)])
def test_an_outline_that_is_missing_layer_after_layer(monkeypatch, layers, places, told) -> None:
    xy = [(k + 0.5, 0.5) for k in range(places)]
    rows = [(0.2 * (k + 1), 0.95, xy) for k in range(layers)]
    found = outlined(monkeypatch, *rows)
    assert len(found) == told
    if told:
        assert found[0].says.startswith("some 5 mm of the part's outline are not followed")
        assert (found[0].count, found[0].found) == (5, 5.0)


WHOLE = 100.0


@pytest.mark.parametrize(
    ("kind", "mark", "laid", "least"),
    [
        ("off the bed", laying.FLOATS, False, 30.0),  # 0.3 of the layer
        ("fused on top", laying.FUSED_ON_TOP, True, 5.0),
        ("fused below", laying.FUSED_BELOW, True, 5.0),
        ("stray", laying.STRAY, True, 5.0),
        ("starved", laying.STARVED, True, 5.0),
        ("overfed", laying.OVERFED, True, 25.0),
        ("laid twice", laying.TWICE, True, 10.0),
        ("ploughs", laying.SUNK, True, 3.0),
        ("floats", laying.FLOATS, True, 10.0),
    ],
)
@pytest.mark.parametrize("index", [3, 4])
def test_a_mark_is_told_from_so_many_millimetres(monkeypatch, kind, mark, laid, least, index) -> None:
    """Of a layer of 100 mm; what strays only from the fourth layer on."""

    def told(long):
        taker = gather.Gatherer(
            Given(usual=Given(width_mm=0.45)), Given(high_up=lambda xy: np.ones(len(xy), bool))
        )
        taker._laid = laid
        monkeypatch.setattr(
            gather, "_CLOSER", dict.fromkeys(gather._CLOSER, lambda layer, chosen, mm: chosen)
        )
        monkeypatch.setattr(taker, "_of_bodies", lambda layer, chosen: chosen)
        monkeypatch.setattr(
            gather, "site_of", lambda layer, chosen, amount, value=0.0: (chosen.tolist(), amount, value)
        )
        kept = []
        monkeypatch.setattr(taker, "_add", lambda kind, site: kept.append((kind, site)))
        lengths = np.zeros(laying.GLUT + 1)
        lengths[mark] = long
        layer = Given(
            index=index,
            length_mm=np.array([0.4 * long, 7.0, 0.6 * long]),
            middles=np.zeros((3, 2)),
            gap_mm=np.zeros((3, 4)),
            width_mm=np.array([0.3, 0.4, 0.5]),
        )
        layer.gap_mm[2, [PART, BED]] = 0.7, 0.9
        taker._marked(layer, np.array([1 << mark, 0, 1 << mark]), lengths, WHOLE)
        return kept

    assert told(least - 0.1) == []
    value = {"off the bed": 0.9, "floats": 0.7, "starved": 0.5, "overfed": 0.5}.get(kind, 0.0)
    expected = [(kind, ([0, 2], pytest.approx(least + 0.1), value))]
    assert told(least + 0.1) == ([] if kind == "stray" and index == 3 else expected)

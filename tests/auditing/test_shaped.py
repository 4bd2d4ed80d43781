"""Changes of a part's shape from how far its outlines lie off, on a bar of 40 x 20 x 30 mm."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from falsework.auditing import shape
from falsework.auditing.shape import Residuals, ShapeChange, shape_changes
from falsework.auditing.survey import Usual
from falsework.auditing.value import FindingLevel

FAULT, RUIN = FindingLevel.FAULT, FindingLevel.RUIN
USUAL = Usual(0.2, 0.5)


def bar(out=lambda x, y, z, nx, ny: 0.0 * x, *, levels=7, each=20) -> Residuals:
    """Points on all four sides at some heights, ``out`` mm outwards."""
    t = (np.arange(each) + 0.5) / each * 2 - 1
    one, zero = np.ones(each), np.zeros(each)
    xy = np.concatenate(
        [
            np.stack(s, 1)
            for s in ((20 * t, 10 * one), (20 * t, -10 * one), (20 * one, 10 * t), (-20 * one, 10 * t))
        ]
    )
    normal = np.concatenate([np.stack(s, 1) for s in ((zero, one), (zero, -one), (one, zero), (-one, zero))])
    z = np.repeat(np.linspace(-15.0, 15.0, levels), len(xy))
    xy, normal = np.tile(xy, (levels, 1)), np.tile(normal, (levels, 1))
    off = np.asarray(out(*xy.T, z, *normal.T), float)
    half = np.array([20.0, 10.0, 15.0])
    return Residuals(xy, z, normal, off, np.zeros(len(z), bool), half, 1.0, np.zeros(levels))


CHANGED = [
    (lambda x, y, z, nx, ny: 0.01 * (x * nx + y * ny), "size", (0.01,)),
    (lambda x, y, z, nx, ny: 0.3 + 0 * x, "wider", (0.3,)),
    (lambda x, y, z, nx, ny: 0.02 * x * nx, "along x", (0.02,)),
    (lambda x, y, z, nx, ny: -0.03 * y * ny, "along y", (-0.03,)),
    (lambda x, y, z, nx, ny: 0.03 * x * nx - 0.03 * y * ny, "both", (0.03, -0.03)),
    (lambda x, y, z, nx, ny: 0.02 * (y * nx + x * ny), "skew", (0.02,)),
    (lambda x, y, z, nx, ny: z * (0.03 * nx - 0.04 * ny), "lean", (0.03, -0.04)),
    (lambda x, y, z, nx, ny: 0.003 * z * (x * ny - y * nx), "twist", (0.003,)),
]


@pytest.mark.parametrize(("out", "name", "amounts"), CHANGED)
def test_each_change_is_told_from_the_others(out, name, amounts) -> None:
    """Also where the whole lies elsewhere and is turned a little, and a tenth lies anywhere."""

    def elsewhere(x, y, z, nx, ny):
        return out(x, y, z, nx, ny) + 0.2 * nx - 0.1 * ny + 0.004 * (x * ny - y * nx)

    r = bar(elsewhere)
    r.out_mm[::10] += 0.8
    (change,) = shape_changes(r)
    assert change.name == name and change.amounts == pytest.approx(amounts, rel=0.1)


def test_two_changes_at_most_and_none_for_what_strands_lie_off_anyway() -> None:
    both = shape_changes(bar(lambda x, y, z, nx, ny: 0.015 * x * nx + z * 0.01 * nx))
    assert {c.name for c in both} == {"along x", "lean"} and both[0].gain_mm > both[1].gain_mm
    three = bar(lambda x, y, z, nx, ny: 0.015 * x * nx + z * 0.01 * nx + 0.003 * (y * nx + x * ny))
    assert len(shape_changes(three)) == 2
    assert shape_changes(bar(lambda x, y, z, nx, ny: 0.019 + 0 * x)) == ()
    assert len(shape_changes(bar(lambda x, y, z, nx, ny: 0.03 + 0 * x))) == 1
    assert shape._same("size", "along y") and shape._same("skew", "skew") and not shape._same("skew", "size")


def told(name, *amounts, usual=USUAL):
    return [
        (f.kind, f.level, f.says, f.found)
        for f in shape._told("bar", ShapeChange(name, amounts, 1.0), bar(), usual)
    ]


@pytest.mark.parametrize(
    ("change", "says", "found"),
    [
        (("size", 0.0041), "bar is printed 0.4 % larger than it is", 1.0041),
        (("size", 0.0039), None, 0.0),  # less than 4 in a thousand
        (("along y", 0.0071), "bar is printed 0.7 % larger along y than it is", 1.0071),
        (("along y", 0.0069), None, 0.0),  # 0.069 mm at its edge
        (("along x", -0.05), "bar is printed 5.0 % smaller along x than it is", 0.95),
        (
            ("both", 0.02, -0.03),
            "bar is printed 2.0 % larger along x and 3.0 % smaller along y than it is",
            0.97,
        ),
        (("both", 0.02, 0.001), "bar is printed 2.0 % larger along x than it is", 1.02),
        (("wider", 0.15), None, 0.0),
        (("wider", 0.17), "bar is 0.17 mm thicker all round than it is drawn", 0.17),
        (("wider", -0.3), "bar is 0.30 mm thinner all round than it is drawn", -0.3),
        (
            ("wider", -0.36),
            "the outer walls are missing: everything begins 0.36 mm inside bar's outline",
            -0.36,
        ),
        (
            ("wider", -0.64),
            "the outer walls are missing: everything begins 0.64 mm inside bar's outline",
            -0.64,
        ),
        (("wider", -0.66), "bar is 0.66 mm thinner all round than it is drawn", -0.66),
        (("skew", 0.0069), None, 0.0),  # 0.138 mm at its edges
        (("skew", -0.01), "bar is printed skewed: 0.2 mm out of square at its edges", 0.2),
        (("lean", 0.03, 0.04), "bar leans: from bottom to top it moves aside by 1.5 mm", 1.5),
        (("lean", 0.0, 0.0046), None, 0.0),
        (("twist", 0.001), "bar is twisted by 1.7° from bottom to top", 0.3),
        (("twist", 0.0004), None, 0.0),
    ],
)
def test_changes_in_words(change, says, found) -> None:
    got = told(*change)
    assert [(s, pytest.approx(f)) for _, _, s, f in got] == ([(says, found)] if says else [])


def test_layers_that_lie_aside() -> None:
    """Two of seven by 0.4 mm: a fault; by more than a width: ruined. One alone, or by less, is not told."""

    def aside(by, *levels):
        r = bar()
        mine = np.isin(np.round(r.z), [-15 + 5 * k for k in levels])
        r.out_mm[mine] += by * r.normal[mine, 0]
        return [(f.level, f.count, round(f.found, 2)) for f in shape._aside("bar", r, USUAL)]

    assert aside(0.4, 5, 6) == [(FAULT, 2, 0.4)] and aside(0.6, 4, 5) == [(RUIN, 2, 0.6)]
    assert aside(0.4, 5) == [] and aside(0.29, 5, 6) == []
    r = bar(lambda x, y, z, nx, ny: z * nx, levels=2)
    assert list(shape._aside("bar", r, USUAL)) == []


def test_outlines_elsewhere_in_places() -> None:
    """A twentieth of the outlines of two layers besides the worst, a quarter of a millimetre off or more."""

    def places(by, share, layers, there=False):
        r = bar()
        each = len(r.z) // 7
        for k in range(layers):
            r.out_mm[k * each : k * each + round(share * each)] = by
        r = replace(r, there=np.full(len(r.z), there))
        return [(f.says, round(f.found, 2)) for f in shape._in_places("bar", r, ())]

    (one,) = places(0.8, 0.1, 3)
    assert one == (
        "4 % of bar's outlines are laid outside of where they should be, by 0.8 mm",
        pytest.approx(0.8, abs=0.05),
    )
    assert "laid inside of" in places(-0.8, 0.1, 3)[0][0]
    assert places(0.8, 0.1, 2) == [] and places(0.8, 0.04, 7) == [] and places(0.2, 0.1, 3) == []
    assert places(0.8, 0.1, 3, there=True) == []


@pytest.mark.parametrize(
    ("unmet", "told"), [([0.1] * 3, True), ([0.1] * 2, False), ([0.06] * 3, False), ([0, 0.1, 0], False)]
)
def test_outlines_along_which_no_strand_runs(unmet, told) -> None:
    found = list(shape._not_along("bar", replace(bar(), unmet=np.array(unmet))))
    assert len(found) == told
    assert not told or found[0].says.startswith("along 10 % of bar's outlines no strand runs")


def test_the_first_sort_that_tells_is_told(monkeypatch) -> None:
    def findings(r):
        monkeypatch.setattr(shape, "residuals", lambda *how: r)
        return [f.says for f in shape.shape_findings("bar", None, None, USUAL)]

    assert findings(None) == [] and findings(bar()) == []
    (larger,) = findings(bar(lambda x, y, z, nx, ny: 0.02 * x * nx))
    assert larger.endswith("2.0 % larger along x than it is")
    (unmet,) = findings(replace(bar(), unmet=np.full(7, 0.1)))
    assert "no strand runs" in unmet
    torn = bar(lambda x, y, z, nx, ny: np.where(np.arange(len(x)) % 2 > 0, 0.9, -0.9))
    assert "are laid" in findings(torn)[0]  # nothing explains it
    monkeypatch.setattr(shape, "residuals", lambda *how: bar(lambda x, y, z, nx, ny: 0.02 * x * nx))
    assert shape.is_changed(None, None, USUAL)
    monkeypatch.setattr(shape, "residuals", lambda *how: replace(bar(CHANGED[2][0]), met=0.69))
    assert not shape.is_changed(None, None, USUAL)
    # of what is met, a fifth lies elsewhere all the same: 0.8 of 0.8 is less than seven in ten
    torn = replace(bar(CHANGED[2][0]), met=0.8)
    torn.out_mm[::5] += 0.8
    monkeypatch.setattr(shape, "residuals", lambda *how: torn)
    assert not shape.is_changed(None, None, USUAL)
    monkeypatch.setattr(shape, "residuals", lambda *how: bar())
    assert not shape.is_changed(None, None, USUAL)
    assert math.isclose(
        shape._settled(bar(lambda x, y, z, nx, ny: np.where(z > 9, 0.3, 0.0)), ()), 5 / 7, abs_tol=0.02
    )

"""Set operations end whatever the outlines: by the library, by mending, and by integer clipping."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from falsework.layers import overlay

BOW = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])  # crosses itself in (5, 5): two wings of 25 mm²
BOX = shapely.box(2, -1, 9, 11)
SOUND = shapely.MultiPolygon([shapely.box(0, 0, 10, 10).difference(shapely.box(4, 4, 6, 6))])
EACH = ("union", "difference", "intersection", "symmetric_difference")


def objects(*geometries):
    out = np.empty(len(geometries), dtype=object)
    out[:] = geometries
    return out


def failing(*arguments, **options):
    raise shapely.GEOSException("TopologyException: found non-noded intersection")


@pytest.mark.parametrize("kind", EACH)
def test_an_outline_that_crosses_itself_is_counted_as_its_mended_form(kind):
    with pytest.raises(shapely.GEOSException):
        getattr(shapely, kind)(BOW, BOX)
    wings = shapely.make_valid(BOW)
    found = getattr(overlay, kind)(BOW, BOX)
    assert found.area == pytest.approx(getattr(shapely, kind)(wings, BOX).area, rel=1e-9)


@pytest.mark.parametrize("kind", EACH)
def test_one_that_fails_leaves_the_others_as_they_are(kind):
    many = objects(*[SOUND] * 40, BOW, *[SOUND] * 9)
    found = getattr(overlay, kind)(many, BOX)
    sound = getattr(shapely, kind)(SOUND, BOX)
    assert all(shapely.equals_exact(found[k], sound) for k in range(50) if k != 40)
    assert shapely.is_valid(found).all()


@pytest.mark.parametrize("kind", EACH)
def test_where_the_library_fails_in_every_way_integers_clip(kind, monkeypatch):
    expected = getattr(shapely, kind)(SOUND, BOX)
    monkeypatch.setattr(shapely, kind, failing)
    found = getattr(overlay, kind)(SOUND, BOX)
    monkeypatch.undo()
    assert found.area == pytest.approx(expected.area, abs=1e-4)
    assert found.symmetric_difference(expected).area < 1e-3


def test_all_together_by_twos(monkeypatch):
    tiles = [shapely.box(i, 0, i + 1.5, 1) for i in range(7)]
    assert overlay.union_all([*tiles, BOW]).area == pytest.approx(
        shapely.union_all([*tiles, shapely.make_valid(BOW)]).area
    )
    monkeypatch.setattr(shapely, "union_all", failing)
    assert overlay.union_all(tiles).area == pytest.approx(7.5)
    monkeypatch.setattr(shapely, "union", failing)
    assert overlay.union_all(tiles).area == pytest.approx(7.5, abs=1e-4)


@pytest.mark.parametrize("join", ["mitre", "round"])
@pytest.mark.parametrize("by_mm", [0.5, -0.5])
def test_an_offset_by_integers(join, by_mm, monkeypatch):
    expected = shapely.buffer(SOUND, by_mm, join_style=join, quad_segs=8)
    monkeypatch.setattr(shapely, "buffer", failing)
    found = overlay.buffer(SOUND, by_mm, join_style=join, quad_segs=8)
    assert found.area == pytest.approx(expected.area, rel=1e-3)


def test_a_line_is_cut_where_the_region_ends(monkeypatch):
    line = shapely.LineString([(-5, 5), (15, 5)])
    for kind, length in (("intersection", 8.0), ("difference", 12.0)):
        monkeypatch.setattr(shapely, kind, failing)
        assert getattr(overlay, kind)(line, SOUND).length == pytest.approx(length, abs=0.05)
        monkeypatch.undo()


def test_valid_clipped_and_bounded_areas_where_the_library_fails(monkeypatch):
    monkeypatch.setattr(shapely, "make_valid", failing)
    assert overlay.make_valid(BOW).area > 0.0
    monkeypatch.undo()
    rings = shapely.GeometryCollection([shapely.box(0, 0, 9, 9).exterior, shapely.box(3, 3, 6, 6).exterior])
    monkeypatch.setattr(shapely, "build_area", failing)
    assert overlay.build_area(rings).area == pytest.approx(72.0)
    monkeypatch.setattr(shapely, "clip_by_rect", failing)
    assert overlay.clip_by_rect(SOUND, 0.0, 0.0, 5.0, 10.0).area == pytest.approx(48.0)


corner = st.tuples(st.integers(0, 12), st.integers(0, 12))
tangle = st.lists(corner, min_size=3, max_size=14, unique=True).map(shapely.Polygon)


@settings(max_examples=60, deadline=None)
@given(tangle, tangle, st.floats(-1.5, 1.5), st.floats(1e-9, 1e-3))
def test_no_tangle_of_lines_fails(one, other, by_mm, jitter_mm):
    other = shapely.transform(other, lambda xy: xy + jitter_mm * np.sin(xy[:, ::-1]))
    for kind in EACH:
        assert np.isfinite(shapely.area(getattr(overlay, kind)(one, other)))
    assert np.isfinite(shapely.area(overlay.buffer(one, by_mm, join_style="mitre", mitre_limit=1.5)))
    assert np.isfinite(overlay.union_all([one, other, BOW]).area)

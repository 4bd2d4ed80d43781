"""The section kernels against slow twins written from their definitions."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.kernels.mesh.section import count_segments, section_chains, vertex_levels
from falsework.kernels.outline.rings import CROSSES, SIMPLE, TOUCHES, ring_figures, tidy_rings
from falsework.kernels.outline.stitch import stitch_chains
from solids import ball_of_squares, box, merged, revolved

SQUARE = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], dtype=float)


def moved(ring, x, y):
    return ring + np.array([x, y])


def flat(*rings):
    points = np.concatenate([np.zeros((0, 2)), *rings]).reshape(-1)
    return points, np.cumsum([0, *(len(r) for r in rings)])


def cut(vertices, faces, planes):
    levels = vertex_levels(vertices, planes)
    seg_start = count_segments(faces, levels, planes)
    return section_chains(
        vertices, faces, levels, planes, seg_start, np.empty(4 * seg_start[-1], dtype=np.int64)
    )


def status_of(*rings):
    points, ring_start = flat(*rings)
    return ring_figures(points, ring_start, np.array([0, len(rings)]))[2][0]


@pytest.mark.parametrize(
    "planes", [np.arange(0.5, 20, 0.5), np.array([3.0]), np.array([1.0, 1.1, 15.0, 15.001])]
)
def test_levels_count_planes_at_or_below(planes):
    rng = np.random.default_rng(1)
    z = np.concatenate([rng.uniform(-5, 25, 500), planes, np.nextafter(planes, -1), np.nextafter(planes, 99)])
    vertices = np.c_[z, z, z]
    assert np.array_equal(vertex_levels(vertices, planes), np.searchsorted(planes, z, side="right"))


def segments_by_definition(vertices, faces, plane):
    """Twin: every triangle that spans the plane, its segment from the down edge to the up edge."""
    found = []
    for face in faces:
        above = vertices[face, 2] >= plane
        if above.all() or not above.any():
            continue
        start = stop = None
        for e in range(3):
            a, b = vertices[face[e]], vertices[face[(e + 1) % 3]]
            if above[e] != above[(e + 1) % 3]:
                p = a + (b - a) * (plane - a[2]) / (b[2] - a[2])
                start, stop = (p, stop) if above[e] else (start, p)
        found.append((start[:2], stop[:2]))
    return np.array(found)


def test_chains_hold_exactly_the_segments():
    """Area (as a sum over segments) and outline length, plane by plane, also where planes meet vertices."""
    vertices, faces = merged(ball_of_squares(6.0, 6), box((3, 3, 12), (10, 0, 0)))
    planes = np.array([0.0, 1.0, 2.5, 6.0, 9.9, 12.0])
    points, chain_start, is_open, layer_start, area = cut(vertices, faces, planes)
    assert not is_open.any()
    xy = points.reshape(-1, 2)
    for p, plane in enumerate(planes):
        segments = segments_by_definition(vertices, faces, plane)
        length = twice = 0.0
        for c in range(layer_start[p], layer_start[p + 1]):
            ring = xy[chain_start[c] : chain_start[c + 1]]
            there = np.roll(ring, -1, axis=0)
            length += np.hypot(*(there - ring).T).sum()
            twice += np.sum(ring[:, 0] * there[:, 1] - ring[:, 1] * there[:, 0])
        if len(segments) == 0:
            assert length == 0.0
            continue
        a, b = segments[:, 0], segments[:, 1]
        assert length == pytest.approx(np.hypot(*(b - a).T).sum(), rel=1e-12)
        assert twice == pytest.approx(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), rel=1e-9)
        assert area[p] == pytest.approx(0.5 * twice, rel=1e-9)


def test_flipped_faces_do_not_open_a_ring():
    vertices, faces = ball_of_squares(6.0, 12)
    planes = np.linspace(0.25, 11.75, 40)
    whole = cut(vertices, faces, planes)
    flipped = faces.copy()
    flipped[::9] = flipped[::9, ::-1]
    found = cut(vertices, flipped, planes)
    assert not found[2].any()
    np.testing.assert_allclose(found[4], whole[4], rtol=1e-12)


def test_an_edge_of_four_faces_leaves_closed_rings():
    """Two boxes that share one vertical edge, welded: each section is two squares, or one pinched ring."""
    vertices, faces = merged(box(), box(at=(10, 10, 0)))
    unique, back = np.unique(vertices, axis=0, return_inverse=True)
    faces = back.reshape(-1)[faces].astype(np.int32)
    assert len(unique) == 14
    planes = np.array([2.0, 5.0])
    found = cut(unique, faces, planes)
    assert not found[2].any()
    np.testing.assert_allclose(found[4], 200.0, rtol=1e-12)


def test_a_doubled_face_leaves_the_ring_and_one_loose_segment():
    vertices, faces = box()
    faces = np.concatenate([faces, faces[4:5]])
    planes = np.array([5.0])
    found = cut(vertices, faces, planes)
    points, ring_start, layer_start, widest, _ = stitch_chains(*found[:4], 2.0)
    area = ring_figures(points, ring_start, layer_start)[0]
    assert area.sum() == pytest.approx(100.0) and widest[0] < 1e-9


def test_statuses():
    assert status_of(SQUARE) == SIMPLE
    assert status_of(SQUARE, moved(SQUARE, 11, 0)) == SIMPLE
    assert status_of(SQUARE, 2 + 0.5 * SQUARE[::-1]) == SIMPLE
    assert status_of(SQUARE, moved(SQUARE, 10, 0)) == TOUCHES
    assert status_of(SQUARE, moved(SQUARE, 10, 10)) == TOUCHES
    assert status_of(SQUARE, moved(SQUARE, 5, 5)) == CROSSES
    assert status_of(np.array([[0, 0], [4, 4], [4, 1], [0, 3]], dtype=float)) == CROSSES
    assert status_of(np.array([[0, 0], [4, 0], [4, 2], [9, 2], [4, 2], [4, 4]], dtype=float)) == TOUCHES


@pytest.mark.parametrize("seed", range(60))
def test_status_agrees_with_shapely(seed):
    """Random stars and their chords, crossing or not: SIMPLE must mean valid, valid must not mean CROSSES."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 120))
    angle = np.sort(rng.uniform(0, 2 * np.pi, n))
    radius = rng.uniform(3, 10, n)
    ring = np.c_[radius * np.cos(angle), radius * np.sin(angle)]
    if seed % 3 == 0:
        i, j = rng.integers(0, n, 2)
        ring[[i, j]] = ring[[j, i]]
    if seed % 3 == 1:
        ring = np.round(ring)
        ring = ring[np.any(ring != np.roll(ring, 1, axis=0), axis=1)]
    valid = shapely.is_valid(shapely.Polygon(ring))
    status = status_of(ring)
    if status == SIMPLE:
        assert valid
    if status == CROSSES:
        assert not valid


def test_tidying_keeps_within_the_tolerance_and_is_idempotent_on_corners():
    t = np.linspace(0, 2 * np.pi, 3000, endpoint=False)
    wave = np.c_[(10 + np.sin(9 * t)) * np.cos(t), (10 + np.sin(9 * t)) * np.sin(t)]
    for tolerance in (1e-4, 1e-3, 1e-2, 0.1):
        points, _, _, status = tidy_rings(*flat(wave), np.array([0, 1]), tolerance)
        short = points.reshape(-1, 2)
        assert status[0] == SIMPLE
        line = shapely.LinearRing(short)
        assert shapely.distance(line, shapely.points(wave)).max() <= tolerance * (1 + 1e-9)
        original = shapely.LinearRing(wave)
        assert shapely.distance(original, shapely.points(short)).max() < 1e-12
        assert len(short) < 3000
        square = tidy_rings(*flat(SQUARE), np.array([0, 1]), tolerance)[0]
        assert sorted(map(tuple, square.reshape(-1, 2))) == sorted(map(tuple, SQUARE))


def test_tidying_drops_repeats_spikes_and_rings_without_area():
    messy = np.array(
        [[0, 0], [5, 0], [10, 0], [10, 0], [10, 5], [15, 5], [10, 5], [10, 10], [0, 10], [0, 10]]
    )
    back_and_forth = np.array([[20, 0], [25, 1], [30, 2], [25, 1]])
    points, ring_start, layer_start, status = tidy_rings(
        *flat(messy.astype(float), back_and_forth.astype(float)), np.array([0, 2]), 0.0
    )
    assert list(ring_start) == [0, 4] or list(ring_start) == [0, 5]
    assert list(layer_start) == [0, 1] and status[0] == SIMPLE
    assert shapely.Polygon(points.reshape(-1, 2)).area == 100.0


def test_stitching_prefers_near_ends_and_respects_the_cap():
    """Two halves of a square with gaps of 1, and a lone straight chain far off."""
    chains = [
        np.array([[0, 4.5], [0, 0], [10, 0], [10, 4.5]]),
        np.array([[10, 5.5], [10, 10], [0, 10], [0, 5.5]]),
        np.array([[50, 0], [55, 0.1], [60, 0]]),
    ]
    points, start = flat(*chains)
    args = points, start, np.ones(3, dtype=np.int64), np.array([0, 3])
    found = stitch_chains(*args, 2.0)
    assert len(found[1]) == 2 and found[3][0] == pytest.approx(1.0) and found[4][0] == 1
    assert shapely.Polygon(found[0].reshape(-1, 2)).area == pytest.approx(100.0)


def test_stitching_turns_a_chain_round_where_it_must():
    chains = [
        np.array([[0, 4.5], [0, 0], [10, 0], [10, 4.5]]),
        np.array([[10, 5.5], [10, 8]])[::-1],
        np.array([[10, 9], [10, 10], [0, 10], [0, 5.5]]),
    ]
    points, start = flat(*chains)
    found = stitch_chains(points, start, np.ones(3, dtype=np.int64), np.array([0, 3]), 2.0)
    assert found[4][0] == 0
    ring = shapely.LinearRing(found[0].reshape(-1, 2))
    assert ring.is_ccw and shapely.Polygon(ring).area == pytest.approx(100.0)


def test_profiles_of_revolution_close_exactly():
    vertices, faces = revolved([5, 8, 8, 5], [0, 0, 3, 3], 700)
    planes = np.linspace(0.1, 2.9, 9)
    found = cut(vertices, faces, planes)
    assert not found[2].any() and len(found[2]) == 18
    assert np.array_equal(np.diff(found[1]), np.full(18, 1400))

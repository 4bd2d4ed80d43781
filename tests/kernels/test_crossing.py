"""Crossing faces against cases that can be counted by hand, and against testing every pair."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.mesh.crossing import boxes_of_faces, crossing_faces, crossing_share
from solids import box, merged, revolved

PLENTY = 10**9


def crossing(vertices, faces, tol=1e-6):
    flags, complete = crossing_faces(vertices, faces, tol, PLENTY)
    assert complete
    return np.flatnonzero(flags).tolist()


def triangles(*corners):
    points = np.array(corners, dtype=np.float64).reshape(-1, 3)
    return points, np.arange(len(points), dtype=np.int32).reshape(-1, 3)


FLAT = [[0, 0, 0], [10, 0, 0], [0, 10, 0]]


@pytest.mark.parametrize(
    ("other", "crosses"),
    [
        ([[2, 2, -1], [3, 2, 1], [2, 3, 1]], True),  # pierces the middle
        ([[2, 2, 0], [3, 2, 1], [2, 3, 1]], False),  # touches with a corner
        ([[2, 2, 0], [4, 2, 0], [2, 3, 1]], False),  # touches with an edge
        ([[2, 2, 1], [3, 2, 1], [2, 3, 2]], False),  # above
        ([[20, 20, -1], [21, 20, 1], [20, 21, 1]], False),  # through the plane, beside the triangle
        ([[1, 1, 0], [2, 1, 0], [1, 2, 0]], True),  # covers, in the same plane
        ([[10, 0, 0], [10, 10, 0], [0, 10, 0]], False),  # shares an edge, in the same plane
        ([[0, 0, 0], [10, 0, 0], [5, 4, 0]], True),  # shares an edge, folded onto it
        ([[0, 0, 0], [5, 5, 5], [5, 5, -5]], True),  # shares a corner and cuts through
        ([[0, 0, 0], [0, 0, 5], [5, -5, -5]], False),  # shares a corner only
        ([[12, 0, 0], [22, 0, 0], [12, 10, 0]], False),  # same plane, apart
        ([[2, 2, -1e-8], [3, 2, 1], [2, 3, 1]], False),  # deeper by less than the tolerance
    ],
)
def test_two_triangles(other, crosses):
    found = crossing(*triangles(FLAT, other))
    assert found == ([0, 1] if crosses else [])
    assert crossing(*triangles(other, FLAT)) == found


def test_closed_solids_do_not_cross_themselves():
    turn = 2 * np.pi * np.arange(60) / 60
    assert crossing(*revolved(20 + 5 * np.cos(turn), 5 * np.sin(turn), 90)) == []
    assert crossing(*box()) == []


def test_boxes_that_overlap_cross_and_boxes_apart_do_not():
    assert crossing(*merged(box(), box(at=(10.5, 0.0, 0.0)))) == []
    assert len(crossing(*merged(box(), box((3.0, 3.1, 20.0), (4.0, 4.2, -5.0))))) >= 8


def test_every_pair_is_found_that_a_plain_search_finds():
    rng = np.random.default_rng(6)
    middle = rng.uniform(0, 7, (120, 1, 3))
    corners = middle + rng.normal(size=(120, 3, 3))
    vertices, faces = triangles(corners)
    found = crossing(vertices, faces)
    want = set()
    for i in range(120):
        for j in range(i + 1, 120):
            pair, two = triangles(corners[[i, j]])
            if crossing_faces(pair, two, 1e-6, PLENTY)[0].any():
                want |= {i, j}
    assert found == sorted(want) and 20 < len(want) < 120
    tree = boxes_of_faces(vertices, faces)
    shares = [crossing_share(vertices, *tree, first, 3, 1e-6, PLENTY)[0] for first in range(3)]
    assert np.flatnonzero(np.bitwise_or.reduce(shares)).tolist() == found


def test_pairs_agree_with_segments_through_triangles():
    """Independent twin: two triangles in general position cross if an edge of one pierces the other."""
    rng = np.random.default_rng(7)

    def pierces(a, b, t):
        volume = lambda p, q, r, s: np.linalg.det(np.stack([q - p, r - p, s - p]))  # noqa: E731
        if volume(*t, a) * volume(*t, b) > 0:
            return False
        signs = {volume(a, b, t[k], t[(k + 1) % 3]) > 0 for k in range(3)}
        return len(signs) == 1

    hits = 0
    for _ in range(400):
        p, q = rng.uniform(0, 1, (2, 3, 3))
        want = any(pierces(s[k], s[(k + 1) % 3], t) for s, t in ((p, q), (q, p)) for k in range(3))
        assert bool(crossing(*triangles(p, q), tol=1e-12)) == want
        hits += want
    assert 50 < hits < 350


def test_the_budget_ends_the_search_and_says_so():
    rng = np.random.default_rng(8)
    vertices, faces = triangles(np.sort(rng.uniform(0, 1, (500, 3, 3)), axis=1))
    flags, complete = crossing_faces(vertices, faces, 1e-9, 100)
    assert not complete
    assert flags.sum() <= 200

"""Cuts: where they may lie, what they sever, and that blocks come out one after another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from falsework.release.bodies import part_mesh, piece_mesh
from falsework.release.breaking import (
    Planes,
    between_lines,
    break_up,
    severed,
    simple_cuts,
)
from falsework.release.pulling import confirmed
from falsework.release.words import way_text
from falsework.support.scheme import Role, SupportStrands
from release.scenes import arrays, box, part_of, rod, scheme_of

AXES = np.eye(3)
NONE = np.empty(0)


def meshes(part, solid):
    vertices, faces = arrays(solid)
    return part_mesh(part_of(part), 0.4), piece_mesh(vertices, faces, np.zeros(len(faces), np.int64), 1)


def lines(offsets, layers=3, length=20.0):
    """Body lines along x at the given y, in every layer."""
    ends = np.array([(0.0, y, length, y) for _ in range(layers) for y in offsets])
    layer = np.repeat(np.arange(layers), len(offsets))
    count = len(ends)
    return SupportStrands(ends, layer, np.full(count, Role.LINE, np.int8), np.zeros(count, np.int64))


def test_cuts_come_with_the_fewest_planes_first_and_never_make_too_many_blocks():
    cuts = list(simple_cuts(np.zeros(3), np.array([8.0, 6.0, 4.0]), AXES, NONE))
    counts = [len(c.offsets) for c in cuts]
    assert counts == sorted(counts) and counts[0] == 1
    grid = np.stack(np.meshgrid(*[np.linspace(0.01, s - 0.01, 25) for s in (8, 6, 4)]), -1).reshape(-1, 3)
    assert all(2 <= len(np.unique(c.labels(grid))) <= 8 for c in cuts)
    # between the lines, then through them, then level
    assert [int(np.argmax(c.normals[0])) for c in cuts[:3]] == [1, 0, 2]
    assert [float(c.offsets[0]) for c in cuts[:3]] == [3.0, 4.0, 2.0]
    along = [
        c.offsets.tolist() for c in cuts if np.ptp(c.normals, axis=0).max() == 0.0 and c.normals[0, 0] == 1
    ]
    assert np.allclose(along[1], [8 / 3, 16 / 3]) and np.allclose(along[2], [2.0, 4.0, 6.0])


def test_cuts_pass_between_lines():
    strands = lines([0.0, 2.0, 4.0, 6.0])
    between = between_lines(strands, 0, 0.0)
    np.testing.assert_allclose(between, [1.0, 3.0, 5.0])
    first = next(simple_cuts(np.zeros(3), np.array([20.0, 6.0, 4.0]), AXES, np.array([1.0, 2.6, 5.0])))
    assert first.offsets.tolist() == [2.6]


def test_strands_severed_by_each_plane():
    strands = lines([0.0, 2.0, 4.0, 6.0])
    planes = Planes(
        np.array([[0, 1.0, 0], [1.0, 0, 0], [0, 0, 1.0]]),
        np.array([3.0, 10.0, 0.2]),
    )
    # none between lines, all 4 × 3 across them, the 4 of the layer above a level cut
    counts = severed(planes, strands, 0, np.array([0.1, 0.3, 0.5]))
    assert counts.tolist() == [0, 12, 4]
    assert severed(planes, replace(strands, piece=strands.piece + 1), 0, np.array([0.1, 0.3, 0.5])).sum() == 0


def test_a_ring_on_a_spool_splits_in_two_that_both_come_out():
    spool = rod(15, 4) + rod(6, 20) + rod(15, 4, (0, 0, 16))
    part, piece = meshes(spool, rod(14, 11.4, (0, 0, 4.2)) - rod(6.4, 20))
    strands = scheme_of([]).strands
    found = break_up(part, piece, [0], strands, 0.0, 2.0)[0]
    assert len(found.planes.offsets) == 1 and len(found.directions) == 2
    # the halves lie on either side of the plane and leave to their own side
    side = found.centers @ found.planes.normals[0] - found.planes.offsets[0]
    assert side.prod() < 0
    assert ((found.directions @ found.planes.normals[0]) * side > 0).all()
    assert not confirmed(part, piece, 0, found.directions[0])


def test_what_fills_a_closed_box_cannot_be_broken_out():
    shell = box((0, 0, 0), (20, 20, 20)) - box((2, 2, 2), (18, 18, 18))
    part, piece = meshes(shell, box((2.4, 2.4, 2.4), (17.6, 17.6, 17.6)))
    assert break_up(part, piece, [0], scheme_of([]).strands, 0.0, 2.0) == {}


@pytest.mark.parametrize(
    ("direction", "words"),
    [
        ((0.0, 0.0, 1.0), "straight up"),
        ((0.0, 0.02, -0.9998), "straight down"),
        ((1.0, 0.0, 0.0), "along the arrow (towards +x)"),
        ((0.0, -1.0, 0.0), "along the arrow (towards −y)"),
        ((0.5, 0.5, -0.7071), "along the arrow (45° from x towards y, 45° down)"),
    ],
)
def test_directions_in_words(direction, words):
    assert way_text(direction) == words

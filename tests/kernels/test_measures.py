"""Normals, areas and moments of meshes against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.mesh.measures import (
    merged_normals,
    middles_of,
    normals_of,
    solid_moments,
    surface_moments,
)
from solids import ball_of_squares, box


def test_normals_and_areas_of_a_box():
    vertices, faces = box((2.0, 3.0, 4.0))
    normals, areas = normals_of(vertices, faces)
    outward = middles_of(vertices, faces) - [1.0, 1.5, 2.0]
    assert (np.einsum("ij,ij->i", normals, outward) > 0.0).all()
    assert np.sort(np.abs(normals), axis=1) == pytest.approx(np.tile([0.0, 0.0, 1.0], (12, 1)))
    assert np.sort(areas) == pytest.approx([3.0] * 4 + [4.0] * 4 + [6.0] * 4)


def test_a_face_without_area_has_no_normal():
    vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [2.0, 0.0, 0.0]])
    normals, areas = normals_of(vertices, np.array([[0, 1, 2], [0, 0, 1]], np.int32))
    assert not normals.any() and not areas.any()


def test_second_moments_of_the_surface_of_a_box():
    """About its middle: of two sides at a / 2, 2 b c (a / 2)², of the four others each width · a³ / 12."""
    a, b, c = 2.0, 3.0, 4.0
    vertices, faces = box((a, b, c), (7.0, -5.0, 1.0))
    areas = normals_of(vertices, faces)[1]
    second, third = surface_moments(vertices, faces, areas, vertices.mean(axis=0))
    along = 2 * b * c * (a / 2) ** 2 + 2 * (b + c) * a**3 / 12
    assert second[0, 0] == pytest.approx(3.0 * along)  # three middles of edges for each face
    assert second - np.diag(np.diag(second)) == pytest.approx(0.0, abs=1e-9)
    assert third == pytest.approx(0.0, abs=1e-9)


def test_third_moments_are_symmetric_and_follow_a_direction():
    rng = np.random.default_rng(4)
    vertices, faces = rng.normal(size=(30, 3)), rng.integers(0, 30, (40, 3)).astype(np.int32)
    areas = normals_of(vertices, faces)[1]
    third = surface_moments(vertices, faces, areas, np.zeros(3))[1]
    for turned in ((0, 2, 1), (1, 0, 2), (2, 1, 0)):
        assert third == pytest.approx(third.transpose(turned))
    way = np.array([0.3, -0.5, 0.8])
    by_hand = sum(areas @ (vertices[faces[:, k]] @ way) ** 3 for k in range(3))
    assert third @ way @ way @ way == pytest.approx(by_hand)


def test_volume_and_centre_of_mass():
    vertices, faces = box((2.0, 3.0, 4.0), (5.0, 6.0, 7.0))
    sixfold, first = solid_moments(vertices, faces, np.array([1.0, 0.0, -2.0]))
    assert sixfold / 6.0 == pytest.approx(24.0)
    assert first / (4.0 * sixfold) + [1.0, 0.0, -2.0] == pytest.approx([6.0, 7.5, 9.0])


def test_normals_that_look_alike_are_one():
    """A ball of squares seen with a wide eye falls into fewer faces, and no area is lost."""
    vertices, faces = ball_of_squares(10.0, 6)
    normals, areas = normals_of(vertices, faces)
    firsts, sums = merged_normals(normals, areas, np.cos(np.radians(20.0)))
    assert 6 < len(firsts) <= 2.0 / (1.0 - np.cos(np.radians(10.0)))  # caps of half that angle do not overlap
    assert sums.sum() == pytest.approx(areas.sum())
    cosines = normals[firsts] @ normals[firsts].T - 2.0 * np.eye(len(firsts))
    assert cosines.max() <= np.cos(np.radians(20.0))
    assert (normals @ normals[firsts].T).max(axis=1).min() > np.cos(np.radians(20.0)) - 1e-12

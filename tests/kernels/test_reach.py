"""Height maps and what is read from them, against brute force in numpy and exact solids."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.column.reach import NOTHING, blocked_points, height_map, touched_points
from falsework.orientation.directions import even_directions, rotations_to_up
from release.scenes import arrays, box, rod
from solids import ball_of_squares, sphere

IDENTITY = np.eye(3)


def prepared(mesh):
    vertices, faces = mesh
    return np.ascontiguousarray(vertices.T, dtype=np.float32), np.ascontiguousarray(faces, dtype=np.int32)


def mapped(mesh, corner, cell, width, height, rotation=IDENTITY, low=False, cull=False):
    vertices, faces = prepared(mesh)
    out = np.full(width * height, NOTHING, dtype=np.float32)
    count = height_map(
        vertices,
        faces,
        0,
        len(faces),
        rotation,
        np.array(corner, dtype=np.float64),
        cell,
        width,
        height,
        cull,
        low,
        out,
    )
    return out.reshape(height, width), count


def highest_by_hand(vertices, faces, x, y):
    """Highest point of the mesh above (x, y) by barycentric coordinates of every triangle."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    det = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    good = np.abs(det) > 1e-12
    a, b, c, det = a[good], b[good], c[good], det[good]
    u = ((x - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (y - a[:, 1])) / det
    v = ((b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (x - a[:, 0]) * (b[:, 1] - a[:, 1])) / det
    inside = (u >= 0) & (v >= 0) & (u + v <= 1)
    z = a[:, 2] + u * (b[:, 2] - a[:, 2]) + v * (c[:, 2] - a[:, 2])
    return z[inside].max() if inside.any() else float(NOTHING)


@pytest.mark.parametrize("cull", [False, True])
@pytest.mark.parametrize("low", [False, True])
def test_height_map_against_every_triangle_by_hand(cull, low):
    mesh = ball_of_squares(8.0, 6)
    rotation = rotations_to_up(even_directions(7)[2:3], 31.0)[0]
    turned = mesh[0] @ rotation.T
    if low:
        turned = turned * np.array([1.0, 1.0, -1.0])
    corner, cell = turned[:, :2].min(axis=0) - 0.3, 0.71
    got, _ = mapped(mesh, corner, cell, 26, 25, rotation, low, cull)
    want = np.array(
        [
            [highest_by_hand(turned, mesh[1], corner[0] + cell * i, corner[1] + cell * j) for i in range(26)]
            for j in range(25)
        ]
    )
    # the two disagree at most where a column grazes the outline, within float32 rounding
    same = (got > NOTHING) == (want > NOTHING)
    assert np.count_nonzero(~same) <= 1
    both = same & (want > NOTHING)
    assert np.count_nonzero(both) > 250
    np.testing.assert_allclose(got[both], want[both], atol=2e-5)


def test_height_map_of_a_window_elsewhere_looks_at_no_triangle():
    got, count = mapped(sphere(5.0, 24, 12), (100.0, 100.0), 0.5, 10, 10)
    assert count == 0 and (got == NOTHING).all()


def test_points_are_blocked_where_a_ray_meets_the_part():
    """Against distances from the axis: a sphere hides exactly the points in its shadow cylinder below it."""
    radius = 10.0
    vertices, faces = prepared(sphere(radius, 96, 48, (0, 0, -radius)))
    directions = even_directions(40)
    rng = np.random.default_rng(5)
    points = rng.uniform(-18, 18, (4000, 3))
    points = points[np.linalg.norm(points, axis=1) > radius + 0.1]
    grid = 128
    found = blocked_points(
        vertices,
        faces,
        rotations_to_up(directions, 17.3),
        np.ascontiguousarray(points.T, dtype=np.float32),
        grid,
        True,
        0.02,
    )
    along = points @ directions.T
    aside = np.sqrt(np.maximum((points**2).sum(axis=1)[:, None] - along**2, 0.0))
    cell = 2 * radius / grid
    shadow = (along < 0) & (aside < radius)
    clear = np.abs(aside - radius) > 2 * cell  # the outline is known to a cell and the facets' sagitta
    np.testing.assert_array_equal(found.astype(bool).T[clear], shadow[clear])
    # optimistic: nothing outside the shadow is blocked
    assert not found.astype(bool).T[~shadow].any()


def shaft(bore_mm):
    return arrays(rod(20, 30) - rod(0.5 * bore_mm, 40, (0, 0, -5)))


@pytest.mark.parametrize(
    ("tool", "reaches"),
    [
        ((3.0, 3.0, 80.0, 30.0), True),  # 6 × 6 mm has a diagonal of 8.5 mm: enters a bore of 12 mm
        ((3.0, 8.0, 80.0, 30.0), False),
        ((8.0, 3.0, 80.0, 30.0), False),
        ((3.0, 3.0, 5.0, 30.0), False),  # the hand meets the rim before the tip is 15 mm deep
        ((3.0, 3.0, 5.0, 3.2), True),  # a hand that enters the bore with it
    ],
)
def test_a_tool_fits_a_bore_or_not(tool, reaches):
    vertices, faces = prepared(shaft(12.0))
    point = np.array([[0.0], [0.0], [15.0]], dtype=np.float32)
    found = touched_points(
        vertices,
        faces,
        rotations_to_up(even_directions(300), 17.3),
        point,
        144,
        True,
        0.02,
        np.array([tool]),
    )
    # straight along the axis too, which no even direction hits
    axis = touched_points(
        vertices,
        faces,
        rotations_to_up(np.array([[0, 0, 1.0]]), 0.0),
        point,
        144,
        True,
        0.02,
        np.array([tool]),
    )
    assert bool(found[0, 0] or axis[0, 0]) is reaches


def test_spreading_maps_against_scipy():
    """A tool that comes straight down, against a running maximum by scipy over the same samples."""
    from scipy.ndimage import maximum_filter

    solid = box((0, 0, 0), (40, 40, 1)) + rod(3, 12, (10, 10, 0)) + box((25, 5, 0), (26, 35, 9))
    mesh = arrays(solid)
    vertices, faces = prepared(mesh)
    grid, half = 80, 2.4
    cell = 40.0 / grid
    top, _ = mapped(mesh, (0.5 * cell, 0.5 * cell), cell, grid, grid)
    reach = int(np.ceil(half / cell))
    spread = maximum_filter(top, size=2 * reach + 1, mode="constant", cval=float(NOTHING))
    rng = np.random.default_rng(2)
    points = np.column_stack([rng.uniform(0, 40, (3000, 2)), rng.uniform(0, 14, 3000)]).astype(np.float32)
    i, j = (points[:, 0] / cell).astype(int), (points[:, 1] / cell).astype(int)
    want = spread[np.minimum(j, grid - 1), np.minimum(i, grid - 1)] <= points[:, 2]
    got = touched_points(
        vertices,
        faces,
        IDENTITY[None],
        np.ascontiguousarray(points.T),
        grid,
        True,
        0.0,
        np.array([[half, half, 100.0, half]]),
    )[0].astype(bool)
    assert 0.1 < want.mean() < 0.9
    np.testing.assert_array_equal(got, want)

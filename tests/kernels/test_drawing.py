"""The rasteriser against closed forms and a plain twin; normals, blur and the region grid."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from falsework.kernels.picture.drawing import (
    blur_depth,
    corner_normals,
    draw_triangles,
    pixel_normals,
    turned,
)
from falsework.kernels.picture.regions import find_patches, map_regions
from solids import box, sphere


def drawn(corners, rows=400, columns=400, tags=None):
    points = np.ascontiguousarray(corners, dtype=np.float64).reshape(-1, 3)
    faces = np.arange(len(points), dtype=np.int32).reshape(-1, 3)
    depth = np.full((rows, columns), -np.inf)
    face = np.full((rows, columns), -1, dtype=np.int64)
    tag = face.copy()
    tags = np.arange(len(faces), dtype=np.int64) if tags is None else tags
    draw_triangles(points, faces, tags, depth, face, tag)
    return depth, face, tag


def seen_from(vertices, axes, scale, shift):
    """Vertices as screen coordinates: x right, y down, depth towards the viewer."""
    v = vertices @ axes.T
    return np.stack([v[:, 0] * scale + shift[0], -v[:, 1] * scale + shift[1], v[:, 2] * scale], axis=-1)


def test_projected_area_of_a_sphere_within_1_percent():
    # 10 mm at 15 px/mm; the faceted outline is smaller than the circle by less than 0.1 %
    vertices, faces = sphere(radius=10.0)
    screen = seen_from(
        vertices - [0, 0, 10.0], np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]), 15.0, (200, 200)
    )
    depth, face, _ = drawn(screen[faces])
    assert (face >= 0).sum() == pytest.approx(np.pi * 150.0**2, rel=0.01)
    assert depth.max() == pytest.approx(150.0, rel=0.003)  # facets lie inside the sphere: never more
    assert depth.max() <= 150.0 + 1e-9


def test_projected_area_of_a_turned_box_within_1_percent():
    a, b, c = 12.0, 7.0, 9.0
    vertices, faces = box((a, b, c))
    turn, rise = np.radians(31.0), np.radians(24.0)
    right = np.array([np.cos(turn), np.sin(turn), 0.0])
    towards = np.array([np.cos(rise) * np.sin(turn), -np.cos(rise) * np.cos(turn), np.sin(rise)])
    axes = np.array([right, np.cross(towards, right), towards])
    screen = seen_from(vertices - [a / 2, b / 2, c / 2], axes, 20.0, (200, 200))
    _, face, _ = drawn(screen[faces])
    area = 400.0 * (b * c * abs(towards[0]) + a * c * abs(towards[1]) + a * b * abs(towards[2]))
    assert (face >= 0).sum() == pytest.approx(area, rel=0.01)


def test_agrees_with_a_plain_twin_on_random_triangles():
    rng = np.random.default_rng(5)
    corners = rng.uniform(-10, 50, (30, 3, 3))
    depth, face, tag = drawn(corners, 40, 40, tags=np.arange(30, dtype=np.int64) + 100)
    y, x = np.mgrid[0:40, 0:40] + 0.5
    best, owner = np.full((40, 40), -np.inf), np.full((40, 40), -1)
    for m, ((x0, y0, d0), (x1, y1, d1), (x2, y2, d2)) in enumerate(corners):
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        w0 = ((x1 - x) * (y2 - y) - (x2 - x) * (y1 - y)) / area
        w1 = ((x2 - x) * (y0 - y) - (x0 - x) * (y2 - y)) / area
        w2 = 1.0 - w0 - w1
        d = w0 * d0 + w1 * d1 + w2 * d2
        nearer = (w0 >= 0) & (w1 >= 0) & (w2 >= -1e-12) & (d > best)
        best[nearer], owner[nearer] = d[nearer], m
    np.testing.assert_array_equal(face, owner)
    np.testing.assert_allclose(depth, best, rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(tag, np.where(owner >= 0, owner + 100, -1))


def test_nothing_is_drawn_off_the_picture_or_of_a_line():
    off = np.array([[[-9.0, -9, 0], [-5, -9, 0], [-5, -5, 0]], [[1.0, 1, 0], [5, 5, 0], [9, 9, 0]]])
    assert (drawn(off, 20, 20)[1] == -1).all()


def test_normals_are_smooth_on_a_sphere_and_flat_on_a_box():
    vertices, faces = sphere(radius=10.0)
    normals = corner_normals(vertices, faces.astype(np.int32), 0.86)
    radial = (vertices - [0, 0, 10.0])[faces] / 10.0
    away = np.degrees(np.arccos(np.clip((normals * radial).sum(axis=2), -1, 1)))
    assert away.max() < 2.5  # facets span 3.75°
    vertices, faces = box()
    normals = corner_normals(vertices, faces.astype(np.int32), 0.86)
    flat = np.cross(
        vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]
    )
    flat /= np.linalg.norm(flat, axis=1, keepdims=True)
    np.testing.assert_allclose(normals, np.repeat(flat[:, None], 3, axis=1), atol=1e-12)


def test_pixel_normals_are_turned_and_unit_length():
    vertices, faces = sphere(radius=10.0)
    axes = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
    normals = corner_normals(vertices, faces.astype(np.int32), 0.86)
    screen = np.ascontiguousarray(seen_from(vertices - [0, 0, 10.0], axes, 15.0, (200, 200)))
    _, face, _ = drawn(screen[faces])
    found = np.zeros((*face.shape, 3), dtype=np.float32)
    pixel_normals(screen, faces.astype(np.int32), normals, axes, face, found)
    length = np.linalg.norm(found, axis=2)
    np.testing.assert_allclose(length[face >= 0], 1.0, atol=1e-5)
    assert (length[face < 0] == 0).all()
    np.testing.assert_allclose(found[199, 199], [0, 0, 1], atol=0.03)  # the middle looks at the viewer


def test_turned_agrees_with_the_matrix_product():
    rng = np.random.default_rng(2)
    points, axes = rng.normal(size=(50, 3)), rng.normal(size=(3, 3))
    out, low, high = turned(points, axes)
    np.testing.assert_allclose(out, points @ axes.T, atol=1e-12)
    np.testing.assert_array_equal(low, out.min(axis=0))
    np.testing.assert_array_equal(high, out.max(axis=0))


def test_blur_is_the_mean_of_what_is_drawn():
    rng = np.random.default_rng(3)
    depth = rng.uniform(0, 10, (23, 31))
    depth[rng.random(depth.shape) < 0.4] = -np.inf
    found = blur_depth(depth, 3)
    for r in range(23):
        for c in range(31):
            window = depth[max(0, r - 3) : r + 4, max(0, c - 3) : c + 4]
            known = window[window > -np.inf]
            expected = known.mean() if len(known) else -np.inf
            assert found[r, c] == pytest.approx(expected, rel=1e-9)


def painted(polygons, low, high, patch, brush=0, cell=0.1, size=(200, 200)):
    _, points, (rings, regions) = shapely.to_ragged_array(np.array(polygons, dtype=object))
    grid, size = np.array([0.0, 0.0, cell]), np.array(size, dtype=np.int64)
    cells, owners, lows, highs = map_regions(
        points, rings.astype(np.int64), regions.astype(np.int64), np.array(low), np.array(high),
        np.array(patch, dtype=np.int64), grid, size, brush,
    )  # fmt: skip
    order = np.argsort(cells, kind="stable")
    start = np.searchsorted(cells[order], np.arange(size[0] * size[1] + 1)).astype(np.int64)

    def find(points, slack=0.25):
        points = np.array(points, dtype=np.float64)
        return find_patches(
            points, start, owners[order], lows[order], highs[order], grid, size, slack
        ).tolist()

    return cells, find


def test_a_ring_is_found_and_its_hole_is_not():
    ring = shapely.Point(10, 10).buffer(6.0, 64) - shapely.Point(10, 10).buffer(3.0, 64)
    cells, find = painted([ring], [5.0], [5.2], [7])
    # outlines are painted too: half a cell more on either side of each, on average
    assert len(cells) * 0.01 == pytest.approx(ring.area + 0.05 * ring.length, rel=0.02)
    inside, hole, outside = [14.5, 10, 5.1], [10, 10, 5.1], [17, 10, 5.1]
    assert find([inside, hole, outside]) == [7, -1, -1]
    assert find([[14.5, 10, 5.6], [14.5, 10, 5.4], [-3, 0, 5]]) == [-1, 7, -1]


def test_of_two_patches_over_one_place_the_nearest_in_height_is_found():
    square = shapely.box(5, 5, 10, 10)
    _, find = painted([square, square, square], [2.0, 3.0, 8.0], [2.2, 3.2, 8.2], [0, 0, 1])
    assert find([[7, 7, 2.6], [7, 7, 8.1], [7, 7, 5.5]]) == [0, 1, -1]  # strips of one patch close up


def test_the_brush_widens_a_sliver():
    sliver = shapely.box(5.0, 5.0, 5.001, 10.0)
    assert painted([sliver], [0.0], [1.0], [0])[1]([[5.25, 7, 0.5]]) == [-1]
    assert painted([sliver], [0.0], [1.0], [0], brush=2)[1]([[5.25, 7, 0.5], [4.85, 7, 0.5]]) == [0, 0]

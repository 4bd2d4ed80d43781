"""Sections of random solids: convex hulls and boxes in any position, shells that overlap at random."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from falsework.layers import stack_layers
from falsework.layers.polygons import regions_from_rings, rings_of
from solids import SEVERAL, box, merged, mesh_volume, part_of

seeds = st.integers(0, 2**32 - 1)


def turned(mesh, rng):
    vertices = Rotation.random(random_state=int(rng.integers(2**31))).apply(mesh[0])
    return vertices - [0.0, 0.0, vertices[:, 2].min()], mesh[1]


def random_hull(rng, count):
    points = rng.normal(size=(count, 3)) * rng.uniform(2.0, 20.0, 3)
    hull = ConvexHull(points)
    faces = hull.simplices.copy()
    normal = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    inward = np.einsum("ij,ij->i", normal, hull.equations[:, :3]) < 0
    faces[inward] = faces[inward][:, ::-1]
    return turned((points, faces), rng)


def hull_section(mesh, z):
    """Area of a convex solid's section: the hull of where its edges cross the plane."""
    v, f = mesh
    a, b = v[f].reshape(-1, 3), v[np.roll(f, -1, axis=1)].reshape(-1, 3)
    cut = (a[:, 2] > z) != (b[:, 2] > z)
    a, b = a[cut], b[cut]
    p = a + (b - a) * ((z - a[:, 2]) / (b[:, 2] - a[:, 2]))[:, None]
    return shapely.MultiPoint(p[:, :2]).convex_hull.area if len(p) else 0.0


@settings(max_examples=40, deadline=None)
@given(seed=seeds, count=st.integers(4, 80))
def test_convex_solids(seed, count):
    rng = np.random.default_rng(seed)
    mesh = random_hull(rng, count)
    top = mesh[0][:, 2].max()
    z = np.linspace(0.0, top, 40)
    stack = stack_layers(part_of(*mesh), z, simplify_mm=0.0)
    assert np.all(np.diff(stack.layer_start) == 1)
    expected = [hull_section(mesh, m) for m in stack.middles_mm]
    np.testing.assert_allclose(stack.areas_mm2, expected, rtol=1e-8, atol=1e-9)
    # The middle rule on a solid whose section's square root is concave: a fortieth of the height is plenty.
    np.testing.assert_allclose(stack.volume_mm3, mesh_volume(mesh), rtol=2e-2)
    fine = stack_layers(part_of(*mesh), np.linspace(0.0, top, 400), simplify_mm=0.0)
    np.testing.assert_allclose(fine.volume_mm3, mesh_volume(mesh), rtol=1e-3)


@settings(max_examples=25, deadline=None)
@given(seed=seeds, count=st.integers(2, 7))
def test_random_boxes_unite_as_their_own_sections_do(seed, count):
    rng = np.random.default_rng(seed)
    boxes = [turned(box(rng.uniform(1, 12, 3), (0, 0, 0)), rng) for _ in range(count)]
    boxes = [(v + np.append(rng.uniform(-6, 6, 2), rng.uniform(0, 5)), f) for v, f in boxes]
    z = np.linspace(0.0, max(v[:, 2].max() for v, _ in boxes), 12)
    together = stack_layers(part_of(*merged(*boxes), SEVERAL), z, simplify_mm=0.0)
    alone = np.array([stack_layers(part_of(*b), z, simplify_mm=0.0).regions for b in boxes])
    expected = shapely.union_all(alone, axis=0)
    assert shapely.is_valid(together.regions).all()
    difference = shapely.area(shapely.symmetric_difference(together.regions, expected))
    np.testing.assert_allclose(difference, 0.0, atol=1e-5)


@settings(max_examples=25, deadline=None)
@given(seed=seeds, count=st.integers(1, 12))
def test_rings_and_regions_are_inverse(seed, count):
    rng = np.random.default_rng(seed)
    blobs = shapely.buffer(shapely.points(rng.uniform(0, 30, (4, count, 2))), rng.uniform(0.5, 6, (4, count)))
    layers = shapely.union_all(blobs, axis=1)
    layers = shapely.difference(layers, shapely.buffer(layers, -1.0))
    back = regions_from_rings(*rings_of(layers))
    assert shapely.is_valid(back).all()
    np.testing.assert_allclose(shapely.area(shapely.symmetric_difference(back, layers)), 0.0, atol=1e-9)
    np.testing.assert_allclose(shapely.area(back), shapely.area(layers), rtol=1e-12)

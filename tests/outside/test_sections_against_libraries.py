"""Sections against two independent libraries: trimesh (``section_multiplane``) and manifold3d (``slice``)."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import shapely

from falsework.layers import layer_boundaries, stack_layers
from solids import ball_of_squares, merged, part_of, revolved, spindle

DATA = Path(__file__).parents[1] / "data"
AGREEMENT = 1e-4  # relative area, where a section is not a mere tip


def wavy_ball():
    vertices, faces = ball_of_squares(20.0, 30)
    d = vertices - [0, 0, 20.0]
    n = d / np.linalg.norm(d, axis=1)[:, None]
    bump = 1 + 0.2 * np.sin(5 * n[:, 0] + 1) * np.sin(6 * n[:, 1]) + 0.1 * np.sin(11 * n[:, 2])
    vertices = d * bump[:, None]
    return vertices - [0, 0, vertices[:, 2].min()], faces


def ring():
    t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return revolved(15 + 4 * np.cos(t) + np.cos(3 * t), 5.03 + 4 * np.sin(t), 64)


MESHES = {
    "wavy ball": wavy_ball,
    "ring": ring,
    "double cone": lambda: spindle([0, 8, 2, 8, 0], [0, 5, 9, 13, 18], 40),
}


def agree(ours, theirs):
    kept = ours > 0.01 * ours.max()
    assert kept.sum() > 0.8 * len(ours)
    np.testing.assert_allclose(ours[kept], theirs[kept], rtol=AGREEMENT)
    np.testing.assert_allclose(ours[~kept], theirs[~kept], atol=1e-3 * ours.max())


@pytest.mark.parametrize("name", MESHES)
def test_trimesh_agrees(name):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import trimesh

        mesh = MESHES[name]()
        z = layer_boundaries(mesh[0][:, 2].max(), 0.31, 0.31)
        stack = stack_layers(part_of(*mesh), z)
        solid = trimesh.Trimesh(*mesh, process=False)
        sections = solid.section_multiplane([0, 0, 0], [0, 0, 1], stack.middles_mm)
        # Its own nesting needs one more library; rings that nest are filled by parity just as well.
        rings = [s.polygons_closed if s is not None else [] for s in sections]
        agree(stack.areas_mm2, np.array([shapely.symmetric_difference_all(r).area for r in rings]))
    if name != "double cone":
        assert stack.volume_mm3 == pytest.approx(solid.volume, rel=1e-3)


@pytest.mark.parametrize("name", MESHES)
def test_manifold_agrees(name):
    import manifold3d

    vertices, faces = MESHES[name]()
    z = layer_boundaries(vertices[:, 2].max(), 0.31, 0.31)
    stack = stack_layers(part_of(vertices, faces), z)
    solid = manifold3d.Manifold(manifold3d.Mesh(np.float32(vertices), np.uint32(faces)))
    assert solid.status() == manifold3d.Error.NoError
    agree(stack.areas_mm2, np.array([solid.slice(m).area() for m in stack.middles_mm]))


@pytest.mark.parametrize(
    "name", ["nut.ply", "spot.obj", "so101_gauge_tight.stl", "odri_upper_leg_metres.stl"]
)
def test_real_parts_agree(name):
    """Parts drawn by others, scaled to 60 mm; exact sections, so nothing but rounding may differ."""
    import manifold3d

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import trimesh

        mesh = trimesh.load(DATA / name, force="mesh", process=False)
    vertices, back = np.unique(np.asarray(mesh.vertices), axis=0, return_inverse=True)
    faces = back.reshape(-1)[np.asarray(mesh.faces)]
    faces = faces[np.all(faces != np.roll(faces, 1, axis=1), axis=1)].astype(np.int32)
    vertices = (vertices - vertices.min(axis=0)) * (60.0 / np.ptp(vertices, axis=0).max())
    stack = stack_layers(
        part_of(vertices, faces), layer_boundaries(vertices[:, 2].max(), 0.27, 0.27), simplify_mm=0.0
    )
    solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError and len(stack.stitched_layers) == 0
    agree(stack.areas_mm2, np.array([solid.slice(m).area() for m in stack.middles_mm]))


def test_union_of_crossing_shells_agrees_with_solid_union():
    """Shells united layer by layer against manifold3d's union in space, sliced."""
    import manifold3d

    from solids import SEVERAL, box

    def solid(mesh):
        return manifold3d.Manifold(manifold3d.Mesh(np.float32(mesh[0]), np.uint32(mesh[1])))

    shells = [wavy_ball(), box((9, 50, 11), (3.3, -25, 12.1)), box((6, 6, 30), (-12, 4.5, 0))]
    z = layer_boundaries(40.0, 0.5, 0.5)
    stack = stack_layers(part_of(*merged(*shells), SEVERAL), z)
    union = manifold3d.Manifold.batch_boolean([solid(s) for s in shells], manifold3d.OpType.Add)
    agree(stack.areas_mm2, np.array([union.slice(m).area() for m in stack.middles_mm]))

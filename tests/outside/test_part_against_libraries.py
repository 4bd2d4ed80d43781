"""Volumes and soundness against libraries made by others.

trimesh (divergence theorem, own code), manifold3d (guaranteed-manifold kernel) and OpenCASCADE
(through cascadio: triangles of the exact solid).
"""

from __future__ import annotations

from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh

from falsework.part import read_part
from falsework.part.demo import demo_parts

DATA = Path(__file__).parents[1] / "data"
CLOSED = ["so101_gauge_tight.stl", "so101_webcam_mount.stl", "nut.ply", "spot.obj", "torus.3mf"]


@pytest.mark.parametrize("name", CLOSED)
def test_volume_and_area_agree_with_trimesh(name):
    # Tolerance: float32 in some files is widened alike by both; only the order of sums differs.
    part = read_part(DATA / name, unit="mm")
    other = trimesh.load_mesh(DATA / name)
    assert part.volume_mm3 == pytest.approx(abs(other.volume), rel=1e-6)
    ours = trimesh.Trimesh(part.vertices, part.faces, process=False)
    assert ours.is_watertight and ours.is_winding_consistent
    assert ours.area == pytest.approx(other.area, rel=1e-6)


@pytest.mark.parametrize("name", CLOSED)
def test_manifold3d_takes_the_healed_mesh_and_finds_the_same_volume(name):
    part = read_part(DATA / name)
    mesh = manifold3d.Mesh64(part.vertices, part.faces.astype(np.uint64))
    solid = manifold3d.Manifold(mesh)
    assert solid.status() == manifold3d.Error.NoError
    assert solid.volume() == pytest.approx(part.volume_mm3, rel=1e-6)


@pytest.mark.parametrize("name", list(demo_parts()))
def test_demo_parts_are_sound_to_manifold3d(name):
    part = demo_parts()[name]()
    solid = manifold3d.Manifold(manifold3d.Mesh64(part.vertices, part.faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    assert solid.volume() == pytest.approx(part.volume_mm3, rel=1e-6)


def test_step_has_the_volume_that_opencascade_gives_when_it_meshes_finer(tmp_path):
    """Same solid, chords of 0.004 mm instead of ours of 0.01 mm: 0.1 % is ample for round holes."""
    cascadio = pytest.importorskip("cascadio")
    step = DATA / "so101_base_motor_holder.step"
    part = read_part(step)
    fine = tmp_path / "fine.glb"
    cascadio.step_to_glb(str(step), str(fine), tol_linear=0.004, tol_angular=0.1)
    mesh = trimesh.load_scene(fine, process=False).to_geometry()
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    assert part.unit == "m" and part.health.clean
    assert part.volume_mm3 == pytest.approx(mesh.volume * 1e9, rel=1e-3)
    assert part.size_mm == pytest.approx((47.647, 31.4, 80.2), abs=2e-3)  # from the file's own figures

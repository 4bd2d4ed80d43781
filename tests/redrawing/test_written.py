"""Solids as their files hold them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold

from falsework.files.stl import write_stl
from falsework.part import read_part
from falsework.part.part import Part
from falsework.redrawing.body.solids import mesh_of, solid_of
from falsework.redrawing.body.written import APART_MM, HAIR_MM, roundable, short, written_mesh, written_part


def test_short_numbers_are_those_of_both_formats() -> None:
    numbers = np.random.default_rng(1).uniform(-300.0, 300.0, (1000, 3))
    held = short(numbers)
    assert np.array_equal(held, held.astype(np.float32).astype(np.float64))
    as_text = np.array([[float(f"{v:.5f}") for v in row] for row in held]).astype(np.float32)
    assert np.array_equal(as_text, held.astype(np.float32))
    assert np.abs(held - numbers).max() < 3e-5


def test_what_is_written_is_read_back_as_it_was_proved(tmp_path: Path) -> None:
    ball = Manifold.sphere(12.3456789, 60).translate((101.1, -77.7, 12.0))
    solid = ball + Manifold.cube((9, 9, 40)).translate((97.0, -80.0, -20.0))
    part = Part("ball", *mesh_of(ball))
    ready = roundable(solid, np.zeros(3))
    held = written_part(part, solid_of(part), ready, {}, np.zeros(3))
    write_stl(tmp_path / "a.stl", held.vertices, held.faces, "a")
    assert read_part(tmp_path / "a.stl", unit="mm").digest == held.digest


def test_sheets_that_touch_stay_apart_and_the_mesh_sound() -> None:
    # two prisms that share an edge of the drawing: rounding would weld it to one that four faces share
    one = Manifold.cube((10, 10, 10))
    other = Manifold.cube((10, 10, 10)).translate((10.0 + 2e-6, 10.0 + 2e-6, 0.0))
    both = Manifold.compose([one, other])
    vertices, faces, real = written_mesh(roundable(both, np.zeros(3)), np.zeros(3))
    assert real.all()
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    mesh.merge_vertices(digits_vertex=9)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(2000.0, abs=2000.0 * APART_MM)


def test_a_neck_that_rounding_would_close_to_an_edge_is_cut_through() -> None:
    half = 1e-6  # of its width: both its sides are one edge of four faces in a file
    neck = CrossSection([[(0, 0), (10, 0), (5 + half, 5), (10, 10), (0, 10), (5 - half, 5)]])
    vertices, faces, _ = written_mesh(roundable(Manifold.extrude(neck, 4), np.zeros(3)), np.zeros(3))
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(200.0, abs=4.0 * (2.0 * HAIR_MM) ** 2)


def test_face_sets_come_through_and_overlap() -> None:
    cube = Manifold.cube((10, 10, 10))
    part = Part("cube", *mesh_of(cube))
    top = np.isclose(part.vertices[part.faces][:, :, 2], 10.0).all(axis=1)
    east = np.isclose(part.vertices[part.faces][:, :, 0], 10.0).all(axis=1)
    whole = solid_of(part)
    more = whole + Manifold.cube((4, 4, 4)).translate((3, 3, 9)).as_original()
    sets = {"top": top, "east": east, "both": top | east}
    held = written_part(part, whole, more, sets, np.array([1.0, 0.0, 0.0]))
    assert held.bounds_mm[0].tolist() == [-1.0, 0.0, 0.0]
    areas = {
        name: trimesh.Trimesh(held.vertices, held.faces[held.face_sets[name]], process=False).area
        for name in sets
    }
    assert areas == pytest.approx({"top": 84.0, "east": 100.0, "both": 184.0})

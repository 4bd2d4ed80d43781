"""Candidates of faces to keep: what they are called, and that they are the right faces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from falsework.errors import PartError
from falsework.kernels.mesh.measures import face_areas
from falsework.orientation.body import face_normals
from falsework.part import demo_parts
from falsework.part.part import Part
from falsework.part.placing import turn_matrix
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.features.candidates import candidates, with_candidates
from falsework.request.marks import MarkedFaces, marked_faces


def plate(segments: int = 48) -> Manifold:
    """40 × 30 × 10 with a bore Ø 8 through it at (10, 15), a pin Ø 6 of 12 mm on it at (30, 15)."""
    bore = Manifold.cylinder(12.0, 4.0, circular_segments=segments).translate((10, 15, -1))
    pin = Manifold.cylinder(13.0, 3.0, circular_segments=segments).translate((30, 15, 9))
    return Manifold.cube((40, 30, 10)) - bore + pin


def as_part(solid: Manifold) -> Part:
    return Part("plate", *mesh_of(solid))


def named(part: Part) -> dict[str, str]:
    return {c.name: c.words for c in candidates(part)}


def test_a_bore_a_pin_and_flats_are_found_and_described() -> None:
    found = named(as_part(plate()))
    assert found["bore 1"] == "bore Ø 8.0 mm along z, 10 mm deep, through, at 10.0, 15.0, 5.0"
    assert found["pin 1"] == "pin Ø 6.0 mm along z, 12 mm long, at 30.0, 15.0, 16.0"
    assert found["flat 1"] == "flat face of 11.5 cm² that looks along -z, at 20.0, 15.0, 0.0"
    assert [name for name in found if "flat" not in name] == ["bore 1", "pin 1"]


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.tuples(*[st.floats(-180.0, 180.0)] * 3), st.sampled_from([12, 24, 100]), st.floats(0.3, 30.0))
def test_sizes_do_not_depend_on_turn_scale_and_facets(
    turn: tuple[float, float, float], segments: int, scale: float
) -> None:
    vertices, faces = mesh_of(plate(segments))
    part = Part("plate", scale * vertices @ turn_matrix(turn).T, faces)
    found = {c.name: c for c in candidates(part)}
    for name, radius, length in (("bore 1", 4.0, 10.0), ("pin 1", 3.0, 12.0)):
        if radius * scale < 1.5:
            continue  # facets of the small ones come near the tolerances
        assert f"Ø {2 * scale * radius:.1f} mm" in found[name].words
        outline = 2 * segments * radius * np.sin(np.pi / segments)
        assert found[name].area_mm2 == pytest.approx(scale**2 * outline * length, rel=1e-6)


def test_a_rounded_edge_a_cone_and_a_ball_are_none_of_them() -> None:
    rounded = Manifold.cube((20, 20, 10)) ^ Manifold.cylinder(10.0, 14.0, circular_segments=96)
    assert not {n for n in named(as_part(rounded)) if "flat" not in n}
    cone = Manifold.cylinder(10.0, 8.0, 4.0, circular_segments=64)
    assert not {n for n in named(as_part(cone)) if "flat" not in n}
    assert named(as_part(Manifold.sphere(10.0, 64))) == {}


def test_a_box_has_flats_alone() -> None:
    assert list(named(as_part(Manifold.cube((20, 30, 10))))) == [f"flat {k}" for k in range(1, 7)]


def test_pieces_of_one_bore_in_two_walls_are_one() -> None:
    fork = Manifold.cube((20, 30, 20)) - Manifold.cube((22, 14, 22)).translate((-1, 8, 5))
    hole = Manifold.cylinder(40.0, 3.0, circular_segments=48).rotate((-90, 0, 0)).translate((10, -1, 12))
    words = named(as_part(fork - hole))["bore 1"]
    assert words == "bore Ø 6.0 mm along y, 16 mm deep in pieces over 30 mm, through, at 10.0, 15.0, 12.0"


def test_marks_call_candidates_by_name() -> None:
    part = as_part(plate())
    known = with_candidates(part, candidates(part))
    normals = face_normals(part.vertices, part.faces)[0]
    faces = marked_faces(known, normals, MarkedFaces(face_sets=("bore 1",)))
    middles = part.vertices[part.faces[faces]].mean(axis=1)
    assert np.hypot(middles[:, 0] - 10, middles[:, 1] - 15).max() < 4.0
    assert face_areas(part.vertices, part.faces)[faces].sum() == pytest.approx(
        2 * 48 * 4.0 * np.sin(np.pi / 48) * 10.0
    )
    with pytest.raises(PartError, match="bore 2"):
        marked_faces(known, normals, MarkedFaces(face_sets=("bore 2",)))


def test_demo_parts_offer_what_a_person_would_name() -> None:
    parts = demo_parts()
    assert "Ø 8.0 mm along y" in named(parts["pulley block"]())["bore 1"]
    assert "Ø 40.0 mm along z" in named(parts["lamp bracket"]())["bore 1"]
    cleat = named(parts["mooring cleat"]())
    assert "Ø 4.6" in cleat["bore 1"] and "Ø 4.6" in cleat["bore 2"] and "bore 3" not in cleat

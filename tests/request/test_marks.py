"""Faces to show, faces supports must not touch, load axis: directions, face sets, the file beside it."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.errors import PartError, ProcessError
from falsework.orientation.body import face_normals
from falsework.part.part import Part
from falsework.request.marks import MarkedFaces, Marks, direction, marked_faces, marks_beside, read_marks
from solids import ball_of_squares, box


@pytest.mark.parametrize(
    ("value", "vector"),
    [
        ("+z", (0.0, 0.0, 1.0)),
        ("-x", (-1.0, 0.0, 0.0)),
        ("Y", (0.0, 1.0, 0.0)),
        ("0, 3, 4", (0.0, 0.6, 0.8)),
        ((2, 0, 0), (1.0, 0.0, 0.0)),
        ([0.0, 0.0, -5.0], (0.0, 0.0, -1.0)),
    ],
)
def test_directions(value, vector):
    assert direction(value) == pytest.approx(vector)


@pytest.mark.parametrize(
    "value", ["", "up", "zz", "--z", "1,2", "0,0,0", "nan,0,1", "1e400,0,0", [1, 2], 7, [True, 0, 1]]
)
def test_what_is_no_direction(value):
    with pytest.raises(ProcessError, match="direction"):
        direction(value)


def write(tmp_path, text):
    path = tmp_path / "cleat.lie.toml"
    path.write_text(text, "utf-8")
    return path


def test_file_beside_the_part(tmp_path):
    path = write(
        tmp_path,
        '[show]\ndirections = ["+z", [0, 1, 1]]\nface_sets = ["badge"]\n[load]\naxis = "-y"\n'
        '[spare]\ndirections = ["-z"]\nface_sets = ["thread"]\n',
    )
    assert marks_beside(tmp_path / "cleat.stl") == path
    marks = read_marks(path)
    assert marks.show.directions[1] == pytest.approx((0.0, np.sqrt(0.5), np.sqrt(0.5)))
    assert marks.show.face_sets == ("badge",)
    assert marks.spare == MarkedFaces(((0.0, 0.0, -1.0),), ("thread",))
    assert marks.load_axis == (0.0, -1.0, 0.0)
    assert read_marks(write(tmp_path, "")) == Marks()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[show", "not TOML"),
        ("[shown]\n", "no such table"),
        ("show = 3\n", "no such table"),
        ('[show]\ndirection = ["+z"]\n', "no such entry.*directions, face_sets"),
        ('[show]\ndirections = "+z"\n', "no list"),
        ('[show]\ndirections = ["up"]\n', r"cleat.lie.toml, \[show\] directions: 'up' is no direction"),
        ("[show]\nface_sets = [3]\n", "no name"),
        ('[spare]\naxis = "+z"\n', r"\[spare\] axis: there is no such entry"),
        ("[spare]\nface_sets = [3]\n", r"\[spare\] face_sets: 3 is no name"),
        ("[load]\naxis = [1, 2]\n", r"\[load\] axis"),
    ],
)
def test_errors_name_the_place(tmp_path, text, said):
    with pytest.raises((PartError, ProcessError), match=said):
        read_marks(write(tmp_path, text))


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(PartError, match="no such file"):
        read_marks(tmp_path / "none.lie.toml")
    with pytest.raises(PartError, match="cannot be read"):
        read_marks(tmp_path)
    path = tmp_path / "latin.lie.toml"
    path.write_bytes(b"# \xe9\xff\n")
    with pytest.raises(PartError, match="UTF-8"):
        read_marks(path)


@pytest.mark.parametrize("name", ["", ".", "/", ".."])
def test_a_folder_has_no_marks_beside_it_but_no_fault_either(name):
    assert marks_beside(name).name.endswith(".lie.toml")


def test_marked_faces():
    vertices, faces = box()
    part = Part("box", vertices, faces, face_sets={"badge": np.array([7], np.int32)})
    normals, areas = face_normals(vertices, faces)
    assert areas.sum() == pytest.approx(600.0)
    top = marked_faces(part, normals, MarkedFaces(directions=((0.0, 0.0, 1.0),)))
    assert np.flatnonzero(top).tolist() == [2, 3]
    both = marked_faces(part, normals, MarkedFaces(((0.0, 0.0, 1.0),), ("badge",)))
    assert np.flatnonzero(both).tolist() == [2, 3, 7]
    with pytest.raises(PartError, match="It has: badge"):
        marked_faces(part, normals, MarkedFaces(face_sets=("plate",)))
    with pytest.raises(PartError, match="no face of the part"):
        marked_faces(part, normals, MarkedFaces(directions=((0.577, 0.577, 0.577),)))
    with pytest.raises(PartError, match="faces supports must not touch"):
        marked_faces(
            part, normals, MarkedFaces(directions=((0.577, 0.577, 0.577),)), "faces supports must not touch"
        )


def test_brushed_faces_become_a_named_set():
    vertices, faces = box()
    part = Part("box", vertices, faces, face_sets={"badge": np.array([7], np.int32)})
    brushed = np.zeros(len(faces), bool)
    brushed[[0, 5]] = True
    more = part.with_face_set("thread", brushed)
    assert more == part and list(part.face_sets) == ["badge"]
    assert {name: found.tolist() for name, found in more.face_sets.items()} == {
        "badge": [7],
        "thread": [0, 5],
    }
    marked = marked_faces(more, face_normals(vertices, faces)[0], MarkedFaces(face_sets=("thread",)))
    assert np.array_equal(marked, brushed)


def test_marked_faces_lie_within_thirty_degrees():
    """The cap of a sphere: (1 − cos 30°) / 2 of its area, by facets of 4°."""
    vertices, faces = ball_of_squares(10.0, 30)
    normals, areas = face_normals(vertices, faces)
    marked = marked_faces(Part("ball", vertices, faces), normals, MarkedFaces(((0.0, 0.6, 0.8),)))
    share = areas[marked].sum() / areas.sum()
    assert share == pytest.approx((1 - np.cos(np.radians(30.0))) / 2, rel=0.05)

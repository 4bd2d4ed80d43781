"""Binary STL read back by numpy (by the format's layout) and by trimesh."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from falsework.errors import OutputError
from falsework.files.stl import write_stl
from plans import box


def test_layout_is_that_of_the_format(tmp_path: Path) -> None:
    vertices, faces = box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0))
    write_stl(tmp_path / "box.stl", vertices, faces, "box")
    data = (tmp_path / "box.stl").read_bytes()
    assert len(data) == 84 + 50 * 12
    assert not data.startswith(b"solid")
    assert np.frombuffer(data, "<u4", 1, 80)[0] == 12
    facets = np.frombuffer(data, np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]), offset=84)
    np.testing.assert_array_equal(facets["c"], vertices.astype(np.float32)[faces])
    np.testing.assert_array_equal(facets["n"][:2], [[0, 0, -1], [0, 0, -1]])
    assert not facets["a"].any()


def test_trimesh_reads_the_same_volume(tmp_path: Path) -> None:
    import trimesh

    write_stl(tmp_path / "box.stl", *box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)), "box")
    mesh = trimesh.load(tmp_path / "box.stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(6.0, rel=1e-6)


def test_corners_that_become_one_leave_no_face_behind(tmp_path: Path) -> None:
    # corner 0 twice, a nanometre apart far from the origin: the two faces between have no breadth
    import trimesh

    v = np.array([[0, 0, 0], [0, 0, 1e-6], [1, 0, 0], [0, 1, 0], [0, 0, 1]]) + 100.0
    faces = [[0, 3, 2], [0, 2, 1], [0, 1, 3], [1, 2, 4], [2, 3, 4], [3, 1, 4]]
    assert trimesh.Trimesh(v, faces, process=False).is_watertight
    write_stl(tmp_path / "tip.stl", v, faces, "tip")
    assert (tmp_path / "tip.stl").stat().st_size == 84 + 50 * 4
    mesh = trimesh.load(tmp_path / "tip.stl")
    assert mesh.is_watertight and mesh.volume == pytest.approx(1 / 6, rel=1e-4)


@pytest.mark.parametrize("name", ["solid block", "Öse", "x" * 200, ""])
def test_header_is_80_bytes_whatever_the_name(tmp_path: Path, name: str) -> None:
    write_stl(tmp_path / "box.stl", *box((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)), name)
    data = (tmp_path / "box.stl").read_bytes()
    assert len(data) == 84 + 50 * 12
    assert not data.startswith(b"solid")


def test_a_face_without_area_gets_a_zero_normal(tmp_path: Path) -> None:
    write_stl(tmp_path / "flat.stl", [[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]], "flat")
    assert not np.frombuffer((tmp_path / "flat.stl").read_bytes(), "<f4", 3, 84).any()


def test_missing_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="does not exist"):
        write_stl(tmp_path / "no" / "box.stl", *box((0, 0, 0), (1, 1, 1)), "box")

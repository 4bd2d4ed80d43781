"""STEP read back by OpenCASCADE (through cascadio): the same solids, by name and volume."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold

from falsework.errors import OutputError
from falsework.files.step import StepSolid, write_step
from falsework.redrawing.body.solids import mesh_of

cascadio = pytest.importorskip("cascadio")


def _solid(name: str, manifold: Manifold) -> StepSolid:
    vertices, faces = mesh_of(manifold)
    return StepSolid(name, vertices, faces.astype(np.int64))


def _read_back(path: Path) -> dict[str, float]:
    import trimesh

    out = path.with_suffix(".glb")
    assert cascadio.step_to_glb(str(path), str(out), tol_linear=0.01) == 0
    scene = trimesh.load(out)
    return {name: float(mesh.volume) * 1e9 for name, mesh in scene.geometry.items()}


def test_opencascade_reads_the_same_solids_back(tmp_path: Path) -> None:
    drilled = Manifold.cube((10, 20, 30)) - Manifold.cylinder(40, 3, 3, 24).translate((5, 10, -5))
    ball = Manifold.sphere(7, 32).translate((30, -4, 2))
    path = tmp_path / "two.step"
    write_step(path, "two", [_solid("corbel, the mate's: ü", drilled), _solid("ball", ball)])
    found = _read_back(path)
    assert found["corbel, the mate's: ü"] == pytest.approx(drilled.volume(), rel=1e-6)
    assert found["ball"] == pytest.approx(ball.volume(), rel=1e-6)


def test_the_same_solids_give_the_same_bytes_and_plain_ascii(tmp_path: Path) -> None:
    solid = _solid("Stütze", Manifold.cube((1, 2, 3)))
    for name in ("a.step", "b.step"):
        write_step(tmp_path / name, "one", [solid])
    text = (tmp_path / "a.step").read_bytes()
    assert text == (tmp_path / "b.step").read_bytes()
    assert text.decode("ascii").startswith("ISO-10303-21;") and b"MANIFOLD_SOLID_BREP" in text
    # 8 corners, 18 edges and 12 faces of a box: every entity is there once
    assert text.count(b"=VERTEX_POINT(") == 8
    assert text.count(b"=EDGE_CURVE(") == 18
    assert text.count(b"=ADVANCED_FACE(") == 12


def test_an_open_body_is_refused_and_nothing_written(tmp_path: Path) -> None:
    solid = _solid("open", Manifold.cube((1, 1, 1)))
    with pytest.raises(OutputError, match="not closed"):
        write_step(tmp_path / "open.step", "open", [StepSolid("open", solid.vertices, solid.faces[1:])])
    assert not list(tmp_path.iterdir())

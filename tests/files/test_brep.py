"""A STEP part changed on its own faces."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold

from falsework.files.brep import MOST_TRIANGLES, BRepChange, write_changed_step
from falsework.files.step import StepSolid, write_step
from falsework.part import read_part
from falsework.redrawing.body.solids import mesh_of

pytest.importorskip("OCP")


@pytest.fixture
def block(tmp_path: Path) -> Path:
    """A block of 30 × 20 × 10 as STEP, two triangles to a face."""
    vertices, faces = mesh_of(Manifold.cube((30, 20, 10)))
    path = tmp_path / "block.step"
    write_step(path, "block", [StepSolid("block", vertices, faces.astype(np.int64))])
    return path


def change(solid: Manifold, added: bool) -> BRepChange:
    vertices, faces = mesh_of(solid)
    return BRepChange(added, vertices, faces.astype(np.int64))


def test_solids_are_added_and_taken_away_scaled_and_turned(block: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.step"
    frame = 2.0 * np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])  # about x by 90°
    more = change(Manifold.cube((10, 10, 10)).translate((5, -15, 39)), True)
    less = change(Manifold.cube((10, 50, 10)).translate((40, -30, 10)), False)
    whole = 8 * 6000.0 + 900.0 - 10 * 20 * 10
    made = write_changed_step(block, out, frame, [more, less], whole)
    assert made.written, made.why
    assert made.faces_before == 12 and made.faces_after == 6 + 5 + 4
    again = read_part(out)
    assert again.volume_mm3 == pytest.approx(whole, rel=1e-6)
    assert again.bounds_mm == pytest.approx(np.array([[0.0, -20.0, 0.0], [60.0, 0.0, 49.0]]), abs=1e-5)


def test_what_cannot_be_made_is_said_and_nothing_written(block: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.step"
    one = change(Manifold.cube((5, 5, 5)), True)
    made = write_changed_step(block, out, np.eye(3), [one], 9999.0)
    assert not made.written and "volume" in made.why and not out.exists()
    ball = change(Manifold.sphere(5.0, 200), True)
    assert len(ball.faces) > MOST_TRIANGLES
    assert "too curved" in write_changed_step(block, out, np.eye(3), [ball], 1.0).why
    (tmp_path / "none.step").write_text("nothing")
    made = write_changed_step(tmp_path / "none.step", out, np.eye(3), [one], 1.0)
    assert not made.written and made.why

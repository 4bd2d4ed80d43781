"""Axes of the surface around a piece, by hand: a tilted box's own, both ways, upper ways first."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.release.bodies import BodyMesh
from falsework.release.pulling import local_axes
from solids import box, part_of


def test_axes_of_a_tilted_box() -> None:
    """Sides of 30, 20 and 10 mm: faces of 200, 300 and 600 mm² on each side, so eigenvalues are apart."""
    tilt = np.radians(20.0)
    turn = np.array([[np.cos(tilt), 0.0, np.sin(tilt)], [0.0, 1.0, 0.0], [-np.sin(tilt), 0.0, np.cos(tilt)]])
    part = part_of(*box((30.0, 20.0, 10.0)))
    vertices = np.ascontiguousarray((part.vertices @ turn.T).T, dtype=np.float32)
    faces = part.faces.astype(np.int32)
    mesh = BodyMesh(vertices, faces, True, np.array([0, len(faces)]))
    axes = local_axes(mesh, np.full(3, -100.0), np.full(3, 100.0))
    expected = turn.T * np.sign(turn.T @ [1e-3, 1e-2, 1.0])[:, None]
    by_area = expected[[0, 1, 2]]  # least area first: across x, then y, then z
    assert axes == pytest.approx(np.concatenate([by_area, -by_area]), abs=1e-6)
    assert len(local_axes(mesh, np.full(3, 90.0), np.full(3, 100.0))) == 0


def test_pieces_come_off_by_rounds_then_from_the_outside_in_then_the_larger_first() -> None:
    from types import SimpleNamespace

    from falsework.release.judge import _in_order

    middle = np.array([[-10.0, 0.0, 0.0], [0.0, 0.0, 0.0], [10.0, 0.0, 0.0]])
    half = np.array([[1.0], [5.0], [2.0]]) * np.ones(3)
    mesh = SimpleNamespace(bounds=np.stack([middle - half, middle + half], axis=1))
    assert _in_order({0: 0, 1: 0, 2: 0}, mesh) == [2, 0, 1]
    assert _in_order({0: 1, 1: 0, 2: 1}, mesh) == [1, 2, 0]

"""Redraws of real parts in ``tests/data``: what is treated is gone, the rest says why, the mesh is closed."""

from __future__ import annotations

from pathlib import Path

import pytest
import trimesh

from falsework.part import read_part
from falsework.redrawing import redraw

DATA = Path(__file__).parents[1] / "data"


@pytest.mark.parametrize(
    ("name", "asked", "least_gone"),
    [("torus.3mf", (1, 2), 2), ("so101_webcam_mount.stl", (1,), 0), ("so101_gauge_tight.stl", None, 0)],
)
def test_what_is_treated_is_gone_and_the_rest_says_why(
    name: str, asked: tuple[int, ...] | None, least_gone: int
) -> None:
    """The small torus by number: what it asks for costs less than a look at it."""
    part = read_part(DATA / name)
    kinds = ["corbel", "peaked roof"]
    found = redraw(part, kinds=kinds, undersides=asked, split=False, other_lies=False)
    for treated in found.treated:
        assert treated.chosen is not None or treated.outcome.startswith("left: ")
        assert all(refusal.why for refusal in treated.declined)
    gone = found.combined.gone if found.combined else ()
    assert len(gone) >= least_gone
    if found.combined is None:
        assert found.best == "as it is"
        return
    assert gone == found.combined.undersides
    assert found.combined.outside_share < 1e-4
    assert found.geometry is not None and found.geometry.redrawn is not None
    redrawn = found.geometry.redrawn
    mesh = trimesh.Trimesh(redrawn.vertices, redrawn.faces, process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent


@pytest.mark.parametrize(
    ("name", "asked", "least_gone"), [("spot.obj", (2, 3, 5, 8), 3), ("nut.ply", (1,), 1)]
)
def test_figures_and_threads_need_no_support_any_more(
    name: str, asked: tuple[int, ...], least_gone: int
) -> None:
    """By all kinds of change, wherever they pay or not: what is treated asks no more. One of the
    figure's would grow legs, which is done only where it is asked for."""
    part = read_part(DATA / name)
    found = redraw(part, undersides=asked, split=False, other_lies=False)
    assert found.combined is not None
    gone = set(found.combined.gone)
    assert gone == set(found.combined.undersides)
    assert len(gone) >= least_gone, [t.outcome for t in found.treated if t.chosen is None]
    assert found.combined.after.undersides < found.before.undersides  # what is new has its price
    assert found.combined.outside_share < 1e-4
    assert found.geometry is not None and found.geometry.redrawn is not None
    redrawn = found.geometry.redrawn
    mesh = trimesh.Trimesh(redrawn.vertices, redrawn.faces, process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent

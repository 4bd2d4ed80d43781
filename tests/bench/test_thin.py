"""What the page draws of supports and undersides while a figure turns, held to what it stands in for."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import falsework
from falsework.bench import figures
from falsework.part.demo import gull

PAGE = Path(falsework.__file__).parent / "bench" / "page" / "js" / "figure" / "thin.js"


def _gathered(**given: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[float]]:
    node = shutil.which("node")
    if node is None:
        pytest.skip("no node at hand")
    run = subprocess.run(
        [node, Path(__file__).with_name("check_thin.mjs"), PAGE],
        input=json.dumps(given),
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    told = json.loads(run.stdout)
    positions, faces = (np.array(told[name]).reshape(-1, 3) for name in ("positions", "faces"))
    return positions, faces, np.array(told["tags"]), told["grid"]


def test_two_bodies_stay_apart_keep_their_numbers_and_no_corner_leaves_its_cell() -> None:
    body = figures.part_mesh(gull(20_000))
    points = np.concatenate([body["positions"], body["positions"]])  # the same place twice
    count, own = len(body["faces"]), len(body["positions"])
    faces = np.concatenate([body["faces"], body["faces"] + own])
    positions, left, tags, grid = _gathered(
        positions=points.ravel().tolist(),
        faces=faces.ravel().tolist(),
        start=[0, count, 2 * count],
        most=8_000,
    )
    assert 2_000 < len(left) < 12_000 and left.max() < len(positions)
    assert len({tuple(face) for face in left.tolist()}) == len(left)  # none of them twice
    assert set(tags.tolist()) == {1, 2} and (tags[left] == tags[left][:, :1]).all()
    side = grid[3]
    cells = {tuple(cell) for cell in np.floor((points - grid[:3]) / side).astype(int).tolist()}
    # the middle of what is in a cell is in it, but for what rounds at its edge
    found = np.floor((positions - grid[:3]) / side).astype(int).tolist()
    assert np.mean([tuple(cell) in cells for cell in found]) > 0.999


def test_what_lies_on_the_part_lies_on_its_thin_mesh_too() -> None:
    part = gull(60_000)
    coarse = figures.coarse_mesh(part, 8_000)
    loose = part.vertices[part.faces[:4_000]].astype(np.float32)
    positions, left, tags, _ = _gathered(
        positions=loose.ravel().tolist(),
        faces=None,
        start=[0, 1_500, 4_000],
        grid=coarse["grid"].tolist(),
        onto=coarse["positions"].ravel().tolist(),
    )
    on = {tuple(point) for point in coarse["positions"].tolist()}
    assert np.mean([tuple(point) in on for point in positions.astype(np.float32).tolist()]) > 0.99
    assert 0 < len(left) < 2_000 and set(tags.tolist()) == {1, 2}

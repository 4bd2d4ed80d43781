"""Slabs between parallel cuts against a twin that clips every column for every pair of heights."""

from __future__ import annotations

import numpy as np
import pytest

from falsework.kernels.column import slabs as k
from falsework.kernels.column.intervals import facet_sums
from falsework.orientation.body import body_of
from falsework.orientation.directions import rotations_to_up
from solids import ball_of_squares, box, merged, revolved

TOUCH, LIMIT, GRID, SOLID, BAND = 0.1, 45.0, 20, 0.8, 0.9
TURNS = 2.0 * np.pi * np.arange(8) / 8
WAYS = np.column_stack([np.cos(TURNS), np.sin(TURNS)])


def tables(mesh, up, heights, show=None):
    faces = np.asarray(mesh[1], np.int32)
    marked = np.zeros(len(faces), bool) if show is None else show
    body = body_of(np.asarray(mesh[0], float), faces, marked)
    rotation = rotations_to_up(np.array(up)[None] / np.linalg.norm(up), 17.3)[0]
    return rotation, k.slab_tables(
        body.vertices,
        body.faces,
        body.normals,
        body.areas,
        body.show,
        rotation,
        heights,
        WAYS,
        GRID,
        LIMIT,
        TOUCH,
        SOLID,
        BAND,
    )


def columns(mesh, rotation):
    """Crossings (z, face, enters) of every column, sorted, by asking every triangle; and a cell's sides."""
    points = mesh[0] @ rotation.T
    points = points - points.min(axis=0)
    cell = points.max(axis=0)[:2] / GRID
    a, b, c = (points[mesh[1][:, n]] for n in range(3))
    normal = np.cross(b - a, c - a)
    level = normal[:, 2] / np.linalg.norm(normal, axis=1)
    found = {}
    for r in range(GRID):
        for s in range(GRID):
            q = (np.array([s, r]) + 0.5) * cell
            sides = np.stack(
                [
                    (o[:, 0] - p[:, 0]) * (q[1] - p[:, 1]) - (o[:, 1] - p[:, 1]) * (q[0] - p[:, 0])
                    for p, o in ((a, b), (b, c), (c, a))
                ]
            )
            hit = np.flatnonzero((sides > 0).all(axis=0) | (sides < 0).all(axis=0))
            z = a[hit, 2] - ((q - a[hit, :2]) * normal[hit, :2]).sum(axis=1) / normal[hit, 2]
            order = np.argsort(z)
            found[r, s] = [(z[n], hit[n], level[hit[n]]) for n in order]
    return found, cell


def twin(mesh, rotation, heights, show):
    """Need (2, NEEDS, Q, Q) and sections (3, Q), volume below (Q,), straight from the definitions."""
    found, cell = columns(mesh, rotation)
    sine = np.sin(np.radians(LIMIT))
    count = len(heights)
    need, sections, volume = np.zeros((2, k.NEEDS, count, count)), np.zeros((3, count)), np.zeros(count)
    for crossings in found.values():
        pairs = [(crossings[n], crossings[n + 1]) for n in range(0, len(crossings) - 1, 2)]
        for (b, _, _), (e, _, _) in pairs:
            above = (b - TOUCH <= heights) & (e - TOUCH > heights)
            below = (b + TOUCH <= heights) & (e + TOUCH > heights)
            sections += np.stack([above, below, above & below]) * cell.prod()
            volume += np.clip(heights - b, 0.0, e - b) * cell.prod()
        for i, low in enumerate(heights):
            for j, high in enumerate(heights):
                for n, ((b, bottom, level), (e, top, slope)) in enumerate(pairs):
                    before = pairs[n - 1][1] if n > 0 else None
                    after = pairs[n + 1][0] if n + 1 < len(pairs) else None
                    if -level > sine and low < b - TOUCH and high >= b + TOUCH:
                        if before is None or before[0] - TOUCH <= low:
                            if before is None or b - before[0] > TOUCH:
                                need[0, [k.REACHED, k.REACHED_HEIGHT], i, j] += [1.0, b]
                                need[0, k.SHOWN_REACHED, i, j] += show[bottom]
                        elif b - before[0] > TOUCH:
                            need[0, [k.UNREACHED, k.PART_AIR], i, j] += [1.0, b - before[0]]
                            need[0, k.SHOWN_UNREACHED, i, j] += show[bottom]
                            need[0, k.SHOWN_LANDING, i, j] += show[before[1]]
                    if slope > sine and low < e - TOUCH and high >= e + TOUCH:
                        if after is None or after[0] + TOUCH > high:
                            if after is None or after[0] - e > TOUCH:
                                need[1, [k.REACHED, k.REACHED_HEIGHT], i, j] += [1.0, e]
                                need[1, k.SHOWN_REACHED, i, j] += show[top]
                        elif after[0] - e > TOUCH:
                            need[1, [k.UNREACHED, k.PART_AIR], i, j] += [1.0, after[0] - e]
                            need[1, k.SHOWN_UNREACHED, i, j] += show[top]
                            need[1, k.SHOWN_LANDING, i, j] += show[after[1]]
    return need, sections, volume


STACK = merged(
    box((22.0, 9.0, 3.0), (0.0, 0.0, 14.0)),
    box((5.0, 7.0, 2.0), (14.0, 1.0, 5.0)),
    box((4.0, 8.0, 11.0), (2.0, 0.5, 2.0)),
    box((9.0, 4.0, 1.0), (8.0, 3.0, 19.0)),
)


@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.3, -0.5, 0.8), (-0.6, 0.3, -0.2)])
@pytest.mark.parametrize("mesh", [STACK, ball_of_squares(8.0, 6)], ids=["boxes in the air", "ball"])
def test_slabs_agree_with_clipping_every_column(mesh, up):
    up = np.array(up) / np.linalg.norm(up)
    along = mesh[0] @ up
    heights = np.concatenate(
        [[0.0], np.ptp(along) * np.array([0.13, 0.31, 0.4, 0.59, 0.77]), [np.ptp(along)]]
    )
    show = np.arange(len(mesh[1])) % 3 == 0
    rotation, (need, sections, bulk, *_) = tables(mesh, up, heights, show)
    expected, areas, volume = twin(mesh, rotation, heights, show)
    upper = np.triu_indices(len(heights), 1)
    assert need[:, :, *upper] == pytest.approx(expected[:, :, *upper], abs=1e-3)
    assert need[:, k.REACHED].max() > 0
    assert sections == pytest.approx(areas, rel=1e-5, abs=1e-3)
    assert bulk[0] == pytest.approx(volume, rel=1e-4, abs=1e-3)


def test_bulk_sums_and_outlines_of_a_box():
    size = np.array([8.0, 6.0, 10.0])
    heights = np.array([-0.001, 2.5, 4.0, 10.001])
    rotation, (_, sections, bulk, sums, outlines, _) = tables(box(tuple(size)), (0.0, 0.0, 1.0), heights)
    area = 48.0
    assert bulk[0] == pytest.approx(
        area * np.clip(heights, 0.0, 10.0), rel=0.03
    )  # cells at a turned rim: up to half of one
    middle = bulk[1:, -1] / bulk[0, -1]
    centre = (box(tuple(size))[0] @ rotation.T).mean(axis=0) - (box(tuple(size))[0] @ rotation.T).min(axis=0)
    assert middle == pytest.approx(centre, abs=0.05)
    assert bulk[3, 1:] == pytest.approx(bulk[0, 1:] * heights[1:] / 2, rel=2e-4)
    assert sections[:, 1:-1] == pytest.approx(np.full((3, 2), sections[0, 1]))
    body = body_of(*box(tuple(size)), np.zeros(12, bool))
    whole = facet_sums(body.areas, body.normals, np.array([[0.0, 0.0, 1.0]]), SOLID, BAND)[0]
    assert sums[0] == pytest.approx(whole[0] * np.clip(heights / 10.0, 0.0, 1.0), rel=1e-5)  # walls evenly
    assert sums[1, :3] == pytest.approx([0.0, area, area], rel=1e-5)  # the floor, then the lid too
    assert sums[:, -1] == pytest.approx(whole, rel=1e-5)
    turned = box(tuple(size))[0] @ rotation.T
    turned = turned - turned.min(axis=0)
    support = (turned[:, :2] @ WAYS.T).max(axis=0)
    for each in (outlines[0, :-1], outlines[1, 1:], outlines[2, :-1]):  # above, below, between
        assert np.all(np.abs(each - support) <= 0.75)  # a cell's diagonal


def test_the_ring_beneath_a_cup_is_reached_from_below_and_its_floor_is_not():
    cup = revolved([4.0, 8.0, 8.0, 6.0, 6.0, 4.0], [0.0, 0.0, 12.0, 12.0, 3.0, 3.0], 48)
    heights = np.array([0.0, 1.5, 6.0, 12.0])
    _, (need, *_) = tables(cup, (0.0, 0.0, 1.0), heights)
    assert not need[k.ON_LOWER].any()  # nothing hangs as it stands
    assert need[k.ON_UPPER, k.REACHED, 0, 3] > 0  # turned over, the floor does,
    assert not need[k.ON_UPPER, k.REACHED, 2, 3].any()  # unless it was cut off
    assert not need[k.ON_UPPER, k.UNREACHED].any()

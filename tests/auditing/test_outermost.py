"""How far out strands lie along an outline, on a plate of 40 x 20 mm whose strands are drawn at will."""

from __future__ import annotations

from types import SimpleNamespace as Given

import numpy as np
import pytest
import shapely

from falsework.auditing import shape
from falsework.auditing.shape import _by_extent, _layers, _outermost, residuals, shape_changes
from falsework.auditing.survey import Usual
from falsework.kernels.bead import strands as cut

USUAL = Usual(0.2, 0.5)  # strands are looked for from 1.5 mm within to 0.85 mm beyond where they should be
HALF = np.array([20.0, 10.0])


def sides(step_mm: float, out_mm: float = 0.0):
    """Points along all four sides, ``out_mm`` outwards, and the normals that lead out."""
    points, normals = [], []
    for axis in (0, 1):
        along = np.arange(-HALF[axis] + 0.5 * step_mm, HALF[axis], step_mm)
        for sign in (-1.0, 1.0):
            xy, normal = np.empty((len(along), 2)), np.zeros((len(along), 2))
            xy[:, axis], xy[:, 1 - axis] = along, sign * (HALF[1 - axis] + out_mm)
            normal[:, 1 - axis] = sign
            points.append(xy)
            normals.append(normal)
    return np.concatenate(points), np.concatenate(normals)


def plate(
    *outs_mm: float, z: float = 1.0, drawn=lambda xy: xy, lean_deg: float = 0.0, beside_mm: float = 0.0
):
    """One layer: points of its outline, and its strands, ``outs_mm`` outwards each and ``drawn`` anew."""
    xy, normal = sides(1.0)
    strands = [sides(1.0 if beside_mm else 0.1, out) for out in outs_mm]
    strand, across = (np.concatenate(some) for some in zip(*strands, strict=True))
    strand = strand + beside_mm * across[:, ::-1] * [-1.0, 1.0]
    c, s = np.cos(np.radians(lean_deg)), np.sin(np.radians(lean_deg))
    return xy, normal, z, drawn(strand), across @ np.array([[c, s], [-s, c]])


def turned(deg: float = 0.0, shift=(0.0, 0.0)):
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    turn = np.array([[c, s], [-s, c]])
    return Given(
        to_program=lambda xy: xy @ turn + np.array(shift), to_part=lambda xy: (xy - np.array(shift)) @ turn.T
    )


def out_of(layer, expected_mm: float = 0.0, placed=None):
    count = len(layer[0])
    out, there = _outermost([layer], placed or turned(), USUAL, np.full(count, expected_mm))
    inner = np.abs(np.abs(layer[0]) - HALF).max(axis=1) > 3.0  # corners are met from either side
    return out[inner], there[inner]


@pytest.mark.parametrize("out_mm", [-1.45, -0.5, -0.1, 0.0, 0.1, 0.8])
@pytest.mark.parametrize("expected_mm", [0.0, 2.0, -3.0])
def test_a_strand_lies_as_far_out_as_it_was_drawn(out_mm, expected_mm) -> None:
    out, there = out_of(plate(expected_mm + out_mm), expected_mm)
    assert out == pytest.approx(np.full(len(out), expected_mm + out_mm))
    assert (there == (abs(out_mm) < 0.12)).all()


@pytest.mark.parametrize("out_mm", [-1.6, 0.95])
def test_what_lies_farther_off_is_another_strand(out_mm) -> None:
    out, there = out_of(plate(out_mm))
    assert np.isnan(out).all() and not there.any()


def test_of_several_the_outermost_counts_and_any_may_lie_where_one_should() -> None:
    out, there = out_of(plate(-0.9, 0.0, 0.45))
    assert out == pytest.approx(np.full(len(out), 0.45)) and there.all()
    out, there = out_of(plate(-0.9, 0.45))
    assert out == pytest.approx(np.full(len(out), 0.45)) and not there.any()


@pytest.mark.parametrize(("lean_deg", "runs"), [(17.0, True), (-17.0, True), (20.0, False), (90.0, False)])
def test_only_strands_that_run_along_are_the_outline_s(lean_deg, runs) -> None:
    """The cosine of 18.2° is 0.95."""
    assert np.isfinite(out_of(plate(0.2, lean_deg=lean_deg))[0]).all() == runs


@pytest.mark.parametrize(("beside_mm", "met"), [(0.29, True), (0.31, False)])
def test_a_strand_is_met_beside_the_point_and_not_farther_along(beside_mm, met) -> None:
    out, there = out_of(plate(0.05, beside_mm=beside_mm))
    assert (np.isfinite(out).all(), there.all()) == (met, met)


def test_where_the_part_lies_in_the_program_makes_no_difference() -> None:
    placed = turned(30.0, (110.0, 90.0))
    layer = plate(0.3, drawn=placed.to_program)
    layer = (*layer[:4], placed.to_program(layer[4]) - placed.to_program(np.zeros(2)))
    out, _ = out_of(layer, placed=placed)
    assert out == pytest.approx(np.full(len(out), 0.3))


# --- residuals ---


def found(monkeypatch, *layers):
    monkeypatch.setattr(shape, "_layers", lambda *how: list(layers))
    return residuals(turned(), None, USUAL)


@pytest.mark.parametrize("by", [0.02, -0.03, 0.15, -0.2])
def test_a_plate_of_another_size_is_told_from_near_and_from_afar(monkeypatch, by) -> None:
    """By 15 % its ends lie 3 mm off, where no strand of theirs is looked for at first."""
    layers = [plate(0.0, z=z, drawn=lambda xy: (1.0 + by) * xy) for z in (2.0, 4.0, 8.0)]
    r = found(monkeypatch, *layers)
    assert r is not None and r.met > 0.75
    (change,) = shape_changes(r)
    assert change.name == "size" and change.amounts == pytest.approx((by,), abs=2e-3)
    assert r.half_mm == pytest.approx([20.0, 10.0, 3.0])
    assert sorted(set(r.z)) == pytest.approx([-3.0, -1.0, 3.0])


@pytest.mark.parametrize("by", [0.03, 0.05, 0.12, -0.03, -0.08, -0.12])
def test_walls_within_walls_are_not_taken_for_the_outermost(monkeypatch, by) -> None:
    """Nine, 0.45 mm apart: drawn out along x, an inner one comes to lie where the outermost should."""
    walls = [-0.45 * k for k in range(9)]
    layers = [plate(*walls, z=z, drawn=lambda xy: xy * [1.0 + by, 1.0]) for z in (2.0, 4.0, 8.0)]
    r = found(monkeypatch, *layers)
    assert r is not None
    (change,) = shape_changes(r)
    assert change.name == "along x" and change.amounts == pytest.approx((by,), abs=2e-3)


def test_what_lies_far_beside_does_not_draw_the_outline_out(monkeypatch) -> None:
    """One long side has no strands, and a blob at 200 mm lies where a plate five times as large would end."""
    xy, normal, z, strand, across = plate(0.0)
    kept = strand[:, 1] > -9.0
    strand = np.concatenate([strand[kept], [[200.0, 200.0]]])
    r = found(monkeypatch, *[(xy, normal, z, strand, np.concatenate([across[kept], [[0.0, 1.0]]]))] * 3)
    assert r is not None and shape_changes(r) == ()
    assert r.met == pytest.approx(2.0 / 3.0, abs=0.02) and r.out_mm == pytest.approx(np.zeros(len(r.z)))


def test_a_share_of_outlines_without_strands_layer_by_layer(monkeypatch) -> None:
    """Of 120 mm of outline one long side is a third."""
    whole = plate(0.0)
    xy, normal, z, strand, across = plate(0.0, z=2.0)
    kept = strand[:, 1] > -9.0
    r = found(monkeypatch, whole, (xy, normal, z, strand[kept], across[kept]), whole)
    assert r is not None
    assert r.unmet == pytest.approx([0.0, 1.0 / 3.0, 0.0], abs=0.02)
    assert r.met == pytest.approx(8.0 / 9.0, abs=0.01)
    assert len(r.out_mm) == len(r.xy) == round(r.met * 360)


def test_where_few_outlines_are_followed_nothing_is_said(monkeypatch) -> None:
    """Both short sides are a third of it: enough, but for fewer than 60 points."""
    xy, normal, z, strand, across = plate(0.0)
    ends = np.abs(strand[:, 0]) > 19.99
    some = [(xy, normal, z, strand[ends], across[ends])] * 2
    assert found(monkeypatch, *some) is not None
    assert found(monkeypatch, some[0]) is None
    assert found(monkeypatch) is None


def test_how_far_an_outline_would_lie_off_that_is_drawn_out_to_its_strands() -> None:
    """By 20 % along x and to one side; the middle of three layers, for one may hold something else."""
    layers = [
        plate(0.0, drawn=lambda xy: xy * [1.2, 1.0] + [1.0, -2.0]),
        plate(0.0, drawn=lambda xy: xy * [1.2, 1.0] + [1.0, -2.0]),
        plate(0.0, drawn=lambda xy: xy * 7.0),
    ]
    off = np.split(_by_extent(layers, turned()), 3)
    xy, normal = layers[0][:2]
    assert off[0] == pytest.approx(0.2 * xy[:, 0] * normal[:, 0] + normal @ [1.0, -2.0], abs=0.02)
    assert off[2] == pytest.approx(off[0])


def test_which_layers_are_looked_at_and_where() -> None:
    """The three after the first, and of all that were sampled a twelfth each; half a strand within."""
    rows = np.zeros((1, 1 + max(cut.AX, cut.AY, cut.BX, cut.BY)))
    rows[0, [cut.AX, cut.AY, cut.BX, cut.BY]] = [-5.0, 3.0, 5.0, 3.0]
    asked: list[float] = []

    def layer_at(z_mm: float) -> int:
        asked.append(z_mm)
        return -1 if z_mm > 7.0 else 1 if z_mm > 6.0 else 0

    placed = Given(
        placement=Given(shift_mm=(0.0, 0.0, 0.5)),
        layer_at=layer_at,
        stack=Given(regions=[shapely.box(-50.0, -30.0, 50.0, 30.0), shapely.Polygon()]),
    )
    program = Given(sample=dict.fromkeys(range(41), rows), first_layer=0, z_mm=0.2 * (1.0 + np.arange(41)))
    layers = _layers(placed, program, USUAL)
    every = [1, 2, 3, 5, 9, 13, 17, 21, 25, 29, 33, 37]
    assert asked == pytest.approx([0.2 * (1 + k) - 0.05 for k in every])
    assert [layer[2] for layer in layers] == pytest.approx([0.2 * (1 + k) - 0.5 for k in every if k < 30])
    xy, normal, _, strand, across = layers[0]
    assert len(xy) == 260 and np.abs(xy).max(axis=0) == pytest.approx([49.75, 29.75])
    assert (xy * normal).sum(axis=1).min() == pytest.approx(29.75)
    assert strand[:, 1] == pytest.approx(np.full(len(strand), 3.0)) and np.ptp(strand[:, 0]) > 9.0
    assert np.abs(across) == pytest.approx(np.tile([0.0, 1.0], (len(across), 1)))

"""Whether pieces stand: buckling and toppling against figures worked by hand.

Euler's column and elementary statics, from memory; a column fixed at its foot and free at its head buckles at
π² E I / (2 h)², a strip pinned at both edges at π² E I / t² of its width t.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from falsework import load_process
from falsework.process.forces import BED_BOND_MPA, NOZZLE_DRAG_N, NOZZLE_PRESS_N
from falsework.support.cells import Cells, cells_of
from falsework.support.scheme import Role
from falsework.support.stability import CellAreas, StabilityCheck, check_pieces, part_bond_mpa
from falsework.support.strands import Walls

PLA = load_process("pla-0.4")
E_MPA = 1e3 * PLA.material.youngs_modulus_gpa
LAYER, WIDTH = 0.2, PLA.line_width_mm
SIDE, HEIGHT = 3.0, 40.0
GRAVITY = 9.81e-6 * PLA.material.density_g_cm3  # N a mm³


def column(first_layer: int = 0, side: float = SIDE) -> Cells:
    """A square column, its cells from ``first_layer`` on, 40 mm high."""
    square = shapely.box(0.0, 0.0, side, side)
    layers = first_layer + round(HEIGHT / LAYER)
    regions = [square if k >= first_layer else shapely.Polygon() for k in range(layers)]
    return cells_of(np.array(regions, dtype=object), slim_below_mm=5.0)


def checked(
    cells: Cells, scar_mm2: float = 0.0, walls: tuple[Walls, ...] = (), tie_mm: float = 0.0
) -> StabilityCheck:
    """All of it dense, so that its weight is that of a full column."""
    count = len(cells.layer)
    scar = np.where(cells.layer == cells.layer.min(), scar_mm2, 0.0)
    z_mm = LAYER * np.arange(int(cells.layer.max()) + 2)
    closed = np.where(cells.slim, 1, 0).astype(np.int64)
    area = shapely.area(cells.polygon)
    assert count == len(area)
    return check_pieces(cells, list(walls), closed, np.array([tie_mm]), CellAreas(scar, area), z_mm, PLA)


def test_a_hollow_column_is_fixed_at_its_foot_and_free_at_its_head() -> None:
    found = checked(column())
    moment = (SIDE**4 - (SIDE - 2 * WIDTH) ** 4) / 12
    load = NOZZLE_PRESS_N + GRAVITY * SIDE**2 * HEIGHT
    assert found.slenderness[0] == pytest.approx(HEIGHT / SIDE)
    assert found.buckling_safety[0] == pytest.approx(math.pi**2 * E_MPA * moment / (2 * HEIGHT) ** 2 / load)


def test_a_column_on_the_bed_turns_about_its_edge() -> None:
    """Bond about one side σ A b / 3, weight about it W b / 2, against the nozzle's pull at the top."""
    found = checked(column())
    weight = GRAVITY * SIDE**2 * HEIGHT
    holds = BED_BOND_MPA * SIDE**3 / 3 + weight * SIDE / 2
    assert found.topple_safety[0] == pytest.approx(holds / (NOZZLE_DRAG_N * HEIGHT), rel=1e-6)
    assert found.weak[0] and found.wanted.widen_mm[0] > 0.0
    wider = checked(column(side=6.0))
    assert (
        not wider.weak[0] and wider.topple_safety[0] > 7 * found.topple_safety[0]
    )  # nearly with the cube of its side


def test_a_column_on_the_part_holds_by_the_bond_through_its_gap() -> None:
    found = checked(column(first_layer=50), scar_mm2=SIDE**2)
    weight = GRAVITY * SIDE**2 * HEIGHT
    holds = part_bond_mpa(PLA) * SIDE**3 / 3 + weight * SIDE / 2
    assert found.topple_safety[0] == pytest.approx(holds / (NOZZLE_DRAG_N * HEIGHT), rel=1e-6)
    assert found.topple_safety[0] < checked(column()).topple_safety[0]
    assert found.scar_mm2[0] == pytest.approx(SIDE**2)
    floating = checked(column(first_layer=50))
    assert floating.topple_safety[0] == 0.0 and floating.weak[0]


def wall(length: float) -> Walls:
    """One line from the bed to 40 mm, in the column's own piece."""
    layers = np.arange(round(HEIGHT / LAYER))
    count = len(layers)
    zero = np.zeros(count, dtype=np.int64)
    span = np.tile([0.0, length], (count, 1))
    return Walls(0.0, 2.0, Role.LINE, np.zeros(count), span, layers, zero, zero, layers)


def block() -> Cells:
    """A body wide enough for lines to stand in it."""
    square = shapely.box(0.0, 0.0, 20.0, 10.0)
    return cells_of(np.array([square] * round(HEIGHT / LAYER), dtype=object), slim_below_mm=5.0)


def test_a_wall_stands_free_at_its_head_and_is_a_strip_between_ties() -> None:
    length, weight = 20.0, GRAVITY * 200.0 * HEIGHT
    moment, load = length * WIDTH**3 / 12, NOZZLE_PRESS_N + weight
    free = checked(block(), walls=(wall(length),))
    assert free.slenderness[0] == pytest.approx(HEIGHT / WIDTH)
    assert free.buckling_safety[0] == pytest.approx(math.pi**2 * E_MPA * moment / (2 * HEIGHT) ** 2 / load)
    assert free.weak[0] and 0.0 < free.wanted.tie_mm[0] < HEIGHT
    tied = checked(block(), walls=(wall(length),), tie_mm=8.0)
    assert tied.slenderness[0] == pytest.approx(8.0 / WIDTH)
    assert tied.buckling_safety[0] == pytest.approx(math.pi**2 * E_MPA * moment / 8.0**2 / load)


def test_a_broad_cell_on_two_legs_holds_their_heads() -> None:
    legs = shapely.MultiPolygon([shapely.box(x, 0.0, x + 2.0, 2.0) for x in (0.0, 18.0)])
    top = shapely.box(0.0, 0.0, 20.0, 10.0)
    high = [legs] * round(HEIGHT / LAYER)
    found = checked(cells_of(np.array([*high, top], dtype=object), slim_below_mm=5.0))
    one_leg = [legs.geoms[0]] * round(HEIGHT / LAYER)
    alone = checked(cells_of(np.array([*one_leg, top], dtype=object), slim_below_mm=5.0))
    assert found.buckling_safety[0] == pytest.approx(4.0 * alone.buckling_safety[0], rel=0.02)


def walled(*spans: tuple[float, float, int, int]) -> Walls:
    """One line of the block's piece with spans from, to over layers."""
    rows = [(layer, low, high) for low, high, first, end in spans for layer in range(first, end)]
    layers, low, high = (np.array(column) for column in zip(*sorted(rows), strict=True))
    zero = np.zeros(len(layers), dtype=np.int64)
    return Walls(0.0, 2.0, Role.LINE, zero * 1.0, np.column_stack([low, high]), layers, zero, zero, layers)


def test_what_hangs_together_along_a_line_is_a_wall() -> None:
    """Two low walls far apart on one line are not one slender one; two legs under a chord are one wall."""
    low = checked(block(), walls=(walled((0.0, 8.0, 0, 20), (0.0, 8.0, 180, 200)),))
    assert low.slenderness[0] == pytest.approx(20 * LAYER / WIDTH)
    arch = checked(block(), walls=(walled((0.0, 4.0, 0, 190), (8.0, 12.0, 0, 190), (0.0, 12.0, 190, 200)),))
    assert arch.slenderness[0] == pytest.approx(HEIGHT / WIDTH)


def test_the_narrowest_ties_that_any_lines_ask_for_are_made() -> None:
    short, long = (checked(block(), walls=(wall(length),)).wanted.tie_mm[0] for length in (2.5, 20.0))
    assert short < long
    both = checked(block(), walls=(wall(2.5), wall(20.0)))
    assert both.wanted.tie_mm[0] == short

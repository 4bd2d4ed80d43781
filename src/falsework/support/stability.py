"""Whether a piece of support stands while it is printed: slenderness, buckling, toppling; and remedies."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.droop.bond import top_of
from falsework.droop.laws import Laws
from falsework.kernels.field.tipping import SUMS
from falsework.kernels.graph import joined_groups
from falsework.layers import planar
from falsework.layers.stack import Floats, Indices
from falsework.process.forces import (
    BED_BOND_MPA,
    GRAVITY_M_S2,
    LEAST_BUCKLING_SAFETY,
    LEAST_TOPPLE_SAFETY,
    NOZZLE_DRAG_N,
    NOZZLE_PRESS_N,
)
from falsework.process.settings import Process
from falsework.support.cells import Cells, alike
from falsework.support.scheme import Role
from falsework.support.statics import around, bonded_moments, breadths, hulls, moments, nowhere
from falsework.support.strands import Walls
from falsework.wording.figures import given_unit

_MOST_WIDENING_MM = 8.0
_MOST_THICKENING_MM = 3.0
_STAYS = 1.2  # so much better a foot on the bed holds than the part above, for a piece to stay there
_ENDLESS = 1e6  # reported where nothing loads a piece or nothing can fail


def euler_load_n(
    youngs_modulus_gpa: float, moment_mm4: Floats, length_mm: Floats, factor: float | Floats
) -> Floats:
    """Load at which a column buckles, π² E I / (factor · length)².

    ``factor`` 2 for a column fixed at its foot and free at its head, 1 for one pinned at both ends, or fixed
    at its foot with a head that may move aside but not tilt.
    Source: Euler's column, from memory.
    """
    load: Floats = (
        math.pi**2 * 1e3 * youngs_modulus_gpa * np.asarray(moment_mm4) / (factor * np.asarray(length_mm)) ** 2
    )
    return load


@dataclass(frozen=True, eq=False)
class Brace:
    """What is done to make pieces stable, arrays over pieces, 0 where nothing is done.

    ``tie_mm`` distance of cross walls; ``widen_mm`` of the foot beyond its usual widening; ``thicken_mm``
    of slim columns, on every side.
    """

    tie_mm: Floats = field(default_factory=lambda: np.empty(0))
    widen_mm: Floats = field(default_factory=lambda: np.empty(0))
    thicken_mm: Floats = field(default_factory=lambda: np.empty(0))

    @property
    def reshapes(self) -> bool:
        return bool(self.widen_mm.any() or self.thicken_mm.any())

    def only(self, kept: NDArray[np.bool_]) -> Brace:
        return Brace(self.tie_mm[kept], self.widen_mm[kept], self.thicken_mm[kept])

    def also(self, more: Brace) -> Brace:
        """With feet wider and columns thicker by as much again."""
        return Brace(self.tie_mm, self.widen_mm + more.widen_mm, self.thicken_mm + more.thicken_mm)


@dataclass(frozen=True, eq=False)
class StabilityCheck:
    """Figures of every piece, arrays over pieces (P,), and the remedies that they ask for.

    ``wall_ok``: no wall is too slender or buckles; ``column_ok``: the same of slim columns; ``topple_ok``.
    """

    slenderness: Floats
    buckling_safety: Floats
    topple_safety: Floats
    wanted: Brace
    weak: np.ndarray
    foot_mm2: Floats
    scar_mm2: Floats
    bottom_mm: Floats
    top_mm: Floats

    def only(self, kept: NDArray[np.bool_]) -> StabilityCheck:
        """Of the pieces kept, (pieces,)."""
        return StabilityCheck(
            self.slenderness[kept],
            self.buckling_safety[kept],
            self.topple_safety[kept],
            self.wanted.only(kept),
            self.weak[kept],
            self.foot_mm2[kept],
            self.scar_mm2[kept],
            self.bottom_mm[kept],
            self.top_mm[kept],
        )


@dataclass(frozen=True, eq=False)
class CellAreas:
    """Of each cell (C,): ``scar_mm2`` over part surface, ``dense_mm2`` that is cap, sole or foot."""

    scar_mm2: Floats
    dense_mm2: Floats


def check_pieces(
    cells: Cells,
    walls: list[Walls],
    closed_lines: Indices,
    tie_mm: Floats,
    areas: CellAreas,
    z_mm: Floats,
    process: Process,
) -> StabilityCheck:
    """Checks every piece as it is drawn.

    ``tie_mm`` (pieces,) distance of ties, 0 for none.
    """
    count = cells.pieces
    bottom, top = _extremes(cells.piece, z_mm[cells.layer], z_mm[cells.layer + 1], count)
    area = planar.area(cells.polygon)
    on_bed = cells.layer == 0
    foot = _sum(cells.piece[on_bed], area[on_bed], count)
    scar = _sum(cells.piece, areas.scar_mm2, count)
    share = process.line_width_mm / process.structure.spacing_mm
    volume = (areas.dense_mm2 + np.maximum(area - areas.dense_mm2, 0.0) * share) * np.diff(z_mm)[cells.layer]
    density = process.material.density_g_cm3
    weight: Floats = _sum(cells.piece, volume, count) * density * 1e-6 * GRAVITY_M_S2

    drawn = _DrawnPieces(cells, closed_lines, z_mm, weight, process)
    wall, column = drawn.of_walls(walls, tie_mm), drawn.of_columns()
    topple, widen = drawn.toppling(foot, areas.scar_mm2, top - bottom)
    slenderness = np.maximum(wall[0], column[0])
    buckling = np.minimum(wall[1], column[1])
    weak = (
        (slenderness > process.structure.wall_slenderness * (1 + 1e-9))
        | (buckling < LEAST_BUCKLING_SAFETY)
        | (topple < LEAST_TOPPLE_SAFETY)
    )
    wanted = Brace(wall[2], widen, column[2])
    return StabilityCheck(slenderness, buckling, topple, wanted, weak, foot, scar, bottom, top)


def _hanging(walls: Walls) -> Indices:
    """(N,) labels of spans, alike where they lie on each other along one line."""
    i, j = alike(walls.key + 1, walls.key)
    a, b = walls.span_mm[i], walls.span_mm[j]
    meet = (a[:, 0] < b[:, 1]) & (b[:, 0] < a[:, 1])
    return joined_groups(len(walls.key), i[meet], j[meet])


def _held_above(cells: Cells, slim: Indices, chain: Indices, chains: int) -> NDArray[np.bool_]:
    """(chains,) which columns, chains of ``slim`` cells, run into a broad cell that does not stand on them
    alone: they are legs of a frame."""
    leg = np.arange(chains, chains + len(cells.slim))
    leg[slim] = chain
    legs = np.unique(np.column_stack([cells.upper, leg[cells.lower]]), axis=0)[:, 0]
    several = np.bincount(legs, minlength=len(cells.slim)) > 1
    heads = cells.slim[cells.lower] & ~cells.slim[cells.upper] & several[cells.upper]
    out = np.zeros(chains, dtype=bool)
    out[leg[cells.lower[heads]]] = True
    return out


def _sum(group: Indices, values: Floats, count: int) -> Floats:
    return np.bincount(group, weights=values, minlength=count).astype(np.float64)


def _extremes(group: Indices, low: Floats, high: Floats, count: int) -> tuple[Floats, Floats]:
    """Least of ``low`` and greatest of ``high`` in each group."""
    least, most = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(least, group, low)
    np.maximum.at(most, group, high)
    return least, most


@dataclass(frozen=True, eq=False)
class _DrawnPieces:
    """Pieces as they are drawn: ``closed_lines`` of each cell (C,), ``z_mm`` (L + 1,) between layers, the
    weight of each piece (P,)."""

    cells: Cells
    closed_lines: Indices
    z_mm: Floats
    weight_n: Floats
    process: Process

    def of_walls(self, walls: list[Walls], tie_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Slenderness, Euler safety and wanted tie distance per piece, of its worst wall.

        A wall stands free at its head (fixed-free over its height); between ties it is a strip pinned at both
        (half waves as long as the ties are apart), whichever is shorter. What hangs together along a line is
        one wall: arches and what lies between pieces part it from others.
        """
        process, cells, z_mm, weight_n = self.process, self.cells, self.z_mm, self.weight_n
        structure, width = process.structure, process.line_width_mm
        count = cells.pieces
        slenderness, safety, tie = np.zeros(count), np.full(count, _ENDLESS), np.full(count, np.inf)
        crossed = any(one.role == Role.CROSS for one in walls)
        ringed = np.zeros(count, dtype=bool)
        ringed[cells.piece[(self.closed_lines > 0) & ~cells.slim]] = True
        for one in walls:
            if one.role != Role.LINE or not len(one.line):
                continue
            _, first, wall = np.unique(_hanging(one), return_index=True, return_inverse=True)
            piece = one.piece[first]
            bottom, top = _extremes(wall, z_mm[one.layer], z_mm[one.layer + 1], len(first))
            height = top - bottom
            step = z_mm[one.layer + 1] - z_mm[one.layer]
            face = np.bincount(wall, weights=(one.span_mm[:, 1] - one.span_mm[:, 0]) * step)
            length = face / height
            moment = length * width**3 / 12.0
            all_faces = np.bincount(piece, weights=face, minlength=count)
            load = NOZZLE_PRESS_N + weight_n[piece] * face / all_faces[piece]

            # Ties, a grid's second set, or the closed line at both ends of a wall hold it.
            held = np.full(len(first), np.inf)
            if structure.weave == "crossed" and crossed:
                held = np.full(len(first), structure.spacing_mm)
            else:
                given = tie_mm[piece] if len(tie_mm) else np.zeros(len(first))
                held = np.where(given > 0, given, np.where(ringed[piece], length, np.inf))
            free = np.minimum(height, held)
            e = process.material.youngs_modulus_gpa
            fixed_free = euler_load_n(e, moment, height, 2.0)
            between = euler_load_n(e, moment, np.maximum(free, width), 1.0)
            load_can = np.where(np.isfinite(held), np.maximum(fixed_free, between), fixed_free)
            np.maximum.at(slenderness, piece, free / width)
            np.minimum.at(safety, piece, load_can / load)

            fails = (free / width > structure.wall_slenderness) | (load_can / load < LEAST_BUCKLING_SAFETY)
            by_load = np.sqrt(math.pi**2 * 1e3 * e * moment / (LEAST_BUCKLING_SAFETY * load))
            want = np.minimum(structure.wall_slenderness * width, by_load)
            want = np.maximum(np.floor(want), math.ceil(4.0 * width))
            np.minimum.at(tie, piece[fails], want[fails])
        return slenderness, safety, np.where(np.isfinite(tie), tie, 0.0)

    def of_columns(self) -> tuple[Floats, Floats, Floats]:
        """Slenderness, Euler safety and wanted thickening per piece, of its worst slim column.

        A column is a run of slim cells on top of each other: a tube with the hydraulic width of its narrowest
        cell and walls as thick as its closed lines, fixed at its foot and free at its head, unless that runs
        into what stands on others too.
        """
        process, cells, z_mm, weight_n = self.process, self.cells, self.z_mm, self.weight_n
        count = cells.pieces
        slenderness, safety, thicken = np.zeros(count), np.full(count, _ENDLESS), np.zeros(count)
        slim = np.flatnonzero(cells.slim)
        if not len(slim):
            return slenderness, safety, thicken
        place = np.full(len(cells.slim), -1)
        place[slim] = np.arange(len(slim))
        both = cells.slim[cells.lower] & cells.slim[cells.upper]
        chain = joined_groups(len(slim), place[cells.lower[both]], place[cells.upper[both]])
        chains = int(chain.max()) + 1
        factor = np.where(_held_above(cells, slim, chain, chains), 1.0, 2.0)
        bottom, top = _extremes(chain, z_mm[cells.layer[slim]], z_mm[cells.layer[slim] + 1], chains)
        height = top - bottom
        # The middle of the widths, for one odd layer does not make a column thin.
        order = np.lexsort((cells.width_mm[slim], chain))
        starts = np.searchsorted(chain[order], np.arange(chains))
        middle = (starts + np.append(starts[1:], len(order))) // 2
        pick = slim[order[middle]]
        breadth = np.maximum(
            cells.width_mm[pick] * 0.5, process.line_width_mm
        )  # of a strip; a square has twice
        outline = planar.length(cells.polygon[pick])
        square = cells.width_mm[pick] * 4.0 >= 0.85 * outline
        breadth = np.where(square, cells.width_mm[pick], breadth)
        piece = cells.piece[pick]
        wall = process.line_width_mm * self.closed_lines[pick]
        load = NOZZLE_PRESS_N + weight_n[piece]
        e = process.material.youngs_modulus_gpa

        def able(grown: Floats) -> tuple[Floats, Floats]:
            side = breadth + 2.0 * grown
            long = np.maximum(0.5 * outline - breadth, breadth) + 2.0 * grown
            hollow = np.maximum(side - 2.0 * wall, 0.0)
            moment = (long * side**3 - np.maximum(long - 2.0 * wall, 0.0) * hollow**3) / 12.0
            return height / side, euler_load_n(e, moment, height, factor) / load

        limit = process.structure.wall_slenderness
        ratio, holds = able(np.zeros(chains))
        np.maximum.at(slenderness, piece, ratio)
        np.minimum.at(safety, piece, holds)
        grown = np.zeros(chains)
        for step in np.arange(0.25, _MOST_THICKENING_MM + 0.01, 0.25):
            ratio, holds = able(grown)
            grown = np.where((ratio > limit) | (holds < LEAST_BUCKLING_SAFETY), step, grown)
        np.maximum.at(thicken, piece, grown)
        return slenderness, safety, thicken

    def toppling(
        self, foot_mm2: Floats, scar_of_cell_mm2: Floats, height_mm: Floats
    ) -> tuple[Floats, Floats]:
        """Righting over overturning moment of each piece and how much wider its foot should be.

        The nozzle pulls sideways at the top; weight and bond hold about the edge of the hull of all places
        where the piece stands, in its weakest direction: see :mod:`falsework.support.statics`. What stands on
        the part holds by the bond through the gap beneath it, the same as counts when it is taken off.
        """
        cells, weight_n = self.cells, self.weight_n
        count = cells.pieces
        safety, breadth = np.zeros(count), np.zeros(count)
        area = planar.area(cells.polygon)
        stands = np.flatnonzero((cells.layer == 0) | (scar_of_cell_mm2 > 0))
        if not len(stands):
            return safety, breadth
        piece, polygon = cells.piece[stands], cells.polygon[stands]
        on_part = part_bond_mpa(self.process) * scar_of_cell_mm2[stands] / np.maximum(area[stands], 1e-9)
        stress = np.where(cells.layer[stands] == 0, BED_BOND_MPA, on_part)
        sums = np.zeros((count, SUMS))
        np.add.at(sums, piece, moments(polygon) * stress[:, None])
        hull = nowhere(count)
        np.maximum.at(hull, piece, hulls(polygon))
        some = np.unique(piece)
        middle = planar.get_coordinates(planar.centroid(cells.polygon)) * area[:, None]
        middle = np.column_stack([_sum(cells.piece, middle[:, k], count) for k in (0, 1)])
        middle /= np.maximum(_sum(cells.piece, area, count), 1e-9)[:, None]
        arm = (hull - middle @ around().T)[some]
        turning = (NOZZLE_DRAG_N * height_mm)[some, None]
        righting = bonded_moments(sums[some], hull[some]) + weight_n[some, None] * np.maximum(arm, 0.0)
        turning = turning + weight_n[some, None] * np.maximum(-arm, 0.0)
        safety[some] = (righting / turning).min(axis=1)
        breadth[some] = breadths(hull[some]).min(axis=1)
        fails = (safety < LEAST_TOPPLE_SAFETY) & (foot_mm2 > 0)
        # Area and breadth both grow with the foot: its moment with the cube of its breadth.
        factor = np.cbrt(LEAST_TOPPLE_SAFETY / np.maximum(safety, 1e-6))
        widen = np.where(fails, np.ceil(breadth * (factor - 1.0)) / 2.0, 0.0)
        return safety, np.minimum(widen, _MOST_WIDENING_MM)


def part_bond_mpa(process: Process) -> float:
    """What holds a support to the part that it stands on, by the bond model's middle."""
    dense = process.structure.interface_layers_below
    share = Laws(process).bond_share(process.air_gap_below.realised_mm, top_of(process, dense)).value
    return process.material.weld_strength_mpa * share


def foot_to_stay_mm2(contact_mm2: Floats, process: Process) -> Floats:
    """Foot on the bed that holds a piece better than the part above does, so that it stays there when the
    part is lifted; by the bond model's middle."""
    share = Laws(process).bond_share(
        process.air_gap.realised_mm, top_of(process, process.structure.interface_layers)
    )
    bond = process.material.weld_strength_mpa * share.value * np.asarray(contact_mm2)
    foot: Floats = _STAYS * bond / BED_BOND_MPA
    return foot


def remedy_text(tie_mm: float, widen_mm: float, thicken_mm: float) -> str:
    """What was done to a piece, in words; '' for nothing."""
    done = []
    if tie_mm > 0:
        done.append(f"lines tied every {given_unit(tie_mm, 'mm')}")
    if thicken_mm > 0:
        done.append(f"columns thickened by {given_unit(thicken_mm, 'mm')} a side")
    if widen_mm > 0:
        done.append(f"foot {given_unit(widen_mm, 'mm')} wider")
    return ", ".join(done)

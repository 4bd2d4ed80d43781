"""Cells: connected regions of support, one layer each, and how they join into pieces."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.graph import joined_groups
from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, digests_of, parts
from falsework.layers.stack import Floats, Indices, Regions
from falsework.request.store import Store
from falsework.support.bulk import empties
from falsework.support.sweep import Surroundings, printable


def alike(keys: Indices, other_keys: Indices) -> tuple[Indices, Indices]:
    """Pairs (i, j) with equal keys; ``other_keys`` ascending."""
    first = np.searchsorted(other_keys, keys, "left")
    counts = np.searchsorted(other_keys, keys, "right") - first
    i = np.repeat(np.arange(len(keys)), counts)
    j = np.arange(len(i)) - np.repeat(np.cumsum(counts) - counts, counts) + first[i]
    return i, j


def facing(keys: Indices, polygons: Regions, other_keys: Indices, others: Regions) -> tuple[Indices, Indices]:
    """Pairs (i, j) with equal keys whose polygons meet; ``other_keys`` ascending."""
    i, j = alike(keys, other_keys)
    a, b = planar.bounds(polygons), planar.bounds(others)
    near = (a[i, 0] <= b[j, 2]) & (b[j, 0] <= a[i, 2]) & (a[i, 1] <= b[j, 3]) & (b[j, 1] <= a[i, 3])
    i, j = i[near], j[near]
    meet = planar.intersects(polygons[i], others[j])
    return i[meet], j[meet]


def renumbered(piece: Indices, kept: NDArray[np.bool_]) -> Indices:
    """Numbers of pieces of which only those kept, (pieces,), are left."""
    out: Indices = (np.cumsum(kept) - 1)[piece]
    return out


@dataclass(frozen=True, eq=False)
class Cells:
    """Connected regions of one layer each, sorted by layer.

    ``polygon`` (C,) shapely polygons; ``layer`` (C,); ``piece`` (C,) connected piece of support;
    ``width_mm`` (C,) hydraulic width 4 A / P: the side of a square, twice the breadth of a long strip;
    ``slim`` (C,) too narrow for lines to stand in, so a closed line follows its outline;
    ``lower``, ``upper`` (E,) pairs of cells that lie on each other.
    """

    polygon: Regions
    layer: Indices
    piece: Indices
    width_mm: Floats
    slim: NDArray[np.bool_]
    lower: Indices
    upper: Indices

    @property
    def pieces(self) -> int:
        return int(self.piece.max()) + 1 if len(self.piece) else 0

    @cached_property
    def names(self) -> list[tuple[int, bytes]]:
        """(C,) by what is kept of each cell: its layer and its outline."""
        return list(zip(self.layer.tolist(), digests_of(self.polygon), strict=True))

    def only(self, kept: NDArray[np.bool_]) -> Cells:
        """Those of the pieces kept, (pieces,), which are numbered anew in their order."""
        mine = kept[self.piece]
        pairs, number = mine[self.lower], np.cumsum(mine) - 1
        return Cells(
            self.polygon[mine],
            self.layer[mine],
            renumbered(self.piece[mine], kept),
            self.width_mm[mine],
            self.slim[mine],
            number[self.lower[pairs]],
            number[self.upper[pairs]],
        )


def cells_of(regions: Regions, slim_below_mm: float) -> Cells:
    """Splits (L,) regions into connected cells and joins them into pieces over the layers."""
    polygon, layer = parts(regions)
    layer = layer.astype(np.int64)
    upper, lower = facing(layer - 1, polygon, layer, polygon)
    length = planar.length(polygon)
    width = 4.0 * planar.area(polygon) / np.where(length > 0, length, 1.0)
    return Cells(
        polygon, layer, joined_groups(len(polygon), lower, upper), width, width < slim_below_mm, lower, upper
    )


@dataclass(frozen=True, eq=False)
class Dense:
    """Regions printed without spaces, one connected polygon each, by layer: cap, sole or foot."""

    polygon: Regions
    layer: Indices
    piece: Indices

    def only(self, kept: NDArray[np.bool_]) -> Dense:
        """Those of the pieces kept, (pieces,), which are numbered anew in their order."""
        mine = kept[self.piece]
        return Dense(self.polygon[mine], self.layer[mine], renumbered(self.piece[mine], kept))


@dataclass(frozen=True, eq=False)
class Bands:
    """Every cell's dense parts and (C,) what remains for the body."""

    cap: Dense
    sole: Dense
    foot: Dense
    body: Regions


def bands_of(
    cells: Cells,
    around: Surroundings,
    cap_layers: int,
    sole_layers: int,
    foot_layers: int,
    least_mm: float,
    kept: Store,
) -> Bands:
    """Cuts cells into cap (top layers of every column), sole (where it stands on the part), foot and body.

    A column's top layers are those with the part just past the gap above them, its lowest those with the
    part just past the gap beneath. ``least_mm``: narrower bits of a band go to the body. ``kept``: what cells
    of the same place were cut into before.
    """
    feet = on_bed(cells, foot_layers)
    above = np.flatnonzero(~feet)
    how = "bands", cap_layers, sole_layers, least_mm

    def made(places: list[int]) -> list[tuple[planar.Geometry, planar.Geometry, planar.Geometry]]:
        mine = above[places]
        rest, layer = cells.polygon[mine], cells.layer[mine]
        cap, rest = _cut(rest, around.near_above(cap_layers)[layer], least_mm)
        sole, rest = _cut(rest, around.near_below(sole_layers)[layer], least_mm)
        return list(zip(cap, sole, rest, strict=True))

    found = kept.get_all([(*how, *cells.names[k]) for k in above], made)
    cap, sole, rest, foot = (empties(len(feet)) for _ in range(4))
    if len(above):
        cap[above], sole[above], rest[above] = np.array(found, dtype=object).T
    foot[feet] = cells.polygon[feet]

    def dense(regions: Regions) -> Dense:
        polygon, owner = parts(regions)
        return Dense(polygon, cells.layer[owner], cells.piece[owner])

    return Bands(dense(cap), dense(sole), dense(foot), rest)


def _cut(regions: Regions, near: Regions, least_mm: float) -> tuple[Regions, Regions]:
    """What of each region is near, without bits that are narrower, and the rest."""
    band, rest = empties(len(regions)), regions.copy()
    meets = planar.intersects(regions, near)
    band[meets] = printable(overlay.intersection(regions[meets], near[meets]), 0.5 * least_mm)
    some = ~planar.is_empty(band)
    rest[some] = areas_only(overlay.difference(regions[some], band[some]))
    return band, rest


def on_bed(cells: Cells, layers: int) -> NDArray[np.bool_]:
    """(C,) whether a cell belongs to the first ``layers`` layers and stands on the bed through them."""
    out = (cells.layer == 0) & (layers > 0)
    for i in range(1, layers):
        here = cells.layer[cells.upper] == i
        out[cells.upper[here & out[cells.lower]]] = True
    return out

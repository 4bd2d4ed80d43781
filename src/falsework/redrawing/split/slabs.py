"""What every slab between two parallel cuts of a body costs to print, all from one pass over its columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.column import intervals as f
from falsework.kernels.column import slabs as k
from falsework.orientation.body import Body
from falsework.orientation.directions import ODD_SPIN_DEG, rotations_to_up
from falsework.orientation.price import beads, priced
from falsework.part.part import Floats
from falsework.process.settings import Process
from falsework.request.weights import Weights

GRID = 128  # columns along each side
ROUNDING_MM = 1e-3  # of heights: columns are in single precision
WAYS = 16  # directions in which outlines are measured; they are taken for polygons of as many sides
LEAST_MM, LEAST_SHARE = 2.0, 0.005  # thinner slabs, or smaller ones for the whole, are no pieces

_TURNS = 2.0 * np.pi * np.arange(WAYS) / WAYS
_ALONG = np.column_stack([np.cos(_TURNS), np.sin(_TURNS)])


@dataclass(frozen=True, eq=False)
class Slabs:
    """Slabs across one direction: number (i, j) lies between ``heights_mm`` i and j, above the lowest point.

    ``low_mm``: where the lowest point lies along the direction. ``price`` (Q, Q): of a slab lying on one of
    its cuts, infinite where there is none or it does not fit the printer. ``joint_mm2`` (Q,): the section
    that the slabs on both sides of a height have in common. ``printing``: of the uncut body lying alike.
    """

    direction: Floats
    heights_mm: Floats
    low_mm: float
    price: Floats
    joint_mm2: Floats
    printing: float


def slabs_of(body: Body, direction: Floats, heights_mm: Floats, process: Process, weights: Weights) -> Slabs:
    """All slabs between the given heights (ascending, from the lowest point to the highest one)."""
    rotation = rotations_to_up(direction[None], ODD_SPIN_DEG)[0]
    solid_mm, band_mm = process.solid_layers * process.layer_height_mm, beads(process)[2]
    beyond_mm = np.zeros(len(heights_mm))
    beyond_mm[[0, -1]] = -ROUNDING_MM, ROUNDING_MM
    need, sections, bulk, sums, outlines, cell = k.slab_tables(
        body.vertices,
        body.faces,
        body.normals,
        body.areas,
        body.show,
        rotation,
        heights_mm + beyond_mm,
        _ALONG,
        GRID,
        process.limit_deg,
        0.5 * process.layer_height_mm,
        solid_mm,
        band_mm,
    )
    count = len(heights_mm)
    i, j = np.triu_indices(count, 1)
    height = heights_mm[j] - heights_mm[i]
    volume = bulk[0, j] - bulk[0, i]
    own = sums[:, j] - sums[:, i]
    for at, side in ((i, k.ABOVE), (j, k.BELOW)):  # the cuts are level faces, too
        cut = np.where((at > 0) & (at < count - 1), sections[side, at], 0.0)
        own[1] += cut
        own[2] += cut * solid_mm
    middle = (bulk[1:, j] - bulk[1:, i]) / np.maximum(volume, 1e-9)
    slopes = _Slopes(heights_mm, middle, 0.5 * process.line_width_mm)
    figures = np.array(
        [
            _figures(way, float(cell.prod()) * need[way], sections[on], outlines[on], slopes)
            for way, on in ((k.ON_LOWER, k.ABOVE), (k.ON_UPPER, k.BELOW))
        ]
    )
    both = priced(
        figures.reshape(-1, f.FIGURES),
        np.tile(own, 2).T,
        np.zeros(2 * len(i)),
        np.tile(volume, 2),
        process,
        weights,
    )
    least = both.total.reshape(2, -1).min(axis=0)
    whole = count - 2  # the pair (0, count − 1)
    piece = (height >= LEAST_MM) & (volume >= LEAST_SHARE * body.volume_mm3)
    piece &= _fits(outlines[2], i, j, height, process)
    price = np.full((count, count), np.inf)
    price[i, j] = np.where(piece, least, np.inf)
    return Slabs(
        direction=direction,
        heights_mm=heights_mm,
        low_mm=float((body.points @ direction).min()),
        price=price,
        joint_mm2=sections[k.JOINT],
        printing=float(both.parts[whole, :2].sum()),
    )


@dataclass(frozen=True, eq=False)
class _Slopes:
    """What lean is reckoned from: heights of the cuts, middles (3, P) of the slabs, half a line."""

    heights_mm: Floats
    middle: Floats
    half_line_mm: float


def _figures(way: int, need: Floats, sections: Floats, outlines: Floats, slopes: _Slopes) -> Floats:
    """(P, FIGURES) of all slabs lying on their lower cut or on their upper one (``way``)."""
    heights_mm = slopes.heights_mm
    i, j = np.triu_indices(len(heights_mm), 1)
    base = i if way == k.ON_LOWER else j
    out, n = np.zeros((len(i), f.FIGURES)), need[:, i, j]
    lever = n[k.REACHED_HEIGHT] - n[k.REACHED] * heights_mm[base]
    out[:, f.BED_VOLUME] = lever if way == k.ON_LOWER else -lever
    out[:, f.PART_VOLUME] = n[k.PART_AIR]
    out[:, f.CONTACT_AREA] = n[k.REACHED] + n[k.UNREACHED]
    out[:, f.UNREACHED_AREA] = n[k.UNREACHED]
    out[:, f.SHOW_BED_AREA] = n[k.SHOWN_REACHED]
    out[:, f.SHOW_PART_AREA] = n[k.SHOWN_UNREACHED]
    out[:, f.SHOW_LANDING_AREA] = n[k.SHOWN_LANDING]
    out[:, f.BASE_AREA] = sections[base]
    out[:, f.HEIGHT] = heights_mm[j] - heights_mm[i]
    rim = outlines[base] - slopes.middle[:2].T @ _ALONG.T
    rise = np.abs(slopes.middle[2] - heights_mm[base])
    out[:, f.LEAN_DEG] = np.degrees(np.arctan2(rim.min(axis=1) - slopes.half_line_mm, np.maximum(rise, 1e-9)))
    return out


def _fits(
    slices: Floats, i: NDArray[np.int64], j: NDArray[np.int64], height: Floats, process: Process
) -> NDArray[np.bool_]:
    """Whether each slab fits the printer in one of ``WAYS`` turns; ``slices`` (Q, K) as from the kernel."""
    printer = process.printer
    if np.isinf(slices[:-1]).any(axis=1).any():  # slices without a column: gaps between bodies
        slices = np.where(np.isinf(slices), -1e9, slices)
    low = height <= printer.build_height_mm + 1e-3
    whole = slices[:-1].max(axis=0)
    if _flat_fits(whole[None], process)[0]:
        return low
    count = len(slices)
    reach = np.full((count, count, WAYS), -1e9)
    for first in range(count - 1):
        reach[first, first + 1 :] = np.maximum.accumulate(slices[first:-1], axis=0)
    return low & _flat_fits(reach[i, j], process)


def _flat_fits(support: Floats, process: Process) -> NDArray[np.bool_]:
    """(n,) whether outlines with support functions (n, K) fit the bed; a micrometre is forgiven."""
    printer = process.printer
    extent = support + np.roll(support, WAYS // 2, axis=1)
    across = np.roll(extent, WAYS // 4, axis=1)
    fit = (extent <= printer.build_width_mm + 1e-3) & (across <= printer.build_depth_mm + 1e-3)
    return np.asarray(fit.any(axis=1))

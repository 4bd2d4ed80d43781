"""Points along strands, for what is told by who lies beside whom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.bead import beside
from falsework.layers.stack import Floats, Indices


@dataclass(frozen=True, eq=False)
class Points:
    """(n, 2) points, (n,) index of the strand of each, (n, 2) the strand's direction, and their distance."""

    xy: Floats
    strand: Indices
    unit: Floats
    step_mm: float


def points_along(ends: Floats, step_mm: float, most: int) -> Points:
    """Points along strands ``ends`` (m, 4) x0, y0, x1, y1, ``step_mm`` apart or as few as ``most`` in all."""
    a, b = ends[:, :2], ends[:, 2:]
    long = np.hypot(*(b - a).T)
    step = max(step_mm, float(long.sum()) / most)
    count = np.maximum(1, np.ceil(long / step)).astype(np.int64)
    strand = np.repeat(np.arange(len(ends)), count)
    share = (np.arange(len(strand)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[strand]
    xy = a[strand] + share[:, None] * (b - a)[strand]
    unit = ((b - a) / np.maximum(long, 1e-12)[:, None])[strand]
    return Points(xy, strand, unit, step)


_CELL_MM, _MOST_CELLS = 1.0, 2000


def hanging_together(ends: Floats, some: NDArray[np.bool_]) -> Indices:
    """(m,) by strand ``ends`` (m, 4) the number from 1 of what hangs together with it; 0 for those not among
    ``some`` (m,).

    Cells of ``_CELL_MM`` through which strands run, joined with those around them.
    """
    from scipy.ndimage import label

    out = np.zeros(len(ends), np.int64)
    chosen = np.flatnonzero(some)
    if len(chosen) == 0:
        return out
    points = points_along(ends[chosen], 0.5 * _CELL_MM, 100_000)
    low = points.xy.min(axis=0)
    cell = max(_CELL_MM, float(np.ptp(points.xy, axis=0).max()) / _MOST_CELLS, points.step_mm)
    i, j = ((points.xy - low) / cell).astype(np.int64).T
    field = np.zeros((int(j.max()) + 1, int(i.max()) + 1), bool)
    field[j, i] = True
    labels, _ = label(field, np.ones((3, 3)))
    first = np.searchsorted(points.strand, np.arange(len(chosen)))
    out[chosen] = labels[j[first], i[first]]
    return out


_MANY, _DENSELY = 8, 3.5  # strands crossed, and one in so many times the pitch
_FEW_LINES, _APART_MM = 3, 3.2
_CROSS_SINE = 0.3  # of the angle between strands: lines side by side may touch, but do not cross


def _crossings(ends: Floats, path: Indices) -> tuple[Indices, Indices, Floats]:
    """(k,) pairs of strands ``ends`` (m, 4) of different paths that cross, in both orders; how far along the
    second.
    """
    if len(ends) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
    pairs, along = beside.crossings(ends, path, _CROSS_SINE)
    p, q = np.concatenate([pairs, pairs[:, ::-1]]).T
    return p, q, np.concatenate([along[:, 1], along[:, 0]])


def crossed(ends: Floats, path: Indices, over: NDArray[np.bool_]) -> Indices:
    """Which of strands ``ends`` (m, 4) properly cross one of those ``over`` (m,) others, of another ``path``
    (m,).
    """
    p, q, _ = _crossings(ends, path)
    return np.unique(p[over[q]])


def _closed(ends: Floats, path: Indices, within_mm: float) -> NDArray[np.bool_]:
    """(m,) whether the path of each strand, all in order, ends where it began."""
    begins = np.flatnonzero(np.diff(path, prepend=path[0] - 1) != 0)
    lasts = np.append(begins[1:], len(path)) - 1
    closed = np.hypot(*(ends[begins, :2] - ends[lasts, 2:]).T) < within_mm
    return np.repeat(closed & (lasts > begins + 1), lasts - begins + 1)


def running_across(ends: Floats, path: Indices, pitch_mm: float) -> dict[int, int]:
    """Paths that run across many others' strands of their layer, with how many strands they cross.

    ``ends`` (m, 4) of strands, ``path`` (m,) their paths' numbers.

    Nothing that belongs there does: fill ends in walls, lines lie side by side. So a path counts where it
    crosses strands about as often as these lie beside each other.
    """
    p, q, along = _crossings(ends, path)
    long = np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
    amid = (along > pitch_mm) & (along < long[q] - pitch_mm)  # not where fill ends in a wall
    p = p[amid | _closed(ends, path, 2.0 * pitch_mm)[q]]
    paths, counts = np.unique(path[p], return_counts=True)
    often = counts >= _MANY
    # a few lines may cross strands that lie apart, as of supports; many are a lattice
    every_mm = max(_DENSELY * pitch_mm, _APART_MM if often.sum() <= _FEW_LINES else 0.0)
    out = {}
    for one, count in zip(paths[often], counts[often], strict=True):
        mine = np.unique(p[path[p] == one])
        if count * every_mm > float(long[mine].sum()):
            out[int(one)] = int(count)
    return out


def neighbours(
    points: Points, reach_mm: float, cosine: float, least_mm: float, among: NDArray[np.bool_] | None = None
) -> tuple[Floats, Floats]:
    """(n,) how far to the left and to the right of each point a parallel strand lies beside it, infinite
    where none does; ``among`` (n,) the points that count, nearer ones than ``least_mm`` do not.
    """
    some = np.ones(len(points.xy), bool) if among is None else among
    reach = max(reach_mm, 1.2 * points.step_mm)
    along = 0.75 * points.step_mm
    left, right = beside.nearest(points.xy, points.strand, points.unit, some, reach, along, cosine, least_mm)
    return left, right

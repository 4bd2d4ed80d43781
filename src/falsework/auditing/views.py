"""Strands around places of a program, for pictures: one more pass that keeps only what is seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.deposit import by_layer
from falsework.auditing.pipeline import Rebuilt
from falsework.auditing.survey import width_mm
from falsework.auditing.value import Place
from falsework.kernels.bead import strands as cut
from falsework.layers.stack import Floats
from falsework.watch import QUIET, Watch

_MARGIN_MM = 4.0  # around what is shown
_LEAST_MM, _MOST_MM = 14.0, 70.0  # sides of the square that is shown
_DEEP, _HIGH = 4.0, 0.5  # layers beneath and above a place that are seen from above, in heights
_CUT_DEEP, _CUT_HIGH = 14.0, 6.5  # the same of those that are cut through
_MOST_STRANDS = 3000  # of one view

Box = tuple[float, float, float, float]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class PlaceView:
    """What is seen around a place: from above, and cut through.

    From above: ``box_mm`` the square; ``ends_mm`` (n, 4), ``width_mm``, ``owner`` (n,), ``beneath`` (n,) of
    an earlier layer, ``marked`` (n,) the strands that the place is about. Cut along ``axis`` (0: x, 1: y)
    through the place's point: ``cut_mm`` (m, 4) from, to along the axis, bottom, top; ``cut_owner``,
    ``cut_marked`` (m,).
    """

    box_mm: Box
    ends_mm: Floats
    width_mm: Floats
    owner: NDArray[np.uint8]
    beneath: Mask
    marked: Mask
    axis: int
    cut_mm: Floats
    cut_owner: NDArray[np.uint8]
    cut_marked: Mask


def square_of(place: Place) -> Box:
    """The square around a place: all of its box, or as much around its point as can be seen well."""
    x0, y0, x1, y1 = place.box_mm
    wanted = max(x1 - x0, y1 - y0) + 2 * _MARGIN_MM
    half = 0.5 * min(max(wanted, _LEAST_MM), _MOST_MM)
    x, y = (0.5 * (x0 + x1), 0.5 * (y0 + y1)) if wanted <= _MOST_MM else place.at_mm
    return x - half, y - half, x + half, y + half


@dataclass(eq=False)
class _KeptRows:
    """Rows of strands kept for one place, with their tops and owners."""

    rows: list[Floats] = field(default_factory=list)
    owner: list[NDArray[np.uint8]] = field(default_factory=list)
    count: int = 0


def views_of(rebuilt: Rebuilt, places: Sequence[Place], watch: Watch = QUIET) -> list[PlaceView]:
    """One view for each place; reads the program once more."""
    if not places:
        return []
    height = rebuilt.usual.height_mm
    squares = [square_of(place) for place in places]
    kept = [_KeptRows() for _ in places]
    z = np.array([place.z_mm for place in places])
    for _, rows in by_layer(rebuilt.program, rebuilt.process, rebuilt.volumetric, watch):
        laid = rows[(rows[:, cut.VOLUME] > 0.0) & np.any(rows[:, :2] != rows[:, 3:5], axis=1)]
        if len(laid) == 0:
            continue
        top = float(laid[:, cut.BZ].max())
        near = (z > top - _CUT_HIGH * height) & (z < top + _CUT_DEEP * height)
        for k in map(int, np.flatnonzero(near)):
            _keep(kept[k], laid, squares[k], top, rebuilt)
    return [_view(s, p, k, height) for s, p, k in zip(squares, places, kept, strict=True)]


def _ends(rows: Floats) -> Floats:
    return rows[:, [cut.AX, cut.AY, cut.AZ, cut.BX, cut.BY, cut.BZ]]


def _touching(rows: Floats, box: Box, margin: float = 0.0) -> Mask:
    x0, y0, x1, y1 = box
    ax, ay, bx, by = (rows[:, k] for k in (cut.AX, cut.AY, cut.BX, cut.BY))
    inside: Mask = (np.maximum(ax, bx) >= x0 - margin) & (np.minimum(ax, bx) <= x1 + margin)
    inside &= (np.maximum(ay, by) >= y0 - margin) & (np.minimum(ay, by) <= y1 + margin)
    return inside


def _keep(seen: _KeptRows, laid: Floats, box: Box, top: float, rebuilt: Rebuilt) -> None:
    chosen = laid[_touching(laid, box)][: max(0, 8 * _MOST_STRANDS - seen.count)]
    if len(chosen) == 0:
        return
    owner = rebuilt.owners(top, rebuilt.usual.height_mm, _ends(chosen))
    seen.rows.append(chosen)
    seen.owner.append(owner)
    seen.count += len(chosen)


def _view(box: Box, place: Place, seen: _KeptRows, height: float) -> PlaceView:
    rows = np.concatenate([np.zeros((0, cut.STRAND)), *seen.rows])
    owner = np.concatenate([np.zeros(0, np.uint8), *seen.owner])
    a, b = rows[:, [cut.AX, cut.AY]], rows[:, [cut.BX, cut.BY]]
    width = width_mm(rows[:, cut.VOLUME] / np.maximum(np.hypot(*(b - a).T), 1e-9), height)
    top = rows[:, cut.BZ]
    line = rows[:, cut.LINE]
    here = np.abs(top - place.z_mm) < 0.6 * height
    own = (line >= place.lines[0]) & (line <= place.lines[1])
    if place.own_lines:
        own = np.isin(line, place.own_lines)
    marked = here & own & _touching(rows, place.box_mm, 0.1)

    above = np.flatnonzero(
        (top < place.z_mm + _HIGH * height)
        & (top > place.z_mm - _DEEP * height)
        & (here | (line <= place.lines[1]))
    )
    above = above[np.argsort(top[above], kind="stable")][-_MOST_STRANDS:]

    way = np.abs(b - a)[marked].sum(axis=0)
    axis = int(way[1] > way[0])
    spans = _cuts(a, b, 0.5 * width, axis, place.at_mm[1 - axis])
    through = np.flatnonzero((spans[:, 0] <= spans[:, 1]) & (top < place.z_mm + _CUT_HIGH * height))
    through = through[-_MOST_STRANDS:]
    cuts = np.column_stack([spans[through], top[through] - height, top[through]])
    return PlaceView(
        box,
        np.hstack([a, b])[above],
        width[above],
        owner[above],
        ~here[above],
        marked[above],
        axis,
        cuts,
        owner[through],
        marked[through],
    )


def _cuts(a: Floats, b: Floats, half: Floats, axis: int, at: float) -> Floats:
    """(n, 2) from, to of each bead along an axis where it is cut; from > to where it is not."""
    other = 1 - axis
    return np.array(
        [
            cut.span_at(a[k, axis], a[k, other], b[k, axis], b[k, other], half[k], at, True)
            for k in range(len(a))
        ]
    ).reshape(-1, 2)

"""Outlines of the part that are not followed, or followed elsewhere, here and there or all the way up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np

from falsework.auditing.placement import PlacedSections, uncovered
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import Finding, FindingLevel, Place
from falsework.layers.stack import Floats

_WELL = 0.9  # of a layer's outlines followed: enough
_HARDLY = 0.6  # the same of another part
_CELL_MM = 1.0
_AGAIN, _CELLS = 3, 5  # layers in which a place of an outline is missing; so many places
_CURE = "Compare the part with what the program prints: a body may be missing, or its size differ"


def outline_findings(
    placed: PlacedSections, found: ProgramSurvey, usual: Usual, tops_mm: Floats
) -> Iterable[Finding]:
    """Layers much of whose outlines no strand follows; else stretches that are missing in many layers."""
    layers = uncovered(placed, found, usual)
    other = _other_above(layers)
    if other is not None:
        z, xy = other
        says = f"from height {z:.1f} mm on another part is printed: its outlines are not followed any more"
        cure = "See whether two programs were joined; make the program again"
        spot = place_among(z, xy[0], xy, found, tops_mm)
        yield Finding(0, "other part", FindingLevel.RUIN, says, cure, place=spot)
        return
    missed = [layer for layer in layers if layer[1] < _WELL]
    if missed:
        z, share, xy = min(missed, key=lambda m: m[1])
        says = (
            f"the part's outline is followed over {100 * share:.0f} % only: some of the part is not printed"
        )
        spot = place_among(z, xy[0], xy, found, tops_mm)
        yield Finding(
            0, "outline", FindingLevel.FAULT, says, _CURE, len(missed), spot, found=share, planned=1.0
        )
        return
    yield from _again(layers, found, tops_mm)


def _other_above(layers: list[tuple[float, float, Floats]]) -> tuple[float, Floats] | None:
    """Height, and outlines there that are not followed, from which on hardly any are, though all beneath."""
    shares = np.array([share for _, share, _ in layers])
    followed = np.flatnonzero(shares >= _WELL)
    k = int(followed[-1]) + 1 if len(followed) else 0
    if not _AGAIN <= k <= len(shares) - _AGAIN or np.any(shares[:k] < _WELL) or np.any(shares[k:] > _HARDLY):
        return None
    return layers[k][0], layers[k][2]


def _again(
    layers: list[tuple[float, float, Floats]], found: ProgramSurvey, tops_mm: Floats
) -> Iterable[Finding]:
    """A stretch of the outline that is not followed in several layers: something is cut off there, or grown
    over it.
    """
    by_cell: Counter[tuple[int, int]] = Counter()
    for _, _, xy in layers:
        by_cell.update({(int(i), int(j)) for i, j in np.floor(xy / _CELL_MM)})
    often = {cell for cell, count in by_cell.items() if count >= _AGAIN}
    if len(often) < _CELLS:
        return
    z, xy = max(((z, xy) for z, _, xy in layers if len(xy)), key=lambda one: len(one[1]))
    says = (
        f"some {len(often) * _CELL_MM:.0f} mm of the part's outline are not followed, layer after layer: "
        "something is added there, or left out"
    )
    yield Finding(
        0, "outline", FindingLevel.FAULT, says, _CURE, len(often), place_among(z, xy[0], xy, found, tops_mm),
        found=len(often) * _CELL_MM, planned=0.0, unit="mm",
    )  # fmt: skip


def place_among(z: float, at: Floats, xy: Floats, found: ProgramSurvey, tops_mm: Floats) -> Place:
    """A place of the program: a height, one point, and the points (n, 2) around which its box lies."""
    low, high = xy.min(axis=0), xy.max(axis=0)
    line = int(found.line[np.argmin(np.abs(found.z_mm - z))])
    return Place(
        int(np.searchsorted(tops_mm, z - 1e-4)) + 1,
        z,
        (float(at[0]), float(at[1])),
        (float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        (line, line),
    )

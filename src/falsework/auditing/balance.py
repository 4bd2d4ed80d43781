"""How much is laid where: what strands cover beside what the part needs there, square by square.

Whatever changes where or how much is laid shows as a difference between the two, whichever way it came about:
walls, skins and places with something above or below them need all of their area, sparse fill its share. What
has a name of its own is told by that; the rest by where it is and how much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.value import Finding, FindingLevel, Place
from falsework.layers.stack import Floats

SQUARE_MM = 4.0
_LEAST_MM2 = 15.0  # needed by a layer, or a class of squares of it, before it tells
_LEAST_SQUARE_MM2 = 5.0  # needed by a square in each layer
_SLOPING = 0.2  # of a square that may lie where the next layer just misses it
_BAND = 8  # layers that are taken together, square by square
_LESS, _MORE = 0.76, 1.45  # shares of what layers need; sound ones come to 0.81 to 1.28
_SQUARE_LESS, _SQUARE_MORE = 0.66, 1.8  # of what squares need; sound ones come to 0.68 to 1.65
_THINNER, _DENSER = 0.7, 2.2  # of what squares of sparse fill need; sound ones to 0.87 to 1.85
_FAR_OFF = 0.3  # by how much a single layer must be off, to be a fault
_FEW_LAYERS, _FEW_SQUARES = 3, 2
_BARE = 0.35  # of what is missing that must be bare places, to be called after these


@dataclass(frozen=True, eq=False)
class LayerSquares:
    """Squares of one layer, mm² each (m,): needed, of it solid, on slopes, and laid; ``corner`` (m, 2)."""

    corner: Floats
    needed: Floats
    solid: Floats
    sloping: Floats
    laid: Floats


def squares_of(
    places: Floats, cell_mm2: float, share: Floats, sloping: NDArray[np.bool_], near: Floats, covers: Floats
) -> LayerSquares:
    """``places`` (n, 2) that each stand for ``cell_mm2``, the ``share`` (n,) of it that is needed, and
    whether they lie on slopes; points ``near`` them (p, 2) along strands, and the mm² that each covers.
    """
    every = np.concatenate([places, near])
    cell = np.floor(every / SQUARE_MM).astype(np.int64)
    corner, which = np.unique(cell, axis=0, return_inverse=True)
    of_places, of_points = which.ravel()[: len(places)], which.ravel()[len(places) :]
    needed, solid, slopes = (
        np.bincount(of_places, weights=w * cell_mm2, minlength=len(corner)).astype(np.float64)
        for w in (share, share >= 1.0, sloping)
    )
    laid = np.bincount(of_points, weights=covers, minlength=len(corner)).astype(np.float64)
    low: Floats = corner.astype(np.float64) * SQUARE_MM
    return LayerSquares(low, needed, solid, slopes, laid)


@dataclass(frozen=True, eq=False)
class LayerBalance:
    """One layer: its top, its squares, and mm² of bare places by the kind of finding that names them."""

    z_mm: float
    squares: LayerSquares
    bare_mm2: dict[str, float]

    @property
    def share(self) -> float:
        """Of what the layer needs that it gets."""
        return float(self.squares.laid.sum()) / max(float(self.squares.needed.sum()), 1e-9)


PlaceOf = Callable[[float, Floats], Place]
"""A place in the program of a height and points (n, 2) of the part."""


def balance_findings(
    name: str, layers: Sequence[LayerBalance], level: FindingLevel, where: PlaceOf
) -> Iterable[Finding]:
    """Layers, fill and places that get less or more than they need; at most one of each, the gravest."""
    told = [one for one in layers if one.squares.needed.sum() > _LEAST_MM2]
    whole = list(_by_layer(name, told, level, where))
    yield from whole
    fill = list(_fill(told, level))
    yield from fill
    if not whole and not fill:
        yield from _by_place(name, told, level, where)


def _by_layer(
    name: str, layers: list[LayerBalance], level: FindingLevel, where: PlaceOf
) -> Iterable[Finding]:
    for off, much in (
        ([one for one in layers if one.share < _LESS], "less"),
        ([one for one in layers if one.share > _MORE], "more"),
    ):
        if not off:
            continue
        worst = max(off, key=lambda one: abs(one.share - 1.0))
        far = _FAR_OFF if much == "less" else 2.5 * _FAR_OFF
        few = len(off) < _FEW_LAYERS and abs(worst.share - 1.0) < far
        if few and much == "more":  # bridges get more, and where they rest
            continue
        at = worst.squares
        by = at.laid - at.needed
        there = at.corner[by < 0.5 * by.min()] if much == "less" else at.corner[by > 0.5 * by.max()]
        says = (
            f"{name} gets {much} than it needs in {len(off)} of {len(layers)} layers that were looked at: "
            f"{100 * worst.share:.0f} % at height {worst.z_mm:.1f} mm"
        )
        kind = _named(worst) if much == "less" else "overfed"
        cure = "Look at what is printed there: strands may be missing, come twice, or be fed wrongly"
        weight = FindingLevel.CAUTION if few else level
        yield Finding(
            0, kind, weight, says, cure, len(off), where(worst.z_mm, there), found=worst.share, planned=1.0
        )


def _named(layer: LayerBalance) -> str:
    """What is missing in a layer: what is bare there, or strands that are fed too little."""
    at = layer.squares
    missing = float(np.maximum(at.needed - at.laid, 0.0).sum())
    kind = max(layer.bare_mm2, key=lambda k: layer.bare_mm2[k])
    return kind if layer.bare_mm2[kind] > _BARE * missing else "starved"


def _fill(layers: list[LayerBalance], level: FindingLevel) -> Iterable[Finding]:
    """Layers in a row whose sparse fill gets less or more than planned."""
    rows = []
    for k in range(0, len(layers) - _BAND + 1, _BAND // 2):
        needed = laid = 0.0
        for one in layers[k : k + _BAND]:
            s = one.squares
            sparse = s.solid < 0.5 * s.needed
            needed, laid = needed + float(s.needed[sparse].sum()), laid + float(s.laid[sparse].sum())
        if needed > _LEAST_MM2 * _BAND:
            rows.append((layers[k].z_mm, laid / needed))
    off = [row for row in rows if not _THINNER < row[1] < _DENSER]
    if not off:
        return
    z, worst = max(off, key=lambda row: abs(np.log(max(row[1], 1e-3))))
    says = (
        f"sparse fill gets {100 * worst:.0f} % of what was planned around height {z:.1f} mm, "
        f"in {len(off)} of {len(rows)} stretches of {_BAND} layers"
    )
    cure = "Look for what changes the fill on the way up; set its share"
    yield Finding(0, "fill", level, says, cure, len(off), found=worst, planned=1.0)


def _by_place(
    name: str, layers: list[LayerBalance], level: FindingLevel, where: PlaceOf
) -> Iterable[Finding]:
    """Squares that get too little or too much through several layers, beside each other."""
    found: dict[str, list[tuple[float, float, Floats]]] = {"starved": [], "overfed": []}
    for k in range(0, len(layers) - _BAND // 2, _BAND // 2):
        band = layers[k : k + _BAND]
        corner, shares = _of_band(band)
        for kind, off in (("starved", shares < _SQUARE_LESS), ("overfed", shares > _SQUARE_MORE)):
            if off.sum() >= _FEW_SQUARES:
                found[kind].append((band[0].z_mm, float(np.median(shares[off])), corner[off]))
    for kind, bands in found.items():
        if not bands:
            continue
        z, share, corner = max(bands, key=lambda b: len(b[2]))
        area = len(corner) * SQUARE_MM**2
        much = "less" if kind == "starved" else "more"
        says = (
            f"{name} gets {much} than it needs in places: {100 * share:.0f} % over {area:.0f} mm² around "
            f"height {z:.1f} mm"
        )
        cure = "Look at what is printed there: strands may be missing, come twice, or be fed wrongly"
        yield Finding(
            0, kind, level, says, cure, len(bands), where(z, corner), found=share, planned=1.0
        )  # fmt: skip


def _of_band(band: Sequence[LayerBalance]) -> tuple[Floats, Floats]:
    """Corners (m, 2) and shares (m,) of solid squares that stay so through most of a band of layers."""
    every = np.concatenate([one.squares.corner for one in band])
    corner, which = np.unique(every, axis=0, return_inverse=True)
    sums = np.array(
        [
            np.bincount(which.ravel(), weights=np.concatenate(values), minlength=len(corner))
            for values in (
                [np.ones(len(one.squares.needed)) for one in band],
                [one.squares.needed for one in band],
                [one.squares.solid for one in band],
                [one.squares.sloping for one in band],
                [one.squares.laid for one in band],
            )
        ]
    )
    times, needed, solid, sloping, laid = sums
    told = (times >= 0.5 * len(band)) & (needed > _LEAST_SQUARE_MM2 * times)
    told &= (solid > 0.8 * needed) & (sloping < _SLOPING * needed)
    return corner[told], laid[told] / needed[told]

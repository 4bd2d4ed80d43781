"""How the part is made inside, beside what its plan reckons with: walls, skins and sparse fill."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from falsework.auditing.layer_sums import FILL, OVER_AIR, WALL, LayerSums
from falsework.auditing.survey import Usual
from falsework.auditing.value import Finding, FindingLevel
from falsework.cost.part import PartLayers
from falsework.layers.stack import Floats
from falsework.process.derived import bead_section_mm2
from falsework.process.settings import Process

_SAME_HEIGHT = 0.03  # share by which layers may differ in height, and still be compared one by one
_LEAST_MM2 = 4.0  # of a kind of area in a layer, before it tells
_LEAST_LAYERS = 4
_FEWER, _MORE = 0.7, 1.45  # shares of the walls
_THIN, _DENSE = 0.45, 3.6  # of the fill; small insides come out denser, for skins reach into them
_BARE = 0.68  # of a skin
_ENDS_MM2 = 12.0  # of solid area at an end of the part, before it is told to be open


@dataclass(frozen=True, eq=False)
class LaidAreas:
    """By layer of the plan (L,): area mm² that closed and that open strands of the part cover, all copies
    together; and what the plan reckons with.
    """

    closed_mm2: Floats
    open_mm2: Floats
    planned: PartLayers


def made(
    layers: LayerSums, usual: Usual, planned: PartLayers, z_mm: Floats, shift_mm: float, copies: int
) -> LaidAreas:
    """``z_mm`` (L + 1,) bounds of the plan's layers; ``shift_mm``: how much higher the program prints."""
    at = np.searchsorted(z_mm, layers.z_mm - shift_mm - 0.5 * layers.height_mm, side="right") - 1
    inside = (at >= 0) & (at < len(z_mm) - 1)
    pitch = bead_section_mm2(usual.width_mm, layers.height_mm) / layers.height_mm
    # a layer that is lower than the plan's covers but a share of its height
    share = layers.height_mm / np.maximum(np.diff(z_mm)[np.clip(at, 0, len(z_mm) - 2)], 1e-9)
    area = layers.length_mm * (pitch * share / max(1, copies))[:, None]

    def summed(which: Floats) -> Floats:
        return np.bincount(at[inside], weights=which[inside], minlength=len(z_mm) - 1).astype(np.float64)

    return LaidAreas(summed(area[:, WALL]), summed(area[:, FILL] + area[:, OVER_AIR]), planned)


def make_findings(m: LaidAreas, process: Process, usual: Usual) -> Iterable[Finding]:
    """Walls, skins and fill that are missing, or other than they were planned."""
    if abs(usual.height_mm / process.layer_height_mm - 1.0) > _SAME_HEIGHT:
        return
    printed = (m.closed_mm2 + m.open_mm2) > 0.0  # what is cut short is told as that
    yield from _walls(m, process, printed)
    yield from _inside(m, process, printed)


def _walls(m: LaidAreas, process: Process, printed: np.ndarray) -> Iterable[Finding]:
    told = np.flatnonzero(printed & (m.planned.wall_mm2 > _LEAST_MM2))
    if len(told) < _LEAST_LAYERS:
        return
    share = float(np.median(m.closed_mm2[told] / m.planned.wall_mm2[told]))
    if _FEWER < share < _MORE:
        return
    lines = share * process.wall_lines
    says = f"the part has {lines:.1f} lines of wall on average; {process.wall_lines} were planned"
    level = FindingLevel.FAULT if share < 0.5 * _FEWER else FindingLevel.CAUTION
    cure = "Set the number of walls"
    yield Finding(0, "walls", level, says, cure, found=lines, planned=float(process.wall_lines), unit="lines")


def _inside(m: LaidAreas, process: Process, printed: np.ndarray) -> Iterable[Finding]:
    solid, sparse = m.planned.solid_mm2, process.fill * m.planned.sparse_mm2
    high = int(np.flatnonzero(printed)[-1]) + 1 if printed.any() else 0
    ends = process.solid_layers
    bare: dict[str, float] = {}
    for name, some in (("bottom", slice(0, ends)), ("top", slice(max(0, high - ends), high))):
        meant, laid = float(solid[some].sum()), float(m.open_mm2[some].sum())
        if high == len(printed) and meant > _ENDS_MM2 and laid < _BARE * meant:
            bare[name] = laid / meant
    rows = np.flatnonzero(printed & (solid + sparse > _LEAST_MM2))
    shares = _shares(m.open_mm2[rows], solid[rows], sparse[rows])
    if bare or (shares[0] is not None and shares[0] < _BARE):
        where = " and ".join(bare) or "skins"
        share = min([*bare.values(), *(shares[:1] if shares[0] is not None else ())])
        are = "are" if len(bare) != 1 else "is"
        says = f"the part's {where} {are} left open: skins get {100 * share:.0f} % of the strands planned"
        cure = "Set the solid layers at top and bottom"
        yield Finding(0, "skin", FindingLevel.FAULT, says, cure, found=share, planned=1.0)
    if shares[1] is not None and process.fill > 0.0 and not _THIN < shares[1] < _DENSE:
        found = min(1.0, shares[1] * process.fill)
        says = f"the inside is filled to {100 * found:.0f} %; {100 * process.fill:.0f} % were planned"
        level = FindingLevel.FAULT if shares[1] < _THIN else FindingLevel.CAUTION
        cure = "Set the share of sparse fill"
        yield Finding(0, "fill", level, says, cure, found=found, planned=process.fill)


def _shares(laid: Floats, solid: Floats, sparse: Floats) -> tuple[float | None, float | None]:
    """What share of solid and of sparse areas is laid: least squares over layers; None where they tell not.

    Each layer counts by what it should get, so that large ones do not outweigh all others.
    """
    columns = np.column_stack([solid, sparse])
    known = [bool((columns[:, k] > _LEAST_MM2 * 0.5).sum() >= _LEAST_LAYERS) for k in (0, 1)]
    used = np.flatnonzero(known)
    if len(used) == 0:
        return None, None
    weight = 1.0 / np.sqrt(np.maximum(solid + sparse, 1.0))
    a, b = columns[:, used] * weight[:, None], laid * weight
    for _ in range(4):  # a few layers that are made otherwise do not mislead
        by = np.linalg.lstsq(a, b, rcond=None)[0]
        off = np.abs(b - a @ by)
        weight = 1.0 / np.sqrt(1.0 + (off / max(2.0 * float(np.median(off)), 1e-6)) ** 2)
        a, b = a * weight[:, None], b * weight
    out: list[float | None] = [None, None]
    for k, value in zip(used, by, strict=True):
        out[int(k)] = max(0.0, float(value))
    return out[0], out[1]

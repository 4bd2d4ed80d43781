"""How the part is made inside, beside what its plan reckons with: walls, skins and sparse fill."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from falsework.auditing.deposit import PART
from falsework.auditing.fits import robust_fit
from falsework.auditing.layer_sums import FILL, OVER_AIR, WALL, LayerSums
from falsework.auditing.placement import PlacedSections, strand_points
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.auditing.value import Finding, FindingLevel
from falsework.cost.part import PartLayers
from falsework.kernels.bead import strands as cut
from falsework.layers import overlay, planar
from falsework.layers.stack import Floats
from falsework.process.derived import bead_section_mm2
from falsework.process.settings import Process

_SAME_HEIGHT = 0.03  # share by which layers may differ in height, and still be compared one by one
_LEAST_MM2 = 4.0  # of a kind of area in a layer, before it tells
_LEAST_LAYERS = 4
_FEWER, _MORE = 0.7, 1.45  # shares of the walls
_THIN, _DENSE = 0.45, 3.6  # of the fill; small insides come out denser, for skins reach into them
_BARE = 0.68  # of a skin
_STRAY = 0.5  # residuals, times the root of a layer's area in mm, that still pull where most are none
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
    more = np.maximum(0.0, m.closed_mm2 - m.planned.wall_mm2)  # walls in the place of skins and fill
    yield from _walls(m, process, printed)
    yield from _inside(replace(m, open_mm2=m.open_mm2 + more), process, printed)


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
    by = robust_fit(columns[:, used], laid, _STRAY, 1.0 / np.maximum(solid + sparse, 1.0))
    out: list[float | None] = [None, None]
    for k, value in zip(used, by, strict=True):
        out[int(k)] = max(0.0, float(value))
    return out[0], out[1]


_FAR, _EMPTY, _HOLLOW = 0.8, 0.5, 2  # of the lines' spacing; share of points; layers
_GRID_MM, _FEW_POINTS, _MANY_POINTS = 1.0, 12, 4000


def hollow_findings(
    placed: PlacedSections, found: ProgramSurvey, usual: Usual, process: Process
) -> Iterable[Finding]:
    """Insides through which no strand runs, told by how far the nearest is where sparse fill should be."""
    if process.fill <= 0.0:
        return
    spacing = usual.width_mm / process.fill
    walls = process.wall_lines * usual.width_mm
    far = list(_far_from_strands(placed, found, walls + _FAR * spacing, _FAR * spacing))
    empty = sum(share > _EMPTY for share in far)
    if empty == 0:
        return
    says = f"the inside is hollow in {empty} of {len(far)} layers that were looked at: fill is missing"
    cure = "Set the share of sparse fill"
    level = FindingLevel.FAULT if empty >= _HOLLOW else FindingLevel.CAUTION
    yield Finding(0, "fill", level, says, cure, empty, found=0.0, planned=process.fill)


def _far_from_strands(
    placed: PlacedSections, found: ProgramSurvey, deep_mm: float, far_mm: float
) -> Iterable[float]:
    """Of sampled layers that lie ``deep_mm`` inside the part somewhere the share of such points that have no
    strand within ``far_mm``.
    """
    from scipy.spatial import cKDTree

    rises = found.steps_mm()
    for at in (at for at in sorted(found.sample) if at > found.first_layer):
        k = placed.layer_at(float(found.z_mm[at]) - 1e-3)
        inside = overlay.buffer(placed.stack.regions[k], -deep_mm) if k >= 0 else planar.Polygon()
        if inside.is_empty:
            continue
        x0, y0, x1, y1 = planar.bounds(inside)
        step = max(_GRID_MM, float(np.sqrt((x1 - x0) * (y1 - y0) / _MANY_POINTS)))
        x, y = np.meshgrid(np.arange(x0, x1, step), np.arange(y0, y1, step))
        xy = np.column_stack([x.ravel(), y.ravel()])
        xy = xy[planar.contains_xy(inside, xy[:, 0], xy[:, 1])]
        if len(xy) < _FEW_POINTS:
            continue
        rows = found.sample[at]
        own = placed.owners(float(found.z_mm[at]), float(rises[at]), rows[:, cut.AX : cut.BZ + 1]) == PART
        if not own.any():  # supports that are laid by themselves
            continue
        far, _ = cKDTree(strand_points(rows)[0]).query(placed.to_program(xy))
        yield float((far > far_mm).mean())

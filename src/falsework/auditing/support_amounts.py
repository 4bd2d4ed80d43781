"""How much of the planned supports is there: by layer, by what strands are for, and how they are fed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.placement import PlacedSections
from falsework.auditing.supports import SupportAuditor, alike
from falsework.auditing.value import Finding, FindingLevel
from falsework.layers import planar
from falsework.layers.stack import Floats, LayerStack
from falsework.process.derived import bead_section_mm2
from falsework.process.settings import Process
from falsework.support.scheme import Role, SupportStrands

_LEAST_MM = 12.0  # of planned strands in a layer, before it tells
_LEAST_STRANDS_MM = 60.0  # of a class
_GONE, _GONE_LAYERS = 0.3, 2  # share of a layer's strands, below which they are missing; layers, at least
_FEWER, _MORE = 0.74, 1.4  # shares of the strands planned
_HALF = 0.65  # of them: too little to carry
_UNDER, _OVER = 0.65, 1.6  # shares of what a strand should be fed
IN_PLACE = 0.5  # share that stands where planned: supports like these
_THE_PLANNED = 0.75  # the same: these very ones
_DOUBLE = 1.6  # times the strands planned
_OTHER_WAY = -0.5  # cosine of twice the angle between strands, below which they run across


@dataclass(frozen=True, eq=False)
class SupportAmounts:
    """By layer of the plan (L,): mm of strands printed and planned, mm of interface planned among the latter,
    and the median share of what its printed strands should be fed; ``along``: cosine of twice the angle
    between both, NaN where either has no direction; ``in_place``: share that stands where it was planned.
    """

    printed_mm: Floats
    planned_mm: Floats
    interface_mm: Floats
    fed: Floats
    along: Floats
    in_place: float


def support_amounts(
    auditor: SupportAuditor,
    placed: PlacedSections,
    planned: SupportStrands,
    stack: LayerStack,
    process: Process,
) -> SupportAmounts | None:
    """None where there are no supports, printed or planned; what stands farther from the part is left out."""
    dz = placed.placement.shift_mm[2]
    rows = np.concatenate([np.zeros((0, 7)), *auditor.middles])
    xy = placed.to_part(rows[:, :2])
    rows = rows[planar.contains_xy(placed.shadow, xy[:, 0], xy[:, 1])]
    layer = np.searchsorted(stack.z_mm, rows[:, 4] - dz - 0.5 * rows[:, 3], side="right") - 1
    inside = (layer >= 0) & (layer < stack.count)
    rows, layer = rows[inside], layer[inside]
    if len(rows) == 0 or len(planned.layer) == 0:
        return None
    long, meant = rows[:, 2] * rows[:, 3] / stack.heights_mm[layer], planned.lengths_mm
    cap = np.isin(planned.role, (Role.CAP, Role.SOLE))

    def summed(which: NDArray[np.int64], weight: Floats) -> Floats:
        return np.bincount(which, weights=weight, minlength=stack.count).astype(np.float64)

    fed = rows[:, 5] / bead_section_mm2(process.line_width_mm, rows[:, 3])
    shares = np.full(stack.count, np.nan)
    off = planned.ends_mm[:, 2:] - planned.ends_mm[:, :2]
    meant_way = np.degrees(np.arctan2(off[:, 1], off[:, 0]))
    in_place, turn_deg = alike(auditor, placed, planned, stack.heights_mm)
    way = rows[:, 6] - turn_deg
    printed_way = _turns(layer, long, way, stack.count)
    planned_way = _turns(planned.layer, meant, meant_way, stack.count)
    order = np.argsort(layer, kind="stable")
    first = np.flatnonzero(np.diff(layer[order], prepend=-1))
    for mine in np.split(order, first[1:]):
        shares[layer[mine[0]]] = float(np.median(fed[mine]))
    return SupportAmounts(
        summed(layer, long),
        summed(planned.layer, meant),
        summed(planned.layer[cap], meant[cap]),
        shares,
        (printed_way * planned_way.conj()).real,
        in_place,
    )


_SURE_WAY = 0.5  # of a layer's strands that must run one way


def _turns(layer: NDArray[np.int64], long: Floats, way_deg: Floats, count: int) -> NDArray[np.complex128]:
    """(L,) unit numbers at twice the angle of most strands of each layer; NaN where they run all ways."""
    turn = long * np.exp(2j * np.radians(way_deg))
    real, imaginary, whole = (
        np.bincount(layer, weights=w, minlength=count) for w in (turn.real, turn.imag, long)
    )
    size = np.hypot(real, imaginary)
    sure = size > _SURE_WAY * np.maximum(whole, 1e-9)
    out = np.full(count, np.nan + 0j)
    out[sure] = (real + 1j * imaginary)[sure] / size[sure]
    return out


def amount_findings(a: SupportAmounts) -> Iterable[Finding]:
    """Supports with too few strands, too many, or wrongly fed ones."""
    told = a.planned_mm > _LEAST_MM
    told[0] = False  # a brim lies there, too
    dense = told & (a.interface_mm > 0.5 * a.planned_mm)
    body = told & ~dense
    yield from _fed(a, body, dense)
    if a.in_place < IN_PLACE:
        return
    gone = np.flatnonzero(told & (a.printed_mm < _GONE * a.planned_mm))
    there = told & (a.printed_mm >= _GONE * a.planned_mm)
    if len(gone) >= _GONE_LAYERS and there.any() and _amid(gone, there):
        says = f"{len(gone)} of {int(told.sum())} layers of support are missing that were planned"
        cure = "Look why these layers have no support; make the program again"
        yield Finding(
            0, "support layers missing", FindingLevel.FAULT, says, cure, len(gone),
            found=float(told.sum() - len(gone)), planned=float(told.sum()), unit="layers",
        )  # fmt: skip
    yield from _number("spacing", "supports have", a, body & there)
    turned = a.along[dense & there]
    turned = turned[np.isfinite(turned)]
    if a.in_place > _THE_PLANNED and len(turned) and float(np.median(turned)) < _OTHER_WAY:
        says = "the supports' interface layers are missing: the lines of their bodies run on instead"
        cure = "Set the interface layers on top, or load the planned supports whole"
        yield Finding(0, "interface", FindingLevel.FAULT, says, cure, found=0.0, planned=1.0)
    else:
        yield from _number("interface", "the supports' interface layers have", a, dense & there)


def _amid(gone: NDArray[np.int64], there: NDArray[np.bool_]) -> bool:
    """Whether layers are missing between others, and not only at an end of the supports."""
    first, last = np.flatnonzero(there)[[0, -1]]
    return bool(((gone > first) & (gone < last)).sum() >= _GONE_LAYERS)


def _number(kind: str, what: str, a: SupportAmounts, some: NDArray[np.bool_]) -> Iterable[Finding]:
    meant = float(a.planned_mm[some].sum())
    if meant < _LEAST_STRANDS_MM:
        return
    share = float(np.median(a.printed_mm[some] / a.planned_mm[some]))
    if _FEWER < share < _MORE:
        return
    says = f"{what} {100 * share:.0f} % of the strands that were planned"
    severe = not _HALF < share < _DOUBLE and a.in_place > _THE_PLANNED
    level = FindingLevel.FAULT if severe else FindingLevel.CAUTION
    cure = "Load the planned supports whole, and compare spacing and density with the settings sheet"
    yield Finding(0, kind, level, says, cure, found=share, planned=1.0)


def _fed(a: SupportAmounts, body: NDArray[np.bool_], dense: NDArray[np.bool_]) -> Iterable[Finding]:
    for what, some in (("supports", body), ("the supports' interface layers", dense)):
        shares = a.fed[some]
        shares = shares[np.isfinite(shares)]
        if len(shares) < _GONE_LAYERS:
            continue
        share = float(np.median(shares))
        if _UNDER < share < _OVER:
            continue
        kind, much = ("starved", "of the filament that they need") if share < 1.0 else (
            "overfed", "of the filament that they should"
        )  # fmt: skip
        says = f"strands of {what} get {100 * share:.0f} % {much}"
        cure = "Check the flow and the width that are set for supports"
        yield Finding(0, kind, FindingLevel.FAULT, says, cure, found=share, planned=1.0)

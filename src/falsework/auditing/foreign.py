"""What is printed and belongs to nothing: neither to the part, as it is drawn, nor to its planned supports.

What is laid must be somebody's. Strands outside the part count as supports, so a wall drawn too far out, a
post that nobody planned, and another body against the part pass as such until they are held against the plan.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.placement import PlacedSections
from falsework.auditing.plate import FLAT_MM, BedHeights
from falsework.auditing.support_amounts import IN_PLACE, SupportAmounts
from falsework.auditing.supports import SupportAuditor
from falsework.auditing.value import Finding, FindingLevel
from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices, LayerStack
from falsework.support.scheme import SupportScheme

_AROUND_MM = 1.2  # of planned supports, that other strands of theirs may take
_BESIDE_MM = 0.8  # of the part's outline: what runs there was meant to be its wall
_ALONG = 0.25  # of an outline that they must run along, to be its wall
_MOST_LAYERS = 150  # that are looked at
_LEAST_MM, _LAYERS, _LAYER_MM = 40.0, 5, 3.0  # strands in all; layers with so much each
_SHARE = 0.1  # of the supports, where there are many
_MORE = 0.5  # of what stands elsewhere that must come on top of the planned supports; else it is these
_OVER_MM = 20.0  # strands above the part's top
_AGAINST_MM3, _AGAINST_LAYERS = 30.0, 5  # of another body
_AS_LARGE = 0.35  # of the part, from which that is another part


@dataclass(frozen=True)
class ForeignStrands:
    """Of the strands beside one copy of the part, mm: just outside its outline, elsewhere, and above its top,
    with the top of the latter; layers in which there are some; and all of them.
    """

    outline_mm: float
    outline_layers: int
    stray_mm: float
    stray_layers: int
    over_mm: float
    over_top_mm: float
    beside_mm: float


def foreign_strands(
    auditor: SupportAuditor, placed: PlacedSections, scheme: SupportScheme, stack: LayerStack
) -> ForeignStrands:
    """What of the strands that are not the part's stands where no support was planned; the first layer, in
    which brims lie, is left out.
    """
    dz = placed.placement.shift_mm[2]
    rows = np.concatenate([np.zeros((0, 7)), *auditor.middles])
    xy = placed.to_part(rows[:, :2])
    near = planar.contains_xy(placed.shadow, xy[:, 0], xy[:, 1])
    rows, xy = rows[near], xy[near]
    middle = rows[:, 4] - dz - 0.5 * rows[:, 3]
    over = middle > stack.z_mm[-1]
    layer = np.searchsorted(stack.z_mm, middle, side="right") - 1
    told = np.unique(layer[(layer >= 1) & (layer < stack.count)])
    stride = max(1, -(-len(told) // _MOST_LAYERS))
    beside: list[tuple[float, float]] = [(0.0, 0.0)]
    for k in told[::stride]:
        mine = np.flatnonzero(layer == k)
        beside.append(_unplanned(xy[mine], rows[mine, 2], scheme, stack, int(k)))
    outline, stray = np.array(beside).T * stride
    return ForeignStrands(
        float(outline.sum()),
        int((outline > _LAYER_MM).sum()) * stride,
        float(stray.sum()),
        int((stray > _LAYER_MM).sum()) * stride,
        float(rows[over, 2].sum()),
        float(rows[over, 4].max()) if over.any() else 0.0,
        float(rows[:, 2].sum()),
    )


def _unplanned(
    xy: Floats, long: Floats, scheme: SupportScheme, stack: LayerStack, k: int
) -> tuple[float, float]:
    """Of strands (n,) of a layer those just outside the part's outline, and others."""
    planned = overlay.union_all([scheme.body[k], scheme.cap[k], scheme.sole[k], scheme.foot[k]])
    around = overlay.buffer(planned, _AROUND_MM)
    other = np.flatnonzero(~planar.contains_xy(around, xy[:, 0], xy[:, 1]))
    if len(other) == 0:
        return 0.0, 0.0
    far = planar.distance(stack.regions[k], planar.points(xy[other]))
    whole, walls = float(long[other].sum()), float(long[other][far < _BESIDE_MM].sum())
    if walls < _ALONG * float(stack.regions[k].length):
        return 0.0, whole
    return walls, whole - walls


def foreign_findings(
    name: str, of: ForeignStrands, top_mm: float, amounts: SupportAmounts | None
) -> Iterable[Finding]:
    """``top_mm``: the part's top as the program prints it; ``amounts``: of its supports, None where none are
    planned. Those of one's own, which stand elsewhere, are not told.
    """
    if of.over_mm > _OVER_MM:
        says = f"printing goes on above {name}, up to {of.over_top_mm:.2f} mm; it ends at {top_mm:.2f} mm"
        cure = "Look for layers that come twice, and for a body on top; make the program again"
        yield Finding(
            0, "too high", FindingLevel.RUIN, says, cure, found=of.over_top_mm, planned=top_mm, unit="mm"
        )
    if amounts is not None and amounts.in_place < IN_PLACE:
        return
    cure = "See what they are for: a body nobody drew, supports nobody planned, or planned ones elsewhere"
    both, layers = of.outline_mm + of.stray_mm, max(of.outline_layers, of.stray_layers)
    more = both if amounts is None else float(amounts.printed_mm.sum() - amounts.planned_mm.sum())
    least = max(_LEAST_MM, _SHARE * of.beside_mm)
    if more < _MORE * both:
        if both > least and layers >= _LAYERS:
            metres = f"{both / 1000:.2g} m"
            says = f"{metres} of support stand where none was planned, and as much is missing elsewhere"
            yield Finding(0, "support shifted", FindingLevel.FAULT, says, cure, layers)
        return
    if of.outline_mm > _LEAST_MM and of.outline_layers >= _LAYERS:
        metres = f"{of.outline_mm / 1000:.2g} m"
        says = f"{metres} of strands run just outside {name}'s outline: it comes out too wide there"
        drawn = "Compare the part with what the program prints: it may have been drawn anew"
        yield Finding(0, "outline", FindingLevel.FAULT, says, drawn, of.outline_layers)
    if of.stray_mm > least and of.stray_layers >= _LAYERS:
        metres = f"{of.stray_mm / 1000:.2g} m"
        says = f"{metres} of strands stand beside {name} where neither it nor its planned supports are"
        yield Finding(0, "stray", FindingLevel.FAULT, says, cure, of.stray_layers)


def against_findings(
    name: str,
    auditor: SupportAuditor,
    copies: tuple[PlacedSections, ...],
    ground: BedHeights,
    part_mm3: float,
) -> Iterable[Finding]:
    """Another body that hangs together with a copy of the part, higher than a brim. ``part_mm3``: of the
    part's strands, against which it is another part or a piece too much.
    """
    rows = np.concatenate([np.zeros((0, 7)), *auditor.middles])
    dz = copies[0].placement.shift_mm[2]
    rows = rows[rows[:, 4] > dz + FLAT_MM]
    label = ground.body_at(rows[:, :2]).astype(np.int64)
    other = np.isin(label, _labels(copies, ground))
    for placed in copies:
        xy = placed.to_part(rows[:, :2])
        other &= ~planar.contains_xy(placed.shadow, xy[:, 0], xy[:, 1])
    much = float((rows[other, 2] * rows[other, 5]).sum())
    layers = len(np.unique(rows[other, 4]))
    if much > _AGAINST_MM3 and layers >= _AGAINST_LAYERS:
        says = f"another body is printed against {name}, through {layers} layers: they will fuse"
        cure = "Set bodies farther apart on the bed, and take off what nobody drew"
        kind = "overlap" if much > _AS_LARGE * part_mm3 else "stray"
        yield Finding(0, kind, FindingLevel.FAULT, says, cure, layers, found=much, unit="mm³")


def _labels(copies: tuple[PlacedSections, ...], ground: BedHeights) -> NDArray[np.int64]:
    """Numbers of the bodies on the bed over which copies' lowest sections lie."""
    at = [
        ground.body_at(placed.to_program(planar.get_coordinates(placed.stack.regions[0])))
        for placed in copies
    ]
    found: Indices = np.unique(np.concatenate(at)).astype(np.int64)
    return found[found > 0]

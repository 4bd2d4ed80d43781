"""What there is to look at: the cells of a test piece, or the undersides and supports of an everyday print.

On an everyday print, how a support came off is asked of each of its pieces and the finish of each underside;
where one piece carries one underside and nothing else does, both are one reading, as on a test piece.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from falsework.coupon import Coupon, printed, support_condition
from falsework.coupon.reading import Condition, ConditionKind
from falsework.need.underside import Underside
from falsework.need.underside import UndersideKind as Need
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.support.scheme import SupportPiece

SURFACE = ("finish", "droop_mm")
RELEASE = ("let_go", "clean_up_min")


@dataclass(frozen=True)
class Spot:
    """One thing to look at: ``cell`` names it in the ledger, ``what`` tells a person where it is.

    ``outcomes``: the fields of ``Reading`` that can be read off it. ``air_beneath_mm``: how far down the bed
    is; nothing sags farther. ``nominal_mm``: what calipers would read there if nothing had sagged; None where
    there is no thickness to take; ``calipers`` says where they go. ``gap_method``: how a gap of no whole
    number of layers was made.
    """

    cell: str
    what: str
    condition: Condition
    outcomes: tuple[str, ...]
    air_beneath_mm: float | None = None
    nominal_mm: float | None = None
    calipers: str = ""
    gap_method: str = ""


def spots_of_piece(piece: Coupon) -> tuple[Spot, ...]:
    """What to look at on a test piece: its cells."""
    return tuple(
        Spot(
            *(cell.label, cell.look, cell.condition),
            (*RELEASE[:1], *SURFACE, *RELEASE[1:])
            if cell.condition.kind is ConditionKind.SUPPORT
            else SURFACE,
            nominal_mm=cell.nominal_mm,
            calipers=cell.calipers,
            gap_method=cell.method,
        )
        for cell in piece.cells
    )


def spots_of_plan(plan: Plan) -> tuple[Spot, ...]:
    """What to look at on a print of this plan: pieces of support first, in the order in which they come off.

    Undersides that begin in mid-air and were given no support are left out: there is no condition that
    describes them.
    """
    carriers: dict[int, list[SupportPiece]] = {}
    for piece in plan.pieces:
        for number in piece.undersides:
            carriers.setdefault(number, []).append(piece)
    by_number = {underside.number: underside for underside in plan.undersides}
    alone = {
        piece.undersides[0]
        for piece in plan.pieces
        if len(piece.undersides) == 1 and len(carriers[piece.undersides[0]]) == 1
    }
    order = plan.release.order if plan.release is not None else ()
    found = [
        _piece(piece, [by_number[n] for n in piece.undersides], plan.process)
        for piece in sorted(plan.pieces, key=lambda piece: (*order, piece.number).index(piece.number))
        if not alone.issuperset(piece.undersides)  # what carries nothing is none
    ]
    for underside in plan.undersides:
        if underside.number in carriers:
            own = carriers[underside.number][0] if underside.number in alone else None
            found.append(_carried(underside, plan.process, own))
        elif underside.kind is not Need.ISLAND:
            found.append(_bare(underside, plan.process))
    return tuple(found)


def summary(plan: Plan) -> dict[str, Any]:
    """The few figures of a plan that the ledger keeps."""
    return {
        "undersides": len(plan.undersides),
        "pieces": len(plan.pieces),
        "size_mm": list(plan.part.size_mm),
        "part_digest": plan.part.digest,
        "turn_deg": list(plan.part.turn_deg),
        "part_g": plan.part_cost.mass_g,
        "support_g": plan.support_cost.mass_g,
        "time_s": plan.part_cost.time_s + plan.support_cost.time_s,
    }


def _piece(piece: SupportPiece, undersides: list[Underside], process: Process) -> Spot:
    longest = max(undersides, key=_run_mm)
    carried = ", ".join(str(underside.number) for underside in undersides)
    word = "undersides" if len(undersides) > 1 else "underside"
    what = f"the support that carries {word} {carried}, z {piece.bottom_mm:.1f} to {piece.top_mm:.1f} mm"
    return Spot(f"piece {piece.number}", what, _over_support(longest, process), RELEASE)


def _carried(underside: Underside, process: Process, piece: SupportPiece | None) -> Spot:
    outcomes = SURFACE if piece is None else (*RELEASE[:1], *SURFACE, *RELEASE[1:])
    of = "over support" if piece is None else f"over piece {piece.number} of the support"
    return _spot(underside, of, _over_support(underside, process), outcomes)


def _bare(underside: Underside, process: Process) -> Spot:
    if underside.kind is Need.BRIDGE and underside.span_mm > 0:
        tried, worst = printed(ConditionKind.BRIDGE, process, span_mm=underside.span_mm), "widest"
    else:  # a slope of that angle has the same share of a line over air as the layer that reaches farthest
        lean = math.degrees(math.atan2(underside.free_length_mm, process.layer_height_mm))
        tried, worst = printed(ConditionKind.OVERHANG, process, angle_deg=lean), "flattest"
    how = f"{underside.kind}, without support, where it is {worst}"
    return _spot(underside, how, tried, SURFACE)


def _spot(underside: Underside, how: str, tried: Condition, outcomes: tuple[str, ...]) -> Spot:
    x, y, z = underside.center_mm
    what = f"{how}; {underside.area_mm2:.0f} mm² near x {x:.0f}, y {y:.0f}, z {z:.0f} mm"
    return Spot(f"underside {underside.number}", what, tried, outcomes, underside.height_mm)


def _over_support(underside: Underside, process: Process) -> Condition:
    crossing = None
    if underside.kind is Need.BRIDGE and process.structure.interface_layers == 0:
        turned = abs(underside.span_direction_deg - process.structure.line_angle_deg) % 180.0
        crossing = min(turned, 180.0 - turned)
    return support_condition(process, _run_mm(underside), crossing_deg=crossing)


def _run_mm(underside: Underside) -> float:
    """Length of the strands over the support."""
    return max(underside.span_mm or underside.extent_mm, 0.1)

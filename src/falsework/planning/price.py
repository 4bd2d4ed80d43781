"""The price of a plan: the terms of ``objective.Price``, from what is really built."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from falsework.cost.cost import Cost
from falsework.need.underside import UndersideKind
from falsework.objective import (
    FAILURE_CHANCE,
    MINUTES_A_BLOCK,
    MINUTES_A_CM2_PICKED,
    MINUTES_A_LIFT,
    MINUTES_A_RIM,
    MINUTES_A_SCAR_CM2,
    MINUTES_BY_HAND,
    MINUTES_BY_TOOL,
    NARROW_CHANCE,
    RIM_CHANCE,
    SCAR,
    TEAR_CHANCE,
    TOPPLE_CHANCE,
    WEAK_CHANCE,
    Price,
    any_of,
    contact_severity,
    droop_severity,
    expected_loss,
    failure_chance,
    hand_minutes,
    printing_price,
)
from falsework.part.placing import turn_matrix
from falsework.planning.value import Plan
from falsework.process.forces import LEAST_TOPPLE_SAFETY
from falsework.release.value import PieceRelease, ReleaseState
from falsework.stance import Foot
from falsework.support.choosing import chosen_option
from falsework.support.geometry import Cared
from falsework.support.scheme import SupportPiece
from falsework.support.standing import Option


def price_of(plan: Plan, cared: Cared) -> Price:
    """The price of printing the part as planned. Without release, hand work is what was expected of it."""
    weights, process = plan.weights, plan.process
    rim = rim_of(plan)
    cost = plan.part_cost + plan.support_cost + (rim.cost if rim is not None else Cost())
    printing = printing_price(cost, process, weights)
    options = [chosen_option(choice) for choice in plan.choices]
    spoilt = [_spoilt_cm2(plan, number, option) for number, option in enumerate(options)]
    scar_cm2 = sum(piece.scar_mm2 for piece in plan.pieces) / 100.0
    shown = sum(s * cm2 for s, cm2 in zip(cared.show, spoilt, strict=True)) if cared.show else 0.0
    return Price(
        filament=printing.filament,
        time=printing.time,
        finish=sum(spoilt) * weights.finish_per_cm2,
        scars=scar_cm2 * SCAR * weights.finish_per_cm2,
        show=shown * weights.show_per_cm2,
        hands=(sum(_minutes(plan)) + (MINUTES_A_RIM if rim else 0.0)) / 60.0 * weights.hands_per_hour,
        inside=_share_inside(plan) * printing.total,
        risk=expected_loss(any_of(_chances(plan, options)), printing.total),
        strength=0.0 if cared.load_axis is None else weights.strength * _across(plan, cared.load_axis),
    )


def rim_of(plan: Plan) -> Foot | None:
    """The rim around the first layer that makes a part stand that would fall; its price is counted."""
    stance = plan.stance
    return stance.foot if stance is not None and not stance.stands else None


def _spoilt_cm2(plan: Plan, place: int, option: Option) -> float:
    underside = plan.undersides[place]
    left = option.left_mm2 * droop_severity(underside.droop_mm.value)
    return (left + option.contact_mm2 * contact_severity(underside.supported_droop_mm.value)) / 100.0


def _minutes(plan: Plan) -> Iterator[float]:
    """Hand work at each piece."""
    released = plan.release.pieces if plan.release is not None else (None,) * len(plan.pieces)
    for piece, off in zip(plan.pieces, released, strict=True):
        yield hand_minutes(piece.scar_mm2 == 0.0, piece.scar_mm2) if off is None else _taken_off(piece, off)


def _taken_off(piece: SupportPiece, off: PieceRelease) -> float:
    if off.state is ReleaseState.TRAPPED:
        return 0.0
    if off.state is ReleaseState.STAYS:
        return MINUTES_A_LIFT
    minutes = MINUTES_BY_HAND if off.state is ReleaseState.BY_HAND else MINUTES_BY_TOOL
    if off.state is ReleaseState.BREAK:
        minutes += MINUTES_A_BLOCK * len(off.blocks)
    if off.state is ReleaseState.DIG:
        minutes += MINUTES_A_CM2_PICKED * piece.contact_mm2 / 100.0
    return minutes + MINUTES_A_SCAR_CM2 * piece.scar_mm2 / 100.0


def _share_inside(plan: Plan) -> float:
    """Filament that stays inside for good, as a share of the part's own, at most all of it."""
    if plan.release is None:
        return 0.0
    states = zip(plan.pieces, plan.release.pieces, strict=True)
    kept_g = sum(piece.cost.mass_g for piece, off in states if off.state is ReleaseState.TRAPPED)
    return min(1.0, kept_g / max(plan.part_cost.mass_g, 1e-9))


def _chances(plan: Plan, options: list[Option]) -> Iterator[float]:
    """Chances that the print fails: by what is left bare, by a part or a support that falls, by a part that
    tears when a support is taken off."""
    bare = {start.underside for start in plan.starts if not start.carried}
    layer_mm = plan.process.layer_height_mm
    for underside, option in zip(plan.undersides, options, strict=True):
        if underside.number in bare:
            yield FAILURE_CHANCE
        elif underside.kind is not UndersideKind.ISLAND:
            share = option.left_mm2 / max(option.left_mm2 + option.contact_mm2, 1e-9)
            yield share * failure_chance(underside, layer_mm)
    if plan.stance is not None:
        stance, rim = plan.stance, rim_of(plan)
        if rim is None:
            yield TOPPLE_CHANCE * _lacking(stance.safety)
            yield NARROW_CHANCE if stance.narrow else 0.0
        else:
            yield TOPPLE_CHANCE * _lacking(rim.safety)
            yield RIM_CHANCE * _lacking(stance.safety)
    for piece in plan.pieces:
        yield WEAK_CHANCE if piece.weak else 0.0
    if plan.release is not None:
        for off in plan.release.pieces:
            yield TEAR_CHANCE if off.tears else 0.0


def _lacking(safety: float) -> float:
    """Share of the safety against toppling that is not there."""
    return max(0.0, 1.0 - max(safety, 0.0) / LEAST_TOPPLE_SAFETY)


def _across(plan: Plan, axis: tuple[float, float, float]) -> float:
    """Share of a pull along ``axis`` that acts across the layers."""
    turned = turn_matrix(plan.part.turn_deg) @ np.array(axis)
    return float(turned[2] ** 2 / max(turned @ turned, 1e-12))

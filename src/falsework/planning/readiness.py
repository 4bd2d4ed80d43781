"""Whether a plan may be printed as it is, or the reasons why not: one judgement for every face."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.objective import MINUTES_A_RIM
from falsework.planning.value import Plan
from falsework.wording.notices import (
    DrawnFoot,
    IslandLeft,
    IslandsLeft,
    LayOtherwise,
    NarrowFirstLayer,
    Notice,
    Rim,
    TooLarge,
    Topples,
    WeakPieces,
)
from falsework.wording.terms import NOT_READY, READY

DRAWN_LAYERS = 3  # of a foot that is drawn into a part: one alone would be torn off
_STANCE = (NarrowFirstLayer, Topples)
_BLOCKING = (TooLarge, *_STANCE, IslandLeft, IslandsLeft, WeakPieces)


@dataclass(frozen=True)
class Obstruction:
    """One of a plan's warnings that keeps it from being printed, and what would help."""

    notice: Notice
    remedies: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class Readiness:
    """The reasons why a plan is not ready; none where it is."""

    reasons: tuple[Obstruction, ...]

    @property
    def ready(self) -> bool:
        return not self.reasons

    @property
    def headline(self) -> str:
        return READY if self.ready else NOT_READY


def readiness(plan: Plan) -> Readiness:
    """What keeps a plan from being printed as it is: a part larger than the machine, a part that does not
    stand, islands that nothing carries, pieces of support that do not stand."""
    why = {choice.underside: choice.reason for choice in plan.choices}
    reasons = []
    for notice in plan.warnings:
        if isinstance(notice, _STANCE):
            reasons.append(Obstruction(notice, _stance_remedies(plan)))
        elif isinstance(notice, IslandLeft):
            reasons.append(Obstruction(notice, (why[notice.underside],) if notice.underside in why else ()))
        elif isinstance(notice, _BLOCKING):
            reasons.append(Obstruction(notice))
    return Readiness(tuple(reasons))


def _stance_remedies(plan: Plan) -> tuple[Notice, ...]:
    """What would make the part stand, each with its price."""
    found: list[Notice] = []
    stance = plan.stance
    if stance is not None and stance.foot is not None:
        foot, process = stance.foot, plan.process
        cutting = MINUTES_A_RIM / 60.0 * plan.weights.hands_per_hour
        found.append(Rim(foot.breadth_mm, foot.cost.mass_g, foot.cost.price + cutting, foot.safety))
        high_mm = process.first_layer_height_mm + (DRAWN_LAYERS - 1) * process.layer_height_mm
        many = high_mm / process.first_layer_height_mm
        mass_g, price = many * foot.cost.mass_g, many * foot.cost.price
        found.append(DrawnFoot(foot.breadth_mm, high_mm, mass_g, price, foot.safety))
    if plan.otherwise is not None:
        found.append(plan.otherwise)
    elif plan.lies is None:
        found.append(LayOtherwise())
    return tuple(found)

"""Whether a plan may be printed as it is, or the reasons why not: one judgement for every face."""

from __future__ import annotations

from dataclasses import dataclass

from falsework.planning.value import Plan
from falsework.stance.value import Stance
from falsework.wording.notices import (
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
            reasons.append(Obstruction(notice, _stance_remedies(plan.stance)))
        elif isinstance(notice, IslandLeft):
            reasons.append(Obstruction(notice, (why[notice.underside],) if notice.underside in why else ()))
        elif isinstance(notice, _BLOCKING):
            reasons.append(Obstruction(notice))
    return Readiness(tuple(reasons))


def _stance_remedies(stance: Stance | None) -> tuple[Notice, ...]:
    """What would make the part stand."""
    if stance is None or stance.foot is None:
        return (LayOtherwise(),)
    foot = stance.foot
    return (Rim(foot.breadth_mm, foot.cost.mass_g, foot.cost.price, foot.safety), LayOtherwise())

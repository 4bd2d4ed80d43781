"""Plans of the positions on a shortlist, as far as any of them may still be the best.

Today's is planned while the others are looked for. Of these it is weighed what each underside would choose,
on layers and columns of their own, before any support is built; then the most promising are planned, some at
a time, until none that is left may cost less than the best so far.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from falsework.cores import own_cores
from falsework.droop import Belief
from falsework.layers.slicing import lowest_mm
from falsework.need.underside import UndersideKind
from falsework.orientation.value import Orientation, OrientationProof
from falsework.part.part import Part
from falsework.part.placing import fits
from falsework.planning.lanes import Lanes, lanes_for
from falsework.planning.pipeline import plan_for, totals_for
from falsework.planning.price import rim_of
from falsework.planning.readiness import readiness
from falsework.planning.value import Plan
from falsework.request.context import Context
from falsework.request.value import Placing, Request, Wish
from falsework.watch import Watch

SAME_SHARE = 0.02  # prices this near are the same: then the part is left as it lies
FIRST, ROUND = 6, 4  # weighed before it is asked whether more are; planned between two such looks
OPTIMISM = 0.8  # of what a position is expected to cost, that its plan costs at least (measured: 0.86 on)
LANES = 7  # beside the caller at most: about so many are planned, twice as many weighed


@dataclass(frozen=True)
class Shared:
    """What all plans of one part have in common; ``cores`` that each made beside others may use."""

    part: Part
    wish: Wish
    belief: Belief
    cores: int = 1


@dataclass(frozen=True)
class Job:
    """A position to plan, or only to weigh."""

    lie: Orientation
    whole: bool = True


def work(shared: Shared, job: Job, watch: Watch) -> Orientation | float:
    """The position with its figures and price from its plan; or what it is expected to cost."""
    request = Request(shared.part, Placing(turn_deg=job.lie.turn_deg), shared.wish)
    context = Context(belief=shared.belief, watch=watch, cores=shared.cores)
    if job.whole:
        return planned(job.lie, plan_for(request, context, alone=True))
    *_, chosen = totals_for(request, context).alternatives
    return chosen.price.total


def trouble(lie: Orientation) -> int:
    """0 for a position that stands and carries all that starts in mid-air by supports that stand; 1 for one
    that leaves some of that, trusts it to a weak piece, or that nothing but a rim holds upright; 2 for one
    that falls, 3 for one that does not fit: less comes first, whatever it costs.

    A rim may add what is asked for beyond standing. Who has a position that stands does not balance the part.
    """
    if lie.proof is None:
        return 3
    p = lie.proof
    if not p.stands and p.rim_mm == 0.0:
        return 2
    balances = not p.stands and p.safety < 1.0
    return int(p.bare > 0 or p.weak > 0 or balances)


def lanes_of(part: Part, wish: Wish, context: Context) -> Lanes:
    """For ``work`` on positions of a part, the caller's own not counted."""
    cores = context.cores or own_cores()
    count = lanes_for(cores, LANES, len(part.faces))
    return Lanes(partial(work, Shared(part, wish, context.belief, max(1, cores // (1 + count)))), count)


def plan_of_today(part: Part, wish: Wish, context: Context) -> Plan | None:
    """The plan of the position in which the part came; None where it does not fit."""
    build = wish.process.printer
    height_mm = lowest_mm(wish.process.first_layer_height_mm)
    if not float(part.size_mm[2]) > height_mm or any(
        fits(part, (build.build_width_mm, build.build_depth_mm, build.build_height_mm))
    ):
        return None
    return plan_for(Request(part, Placing(), wish), context, alone=True)


def proved(
    lies: tuple[Orientation, ...], lanes: Lanes, plan: Callable[[], Plan | None], watch: Watch
) -> list[Orientation]:
    """Today's position, the first, and those others that may be better, with the figures of their plans.

    Others than today's come in the order of ``lies``. Those that do not fit stay as they are. ``plan`` gives
    that of today's, which may be made meanwhile. The result is the same for any number of cores.
    """
    first, *others = lies
    fit = [lie for lie in others if lie.fits]
    weighed = _weighed(range(len(fit))[:FIRST], fit, lanes, watch.part(0.0, 0.2), fit[FIRST:])
    lanes.ahead([Job(fit[row]) for row in _ordered(weighed)] + [Job(lie, whole=False) for lie in fit[FIRST:]])
    made = plan()
    today = planned(first, made) if first.fits and made is not None else first
    bar = today.price.total * (1.0 - SAME_SHARE) if trouble(today) == 0 else float("inf")
    # those that come after the first and cannot cost less, if columns err as they did with the first, are not
    worse = min((weighed[row] / max(fit[row].price.total, 1e-9) for row in weighed), default=0.0)
    rest = [row for row in range(len(fit))[FIRST:] if OPTIMISM * worse * fit[row].price.total < bar]
    weighed |= _weighed(rest, fit, lanes, watch.part(0.3, 0.4), ())
    found = {lie.turn_deg: lie for lie in _best(bar, fit, weighed, lanes, watch.part(0.4, 1.0))}
    return [today, *(found.get(lie.turn_deg, lie) for lie in others if not lie.fits or lie.turn_deg in found)]


def _weighed(
    rows: Sequence[int], lies: Sequence[Orientation], lanes: Lanes, watch: Watch, ahead: Sequence[Orientation]
) -> dict[int, float]:
    """What positions are expected to cost, by their rows."""
    jobs = [Job(lies[row], whole=False) for row in rows]
    later = [Job(lie, whole=False) for lie in ahead]
    return dict(zip(rows, lanes.answers(jobs, watch, "weighing", later), strict=True))


def _ordered(weighed: dict[int, float]) -> list[int]:
    return sorted(weighed, key=lambda row: (weighed[row], row))


def _best(
    bar: float, lies: Sequence[Orientation], weighed: dict[int, float], lanes: Lanes, watch: Watch
) -> list[Orientation]:
    """Those of ``lies``, the most promising first, that had to be planned to find what costs less than
    ``bar``."""
    order = _ordered(weighed)
    out: list[Orientation] = []
    for k in range(0, len(order), ROUND):
        sound = [lie.price.total for lie in out if trouble(lie) == 0]
        least = min([bar, *sound])
        some = [Job(lies[row]) for row in order[k:] if OPTIMISM * weighed[row] < least]
        if not some:
            break
        part = watch.part(k / len(order), min(1.0, (k + ROUND) / len(order)))
        out += lanes.answers(some[:ROUND], part, "planning the best", some[ROUND:])
    return out


def planned(lie: Orientation, plan: Plan) -> Orientation:
    """A lie with the figures of its plan."""
    judged = readiness(plan)
    asks = [u for u in plan.undersides if u.kind is not UndersideKind.HOLDS]
    carried = {number for piece in plan.pieces for number in piece.undersides}
    released = plan.release.pieces if plan.release is not None else ()
    stance, rim = plan.stance, rim_of(plan)
    both = plan.part_cost + plan.support_cost
    assert stance is not None
    return replace(
        lie,
        needs_no_support=not plan.pieces and judged.ready,
        filament_g=both.mass_g,
        time_s=both.time_s,
        support_g=plan.support_cost.mass_g,
        support_s=plan.support_cost.time_s,
        price=plan.price,
        proof=OrientationProof(
            undersides=len(asks),
            carried=sum(u.number in carried for u in asks),
            bare=len({start.underside for start in plan.starts if not start.carried}),
            pieces=len(plan.pieces),
            weak=sum(piece.weak for piece in plan.pieces),
            hard=sum(piece.fails for piece in released),
            first_layer_mm2=stance.first_layer_mm2,
            safety=stance.safety,
            stands=stance.stands,
            rim_mm=rim.breadth_mm if rim is not None else 0.0,
            ready=judged.ready,
            why_not=tuple(reason.notice for reason in judged.reasons),
        ),
    )

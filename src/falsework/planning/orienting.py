"""``best_orientations``: a shortlist by columns, each planned for real, and the choice among the plans."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Unpack

from falsework.droop import Belief
from falsework.need.underside import UndersideKind
from falsework.objective import Price
from falsework.orientation.shortlist import Shortlist, shortlist
from falsework.orientation.value import Orientation, OrientationProof, Orientations, Search
from falsework.part.part import Part
from falsework.planning.lanes import lanes_for, side_by_side
from falsework.planning.pipeline import plan_for
from falsework.planning.price import rim_of
from falsework.planning.readiness import readiness
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.request.context import Context
from falsework.request.options import ContextOptions, LyingOptions, by_class, process_of
from falsework.request.value import Placing, Request, Wish
from falsework.watch import QUIET, Watch

USUAL = Search()
SAME_SHARE = 0.02  # prices this near are the same: then the part is left as it lies
LANE_S = 4.0  # of plans that make a lane worth its start
STEP = 0.005  # of the best total: differences of less are none
NOISE = 0.02  # of the best total: differences of less earn no name


class OrientationOptions(LyingOptions, ContextOptions, total=False):
    """Fields of ``Wish`` that matter to how a part should lie, of ``Search`` and of ``Context``."""

    directions: int


def best_orientations(
    part: Part, process: Process | str | Path, **options: Unpack[OrientationOptions]
) -> Orientations:
    """The best ways to lay ``part`` on the bed, and today's beside them, each planned as it would be printed.

    Parameters
    ----------
    show : faces to keep clean. spare : faces that no support may touch.
    load_axis : direction along which the part will be pulled, in its own frame.
    weights : what matters, as prices.
    directions : even directions looked at; resting faces of the convex hull and refinement come on top.
    belief, store, watch, cores : as for a plan.

    What is recommended is never dearer than today's lie by the price of their plans, and today's wins ties.

    Raises
    ------
    PartError : the part is flat, or a face set is unknown. ProcessError : a wish that is none.
    """
    wish, context, search = by_class(options, Wish, Context, Search)
    return orientations_for(part, Wish(process_of(process), **wish), Context(**context), Search(**search))


def orientations_for(part: Part, wish: Wish, context: Context, search: Search = USUAL) -> Orientations:
    """The same for a wish: see :func:`best_orientations`."""
    few = shortlist(part, wish, context.part(0.0, 0.3), search)
    lies = proved(part, wish, context.part(0.3, 1.0), few.lies)
    context.watch.at("done", 1.0)
    return chosen(part, wish, few, lies)


@dataclass(frozen=True)
class Shared:
    """What all plans of one part have in common."""

    part: Part
    wish: Wish
    belief: Belief


def work(shared: Shared, lie: Orientation, watch: Watch = QUIET, cores: int | None = 1) -> Orientation:
    """The lie with its figures and price from its plan; one that does not fit is not planned."""
    if not lie.fits:
        return lie
    request = Request(shared.part, Placing(turn_deg=lie.turn_deg), shared.wish)
    return planned(lie, plan_for(request, Context(belief=shared.belief, watch=watch, cores=cores)))


def proved(part: Part, wish: Wish, context: Context, lies: tuple[Orientation, ...]) -> list[Orientation]:
    """Every lie planned, in their order: the first here, the rest on all cores where that pays.

    The same for any number of cores.
    """
    shared = Shared(part, wish, context.belief)
    first, *others = lies
    start = time.perf_counter()
    out = [work(shared, first, context.watch.part(0.0, 1.0 / len(lies)), context.cores)]
    took_s = time.perf_counter() - start
    watch = context.watch.part(1.0 / len(lies), 1.0)
    jobs = [lie for lie in others if lie.fits]
    worth = int(len(jobs) * took_s / LANE_S)
    lanes = min(worth, lanes_for(context.cores, len(jobs), len(part.faces)))
    if lanes > 1:
        done = iter(side_by_side(shared, jobs, lanes, watch, "planning the best"))
        return out + [next(done) if lie.fits else lie for lie in others]
    for place, lie in enumerate(others):
        out.append(
            work(shared, lie, watch.part(place / len(others), (place + 1) / len(others)), context.cores)
        )
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


def chosen(part: Part, wish: Wish, few: Shortlist, lies: list[Orientation]) -> Orientations:
    """The choice among lies that were planned, today's first."""
    ranked = sorted(range(len(lies)), key=lambda row: (_trouble(lies[row]), lies[row].price.total, row))
    first = ranked[0]
    least = lies[first].price.total
    if _trouble(lies[0]) == _trouble(lies[first]) and lies[0].price.total <= (1.0 + SAME_SHARE) * least:
        first = 0  # no reason to turn the part
    front = [row for row in ranked if row == first or (row != 0 and _unbeaten(row, lies))]
    named = labelled(lies, first, [first, *(row for row in front if row != first)])
    recommended, now = named[first], named[0]
    return Orientations(
        part=part.name,
        digest=part.digest,
        process=wish.process.name,
        weights=wish.weights,
        show=wish.show,
        load_axis=wish.load_axis,
        recommended=recommended,
        front=tuple(named[row] for row in front),
        today=now,
        searched=few.searched,
        supportless=few.supportless,
        cells=few.cells,
        thinned_mm=few.thinned_mm,
        device=few.device,
        spare=wish.spare,
        never_fits=few.never_fits,
    )


def _trouble(lie: Orientation) -> int:
    """0 for a lie that stands, if need be with a rim, and carries all that starts in mid-air; 1 for one
    that does not, 2 for one that does not fit: less comes first, whatever it costs."""
    if lie.proof is None:
        return 2
    p = lie.proof
    return int(not (p.stands or p.rim_mm > 0.0) or p.bare > 0)


def _compared(price: Price) -> tuple[float, ...]:
    """What people compare lies in."""
    return price.printing, price.surface, price.removal, price.risk, price.show, price.strength


def _unbeaten(row: int, lies: list[Orientation]) -> bool:
    """Whether no other lie that fits is as good in everything and better in something."""
    unit = STEP * max(min(lie.price.total for lie in lies), 1e-9)
    mine = [round(v / unit) for v in _compared(lies[row].price)]
    for other, lie in enumerate(lies):
        if other == row or lie.fits < lies[row].fits:
            continue
        its = [round(v / unit) for v in _compared(lie.price)]
        if all(a <= b for a, b in zip(its, mine, strict=True)) and (its != mine or other < row):
            return False
    return True


def labelled(lies: list[Orientation], first: int, front: list[int]) -> list[Orientation]:
    """Every lie named by what it is best at in the whole table, today's included, if by more than noise."""
    names: dict[int, list[str]] = {row: [] for row in range(len(lies))}
    names[first].append("recommended")
    names[0].append("as it came")
    rows = sorted({0, *front})
    noise = NOISE * max(lies[first].price.total, 1e-9)
    for name, term in (
        ("least to print", lambda p: p.printing),
        ("least marked", lambda p: p.surface),
        ("easiest to clean", lambda p: p.removal),
        ("least marked where it must stay clean", lambda p: p.show),
        ("safest", lambda p: p.risk),
        ("strongest", lambda p: p.strength),
    ):
        values = sorted((term(lies[row].price), row) for row in rows if lies[row].fits)
        if len(values) > 1 and values[1][0] > values[0][0] + noise:
            names[values[0][1]].append(name)
    return [replace(lie, label=", ".join(names[row]) or "between") for row, lie in enumerate(lies)]

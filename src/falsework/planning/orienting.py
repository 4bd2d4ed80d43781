"""``best_orientations``: a shortlist by columns, plans of those that may be best, the choice among them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Unpack

from falsework.cores import cores_here, meanwhile, on_cores
from falsework.objective import Price
from falsework.orientation.shortlist import Shortlist, shortlist
from falsework.orientation.value import Orientation, Orientations, Search
from falsework.part.part import Part
from falsework.planning.pipeline import raw_part, sized_part, totals_for
from falsework.planning.proof import SAME_SHARE, lanes_of, plan_of_today, proved, trouble
from falsework.planning.value import Totals
from falsework.process.settings import Process
from falsework.request.context import Context
from falsework.request.options import ContextOptions, LyingOptions, by_class, process_of
from falsework.request.value import Request, Turn, Wish
from falsework.watch import heeding

USUAL = Search()
STEP = 0.005  # of the best total: differences of less are none
WEIGHED = 3  # of the shortlist, where nothing is planned
BUSY = 2  # cores that today's plan and the search keep busy; where there are more ...
IDLE_S = 0.25  # ... lanes are started after so much of them, else ...
WORTH_S = 1.5  # ... after so much, when their start is worth it
NOISE = 0.02  # of the best total: differences of less earn no name


class OrientationOptions(LyingOptions, ContextOptions, total=False):
    """Fields of ``Wish`` that matter to how a part should lie, of ``Search`` and of ``Context``."""

    directions: int


def best_orientations(
    part: Part, process: Process | str | Path, **options: Unpack[OrientationOptions]
) -> Orientations:
    """The best ways to lay ``part`` on the bed, and today's beside them, each planned as it would be printed.

    What is recommended is never dearer than today's lie by the price of their plans, and today's wins ties,
    unless today's falls, leaves something in mid-air or trusts it to a weak piece.

    Parameters
    ----------
    show : faces to keep clean. spare : faces that no support may touch.
    load_axis : direction along which the part will be pulled, in its own frame.
    weights : what matters, as prices.
    directions : even directions looked at; resting faces of the convex hull and refinement come on top.
    belief, store, watch, cores : as for a plan.

    Raises
    ------
    PartError : the part is flat, or a face set is unknown. ProcessError : a wish that is none.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.best_orientations(table(), "pla-0.4", directions=50)
    >>> found.today.turn_deg, found.today.needs_no_support, found.recommended.needs_no_support
    ((0.0, 0.0, 0.0), False, True)
    """
    wish, context, search = by_class(options, Wish, Context, Search)
    return orientations_for(part, Wish(process_of(process), **wish), Context(**context), Search(**search))


def orientations_for(part: Part, wish: Wish, context: Context, search: Search = USUAL) -> Orientations:
    """The same for a wish: see :func:`best_orientations`."""
    with lanes_of(part, wish, context) as lanes, on_cores(context.cores), heeding(context.watch):
        now = context.part(0.44, 0.51)
        beside = now if cores_here() == 1 else replace(now, watch=now.watch.silent())
        with (
            lanes.starting(IDLE_S if cores_here() > BUSY else WORTH_S),
            meanwhile(partial(plan_of_today, part, wish, beside)) as today,
        ):
            few = shortlist(part, wish, context.part(0.0, 0.3), search)
            lies = proved(few.lies, lanes, today, context.watch.part(0.3, 1.0))
    context.watch.at("done", 1.0)
    return chosen(part, wish, few, lies)


@dataclass(frozen=True)
class ExpectedLie:
    """The position expected to be best: what it would cost by layers and columns of its own, nothing built;
    whether it fits, and what counted the columns of the search."""

    turn_deg: Turn
    fits: bool
    totals: Totals
    device: str

    @property
    def total(self) -> float:
        return self.totals.alternatives[-1].price.total


def expected_lie(request: Request, context: Context) -> ExpectedLie:
    """The position expected to be best, whatever is asked for: of the most promising by columns, and the
    file's, each is weighed. The file's stays where no other is cheaper by more than what counts as the same.
    """
    raw = raw_part(request, context.watch.part(0.0, 0.1))
    few = shortlist(sized_part(raw, request), request.wish.of_orientations, context.part(0.1, 0.7))
    today, *others = few.lies

    def weighed(lie: Orientation) -> ExpectedLie:
        totals = totals_for(replace(request.turned(lie.turn_deg), part=raw), context.part(0.7, 1.0))
        return ExpectedLie(lie.turn_deg, lie.fits, totals, few.device)

    stays, *found = map(weighed, (today, *[lie for lie in others if lie.fits][:WEIGHED]))
    best = min(found, key=lambda lie: lie.total, default=stays)
    better = best.total < (1.0 - SAME_SHARE) * stays.total or not stays.fits
    return best if better else stays


def chosen(part: Part, wish: Wish, few: Shortlist, lies: list[Orientation]) -> Orientations:
    """The choice among lies that were planned, today's first."""
    ranked = sorted(range(len(lies)), key=lambda row: (trouble(lies[row]), lies[row].price.total, row))
    first = _first(lies, ranked)
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


def _first(lies: list[Orientation], ranked: list[int]) -> int:
    """The place of the one to recommend: of those least in trouble the cheapest; what costs the same as
    today's is no reason to turn the part. How the file lies decides nothing else."""
    sound = [row for row in ranked if trouble(lies[row]) == trouble(lies[ranked[0]])]
    best = min(sound, key=lambda row: lies[row].price.total)
    stays = 0 in sound and lies[0].price.total <= (1.0 + SAME_SHARE) * lies[best].price.total
    return 0 if stays else best


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

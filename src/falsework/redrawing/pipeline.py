"""``redraw``: plan, draft changes for every underside that asks, prove, price, combine, plan again."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Unpack

from falsework.cores import on_cores
from falsework.orientation.body import face_normals
from falsework.part.part import Part
from falsework.planning.pipeline import raw_part
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.redrawing.body.placement import placement_of
from falsework.redrawing.combine import Combination, combine
from falsework.redrawing.comparing import best_way, other_orientation, splits_of
from falsework.redrawing.features.candidates import candidates, with_candidates
from falsework.redrawing.printed import printed_of
from falsework.redrawing.proof.asking import still_asking
from falsework.redrawing.proof.function import rooms_of
from falsework.redrawing.proof.sections import outside_mm3
from falsework.redrawing.request import RedrawOptions, RedrawRequest, Scope
from falsework.redrawing.site.ground import ground_of
from falsework.redrawing.site.value import PlannedPart
from falsework.redrawing.treating import Worked, Workplace, to_treat, worked, worth_making
from falsework.redrawing.value import Combined, Redraw, RedrawGeometry, Treated
from falsework.redrawing.words import CAUTION, outcome, spared_words
from falsework.redrawing.writing import FileWriter
from falsework.request.context import Context
from falsework.request.marks import marked_faces
from falsework.request.options import by_class, process_of
from falsework.request.value import Placing, Request, Wish
from falsework.support.choosing import chosen_option
from falsework.watch import Watch, heeding

WHOLE = Scope()


def redraw(
    part: Part | str | Path, process: Process | str | Path = "pla-0.4", **options: Unpack[RedrawOptions]
) -> Redraw:
    """For each underside that needs support the changes that make it hold; the best of them all together.

    Every change is applied to the part and judged by the layers of the result; what is proposed together is
    planned again as a whole.

    Parameters
    ----------
    spare : faces that must stay as they are, in the part's own frame, by direction or by name: of face
        sets, and of candidates that are found ('bore 1', 'pin 2', 'flat 1'). No support touches them either.
    show : faces to keep clean: they matter to lies and to where a part may be cut.
    kinds : the kinds of change that may be made; None for all.
    undersides : numbers of those to be treated; None for those that ask, but no more
        than the dearest ``MOST_TREATED``.
    split : whether cuts are looked for. other_lies : whether other ways to lay the part down are.
    change : what is to be done about an underside, by its number: a kind of change, even one that spoils what
        the part is for, or 'leave'. The others are done as is best.
    flat_mm : width that a peaked roof leaves flat at its top, to be bridged; 0 for a peak.
    standing, weights, turn_deg, lie, load_axis, scale, unit, belief, watch, store : as for a plan.

    Raises
    ------
    PartError, ProcessError : the part cannot be planned, or is open, so that nothing can be added or cut.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> found = falsework.redraw(table(), kinds=("drawn-in fins",))
    >>> isinstance(found, falsework.Redraw), len(found.treated)
    (True, 1)
    """
    placing, wish, context, scope = by_class(options, Placing, Wish, Context, Scope)
    request = Request(part, Placing(**placing), Wish(process_of(process), **wish))
    return redraw_for(request, Context(**context), Scope(**scope))


def redraw_for(request: Request, context: Context, scope: Scope = WHOLE) -> Redraw:
    """The same for a request: see :func:`redraw`. What it overrules of supports does not count."""
    with on_cores(context.cores), heeding(context.watch):
        return _redrawn(request, context, scope)


def _redrawn(request: Request, context: Context, scope: Scope) -> Redraw:
    watch = context.watch
    raw = raw_part(request, watch.part(0.0, 0.04))
    watch.at("looking for bores and mating faces", 0.04)
    found = context.store.get(("candidates", raw.digest), lambda: candidates(raw))
    wish = replace(request.wish, overrules={})
    request = Request(with_candidates(raw, found), request.placing, wish)
    asked = RedrawRequest(request, found, scope, context)
    return redrawn_from(asked, asked.plan(request, watch.part(0.05, 0.2)), watch.part(0.2, 1.0))


def redrawn_from(asked: RedrawRequest, planned: Plan, watch: Watch) -> Redraw:
    """The redraw of a part whose plan is at hand."""
    wish, scale, belief = asked.wish, asked.request.placing.scale, asked.context.belief
    normals, areas = face_normals(asked.part.vertices, asked.part.faces)
    spared = marked_faces(asked.part, normals, wish.spare, "faces to keep")
    ground = ground_of(planned, spared, belief)
    placement = placement_of(asked.part, ground.part, planned.part.turn_deg, scale)
    rooms = rooms_of(asked.candidates, placement, ground)
    ground = replace(ground, origin_mm=placement.shift_mm)
    place = Workplace(ground, planned, asked.scope, rooms, scale)
    chosen, left = to_treat(planned, asked.scope)
    rows = []
    for k, choice in enumerate(chosen):
        at = watch.part(0.45 * k / len(chosen), 0.45 * (k + 1) / len(chosen))
        rows.append(worked(place, choice, at))
    worth = [worth_making(row, asked.scope) for row in rows]
    writer = FileWriter(asked, ground, placement.shift_mm)
    combination = combine(ground, worth, writer, watch.part(0.45, 0.7))
    before, combined = printed_of(planned), _combined(ground, combination)
    other = other_orientation(asked, planned, combined, watch.part(0.7, 0.87))
    splits = splits_of(asked, ground, watch.part(0.87, 1.0))
    best, why = best_way(before, other, combined, splits, wish.weights)
    watch.at("done", 1.0)
    return Redraw(
        part=planned.part,
        process=wish.process,
        weights=wish.weights,
        limit_deg=planned.limit_deg,
        reach_mm=planned.reach_mm,
        span_mm=ground.span_mm,
        spared=tuple(spared_words(wish.spare, asked.candidates)),
        spared_mm2=float(areas[spared].sum()) * scale**2,
        frame=placement.words,
        candidates=asked.candidates,
        before=before,
        treated=tuple(_treated(ground, row, combination) for row in rows),
        left=left,
        combined=combined,
        lie=other,
        splits=splits,
        best=best,
        why=why,
        notes=(CAUTION,),
        warnings=planned.warnings,
        rests_on=belief.rests_on,
        geometry=RedrawGeometry(
            ground.part,
            combination.written.part if combination.written else None,
            placement,
            planned,
            combination.plan,
        ),
    )


def _treated(ground: PlannedPart, row: Worked, combination: Combination) -> Treated:
    """An underside with its changes, and which of them was taken."""
    number = row.choice.underside
    option = chosen_option(row.choice)
    taken = next((c for c in combination.changes if c.underside == number), None)
    why = combination.dropped.get(number, "")
    changes = row.changes
    if number in combination.unsound:  # as it is drawn; what its files hold is another matter
        changes = tuple(c.failing(why) if c.offered else c for c in changes)
    return Treated(
        underside=ground.need.undersides[number - 1],
        standing=row.choice.chosen,
        support=option.cost,
        price=option.price.total,
        changes=changes,
        declined=row.declined,
        chosen=taken.kind if taken else None,
        outcome=outcome(taken, changes, row.declined, why),
    )


def _combined(ground: PlannedPart, combination: Combination) -> Combined | None:
    """The whole part planned again, and what it says of the undersides that were treated; None where nothing
    is changed."""
    proof, written, plan = combination.proof, combination.written, combination.plan
    if proof is None or written is None or plan is None:
        return None
    numbers = tuple(sorted(c.underside for c in combination.changes))
    asking = still_asking(ground, numbers, written.need)
    return Combined(
        undersides=numbers,
        gone=tuple(n for n in numbers if n not in asking),
        added_mm3=proof.added_mm3,
        removed_mm3=proof.removed_mm3,
        outside_share=outside_mm3(proof.changed, written.stack) / ground.solid.volume(),
        triangles=len(written.part.faces),
        closed=written.part.health.closed,
        after=printed_of(plan),
        dropped=tuple(f"underside {number}: {why}" for number, why in combination.dropped.items()),
        by_hand=tuple(dict.fromkeys(c.by_hand for c in combination.changes if c.by_hand)),
        hand_min=math.fsum(c.hand_min for c in combination.changes),
        hand_price=math.fsum(c.hand_price for c in combination.changes),
    )

"""``redraw``: plan, draft changes for every underside that asks, prove, price, combine, plan again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.lie.body import face_normals
from falsework.part.part import Part
from falsework.planning.pipeline import raw_part
from falsework.planning.value import Plan
from falsework.process.settings import Process
from falsework.redrawing.body.placement import placement_of
from falsework.redrawing.body.solids import redrawn_part
from falsework.redrawing.combine import Combination, Replanned, combine
from falsework.redrawing.comparing import best_way, other_lie, splits_of
from falsework.redrawing.features.candidates import candidates, with_candidates
from falsework.redrawing.printed import printed_of
from falsework.redrawing.proof.prove import outside_mm3, still_asking
from falsework.redrawing.request import RedrawOptions, RedrawRequest, Scope
from falsework.redrawing.site.ground import ground_of
from falsework.redrawing.site.value import Ground
from falsework.redrawing.treating import Worked, to_treat, worked
from falsework.redrawing.value import Combined, Redraw, RedrawGeometry, Treated
from falsework.redrawing.words import CAUTION, outcome, spared_words
from falsework.request.context import Context
from falsework.request.marks import NO_FACES, MarkedFaces, marked_faces
from falsework.request.options import by_class, process_of
from falsework.request.value import Placing, Request, Wish
from falsework.support.choosing import chosen_option
from falsework.watch import Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

SPARED_SET = "faces to spare"
WHOLE = Scope()


def redraw(
    part: Part | str | Path, process: Process | str | Path = "pla-0.4", **options: Unpack[RedrawOptions]
) -> Redraw:
    """For each underside that asks for support the changes that make it hold; the best of them all together.

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
    flat_mm : width that a peaked roof leaves flat at its top, to be bridged; 0 for a peak.
    standing, weights, turn_deg, lie, load_axis, scale, unit, belief, watch, store : as for a plan.

    Raises
    ------
    PartError, ProcessError : the part cannot be planned, or is open, so that nothing can be added or cut.
    """
    placing, wish, context, scope = by_class(options, Placing, Wish, Context, Scope)
    request = Request(part, Placing(**placing), Wish(process_of(process), **wish))
    return redraw_for(request, Context(**context), Scope(**scope))


def redraw_for(request: Request, context: Context, scope: Scope = WHOLE) -> Redraw:
    """The same for a request: see :func:`redraw`. What it overrules of supports does not count."""
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
    spared = marked_faces(asked.part, normals, wish.spare, "faces to spare")
    ground = ground_of(planned, spared, belief)
    chosen, left = to_treat(planned, asked.scope)
    rows = []
    for k, choice in enumerate(chosen):
        at = watch.part(0.45 * k / len(chosen), 0.45 * (k + 1) / len(chosen))
        rows.append(worked(ground, choice, asked.scope, wish.weights, at))
    combination = _combination(asked, ground, rows, watch.part(0.45, 0.7))
    before, combined = printed_of(planned), _combined(ground, combination)
    other = other_lie(asked, planned, watch.part(0.7, 0.87))
    splits = splits_of(asked, ground, watch.part(0.87, 1.0))
    best, why = best_way(before, other, combined, splits)
    watch.at("done", 1.0)
    again = combination.replanned
    return Redraw(
        part=planned.part,
        process=wish.process,
        weights=wish.weights,
        limit_deg=planned.limit_deg,
        reach_mm=planned.reach_mm,
        span_mm=ground.span_mm,
        spared=tuple(spared_words(wish.spare, asked.candidates)),
        spared_mm2=float(areas[spared].sum()) * scale**2,
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
            again.redrawn if again else None,
            placement_of(asked.part, ground.part, planned.part.turn_deg, scale),
            planned,
            again.plan if again else None,
        ),
    )


def _combination(asked: RedrawRequest, ground: Ground, rows: list[Worked], watch: Watch) -> Combination:
    """What is worth its price of each row, together."""
    worth = [
        tuple(c for c in row.changes if c.proven and (asked.scope.undersides or c.saved_price > 0.0))
        for row in rows
    ]

    def replan(solid: Manifold, watch: Watch) -> Replanned:
        return _replanned(asked, ground, solid, watch)

    return combine(ground, worth, replan, watch)


def _replanned(asked: RedrawRequest, ground: Ground, solid: Manifold, watch: Watch) -> Replanned:
    """A changed solid planned as the part was, its layers and need back in the place of the ground."""
    spared: NDArray[np.bool_] = ground.spared
    redrawn = redrawn_part(ground.part, ground.solid, solid, {SPARED_SET: spared})
    spare = MarkedFaces(face_sets=(SPARED_SET,)) if spared.any() else NO_FACES
    wish = replace(asked.wish.of_supports, spare=spare)
    plan = asked.plan(Request(redrawn, Placing(), wish), watch)
    assert plan.geometry is not None
    away_mm = (redrawn.vertices[0] - plan.geometry.part.vertices[0])[:2]
    stack, need = plan.geometry.stack, plan.geometry.need
    return Replanned(
        redrawn,
        plan,
        replace(stack, points_mm=stack.points_mm + away_mm),
        replace(need, regions=shapely.transform(need.regions, lambda xy: xy + away_mm)),
    )


def _treated(ground: Ground, row: Worked, combination: Combination) -> Treated:
    """An underside with its changes, and which of them was taken."""
    number = row.choice.underside
    option = chosen_option(row.choice)
    taken = next((c for c in combination.changes if c.underside == number), None)
    return Treated(
        underside=ground.need.undersides[number - 1],
        standing=row.choice.chosen,
        support=option.cost,
        price=option.objective,
        changes=row.changes,
        declined=row.declined,
        chosen=taken.kind if taken else None,
        outcome=outcome(taken, row.changes, row.declined),
    )


def _combined(ground: Ground, combination: Combination) -> Combined | None:
    """The whole part planned again, and what it says of the undersides that were treated; None where nothing
    is changed."""
    proof, again = combination.proof, combination.replanned
    if proof is None or again is None:
        return None
    numbers = tuple(sorted(c.underside for c in combination.changes))
    asking = still_asking(ground, numbers, again.need)
    return Combined(
        undersides=numbers,
        gone=tuple(n for n in numbers if n not in asking),
        added_mm3=proof.added_mm3,
        removed_mm3=proof.removed_mm3,
        outside_share=outside_mm3(proof.changed, again.stack) / ground.solid.volume(),
        triangles=len(again.redrawn.faces),
        closed=again.redrawn.health.closed,
        after=printed_of(again.plan),
        dropped=combination.dropped,
        by_hand=tuple(dict.fromkeys(c.by_hand for c in combination.changes if c.by_hand)),
    )

"""``redraw``: plan, draw changes for every underside that asks, prove, price, combine, plan again."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from falsework.droop import PRIOR, Belief
from falsework.errors import PartError, ProcessError
from falsework.lie import MarkedFaces, best_lies
from falsework.lie.body import face_normals
from falsework.lie.marks import Vector, marked_faces
from falsework.need.underside import Underside
from falsework.part import place, read_part
from falsework.part.part import Part
from falsework.part.placing import turn_matrix
from falsework.planning.pipeline import plan
from falsework.planning.store import Store
from falsework.planning.value import Plan
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.redrawing.combine import Again, Together, together
from falsework.redrawing.draft import ChangeKind, Draft, Refusal
from falsework.redrawing.ground import asks, ground_of
from falsework.redrawing.keep import candidates, with_candidates
from falsework.redrawing.makers import drawn, resorted
from falsework.redrawing.placement import placement_of
from falsework.redrawing.pricing import priced, ranked
from falsework.redrawing.proof import Proof, outside_mm3, prove, still_asking
from falsework.redrawing.site import Ground, Site
from falsework.redrawing.solids import redrawn_part
from falsework.redrawing.split.best import split as best_splits
from falsework.redrawing.split.laying import said_by
from falsework.redrawing.split.value import Splits
from falsework.redrawing.value import (
    Change,
    Combined,
    LeftAlone,
    OtherLie,
    Redraw,
    RedrawGeometry,
    Treated,
)
from falsework.redrawing.words import CAUTION, best_of, lie_words, outcome, spared_words
from falsework.support.choosing import EQUAL, chosen_option
from falsework.support.scheme import Standing
from falsework.support.standing import Choice, Weights
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

MOST_TREATED = 12  # undersides, the dearest, unless they are asked for by number
LIE_DIRECTIONS = 400  # a fifth of what a search for a lie alone looks at: here it is only compared
SAME_LIE_DEG = 1.0  # ways to lie that are nearer are one
SPARED_SET = "faces to spare"


def redraw(
    part: Part | str | Path,
    process: Process | str | Path = "pla-0.4",
    *,
    spare: MarkedFaces | None = None,
    show: MarkedFaces | None = None,
    kinds: Collection[ChangeKind | str] | None = None,
    undersides: Sequence[int] | None = None,
    split: bool = True,
    other_lies: bool = True,
    flat_mm: float = 0.0,
    standing: str = "auto",
    weights: Weights = EQUAL,
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    lie: str = "as-is",
    load_axis: Vector | str | None = None,
    scale: float = 1.0,
    unit: str | None = None,
    belief: Belief = PRIOR,
    watch: Watch = QUIET,
    store: Store | None = None,
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
    store = store or Store()
    settled = process if isinstance(process, Process) else load_process(process)
    wanted = _kinds(kinds)
    raw = part if isinstance(part, Part) else read_part(part, unit=unit, watch=watch.part(0.0, 0.04))
    watch.at("looking for bores and mating faces", 0.04)
    found = store.get(("candidates", raw.digest), lambda: candidates(raw))
    raw = with_candidates(raw, found)
    spare = spare or MarkedFaces()
    planned = plan(
        raw,
        settled,
        standing=standing,
        weights=weights,
        turn_deg=turn_deg,
        lie=lie,
        show=show,
        load_axis=load_axis,
        spare=spare,
        scale=scale,
        release=False,
        belief=belief,
        watch=watch.part(0.05, 0.2),
        store=store,
    )
    assert planned.geometry is not None
    normals, areas = face_normals(raw.vertices, raw.faces)
    spared = marked_faces(raw, normals, spare, "faces to spare")
    ground = ground_of(planned, spared, belief)
    chosen, left = _to_treat(planned, undersides)

    rows = []
    for k, choice in enumerate(chosen):
        at = watch.part(0.2 + 0.35 * k / len(chosen), 0.2 + 0.35 * (k + 1) / len(chosen))
        rows.append(_worked(ground, choice, wanted, flat_mm, weights, at))
    worth = [
        tuple(c for c in changes if c.proven and (undersides or c.saved_price > 0.0)) for changes, _ in rows
    ]

    def planned_again(solid: Manifold, at: Watch) -> Again:
        redrawn = redrawn_part(ground.part, ground.solid, solid, {SPARED_SET: spared})
        replan = plan(
            redrawn,
            settled,
            standing=standing,
            weights=weights,
            spare=MarkedFaces(face_sets=(SPARED_SET,)) if spared.any() else None,
            release=False,
            belief=belief,
            watch=at,
            store=store,
        )
        assert replan.geometry is not None
        away_mm = (redrawn.vertices[0] - replan.geometry.part.vertices[0])[:2]
        stack, need = replan.geometry.stack, replan.geometry.need
        return Again(
            redrawn,
            replan,
            replace(stack, points_mm=stack.points_mm + away_mm),
            replace(need, regions=shapely.transform(need.regions, lambda xy: xy + away_mm)),
        )

    combination = together(ground, worth, planned_again, watch.part(0.55, 0.75))
    again = combination.again
    treated = tuple(
        _treated(ground.need.undersides[c.underside - 1], c, changes, declined, combination)
        for c, (changes, declined) in zip(chosen, rows, strict=True)
    )
    before = said_by(planned)
    combined = (
        _combined(ground, combination, combination.proof, again) if combination.proof and again else None
    )
    other = None
    if other_lies:
        other = _other_lie(
            raw,
            settled,
            planned,
            show,
            load_axis,
            spare,
            weights,
            scale,
            belief,
            watch.part(0.75, 0.9),
            store,
        )
    splits: Splits | None = None
    if split:
        shown = marked_faces(raw, normals, show or MarkedFaces())
        splits = best_splits(ground, shown=shown, weights=weights, watch=watch.part(0.9, 1.0))
    prices = {
        "as it is": before.price,
        "another lie": other.printed.price if other else None,
        "redraw": combined.after.price if combined else None,
        "split": next((s.price for s in splits.options if s.fits), None) if splits else None,
    }
    best, why = best_of(prices)
    watch.at("done", 1.0)
    return Redraw(
        part=planned.part,
        process=settled,
        weights=weights,
        limit_deg=planned.limit_deg,
        reach_mm=planned.reach_mm,
        span_mm=ground.span_mm,
        spared=tuple(spared_words(spare, found)),
        spared_mm2=float(areas[spared].sum()) * scale * scale,
        candidates=found,
        before=before,
        treated=treated,
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
            placement_of(raw, ground.part, planned.part.turn_deg, scale),
            planned,
            again.plan if again else None,
        ),
    )


def _kinds(kinds: Collection[ChangeKind | str] | None) -> tuple[ChangeKind, ...]:
    if kinds is None:
        return tuple(ChangeKind)
    unknown = [str(k) for k in kinds if k not in list(ChangeKind)]
    if unknown:
        raise ProcessError("change", f"{unknown[0]!r} is unknown", f"Known: {', '.join(ChangeKind)}")
    return tuple(kind for kind in ChangeKind if kind in kinds)


def _to_treat(
    planned: Plan, numbers: Sequence[int] | None
) -> tuple[tuple[Choice, ...], tuple[LeftAlone, ...]]:
    """Choices of the undersides to be treated, dearest first; and those that ask but are left, and why."""
    process = planned.process
    by_price = sorted(planned.choices, key=lambda c: (-chosen_option(c).objective, c.underside))
    if numbers is not None:
        unknown = [n for n in numbers if not 1 <= n <= len(planned.undersides)]
        if unknown:
            raise PartError(
                f"underside {unknown[0]}",
                f"the part has {len(planned.undersides)} undersides",
                "Use a number from the table",
            )
        return tuple(c for c in by_price if c.underside in numbers), ()
    asking = [
        c
        for c in by_price
        if c.chosen is not Standing.NONE or asks(planned.undersides[c.underside - 1], process)
    ]
    small = asking[MOST_TREATED:]
    why = f"it is less dear than the {MOST_TREATED} treated; ask for it by its number"
    return tuple(asking[:MOST_TREATED]), tuple(LeftAlone(c.underside, why) for c in small)


def _worked(
    ground: Ground,
    choice: Choice,
    kinds: tuple[ChangeKind, ...],
    flat_mm: float,
    weights: Weights,
    watch: Watch,
) -> tuple[tuple[Change, ...], tuple[Refusal, ...]]:
    """The changes of one underside, drawn and proved, best first; and why others are not offered."""
    site = Site(ground, ground.need.undersides[choice.underside - 1])
    option = chosen_option(choice)
    changes: dict[ChangeKind, Change] = {}
    declined: dict[ChangeKind, Refusal] = {}

    def take(kind: ChangeKind, draft: Draft | Refusal, at: Watch) -> None:
        if isinstance(draft, Refusal):
            declined.setdefault(kind, draft)
            return
        change = priced(ground, draft, prove(ground, draft, at), option, weights)
        if change.proven or kind not in changes:
            changes[kind] = change
            declined.pop(kind, None)

    for k, kind in enumerate(kinds):
        at = watch.part(0.8 * k / len(kinds), 0.8 * (k + 1) / len(kinds))
        at.at(f"underside {choice.underside}: {kind}", 0.0)
        take(kind, drawn(kind, site, at.part(0.0, 0.5), flat_mm), at.part(0.5, 1.0))
    for kind in kinds:
        if any(change.proven for change in changes.values()):
            break
        draft = resorted(kind, site, watch.part(0.8, 0.9))
        if draft is not None:
            take(kind, draft, watch.part(0.9, 1.0))
    return ranked(list(changes.values()), option.objective), tuple(declined.values())


def _treated(
    underside: Underside,
    choice: Choice,
    changes: tuple[Change, ...],
    declined: tuple[Refusal, ...],
    combination: Together,
) -> Treated:
    option = chosen_option(choice)
    taken = next((c for c in combination.changes if c.underside == underside.number), None)
    return Treated(
        underside=underside,
        standing=choice.chosen,
        support=option.cost,
        price=option.objective,
        changes=changes,
        declined=declined,
        chosen=taken.kind if taken else None,
        outcome=outcome(taken, changes, declined),
    )


def _combined(ground: Ground, combination: Together, proof: Proof, again: Again) -> Combined:
    """The whole part planned again, and what it says of the undersides that were treated."""
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
        after=said_by(again.plan),
        dropped=combination.dropped,
        by_hand=tuple(dict.fromkeys(c.by_hand for c in combination.changes if c.by_hand)),
    )


def _other_lie(
    raw: Part,
    process: Process,
    planned: Plan,
    show: MarkedFaces | None,
    load_axis: Vector | str | None,
    spare: MarkedFaces,
    weights: Weights,
    scale: float,
    belief: Belief,
    watch: Watch,
    store: Store,
) -> OtherLie | None:
    """The best other way to lay the part down, planned like the one at hand; None where there is none."""
    if planned.lies is not None:
        return None  # it lies as is best
    bed_mm = (process.printer.build_width_mm, process.printer.build_depth_mm)
    sized = raw if scale == 1.0 else place(raw, scale=scale, bed_mm=bed_mm)
    best = best_lies(
        sized,
        process,
        show=show or MarkedFaces(),
        load_axis=load_axis,
        spare=spare,
        weights=weights,
        directions=LIE_DIRECTIONS,
        layers=False,
        watch=watch.part(0.0, 0.7),
    ).recommended
    up = turn_matrix(planned.part.turn_deg)[2]
    if float(up @ np.array(best.up)) > math.cos(math.radians(SAME_LIE_DEG)) or not best.fits:
        return None
    other = plan(
        raw,
        process,
        turn_deg=best.turn_deg,
        weights=weights,
        spare=spare,
        scale=scale,
        release=False,
        belief=belief,
        watch=watch.part(0.7, 1.0),
        store=store,
    )
    printed = said_by(other)
    return OtherLie(best.turn_deg, lie_words(best, printed), printed.needs_no_support, printed)

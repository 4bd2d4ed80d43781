"""The pipeline: file → part → layers → need → standing → support → cost → ``Plan``."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import both, on_cores, side_by_side
from falsework.cost import part_cost
from falsework.cost.cost import Cost
from falsework.droop.belief import Belief
from falsework.droop.laws import Laws
from falsework.errors import PartError, ProcessError
from falsework.layers import layer_boundaries, planar, stack_layers
from falsework.layers.stack import LayerStack
from falsework.memory import given_back
from falsework.need import need_map, with_support
from falsework.need.measured import MeasuredPart
from falsework.need.underside import NeedMap, UndersideKind
from falsework.objective import Price, printing_price
from falsework.orientation import Orientations
from falsework.orientation.body import face_normals
from falsework.orientation.value import Orientation
from falsework.part import place, read_part
from falsework.part.part import Part
from falsework.planning.price import price_of
from falsework.planning.value import (
    Inspection,
    LayerSummary,
    PartSummary,
    Plan,
    SparedUnderside,
    Sparing,
    Totals,
)
from falsework.planning.warnings import island_warnings, part_warnings, release_warnings, stance_warnings
from falsework.process.depends import Values, need_depends
from falsework.process.settings import Process
from falsework.release import Pulls, Remedy, judge_release
from falsework.release.remedies import DIRECTIONS, what_to_change
from falsework.request.context import Context
from falsework.request.marks import marked_faces
from falsework.request.standing import AUTO, Standing
from falsework.request.store import Store
from falsework.request.value import AS_IS, Placing, Request, Wish
from falsework.stance import Balance, Stance
from falsework.support.bulk import Bulk
from falsework.support.choosing import (
    NEGLIGIBLE_SHARE,
    alternatives,
    as_built,
    choose,
    chosen_instead,
    chosen_less,
    standing_figures,
    standing_warnings,
)
from falsework.support.generate import Supports, build_supports
from falsework.support.geometry import Cared, Geometry
from falsework.support.sparing import Spared, spared_faces
from falsework.support.standing import Choice, StandingFigures
from falsework.support.starts import obstacles_of, starts_of
from falsework.support.sweep import Swept, sweep_columns
from falsework.support.trying import unbuilt
from falsework.watch import Watch, heeding
from falsework.wording import figures
from falsework.wording.notices import HeldUpright, LayOtherwise, Notice, NotStanding

MOST_LAYERS = 20_000
WORTH_TRYING = 0.98  # of the best price found, below which another must be at best to be designed
MOST_STITCHED_SHARE = 0.9  # of its length: gaps as wide as that are not closed but guessed


def plan_for(
    request: Request, context: Context, *, release: bool = True, alone: bool = False, compared: bool = True
) -> Plan:
    """The plan of a request; ``release`` False: how its supports come off is not judged, which takes about as
    long as all the rest; nor is it, or where it is ``alone``, looked for another position of a part that does
    not stand. ``compared`` False: columns of other standings are taken at their word, for a plan whose table
    of standings nobody reads. See :func:`falsework.plan`.

    Raises
    ------
    PartError, ProcessError : the input cannot be planned; the message says why and what to do.

    Examples
    --------
    >>> import falsework
    >>> from falsework.part.demo import table
    >>> wish = falsework.Wish(falsework.load_process("pla-0.4"))
    >>> asked = falsework.Request(table(), falsework.Placing(), wish)
    >>> falsework.plan_for(asked, falsework.Context(), release=False).part.name
    'table'
    """
    with on_cores(context.cores), heeding(context.watch):
        return _planned(*_laid(request, context), release, release and not alone, compared)


def _planned(
    request: Request,
    lies: Orientations | None,
    context: Context,
    release: bool,
    otherwise: bool,
    compared: bool,
) -> Plan:
    watch = context.watch
    weighed = _weighed(request, context.part(0.0, 0.6))
    plan = replace(_supported(weighed, context, compared), lies=lies)
    given_back()
    falls = lies is None and plan.stance is not None and not plan.stance.stands
    another = None
    if otherwise and falls:
        silent = replace(context, watch=watch.silent())
        plan, another = both(
            partial(judged, plan, context.part(0.85, 1.0)), partial(_another, weighed.raw, request, silent)
        )
    else:
        plan = judged(plan, context.part(0.85, 1.0)) if release else _priced(plan)
    if another is not None:
        plan = replace(plan, otherwise=LayOtherwise(another.turn_deg))
    watch.at("done", 1.0)
    return plan


def _supported(weighed: _Weighed, context: Context, compared: bool) -> Plan:
    """The plan with its supports, not yet judged or priced; what they were made from is given back."""
    built = _upright(weighed, _built(weighed, weighed.choices, context), context)
    plan, built = _sound(weighed, built, context)
    return _with_standings(plan, built, weighed, compared, context.store)


def _another(raw: Part, request: Request, context: Context) -> Orientation | None:
    from falsework.planning.otherwise import position_that_stands  # which asks this module what stands

    return position_that_stands(sized_part(raw, request), request.wish, context)


@dataclass(frozen=True, eq=False)
class _Built:
    """Supports as they are built for given choices, how the part stands with them, and what is not built."""

    choices: tuple[Choice, ...]
    swept: Swept
    supports: Supports
    stance: Stance
    notes: tuple[Notice, ...] = ()


def _assembled(weighed: _Weighed, built: _Built, context: Context) -> Plan:
    """The plan of what is built, without release, price, and the other standings beside it."""
    wish, process = weighed.wish, weighed.process
    placed, summary, stack, need = weighed.placed, weighed.summary, weighed.stack, weighed.need
    spared, sparing = weighed.spared, _sparing(weighed)
    swept, scheme, stance = built.swept, built.supports.scheme, built.stance
    carried = {n for piece in scheme.pieces for n in piece.undersides}
    unmet = {
        c.underside: c.chosen
        for c in built.choices
        if c.chosen is not Standing.LEAVE and c.underside not in carried
    }
    obstacles = obstacles_of(need, unmet, swept.sections, stack.z_mm, process) if unmet else {}
    choices, bare = as_built(built.choices, need, carried, weighed.figures, obstacles)
    starts = starts_of(stack, need, scheme.strands, scheme.gap, process)
    return Plan(
        part=summary,
        process=process,
        weights=wish.weights,
        standing=wish.standing,
        limit_deg=process.limit_deg,
        reach_mm=process.reach_mm,
        layers=_layer_summary(stack, need),
        undersides=need.undersides,
        choices=choices,
        alternatives=(),
        gap=scheme.gap,
        gap_below=scheme.gap_below,
        pieces=scheme.pieces,
        part_cost=weighed.part_cost,
        support_cost=sum((p.cost for p in scheme.pieces), Cost()),
        warnings=(
            *part_warnings(placed, stack, process),
            *stance_warnings(stance),
            *standing_warnings(weighed.figures, need, choices, built=scheme.pieces),
            *island_warnings(starts),
            *bare,
            *scheme.notes,
            *built.notes,
        ),
        rests_on=context.belief.rests_on,
        sparing=sparing,
        starts=starts,
        stance=stance,
        geometry=Geometry(placed, stack, need, scheme, spared, _cared(weighed, context)),
    )


def _sound(weighed: _Weighed, built: _Built, context: Context) -> tuple[Plan, _Built]:
    """What is built, and its plan; where pieces of it fail their checks, the cheapest of that, of the same
    without them, and where the choice was free of what they carry left, or carried from elsewhere."""
    found = _with_firm(weighed, built, context)
    plan = found[0][0]
    weak = {number for piece in plan.pieces if piece.weak for number in piece.undersides}
    if weak and weighed.wish.standing == AUTO:
        enough = WORTH_TRYING * min(_price(one).total for one, _ in found)
        tried = _otherwise(weighed, built, weak)
        tried = [choices for choices in tried if _at_best(weighed, plan, built, choices, context) < enough]
        found += _tried(weighed, built, tried, context)
    return min(found, key=lambda one: _price(one[0]).total)


def _with_firm(weighed: _Weighed, built: _Built, context: Context) -> list[tuple[Plan, _Built]]:
    """What is built, and the same without what would not stand, with their plans."""
    return [(_assembled(weighed, one, context), one) for one in (built, *_firm(weighed, built))]


def _otherwise(weighed: _Weighed, built: _Built, weak: Collection[int]) -> list[tuple[Choice, ...]]:
    """The choices with the undersides ``weak``, by number, left or carried from elsewhere instead."""
    wish, undersides = weighed.wish, weighed.need.undersides

    def instead(choice: Choice, standing: Standing) -> Choice:
        underside = undersides[choice.underside - 1]
        asked = choice.underside in wish.overrules or choice.chosen is Standing.LEAVE
        falls = standing is Standing.LEAVE and underside.kind is UndersideKind.ISLAND
        if choice.underside not in weak or asked or falls:
            return choice
        return chosen_instead(choice, underside, standing)

    now = [choice.chosen for choice in built.choices]
    tried = [tuple(instead(choice, standing) for choice in built.choices) for standing in Standing]
    return [choices for choices in tried if [choice.chosen for choice in choices] != now]


def _at_best(
    weighed: _Weighed, plan: Plan, built: _Built, choices: tuple[Choice, ...], context: Context
) -> float:
    """What a plan with ``choices`` costs at least: as if all they carry were carried where the pieces of
    ``plan`` that would not stand are now, for nothing and firmly. Designing supports takes a hundred times as
    long as asking this."""
    if built.stance.topples:
        return 0.0  # others may hold the part upright
    firm = np.array([not piece.weak for piece in plan.pieces], dtype=bool)
    kept = replace(built, supports=built.supports.only(firm))
    # what was not built for other reasons is not built then either
    pairs = zip(plan.choices, built.choices, choices, strict=True)
    best = tuple(then if then.chosen is not now.chosen else made for made, now, then in pairs)
    return _price(replace(_assembled(weighed, kept, context), choices=best, starts=())).total


def _tried(
    weighed: _Weighed, built: _Built, tried: Sequence[tuple[Choice, ...]], context: Context
) -> list[tuple[Plan, _Built]]:
    """What is built with each of the choices instead, and without what of it would not stand."""
    beside = replace(context, watch=context.watch.part(0.85, 0.85).beside())

    def planned(choices: tuple[Choice, ...]) -> list[tuple[Plan, _Built]]:
        then = _without(built, choices, weighed)
        if then is None:
            then = _built(weighed, choices, beside)
        return _with_firm(weighed, then, context)

    return [one for some in side_by_side([partial(planned, choices) for choices in tried]) for one in some]


def _firm(weighed: _Weighed, built: _Built) -> list[_Built]:
    """What is built without pieces that would not stand: without those beneath what others carry too, and
    without all that no one asked for."""
    pieces = built.supports.scheme.pieces
    weak = np.array([piece.weak for piece in pieces], dtype=bool)
    if not weak.any():
        return []
    firm = {number for piece in pieces if not piece.weak for number in piece.undersides}
    wanted = {choice.underside for choice in built.choices if choice.chosen is not Standing.LEAVE}
    asked = wanted if weighed.wish.standing != AUTO else wanted & weighed.wish.overrules.keys()
    spare, free = (
        weak & [firm.issuperset(some.intersection(piece.undersides)) for piece in pieces]
        for some in (wanted, asked)
    )
    tried = (free,) if (spare == free).all() else (spare, free)
    return [_without_pieces(gone, weighed, built) for gone in tried if gone.any()]


def _without_pieces(gone: NDArray[np.bool_], weighed: _Weighed, built: _Built) -> _Built:
    """What is built without the pieces ``gone``, (pieces,), and what they would carry left."""
    made, undersides = built.supports.made, weighed.need.undersides
    piece, underside, area_mm2 = made.contacts
    wanted = np.array([choice.chosen is not Standing.LEAVE for choice in built.choices], dtype=bool)
    mine = gone[piece] & wanted[underside]
    lost_mm2 = np.bincount(underside[mine], weights=area_mm2[mine], minlength=len(undersides))
    kept = set(underside[~mine].tolist())

    def less(choice: Choice) -> Choice:
        k = choice.underside - 1
        if lost_mm2[k] == 0.0:
            return choice
        if k not in kept:
            return chosen_instead(choice, undersides[k], Standing.LEAVE)
        return chosen_less(choice, undersides[k], float(lost_mm2[k]), weighed.wish)

    supports = built.supports.only(~gone)
    numbers = tuple(undersides[k].number for k in np.flatnonzero(lost_mm2).tolist())
    note = NotStanding(int(gone.sum()), numbers, float(lost_mm2.sum()))
    stance = weighed.balance.stance(supports.scheme)
    return _Built(tuple(less(c) for c in built.choices), built.swept, supports, stance, (note,))


def _without(built: _Built, choices: tuple[Choice, ...], weighed: _Weighed) -> _Built | None:
    """What is built without the pieces beneath the undersides that stand otherwise in ``choices``, where
    nothing would be built beneath those; None where something would be, or a piece carries others too."""
    pairs = zip(built.choices, choices, strict=True)
    changed = {now.underside: then.chosen for now, then in pairs if now.chosen is not then.chosen}
    theirs = np.array([not changed.keys().isdisjoint(p.undersides) for p in built.supports.scheme.pieces])
    some = [p for p, its in zip(built.supports.scheme.pieces, theirs, strict=True) if its]
    if not some or not all(changed.keys() >= set(p.undersides) for p in some):
        return None
    if any(standing is not Standing.LEAVE for standing in changed.values()):
        alone = tuple(changed.get(choice.underside, Standing.LEAVE) for choice in choices)
        stack, need, process, spared = weighed.stack, weighed.need, weighed.process, weighed.spared
        swept = sweep_columns(stack, need, alone, process, spared=spared, bulk=built.swept.bulk)
        if build_supports(stack, need, alone, process, swept=swept).scheme.pieces:
            return None
    supports = built.supports.only(~theirs)
    return _Built(choices, built.swept, supports, weighed.balance.stance(supports.scheme))


def _with_standings(plan: Plan, built: _Built, weighed: _Weighed, compared: bool, store: Store) -> Plan:
    """The plan with what all standings would cost beside it: ``compared`` as ``plan_for`` has it."""
    need, spared, process, sparing = weighed.need, weighed.spared, plan.process, plan.sparing
    carried = {n for piece in plan.pieces for n in piece.undersides}
    missing: Collection[tuple[Standing, int]] = ()
    if compared:
        asked = tuple((c.chosen, *(option.contact_mm2 for option in c.options)) for c in built.choices)
        room = process.structure.side_gap_mm, process.structure.head_widths
        gaps = process.air_gap.layers, process.air_gap_below.layers
        missing = store.get(
            ("unbuilt", weighed.key, _key_of(spared), asked, tuple(sorted(carried)), room, gaps),
            lambda: unbuilt(built.choices, carried, weighed.stack, need, process, built.swept, spared),
        )
    own = printing_price(weighed.part_cost, process, plan.weights)
    whole = sparing.whole if sparing else ()
    return replace(plan, alternatives=alternatives(plan.choices, need, own, whole, missing))


def _built(weighed: _Weighed, choices: tuple[Choice, ...], context: Context) -> _Built:
    """Supports for the choices."""
    process, stack, need = weighed.process, weighed.stack, weighed.need
    spared, watch = weighed.spared, context.watch
    standings = tuple(c.chosen for c in choices)
    sides = process.structure.side_gap_mm, process.structure.head_widths
    bulk = context.store.get(("bulk", weighed.key), lambda: Bulk.of(stack, process))
    swept = context.store.get(
        ("swept", weighed.key, _key_of(spared), standings, sides),
        lambda: sweep_columns(
            stack, need, standings, process, watch=watch.part(0.6, 0.7), spared=spared, bulk=bulk
        ),
    )
    supports = context.store.get(
        ("supports", weighed.key, _key_of(spared), standings, repr(process)),
        lambda: build_supports(stack, need, standings, process, watch=watch.part(0.7, 0.85), swept=swept),
    )
    return _Built(choices, swept, supports, weighed.balance.stance(supports.scheme))


def _upright(weighed: _Weighed, built: _Built, context: Context) -> _Built:
    """With undersides carried that would be left, where the part falls over without and stands with them.

    Only where the choice was free: neither all standings nor these were asked for. Undersides that hold by
    themselves come last.
    """
    wish = weighed.wish
    if not built.stance.topples or wish.standing != AUTO:
        return built
    whole = weighed.spared.whole if weighed.spared is not None else np.zeros(len(built.choices), dtype=bool)
    idle = [
        c.underside
        for c in built.choices
        if c.chosen is Standing.LEAVE and c.underside not in wish.overrules and not whole[c.underside - 1]
    ]
    holds = {u.number for u in weighed.need.undersides if u.kind is UndersideKind.HOLDS}
    first = [number for number in idle if number not in holds]
    for tried in ([first] if first else []) + ([idle] if len(idle) > len(first) else []):
        carried = [c.chosen is not Standing.LEAVE or c.underside in tried for c in built.choices]
        if not weighed.balance.may_stand(np.array(carried, dtype=bool)):
            continue
        reason = HeldUpright(tuple(tried))
        choices = tuple(
            replace(c, chosen=Standing.BED, reason=reason) if c.underside in tried else c
            for c in built.choices
        )
        then = _built(weighed, choices, context)
        if not then.stance.topples:
            return then
    return built


def judged(plan: Plan, context: Context) -> Plan:
    """A plan made without release, with how its supports come off: equal to one made with it.

    ``plan`` must hold its geometry.
    """
    assert plan.geometry is not None and plan.release is None
    released = judge_release(plan.geometry, plan.process, context, Pulls(directions=DIRECTIONS))
    said = release_warnings(released, plan.pieces, plan.choices, plan.undersides)
    return _priced(replace(plan, release=released, warnings=(*plan.warnings, *said)))


def _priced(plan: Plan) -> Plan:
    """The plan with its price, which is also that of what was chosen in the table of standings."""
    price = _price(plan)
    *others, chosen = plan.alternatives
    scar_mm2 = math.fsum(piece.scar_mm2 for piece in plan.pieces)
    built = replace(chosen, cost=plan.support_cost, scar_mm2=scar_mm2, price=price)
    return replace(plan, price=price, alternatives=(*others, built))


def _price(plan: Plan) -> Price:
    assert plan.geometry is not None
    return price_of(plan, plan.geometry.cared)


def _cared(weighed: _Weighed, context: Context) -> Cared:
    """What of the part is cared for, by the marks of the wish."""
    wish = weighed.wish
    shares: tuple[float, ...] = ()
    if not wish.show.empty:
        raw, placed = weighed.raw, weighed.placed
        faces = marked_faces(raw, face_normals(raw.vertices, raw.faces)[0], wish.show)
        shown = context.store.get(
            ("shown", weighed.key, faces.tobytes()),
            lambda: spared_faces(placed, faces, weighed.stack, weighed.need),
        )
        shares = () if shown is None else tuple(shown.share.tolist())
    return Cared(shares, wish.load_axis)


def remedies(plan: Plan, context: Context) -> tuple[Remedy, ...]:
    """What to change so that all supports of a plan come off, best first; empty where all do.

    ``plan`` must hold its geometry and its release. Each change that is tried is built: see
    :func:`falsework.release.what_to_change`.
    """
    assert plan.geometry is not None and plan.release is not None
    standings = [choice.chosen for choice in plan.choices]
    return what_to_change(plan.geometry, plan.process, standings, plan.release, context)


def totals_for(request: Request, context: Context) -> Totals:
    """What every standing would cost, by columns, without building anything: see :func:`falsework.totals`."""
    request, _, context = _laid(request, context)
    with on_cores(context.cores), heeding(context.watch):
        weighed = _weighed(request, context)
    sparing = _sparing(weighed)
    own = printing_price(weighed.part_cost, request.wish.process, request.wish.weights)
    context.watch.at("done", 1.0)
    return Totals(
        choices=weighed.choices,
        alternatives=alternatives(weighed.choices, weighed.need, own, sparing.whole if sparing else ()),
        part_cost=weighed.part_cost,
        warnings=standing_warnings(weighed.figures, weighed.need, weighed.choices),
        sparing=sparing,
    )


def inspect_for(request: Request, context: Context) -> Inspection:
    """The health of a mesh and its need alone: of the wish only the process counts."""
    request, _, context = _laid(request, context)
    process, watch = request.wish.process, context.watch
    raw = raw_part(request, watch.part(0.0, 0.5))
    placed, summary = placed_part(raw, request.placing, request.wish.bed_mm, context.store)
    stack = _layers(placed, process, watch.part(0.5, 0.7), context.store)
    summary = _by_layers(summary, stack)
    with on_cores(context.cores), heeding(context.watch):
        need = _need(placed, stack, process, context.part(0.7, 1.0))
    watch.at("done", 1.0)
    return Inspection(
        part=summary,
        process=process,
        limit_deg=process.limit_deg,
        reach_mm=process.reach_mm,
        layers=_layer_summary(stack, need),
        undersides=need.undersides,
        warnings=part_warnings(placed, stack, process),
        rests_on=context.belief.rests_on,
        ground=MeasuredPart(placed, stack, need),
    )


def raw_part(request: Request, watch: Watch) -> Part:
    """The part as its file has it."""
    part = request.part
    if isinstance(part, Part):
        return part
    placing = request.placing
    return read_part(part, unit=placing.unit, scaled_later=placing.scale, watch=watch)


def _laid(request: Request, context: Context) -> tuple[Request, Orientations | None, Context]:
    """The request with the part turned as is best, where that is asked for; what was found; and the context
    for what is left to do."""
    if request.placing.lie == AS_IS:
        return request, None, context
    raw = raw_part(request, context.watch.part(0.0, 0.1))
    lies = _orientations(raw, request, context.part(0.1, 0.4))
    return replace(request.turned(lies.recommended.turn_deg), part=raw), lies, context.part(0.4, 1.0)


def sized_part(raw: Part, request: Request) -> Part:
    """The part as its file has it, in the size that is asked for."""
    scale = request.placing.scale
    return raw if scale == 1.0 else place(raw, scale=scale, bed_mm=request.wish.bed_mm)


def _orientations(raw: Part, request: Request, context: Context) -> Orientations:
    from falsework.planning.orienting import orientations_for  # which plans each of them

    wish, sized = request.wish.of_orientations, sized_part(raw, request)
    named = {*wish.show.face_sets, *wish.spare.face_sets} & raw.face_sets.keys()
    sets = tuple((name, raw.face_sets[name].tobytes()) for name in sorted(named))
    return context.store.get(
        ("lies", sized.digest, repr(wish), sets), lambda: orientations_for(sized, wish, context)
    )


@dataclass(frozen=True, eq=False)
class _Measured:
    """A part on the bed, its layers and its undersides; ``key`` names what its columns depend on."""

    raw: Part
    placed: Part
    summary: PartSummary
    stack: LayerStack
    need: NeedMap
    wish: Wish
    belief: Belief

    @property
    def process(self) -> Process:
        return self.wish.process

    @property
    def key(self) -> tuple[str, Values, Belief]:
        return self.placed.digest, need_depends(self.process), self.belief


def _measured(request: Request, context: Context) -> _Measured:
    wish, watch, store = request.wish, context.watch, context.store
    raw = raw_part(request, watch.part(0.0, 0.4))
    placed, summary = placed_part(raw, request.placing, wish.bed_mm, store)
    stack = _layers(placed, wish.process, watch.part(0.4, 0.6), store)
    summary = _by_layers(summary, stack)
    need = _need(placed, stack, wish.process, context.part(0.6, 1.0))
    return _Measured(raw, placed, summary, stack, need, wish, context.belief)


def _own_cost(measured: _Measured, store: Store) -> Cost:
    key = "cost", measured.placed.digest, repr(measured.process.with_usual_structure())
    return store.get(key, lambda: part_cost(measured.stack, measured.process)[0])


def stands_alone(request: Request, context: Context) -> bool:
    """Whether the part stands as it is placed, whatever supports carry it or none."""
    wish, store = request.wish, context.store
    process = wish.process
    placed, _ = placed_part(raw_part(request, context.watch), request.placing, wish.bed_mm, store)
    with on_cores(context.cores), heeding(context.watch):
        stack = _layers(placed, process, context.watch, store)
        volume_mm3 = float(stack.areas_mm2 @ stack.heights_mm)
        nothing = NeedMap.nothing(process.reach_mm, process.limit_deg)

        def share() -> float:
            return part_cost(stack, process)[0].volume_mm3 / max(volume_mm3, 1e-9)

        return Balance(stack, nothing, volume_mm3, process).stands_filled(process.fill, share)


@dataclass(frozen=True, eq=False)
class _Weighed(_Measured):
    """Everything up to the choice of standings."""

    part_cost: Cost
    spared: Spared | None
    figures: StandingFigures
    choices: tuple[Choice, ...]

    @cached_property
    def balance(self) -> Balance:
        """The part against what it stands on."""
        return Balance(self.stack, self.need, self.part_cost.volume_mm3, self.process)


def _weighed(request: Request, context: Context) -> _Weighed:
    """The choice of standings for every underside, and what it rests on."""
    wish, watch, store = request.wish, context.watch, context.store
    m, process = _measured(request, context.part(0.0, 0.83)), wish.process
    _check_numbers(wish.overrules, m.need)
    watch.at("cost of the part", 0.83)
    own_cost = _own_cost(m, store)
    spared = None
    if not wish.spare.empty:
        # where the faces marked on the part as it lies in its file have come to lie in its layers
        normals = face_normals(m.raw.vertices, m.raw.faces)[0]
        faces = marked_faces(m.raw, normals, wish.spare, "faces supports must not touch")
        spared = store.get(
            ("spared", m.key, faces.tobytes()), lambda: spared_faces(m.placed, faces, m.stack, m.need)
        )
    figures = store.get(
        ("columns", m.key, _key_of(spared), process.head_reach_mm),
        lambda: standing_figures(m.stack, m.need, process, spared=spared, watch=watch.part(0.87, 1.0)),
    )
    choices = choose(figures, m.need, wish, own_cost)
    return _Weighed(**vars(m), part_cost=own_cost, spared=spared, figures=figures, choices=choices)


def _check_numbers(overrules: Mapping[int, Standing], need: NeedMap) -> None:
    """ProcessError where one is set by a number that no underside has."""
    known = len(need.undersides)
    wrong = [number for number in overrules if number > known]
    if wrong:
        raise ProcessError(
            f"underside {wrong[0]}", f"the part has {known} undersides", "Use a number from the table"
        )


def _key_of(spared: Spared | None) -> str:
    return spared.key if spared else ""


def _sparing(weighed: _Weighed) -> Sparing | None:
    """What is spared, as the plan tells it."""
    spared, figures = weighed.spared, weighed.figures.spared
    if spared is None or figures is None:
        return None
    area_mm2 = weighed.figures.area_mm2
    own_mm2 = np.where(spared.whole, spared.share * area_mm2, figures.own_mm2)
    asks = np.array([u.kind is not UndersideKind.HOLDS for u in weighed.need.undersides], dtype=bool)
    asks &= spared.whole | (own_mm2 + figures.landing_mm2 > NEGLIGIBLE_SHARE * area_mm2)
    edges = np.flatnonzero(np.diff(spared.faces.astype(np.int8), prepend=0, append=0)).tolist()
    return Sparing(
        area_mm2=spared.area_mm2,
        undersides=tuple(
            SparedUnderside(
                number=k + 1,
                whole=bool(spared.whole[k]),
                own_mm2=float(own_mm2[k]),
                landing_mm2=float(figures.landing_mm2[k]),
            )
            for k in np.flatnonzero(asks).tolist()
        ),
        faces=tuple(zip(edges[::2], edges[1::2], strict=True)),
    )


def placed_part(
    raw: Part, placing: Placing, bed_mm: tuple[float, float], store: Store
) -> tuple[Part, PartSummary]:
    """The part as it lies on the bed, and its summary."""
    turn_deg, scale = placing.turn_deg, placing.scale
    placed = store.get(
        ("place", raw.digest, turn_deg, scale, bed_mm),
        lambda: place(raw, turn_deg=turn_deg, scale=scale, bed_mm=bed_mm),
    )
    if placed.face_sets is not raw.face_sets:  # kept of the same mesh with other faces marked
        placed = replace(placed, face_sets=raw.face_sets)
    health = placed.health
    summary = PartSummary(
        name=placed.name,
        digest=placed.digest,
        triangles=len(placed.faces),
        size_mm=(float(placed.size_mm[0]), float(placed.size_mm[1]), float(placed.size_mm[2])),
        volume_mm3=placed.volume_mm3,
        bodies=health.bodies,
        closed=health.closed,
        unit=raw.unit,
        scale=scale,
        turn_deg=turn_deg,
        findings=health.findings,
    )
    return placed, summary


def _by_layers(summary: PartSummary, stack: LayerStack) -> PartSummary:
    """An open mesh encloses no volume: what is printed of it does. ``PartError`` for what is no solid."""
    if summary.closed:
        return summary
    longest = max(summary.size_mm[:2])
    if stack.volume_mm3 <= 0.0:
        wrong = "it is no solid: none of its layers encloses anything"
        raise PartError(summary.name, wrong, "Export a closed surface mesh")
    if stack.widest_stitch_mm > MOST_STITCHED_SHARE * longest:
        gap, across = figures.length(stack.widest_stitch_mm), figures.length(longest)
        raise PartError(
            summary.name,
            f"it is no solid: in its layers gaps of {gap} would have to be bridged, and it is {across} long",
            "Export a closed surface mesh",
        )
    return replace(summary, volume_mm3=stack.volume_mm3)


def _layers(part: Part, process: Process, watch: Watch, store: Store) -> LayerStack:
    z_mm = layer_boundaries(float(part.size_mm[2]), process.first_layer_height_mm, process.layer_height_mm)
    count = len(z_mm) - 1
    if count > MOST_LAYERS:
        height = figures.given_unit(process.layer_height_mm, "mm")
        raise PartError(
            part.name,
            f"would take {figures.counted(count, 'layer')} of {height}; the most is {MOST_LAYERS}",
            "Check its unit (--unit) or scale, or use thicker layers",
        )
    key = ("layers", part.digest, process.first_layer_height_mm, process.layer_height_mm)
    return store.get(key, lambda: stack_layers(part, z_mm, watch=watch))


def _need(part: Part, stack: LayerStack, process: Process, context: Context) -> NeedMap:
    # The need itself does not depend on how supports are built; only the droop onto them does.
    bare, belief = process.with_usual_structure(), context.belief
    need = context.store.get(
        ("need", part.digest, need_depends(bare), belief),
        lambda: need_map(stack, Laws(bare, belief), watch=context.watch),
    )
    return need if process.structure == bare.structure else with_support(need, Laws(process, belief))


def _layer_summary(stack: LayerStack, need: NeedMap) -> LayerSummary:
    counts = np.array([u.kind is not UndersideKind.HOLDS for u in need.undersides], dtype=bool)
    listed = counts[need.region_underside] if len(need.regions) else np.zeros(0, dtype=bool)
    need_mm2 = np.bincount(
        need.region_layer[listed], weights=planar.area(need.regions[listed]), minlength=stack.count
    ).astype(np.float64)  # of nothing at all it counts in whole numbers
    return LayerSummary(
        count=stack.count,
        z_mm=tuple(stack.z_mm.tolist()),
        area_mm2=tuple(stack.areas_mm2.tolist()),
        need_mm2=tuple(need_mm2.tolist()),
        widest_stitch_mm=stack.widest_stitch_mm,
        stitched=len(stack.stitched_layers),
    )

"""The pipeline: file → part → layers → need → standing → support → cost → ``Plan``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from falsework.cost import part_cost
from falsework.cost.cost import Cost
from falsework.droop import PRIOR, Belief
from falsework.errors import PartError, ProcessError
from falsework.layers import layer_boundaries, stack_layers
from falsework.layers.stack import LayerStack
from falsework.layers.thin import thin_walls
from falsework.lie import Lies, MarkedFaces, best_lies
from falsework.lie.body import face_normals
from falsework.lie.marks import Vector, marked_faces
from falsework.need import need_map, with_support
from falsework.need.underside import Kind, NeedMap
from falsework.part import fits, place, read_part
from falsework.part.part import Part
from falsework.planning.store import Store
from falsework.planning.value import (
    Geometry,
    Ground,
    Inspection,
    LayerSummary,
    PartSummary,
    Plan,
    SparedUnderside,
    Sparing,
    Totals,
)
from falsework.process import limit_deg, load_process, reach_mm
from falsework.process.settings import Process, Structure
from falsework.release import Release, Remedy, State, judge_release
from falsework.release.remedies import DIRECTIONS, what_to_change
from falsework.support.choosing import (
    EQUAL,
    NEGLIGIBLE_SHARE,
    alternatives,
    as_built,
    choose,
    standing_figures,
    standing_warnings,
)
from falsework.support.generate import build_scheme
from falsework.support.scheme import Standing
from falsework.support.sparing import Spared, spared_faces
from falsework.support.standing import Choice, StandingFigures, Weights
from falsework.support.sweep import sweep_columns
from falsework.watch import QUIET, Watch
from falsework.wording import figures
from falsework.wording.figures import numbered

MOST_LAYERS = 20_000
THIN_SHARE = 0.01  # of a part narrower than a line, from which on it is said


def plan(
    part: Part | str | Path,
    process: Process | str | Path = "pla-0.4",
    *,
    standing: str = "auto",
    weights: Weights = EQUAL,
    overrules: Mapping[int, Standing] | None = None,
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    lie: str = "as-is",
    show: MarkedFaces | None = None,
    load_axis: Vector | str | None = None,
    spare: MarkedFaces | None = None,
    scale: float = 1.0,
    unit: str | None = None,
    release: bool = True,
    belief: Belief = PRIOR,
    watch: Watch = QUIET,
    store: Store | None = None,
) -> Plan:
    """Plan one part: what it needs, where supports stand, how they are built, what it all costs.

    Parameters
    ----------
    part : a ``Part`` or the path of a mesh file.
    process : a ``Process``, the name of a built-in one, or the path of a TOML file.
    standing : 'none', 'bed', 'anywhere', or 'auto' to choose for each underside by ``weights``.
    overrules : standings that the user sets by underside number, whatever ``standing`` says.
    turn_deg : rotation about x, then y, then z; the part is then put on the bed, centred.
    lie : 'as-is', or 'auto' to search for the best way to lay the part down and turn it so; then ``turn_deg``
        is not to be given, and ``lies`` of the plan holds what was found. ``show`` (faces to keep clean) and
        ``load_axis`` matter to that search alone: see :func:`falsework.best_lies`.
    spare : faces that no support may touch, in the part's own frame: none stands on them, and undersides on
        them are left, those that lie on them altogether unless ``overrules`` says otherwise.
    scale, unit : factor on the size; unit of a file that carries none ('mm', 'inch', …).
    release : whether to judge how the supports come off; that takes about as long as all the rest.
    belief : parameters of the droop model.
    watch : progress and cancel. store : keeps results of steps, so that a second plan repeats only
        what a changed setting touches.

    Raises
    ------
    PartError, ProcessError : the input cannot be planned; the message says why and what to do.
    """
    store, spare = store or Store(), spare or MarkedFaces()
    settled = _process(process)
    if standing not in (*Standing, "auto"):
        raise ProcessError("standing", f"{standing!r} is unknown", "Use none, bed, anywhere or auto")
    lies = None
    if lie == "auto":
        if any(turn_deg):
            raise ProcessError("lie", "the part cannot be turned as asked and as is best", "Give one of them")
        raw = part if isinstance(part, Part) else read_part(part, unit=unit, watch=watch.part(0.0, 0.1))
        keep = show or MarkedFaces()
        lies = _lies(raw, settled, keep, spare, load_axis, weights, scale, watch.part(0.1, 0.4), store)
        part, turn_deg = raw, lies.recommended.turn_deg
        watch = watch.part(0.4, 1.0)
    elif lie != "as-is":
        raise ProcessError("lie", f"{lie!r} is unknown", "Use as-is or auto")
    weighed = _weighed(
        part,
        settled,
        standing,
        weights,
        overrules,
        spare,
        turn_deg,
        scale,
        unit,
        belief,
        watch.part(0.0, 0.6),
        store,
    )
    placed, summary, stack, need = weighed.placed, weighed.summary, weighed.stack, weighed.need
    spared, sparing = weighed.spared, _sparing(weighed)
    standings = tuple(c.chosen for c in weighed.choices)
    swept = store.get(
        ("swept", weighed.key, _key_of(spared), standings, settled.structure.side_gap_mm),
        lambda: sweep_columns(stack, need, standings, settled, watch=watch.part(0.6, 0.7), spared=spared),
    )
    scheme = build_scheme(stack, need, standings, settled, watch=watch.part(0.7, 0.85), swept=swept)
    carried = {n for piece in scheme.pieces for n in piece.undersides}
    choices, bare = as_built(weighed.choices, need, carried, weighed.figures)
    result = Plan(
        part=summary,
        process=settled,
        weights=weights,
        standing=standing,
        limit_deg=limit_deg(settled),
        reach_mm=reach_mm(settled),
        layers=_layer_summary(stack, need),
        undersides=need.undersides,
        choices=choices,
        alternatives=alternatives(choices, need, sparing.whole if sparing else ()),
        gap=scheme.gap,
        gap_below=scheme.gap_below,
        pieces=scheme.pieces,
        part_cost=weighed.part_cost,
        support_cost=sum((p.cost for p in scheme.pieces), Cost()),
        warnings=(
            *_part_warnings(placed, stack, settled),
            *standing_warnings(weighed.figures, need, choices),
            *bare,
            *scheme.notes,
        ),
        rests_on=belief.rests_on,
        lies=lies,
        sparing=sparing,
        geometry=Geometry(placed, stack, need, scheme, spared),
    )
    if release:
        result = judged(result, belief=belief, watch=watch.part(0.85, 1.0))
    watch.at("done", 1.0)
    return result


def judged(plan: Plan, *, belief: Belief = PRIOR, watch: Watch = QUIET) -> Plan:
    """A plan made without release, with how its supports come off: equal to one made with it.

    ``plan`` must hold its geometry.
    """
    assert plan.geometry is not None and plan.release is None
    at_hand = plan.geometry
    released = judge_release(
        at_hand.part,
        at_hand.stack,
        at_hand.need,
        at_hand.scheme,
        plan.process,
        belief=belief,
        directions=DIRECTIONS,
        watch=watch,
    )
    return replace(plan, release=released, warnings=(*plan.warnings, *_release_warnings(released)))


def remedies(plan: Plan, *, belief: Belief = PRIOR, watch: Watch = QUIET) -> tuple[Remedy, ...]:
    """What to change so that all supports of a plan come off, best first; empty where all do.

    ``plan`` must hold its geometry and its release. Each change that is tried is built: see
    :func:`falsework.release.what_to_change`.
    """
    assert plan.geometry is not None and plan.release is not None
    at_hand = plan.geometry
    return what_to_change(
        at_hand.part,
        at_hand.stack,
        at_hand.need,
        at_hand.scheme,
        [choice.chosen for choice in plan.choices],
        plan.process,
        plan.release,
        belief=belief,
        spared=at_hand.spared,
        watch=watch,
    )


def totals(
    part: Part | str | Path,
    process: Process | str | Path = "pla-0.4",
    *,
    standing: str = "auto",
    weights: Weights = EQUAL,
    overrules: Mapping[int, Standing] | None = None,
    spare: MarkedFaces | None = None,
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    scale: float = 1.0,
    unit: str | None = None,
    belief: Belief = PRIOR,
    watch: Watch = QUIET,
    store: Store | None = None,
) -> Totals:
    """What every standing would cost, by columns, without building anything; as in :func:`plan`.

    With a ``store`` that has seen the part, this takes a moment whatever the standings.
    """
    weighed = _weighed(
        part,
        _process(process),
        standing,
        weights,
        overrules,
        spare or MarkedFaces(),
        turn_deg,
        scale,
        unit,
        belief,
        watch,
        store or Store(),
    )
    sparing = _sparing(weighed)
    watch.at("done", 1.0)
    return Totals(
        choices=weighed.choices,
        alternatives=alternatives(weighed.choices, weighed.need, sparing.whole if sparing else ()),
        part_cost=weighed.part_cost,
        warnings=standing_warnings(weighed.figures, weighed.need, weighed.choices),
        sparing=sparing,
    )


@dataclass(frozen=True, eq=False)
class _Weighed:
    """Everything up to the choice of standings; ``key`` names what the part's columns depend on."""

    placed: Part
    summary: PartSummary
    stack: LayerStack
    need: NeedMap
    key: tuple[str, str]
    part_cost: Cost
    spared: Spared | None
    figures: StandingFigures
    choices: tuple[Choice, ...]


def _weighed(
    part: Part | str | Path,
    process: Process,
    standing: str,
    weights: Weights,
    overrules: Mapping[int, Standing] | None,
    spare: MarkedFaces,
    turn_deg: tuple[float, float, float],
    scale: float,
    unit: str | None,
    belief: Belief,
    watch: Watch,
    store: Store,
) -> _Weighed:
    """The choice of standings for every underside, and what it rests on."""
    if standing not in (*Standing, "auto"):
        raise ProcessError("standing", f"{standing!r} is unknown", "Use none, bed, anywhere or auto")
    raw = part if isinstance(part, Part) else read_part(part, unit=unit, watch=watch.part(0.0, 0.33))
    placed, summary = placed_part(raw, process, turn_deg, scale, unit, watch, store)
    stack = _layers(placed, process, watch.part(0.33, 0.5), store)
    need = _need(placed, stack, process, belief, watch.part(0.5, 0.83), store)
    known = set(range(1, len(need.undersides) + 1))
    overrules = overrules or {}
    if overrules.keys() - known:
        wrong = min(overrules.keys() - known)
        raise ProcessError(
            f"underside {wrong}", f"the part has {len(known)} undersides", "Use a number from the table"
        )
    key = (placed.digest, repr(replace(process, structure=Structure())))
    watch.at("cost of the part", 0.83)
    own_cost = store.get(("cost", key), lambda: part_cost(stack, process)[0])
    spared = None if spare.empty else _spared(raw, spare, placed, stack, need, key, store)
    figures = store.get(
        ("columns", key, _key_of(spared)),
        lambda: standing_figures(stack, need, process, spared=spared, watch=watch.part(0.87, 1.0)),
    )
    choices = choose(
        figures, need, process, own_cost, standing=standing, weights=weights, overrules=overrules
    )
    return _Weighed(placed, summary, stack, need, key, own_cost, spared, figures, choices)


def _spared(
    raw: Part,
    spare: MarkedFaces,
    placed: Part,
    stack: LayerStack,
    need: NeedMap,
    key: tuple[str, str],
    store: Store,
) -> Spared | None:
    """Where the faces marked on the part as it lies in its file have come to lie in its layers."""
    faces = marked_faces(raw, face_normals(raw.vertices, raw.faces)[0], spare, "faces to spare")
    return store.get(("spared", key, faces.tobytes()), lambda: spared_faces(placed, faces, stack, need))


def _key_of(spared: Spared | None) -> str:
    return spared.key if spared else ""


def _sparing(weighed: _Weighed) -> Sparing | None:
    """What is spared, as the plan tells it."""
    spared, figures = weighed.spared, weighed.figures.spared
    if spared is None or figures is None:
        return None
    area_mm2 = weighed.figures.area_mm2
    own_mm2 = np.where(spared.whole, spared.share * area_mm2, figures.own_mm2)
    asks = np.array([u.kind is not Kind.HOLDS for u in weighed.need.undersides], dtype=bool)
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


def inspect(
    part: Part | str | Path,
    process: Process | str | Path = "pla-0.4",
    *,
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    scale: float = 1.0,
    unit: str | None = None,
    belief: Belief = PRIOR,
    watch: Watch = QUIET,
    store: Store | None = None,
) -> Inspection:
    """The health of a mesh and its need alone; parameters and errors as in :func:`plan`."""
    store = store or Store()
    settled = _process(process)
    placed, summary = placed_part(part, settled, turn_deg, scale, unit, watch.part(0.0, 0.5), store)
    stack = _layers(placed, settled, watch.part(0.5, 0.7), store)
    need = _need(placed, stack, settled, belief, watch.part(0.7, 1.0), store)
    watch.at("done", 1.0)
    return Inspection(
        part=summary,
        process=settled,
        limit_deg=limit_deg(settled),
        reach_mm=reach_mm(settled),
        layers=_layer_summary(stack, need),
        undersides=need.undersides,
        warnings=_part_warnings(placed, stack, settled),
        rests_on=belief.rests_on,
        ground=Ground(placed, stack, need),
    )


def _lies(
    raw: Part,
    process: Process,
    show: MarkedFaces,
    spare: MarkedFaces,
    load_axis: Vector | str | None,
    weights: Weights,
    scale: float,
    watch: Watch,
    store: Store,
) -> Lies:
    bed_mm = (process.printer.build_width_mm, process.printer.build_depth_mm)
    sized = raw if scale == 1.0 else place(raw, scale=scale, bed_mm=bed_mm)
    named = {*show.face_sets, *spare.face_sets} & raw.face_sets.keys()
    sets = tuple((name, raw.face_sets[name].tobytes()) for name in sorted(named))
    return store.get(
        ("lies", sized.digest, repr((process, show, spare, load_axis, weights)), sets),
        lambda: best_lies(
            sized, process, show=show, spare=spare, load_axis=load_axis, weights=weights, watch=watch
        ),
    )


def _process(process: Process | str | Path) -> Process:
    return process if isinstance(process, Process) else load_process(process)


def placed_part(
    part: Part | str | Path,
    process: Process,
    turn_deg: tuple[float, float, float],
    scale: float,
    unit: str | None,
    watch: Watch,
    store: Store,
) -> tuple[Part, PartSummary]:
    """The part as it lies on the bed, and its summary; parameters and errors as in :func:`plan`."""
    raw = part if isinstance(part, Part) else read_part(part, unit=unit, watch=watch)
    bed_mm = (process.printer.build_width_mm, process.printer.build_depth_mm)
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


def _need(
    part: Part, stack: LayerStack, process: Process, belief: Belief, watch: Watch, store: Store
) -> NeedMap:
    # The need itself does not depend on how supports are built; only the droop onto them does.
    bare = replace(process, structure=Structure())
    need = store.get(
        ("need", part.digest, repr(bare), belief), lambda: need_map(stack, bare, belief, watch=watch)
    )
    return need if process.structure == bare.structure else with_support(need, process, belief)


def _layer_summary(stack: LayerStack, need: NeedMap) -> LayerSummary:
    counts = np.array([u.kind is not Kind.HOLDS for u in need.undersides], dtype=bool)
    listed = counts[need.region_underside] if len(need.regions) else np.zeros(0, dtype=bool)
    need_mm2 = np.bincount(
        need.region_layer[listed], weights=shapely.area(need.regions[listed]), minlength=stack.count
    ).astype(np.float64)  # of nothing at all it counts in whole numbers
    return LayerSummary(
        count=stack.count,
        z_mm=tuple(stack.z_mm.tolist()),
        area_mm2=tuple(stack.areas_mm2.tolist()),
        need_mm2=tuple(need_mm2.tolist()),
        widest_stitch_mm=stack.widest_stitch_mm,
        stitched=len(stack.stitched_layers),
    )


def _part_warnings(part: Part, stack: LayerStack, process: Process) -> tuple[str, ...]:
    printer = process.printer
    build_mm = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    warnings = list(fits(part, build_mm))
    for finding in part.health.findings:
        if finding.serious:
            where = "" if finding.where_mm is None else f" near {figures.place(finding.where_mm)}"
            count = f"{finding.count} × " if finding.count > 1 else ""
            warnings.append(f"{count}{finding.what}{where}: {finding.done or 'left as it is'}")
    if len(stack.stitched_layers):
        first = stack.middles_mm[stack.stitched_layers[0]]
        warnings.append(
            f"the mesh is open: {len(stack.stitched_layers)} of {stack.count} layers were closed by bridging "
            f"gaps of up to {figures.length(stack.widest_stitch_mm)}, the first at z "
            f"{figures.with_unit(first, 'mm', 1)}"
        )
    thin = thin_walls(stack, process.line_width_mm)
    if thin.share >= THIN_SHARE:
        warnings.append(
            f"about {figures.share(thin.share)} of the part is narrower than a line "
            f"({figures.given_unit(process.line_width_mm, 'mm')}) and may not be printed, "
            f"first near {figures.place(thin.where_mm)}"
        )
    return tuple(warnings)


def _release_warnings(release: Release) -> tuple[str, ...]:
    """What of the supports will stay in the part or may take some of it along."""
    warnings = []
    for state, one, many in (
        (
            State.TRAPPED,
            "is trapped in the part: it never comes out",
            "are trapped in the part: they never come out",
        ),
        (State.DIG, "must be dug out, and some of it may stay", "must be dug out, and some of them may stay"),
    ):
        found = [piece.number for piece in release.pieces if piece.state is state]
        if found:
            warnings.append(f"{numbered('piece', found)} of the support {one if len(found) == 1 else many}")
    torn = [piece.number for piece in release.pieces if piece.tears]
    if torn:
        them = "it is" if len(torn) == 1 else "they are"
        warnings.append(f"{numbered('piece', torn)} of the support may tear the part when {them} taken off")
    return tuple(warnings)

"""What to change when supports will not come off: every change built, judged again, and ranked by what
it brings."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from falsework.cost.cost import Cost
from falsework.droop.laws import Laws
from falsework.kernels.column.intervals import BED_VOLUME, PART_VOLUME
from falsework.layers import layer_boundaries, stack_layers
from falsework.need.needmap import need_map, with_support
from falsework.need.underside import NeedMap, UndersideKind
from falsework.orientation.body import body_of
from falsework.orientation.search import judge_of
from falsework.part.part import Part
from falsework.part.placing import place, turn_matrix
from falsework.process.settings import Process, Structure
from falsework.release.judge import judge_release
from falsework.release.value import Pulls, Release, ReleaseState, Remedy, RemedyTakes
from falsework.request.context import Context
from falsework.request.standing import Standing
from falsework.request.value import Turn
from falsework.request.weights import Weights
from falsework.support.generate import build_scheme
from falsework.support.geometry import Geometry
from falsework.support.scheme import SupportScheme
from falsework.support.sparing import spared_faces
from falsework.watch import QUIET
from falsework.wording import figures

DIRECTIONS = 250  # for judging a change
TURNS_DEG = ((180.0, 0.0, 0.0), (90.0, 0.0, 0.0), (-90.0, 0.0, 0.0), (0.0, 90.0, 0.0), (0.0, -90.0, 0.0))
TURNS_BUILT = 2  # of these, those with the least air above the part are built
_GRID = 96  # columns each way when turns are compared


@dataclass(frozen=True, eq=False)
class _Trial:
    """One state of things: what is printed and how its supports come off."""

    planned: Geometry
    standings: Sequence[Standing]
    release: Release

    @property
    def need(self) -> NeedMap:
        return self.planned.need

    @property
    def scheme(self) -> SupportScheme:
        return self.planned.scheme

    @property
    def pulls(self) -> Pulls:
        """How a change of it is judged."""
        return Pulls(self.release.tool, DIRECTIONS)

    @property
    def failing_mm2(self) -> float:
        return sum((piece.contact_mm2 for piece in self.release.failing), 0.0)

    @property
    def trapped(self) -> int:
        return sum(piece.state is ReleaseState.TRAPPED for piece in self.release.pieces)

    @property
    def strands(self) -> int:
        return sum(cut.strands for piece in self.release.pieces for cut in piece.cuts)

    @property
    def left_mm2(self) -> float:
        """Undersides that ask for support, less what the supports carry."""
        asked = sum(u.area_mm2 for u in self.need.undersides if u.kind is not UndersideKind.HOLDS)
        return max(0.0, asked - sum(piece.contact_mm2 for piece in self.scheme.pieces))

    @property
    def droop_mm(self) -> float:
        """The worst droop: onto its support of what is carried, of the bare underside of what is left."""
        carried = {number for piece in self.scheme.pieces for number in piece.undersides}
        asking = (u for u in self.need.undersides if u.kind is not UndersideKind.HOLDS)
        return max(
            ((u.supported_droop_mm if u.number in carried else u.droop_mm).value for u in asking), default=0.0
        )

    @property
    def price(self) -> float:
        return sum((piece.cost for piece in self.scheme.pieces), Cost()).price


def what_to_change(
    planned: Geometry,
    process: Process,
    standings: Sequence[Standing],
    release: Release,
    context: Context,
    turns_deg: Sequence[Turn] = TURNS_DEG,
) -> tuple[Remedy, ...]:
    """Changes that help, best first; empty where nothing fails. Each costs a build, a turn a whole plan.

    ``standings`` are those of the undersides, as built; ``turns_deg`` (about x, then y, then z,
    from how the part lies now) are compared by columns, and the ``TURNS_BUILT`` best are planned with the
    same standings allowed. No change touches spared faces.

    A split is not built again: its blocks' ways out are those of the cuts. Judged
    with ``DIRECTIONS`` directions.
    """
    if not release.failing:
        return ()
    now = _Trial(planned, standings, release)
    trials = _trials(now, process, context, turns_deg)
    remedies = []
    split = _split(now)
    if split is not None:
        remedies.append(split)
    for number, (change, make, takes) in enumerate(trials):
        context.watch.at(f"trying: {change}", number / len(trials))
        then = make()
        if _better(now, then):
            remedies.append(_remedy(change, now, then, takes))
    context.watch.at("remedies ranked", 1.0)
    return tuple(sorted(remedies, key=rank))


def rank(remedy: Remedy) -> tuple[float, ...]:
    """Least first: trapped pieces, area that fails or loses its support, strands to sever, price."""
    lost_mm2 = max(0.0, remedy.left_mm2[1] - remedy.left_mm2[0])
    harm_mm2 = round(remedy.failing_mm2[1] + lost_mm2)
    return (remedy.trapped[1], harm_mm2, remedy.strands[1], round(remedy.price[1], 4))


MakeTrial = Callable[[], _Trial]


def _trials(
    now: _Trial, process: Process, context: Context, turns_deg: Sequence[Turn]
) -> list[tuple[str, MakeTrial, RemedyTakes]]:
    """Changes that apply, in words, how each is tried, and what to set for it."""
    part, quiet = now.planned.part, replace(context, watch=QUIET)
    structure, failing = process.structure, now.release.failing

    def rebuilt(changed: Process, standings: Sequence[Standing]) -> _Trial:
        stack, spared = now.planned.stack, now.planned.spared
        need = with_support(now.need, Laws(changed, context.belief))
        scheme = build_scheme(stack, need, standings, changed, spared=spared)
        then = Geometry(part, stack, need, scheme, spared)
        return _Trial(then, standings, judge_release(then, changed, quiet, now.pulls))

    def add(change: str, changed: Structure) -> None:
        make = functools.partial(rebuilt, replace(process, structure=changed), now.standings)
        trials.append((change, make, RemedyTakes(settings=_settings(structure, changed))))

    trials: list[tuple[str, MakeTrial, RemedyTakes]] = []
    pieces = {piece.number: piece for piece in now.scheme.pieces}
    on_part = {n for f in failing if pieces[f.number].scar_mm2 > 0 for n in pieces[f.number].undersides}
    if on_part:
        standings = [
            Standing.BED if u.number in on_part and s is Standing.BED_OR_PART else s
            for u, s in zip(now.need.undersides, now.standings, strict=True)
        ]
        if list(standings) != list(now.standings):
            chosen = tuple(
                (u.number, str(then))
                for u, was, then in zip(now.need.undersides, now.standings, standings, strict=True)
                if was is not then
            )
            on_bed = functools.partial(rebuilt, process, standings)
            trials.append(("let these supports stand on the bed only", on_bed, RemedyTakes(overrules=chosen)))
    if any(piece.tears or piece.bond_n.high > 1.0 for piece in failing):
        layers = now.scheme.gap.layers + 1
        wider = replace(structure, air_gap_layers=float(layers), air_gap_mm=0.0)
        change = f"a larger air gap, {figures.given_unit(layers * process.layer_height_mm, 'mm')}"
        add(change, wider)
    if structure.perimeter_lines > 0:
        add("no perimeter around the supports", replace(structure, perimeter_lines=0))
    angle = _pull_angle_deg(now)
    turned = angle is not None and abs((angle - structure.line_angle_deg + 90.0) % 180.0 - 90.0) > 10.0
    if angle is not None and (structure.weave == "crossed" or turned):
        lines = replace(structure, weave="parallel", line_angle_deg=angle)
        add(f"lines along the pull, {figures.with_unit(angle, '°', 0)} from x", lines)
    for turn in _worth_building(part, process, turns_deg):
        words = ", ".join(f"{a:+.0f}° about {axis}" for a, axis in zip(turn, "xyz", strict=True) if a)
        make = _turned(turn, now, process, quiet)
        trials.append((f"turn the part by {words}", make, RemedyTakes(turn_deg=turn)))
    return trials


def _settings(before: Structure, after: Structure) -> tuple[tuple[str, str], ...]:
    """The settings that differ, by key, as text."""
    changed = ((field.name, getattr(after, field.name)) for field in fields(Structure))
    return tuple(
        (f"structure.{name}", str(value)) for name, value in changed if getattr(before, name) != value
    )


def _turned(turn_deg: Turn, now: _Trial, process: Process, context: Context) -> MakeTrial:
    """The part laid otherwise, with supports wherever they may stand now."""
    allowed = Standing.BED_OR_PART if Standing.BED_OR_PART in now.standings else Standing.BED

    part, spared = now.planned.part, now.planned.spared

    def make() -> _Trial:
        printer = process.printer
        laid = place(part, turn_deg=turn_deg, bed_mm=(printer.build_width_mm, printer.build_depth_mm))
        z_mm = layer_boundaries(
            float(laid.size_mm[2]), process.first_layer_height_mm, process.layer_height_mm
        )
        stack = stack_layers(laid, z_mm)
        need = need_map(stack, Laws(process, context.belief))
        away = None if spared is None else spared_faces(laid, spared.faces, stack, need)
        left = np.array([u.kind is UndersideKind.HOLDS for u in need.undersides], dtype=bool)
        left |= away is not None and away.whole
        standings = [Standing.LEAVE if leave else allowed for leave in left]
        scheme = build_scheme(stack, need, standings, process, spared=away)
        then = Geometry(laid, stack, need, scheme, away)
        return _Trial(then, standings, judge_release(then, process, context, now.pulls))

    return make


def _worth_building(part: Part, process: Process, turns_deg: Sequence[Turn]) -> list[Turn]:
    """The turns with the least air between undersides and the part beneath, then down to the bed."""
    if not len(turns_deg):
        return []
    body = body_of(part.vertices, part.faces, np.zeros(len(part.faces), dtype=bool))
    ups = np.array([turn_matrix(turn)[2] for turn in turns_deg])
    judge = judge_of(body, process, Weights(), None)
    figures = judge(ups, _GRID, QUIET, "").figures
    order = np.lexsort((np.round(figures[:, BED_VOLUME]), np.round(figures[:, PART_VOLUME])))
    return [turns_deg[k] for k in order[:TURNS_BUILT]]


def _pull_angle_deg(now: _Trial) -> float | None:
    """Compass of the pull of the largest failing piece, whole or by its first block; None where all is
    upright."""
    for piece in sorted(now.release.failing, key=lambda p: (-p.contact_mm2, p.number)):
        ways = [piece.pull_direction] if piece.pull_direction else [b.pull_direction for b in piece.blocks]
        for x, y, _ in ways:
            if np.hypot(x, y) > 0.3:
                return 90.0 - float(np.round((90.0 - np.degrees(np.arctan2(y, x))) % 180.0))
    return None


def _better(now: _Trial, then: _Trial) -> bool:
    """Fewer trapped, less or fewer failing, or a tenth fewer strands to sever; never more that fail."""
    if len(then.release.failing) > len(now.release.failing):
        return False
    return (then.trapped, round(then.failing_mm2), len(then.release.failing), then.strands) < (
        now.trapped,
        round(now.failing_mm2),
        len(now.release.failing),
        0.9 * now.strands,
    )


def _remedy(change: str, now: _Trial, then: _Trial, takes: RemedyTakes | None = None) -> Remedy:
    return Remedy(
        change,
        (len(now.release.failing), len(then.release.failing)),
        (now.failing_mm2, then.failing_mm2),
        (now.trapped, then.trapped),
        (now.strands, then.strands),
        (now.left_mm2, then.left_mm2),
        (now.droop_mm, then.droop_mm),
        (now.price, then.price),
        takes,
    )


def _split(now: _Trial) -> Remedy | None:
    """Pieces that blocks can leave, built in those blocks from the start."""
    parted = [piece for piece in now.release.failing if piece.state is ReleaseState.BREAK and not piece.tears]
    if not parted:
        return None
    cuts = sum(len(piece.cuts) for piece in parted)
    named = figures.numbered("piece", [p.number for p in parted])
    change = f"build {named} in blocks, apart at {figures.counted(cuts, 'cut')}"
    same = _remedy(change, now, now)
    left = len(now.release.failing) - len(parted)
    freed = sum(piece.contact_mm2 for piece in parted)
    return replace(
        same,
        failing=(same.failing[0], left),
        failing_mm2=(same.failing_mm2[0], same.failing_mm2[0] - freed),
        strands=(same.strands[0], same.strands[0] - sum(c.strands for p in parted for c in p.cuts)),
    )

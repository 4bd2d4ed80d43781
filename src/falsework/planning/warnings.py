"""What a plan warns of, beside where its supports stand: the part, and supports that do not come off well."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from falsework.layers.stack import LayerStack
from falsework.layers.thin import thin_walls
from falsework.need.underside import Underside
from falsework.part import fits
from falsework.part.part import Part
from falsework.process.forces import LEAST_TOPPLE_SAFETY
from falsework.process.settings import Process
from falsework.release import Release, ReleaseState
from falsework.request.standing import Standing
from falsework.stance.value import Stance
from falsework.support.choosing import chosen_option
from falsework.support.scheme import SupportPiece
from falsework.support.standing import Choice
from falsework.support.starts import Start
from falsework.wording.notices import (
    Curls,
    DugOut,
    IslandLeft,
    IslandsLeft,
    MeshFault,
    NarrowFirstLayer,
    Notice,
    OpenLayers,
    Range,
    Tears,
    ThinPart,
    Topples,
    Trapped,
)

_ONE_BY_ONE = 4  # undersides left in mid-air that are named each with its place
THIN_SHARE = 0.01  # of a part narrower than a line, from which on it is said


def part_warnings(part: Part, stack: LayerStack, process: Process) -> tuple[Notice, ...]:
    """What is wrong with the part: it does not fit, its mesh is damaged, its walls are too thin."""
    printer = process.printer
    build_mm = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    found: list[Notice] = [
        *fits(part, build_mm),
        *(MeshFault(f.what, f.count, f.done, f.where_mm) for f in part.health.findings if f.serious),
    ]
    if len(stack.stitched_layers):
        first_z_mm = float(stack.middles_mm[stack.stitched_layers[0]])
        found.append(OpenLayers(len(stack.stitched_layers), stack.count, stack.widest_stitch_mm, first_z_mm))
    thin = thin_walls(stack, process.line_width_mm)
    if thin.share >= THIN_SHARE:
        found.append(ThinPart(thin.share, process.line_width_mm, thin.where_mm))
    return tuple(found)


def stance_warnings(stance: Stance) -> tuple[Notice, ...]:
    """How the part itself fails to stand, and what may lift."""
    found: list[Notice] = []
    if stance.narrow:
        found.append(NarrowFirstLayer(stance.first_layer_mm2, stance.printable_mm2))
    if stance.topples and stance.printable_mm2 > 0.0:
        found.append(
            Topples(
                stance.height_mm,
                stance.towards_deg,
                stance.righting_nmm,
                stance.turning_nmm,
                stance.safety,
                LEAST_TOPPLE_SAFETY,
            )
        )
    if stance.curls:
        found.append(Curls(stance.corners, stance.curl_mm))
    return tuple(found)


def island_warnings(starts: Sequence[Start]) -> tuple[Notice, ...]:
    """What starts in mid-air with nothing beneath: one for each underside, of many the lesser in one."""
    bare: dict[int, list[Start]] = defaultdict(list)
    for start in starts:
        if not start.carried:
            bare[start.underside].append(start)
    worst_first = sorted(bare, key=lambda n: (-sum(s.area_mm2 for s in bare[n]), n))
    found: list[Notice] = []
    for number in sorted(worst_first[:_ONE_BY_ONE]):
        lowest = min(bare[number], key=lambda s: s.at_mm[2])
        found.append(IslandLeft(number, len(bare[number]), lowest.at_mm, lowest.falls_mm))
    others = sorted(worst_first[_ONE_BY_ONE:])
    if others:
        deepest = max((s for n in others for s in bare[n]), key=lambda s: s.falls_mm)
        found.append(IslandsLeft(tuple(others), deepest.at_mm, deepest.falls_mm))
    return tuple(found)


def release_warnings(
    release: Release,
    pieces: Sequence[SupportPiece],
    choices: Sequence[Choice],
    undersides: Sequence[Underside],
) -> tuple[Notice, ...]:
    """What of the supports will stay in the part or may take some of it along."""
    found: list[Notice] = []
    if stay := {piece.number for piece in release.pieces if piece.state is ReleaseState.TRAPPED}:
        found.append(_trapped([piece for piece in pieces if piece.number in stay], choices, undersides))
    if dug := tuple(piece.number for piece in release.pieces if piece.state is ReleaseState.DIG):
        found.append(DugOut(dug))
    if torn := tuple(piece.number for piece in release.pieces if piece.tears):
        found.append(Tears(torn))
    return tuple(found)


def _trapped(
    pieces: Sequence[SupportPiece], choices: Sequence[Choice], undersides: Sequence[Underside]
) -> Trapped:
    """Support that stays inside, weighed against leaving what it carries bare."""
    carried = sorted({number for piece in pieces for number in piece.undersides})
    mine = [choices[number - 1] for number in carried]
    bare = [next(o for o in choice.options if o.standing is Standing.LEAVE) for choice in mine]
    worst = max((undersides[number - 1] for number in carried), key=lambda u: u.droop_mm.value, default=None)
    return Trapped(
        tuple(piece.number for piece in pieces),
        sum(piece.cost.mass_g for piece in pieces),
        sum(chosen_option(choice).price.total for choice in mine),
        sum(option.price.total for option in bare),
        None if worst is None else Range(worst.droop_mm.value, worst.droop_mm.low, worst.droop_mm.high),
        worst is not None and worst.falls_mm is not None,
    )

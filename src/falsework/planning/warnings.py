"""What a plan warns of, beside where its supports stand: the part, and supports that do not come off well."""

from __future__ import annotations

from falsework.layers.stack import LayerStack
from falsework.layers.thin import thin_walls
from falsework.part import fits
from falsework.part.part import Part
from falsework.process.settings import Process
from falsework.release import Release, State
from falsework.wording.notices import DugOut, MeshFault, Notice, OpenLayers, Tears, ThinPart, Trapped

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


def release_warnings(release: Release) -> tuple[Notice, ...]:
    """What of the supports will stay in the part or may take some of it along."""
    found: list[Notice] = []
    for state, notice in ((State.TRAPPED, Trapped), (State.DIG, DugOut)):
        if pieces := tuple(piece.number for piece in release.pieces if piece.state is state):
            found.append(notice(pieces))
    if torn := tuple(piece.number for piece in release.pieces if piece.tears):
        found.append(Tears(torn))
    return tuple(found)

"""Pictures of how the supports come off: pieces hatched by what becomes of them, pulls as arrows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from falsework.planning.value import Plan
from falsework.release.value import State
from falsework.report import pictures
from falsework.report.colour import BED, PART, SUPPORT, hatch_rgb
from falsework.report.scene import Scene

HATCH = {
    State.STAYS: 0,
    State.BY_HAND: 0,
    State.BY_TOOL: 1,
    State.BREAK: 2,
    State.DIG: 3,
    State.TRAPPED: 3,
}
SHAPE = {
    State.STAYS: "bridge",
    State.BY_HAND: "holds",
    State.BY_TOOL: "holds",
    State.BREAK: "cantilever",
    State.DIG: "island",
    State.TRAPPED: "island",
}
_ARROW_SHARE = 0.3  # of the part's longest side
_MOST_ARROWS = 16
_HEAD = 9.0  # length of an arrow's head, drawing units
_PIXELS = 1.2

Arrow = tuple[str, bool]  # path in drawing units, and whether it is that of a block


def release_pictures(plan: Plan, scene: Scene) -> list[tuple[pictures.Picture, list[Arrow]]]:
    """Two views with every piece in place; without supports, none."""
    if plan.release is None or plan.geometry is None or not plan.pieces:
        return []
    first = pictures.FIRST_TAG
    part = replace(scene.part, tag=np.zeros(len(scene.part.tag), dtype=np.int64))
    standing = replace(scene.supports, tag=plan.geometry.scheme.face_piece.astype(np.int64) + first)
    plain = [PART, SUPPORT, BED] + [SUPPORT] * len(plan.pieces)
    states = {piece.number: piece.state for piece in plan.release.pieces}
    hatches = [0] * first + [HATCH[states[piece.number]] for piece in plan.pieces]
    inks = plain[:first] + [hatch_rgb(SUPPORT)] * len(plan.pieces)
    tones = pictures.Tones(np.array(plain), np.array(hatches, dtype=np.int64), np.array(inks))
    pulls = _pulls(plan, _ARROW_SHARE * max(plan.part.size_mm))
    room = np.array([end for _, end, _ in pulls]).reshape(-1, 3)
    drawn = []
    for view in (pictures.ABOVE_RIGHT, pictures.BELOW_LEFT):
        bed = None if view.below else pictures.bed_sheet(scene.bounds_mm)
        drawing = pictures.draw_soups(part, standing, bed, tones, view, _PIXELS, room)
        picture = pictures.composed(drawing, pictures.spots(drawing.tag, plan.pieces))
        arrows = [(_arrow(picture.at(start), picture.at(end)), block) for start, end, block in pulls]
        drawn.append((picture, [arrow for arrow in arrows if arrow[0]]))
    return drawn


def _pulls(plan: Plan, length_mm: float) -> list[tuple[np.ndarray, np.ndarray, bool]]:
    """Start and end of each pull, mm: whole pieces, then blocks; what stays on the bed is not pulled."""
    assert plan.release is not None
    whole, blocks = [], []
    for piece in plan.release.pieces:
        if piece.pull_direction is not None and piece.state is not State.STAYS:
            whole.append((piece.arrow_from_mm, piece.pull_direction, False))
        blocks += [(block.center_mm, block.pull_direction, True) for block in piece.blocks]
    return [
        (np.array(start), np.array(start) + length_mm * np.array(way), block)
        for start, way, block in (whole + blocks)[:_MOST_ARROWS]
    ]


def _arrow(start: tuple[float, float], end: tuple[float, float]) -> str:
    """Shaft and head as a path; '' where the pull points at the viewer or away."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy)
    if length < 2 * _HEAD:
        return ""
    ux, uy = dx / length * _HEAD, dy / length * _HEAD
    x, y = end
    return (
        f"M{start[0]:.1f} {start[1]:.1f}L{x:.1f} {y:.1f}"
        f"M{x - ux - 0.5 * uy:.1f} {y - uy + 0.5 * ux:.1f}L{x:.1f} {y:.1f}"
        f"L{x - ux + 0.5 * uy:.1f} {y - uy - 0.5 * ux:.1f}"
    )

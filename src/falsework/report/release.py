"""How the supports come off: strip, cuts, pictures and remedies, for the work order and as a page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from falsework.arrays import Vector
from falsework.planning.handling import job_of
from falsework.planning.value import Plan
from falsework.release.value import BreakingPlane, PieceRelease, ReleaseState, Remedy
from falsework.report import paper, pictures
from falsework.report.colour import BED, PART, SUPPORT, hatch_rgb
from falsework.report.scene import Scene
from falsework.wording import figures as words
from falsework.wording.cautions import CautionedTask, cautions

HATCH = {
    ReleaseState.STAYS: 0,
    ReleaseState.BY_HAND: 0,
    ReleaseState.BY_TOOL: 1,
    ReleaseState.BREAK: 2,
    ReleaseState.DIG: 3,
    ReleaseState.TRAPPED: 3,
}
SHAPE = {
    ReleaseState.STAYS: "bridge",
    ReleaseState.BY_HAND: "holds",
    ReleaseState.BY_TOOL: "holds",
    ReleaseState.BREAK: "cantilever",
    ReleaseState.DIG: "island",
    ReleaseState.TRAPPED: "island",
}
NOTE = {ReleaseState.TRAPPED: "stays", ReleaseState.DIG: "in bits", ReleaseState.BREAK: "break up"}
_ARROW_SHARE = 0.3  # of the part's longest side
_MOST_ARROWS = 16
_HEAD = 9.0  # length of an arrow's head, drawing units
_PIXELS = 1.2

Arrow = tuple[str, bool]  # path in drawing units, and whether it is that of a block


@dataclass(frozen=True)
class StripStep:
    """One row of the strip: place in the order (0: never), the piece, and what to do at the table, if more
    than to pull."""

    place: int
    piece: PieceRelease
    doing: tuple[str, ...]


@dataclass(frozen=True)
class ReleaseSection:
    """Everything the template draws; ``remedies`` None where none were looked for."""

    verdict: str
    strip: tuple[StripStep, ...]
    pulls: list[tuple[pictures.Picture, list[Arrow]]]
    shapes: dict[int, str]  # of the pieces' tags
    notes: dict[int, str]  # word beside a tag
    failing: bool
    remedies: tuple[Remedy, ...] | None


def release_of_plan(
    plan: Plan, scene: Scene | None, remedies: Sequence[Remedy] | None = None
) -> ReleaseSection | None:
    """The section of a plan; None where nothing was judged or nothing stands; no scene, no pictures."""
    release = plan.release
    if release is None or not plan.pieces:
        return None
    steps = sorted(((p.order, p) for p in release.pieces), key=lambda s: (s[0] == 0, s[0], s[1].number))
    return ReleaseSection(
        verdict=release.verdict,
        strip=tuple(StripStep(place, piece, doing(piece)) for place, piece in steps),
        pulls=release_pictures(plan, scene) if scene is not None else [],
        shapes={piece.number: SHAPE[piece.state] for piece in release.pieces},
        notes={piece.number: NOTE[piece.state] for piece in release.pieces if piece.state in NOTE},
        failing=bool(release.failing),
        remedies=None if remedies is None else tuple(remedies),
    )


def release_html(plan: Plan, remedies: Sequence[Remedy] | None = None) -> str:
    """A self-contained page for the person at the table; ``plan`` must have been judged and have supports."""
    from falsework.report.scene import make_scene

    section = release_of_plan(plan, make_scene(plan.geometry) if plan.geometry else None, remedies)
    assert section is not None
    job = job_of(plan.process, plan.part.turn_deg, plan.release)
    size = " × ".join(words.number(v, 1) for v in plan.part.size_mm)
    return paper.render(
        "release.html",
        plan=plan,
        section=section,
        size=f"{size}\u00a0mm",
        sheet=plan.part.digest[:12],
        cautions=cautions(CautionedTask.TAKE_OFF, CautionedTask.USE, job=job),
        words=words,
    )


def doing(piece: PieceRelease) -> tuple[str, ...]:
    """Cuts one by one, then the blocks in the order in which they leave."""
    cuts = [f"Cut {k} of {len(piece.cuts)}: {cut_words(cut)}." for k, cut in enumerate(piece.cuts, 1)]
    blocks = []
    for k, block in enumerate(piece.blocks, 1):
        x, y, z = (words.number(v, 0) for v in block.center_mm)
        way = way_words(block.pull_direction)
        blocks.append(f"Then pull block {k}, around x {x}, y {y}, z {z} mm, {way}.")
    return (*cuts, *blocks)


def cut_words(cut: BreakingPlane) -> str:
    """Where a cut runs, in the words of someone who holds the part as it lay on the bed."""
    x, y, z = (words.number(v, 1) for v in cut.point_mm)
    severs = words.counted(cut.strands, "strand")
    nx, ny, nz = cut.normal
    if abs(nz) > 0.98:
        return f"level, at z {z} mm, through {severs}"
    if abs(nz) > 0.17:
        return f"slanting, through x {x}, y {y}, z {z} mm, through {severs}"
    if abs(nx) > 0.98:
        return f"upright, at x {x} mm, through {severs}"
    if abs(ny) > 0.98:
        return f"upright, at y {y} mm, through {severs}"
    along = math.degrees(math.atan2(nx, -ny)) % 180.0
    return f"upright, through x {x}, y {y} mm, running at {along:.0f}° from x towards y, through {severs}"


def way_words(direction: Vector) -> str:
    """A pull in words: the axes that matter to it, the strongest first."""
    names = (("+x", "−x"), ("+y", "−y"), ("up", "down"))
    ranked = sorted(range(3), key=lambda k: -abs(direction[k]))
    some = [names[k][direction[k] < 0] for k in ranked if abs(direction[k]) > 0.3]
    return words.listed([name if name in ("up", "down") else f"towards {name}" for name in some])


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
        if piece.pull_direction is not None and piece.state is not ReleaseState.STAYS:
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

"""Every copy of the part on the plate; and where it is not there as it should be, what is there instead."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from falsework.auditing.placement import PlacedSections, place_in, uncovered
from falsework.auditing.shape import is_changed
from falsework.auditing.survey import ProgramSurvey, Usual
from falsework.kernels.bead import strands as cut
from falsework.layers import planar
from falsework.part.part import Part
from falsework.watch import QUIET, Watch

FOLLOWED = 0.7  # of the part's outlines, below which the program is taken to print something else
_SAME = 0.9  # of a further copy's, or of another lie's
_BETTER, _BEYOND = 0.02, 0.2  # shares: what makes another lie the better one, and what makes one look for it
_MIRRORED = 0.006  # what makes the mirrored part the better one: most of a part may be its own mirror image
_SURELY = 0.997  # of the part's outlines, beyond which nobody looks for it mirrored
_MOST_COPIES = 40
_LEAST_COPY = 0.15  # of the first one's height, from which another body may be a copy that is cut short
_ALIKE = 2.5  # times the ground that another copy takes, at most
_ALL_ROUND, _MANY, _LAYERS = 0.97, 0.4, 6  # share of outlines; of layers; layers that must tell
_TALLEST = 1.3  # times its height, at most, that only the height is taken to be wrong
_EQUAL = 0.005  # of fits
_AS_LAYERS = 0.008  # how near the layers' own scale comes to the part's
_RAFT_MM = 1.0  # that a raft reaches past what stands on it
_SCALE_OFF = 0.02  # beyond what counts as the part's own size


@dataclass(frozen=True)
class Instead:
    """The part mirrored, lying another way, of another size or height, or sunk into the bed; ``scale`` and
    ``tall`` 1, ``sunk_mm`` 0 where it is not that.
    """

    placed: PlacedSections
    mirrored: bool
    turn_deg: tuple[int, int]  # about x, then y
    scale: float
    tall: float = 1.0  # of its height alone
    sunk_mm: float = 0.0  # so much of it lies beneath the bed


@dataclass(frozen=True, eq=False)
class FoundCopies:
    """All copies of the part, the best followed first; or what is there instead.

    ``short_mm``: tops of further copies that end too low.
    """

    copies: tuple[PlacedSections, ...]
    instead: Instead | None
    short_mm: tuple[float, ...] = ()


def find_copies(
    part: Part,
    found: ProgramSurvey,
    usual: Usual,
    around_mm: float,
    layer_mm: float | None = None,
    watch: Watch = QUIET,
) -> FoundCopies:
    """Look for the part in a program. ``around_mm``: how far supports reach past it; ``layer_mm``: height of
    the layers that were planned, if any.
    """
    first = place_in(part, found, usual, around_mm=around_mm, watch=watch.part(0.0, 0.5))
    covered, beyond = first.placement.covered, first.placement.beyond
    tall = _only_taller(part, found, usual, around_mm, layer_mm, first)
    if tall is not None:
        return FoundCopies((), tall)
    changed = (covered < _SURELY or beyond > _BEYOND) and is_changed(first, found, usual)
    if changed and covered > FOLLOWED:
        return _with_others(part, found, usual, around_mm, first)
    if covered >= 1.0 - _BETTER and beyond <= _BEYOND:
        if covered < _SURELY:
            placed = place_in(_changed(part, True, (0, 0), 1.0), found, usual, around_mm=around_mm)
            if _fit(placed) > _fit(first) + _MIRRORED:
                return FoundCopies((), Instead(placed, True, (0, 0), 1.0))
        return _with_others(part, found, usual, around_mm, first)
    for k, (mirrored, turn, scale, other) in enumerate(_other_ways(part, found)):
        watch.part(0.5, 1.0).at("looking for the part's position", min(0.99, 0.1 * k))
        placed = place_in(other, found, usual, around_mm=around_mm)
        least = 1.0 - _BETTER if mirrored else _SAME  # parts that are nearly their own mirror image fit half
        better = _fit(placed) > _fit(first) + (_MIRRORED if mirrored else _BETTER)
        if placed.placement.covered >= max(least, covered) and better:
            return FoundCopies((), Instead(placed, mirrored, turn, scale))
    if covered - 0.5 * max(0.0, beyond - _BEYOND) < FOLLOWED:  # many strands just outside: another's
        same = changed or _in_many_layers(first, found, usual)
        return FoundCopies((first,) if same else (), None)
    return _with_others(part, found, usual, around_mm, first)


def _with_others(
    part: Part, found: ProgramSurvey, usual: Usual, around_mm: float, first: PlacedSections
) -> FoundCopies:
    others = list(_others(part, found, usual, around_mm, first))
    whole = tuple(placed for placed, top, meant in others if top >= meant - 1.5 * usual.height_mm)
    short = tuple(top for _, top, meant in others if top < meant - 1.5 * usual.height_mm)
    return FoundCopies((first, *whole), None, short)


def _in_many_layers(placed: PlacedSections, found: ProgramSurvey, usual: Usual) -> bool:
    """Whether in many layers the outlines are followed all round: it is the part then, but for the others."""
    layers = uncovered(placed, found, usual)
    whole = sum(share > _ALL_ROUND for _, share, _ in layers)
    return len(layers) >= _LAYERS and whole >= _MANY * len(layers)


def _only_taller(
    part: Part,
    found: ProgramSurvey,
    usual: Usual,
    around_mm: float,
    layer_mm: float | None,
    first: PlacedSections,
) -> Instead | None:
    """The part drawn out or pressed together in height alone, where it does not end where it should: neither
    cut short nor on a raft.
    """
    scale = _scale_by_height(part, found)
    if scale is None or not 1.0 / _TALLEST < scale < _TALLEST or on_raft(found, first):
        return None
    taller = Part(part.name, part.vertices * np.array([1.0, 1.0, scale]), part.faces)
    placed = place_in(taller, found, usual, around_mm=around_mm)
    if placed.placement.covered < _SAME or abs(placed.placement.shift_mm[2]) > 1e-6:
        return None
    better = _fit(placed) - _fit(first)
    sunk = _sunk(part, found, usual, around_mm, scale)
    unscaled = layer_mm is not None and abs(usual.height_mm / layer_mm - 1.0) < _AS_LAYERS
    more = -_EQUAL if unscaled else _BETTER  # what is drawn out or pressed has other layers
    if sunk is not None and _fit(sunk.placed) > more + max(_fit(placed), _fit(first)):
        return sunk
    as_layers = layer_mm is not None and abs(usual.height_mm / layer_mm / scale - 1.0) < _AS_LAYERS
    if better > (-_BETTER if as_layers else _BETTER):
        return Instead(placed, False, (0, 0), 1.0, scale)
    return None


def _sunk(part: Part, found: ProgramSurvey, usual: Usual, around_mm: float, scale: float) -> Instead | None:
    """The part without its lowest layers, where it ends too low by these."""
    by = (1.0 - scale) * float(np.ptp(part.vertices[:, 2]))
    if by < usual.height_mm:
        return None
    lower = Part(part.name, part.vertices - np.array([0.0, 0.0, by]), part.faces)
    return Instead(place_in(lower, found, usual, around_mm=around_mm), False, (0, 0), 1.0, 1.0, by)


def on_raft(found: ProgramSurvey, placed: PlacedSections) -> bool:
    """Whether what is printed beneath the part reaches past its lowest section on all sides."""
    dz = placed.placement.shift_mm[2]
    beneath = [rows for at, rows in found.sample.items() if found.z_mm[at] < dz + 1e-4]
    if not beneath or dz <= 0.0:
        return False
    x, y = planar.get_coordinates(planar.transform(placed.stack.regions[0], placed.to_program)).T
    rows = np.concatenate(beneath)
    return bool(
        rows[:, cut.AX].min() < x.min() - _RAFT_MM
        and rows[:, cut.AY].min() < y.min() - _RAFT_MM
        and rows[:, cut.AX].max() > x.max() + _RAFT_MM
        and rows[:, cut.AY].max() > y.max() + _RAFT_MM
    )


def _fit(placed: PlacedSections) -> float:
    return placed.placement.covered - 0.5 * placed.placement.beyond


def _others(
    part: Part, found: ProgramSurvey, usual: Usual, around_mm: float, first: PlacedSections
) -> Iterator[tuple[PlacedSections, float, float]]:
    """Further copies, one for each body on the bed of about that size, with their tops and the first's."""
    bodies = [b for b in found.ground.bodies if not b.flat]
    if len(bodies) < 2:
        return
    shadow = planar.transform(first.shadow, first.to_program)
    planar.prepare(shadow)
    mine = [b for b in bodies if planar.intersects(shadow, planar.box(*b.box_mm))]
    area = sum(b.area_mm2 for b in mine)
    high = max((b.high_mm for b in mine), default=0.0)
    taken = 1
    for k, body in enumerate(found.ground.bodies, 1):
        if body.flat or body in mine or taken >= _MOST_COPIES:
            continue
        if body.high_mm > high + 1.5 * usual.height_mm or body.high_mm < _LEAST_COPY * high:
            continue
        short = body.high_mm < high - 1.5 * usual.height_mm  # it may be wider above
        if not area / (_ALIKE**2 if short else _ALIKE) < body.area_mm2 < _ALIKE * area:
            continue
        placed = place_in(part, only_body(found, k), usual, around_mm=around_mm)
        if placed.placement.covered >= _SAME:
            taken += 1
            yield placed, body.high_mm, high


def only_body(found: ProgramSurvey, label: int) -> ProgramSurvey:
    """The survey with samples of one body alone."""
    sample = {}
    for at, rows in found.sample.items():
        middle = 0.5 * (rows[:, [cut.AX, cut.AY]] + rows[:, [cut.BX, cut.BY]])
        mine = rows[found.ground.body_at(middle) == label]
        if len(mine):
            sample[at] = mine
    return replace(found, sample=sample)


def _other_ways(part: Part, found: ProgramSurvey) -> Iterator[tuple[bool, tuple[int, int], float, Part]]:
    yield True, (0, 0), 1.0, _changed(part, True, (0, 0), 1.0)
    scale = _scale_by_height(part, found)
    if scale is not None:
        yield False, (0, 0), scale, _changed(part, False, (0, 0), scale)
    height = max((b.high_mm for b in found.ground.bodies if not b.flat), default=0.0)
    for turn in ((180, 0), (90, 0), (270, 0), (0, 90), (0, 270)):
        other = _changed(part, False, turn, 1.0)
        if abs(float(other.vertices[:, 2].max()) - height) < 0.05 * height + 1.0:
            yield False, turn, 1.0, other


def _changed(part: Part, mirrored: bool, turn_deg: tuple[int, int], scale: float) -> Part:
    vertices, faces = part.vertices * scale, part.faces
    if mirrored:
        vertices = vertices * np.array([-1.0, 1.0, 1.0])
        faces = np.ascontiguousarray(faces[:, ::-1])
    about_x, about_y = (np.radians(v) for v in turn_deg)
    c, s = np.cos(about_x), np.sin(about_x)
    vertices = vertices @ np.array([[1, 0, 0], [0, c, s], [0, -s, c]])
    c, s = np.cos(about_y), np.sin(about_y)
    vertices = vertices @ np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])
    vertices = vertices - np.array([0.0, 0.0, vertices[:, 2].min()])
    return Part(part.name, np.ascontiguousarray(vertices), faces)


def _scale_by_height(part: Part, found: ProgramSurvey) -> float | None:
    """How large the part would be by the height of what is printed; supports may reach past its sides."""
    height = max((b.high_mm for b in found.ground.bodies if not b.flat), default=0.0)
    scale = float(height / np.ptp(part.vertices[:, 2]))
    return scale if height > 0.0 and abs(scale - 1.0) >= _SCALE_OFF else None

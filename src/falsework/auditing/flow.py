"""How much filament the strands get for the room that they have: told by how far apart neighbours lie.

Where lines lie side by side, the nozzle has to fill pitch times height; what is pushed out says what it was
fed for. That needs neither the width that was meant nor the filament's: both follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from falsework.auditing.points import Points, neighbours, points_along
from falsework.auditing.survey import ProgramSurvey
from falsework.kernels.bead import laying
from falsework.kernels.bead import strands as cut
from falsework.layers.stack import Floats, Indices

_POINT_MM = 0.6  # between points along strands
_MOST_POINTS = 4000  # of one layer
_FEW_POINTS = 1600  # where those of some layers come together
_LAYERS = 10  # besides the first that are looked at
_REACH_MM = 1.6  # so far beside a strand its neighbour is looked for
_LEAST_MM = 0.08
_PARALLEL = math.cos(math.radians(12.0))
_LEAST_POINTS = 40
_LEAST_VOTES = 3
_END_MM = 0.8  # of open paths, which overlaps walls
_APART = 1.5
_OTHER = 1.35  # times the pitch of all, within which lines of a class lie side by side
_DENSE = 1.6  # times the closest pitches: lines side by side, not sparse fill
_AS_MOST = 0.12  # by which the distance of walls may differ from most walls'
_THIN = 0.8  # of the room, below which a wall gets too little
_BIN = 0.04  # of pitches, as logarithm
_RAFT_MM = 2.5  # so high lines of a raft may lie apart
_LEAST_SIDE, _MOST_OF_THEM = 2, 0.8  # layers on each side of a change; the share of them that must agree
_CHANGES, _ALIKE = math.log(1.3), math.log(1.2)  # what is a change, and what is none


@dataclass(frozen=True)
class FlowChange:
    """From a height on the strands get another share than below it: shares beneath and above."""

    z_mm: float
    line: int
    beneath: float
    above: float


@dataclass(frozen=True)
class FlowPlaces:
    """Where lines side by side get another share than elsewhere: box of these places, share of all, and the
    shares there and elsewhere.
    """

    box_mm: tuple[float, float, float, float]
    part: float
    there: float
    elsewhere: float


@dataclass(frozen=True)
class Fed:
    """``share``: of what dense lines need that they get, 1 where it is right; ``pitch_mm`` between these.

    ``first_share``: the same of the first layer alone; None where too few lines lie side by side. ``change``:
    where it changes on the way up; ``places``: where seen from above.
    ``wall_share``, ``wall_pitch_mm`` and ``fill_share``: the same of closed
    lines beside each other, and of open ones. ``thin_walls``: share of the former that get much
    less than that.
    """

    share: float | None
    first_share: float | None
    pitch_mm: float | None
    change: FlowChange | None = None
    wall_share: float | None = None
    wall_pitch_mm: float | None = None
    fill_share: float | None = None
    thin_walls: float = 0.0
    places: FlowPlaces | None = None


def fed(found: ProgramSurvey) -> Fed:
    """Over the layers that the survey kept, the first by itself."""
    steps = found.steps_mm()
    first: list[Floats] = [np.zeros((0, 2))]
    others: list[Floats] = [np.zeros((0, 2))]
    walls: list[Floats] = [np.zeros((0, 2))]
    fills: list[Floats] = [np.zeros((0, 2))]
    where: list[Floats] = [np.zeros((0, 4))]
    votes: list[_Vote] = []
    kept_layers = [at for at in sorted(found.sample) if at > found.first_layer]
    for at in (found.first_layer, *kept_layers[:: max(1, len(kept_layers) // _LAYERS)]):
        if at not in found.sample:
            continue
        rows = found.sample[at]
        h = float(steps[at])
        if h <= 1e-3 or at < found.first_layer or np.any(rows[:, cut.AZ] != rows[:, cut.BZ]):
            continue
        ends = rows[:, [cut.AX, cut.AY, cut.BX, cut.BY]]
        strand, pitch, xy = pitches_at(ends, rows[:, cut.PATH], most=_FEW_POINTS)
        section = rows[:, cut.VOLUME] / np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
        kept = first if at == found.first_layer else others
        kept.append(np.column_stack([pitch, section[strand] / h]))
        if found.z_mm[at] > found.z_mm[found.first_layer] + _RAFT_MM:
            where.append(np.column_stack([xy, kept[-1]]))
        if at > found.first_layer:
            votes += _vote(kept[-1], float(found.z_mm[at]), int(rows[0, cut.LINE]))
            is_open = laying.open_paths(rows[:, cut.PATH], rows[:, cut.AX : cut.BZ + 1], 0.5 * section / h)
            fills.append(kept[-1][is_open[strand]])
            closed = np.flatnonzero(~is_open)
            strand, pitch = pitches(ends[closed], rows[closed, cut.PATH], either=True, most=_FEW_POINTS)
            walls.append(np.column_stack([pitch, section[closed[strand]] / h]))
    on_raft = sum(v.z_mm <= found.z_mm[found.first_layer] + _RAFT_MM for v in votes)
    share, pitch_mm = _of_most(others)
    first_share, first_pitch_mm = _share(np.concatenate(first))
    if pitch_mm is not None and first_pitch_mm is not None and first_pitch_mm > _APART * pitch_mm:
        first_share = None  # lines of a raft, apart from each other
    wall_share, wall_pitch_mm = _of_most(walls)
    if not _alike(wall_pitch_mm, pitch_mm):
        wall_share = wall_pitch_mm = None  # one wall, and what lies across from it
    fill_share, fill_pitch_mm = _of_most(fills)
    if not _alike(fill_pitch_mm, pitch_mm):
        fill_share = None  # lines squeezed in between others
    thin = _thin(np.concatenate(walls), wall_pitch_mm) if wall_pitch_mm is not None else 0.0
    change = _change(votes[on_raft:])
    places = _places(np.concatenate(where)) if change is None else None
    return Fed(share, first_share, pitch_mm, change, wall_share, wall_pitch_mm, fill_share, thin, places)


_SQUARE_MM, _SQUARE_POINTS = 6.0, 24  # of the bed, seen from above; points that tell
_OFF, _SOME, _SQUARES = math.log(1.3), 0.12, 6  # what is another share; part of the squares; of all
_OVER = math.log(1.5)  # the same upwards, for lines squeezed in between others get more
_SAME = math.log(1.15)  # how alike the distances between lines must be here and there


def _places(points: Floats) -> FlowPlaces | None:
    """Squares of the bed in which points (n, 4), x, y, pitch and section over height, get another share than
    in most of those that get about as much as they need.
    """
    share = np.log(points[:, 3] / points[:, 2])
    corner, which = np.unique(np.floor(points[:, :2] / _SQUARE_MM), axis=0, return_inverse=True)
    order = np.argsort(which.ravel(), kind="stable")
    pieces = np.split(order, np.flatnonzero(np.diff(which.ravel()[order])) + 1)
    told = [k for k, piece in enumerate(pieces) if len(piece) >= _SQUARE_POINTS]
    if len(told) < _SQUARES:
        return None
    middle = np.array([float(np.median(share[pieces[k]])) for k in told])
    right = middle[np.abs(middle) < _OFF]
    if len(right) < _SOME * len(told):
        return None
    off = middle - float(np.median(right))
    wrong = off < -_OFF if (off < -_OFF).sum() >= (off > _OVER).sum() else off > _OVER
    if wrong.mean() < _SOME:
        return None
    pitch = np.array([float(np.median(points[pieces[k], 2])) for k in told])
    if abs(math.log(float(np.median(pitch[wrong])) / float(np.median(pitch[np.abs(middle) < _OFF])))) > _SAME:
        return None  # lines that only lie nearer or farther are another pattern
    low = corner[np.array(told)[wrong]].min(axis=0) * _SQUARE_MM
    high = (corner[np.array(told)[wrong]].max(axis=0) + 1.0) * _SQUARE_MM
    box = float(low[0]), float(low[1]), float(high[0]), float(high[1])
    there, elsewhere = float(np.median(middle[wrong])), float(np.median(right))
    return FlowPlaces(box, float(wrong.mean()), math.exp(there), math.exp(elsewhere))


def _thin(points: Floats, pitch_mm: float) -> float:
    """Share of points (n, 2) as far apart as most that get too little; others do not fill all the room."""
    near = points[np.abs(points[:, 0] / pitch_mm - 1.0) < _AS_MOST]
    return float(np.mean(near[:, 1] < _THIN * near[:, 0])) if len(near) > _LEAST_POINTS else 0.0


def with_own_first_layer(of: Fed, found: ProgramSurvey, own: NDArray[np.bool_]) -> Fed:
    """The same with the first layer told by the part's ``own`` strands of it, where these are enough."""
    rows = found.sample[found.first_layer][own]
    ends = rows[:, [cut.AX, cut.AY, cut.BX, cut.BY]]
    strand, pitch = pitches(ends, rows[:, cut.PATH], most=_FEW_POINTS)
    section = rows[:, cut.VOLUME] / np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
    h = float(found.steps_mm()[found.first_layer])
    share, pitch_mm = _share(np.column_stack([pitch, section[strand] / max(h, 1e-3)]))
    apart = pitch_mm is None or (of.pitch_mm is not None and pitch_mm > _APART * of.pitch_mm)
    return of if share is None or apart else replace(of, first_share=share)


def _alike(pitch_mm: float | None, of_all_mm: float | None) -> bool:
    """Whether the pitch of a class is that of the lines that lie side by side."""
    return pitch_mm is not None and of_all_mm is not None and 1.0 / _OTHER < pitch_mm / of_all_mm < _OTHER


@dataclass(frozen=True)
class _Vote:
    """What one layer says: its height and line, the share, and what the dense lines get a millimetre of way
    and height.
    """

    z_mm: float
    line: int
    share: float
    width_mm: float


def _vote(points: Floats, z_mm: float, line: int) -> list[_Vote]:
    share, pitch_mm = _share(points)
    return [] if share is None or pitch_mm is None else [_Vote(z_mm, line, share, share * pitch_mm)]


def _change(votes: list[_Vote]) -> FlowChange | None:
    """The height at which all layers above get another share than all beneath.

    What they get must change as the share does: lines that only lie nearer or farther are another pattern.
    """
    shares, widths = np.array([v.share for v in votes]), np.array([v.width_mm for v in votes])
    for k in range(_LEAST_SIDE, len(votes) - _LEAST_SIDE + 1):
        beneath, above = float(np.median(shares[:k])), float(np.median(shares[k:]))
        by = math.log(above / beneath)
        by_width = math.log(float(np.median(widths[k:])) / float(np.median(widths[:k])))
        apart = max(
            float(np.quantile(np.abs(np.log(side / middle)), _MOST_OF_THEM))
            for side, middle in ((shares[:k], beneath), (shares[k:], above))
        )
        if abs(by) > _CHANGES and abs(by_width - by) < 0.5 * abs(by) and apart < _ALIKE:
            return FlowChange(votes[k].z_mm, votes[k].line, beneath, above)
    return None


def _of_most(layers: list[Floats]) -> tuple[float | None, float | None]:
    """Share and pitch by all points together and by what most layers say, each for itself: whichever is
    nearer to right. Lines of a raft, or squeezed in between others, mislead one of the two; a wrong flow
    shows in both.
    """
    together = _share(np.concatenate(layers))
    votes = [(s, p) for s, p in map(_share, layers) if s is not None and p is not None]
    if together[0] is None or len(votes) < _LEAST_VOTES:
        return together
    share, pitch_mm = (float(v) for v in np.median(np.array(votes), axis=0))
    return (share, pitch_mm) if abs(math.log(share)) < abs(math.log(together[0])) else together


def _share(points: Floats) -> tuple[float | None, float | None]:
    """``points`` (n, 2): pitch, and section over height."""
    if len(points) < _LEAST_POINTS:
        return None, None
    closest = float(np.quantile(points[:, 0], 0.1))
    near = points[points[:, 0] <= _DENSE * closest]
    # the pitch that most of them share, not that of lines squeezed in between
    bins = np.floor(np.log(near[:, 0]) / _BIN).astype(np.int64)
    values, counts = np.unique(bins, return_counts=True)
    commonest = values[np.argmax(counts)]
    dense = near[np.abs(bins - commonest) <= 1]
    if len(dense) < _LEAST_POINTS:
        return None, None
    return float(np.median(dense[:, 1] / dense[:, 0])), float(np.median(dense[:, 0]))


def pitches(
    ends: Floats, path: Floats, *, either: bool = False, most: int = _MOST_POINTS
) -> tuple[Indices, Floats]:
    """Strands and distances of :func:`pitches_at`."""
    return pitches_at(ends, path, either=either, most=most)[:2]


def pitches_at(
    ends: Floats, path: Floats, *, either: bool = False, most: int = _MOST_POINTS
) -> tuple[Indices, Floats, Floats]:
    """Of points along strands with a parallel neighbour on both sides: the strand, mean distance to these,
    and where they lie (n, 2).

    ``ends`` (m, 4), ``path`` (m,): strands of a layer in order. Ends of open paths are left out. ``either``:
    one neighbour will do where there is none on the other side. ``most``: points in all.
    """
    if len(ends) < 3:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros((0, 2))
    points = points_along(ends, _POINT_MM, most)
    amid = _amid(points, ends, path)
    left, right = neighbours(points, _REACH_MM, _PARALLEL, _LEAST_MM, amid)
    both = np.isfinite(left) & np.isfinite(right)
    least, wider = np.minimum(left, right), np.where(both, np.maximum(left, right), np.inf)
    even = both & (wider < 1.6 * least)
    pitch = np.where(even, 0.5 * (least + np.where(even, wider, least)), least)
    known = np.flatnonzero(even | (np.isfinite(least) & either))
    return points.strand[known], pitch[known], points.xy[known]


def _amid(points: Points, ends: Floats, path: Floats) -> NDArray[np.bool_]:
    """(points,) which do not lie at the end of an open path."""
    long = np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
    begins = np.flatnonzero(np.diff(path, prepend=-1.0) != 0.0)
    lasts = np.append(begins[1:], len(path)) - 1
    closed = np.hypot(*(ends[begins, :2] - ends[lasts, 2:]).T) < 1.0
    group = np.repeat(np.arange(len(begins)), np.diff(np.append(begins, len(path))))
    so_far = np.cumsum(long)
    start = (so_far - long)[begins][group]
    whole = np.add.reduceat(long, begins)[group]
    s = points.strand
    along = (so_far - long - start)[s] + np.hypot(*(points.xy - ends[s, :2]).T)
    return closed[group[s]] | ((along > _END_MM) & (whole[s] - along > _END_MM))

"""In which directions a piece can be pulled straight out: screened for all pieces at once, confirmed one
by one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from falsework.cores import in_chunks
from falsework.kernels.column.reach import blocked_points
from falsework.layers.stack import Floats, Indices
from falsework.orientation.body import face_normals
from falsework.orientation.directions import even_directions
from falsework.release.bodies import CLEAR_SHARE, GRID, SLACK_MM, BodyMesh, Samples, turns, window_of
from falsework.watch import Watch

SCREEN_SHARE = 0.02  # of a piece's points that may seem blocked in a direction still worth confirming
NEIGHBOURS = 12  # directions around one that say how open it is
TRIES = 8  # directions that are confirmed for one piece before it counts as stuck
REFINED = 3  # directions around which narrow ways out are looked for
_BATCH = 250
_FEW = 4  # directions that a thread takes at least


@dataclass(frozen=True, eq=False)
class Screen:
    """Blocked shares of points: ``directions`` (d, 3), ``blocked`` (d, bodies), ``even`` how many are even
    ones.

    ``openness`` (d, bodies): share of a direction's neighbourhood that is free, 1 in the middle of a wide
    way out.
    """

    directions: Floats
    blocked: Floats
    even: int
    openness: Floats = field(repr=False)

    @property
    def free_share(self) -> Floats:
        """(bodies,) share of the even directions that seem free."""
        share: Floats = (self.blocked[: self.even] <= SCREEN_SHARE).mean(axis=0)
        return share


def plain_directions(line_angle_deg: float) -> Floats:
    """Down, up, and along and across the body's lines: ways that people try first."""
    angle = np.radians(line_angle_deg)
    along, across = (
        np.array([np.cos(angle), np.sin(angle), 0.0]),
        np.array([-np.sin(angle), np.cos(angle), 0]),
    )
    up = np.array([0.0, 0.0, 1.0])
    return np.array([-up, up, along, -along, across, -across])


def blocked(
    obstacle: BodyMesh, points: NDArray[np.float32], directions: Floats, grid: int = GRID
) -> NDArray[np.uint8]:
    """(d, k) whether the obstacle lies in the way of each point."""

    def found(some: Floats) -> NDArray[np.uint8]:
        flags: NDArray[np.uint8] = blocked_points(
            obstacle.vertices, obstacle.faces, some, points, grid, obstacle.closed, SLACK_MM
        )
        return flags

    return np.concatenate(in_chunks(found, _FEW, turns(directions)))


def screened(obstacle: BodyMesh, samples: Samples, plain: Floats, count: int, watch: Watch) -> Screen:
    """Shares of each body's points that are blocked, in ``count`` even directions and the plain ones."""
    directions = np.concatenate([even_directions(count), plain])
    shares = np.empty((len(directions), len(samples.start) - 1))
    size = np.diff(samples.start)
    for begin in range(0, len(directions), _BATCH):
        watch.at("looking for ways out", begin / len(directions))
        found = blocked(obstacle, samples.points, directions[begin : begin + _BATCH])
        sums = np.add.reduceat(found, samples.start[:-1], axis=1, dtype=np.int32)
        shares[begin : begin + _BATCH] = sums / size
    return Screen(directions, shares, count, _openness(directions, shares, count))


def _openness(directions: Floats, shares: Floats, even: int) -> Floats:
    most = min(NEIGHBOURS, even)
    near = np.argpartition(-(directions @ directions[:even].T), most - 1, axis=1)[:, :most]
    free = (shares[:even] <= SCREEN_SHARE).astype(np.float32)
    openness: Floats = np.zeros(shares.shape)
    for k in range(near.shape[1]):
        openness += free[near[:, k]]
    return openness / near.shape[1]


def local_axes(part: BodyMesh, low: Floats, high: Floats) -> Floats:
    """(6, 3) both ways along the axes of the part's surface around a box: a bore's axis, a slot's sides.

    Eigenvectors of Σ area n nᵀ over faces whose middle lies in the box.
    """
    corners = part.vertices.T.astype(np.float64)[part.faces]
    middle = corners.mean(axis=1)
    inside = ((middle > low) & (middle < high)).all(axis=1)
    if np.count_nonzero(inside) < 3:
        return np.empty((0, 3))
    normals, areas = face_normals(corners[inside].reshape(-1, 3), np.arange(3 * inside.sum()).reshape(-1, 3))
    axes = np.linalg.eigh((normals * areas[:, None]).T @ normals)[1].T
    axes = axes * np.where(np.sum(axes * np.array([1e-3, 1e-2, 1.0]), axis=1) < 0, -1.0, 1.0)[:, None]
    return np.concatenate([axes, -axes])


def ranked(screen: Screen, body: int) -> Indices:
    """Directions that seem free for a body, the most open first; plain ones before others as open."""
    rows = np.flatnonzero(screen.blocked[:, body] <= SCREEN_SHARE)
    plain = rows >= screen.even
    order = np.lexsort((rows, ~plain, -np.round(screen.openness[rows, body], 2)))
    chosen: Indices = rows[order]
    return chosen


def confirmed(
    obstacle: BodyMesh, pieces: BodyMesh, body: int, direction: Floats, most_share: float = CLEAR_SHARE
) -> bool:
    """Whether the obstacle is nowhere in the way, by height maps of both at the same samples.

    ``most_share`` of the columns may be blocked and still count as nowhere.
    """
    return window_of(pieces, body, direction).overlap(obstacle, 0) <= most_share


def apart(directions: Floats, rows: Indices, least_deg: float, most: int) -> list[int]:
    """Rows in order, each at least ``least_deg`` from those before, at most ``most``."""
    taken: list[int] = []
    cosine = np.cos(np.radians(least_deg))
    for row in rows:
        if all(float(directions[row] @ directions[t]) < cosine for t in taken):
            taken.append(int(row))
        if len(taken) >= most:
            break
    return taken


def ways_out(
    obstacle: BodyMesh, pieces: BodyMesh, samples: Samples, screen: Screen, body: int, margin_mm: float
) -> Iterator[Floats]:
    """Confirmed directions of a body, the most open first; narrow ways out last. Lazy: each costs a
    raster."""
    rows = apart(screen.directions, ranked(screen, body), 15.0, TRIES)
    for row in rows:
        if confirmed(obstacle, pieces, body, screen.directions[row]):
            yield screen.directions[row]
    mine = samples.points[:, samples.start[body] : samples.start[body + 1]]
    if not mine.shape[1]:
        return
    low, high = mine.min(axis=1) - margin_mm, mine.max(axis=1) + margin_mm
    for direction in _narrow(
        obstacle, np.ascontiguousarray(mine), screen, body, local_axes(obstacle, low, high)
    ):
        if confirmed(obstacle, pieces, body, direction):
            yield direction


def _narrow(
    obstacle: BodyMesh, points: NDArray[np.float32], screen: Screen, body: int, axes: Floats
) -> Iterator[Floats]:
    """Axes of the surface around, then the least blocked directions, each turned towards less blocked
    ones."""
    share = screen.blocked[:, body]
    starts = [screen.directions[row] for row in np.argsort(share, kind="stable")[:REFINED]]
    if len(axes):
        first = blocked(obstacle, points, axes).mean(axis=1)
        for row in np.argsort(first, kind="stable"):
            if first[row] <= SCREEN_SHARE:
                yield axes[row]
    elif not (share < 1.0).any():
        return
    for start in starts:
        if not 0.0 <= float(share.min()) < 0.6:
            return
        best, least = start, 1.0
        for step_deg in (4.0, 2.0, 1.0):
            ring = np.concatenate([best[None], _around(best, step_deg)])
            shares = blocked(obstacle, points, ring).mean(axis=1)
            best, least = ring[int(np.argmin(shares))], float(shares.min())
        if least <= SCREEN_SHARE:
            yield best


def _around(direction: Floats, step_deg: float) -> Floats:
    """(8, 3) directions ``step_deg`` away from one."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    a = np.cross(direction, helper)
    a /= np.linalg.norm(a)
    b = np.cross(direction, a)
    angle = np.arange(8) * np.pi / 4
    step = np.radians(step_deg)
    ring: Floats = np.cos(step) * direction + np.sin(step) * (
        np.cos(angle)[:, None] * a + np.sin(angle)[:, None] * b
    )
    return ring

"""Where to break a piece that cannot be pulled out whole, so that all its blocks can."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import with_own_points
from falsework.cores import side_by_side
from falsework.layers.stack import Floats, Indices
from falsework.orientation.directions import even_directions
from falsework.release.bodies import BodyMesh, surface_points
from falsework.release.order import PIECE_SHARE, Exit, blockers_of, peeled
from falsework.release.pulling import SCREEN_SHARE, apart, blocked, confirmed, local_axes, plain_directions
from falsework.support.scheme import Role, SupportStrands
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

DIRECTIONS = 300  # even directions tried for each block
POINTS = 600  # on each piece
MOST_BLOCKS = 8
_BATCH = 50  # pieces looked at together
_SCHEMES_CONFIRMED = 20
_TRIES = 12  # directions confirmed for each block, before the part's own axes around it
_WAYS = 3  # ways out of a block held against the other blocks
_BLOCK_SHARE = 0.006  # of a block's points that may seem blocked in a direction worth confirming
_NEAR_DEG = 15.0  # directions around one that say how open it is


@dataclass(frozen=True, eq=False)
class Planes:
    """Cuts: ``normals`` (p, 3) unit, ``offsets`` (p,): points x with normal · x = offset."""

    normals: Floats
    offsets: Floats

    def labels(self, points: Floats) -> Indices:
        """(n,) number of the block of each point: bits by plane, on its positive side 1."""
        side = points @ self.normals.T > self.offsets
        label: Indices = side @ (1 << np.arange(len(self.offsets)))
        return label


@dataclass(frozen=True, eq=False)
class Broken:
    """Planes that free a piece and its blocks in order of removal: middle and direction of each."""

    planes: Planes
    centers: Floats
    directions: Floats


def simple_cuts(low: Floats, high: Floats, axes: Floats, between: Floats) -> Iterator[Planes]:
    """Even cuts across each axis and their combinations, fewest planes first, into at most ``MOST_BLOCKS``.

    ``low``, ``high`` (3,) extents of the piece along the rows of ``axes``: along the body's lines, across
    them, up. ``between`` (ascending): where, across them, a plane passes between lines; the nearest is taken.
    """
    counts = [c for c in product(range(MOST_BLOCKS), repeat=3) if sum(c) > 0]
    counts = [c for c in counts if (c[0] + 1) * (c[1] + 1) * (c[2] + 1) <= MOST_BLOCKS]
    # upright cuts before level ones; of these, between the lines before through them
    counts.sort(key=lambda c: (sum(c), c[2], c[0]))
    for count in counts:
        normals, offsets = [], []
        for axis, n in enumerate(count):
            steps = low[axis] + (high[axis] - low[axis]) * np.arange(1, n + 1) / (n + 1)
            if axis == 1 and len(between):
                steps = np.unique(between[np.argmin(np.abs(steps[:, None] - between), axis=1)])
            normals += [axes[axis]] * len(steps)
            offsets += steps.tolist()
        yield Planes(np.array(normals), np.array(offsets))


def between_lines(strands: SupportStrands, body: int, line_angle_deg: float) -> Floats:
    """Middles between neighbouring body lines of a piece, across the lines, ascending."""
    ends = strands.ends_mm[(strands.piece == body) & (strands.role == Role.LINE)]
    across = plain_directions(line_angle_deg)[4]
    lines = np.unique(np.round(ends[:, :2] @ across[:2], 3))
    middles: Floats = 0.5 * (lines[1:] + lines[:-1])
    return middles


def break_up(
    part: BodyMesh,
    pieces: BodyMesh,
    bodies: Sequence[int],
    strands: SupportStrands,
    line_angle_deg: float,
    margin_mm: float,
    watch: Watch = QUIET,
) -> dict[int, Broken]:
    """The fewest simple cuts whose blocks can all be pulled straight out one after another, where there
    are any.

    One column in a hundred of a block may meet the part: strands of a broken piece give way. ``margin_mm``
    around a piece the part's own axes are looked for.
    """
    found: dict[int, Broken] = {}
    plain = plain_directions(line_angle_deg)
    directions = np.concatenate([plain, even_directions(DIRECTIONS)])
    silent = watch.silent()

    def broken(body: int, points: NDArray[np.float32], in_way: NDArray[np.uint8]) -> Broken | None:
        silent.at("breaking pieces up")
        low, high = points.min(axis=1) - margin_mm, points.max(axis=1) + margin_mm
        axes = local_axes(part, low, high)
        own = blocked(part, points, axes) if len(axes) else np.empty((0, points.shape[1]), np.uint8)
        both = np.concatenate([directions, axes]), np.concatenate([in_way, own])
        ways = _Ways(*both, points.T.astype(np.float64))
        lines = between_lines(strands, body, line_angle_deg)
        return _fewest(part, pieces.only(np.array([body])), ways, plain[[2, 4, 1]], lines, margin_mm)

    for begin in range(0, len(bodies), _BATCH):
        watch.at("breaking pieces up", begin / len(bodies))
        few = bodies[begin : begin + _BATCH]
        samples = surface_points(pieces.only(np.array(few)), POINTS)
        in_way = blocked(part, samples.points, directions)
        own = [slice(*ends) for ends in zip(samples.start[:-1], samples.start[1:], strict=True)]
        made = side_by_side(
            [
                partial(broken, body, np.ascontiguousarray(samples.points[:, mine]), in_way[:, mine])
                for body, mine in zip(few, own, strict=True)
            ]
        )
        found |= {body: one for body, one in zip(few, made, strict=True) if one is not None}
    return found


@dataclass(frozen=True, eq=False)
class _Ways:
    """``directions`` (d, 3), and whether the part blocks each of ``points`` (k, 3) in them: (d, k) 0 or 1."""

    directions: Floats
    in_way: NDArray[np.uint8]
    points: Floats


def _fewest(
    part: BodyMesh, mesh: BodyMesh, ways: _Ways, axes: Floats, between: Floats, margin_mm: float
) -> Broken | None:
    if (ways.in_way.min(axis=0) > 0).mean() > SCREEN_SHARE:
        return None  # points that no straight way leads out from: no cut frees them
    directions, points = ways.directions, ways.points
    near = (directions @ directions.T > np.cos(np.radians(_NEAR_DEG))).astype(np.float32)
    near /= near.sum(axis=1, keepdims=True)
    spans = points @ axes.T
    tried, solid = 0, None
    for planes in simple_cuts(spans.min(axis=0), spans.max(axis=0), axes, between):
        label = planes.labels(points)
        order = np.argsort(label, kind="stable")
        blocks, start, size = np.unique(label[order], return_index=True, return_counts=True)
        free = np.add.reduceat(ways.in_way[:, order], start, axis=1, dtype=np.int32) <= _BLOCK_SHARE * size
        if not free.any(axis=0).all():
            continue
        tried += 1
        openness = np.where(free, near @ free.astype(np.float32), -1.0)
        solid = _solid_of(mesh) if solid is None else solid
        if solid is None:
            return None
        found = _verified(part, mesh, _split(solid, planes), blocks, openness, directions, margin_mm)
        if found is not None:
            return Broken(planes, *found)
        if tried >= _SCHEMES_CONFIRMED:
            return None
    return None


def _verified(
    part: BodyMesh,
    mesh: BodyMesh,
    solids: dict[int, tuple[Floats, Indices]],
    labels: Indices,
    openness: Floats,
    directions: Floats,
    margin_mm: float,
) -> tuple[Floats, Floats] | None:
    """Middles and ways out of the blocks in the order in which they leave, each way confirmed."""
    blocks = _joined([solids[int(label)] for label in labels if int(label) in solids])
    if blocks.count != len(labels):
        return None
    exits: dict[int, list[Exit]] = {}
    for block in np.argsort(openness.max(axis=0), kind="stable").tolist():  # the most doubtful first
        exits[block] = []
        for direction in _candidates(part, mesh, blocks, block, openness[:, block], directions, margin_mm):
            if confirmed(part, blocks, block, direction, PIECE_SHARE):
                exits[block].append(Exit(direction, blockers_of(blocks, block, direction)))
                if not exits[block][-1].blockers or len(exits[block]) >= _WAYS:
                    break
        if not exits[block]:
            return None
    rounds, taken, locked = peeled(exits)
    if locked:
        return None
    order = sorted(rounds, key=lambda block: (rounds[block], block))
    middles = np.array([blocks.bounds[block].mean(axis=0) for block in order])
    return middles, np.array([taken[block].direction for block in order])


def _candidates(
    part: BodyMesh,
    mesh: BodyMesh,
    blocks: BodyMesh,
    block: int,
    openness: Floats,
    directions: Floats,
    margin_mm: float,
) -> Iterator[Floats]:
    """Directions worth confirming: the most open first, of those as open away from the rest of the piece."""
    rows = np.flatnonzero(openness > 0.0)
    low, high = blocks.bounds[block]
    away = np.round(directions[rows] @ (0.5 * (low + high) - mesh.bounds[0].mean(axis=0)), 3)
    rows = rows[np.lexsort((-away, -np.round(openness[rows], 1)))]
    yield from directions[apart(directions, rows, 10.0, _TRIES)]
    yield from local_axes(part, low - margin_mm, high + margin_mm)


def _solid_of(mesh: BodyMesh) -> Manifold | None:
    """The mesh as the library takes it; None where it is no solid."""
    from manifold3d import Error, Manifold, Mesh64

    used, own = with_own_points(mesh.faces, mesh.vertices.shape[1])
    solid = Manifold(
        Mesh64(
            np.ascontiguousarray(mesh.vertices[:, used].T, dtype=np.float64),
            own.astype(np.uint64),
        )
    )
    return solid if solid.status() == Error.NoError else None


def _split(solid: Manifold, planes: Planes) -> dict[int, tuple[Floats, Indices]]:
    """Vertices and faces of each block by label."""
    parts = {0: solid}
    for bit, (normal, offset) in enumerate(zip(planes.normals, planes.offsets, strict=True)):
        halves: dict[int, Manifold] = {}
        for label, one in parts.items():
            above, beneath = one.split_by_plane(tuple(normal.tolist()), float(offset))
            halves[label | 1 << bit], halves[label] = above, beneath
        parts = {label: one for label, one in halves.items() if not one.is_empty()}
    out = {}
    for label, one in parts.items():
        made = one.to_mesh64()
        out[label] = (np.asarray(made.vert_properties)[:, :3], np.asarray(made.tri_verts).astype(np.int64))
    return out


def _joined(solids: list[tuple[Floats, Indices]]) -> BodyMesh:
    vertices: list[Floats] = [np.empty((0, 3))]
    faces: list[Indices] = [np.empty((0, 3), np.int64)]
    start, total = [0], 0
    for points, triangles in solids:
        vertices.append(points)
        faces.append(triangles + total)
        total += len(points)
        start.append(start[-1] + len(triangles))
    return BodyMesh(
        np.ascontiguousarray(np.concatenate(vertices).T, dtype=np.float32),
        np.ascontiguousarray(np.concatenate(faces), dtype=np.int32),
        True,
        np.array(start, dtype=np.int64),
    )


def severed(planes: Planes, strands: SupportStrands, body: int, middles_mm: Floats) -> Indices:
    """(p,) strands of a piece that each plane cuts; of a level plane, those of the layer just above it."""
    mine = strands.piece == body
    ends, layer = strands.ends_mm[mine], strands.layer[mine]
    z = middles_mm[layer]
    counts = np.zeros(len(planes.offsets), dtype=np.int64)
    for k, (normal, offset) in enumerate(zip(planes.normals, planes.offsets, strict=True)):
        if abs(normal[2]) > 0.7:
            above = np.searchsorted(middles_mm, offset / normal[2])
            counts[k] = np.count_nonzero(layer == above)
        else:
            a = ends[:, :2] @ normal[:2] + z * normal[2] - offset
            b = ends[:, 2:] @ normal[:2] + z * normal[2] - offset
            counts[k] = np.count_nonzero((a > 0) != (b > 0))
    return counts

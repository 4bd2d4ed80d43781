"""``judge_release``: whether each piece of support comes off, how, in which order, and what holds it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from falsework.cores import in_chunks, side_by_side
from falsework.droop.estimate import Estimate
from falsework.droop.laws import Laws
from falsework.errors import FalseworkError
from falsework.kernels.column.reach import touched_points
from falsework.layers.stack import Floats, LayerStack
from falsework.orientation.directions import even_directions
from falsework.process.settings import Process
from falsework.release.bodies import (
    GRID,
    SLACK_MM,
    BodyMesh,
    Samples,
    part_mesh,
    piece_mesh,
    surface_points,
    turns,
)
from falsework.release.breaking import Broken, break_up, severed
from falsework.release.hold import Neck, bed_hold_of, bonds_of, necks_of
from falsework.release.order import Exit, blockers_of, peeled, staying
from falsework.release.pulling import Screen, confirmed, plain_directions, screened, ways_out
from falsework.release.state import HAND_N, TOOL_N
from falsework.release.value import (
    FEWEST,
    FINGERS,
    PICK,
    Block,
    BreakingPlane,
    PieceRelease,
    Pulls,
    Release,
    ReleaseState,
    Tool,
    Vector,
)
from falsework.request.context import Context
from falsework.support.geometry import Geometry
from falsework.support.scheme import SupportScheme

REACHED_SHARE = 0.005  # of a piece's points that a tool must touch to get hold of it: two of 300
_FEW = 4  # directions that a thread takes at least
_WAYS = 3  # ways out held against the other pieces when the first is not free of them
_DOWN = np.array([0.0, 0.0, -1.0])
USUAL_PULLS = Pulls()


def judge_release(
    planned: Geometry, process: Process, context: Context, pulls: Pulls = USUAL_PULLS
) -> Release:
    """Judge how every piece of the supports leaves the part.

    Pulls are straight and pieces rigid. The part may be thinned by a tenth of the least clearance.
    Screening overlooks walls thinner than a cell (1/144 of the part's outline), so shares of free
    directions err upwards; a direction is only named once height maps of part and piece, 0.12 mm apart
    where the piece is small enough, show it free. A tool is a box that comes straight down its axis in two
    rolls; other pieces are taken as gone.

    Raises
    ------
    FalseworkError : a piece has no mesh.
    """
    part, stack, need, scheme = planned.part, planned.stack, planned.need, planned.scheme
    tool, directions, belief, watch = pulls.tool, pulls.directions, context.belief, context.watch
    _check_meshes(scheme)
    if not scheme.pieces:
        return Release((), (), tool, directions)
    watch.at("preparing the pieces", 0.0)
    clearance = min(
        scheme.gap.realised_mm, scheme.gap_below.realised_mm, max(process.structure.side_gap_mm, 0.05)
    )
    body = part_mesh(part, clearance)
    mesh = piece_mesh(scheme.vertices, scheme.faces, scheme.face_piece, len(scheme.pieces))
    angle = process.structure.line_angle_deg
    samples = surface_points(mesh, int(np.clip(20_000 // mesh.count, 100, 300)))
    screen = screened(body, samples, plain_directions(angle), directions, watch.part(0.02, 0.5))
    bonds = bonds_of(scheme, Laws(process, belief))
    holds = [bed_hold_of(piece) for piece in scheme.pieces]

    watch.at("lifting the part", 0.5)
    stay = _staying(body, mesh, screen, scheme, bonds, holds)
    margin = 2.0 + clearance

    watch.at("pulling pieces", 0.52)
    silent = watch.silent()

    def pulled(k: int) -> list[Exit]:
        silent.at("pulling pieces")
        return _exits(body, mesh, samples, screen, k, margin, stay)

    tried = [k for k in range(mesh.count) if k not in stay]
    exits = dict(zip(tried, side_by_side([partial(pulled, k) for k in tried]), strict=True))
    watch.at("reaching in with tools", 0.72)
    touched = _touched(body, samples, exits, angle, tool, directions)
    stuck = frozenset(k for k, ways in exits.items() if not ways)
    hidden = frozenset(k for k in stuck if touched[2, k] < REACHED_SHARE)
    rounds, taken, locked = peeled({k: w for k, w in exits.items() if w}, stuck - hidden, hidden)
    firm = {k for k in taken if bonds[k].value > TOOL_N}
    reached = sorted(k for k in stuck | locked | firm if _grip(touched, k))
    broken = break_up(body, mesh, reached, scheme.strands, angle, margin, watch.part(0.8, 0.96))
    # what others lock in, out of a pick's reach, never leaves either
    rounds = {k: n for k, n in rounds.items() if k not in locked or touched[2, k] >= REACHED_SHARE}
    rounds.update(dict.fromkeys(stay, 0))

    watch.at("the part's weakest sections", 0.96)
    numbers = {number for piece in scheme.pieces for number in piece.undersides}
    necks = necks_of(stack, need, numbers, process)
    order = _in_order(rounds, mesh)
    found = _Found(scheme, stack, mesh, screen, touched, stay, taken, broken, rounds, order)
    pieces = tuple(_piece(found, k, bonds[k], holds[k], necks) for k in range(mesh.count))
    watch.at("release judged", 1.0)
    return Release(
        pieces,
        tuple(scheme.pieces[k].number for k in order),
        tool,
        directions,
    )


def _check_meshes(scheme: SupportScheme) -> None:
    meshed = set(np.unique(scheme.face_piece).tolist())
    for k, piece in enumerate(scheme.pieces):
        if k not in meshed:
            raise FalseworkError(f"support piece {piece.number}", "has no mesh", "Build the supports again")


def _touched(
    body: BodyMesh,
    samples: Samples,
    exits: Mapping[int, Sequence[Exit]],
    angle_deg: float,
    tool: Tool,
    directions: int,
) -> Floats:
    """(3, pieces) share of each piece's points that pliers, fingers and a pick can touch.

    Tools come along a quarter as many even directions, the plain ones, and the ways out.
    """
    tools = np.array(
        [[0.5 * t.width_mm, 0.5 * t.opening_mm, t.length_mm, 0.5 * t.hand_mm] for t in (tool, FINGERS, PICK)]
    )
    outward = [way.direction for ways in exits.values() for way in ways]
    ways = np.concatenate(
        [
            even_directions(max(directions // 4, FEWEST)),
            plain_directions(angle_deg),
            *[o[None] for o in outward],
        ]
    )
    ways = ways[np.sort(np.unique(np.round(ways, 6), axis=0, return_index=True)[1])]

    def found(some: Floats) -> Floats:
        flags: Floats = touched_points(
            body.vertices, body.faces, some, samples.points, GRID, body.closed, SLACK_MM, tools
        )
        return flags

    flags = np.maximum.reduce(in_chunks(found, _FEW, turns(ways)))
    sums = np.add.reduceat(flags, samples.start[:-1], axis=1, dtype=np.int64)
    shares: Floats = sums / np.diff(samples.start)
    return shares


def _staying(
    body: BodyMesh,
    mesh: BodyMesh,
    screen: Screen,
    scheme: SupportScheme,
    bonds: Sequence[Estimate],
    holds: Sequence[Estimate],
) -> frozenset[int]:
    """Pieces that stand on the bed alone, hold there better than to the part, and are clear when it is
    lifted."""
    down = {}
    for k, piece in enumerate(scheme.pieces):
        if piece.foot_mm2 <= 0.0 or piece.scar_mm2 > 0.0 or bonds[k].value >= holds[k].value:
            continue
        if screen.blocked[screen.even, k] < 0.1 and confirmed(body, mesh, k, _DOWN):
            down[k] = blockers_of(mesh, k, _DOWN)
    return staying(down)


def _exits(
    body: BodyMesh,
    mesh: BodyMesh,
    samples: Samples,
    screen: Screen,
    k: int,
    margin_mm: float,
    gone: frozenset[int],
) -> list[Exit]:
    """The first way out that no other piece blocks; else the first few."""
    ways: list[Exit] = []
    for direction in ways_out(body, mesh, samples, screen, k, margin_mm):
        way = Exit(direction, blockers_of(mesh, k, direction) - gone)
        if not way.blockers:
            return [way]
        ways.append(way)
        if len(ways) >= _WAYS:
            break
    return ways


def _grip(touched: Floats, k: int) -> bool:
    """Whether pliers or fingers get hold of a piece."""
    return bool(touched[:2, k].max() >= REACHED_SHARE)


def _in_order(rounds: Mapping[int, int], mesh: BodyMesh) -> list[int]:
    """By rounds; within one from the outside in, larger pieces before smaller ones as far out."""
    middles = mesh.bounds.mean(axis=1)
    out = np.round(np.linalg.norm(middles - middles.mean(axis=0), axis=1), 1)
    size = np.round(np.linalg.norm(mesh.bounds[:, 1] - mesh.bounds[:, 0], axis=1), 1)
    return sorted(rounds, key=lambda k: (rounds[k], -out[k], -size[k], k))


def _state(k: int, touched: Floats, stays: bool, whole: bool, breaks: bool, bond: Estimate) -> ReleaseState:
    _, fingers, pick = touched[:, k]
    if stays:
        return ReleaseState.STAYS
    if pick < REACHED_SHARE and not whole:
        return ReleaseState.TRAPPED
    if whole and fingers >= REACHED_SHARE and bond.value <= HAND_N:
        return ReleaseState.BY_HAND
    if whole and _grip(touched, k) and bond.value <= TOOL_N:
        return ReleaseState.BY_TOOL
    if breaks:
        return ReleaseState.BREAK
    return ReleaseState.DIG


@dataclass(frozen=True, eq=False)
class _Found:
    """What was found out about all pieces, before any word is chosen; pieces by index."""

    scheme: SupportScheme
    stack: LayerStack
    mesh: BodyMesh
    screen: Screen
    touched: Floats
    stay: frozenset[int]
    taken: Mapping[int, Exit]
    broken: Mapping[int, Broken]
    rounds: Mapping[int, int]
    order: Sequence[int]


def _piece(found: _Found, k: int, bond: Estimate, hold: Estimate, necks: Mapping[int, Neck]) -> PieceRelease:
    scheme, mesh, touched, taken = found.scheme, found.mesh, found.touched, found.taken
    rounds, stay = found.rounds, found.stay
    piece = scheme.pieces[k]
    state = _state(k, touched, k in stay, k in taken, k in found.broken, bond)
    direction = _DOWN if k in stay else taken[k].direction if k in taken else None
    near = [necks[number] for number in piece.undersides if number in necks]
    neck = min(near, key=lambda n: (n.bears_n, n.area_mm2)) if near else Neck()
    cuts: tuple[BreakingPlane, ...] = ()
    blocks: tuple[Block, ...] = ()
    if state is ReleaseState.BREAK:
        cuts, blocks = _cuts(found, k)
    blockers = taken[k].blockers if k in taken else frozenset()
    after = tuple(sorted(scheme.pieces[b].number for b in blockers if b in rounds and rounds[b] < rounds[k]))
    return PieceRelease(
        number=piece.number,
        state=state,
        pull_direction=None if direction is None else _vector(direction),
        arrow_from_mm=_arrow(mesh, k, direction),
        order=1 + found.order.index(k) if k in rounds else 0,  # what is trapped is in no round
        round=rounds.get(k, 0),
        after=after,
        free_share=float(found.screen.free_share[k]),
        tool_share=float(touched[0, k]),
        hand_share=float(touched[1, k]),
        pick_share=float(touched[2, k]),
        contact_mm2=piece.contact_mm2,
        bond_n=bond,
        bed_hold_n=hold,
        neck_mm2=neck.area_mm2,
        neck_n=neck.bears_n,
        tears=state is not ReleaseState.TRAPPED and bool(near) and bond.high >= neck.bears_n,
        cuts=cuts,
        blocks=blocks,
    )


def _cuts(found: _Found, k: int) -> tuple[tuple[BreakingPlane, ...], tuple[Block, ...]]:
    broken = found.broken[k]
    middle = found.mesh.bounds[k].mean(axis=0)
    strands = severed(broken.planes, found.scheme.strands, k, found.stack.middles_mm)
    cuts = tuple(
        BreakingPlane(_vector(middle + (offset - normal @ middle) * normal), _vector(normal), int(count))
        for normal, offset, count in zip(broken.planes.normals, broken.planes.offsets, strands, strict=True)
    )
    blocks = tuple(
        Block(_vector(center), _vector(direction))
        for center, direction in zip(broken.centers, broken.directions, strict=True)
    )
    return cuts, blocks


def _arrow(mesh: BodyMesh, k: int, direction: Floats | None) -> Vector:
    """A corner of the piece that lies far along the pull and near its axis; its middle where nothing is
    pulled."""
    corners, middle = mesh.corners[k], mesh.bounds[k].mean(axis=0)
    if direction is None:
        return _vector(corners[int(np.argmin(np.linalg.norm(corners - middle, axis=1)))])
    along = (corners - middle) @ direction
    aside = np.linalg.norm(corners - middle - along[:, None] * direction, axis=1)
    return _vector(corners[int(np.argmax(np.round(along - aside, 6)))])


def _vector(values: Floats) -> Vector:
    """Plain numbers; rounding takes the minus off zeros."""
    x, y, z = (float(v) + 0.0 for v in np.round(values, 9))
    return x, y, z

"""Changes as dimensions to type into a drawing program, from what was drafted."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.stack import Floats, Indices
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.changes.draft import ChangeKind, Dimension, Draft, Region
from falsework.redrawing.site.footprint import Footprint

MOST = 12  # of a change: then it is said how many more there are
STRAIGHT_DEG = 2.0  # edges that turn by less are one
ROUND_EDGES, ROUND_MM = 8, 0.05  # so many edges in a row whose ends lie so near to a circle are round
_NO_PLANES = "it follows {} and has no few planes to type: take its solid from the file of changes"
_LAYERED, _CURVED = (Dimension(_NO_PLANES.format(what)) for what in ("the layers", "a curved underside"))
SHORT_MM = 0.5  # shorter edges are corners that are not quite sharp
_RAYS, _HALVINGS = 9, 20  # straight across an edge, to find how far a chamfer reaches
RIDGE_MM = 0.02  # what lies no deeper beneath the top is the ridge


def chamfers(footprint: Footprint, z_mm: float, slope: float) -> tuple[Dimension, ...]:
    """The corbel under a level underside at ``z_mm`` as a chamfer along each edge that carries it."""
    angle = 90.0 - math.degrees(math.atan(slope))
    found = []
    for chain in _chains(footprint):
        points = np.concatenate([footprint.ends[chain, :2], footprint.ends[chain[-1:], 2:]])
        circle = _circle(points) if len(chain) >= ROUND_EDGES else None
        if circle is not None:
            found.append(_cone(footprint, circle, z_mm, slope, angle))
            continue
        for start, end in _straight(points):
            reach = _reach_mm(footprint, start, end)
            if reach > 0.05 and float(np.linalg.norm(end - start)) > SHORT_MM:
                down = f"{reach * slope:.2f} mm down the wall"
                if reach * slope > z_mm:
                    down = f"{z_mm:.2f} mm down the wall to the bed, which cuts it off there"
                found.append(
                    Dimension(
                        f"chamfer {angle:.1f}° from the vertical, legs {reach:.2f} mm under the ceiling and "
                        f"{down}, along the edge from {{}} to {{}}",
                        ((*start, z_mm), (*end, z_mm)),
                    )
                )
    return _few(found)


def of_solids(draft: Draft) -> tuple[Dimension, ...]:
    """What is told of a draft by its solids alone."""
    if draft.kind is ChangeKind.ROOF:
        return _few([_ridge(region) for region in draft.removed])
    if draft.kind is ChangeKind.STEPS:
        return _few([_box(region, "cut ", "wide") for region in draft.removed])
    whole = (_LAYERED,) if draft.freeform or any(_crossed(r) for r in draft.added) else ()
    if draft.kind is ChangeKind.CORBEL:
        return whole or (() if draft.dimensions else (_CURVED,))
    walls = [_wall(region) for region in draft.added if not _crossed(region)]
    return (*whole, *_few(walls))


def _crossed(region: Region) -> bool:
    return region.name.startswith("crossed")


def _few(found: list[Dimension]) -> tuple[Dimension, ...]:
    more = len(found) - MOST
    return (*found[:MOST], *([Dimension(f"and {more} more, as in the file of changes")] if more > 0 else []))


def _chains(footprint: Footprint) -> list[Indices]:
    """Runs of carried edges in the order of the outline."""
    carried, follows = footprint.carried, footprint.follows
    before = np.empty_like(follows)
    before[follows] = np.arange(len(follows))
    left, chains = set(np.flatnonzero(carried).tolist()), []
    heads = [k for k in sorted(left) if not carried[before[k]]]
    for head in (*heads, *sorted(left)):
        if head not in left:
            continue
        chain = [head]
        left.discard(head)
        while (nxt := int(follows[chain[-1]])) in left:
            chain.append(nxt)
            left.discard(nxt)
        chains.append(np.array(chain))
    return chains


def _straight(points: Floats) -> list[tuple[Floats, Floats]]:
    """Ends of the straight stretches of a line."""
    along = np.diff(points, axis=0)
    angle = np.degrees(np.unwrap(np.arctan2(along[:, 1], along[:, 0])))
    bends = np.flatnonzero(np.abs(np.diff(angle)) > STRAIGHT_DEG) + 1
    return [(points[a], points[b]) for a, b in pairwise([0, *bends.tolist(), len(points) - 1])]


def _circle(points: Floats) -> tuple[Floats, float] | None:
    """Middle and radius of the circle on which points lie; None where there is none."""
    terms = np.column_stack([points, np.ones(len(points))])
    (x, y, c), *_ = np.linalg.lstsq(terms, (points**2).sum(axis=1), rcond=None)
    middle = np.array([x, y]) / 2.0
    radius = math.sqrt(max(float(c + middle @ middle), 0.0))
    off = np.abs(np.linalg.norm(points - middle, axis=1) - radius)
    return (middle, radius) if float(off.max()) <= ROUND_MM else None


def _cone(
    footprint: Footprint, circle: tuple[Floats, float], z_mm: float, slope: float, angle: float
) -> Dimension:
    middle, radius = circle
    away = np.linalg.norm(planar.get_coordinates(footprint.area) - middle, axis=1)
    far = float(away.max()) if abs(away.max() - radius) > abs(away.min() - radius) else float(away.min())
    return Dimension(
        f"cone {angle:.1f}° from the vertical about the axis through {{}}: radius {far:.2f} mm at the "
        f"ceiling, {radius:.2f} mm {abs(far - radius) * slope:.2f} mm beneath it",
        ((*middle, z_mm),),
    )


def _reach_mm(footprint: Footprint, start: Floats, end: Floats) -> float:
    """How far the chamfer along one of the carried edges reaches, straight across it: to the underside's far
    side, or to where another carried edge is as near."""
    along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-12)
    inward = np.array([-along[1], along[0]])
    ends = footprint.ends[footprint.carried]
    off = np.abs((ends.reshape(-1, 2, 2) - start) @ inward).max(axis=1)
    others = overlay.union_all(planar.linestrings(ends[off > ROUND_MM].reshape(-1, 2, 2)))
    share = np.linspace(0.0, 1.0, _RAYS + 2)[1:-1, None]
    foot = (1.0 - share) * start + share * end + 1e-6 * inward
    rays = planar.linestrings(np.stack([foot, foot + 1e4 * inward], axis=1))
    pieces, of = planar.get_parts(overlay.intersection(rays, footprint.area), return_index=True)
    first = pieces[planar.distance(pieces, planar.points(foot)[of]) < 1e-3]
    if not len(first):
        return 0.0
    from_mm = planar.get_coordinates(first)[::2]
    far = planar.length(first)

    def nearer(reach: Floats) -> NDArray[np.bool_]:
        """Whether another edge is nearer to where a ray has come."""
        at = planar.points(from_mm + reach[:, None] * inward)
        found: NDArray[np.bool_] = planar.distance(at, others) < reach - 1e-6
        return found

    low, high = np.zeros(len(far)), far
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = np.where(nearer(middle), low, middle), np.where(nearer(middle), middle, high)
    return float(np.where(nearer(far), low, far).max())


def _ridge(region: Region) -> Dimension:
    points = mesh_of(region.solid)[0]
    top = points[points[:, 2] >= points[:, 2].max() - RIDGE_MM]
    spread = top[:, :2] - top[:, :2].mean(axis=0)
    along = np.linalg.svd(spread, full_matrices=False)[2][0] if len(top) > 1 else np.array([1.0, 0.0])
    first, last = top[int(np.argmin(spread @ along))], top[int(np.argmax(spread @ along))]
    if float(np.linalg.norm(last - first)) < 0.5:
        return Dimension("peak of the roof at {}", (tuple(top.mean(axis=0)),))
    return Dimension("ridge of the roof from {} to {}", (tuple(first), tuple(last)))


def _wall(region: Region) -> Dimension:
    """A foot is flat: what it is wide is no thickness."""
    return _box(region, "", "wide") if region.name.startswith("foot") else _box(region, "wall ", "thick")


def _box(region: Region, what: str, across: str) -> Dimension:
    points = mesh_of(region.solid)[0]
    box = np.asarray(planar.oriented_envelope(planar.MultiPoint(points[:, :2])).exterior.coords)[:4]
    sides = [box[1] - box[0], box[2] - box[1]]
    long = int(np.linalg.norm(sides[1]) > np.linalg.norm(sides[0]))
    wide = float(np.linalg.norm(sides[1 - long]))
    middle, half = box.mean(axis=0), 0.5 * sides[long]
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    return Dimension(
        f"{what}{region.name}: {wide:.2f} mm {across}, from {{}} to {{}}, {high - low:.2f} mm high",
        ((*(middle - half), low), (*(middle + half), low)),
    )

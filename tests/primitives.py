"""Solids of primitives for tests, drawn twice from the same figures: as sections (shapely) and as a mesh."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import affinity

from falsework.part.part import Part

Point3 = tuple[float, float, float]
_ROUND = 48  # corners of a circle, in sections as in meshes


@dataclass(frozen=True)
class Loft:
    """Between two polygons of as many corners at heights ``low`` and ``high``, straight from each to its
    like.
    """

    bottom: tuple[tuple[float, float], ...]
    top: tuple[tuple[float, float], ...]
    low: float
    high: float

    def section(self, z: float) -> shapely.Geometry:
        if not self.low <= z < self.high:
            return shapely.Polygon()
        t = (z - self.low) / (self.high - self.low)
        a, b = np.array(self.bottom), np.array(self.top)
        return shapely.make_valid(shapely.Polygon((1.0 - t) * a + t * b))

    def solid(self):
        from manifold3d import Manifold, Mesh

        n = len(self.bottom)
        ring = [
            np.column_stack([p, np.full(n, z)]) for p, z in ((self.bottom, self.low), (self.top, self.high))
        ]
        middle = [r.mean(axis=0)[None] for r in ring]
        vertices = np.concatenate([*ring, *middle]).astype(np.float32)
        k = np.arange(n)
        following = (k + 1) % n
        faces = [
            np.column_stack([following, k, np.full(n, 2 * n)]),
            np.column_stack([n + k, n + following, np.full(n, 2 * n + 1)]),
            np.column_stack([k, following, n + following]),
            np.column_stack([k, n + following, n + k]),
        ]
        return Manifold(Mesh(vertices, np.concatenate(faces).astype(np.uint32)))


@dataclass(frozen=True)
class Rod:
    """A cylinder lying along x or y: axis through ``centre``, from ``start`` to ``end`` along it."""

    axis: int
    centre: Point3
    radius: float
    start: float
    end: float

    def section(self, z: float) -> shapely.Geometry:
        off = z - self.centre[2]
        if abs(off) >= self.radius:
            return shapely.Polygon()
        half = math.sqrt(self.radius**2 - off * off)
        other = self.centre[1 - self.axis]
        low, high = (self.start, other - half), (self.end, other + half)
        if self.axis == 1:
            low, high = low[::-1], high[::-1]
        return shapely.box(*low, *high)

    def solid(self):
        from manifold3d import Manifold

        rod = Manifold.cylinder(self.end - self.start, self.radius, circular_segments=4 * _ROUND)
        turn, at = ((0, 90, 0), (self.start, self.centre[1], self.centre[2]))
        if self.axis == 1:
            turn, at = ((-90, 0, 0), (self.centre[0], self.start, self.centre[2]))
        return rod.rotate(turn).translate(at)


def prism(polygon: shapely.Geometry, low: float, high: float) -> Loft:
    corners = tuple((float(x), float(y)) for x, y in polygon.exterior.coords[:-1])
    if not polygon.exterior.is_ccw:
        corners = corners[::-1]
    return Loft(corners, corners, low, high)


def box(low: Point3, high: Point3) -> Loft:
    return prism(shapely.box(*low[:2], *high[:2]), low[2], high[2])


def circle(x: float, y: float, radius: float) -> tuple[tuple[float, float], ...]:
    angle = 2 * math.pi * np.arange(_ROUND) / _ROUND
    return tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in angle)


def cone(x: float, y: float, r0: float, r1: float, low: float, high: float) -> Loft:
    return Loft(circle(x, y, r0), circle(x, y, r1), low, high)


def post(x: float, y: float, radius: float, low: float, high: float) -> Loft:
    return cone(x, y, radius, radius, low, high)


def ball(x: float, y: float, z: float, radius: float, from_z: float, steps: int = 24) -> list[Loft]:
    """A ball as stacked cones from height ``from_z`` up to its crown, which is cut a little flat."""
    heights = np.linspace(from_z, z + 0.985 * radius, steps + 1)
    radii = np.sqrt(np.maximum(radius**2 - (heights - z) ** 2, 0.0))
    return [
        cone(x, y, float(r0), float(r1), float(z0), float(z1))
        for r0, r1, z0, z1 in zip(radii, radii[1:], heights, heights[1:], strict=False)
    ]


@dataclass(frozen=True)
class Solid:
    """Primitives added up, others taken away."""

    name: str
    height: float
    added: tuple
    removed: tuple = field(default=())

    def section(self, z: float) -> shapely.Geometry:
        plus = shapely.union_all([p.section(z) for p in self.added])
        minus = shapely.union_all([p.section(z) for p in self.removed])
        return shapely.difference(plus, minus)

    def part(self) -> Part:
        from manifold3d import Manifold, OpType

        def whole(primitives):
            return Manifold.batch_boolean([p.solid() for p in primitives], OpType.Add)

        body = whole(self.added)
        if self.removed:
            body = body - whole(self.removed)
        mesh = body.to_mesh64()
        vertices = np.ascontiguousarray(np.asarray(mesh.vert_properties)[:, :3])
        return Part(self.name, vertices, np.asarray(mesh.tri_verts).astype(np.int32))


def _pointed(length: float, wide: float, x: float = 0.0) -> tuple[tuple[float, float], ...]:
    """The outline of a hull: square stern at ``x``, a bow of two curves; counter-clockwise."""
    t = np.linspace(0.0, 1.0, 13)
    side = 0.5 * wide * (1.0 - t**2.6)
    port = [(x + 0.35 * length + 0.65 * length * a, float(b)) for a, b in zip(t[:-1], side[:-1], strict=True)]
    bow = [(x + length, 0.0)]
    low = [(x, -0.5 * wide), *((a, -b) for a, b in port)]
    return tuple((float(a), float(b)) for a, b in [*low, *bow, *port[::-1], (x, 0.5 * wide)])


def boat() -> Solid:
    """A boat-like test part: flared hull, deep well, cabin with arched windows and a flat roof, funnel,
    bores.
    """
    hull = Loft(_pointed(30.0, 10.0, 2.0), _pointed(40.0, 17.0, 0.0), 0.0, 12.0)
    rail = Loft(_pointed(40.0, 17.0, 0.0), _pointed(42.0, 18.0, -0.5), 12.0, 15.0)
    well = Loft(_pointed(31.0, 10.0, 3.0), _pointed(37.5, 14.6, 1.2), 6.0, 15.0)
    cabin = box((10.0, -6.0, 5.0), (23.0, 6.0, 27.0))
    roof = box((8.5, -7.0, 27.0), (24.5, 7.0, 29.0))
    room = box((12.0, -4.2, 7.0), (21.0, 4.2, 27.0))
    funnel, bore = post(14.0, 0.0, 3.2, 29.0, 36.0), post(14.0, 0.0, 1.6, 28.0, 37.0)
    side = Rod(1, (16.5, 0.0, 19.0), 3.2, -9.0, 9.0)
    front = Rod(0, (0.0, 0.0, 20.0), 3.0, 20.0, 30.0)
    door = box((9.0, -3.0, 16.0), (13.0, 3.0, 24.5))
    hawse = Rod(1, (35.0, 0.0, 10.5), 1.2, -9.0, 9.0)
    box_aft = box((3.0, -3.5, 6.0), (7.0, 3.5, 13.0))
    return Solid(
        "boat",
        36.0,
        (hull, rail, cabin, roof, funnel, box_aft),
        (_Minus(well, (cabin, box_aft)), room, bore, side, front, door, hawse),
    )


@dataclass(frozen=True)
class _Minus:
    """A primitive less others, to be taken away."""

    of: Loft
    less: tuple

    def section(self, z: float) -> shapely.Geometry:
        return shapely.difference(self.of.section(z), shapely.union_all([p.section(z) for p in self.less]))

    def solid(self):
        out = self.of.solid()
        for other in self.less:
            out = out - other.solid()
        return out


def table() -> Solid:
    legs = tuple(box((x, y, 0), (x + 5 + (x + y == 0), y + 5, 12)) for x in (0, 25) for y in (0, 15))
    return Solid("table", 15.0, (*legs, box((0, 0, 12), (30, 20, 15))))


def cleat() -> Solid:
    """A foot with two holes, a stem, and a bar whose horns reach out level."""
    foot, stem = box((0, 0, 0), (30, 14, 3)), box((10, 3, 3), (20, 11, 12))
    bar = Rod(0, (0.0, 7.0, 14.0), 4.0, -2.0, 32.0)
    return Solid("cleat", 18.0, (foot, stem, bar), (post(5, 6, 1.8, 0, 4), post(25, 8, 1.4, 0, 4)))


def bracket() -> Solid:
    """A wall plate with an arm that a bore crosses, and a gusset."""
    gusset = Loft(((6, 6), (7, 6), (7, 10), (6, 10)), ((6, 6), (22, 6), (22, 10), (6, 10)), 4.0, 20.0)
    plate, arm = box((0, 0, 0), (6, 16, 26)), box((6, 3, 20), (28, 13, 26))
    return Solid("bracket", 26.0, (plate, arm, gusset), (Rod(0, (0.0, 5.0, 10.0), 2.5, -1.0, 7.0),))


def cowl() -> Solid:
    """A tube that flares to a bell."""
    outer = (post(0, 0, 8, 0, 10), cone(0, 0, 8, 14, 10, 20))
    inner = (post(0, 0, 6, -1, 10), cone(0, 0, 6, 12.2, 10, 20.01))
    return Solid("cowl", 20.0, outer, inner)


def pulley() -> Solid:
    """Two flanges and a hub between them, bored."""
    added = (post(0, 0, 12, 0, 3), post(0, 0, 7, 3, 9), post(0, 0, 12, 9, 12))
    return Solid("pulley", 12.0, added, (post(0, 0, 3, -1, 13),))


def slotted() -> Solid:
    """A block with a slot all through and two pockets: bridges of 8 mm, arches, deep sparse fill."""
    slot, arch = box((-1, 5, 5), (31, 13, 10)), Rod(1, (8.0, 0.0, 14.0), 2.5, -1.0, 25.0)
    pocket = box((18, 3, 13), (26, 11, 19))
    return Solid("slotted", 18.0, (box((0, 0, 0), (30, 18, 18)),), (slot, arch, pocket))


def flange() -> Solid:
    """A plate with four holes and a boss with a stepped bore."""
    holes = tuple(post(x, y, 2.0, -1, 5) for x in (5, 27) for y in (5, 27))
    added = (box((0, 0, 0), (32, 32, 4)), post(16, 16, 9, 4, 16))
    return Solid("flange", 16.0, added, (*holes, post(16, 16, 3, -1, 17), post(16, 16, 5.5, 10, 17)))


def shelf() -> Solid:
    """A plate, a post and an arm that hangs over the plate."""
    return Solid(
        "shelf",
        14.0,
        (box((0, 0, 0), (30, 16, 2)), box((0, 0, 2), (7, 16, 14)), box((0, 2, 11), (24, 14, 14))),
    )


def buoy() -> Solid:
    """A ball on a stem on a foot."""
    added = (post(0, 0, 9, 0, 2), post(0, 0, 3.5, 2, 9), *ball(0, 0, 15, 9.0, 7.0))
    return Solid("buoy", 15 + 0.985 * 9.0, added)


SOLIDS: dict[str, Callable[[], Solid]] = {
    f.__name__: functools.cache(f)
    for f in (boat, table, cleat, bracket, cowl, pulley, slotted, flange, shelf, buoy)
}


def moved(region: shapely.Geometry, x: float, y: float) -> shapely.Geometry:
    return affinity.translate(region, x, y)

"""Loose pins in blind holes, so that glued pieces come together where they belong.

Why loose: a pin that stood on a cut face would keep the piece from lying on it. A hole whose mouth lies on
the bed ends in a cone at the limit angle; in a piece that lies on another side its roof is peaked at that
angle instead. Both hold by themselves. A loose pin is printed lying, so that no layer crosses it, where it
would break; six-sided, since the lower sides of such a prism lean out by 30°, which holds. It touches the
round hole at its six corners and leaves the glue room beside them, and a drill of the hole's size clears a
hole that came out tight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from falsework.layers import overlay, planar
from falsework.orientation.directions import rotations_to_up
from falsework.part.part import Floats
from falsework.process.settings import Process
from falsework.redrawing.body.solids import prism
from falsework.redrawing.split.bodies import APART_MM, MITRE, section, turned
from falsework.redrawing.split.value import Pin

if TYPE_CHECKING:
    from manifold3d import Manifold

HOLES_MM = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0)  # diameters, common practice, no source
DEPTHS = (1.25, 1.0, 0.75, 0.5)  # over the diameter, deepest first; constructed
WALL_LINES = 2.0  # of the piece around a hole
CLEARANCE_LINES = 0.5  # between pin and hole on the diameter: common practice, no source
LEAD_MM = 0.4  # the mouth is wider by that all around: first layers spread; common practice, no source
OPEN_MM = 0.1  # a hole reaches past its mouth, out of the piece
MARGIN_DEG = 1.0  # roofs are steeper than the limit by that
BETWEEN_MM = 2.0  # points of an outline that a pin may be put at
LEVEL_STEP_MM = 0.5  # between the sections that are looked at for room
SIDES = 48
ASIDE_SHARE = (
    1.5  # two pins are at least so many diameters apart; of one size, they lie off the middle by half
)


@dataclass(frozen=True, eq=False)
class Side:
    """One piece at a joint: the body, and which way it is up while it is printed."""

    solid: Manifold
    up: Floats


@dataclass(frozen=True, eq=False)
class Drilled:
    """The pins of one joint, and the holes to be taken from the body above and the one below."""

    pins: tuple[Pin, ...]
    above: list[Manifold]
    below: list[Manifold]
    one_way: bool
    mouths_mm2: float  # taken from the common face

    @property
    def holes(self) -> list[Manifold]:
        return [*self.above, *self.below]


def drilled(
    region: planar.Polygon | planar.MultiPolygon,
    normal: Floats,
    offset_mm: float,
    above: Side,
    below: Side,
    process: Process,
) -> Drilled:
    """Pins across the ``region`` where two pieces meet: two as far apart as they can be.

    The largest pair of unequal size for which there is room, else a pair of one size that lies to one side,
    so that the outlines do not match the wrong way round; else any two, one, or none. Walls of ``WALL_LINES``
    lines remain around, behind and between the holes.
    """
    turn = rotations_to_up(normal[None])[0]
    room = [_rooms(side.solid, turn, offset_mm, sign) for side, sign in ((above, 1.0), (below, -1.0))]
    wall_mm = WALL_LINES * process.line_width_mm
    face = _Face(turn, normal, offset_mm, above, below)
    least_mm = 6.0 * process.line_width_mm
    sizes = [size for size in HOLES_MM if size >= least_mm]
    places = {size: _places(region, room, size, wall_mm, process) for size in sizes}
    middle = np.array(region.centroid.coords[0])
    same = [(size, size) for size in sizes]
    for pairs, aside in ((list(pairwise(sizes)), False), (same, True), (same, False)):
        for larger, smaller in pairs:
            first, second = places[larger], places[smaller]
            if first is None or second is None:
                continue
            off_mm = 0.5 * larger if aside else 0.0
            pair = _farthest(first.corners, second.corners, middle, off_mm)
            if pair is None or np.linalg.norm(pair[0] - pair[1]) < ASIDE_SHARE * larger + wall_mm:
                continue
            chosen = [(larger, first.depth_mm, pair[0]), (smaller, second.depth_mm, pair[1])]
            done = _drilled_at(chosen, face, wall_mm, process)
            if len(done.pins) == 2:
                return replace(done, one_way=larger > smaller or aside)
    for size, place in places.items():
        if place is not None:
            nearest = place.corners[int(np.argmin(np.linalg.norm(place.corners - middle, axis=1)))]
            chosen = [(size, place.depth_mm, nearest)]
            done = _drilled_at(chosen, face, wall_mm, process)
            if done.pins:
                return done
    return Drilled((), [], [], False, 0.0)


@dataclass(frozen=True, eq=False)
class _Places:
    """Where the axis of a hole may be, and how deep the hole may go there."""

    depth_mm: float
    region: planar.Geometry

    @property
    def corners(self) -> Floats:
        """(k, 2) corners of the region, and points between them."""
        outline = planar.simplify(self.region, 0.01)
        corners: Floats = planar.get_coordinates(
            planar.segmentize(outline, max(BETWEEN_MM, 0.01 * outline.length))
        )
        return corners


def _rooms(solid: Manifold, turn: Floats, offset_mm: float, sign: float) -> list[planar.Geometry]:
    """What is solid all the way from the plane to each further level, ``LEVEL_STEP_MM`` apart."""
    deepest = HOLES_MM[0] * (DEPTHS[0] + 0.5) + 2.0
    solid = turned(solid, turn)
    rooms: list[planar.Geometry] = []
    for level in np.arange(APART_MM, deepest, LEVEL_STEP_MM):
        here = section(solid, offset_mm + sign * float(level))
        rooms.append(here if not rooms else overlay.intersection(rooms[-1], here))
        if rooms[-1].is_empty:
            break
    return rooms


def _places(
    region: planar.Geometry,
    rooms: list[list[planar.Geometry]],
    hole_mm: float,
    wall_mm: float,
    process: Process,
) -> _Places | None:
    """The greatest depth that a hole of this size may have, and where its axis may then be."""
    around = 0.5 * hole_mm / math.sin(_roof_rad(process)) + wall_mm
    on_face = overlay.buffer(region, -max(around, 0.5 * hole_mm + LEAD_MM + wall_mm), join_style=MITRE)
    if on_face.is_empty:
        return None
    for share in DEPTHS:
        depth = share * hole_mm
        level = math.ceil((depth + _cone_mm(hole_mm, process) + wall_mm) / LEVEL_STEP_MM)
        place = on_face
        for side in rooms:
            inside = side[level] if level < len(side) else planar.Polygon()
            place = overlay.intersection(place, overlay.buffer(inside, -around, join_style=MITRE))
        if not place.is_empty:
            return _Places(depth, place)
    return None


def _farthest(first: Floats, second: Floats, middle: Floats, off_mm: float) -> tuple[Floats, Floats] | None:
    """Two points, one of each set, as far apart as they can be with their mean ``off_mm`` off the middle."""
    apart = np.linalg.norm(first[:, None] - second[None], axis=2)
    off = np.linalg.norm(0.5 * (first[:, None] + second[None]) - middle, axis=2)
    apart = np.where(off >= off_mm, apart, -1.0)
    a, b = np.unravel_index(int(np.argmax(apart)), apart.shape)
    return (first[a], second[b]) if apart[a, b] > 0.0 else None


def _roof_rad(process: Process) -> float:
    """Angle of roofs from the vertical."""
    return math.radians(min(process.limit_deg, 60.0) - MARGIN_DEG)


def _cone_mm(hole_mm: float, process: Process) -> float:
    """Height of a cone that closes a hole."""
    return 0.5 * hole_mm / math.tan(_roof_rad(process))


@dataclass(frozen=True, eq=False)
class _Face:
    """The plane where two pieces meet, ``turn`` (3, 3) taking ``normal`` to z, and the piece on each side."""

    turn: Floats
    normal: Floats
    offset_mm: float
    above: Side
    below: Side


def _drilled_at(
    chosen: list[tuple[float, float, Floats]], face: _Face, wall_mm: float, process: Process
) -> Drilled:
    """Pins and holes at (hole mm, depth mm, where on the plane); those that would pierce are left out."""
    pins, tops, bottoms, mouths = [], [], [], 0.0
    for hole, depth, (x, y) in chosen:
        center = face.turn.T @ np.array([x, y, face.offset_mm])
        both = []
        for side, into in ((face.above, face.normal), (face.below, -face.normal)):
            around = _grown(hole, depth, wall_mm, process).transform(_placed(center, into, side.up))
            if (around - side.solid).volume() > 1e-3 * around.volume():
                break
            both.append(_hole(hole, depth, into, side.up, process).transform(_placed(center, into, side.up)))
        if len(both) == 2:
            across = hole - CLEARANCE_LINES * process.line_width_mm
            at = (float(center[0]), float(center[1]), float(center[2]))
            pins.append(Pin(across, hole, depth, 2.0 * depth, at, _pin(across, 2.0 * depth)))
            tops.append(both[0])
            bottoms.append(both[1])
            mouths += math.pi * (0.5 * hole + LEAD_MM) ** 2
    return Drilled(tuple(pins), tops, bottoms, False, mouths)


def _placed(center: Floats, into: Floats, up: Floats) -> Floats:
    """(3, 4) from z into the piece and x as far up as may be, to the hole's place."""
    x = up - (up @ into) * into
    if np.linalg.norm(x) < 1e-6:
        x = np.cross(into, [1.0, 0.0, 0.0] if abs(into[0]) < 0.7 else [0.0, 1.0, 0.0])
    x = x / np.linalg.norm(x)
    return np.column_stack([x, np.cross(into, x), into, center])


def _hole(hole_mm: float, depth_mm: float, into: Floats, up: Floats, process: Process) -> Manifold:
    """A hole from the plane z = 0 up, open beneath, its roof towards +x where it lies on its side."""
    from manifold3d import Manifold

    radius, roof = 0.5 * hole_mm, _roof_rad(process)
    bore = Manifold.cylinder(depth_mm, radius, radius, SIDES)
    lead = Manifold.cylinder(LEAD_MM, radius + LEAD_MM, radius, SIDES)
    lead += Manifold.cylinder(OPEN_MM, radius + LEAD_MM, radius + LEAD_MM, SIDES).translate(
        (0.0, 0.0, -OPEN_MM)
    )
    if abs(float(up @ into)) >= math.cos(roof):  # upright: its end is the ceiling
        end = Manifold.cylinder(_cone_mm(hole_mm, process), radius, 0.0, SIDES).translate(
            (0.0, 0.0, depth_mm)
        )
        return bore + lead + end
    touch = (radius * math.sin(roof), radius * math.cos(roof))  # of a roof's plane and the bore
    gable = planar.Polygon([(0.0, 0.0), (touch[0], -touch[1]), (radius / math.sin(roof), 0.0), touch])
    return bore + lead + prism(gable, 0.0, depth_mm)


def _grown(hole_mm: float, depth_mm: float, wall_mm: float, process: Process) -> Manifold:
    """What must be solid: the hole with its wall, less a little at the plane itself."""
    from manifold3d import Manifold

    radius = 0.5 * hole_mm / math.sin(_roof_rad(process)) + wall_mm
    height = depth_mm + _cone_mm(hole_mm, process) + wall_mm - APART_MM
    return Manifold.cylinder(height, radius, radius, SIDES).translate((0.0, 0.0, APART_MM))


def _pin(across_mm: float, length_mm: float) -> Manifold:
    """A six-sided pin as it is printed: along x, lying on a side at z = 0."""
    from manifold3d import Manifold

    upright = Manifold.cylinder(length_mm, 0.5 * across_mm, 0.5 * across_mm, 6)  # corners at 0°, 60°, …
    lying = upright.rotate((0.0, 90.0, 0.0)).rotate((30.0, 0.0, 0.0))
    box = lying.bounding_box()
    return lying.translate((-0.5 * length_mm, 0.0, -box[2]))

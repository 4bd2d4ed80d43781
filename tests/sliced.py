"""Solids sliced to strokes in shapely, as people's slicing programs do it: walls, skins, sparse fill,
bridges.

The tests' own reference for sound programs; ``planted`` spoils them. Nothing of the package is used here but
the writer of text in ``programs``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from shapely import affinity

from programs import Writer, section_mm2

Region = shapely.Geometry
quietly = np.errstate(divide="ignore", invalid="ignore")  # mitred offsets of slivers divide by nothing
EMPTY = shapely.Polygon()


@dataclass(frozen=True)
class Recipe:
    """How a solid is printed; lengths mm. ``fill``: share; ``pattern``: lines, zigzag or grid."""

    height: float = 0.25
    first: float = 0.25
    width: float = 0.45
    walls: int = 2
    skins: int = 3
    fill: float = 0.15
    pattern: str = "lines"
    angle: float = 45.0
    overlap: float = 0.25  # of a width, that fill reaches into the walls
    threads: bool = True  # bridges as round threads
    thread_mm: float = 0.4
    gap_fill: bool = True
    inner_first: bool = True
    supports: bool = True
    gap_layers: int = 1
    interface: int = 2
    spacing: float = 2.5
    closed_support: bool = False
    tall_support: bool = False  # its body in every second layer, twice as high
    side: float = 0.6
    bridge_mm: float = 12.0  # so far a slicing program leaves undersides to bridge


@dataclass
class Stroke:
    """One path without a travel in between; ``section`` overrules what width and height give."""

    role: str
    points: np.ndarray
    closed: bool = False
    width: float = 0.45
    height: float = 0.25
    section: float | None = None
    speed: float = 45.0
    flow: float = 1.0


@dataclass
class Level:
    z: float  # the nozzle's height
    height: float
    strokes: list[Stroke] = field(default_factory=list)
    fan: float = 1.0


def polygons(region: Region) -> list[shapely.Polygon]:
    return [g for g in shapely.get_parts(region) if g.geom_type == "Polygon" and not g.is_empty]


def opened(region: Region, by: float) -> Region:
    return region.buffer(-by, join_style="mitre").buffer(by, join_style="mitre")


def tops(height: float, recipe: Recipe) -> list[tuple[float, float]]:
    out = [(recipe.first, recipe.first)]
    while out[-1][0] + recipe.height < height + 0.4 * recipe.height:
        out.append((round(out[-1][0] + recipe.height, 6), recipe.height))
    return out


def sections(solid, recipe: Recipe) -> list[Region]:
    return [
        shapely.simplify(solid.section(min(z - 0.5 * h, solid.height - 1e-6)), 0.01)
        for z, h in tops(solid.height, recipe)
    ]


# strokes of one region


def ring_strokes(
    region: Region, recipe: Recipe, h: float, lines: int, role: str = "wall"
) -> tuple[list[Stroke], Region]:
    """Closed lines inwards from an outline, and what is left inside them."""
    w = recipe.width
    pitch = section_mm2(w, h) / h
    out: list[list[Stroke]] = []
    for k in range(lines):
        inner = region.buffer(-(0.5 * w + k * pitch), join_style="mitre")
        out.append(
            [
                Stroke(role, np.asarray(ring.coords)[:-1], True, w, h)
                for polygon in polygons(inner)
                for ring in (polygon.exterior, *polygon.interiors)
                if ring.length > 2.0 * w
            ]
        )
    if recipe.inner_first:
        out = out[::-1]
    left = region.buffer(-(0.5 * w + (lines - 1) * pitch), join_style="mitre").buffer(
        -0.5 * pitch, join_style="mitre"
    )
    return [s for rings in out for s in rings], left


def hatch(
    region: Region, angle_deg: float, spacing: float, *, joined: bool = False, shift: float = 0.0
) -> list[np.ndarray]:
    """Parallel lines over a region at fixed places of the bed, there and back; ``joined`` to a zigzag."""
    if region.is_empty:
        return []
    turned = affinity.rotate(region, -angle_deg, origin=(0, 0))
    x0, y0, x1, y1 = turned.bounds
    rows = (
        np.arange(math.ceil((y0 - shift) / spacing), math.floor((y1 - shift) / spacing) + 1)
    ) * spacing + shift
    if len(rows) == 0:
        rows = np.array([0.5 * (y0 + y1)])
    lines = shapely.linestrings(
        np.stack(
            [
                np.column_stack([np.full(len(rows), x0 - 1), rows]),
                np.column_stack([np.full(len(rows), x1 + 1), rows]),
            ],
            axis=1,
        )
    )
    cut = shapely.intersection(lines, turned)
    a = math.radians(angle_deg)
    back = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    out: list[np.ndarray] = []
    flip = False
    for row in cut:
        for piece in shapely.get_parts(row):
            if piece.geom_type != "LineString" or piece.length < 0.3:
                continue
            points = np.asarray(piece.coords)[[0, -1]]
            points = points[::-1] if flip else points
            flip = not flip
            last = out[-1] if out else None
            if joined and last is not None and np.hypot(*(last[-1] - points[0])) < 1.8 * spacing:
                link = shapely.LineString([last[-1], points[0]])
                if turned.buffer(0.05).contains(link):
                    out[-1] = np.vstack([last, points])
                    continue
            out.append(points)
    return [p @ back for p in out]


def thin_strokes(rest: Region, recipe: Recipe, h: float) -> list[Stroke]:
    """Strands of their own width along what walls and fill leave free."""
    out = []
    for polygon in polygons(rest):
        if polygon.area < 0.3:
            continue
        box = polygon.minimum_rotated_rectangle
        if box.geom_type != "Polygon":
            continue
        c = np.asarray(box.exterior.coords)
        long = max(np.hypot(*(c[1] - c[0])), np.hypot(*(c[2] - c[1])))
        wide = polygon.area / max(long, 1e-6)
        if long < 1.5 or not 0.15 < wide < 0.6 or polygon.area < 0.6 * box.area:
            continue
        a, b = (c[0], c[1]) if np.hypot(*(c[1] - c[0])) == long else (c[1], c[2])
        off = 0.5 * (c[2] - c[1] if np.hypot(*(c[1] - c[0])) == long else c[0] - c[1])
        line = shapely.LineString([a + off, b + off]).intersection(polygon)
        out += [
            Stroke("gap", np.asarray(piece.coords), False, wide, h, section=wide * h)
            for piece in shapely.get_parts(line)
            if piece.geom_type == "LineString" and piece.length > 1.0
        ]
    return out


def short_way(region: Region) -> float:
    """Direction across a region's narrow side, degrees."""
    c = np.asarray(region.minimum_rotated_rectangle.exterior.coords)
    a, b = c[1] - c[0], c[2] - c[1]
    way = a if np.hypot(*a) <= np.hypot(*b) else b
    return math.degrees(math.atan2(way[1], way[0])) % 180.0


@dataclass
class Sliced:
    """Sections of all layers with their supports, ready to be drawn as strokes."""

    recipe: Recipe
    heights: list[tuple[float, float]]
    regions: list[Region]
    supports: list[Region]
    interfaces: list[Region]
    carried: list[Region]  # of each layer: what support holds up from beneath


def needs_support(under: Region, beneath: Region, recipe: Recipe) -> Region:
    """What of an underside a slicing program carries: not bridges between two sides, not slopes."""
    out = []
    for piece in polygons(opened(under, 0.1)):
        touch = shapely.intersection(piece.buffer(0.7), beneath)
        c = np.asarray(piece.minimum_rotated_rectangle.exterior.coords)
        short = min(np.hypot(*(c[1] - c[0])), np.hypot(*(c[2] - c[1])))
        sides = len(polygons(opened(touch, 0.05)))
        ring = bool(piece.interiors) and sides <= 1
        around = (
            sides == 1
            and piece.exterior.intersection(beneath.buffer(0.7)).length > 0.9 * piece.exterior.length
        )
        if short <= recipe.bridge_mm and (sides >= 2 or around) and not ring:
            continue
        out.append(piece)
    return shapely.union_all(out) if out else EMPTY


@quietly
def slice_regions(regions: Sequence[Region], heights: list[tuple[float, float]], recipe: Recipe) -> Sliced:
    n = len(regions)
    w = recipe.width
    need: list[Region] = [EMPTY] * n
    if recipe.supports:
        for k in range(1, n):
            under = regions[k].difference(regions[k - 1].buffer(0.5 * w, join_style="mitre"))
            if not under.is_empty:
                need[k] = needs_support(under, regions[k - 1], recipe)
    body: list[Region] = [EMPTY] * n
    down: Region = EMPTY
    for i in range(n - 1, -1, -1):
        k = i + 1 + recipe.gap_layers
        if k < n and not need[k].is_empty:
            down = down.union(need[k].buffer(0.8, join_style="mitre"))
        down = down.difference(regions[i])
        if down.is_empty:
            continue
        around = shapely.union_all(regions[max(0, i - recipe.gap_layers) : i + 2]).buffer(
            recipe.side, join_style="mitre"
        )
        body[i] = opened(down.difference(around), 0.7)
    # a support that reaches nothing beneath is not printed
    for i in range(n):
        if i == 0 or body[i].is_empty:
            continue
        beneath = (
            body[i - 1].union(regions[i - 1 - recipe.gap_layers]) if i > recipe.gap_layers else body[i - 1]
        )
        stands = [
            piece
            for piece in polygons(body[i])
            if piece.intersection(beneath).area > 0.5 * min(piece.area, 4.0)
        ]
        body[i] = shapely.union_all(stands) if stands else EMPTY
    interface: list[Region] = [EMPTY] * n
    for i in range(n):
        if body[i].is_empty or not recipe.interface:
            continue
        above = body[i + recipe.interface] if i + recipe.interface < n else EMPTY
        interface[i] = opened(body[i].difference(above), 0.3)
    carried = [EMPTY] * n
    for k in range(n):
        if k - 1 - recipe.gap_layers >= 0:
            carried[k] = body[k - 1 - recipe.gap_layers]
    return Sliced(recipe, heights, list(regions), body, interface, carried)


@quietly
def sliced(solid, recipe: Recipe) -> Sliced:
    return slice_regions(sections(solid, recipe), tops(solid.height, recipe), recipe)


def support_strokes(s: Sliced, k: int) -> list[Stroke]:
    recipe, (_, h) = s.recipe, s.heights[k]
    out: list[Stroke] = []
    dense = s.interfaces[k]
    body = s.supports[k].difference(dense)
    w = recipe.width
    tall = recipe.tall_support and k > 0
    if tall and k % 2 == 1:  # waits for the next layer, unless that one has no body here
        nothing_above = s.supports[k + 1].difference(s.interfaces[k + 1]) if k + 1 < len(s.heights) else EMPTY
        body = body.difference(nothing_above.buffer(0.1))
    for polygon in polygons(body):
        if recipe.closed_support:
            rings, inside = ring_strokes(polygon, recipe, h, 1, "support")
            out += rings
            polygon = inside
        twice = tall and k % 2 == 0
        for line in hatch(
            polygon.buffer(-0.1), 0.0, recipe.spacing, joined=not recipe.closed_support and not twice
        ):
            double = twice and s.supports[k - 1].difference(s.interfaces[k - 1]).buffer(0.1).contains(
                shapely.LineString(line)
            )
            high = 2 * h if double else h
            out.append(Stroke("support", line, False, w, high, speed=60.0))
    for polygon in polygons(dense):
        pitch = section_mm2(w, h) / h
        out += [
            Stroke("interface", line, False, w, h, speed=60.0)
            for line in hatch(polygon.buffer(-0.5 * w), 90.0 * (k % 2), 1.15 * pitch)
        ]
    return out


@quietly
def part_strokes(s: Sliced, k: int) -> list[Stroke]:
    recipe, (_, h) = s.recipe, s.heights[k]
    w, n = recipe.width, len(s.regions)
    pitch = section_mm2(w, h) / h
    out: list[Stroke] = []
    for region in polygons(s.regions[k]):
        walls, inside = ring_strokes(region, recipe, h, recipe.walls)
        out += walls
        if recipe.gap_fill:
            covered = shapely.union_all(
                [shapely.LinearRing(x.points).buffer(0.5 * pitch, cap_style="flat") for x in walls]
            )
            out += thin_strokes(
                region.buffer(-0.25 * w).difference(covered).difference(inside.buffer(0.2)), recipe, h
            )
        inside = inside.buffer(recipe.overlap * w, join_style="mitre")
        inside = opened(inside, 0.15)
        if inside.is_empty:
            continue
        below = s.regions[k - 1] if k else s.regions[0]
        air = inside.difference(below).difference(s.carried[k]) if k else EMPTY
        bridge = EMPTY
        if not opened(air, 0.5).is_empty:
            bridge = opened(air, 0.3).buffer(1.2, join_style="mitre").intersection(inside)
        near = [s.regions[j] if 0 <= j < n else EMPTY for j in range(k - recipe.skins, k + recipe.skins + 1)]
        core = inside
        for r in near:
            core = core.intersection(r)
        core = opened(core.buffer(-0.3), 0.5)
        skin = opened(inside.difference(core), 0.1).difference(bridge)
        for piece in polygons(bridge):
            angle = short_way(piece)
            thread = math.pi / 4 * recipe.thread_mm**2 if recipe.threads else None
            step = recipe.thread_mm * 1.05 if recipe.threads else pitch
            out += [
                Stroke("bridge", line, False, w, h, section=thread, speed=25.0)
                for line in hatch(piece.buffer(-0.1), angle, step)
            ]
        angle = recipe.angle + 90.0 * (k % 2)
        for piece in polygons(skin):
            out += [
                Stroke("skin", line, False, w, h)
                for line in hatch(piece, angle, pitch, joined=piece.area > 20)
            ]
        if recipe.fill > 0.0:
            for piece in polygons(core):
                turns = (angle,) if recipe.pattern != "grid" else (recipe.angle, recipe.angle + 90.0)
                gap = pitch / recipe.fill * len(turns)
                for turn in turns:
                    out += [
                        Stroke("fill", line, False, w, h, speed=60.0)
                        for line in hatch(
                            piece.buffer(0.3), turn, gap, joined=recipe.pattern == "zigzag", shift=0.37 * gap
                        )
                    ]
    return out


@quietly
def levels_of(s: Sliced) -> list[Level]:
    return [
        Level(z, h, [*support_strokes(s, k), *part_strokes(s, k)], 0.0 if k == 0 else 1.0)
        for k, (z, h) in enumerate(s.heights)
    ]


# plates


def moved(levels: Sequence[Level], x: float, y: float) -> list[Level]:
    return [
        replace(level, strokes=[replace(s, points=s.points + np.array([x, y])) for s in level.strokes])
        for level in levels
    ]


def beside(*plates: Sequence[Level]) -> list[Level]:
    """Several parts layer by layer: levels of the same height become one."""
    by_z: dict[float, Level] = {}
    for levels in plates:
        for level in levels:
            if level.z in by_z:
                by_z[level.z].strokes.extend(level.strokes)
            else:
                by_z[level.z] = Level(level.z, level.height, list(level.strokes), level.fan)
    return [by_z[z] for z in sorted(by_z)]


def outline(levels: Sequence[Level]) -> Region:
    """The ground that the first layer takes."""
    return shapely.union_all([_drawn(s) for s in levels[0].strokes])


def _drawn(s: Stroke) -> Region:
    points = np.vstack([s.points, s.points[:1]]) if s.closed else s.points
    return shapely.LineString(points).buffer(0.5 * s.width)


def with_skirt(levels: Sequence[Level], loops: int = 2, away: float = 4.0) -> list[Level]:
    first = levels[0]
    hull = outline(levels).convex_hull
    strokes = [
        Stroke(
            "skirt", np.asarray(hull.buffer(away + 0.45 * k).exterior.coords)[:-1], True, 0.45, first.height
        )
        for k in range(loops)
    ]
    return [replace(first, strokes=[*strokes, *first.strokes]), *levels[1:]]


@quietly
def with_brim(levels: Sequence[Level], loops: int = 8) -> list[Level]:
    first = levels[0]
    whole = outline(levels).buffer(0.3).buffer(-0.3)
    strokes = [
        Stroke("brim", np.asarray(polygon.exterior.coords)[:-1], True, 0.45, first.height)
        for k in range(loops, 0, -1)
        for polygon in polygons(whole.buffer((k - 0.5) * 0.43))
    ]
    return [replace(first, strokes=[*strokes, *first.strokes]), *levels[1:]]


def with_prime(levels: Sequence[Level], kind: int = 0) -> list[Level]:
    """Lines beside the part that fill the nozzle: thick, twice over, or joined by a wipe."""
    first = levels[0]
    y0, y1 = 5.0, 105.0
    if kind == 0:  # there and back 0.3 mm beside, of twice the plastic
        lines = [
            Stroke("prime", np.array([[2.0, y0], [2.0, y1]]), section=0.25),
            Stroke("prime", np.array([[2.3, y1], [2.3, y0]]), section=0.25),
        ]
    elif kind == 1:  # a thick line, then a thin one on
        lines = [Stroke("prime", np.array([[5.0, 3.0], [65.0, 3.0], [105.0, 3.0]]), section=0.45)]
    else:  # short, over itself
        lines = [Stroke("prime", np.array([[5.0, 3.0], [35.0, 3.0], [5.0, 3.0]]), section=0.2)]
    height = 0.3 if kind == 0 else first.height
    for line in lines:
        line.height = height
    return [Level(height, height, lines, 0.0), *levels]


def with_tower(levels: Sequence[Level], x: float = 60.0, y: float = 10.0, every: int = 1) -> list[Level]:
    """A purge tower of dense zigzags, a little more plastic than needed, up to the part's top."""
    square = shapely.box(x, y, x + 10, y + 10)
    out = []
    for k, level in enumerate(levels):
        strokes = list(level.strokes)
        if k % every == 0:
            strokes.append(Stroke("tower", np.asarray(square.exterior.coords)[:-1], True, 0.45, level.height))
            strokes += [
                Stroke("tower", line, False, 0.5, level.height, flow=1.15)
                for line in hatch(square.buffer(-0.3), 90.0 * (k % 2), 0.5, joined=True)
            ]
        out.append(replace(level, strokes=strokes))
    return out


def with_raft(levels: Sequence[Level], gap: float = 0.2) -> list[Level]:
    """Three layers of raft under everything: coarse, then dense ones; the part starts ``gap`` above."""
    whole = outline(levels).convex_hull.buffer(3.0)
    out = []
    z = 0.0
    for h, w, pitch, angle in ((0.3, 0.8, 1.6, 0.0), (0.25, 0.45, 0.6, 90.0), (0.25, 0.45, 0.45, 0.0)):
        z = round(z + h, 6)
        strokes = [Stroke("raft", line, False, w, h) for line in hatch(whole, angle, pitch, joined=True)]
        out.append(Level(z, h, strokes, 0.0))
    up = z + gap
    return out + [replace(level, z=round(level.z + up, 6)) for level in levels]


def fuzzy(levels: Sequence[Level], by: float, rng: np.random.Generator) -> list[Level]:
    """Outer walls that waver, as for a rough finish."""
    out = []
    for level in levels:
        strokes = []
        for s in level.strokes:
            if s.role == "wall" and s.closed and len(s.points) >= 3:
                ring = shapely.LinearRing(s.points)
                if ring.length > 8.0:
                    at = np.arange(0.0, ring.length, 0.6)
                    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
                    s = replace(s, points=points + rng.uniform(-by, by, points.shape))
            strokes.append(s)
        out.append(replace(level, strokes=strokes))
    return out


# text


def written(
    levels: Sequence[Level], writer: Writer | None = None, *, begin: Sequence[str] = (), lift: float = 0.0
) -> Writer:
    """The program: levels in order, each stroke a travel and a path. The writer is ended by the caller."""
    writer = writer or Writer()
    for line in begin:
        writer.say(line)
    fan = None
    for level in levels:
        if level.fan != fan:
            writer.fan(level.fan)
            fan = level.fan
        writer.layer(round(level.z + lift, 6), level.height)
        for s in level.strokes:
            writer.height = s.height
            full = section_mm2(s.width, s.height) if s.width >= s.height else math.pi / 4 * s.width**2
            wanted = full if s.section is None else s.section
            writer.flow = s.flow * wanted / section_mm2(s.width, s.height)
            writer.path([tuple(p) for p in s.points], closed=s.closed, width=s.width, speed=s.speed)
        writer.flow = 1.0
    return writer


def one_by_one(
    plates: Sequence[Sequence[Level]], writer: Writer | None = None, clear: float = 60.0
) -> Writer:
    """Several parts, each printed whole before the next."""
    writer = writer or Writer()
    for levels in plates:
        writer.layer(clear, 0.2)
        first = levels[0].strokes[0].points[0]
        writer.travel(float(first[0]), float(first[1]))
        written(levels, writer)
    return writer


Make = Callable[[], Iterator[tuple[str, bytes]]]

"""Upright walls under an underside: where they run, how far down they go, and the bodies they make."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from falsework.kernels.outline.distance import run_boxes
from falsework.kernels.outline.lanes import columns, highest, passed, uncovered
from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats, Indices, Regions
from falsework.redrawing.body.solids import prism
from falsework.redrawing.site.ceiling import Ceiling, SectionTrial, sections_near
from falsework.redrawing.site.value import PlannedPart, UndersideSite

if TYPE_CHECKING:
    from manifold3d import Manifold

LONG_SHARE = 0.1  # of an outline, from which on an edge is long
PARALLEL_DEG = 10.0  # a free edge turned from a line by no more than this is carried by one along it
GENTLE_LAYERS = 3  # a floor that rises within so many layers beside a wall is what the wall stands on
ROUNDING_MM = 1e-4  # by less than this, what ends beside a wall does not stand in its way
SEAM_MM = 5e-3  # strips of neighbouring layers that come so near along a wall leave no slit in it
_ENDLESS = 1e4


class Turned:
    """Outlines of regions (N,), turned so that walls along ``deg`` run along x."""

    def __init__(self, regions: Regions, deg: float) -> None:
        polygons, owner = planar.get_parts(regions, return_index=True)
        rings, polygon = planar.get_rings(polygons, return_index=True)
        xy, ring = planar.get_coordinates(rings, return_index=True)
        xy = xy @ turning(-deg)
        on = ring[1:] == ring[:-1]
        self.edges = np.hstack([xy[:-1], xy[1:]])[on]
        self.first = np.searchsorted(owner[polygon[ring[:-1][on]]], np.arange(len(regions) + 1))
        self.boxes, self.first_box = run_boxes(self.edges, self.first)

    def passed(
        self, region: Indices, across_mm: float | Floats, half_mm: float = 0.0
    ) -> tuple[Floats, Indices]:
        """Where bands along x, ``half_mm`` to both sides of ``across_mm`` (n,), pass through ``region`` (n,):
        (m, 2) stretches, ascending and apart, and (m,) of which band each is."""
        across = np.full(len(region), across_mm)
        found: tuple[Floats, Indices] = passed(
            self.edges, self.first, self.boxes, self.first_box, region, across, half_mm
        )
        return found


@dataclass(frozen=True, eq=False)
class Wall:
    """An upright wall. Along and across are x and y turned by ``deg``.

    ``across_mm``: where its middle plane lies; ``profile``: its outline in (along, z).
    """

    deg: float
    across_mm: float
    thick_mm: float
    profile: planar.Geometry

    @property
    def volume_mm3(self) -> float:
        return float(self.profile.area) * self.thick_mm

    def solid(self) -> Manifold:
        """As a body in the part's frame."""
        lying = prism(self.profile, 0.0, self.thick_mm)
        upright = lying.rotate((90.0, 0.0, 0.0)).translate((0.0, self.across_mm + 0.5 * self.thick_mm, 0.0))
        return upright.rotate((0.0, 0.0, self.deg))

    def sections(self, z_mm: Floats) -> tuple[Regions, Indices]:
        """Its plans at heights (k,): (n,) rectangles, and the height of each."""
        found, level = Turned(np.array([self.profile]), 0.0).passed(np.zeros(len(z_mm), np.int64), z_mm)
        return self.plans(found), level

    def plans(self, along_mm: Floats) -> Regions:
        """Its plans (n,) over stretches (n, 2) along it."""
        half = 0.5 * self.thick_mm
        low, high = self.across_mm - half, self.across_mm + half
        plans: Regions = turned(planar.box(along_mm[:, 0], low, along_mm[:, 1], high), self.deg)
        return plans


@dataclass(frozen=True, eq=False)
class StandingWalls:
    """Walls that stand, arches that spring from these where they cross, and where they are in words.

    ``posts_mm2``: the section of the posts that each of ``walls`` snaps at; 0 where it has none.
    """

    standing: tuple[Wall, ...]
    arches: tuple[Wall, ...]
    where: str
    posts_mm2: tuple[float, ...] = ()

    @property
    def walls(self) -> list[Wall]:
        return [*self.standing, *self.arches]


def turned(shape: Any, deg: float) -> Any:
    """Shapes turned about the origin, from x towards y."""
    matrix = turning(deg)
    return planar.transform(shape, lambda xy: xy @ matrix)


def turning(deg: float) -> Floats:
    """(2, 2) that turns rows x, y about the origin, from x towards y."""
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    return np.array([[c, s], [-s, c]])


def runs(profile: planar.Geometry) -> Floats:
    """(n, 2) stretches along x that the connected parts of a profile cover, merged and ascending."""
    x0, _, x1, _ = planar.bounds(planar.get_parts(profile)).T
    return merged(np.column_stack([x0, x1])[x1 > x0])


def merged(stretches_mm: Floats) -> Floats:
    """(n, 2) stretches that overlap or touch, made one; ascending."""
    if len(stretches_mm) < 2:
        return stretches_mm
    ordered = stretches_mm[np.argsort(stretches_mm[:, 0])]
    reached = np.maximum.accumulate(ordered[:, 1])
    starts = np.flatnonzero(np.concatenate([[True], ordered[1:, 0] > reached[:-1] + 1e-9]))
    return np.column_stack([ordered[starts, 0], reached[np.append(starts[1:], len(ordered)) - 1]])


def both(a: Floats, b: Floats) -> Floats:
    """(n, 2) stretches that lie in both sets."""
    low = np.maximum(a[:, None, 0], b[None, :, 0])
    high = np.minimum(a[:, None, 1], b[None, :, 1])
    some = high > low
    out = np.column_stack([low[some], high[some]])
    return out[np.argsort(out[:, 0])]


def without(a: Floats, b: Floats) -> Floats:
    """(n, 2) stretches of ``a`` outside ``b``, whose own are merged and ascending."""
    ends = np.concatenate([[-_ENDLESS], b.reshape(-1), [_ENDLESS]]).reshape(-1, 2)
    return both(a, ends)


def _seamless(profiles: Regions) -> planar.Geometry:
    """Profiles as one, without slits between them."""
    whole = overlay.union_all(profiles)
    if len(profiles) < 2:
        return whole
    closed: planar.Geometry = offset_mitred(offset_mitred(whole, SEAM_MM), -SEAM_MM)
    return closed


def stretches(region: planar.Geometry, deg: float, across_mm: float, thick_mm: float) -> Floats:
    """(n, 2) stretches along ``deg`` on which a wall lies wholly under a region."""
    half = 0.5 * thick_mm - 0.1 * ROUNDING_MM
    across = across_mm + half * np.array([0.0, -1.0, 1.0])
    found, line = Turned(np.array([region]), deg).passed(np.zeros(3, np.int64), across)
    middle, left, right = (found[line == k] for k in range(3))
    return both(both(middle, left), right)


def directions(ceiling: Ceiling, *more_deg: float) -> list[float]:
    """Directions worth trying for walls, degrees 0..180: along the outline's box and its long edges, along x
    and y, and ``more_deg``."""
    hull = planar.get_coordinates(planar.minimum_rotated_rectangle(ceiling.footprint))
    edges = [np.diff(hull[:3], axis=0)]
    rim = [
        np.diff(planar.get_coordinates(r), axis=0)
        for r in planar.get_rings(planar.get_parts(ceiling.footprint))
    ]
    steps = np.concatenate(rim)
    length = np.hypot(*steps.T)
    longest = np.argsort(-length)[:4]
    edges.append(steps[longest[length[longest] > LONG_SHARE * length.sum()]])
    sides = np.concatenate(edges)
    tried = [*np.degrees(np.arctan2(sides[:, 1], sides[:, 0])), 0.0, 90.0, *more_deg]
    out: list[float] = []
    for deg in tried:
        one = round(float(deg) % 180.0, 6) % 180.0
        if all(min(abs(one - o), 180.0 - abs(one - o)) > 1.0 for o in out):
            out.append(one)
    return out


def lines_across(
    footprint: planar.Geometry, free: Floats, deg: float, thick_mm: float, inset_mm: float, span_mm: float
) -> list[float]:
    """Where walls along ``deg`` stand, so that no two supports are more than ``span_mm`` apart.

    One along every free edge that runs that way, ``inset_mm`` behind it, and as many as are wanted, evenly,
    between these and the outline's own ends. ``free``: (E, 4) edges, with the footprint on their left.
    """
    _, low, _, high = turned(footprint, -deg).bounds
    edge = turned(planar.linestrings(free.reshape(-1, 2, 2)), -deg)
    xy = planar.get_coordinates(edge).reshape(-1, 4)
    run, rise = xy[:, 2] - xy[:, 0], xy[:, 3] - xy[:, 1]
    along = np.abs(rise) <= math.tan(math.radians(PARALLEL_DEG)) * np.abs(run)
    at_edges: list[float] = []
    for way in (1.0, -1.0):  # the footprint above the edge, or below it
        mine = along & (run * way > 0)
        outer = np.sort(np.where(way > 0, xy[:, 1], -xy[:, 1])[mine])
        lead = outer[np.diff(outer, prepend=-np.inf) > thick_mm]
        at_edges += (way * (lead + inset_mm + 0.5 * thick_mm)).tolist()
    at_edges = sorted(y for y in at_edges if low < y < high)

    ends = [(low, 0.0), *((y, 0.5 * thick_mm) for y in at_edges), (high, 0.0)]
    out = list(at_edges)
    for (y0, half0), (y1, half1) in pairwise(ends):
        clear = y1 - half1 - y0 - half0
        between = max(0, math.ceil((clear - span_mm) / (span_mm + thick_mm) - 1e-9))
        pitch = (clear - between * thick_mm) / (between + 1) + thick_mm
        out += [y0 + half0 + pitch * (k + 1) - 0.5 * thick_mm for k in range(between)]
    return sorted(out)


def lengths_along_mm(footprint: planar.Geometry, deg: float, across_mm: list[float]) -> Floats:
    """How long each connected stretch of walls along ``deg`` would be, under all of a footprint."""
    ends = np.array([[(-_ENDLESS, y), (_ENDLESS, y)] for y in across_mm]).reshape(-1, 2, 2)
    lines = planar.linestrings(ends)
    lengths: Floats = planar.length(planar.get_parts(overlay.intersection(lines, turned(footprint, -deg))))
    return lengths


@dataclass(frozen=True, eq=False)
class Lane:
    """Where a wall along ``deg`` meets an underside: the layer of each strip above it, and the stretches
    (n, 2) of it there."""

    deg: float
    across_mm: float
    thick_mm: float
    strips: tuple[tuple[int, Floats], ...]

    @property
    def length_mm(self) -> float:
        return sum(float((part[:, 1] - part[:, 0]).sum()) for _, part in self.strips)

    def within(self, along_mm: Floats) -> Lane:
        """The lane on these stretches alone."""
        cut = ((layer, both(part, along_mm)) for layer, part in self.strips)
        return replace(self, strips=tuple((layer, part) for layer, part in cut if len(part)))

    def wall(self, low_mm: float, top_mm: Floats) -> Wall:
        """The wall from one height up to ``top_mm`` (by layer)."""
        boxes = [planar.box(part[:, 0], low_mm, part[:, 1], top_mm[layer]) for layer, part in self.strips]
        return Wall(self.deg, self.across_mm, self.thick_mm, _seamless(np.concatenate(boxes)))


@lru_cache(maxsize=8)
def strips_turned(ceiling: Ceiling, deg: float) -> Turned:
    """An underside's strips by layer; kept, for many lanes run along few directions."""
    return Turned(ceiling.regions, deg)


def lane(
    ceiling: Ceiling, region: planar.Geometry, deg: float, across_mm: float, thick_mm: float, least_mm: float
) -> Lane:
    """The lane under ``region`` of an underside. Stretches shorter than ``least_mm`` are left out."""
    found = stretches(region, deg, across_mm, thick_mm)
    found = found[found[:, 1] - found[:, 0] >= least_mm]
    parts, of = strips_turned(ceiling, deg).passed(np.arange(len(ceiling.layers)), across_mm)
    strips = ((int(l), both(found, parts[of == k])) for k, l in enumerate(ceiling.layers))
    return Lane(deg, across_mm, thick_mm, tuple((layer, part) for layer, part in strips if len(part)))


def trial(
    site: UndersideSite, ceiling: Ceiling, walls: list[Wall], before: SectionTrial | None = None
) -> SectionTrial:
    """The layers around an underside with walls standing under it.

    ``before``: the same with other walls; of layers in which they are alike nothing is done anew.
    """
    stack = site.ground.stack
    first, last = int(ceiling.layers[0]) - 1, min(int(ceiling.layers[-1]) + 1, stack.count - 1)
    plans, layers = zip(*(wall.sections(stack.middles_mm[first : last + 1]) for wall in walls), strict=True)
    plan, layer = np.concatenate(plans), np.concatenate(layers)
    sections = sections_near(site.ground, first, last, ceiling.footprint)
    standing = []
    for k in range(last - first + 1):
        some = plan[layer == k]
        standing.append(frozenset(planar.to_wkb(some)))
        if before is not None and before.standing[k] == standing[k]:
            sections[k] = before.sections[k]
        elif len(some):
            sections[k] = overlay.union_all([sections[k], *some])
    return SectionTrial(site, first, sections, ceiling.footprint, tuple(standing), before)


@dataclass(frozen=True, eq=False)
class Below:
    """What lies below an underside: the sections (n,) of the ``layers`` (n,) that have any near it.

    ``own``: the lowest layer of the underside itself.
    """

    ground: PlannedPart
    own: int
    layers: Indices
    sections: Regions
    _turned: dict[float, Turned] = field(default_factory=dict)

    def passed(
        self, path: Lane, half_mm: float, low: float, high: float = math.inf
    ) -> tuple[Floats, Indices]:
        """(n, 2) stretches over which a wall of that half thickness passes through layers from ``low`` up to
        ``high``, and (n,) these layers."""
        if path.deg not in self._turned:
            self._turned[path.deg] = Turned(self.sections, path.deg)
        mine = np.flatnonzero((self.layers >= low) & (self.layers < high))
        found, of = self._turned[path.deg].passed(mine, path.across_mm, half_mm)
        return found, self.layers[mine[of]]


def below(ground: PlannedPart, ceiling: Ceiling, margin_mm: float) -> Below:
    """Everything below an underside, up to ``margin_mm`` around its footprint."""
    x0, y0, x1, y1 = ceiling.footprint.bounds
    window = planar.box(x0 - margin_mm, y0 - margin_mm, x1 + margin_mm, y1 + margin_mm)
    planar.prepare(window)
    beneath = ground.stack.regions[: int(ceiling.layers[-1])]
    layers = np.flatnonzero(planar.intersects(window, beneath))
    return Below(ground, int(ceiling.layers[0]), layers, overlay.intersection(window, beneath[layers]))


def let_down(
    under: Below, path: Lane, top_mm: Floats, clear_mm: float = 0.0, low_mm: float = -math.inf
) -> Wall | None:
    """The wall of a lane from its tops (by layer) down to the bed, or half a layer into what lies below it.

    ``clear_mm``: columns that come so near to a wall beside them are left out. ``low_mm``: they end there if
    not before. None if nothing is left.
    """
    stack, half = under.ground.stack, 0.5 * path.thick_mm
    floor_mm, middles = max(float(stack.z_mm[0]), low_mm), stack.middles_mm
    lowest = int(np.searchsorted(middles, floor_mm, side="right"))
    blocked, layer = under.passed(path, half - ROUNDING_MM, lowest)
    strips = path.strips
    if clear_mm:
        # neither a slope that the wall meets at its top is beside it, nor one that it stands on
        beside, by = under.passed(path, half + clear_mm, lowest, strips[0][0] - GENTLE_LAYERS)
        beside += clear_mm * np.array([-1.0, 1.0])
        near = merged(uncovered(beside, by, blocked, layer, GENTLE_LAYERS))
        strips = tuple((top, without(part, near)) for top, part in strips)
    of = np.repeat([top for top, _ in strips], [len(part) for _, part in strips])
    # among the underside's own layers the slope itself cuts into the band aslant: there the middle tells
    crossed, at = under.passed(path, 0.0, max(lowest, under.own))
    boxes = columns(
        np.concatenate([part for _, part in strips]),
        *(of, top_mm[of], crossed, at, middles[at], floor_mm, 2.0 * SEAM_MM),
    )
    if not len(boxes):
        return None
    profile = _seamless(planar.box(*boxes.T))
    beneath = layer < under.own
    if beneath.any():
        ends, height = highest(blocked[beneath], middles[layer[beneath]])
        x = np.repeat(ends, 2)
        z = np.pad(np.repeat(np.maximum(height, floor_mm - 1.0), 2), 1, constant_values=floor_mm - 2.0)
        profile = overlay.difference(profile, planar.Polygon(np.column_stack([x, z])))
    return None if profile.is_empty else Wall(path.deg, path.across_mm, path.thick_mm, profile)


def on_part_mm(wall: Wall, bed_mm: float) -> float:
    """The length on which a wall stands on the part instead of the bed."""
    level = planar.LineString([(-_ENDLESS, bed_mm), (_ENDLESS, bed_mm)])
    bed = runs(overlay.intersection(wall.profile, level))
    x0, _, x1, _ = wall.profile.bounds
    return float(sum(b - a for a, b in without(runs(wall.profile), bed))) if x1 > x0 else 0.0


def topmost(profile: planar.Geometry, x: Floats) -> Floats:
    """(n, 2) lower and upper end, in height, of a profile's topmost stretch at ``x`` (n,) ascending."""
    start, _, end, _ = profile.bounds
    inside = np.clip(x, start + 1e-6, end - 1e-6)
    upright = Turned(np.array([profile]), 90.0)
    found, of = upright.passed(np.zeros(len(x), np.int64), -inside)
    last = np.searchsorted(of, np.arange(len(x)), side="right") - 1
    ends: Floats = found[last]
    return ends

"""Crossed fins under curved undersides: a few stand, the others spring from these as arches.

Strips of a curved underside bridge from fin to fin only where fins cross them often enough: the rounder the
contour, the nearer. So the bays of a coarse lattice are halved wherever something in them still asks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, parts
from falsework.layers.stack import Floats, LayerStack, Regions
from falsework.need.measure import Outlines, StripFigures, measure_strips
from falsework.need.strips import DUST_SHARE
from falsework.redrawing.changes.neck import SLOTS, slotted
from falsework.redrawing.changes.walls import (
    Lane,
    StandingWalls,
    Wall,
    below,
    directions,
    let_down,
    merged,
    runs,
    strips_turned,
    topmost,
    trial,
    turned,
)
from falsework.redrawing.site.ceiling import (
    QUIET_SURE,
    Ceiling,
    SectionTrial,
    asking_of,
    may_ask,
    quiet_mm,
    sections_near,
    stack_near,
)
from falsework.redrawing.site.ground import left_allowed_mm2
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch

FIRST_BAY_MM = 8.0  # of the fins that cross the standing ones: rounder contours ask for less anyway
LEAST_BAY_WIDTHS = 1.0  # nearer fins would be a block
MOST_ROUNDS = 10
MOST_CROSSED = 120  # fins: more would hold on to too much to be broken off by anybody
LEAST_LENGTH_WIDTHS = 3.0  # of a fin that stands
APEX_LAYERS = 6  # of an arch, above its opening: room for a slot
MARGIN_DEG = 1.0  # arches recede so much steeper than the limit
_LEFT_SURE = 0.5  # of what may be left asking
_CLEAR_SHARE = 0.9  # of a fin; where less of it is clear of the part beside it, it may touch
_STEP_MM = 0.1  # along an arch
_DEEPER = 2.0  # arches reach down by less than this times their length and a bay
_PLAIN_MM = 0.02
_SAME_MM = 1e-6
_FAR_MM = 1e4  # past everything
_PAST_MM = 0.05  # fins end so far past an edge


@dataclass(frozen=True)
class _Bay:
    """A cell between fins: along the lattice's first direction, and across it."""

    u0: float
    u1: float
    v0: float
    v1: float


@dataclass(eq=False)
class _Fin:
    """A fin to be: whether it runs across the first ones, where, from and to, and the round it came in."""

    across: bool
    at: float
    low: float
    high: float
    round: int
    wall: Wall  # down to what lies below
    along: Floats  # (n, 2) stretches of its line that it takes up
    borne: list[tuple[float, float]] = field(default_factory=list)  # (along, z) where arches spring from it
    drawn: _Drawn | None = None  # as long as it bears the same

    def crosses(self, across: bool, at: float, low: float, high: float) -> bool:
        """Whether it runs across a line and there lies beneath the underside."""
        if self.across == across or not low - _SAME_MM <= self.at <= high + _SAME_MM:
            return False
        half = 0.5 * self.wall.thick_mm
        return bool(((self.along[:, 0] <= at + half) & (self.along[:, 1] >= at - half)).any())


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A fin as it is drawn, whether any of it stands, what it bears, and what it puts on the older ones that
    it springs from."""

    wall: Wall
    stands: bool
    borne: list[tuple[float, float]]
    puts: list[tuple[_Fin, tuple[float, float]]]


def trellis(
    site: UndersideSite, ceiling: Ceiling, watch: Watch = QUIET, most: int = MOST_CROSSED
) -> StandingWalls | None:
    """Crossed fins that carry an underside, ``most`` of them, or None if none do."""
    lattice = _Lattice(site, ceiling, directions(ceiling)[0])
    bays = lattice.first()
    least_mm = LEAST_BAY_WIDTHS * site.ground.process.line_width_mm
    laid = 0
    for k in range(1, MOST_ROUNDS + 1):
        watch.at("placing crossed fins", k / (MOST_ROUNDS + 1))
        if laid == len(lattice.fins) or len(lattice.fins) > most:
            return None
        left = lattice.left_by(lattice.fins[laid:])
        if left is None:
            built = lattice.built()
            left = lattice.left_above(built.walls)
            if left is None:
                return lattice.with_slots(built)
        laid = len(lattice.fins)
        bays = lattice.parted(bays, left, k, least_mm)
    return None


class _Lattice:
    """The underside between the fins placed so far."""

    def __init__(self, site: UndersideSite, ceiling: Ceiling, deg: float) -> None:
        ground = site.ground
        self.site, self.ceiling, self.deg = site, ceiling, deg
        self.first_layer = int(ceiling.layers[0]) - 1
        last = int(ceiling.layers[-1])
        self.sections = sections_near(ground, self.first_layer, last, ceiling.footprint)
        self.strips, owner = planar.get_parts(ceiling.regions, return_index=True)
        self.strip_layer = ceiling.layers[owner] - self.first_layer
        self.bad = self.may_ask = np.zeros(len(self.strips), dtype=bool)
        self.depth_mm = np.full(len(self.strips), np.inf)  # to what carries them; not yet measured
        self.fins: list[_Fin] = []
        self.tried: SectionTrial | None = None
        self.clear_mm = ground.process.structure.side_gap_mm
        self.under = below(ground, ceiling, self.clear_mm + ground.process.line_width_mm)
        self.tops_mm = np.append(ground.stack.middles_mm[1:], ground.stack.z_mm[-1])

    def first(self) -> list[_Bay]:
        """The coarse lattice: standing fins along, others across, and the bays between."""
        u0, v0, u1, v1 = turned(self.ceiling.footprint, -self.deg).bounds
        span_mm = self.site.ground.span_mm
        end_mm = 0.5 * self.site.ground.process.line_width_mm
        along = _bands(v0, v1, span_mm)
        across = _posts(u0, u1, min(FIRST_BAY_MM, span_mm), end_mm)
        for v in along:
            self._place(False, v, u0, u1, 0)
        for u in across:
            self._place(True, u, v0, v1, 1)
        us, vs = [u0, *across, u1], [v0, *along, v1]
        return [_Bay(a, b, c, d) for a, b in pairwise(us) for c, d in pairwise(vs)]

    def _place(self, across: bool, at: float, low: float, high: float, number: int) -> None:
        """A fin on a line between two places along it, as far as it finds something to stand on."""
        deg, place = (self.deg + 90.0, -at) if across else (self.deg, at)
        line_mm = self.site.ground.process.line_width_mm
        path = self._lane(deg, place, low, high)
        if not path.strips:
            return
        springs = np.array(
            [one.at for one in self.fins if one.round < number and one.crosses(across, at, low, high)]
        )
        near = 0.4 * line_mm
        sprung = standing = np.empty(0, dtype=object)
        if len(springs):  # arches may touch the part's sides; what stands keeps clear of them
            deep_mm = _DEEPER * (high - low) + FIRST_BAY_MM
            low_mm = float(self.site.ground.stack.z_mm[path.strips[0][0]]) - deep_mm
            sprung = _parts(let_down(self.under, path, self.tops_mm, low_mm=low_mm))
            x0, _, x1, _ = planar.bounds(sprung).T[:, :, None]
            sprung = sprung[((x0 - near <= springs) & (springs <= x1 + near)).any(axis=1)]
        if not len(sprung) or _length_mm(sprung) < path.length_mm - line_mm:
            standing = _parts(let_down(self.under, path, self.tops_mm, self.clear_mm))
            close = _parts(let_down(self.under, path, self.tops_mm))
            if _length_mm(standing) < _CLEAR_SHARE * _length_mm(close):
                standing = close
            x0, _, x1, _ = planar.bounds(standing).T
            standing = standing[x1 - x0 >= LEAST_LENGTH_WIDTHS * line_mm]
            if len(sprung):
                standing = standing[~planar.intersects(standing, overlay.union_all(sprung))]
        profile = overlay.union_all([*sprung, *standing])
        if not profile.is_empty:
            wall = Wall(path.deg, path.across_mm, path.thick_mm, profile)
            self.fins.append(_Fin(across, at, low, high, number, wall, runs(profile)))

    def _lane(self, deg: float, place_mm: float, low: float, high: float) -> Lane:
        """The lane of a fin: to the very edges, that no strip runs on around its ends."""
        strips = strips_turned(self.ceiling, deg)
        found, of = strips.passed(np.arange(len(self.ceiling.layers)), place_mm)
        found = np.clip(found, low, high)
        some = found[:, 1] > found[:, 0]
        found, layer = found[some], self.ceiling.layers[of[some]]
        if not len(found):
            return Lane(deg, place_mm, 0.0, ())
        ends = merged(found)
        found[np.isin(found[:, 0], ends[:, 0]), 0] -= _PAST_MM
        found[np.isin(found[:, 1], ends[:, 1]), 1] += _PAST_MM
        first = np.flatnonzero(np.diff(layer, prepend=-1))
        by_layer = zip(layer[first].tolist(), np.split(found, first[1:]), strict=True)
        line_mm = self.site.ground.process.line_width_mm
        return Lane(deg, place_mm, line_mm, tuple((l, merged(part)) for l, part in by_layer))

    def left_by(self, fins: list[_Fin]) -> Regions | None:
        """Lay more fins beneath the underside; the strips that then are the reason that it asks, None if they
        are too little to count."""
        stack = self._lay(fins)
        left = self.strips[self.bad]
        if self._counts(left):
            return left
        loose = self.depth_mm > self.site.ground.need.reach_mm
        strips, layer, may = self.strips[loose], self.strip_layer[loose], self.may_ask[loose]
        asking = asking_of(self.site.ground, stack, strips, layer, may)
        if not self._counts(asking, _LEFT_SURE):
            return None
        return left if len(left) else asking

    def _lay(self, fins: list[_Fin]) -> LayerStack:
        """Lay more fins beneath the underside and measure the strips that they come near; the layers then."""
        ground = self.site.ground
        line_mm = ground.process.line_width_mm
        plans = np.concatenate([fin.wall.plans(fin.along) for fin in fins])
        laid = overlay.union_all(plans)
        self.sections = areas_only(overlay.union(self.sections, laid))
        stack = stack_near(ground, self.first_layer, self.sections)
        # fins farther away than what carries a strip change none of its figures
        near_mm = np.clip(self.depth_mm, line_mm, _FAR_MM)
        near = np.zeros(len(self.strips), dtype=bool)
        near[planar.STRtree(plans).query(self.strips, predicate="dwithin", distance=near_mm)[0]] = True
        pieces, of = parts(areas_only(overlay.difference(self.strips[near], laid)))
        some = planar.area(pieces) > DUST_SHARE * line_mm**2
        pieces, layer = planar.orient_polygons(pieces[some]), self.strip_layer[near][of[some]]
        figures = measure_strips(pieces, layer, Outlines(stack), line_mm)
        layer = np.concatenate([self.strip_layer[~near], layer])
        order = np.argsort(layer, kind="stable")
        self.strips = np.concatenate([self.strips[~near], pieces])[order]
        self.strip_layer = layer[order]
        self.bad = np.concatenate([self.bad[~near], self._bad(figures)])[order]
        self.may_ask = np.concatenate([self.may_ask[~near], may_ask(ground, figures)])[order]
        self.depth_mm = np.concatenate([self.depth_mm[~near], figures.depth])[order]
        return stack

    def _bad(self, figures: StripFigures) -> NDArray[np.bool_]:
        """(n,) strips that neither bridge nor end near: stricter than the need, which judges patches."""
        ground = self.site.ground
        edge_mm, _ = quiet_mm(ground.laws)
        return np.where(figures.bridge, figures.span > ground.span_mm, figures.depth > QUIET_SURE * edge_mm)

    def _counts(self, left: Regions, share: float = 1.0) -> bool:
        """Whether strips are more than a share of what may be left asking."""
        allowed_mm2 = left_allowed_mm2(self.site.ground, self.site.underside.number)
        return float(planar.area(left).sum()) > share * allowed_mm2

    def left_above(self, walls: list[Wall]) -> Regions | None:
        """The same of the fins as they are drawn, by all of the layers' own rules."""
        self.tried = tried = trial(self.site, self.ceiling, walls, self.tried)
        left = tried.strips[0][self._bad(tried.figures) & tried.mine]
        if not self._counts(left):
            left = tried.asking
        return left if self._counts(left) else None

    def parted(self, bays: list[_Bay], left: Regions, number: int, least_mm: float) -> list[_Bay]:
        """Part the bays in which strips ask by a fin each, across the strips and through their middle; all
        bays then."""
        boxes = np.array([[bay.u0, bay.v0, bay.u1, bay.v1] for bay in bays])
        lying = turned(left, -self.deg)
        of, strip = planar.STRtree(lying).query(planar.box(*boxes.T), predicate="intersects")
        ends = planar.bounds(lying)[strip]
        low, high = np.maximum(ends[:, :2], boxes[of, :2]), np.minimum(ends[:, 2:], boxes[of, 2:])
        extent = np.zeros((len(bays), 2))
        np.add.at(extent, of, high - low)
        first, last = np.full((len(bays), 2), np.inf), np.full((len(bays), 2), -np.inf)
        np.minimum.at(first, of, low)
        np.maximum.at(last, of, high)
        wide = boxes[:, 2:] - boxes[:, :2] >= 2.0 * least_mm
        out = []
        for k, bay in enumerate(bays):
            if not extent[k].any() or not wide[k].any():
                out.append(bay)
                continue
            across = bool(wide[k, 0] and (extent[k, 0] >= extent[k, 1] or not wide[k, 1]))
            way = 0 if across else 1
            middle = 0.5 * (first[k, way] + last[k, way])
            at = float(min(max(middle, boxes[k, way] + least_mm), boxes[k, way + 2] - least_mm))
            if across:
                self._place(True, at, bay.v0, bay.v1, number + 1)
                out += [_Bay(bay.u0, at, bay.v0, bay.v1), _Bay(at, bay.u1, bay.v0, bay.v1)]
            else:
                self._place(False, at, bay.u0, bay.u1, number + 1)
                out += [_Bay(bay.u0, bay.u1, bay.v0, at), _Bay(bay.u0, bay.u1, at, bay.v1)]
        return out

    def built(self) -> StandingWalls:
        """The fins as walls: arches where older fins are there to spring from, else standing."""
        for fin in self.fins:
            fin.borne.clear()
        newest_first = sorted(self.fins, key=lambda one: -one.round)
        drawn = []
        for fin in newest_first:
            if fin.drawn is None or fin.drawn.borne != fin.borne:
                fin.drawn = _arched(self.site.ground, fin, self.fins)
            for older, load in fin.drawn.puts:
                older.borne.append(load)
            drawn.append(fin.drawn)
        standing = tuple(one.wall for one in drawn if one.stands)
        return StandingWalls(standing, tuple(one.wall for one in drawn if not one.stands), "crossed")

    def with_slots(self, built: StandingWalls) -> StandingWalls:
        """The same with slots along their tops, so that they snap off: those that the layers allow and
        that leave least to be snapped. As they were where none are allowed."""
        stack, walls = self.site.ground.stack, built.walls
        tried = [
            [slotted(wall, self._crossed_mm(wall, walls), slot, stack) for wall in walls] for slot in SLOTS
        ]
        for necks in sorted(tried, key=lambda necks: sum(one.section_mm2 or one.head_mm2 for one in necks)):
            made, posts_mm2 = [one.wall for one in necks], tuple(one.section_mm2 for one in necks)
            if any(posts_mm2) and self.left_above(made) is None:
                count = len(built.standing)
                return StandingWalls(tuple(made[:count]), tuple(made[count:]), built.where, posts_mm2)
        return built

    def _crossed_mm(self, wall: Wall, others: list[Wall]) -> list[float]:
        """Where along a wall others cross it."""
        way = 1.0 if wall.deg != self.deg else -1.0  # fins across lie at -u: see ``_place``
        return [way * other.across_mm for other in others if other.deg != wall.deg]


def _parts(wall: Wall | None) -> Regions:
    """The connected parts of a wall's profile."""
    parts: Regions = planar.get_parts(wall.profile) if wall else np.empty(0, dtype=object)
    return parts


def _length_mm(profiles: Regions) -> float:
    x0, _, x1, _ = planar.bounds(profiles).T
    return float((x1 - x0).sum())


def _bands(low: float, high: float, most: float) -> list[float]:
    """Middles of equal bands no wider than ``most``."""
    count = max(1, math.ceil((high - low) / most - 1e-9))
    return [low + (high - low) * (k + 0.5) / count for k in range(count)]


def _posts(low: float, high: float, most: float, end: float) -> list[float]:
    """Places ``end`` within both ends and evenly between, no farther apart than ``most``; or one in the
    middle if there is room for one alone."""
    if high - low <= 4.0 * end:
        return [0.5 * (low + high)]
    count = math.ceil((high - low - 2.0 * end) / most - 1e-9)
    places: list[float] = np.linspace(low + end, high - end, count + 1).tolist()
    return places


def _arched(ground: PlannedPart, fin: _Fin, fins: list[_Fin]) -> _Drawn:
    """A fin cut to arches between the older ones that cross it, standing where none does."""
    process, wall = ground.process, fin.wall
    steep = 1.0 / math.tan(math.radians(ground.need.limit_deg - MARGIN_DEG))
    older = [
        one for one in fins if one.round < fin.round and one.crosses(fin.across, fin.at, fin.low, fin.high)
    ]
    if not older:
        return _Drawn(wall, True, list(fin.borne), [])
    tops = planar.get_parts(wall.profile)
    half = 0.4 * process.line_width_mm
    kept, puts, stands = [], [], False
    for part in tops:
        x0, _, x1, top = part.bounds
        springs = sorted((one.at, k) for k, one in enumerate(older) if x0 - half <= one.at <= x1 + half)
        if not springs:
            kept.append(part)
            stands = True
            continue
        x = np.linspace(x0, x1, max(2, math.ceil((x1 - x0) / _STEP_MM) + 1))
        z = topmost(part, x)[:, 1] - APEX_LAYERS * process.layer_height_mm
        for at, low in fin.borne:  # beneath all of a newer fin's thickness, a layer before it begins
            beneath = np.abs(x - at) <= 0.5 * wall.thick_mm + _STEP_MM
            z[beneath] = np.minimum(z[beneath], low - process.layer_height_mm)
        anchors = np.array([at for at, _ in springs])
        # rounded: half way between two it is the first, on every machine
        nearest = np.argmin(np.round(np.abs(x[:, None] - anchors[None, :]), 6), axis=1)
        bottom = np.empty_like(z)
        for k, (at, which) in enumerate(springs):
            mine = np.flatnonzero(nearest == k)
            if not len(mine):
                continue
            lowest = np.inf
            for side in (mine[x[mine] <= at], mine[x[mine] >= at][::-1]):
                if len(side):
                    away = np.abs(x[side] - at)
                    bottom[side] = np.minimum.accumulate(z[side] - steep * away) + steep * away
                    lowest = min(lowest, float(bottom[side[-1]] - steep * away[-1]))
            puts.append((older[which], (fin.at, lowest)))
        line = np.column_stack([x, bottom])
        roof = np.array(
            [[x1 + 1.0, bottom[-1]], [x1 + 1.0, top + 1.0], [x0 - 1.0, top + 1.0], [x0 - 1.0, bottom[0]]]
        )
        opening = planar.simplify(planar.Polygon(np.concatenate([line, roof])), _PLAIN_MM)
        kept.append(overlay.intersection(part, opening))
    return _Drawn(replace(wall, profile=overlay.union_all(kept)), stands, list(fin.borne), puts)

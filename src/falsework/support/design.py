"""What supports are built as: a curtain, or shores with bays of one size or another, chosen by price."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import cores_here, dealt, side_by_side
from falsework.cost import Rates
from falsework.cost.cost import Cost
from falsework.kernels.graph import joined_groups
from falsework.layers import overlay, planar
from falsework.layers.polygons import EMPTY, areas_only, gathered, own_copies, parts
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.measure import Outlines
from falsework.objective import SCAR
from falsework.objective.expected import BAYS_MM, LEAN_SHARE, PATH_S
from falsework.process import bead_section_mm2
from falsework.process.forces import BED_BOND_MPA, THINNEST_WIDTHS, bending_side_mm, standing_side_mm
from falsework.process.settings import Process
from falsework.request.store import Store
from falsework.request.weights import Weights
from falsework.support.cells import Cells, cells_of, facing
from falsework.support.scheme import TriedStructure
from falsework.support.shores import Bays, Lean, bays_of, coarser, drawn_together, joined_bays, plain_around
from falsework.support.stability import part_bond_mpa
from falsework.watch import QUIET, Watch
from falsework.wording.figures import duration, mass

CURTAIN = 0.0  # in place of the side of bays: walls straight down, spacing_mm apart
WIDE = -1.0  # the same with lines as far apart as what lies on them bridges; only reckoned, for the sheet
WIDE_NAME = "curtain with lines as far apart as they may be"
_HAND = 2  # bays that a core takes at least
_MINUTE = Weights().hands_per_hour / 60.0  # of hand work, as it is usually priced
STUCK_PRICE = 2.0 * _MINUTE  # what it costs more to take off what cannot leave whole, and ...
STUCK_PRICE_MM2 = 1.5 * _MINUTE / 100.0  # ... of each mm² under the part: a minute and a half a cm²
SCAR_PRICE_MM2 = SCAR * Weights().finish_per_cm2 / 100.0  # of a mm² of part that support stands on
_STOOD_MM2 = 0.5  # what stands on less of the part stands on the bed
_PLAIN_MM = 0.03  # outlines of all that lies above the part stray by this
_COARSE = (2, 8)  # layers taken in one step at least and at most, while bays and posts are only ranked
_STEPS = 50  # about so many in all
_SPARE = 1.1  # posts on the part are so much wider than they must be: heads that lean over weigh on them
_AROUND = np.array(
    [(x, y) for x in (-0.5, 0.0, 0.5) for y in (-0.5, 0.0, 0.5)]
)  # a post's corners and middles
_RADII_MM = (1.0, 2.0, 3.0, 4.5, 6.0, 8.0, 11.0, 15.0, 20.0, 27.0)  # how far beside its bay a post is tried
_BEARINGS_DEG = np.arange(0.0, 360.0, 22.5)
_MOST_SHORES = 256  # of single bays, kept for other plans
_CORNER_S = 0.02  # lost at each of its corners


@dataclass(frozen=True, eq=False)
class SupportSite:
    """Where supports are to be built: the part's layers, ``support`` straight down, its ``heads`` under the
    part, where nothing may be, and ``under`` each layer the part it would stand on, all (L,) regions; how far
    a layer holds by itself. ``kept``: what was made of these regions for other processes; of them only the
    heads depend on one."""

    stack: LayerStack
    support: Regions
    heads: Regions
    blocked: Regions
    under: Regions
    reach_mm: float
    lane_spacing_mm: float
    process: Process
    kept: Store = field(default_factory=Store, repr=False)

    @cached_property
    def outlines(self) -> Outlines:
        return Outlines(self.stack)

    @property
    def cap_layers(self) -> int:
        """What of the process its heads depend on."""
        return self.process.structure.interface_layers

    @property
    def lean(self) -> Lean:
        return Lean(LEAN_SHARE * self.reach_mm, THINNEST_WIDTHS * self.process.line_width_mm)


@dataclass(frozen=True, eq=False)
class RoughShores:
    """Of the shores of bays, (B, layers) or of one bay (layers,): area, outline, how many rings and corners;
    ``landed_mm2`` (B,) of the part that each lands on."""

    area_mm2: Floats
    outline_mm: Floats
    rings: Indices
    corners: Indices
    landed_mm2: Floats


@dataclass(frozen=True, eq=False)
class Clear:
    """Where shores may not be: (L,) ``blocked``, and for those of pieces that stand on the bed alone, (P,)
    ``on_bed``, also all that lies above the part: they must not come to stand on it."""

    blocked: Regions
    on_bed: NDArray[np.bool_]
    kept: Store = field(default_factory=lambda: Store(_MOST_SHORES), init=False, repr=False)

    @cached_property
    def shade(self) -> Regions:
        out, total = self.blocked.copy(), EMPTY
        for i, here in enumerate(self.blocked):
            if not here.is_empty:
                total = overlay.union(total, here)
                plain = planar.simplify(total, _PLAIN_MM)
                total = plain if plain.is_valid else overlay.buffer(plain, 0)
            out[i] = total
        return out

    def drawn(self, bays: Bays, lean: Lean) -> Regions:
        """Shores of the bays in every layer."""

        def made(places: list[int]) -> list[Regions]:
            return list(self._drawn(bays.only(np.array(places)), 1, lean, measured=False)[0])

        out = np.full(bays.heads.shape, EMPTY, dtype=object)
        for place, shore in enumerate(self.kept.get_all(self._named(bays, lean), made)):
            out[place] = shore
        return out

    def roughly(self, bays: Bays, layers: int, lean: Lean) -> RoughShores:
        """Figures of the bays' shores, drawn in every so many layers."""

        def made(places: list[int]) -> list[RoughShores]:
            some = bays.only(np.array(places))
            coarse = replace(some, heads=coarser(some.heads, layers))
            step = replace(lean, step_mm=layers * lean.step_mm)
            out, landed_mm2 = self._drawn(coarse, layers, step, measured=True)
            area, outline = planar.area(out), planar.length(out)
            rings = planar.get_num_geometries(out) * (area > 0)
            corners = planar.get_num_coordinates(out)
            return [RoughShores(*one) for one in zip(area, outline, rings, corners, landed_mm2, strict=True)]

        found = self.kept.get_all(self._named(bays, lean, layers), made)
        return RoughShores(*(np.array([getattr(one, f.name) for one in found]) for f in fields(RoughShores)))

    def _named(self, bays: Bays, *how: object) -> list[tuple[object, ...]]:
        """Keys of the bays' shores: what is made of one depends on no other."""
        on_bed = self.on_bed[bays.piece].tolist()
        return [(name, bed, *how) for name, bed in zip(bays.names, on_bed, strict=True)]

    def _drawn(self, bays: Bays, layers: int, lean: Lean, measured: bool) -> tuple[Regions, Floats]:
        """Bays dealt out among the cores."""
        out = np.full(bays.heads.shape, EMPTY, dtype=object)
        landed = np.zeros(len(out))
        on_bed = self.on_bed[bays.piece]
        hands, jobs = [], []
        for chosen, name in ((on_bed, "shade"), (~on_bed, "blocked")):
            for some in dealt(np.flatnonzero(chosen), _HAND):
                around = getattr(self, name)[::layers]
                mine = own_copies(around) if cores_here() > 1 else around
                jobs.append(partial(drawn_together, bays.only(some), mine, lean, measured))
                hands.append(some)
        for some, (regions, area) in zip(hands, side_by_side(jobs), strict=True):
            out[some], landed[some] = regions, area
        return out, landed


@dataclass(frozen=True, eq=False)
class Design:
    """What is built at a site.

    ``straight``: the cells of what goes straight down, in P connected pieces; ``side_mm`` (P,) of the bays
    that each is built with, or ``CURTAIN``; ``prices`` of each, the estimated cost with every side of bays,
    the cheapest first. ``bays`` (B,) with the (B, L) regions of their shores, ``drawn``. ``piece`` of each of
    the ``heads`` (N,) in ``layer``.
    """

    site: SupportSite
    clear: Clear
    straight: Cells
    side_mm: Floats
    prices: tuple[Mapping[float, Cost], ...]
    bays: Bays
    drawn: Regions
    heads: Regions
    layer: Indices
    piece: Indices
    every: Bays | None = None  # bays of all sides, where others than those built are to be had

    @cached_property
    def shores(self) -> Regions:
        """(L,) regions of all shores."""
        out = np.full(len(self.site.heads), EMPTY, dtype=object)
        if len(self.drawn):
            out = areas_only(np.array([overlay.union_all(one) for one in self.drawn.T], dtype=object))
        return out

    @property
    def outlines(self) -> Outlines:
        return self.site.outlines

    @property
    def support(self) -> Regions:
        """(L,) regions of all that is built."""
        upright = self.side_mm == CURTAIN
        if not upright.any():
            return self.shores
        return areas_only(overlay.union(self.shores, self.curtain(upright)))

    def curtain(self, pieces: NDArray[np.bool_]) -> Regions:
        """(L,) regions of some pieces straight down."""
        mine = pieces[self.straight.piece]
        return gathered(self.straight.polygon[mine], self.straight.layer[mine], len(self.site.heads))

    def with_curtains(self, pieces: NDArray[np.bool_]) -> Design:
        """The same with some pieces straight down."""
        side = np.where(pieces, CURTAIN, self.side_mm)
        kept = side[self.bays.piece] != CURTAIN
        return replace(self, side_mm=side, bays=self.bays.only(kept), drawn=self.drawn[kept])

    def with_shores(self, pieces: NDArray[np.bool_]) -> Design:
        """The same with the cheapest shores where some pieces go straight down and shores are to be had."""
        assert self.every is not None
        best = np.array([next((side for side in row if side > CURTAIN), CURTAIN) for row in self.prices])
        fresh = pieces & (self.side_mm == CURTAIN) & (best > CURTAIN)
        side = np.where(fresh, best, self.side_mm)
        bays = self.every.only(fresh[self.every.piece] & (self.every.side_mm == side[self.every.piece]))
        drawn = self.clear.drawn(bays, self.site.lean)
        return replace(
            self,
            side_mm=side,
            bays=joined_bays([self.bays, bays]),
            drawn=np.concatenate([self.drawn, drawn]),
        )

    def with_posts(self, times: Floats) -> Design:
        """The same with the posts of each piece so many times as wide."""
        wider = np.flatnonzero(times[self.bays.piece] > 1.0)
        post_mm, drawn = self.bays.post_mm.copy(), self.drawn.copy()
        post_mm[wider] *= times[self.bays.piece[wider]]
        bays = replace(self.bays, post_mm=post_mm)
        drawn[wider] = self.clear.drawn(bays.only(wider), self.site.lean)
        return replace(self, bays=bays, drawn=drawn)

    def groups(self, cells: Cells) -> tuple[Indices, Indices]:
        """Labels (P,) of the pieces and (pieces,) of those of ``cells``, alike where they carry the same
        heads."""
        i, j = facing(self.layer, self.heads, cells.layer, cells.polygon)
        count = self.straight.pieces
        label = joined_groups(count + cells.pieces, self.piece[i], count + cells.piece[j])
        return label[:count], label[count:]

    def chosen(self, cells: Cells) -> list[tuple[str, tuple[TriedStructure, ...]]]:
        """For each piece of ``cells`` why it is built so, and what else could be, the cheapest first."""
        i, j = facing(self.layer, self.heads, cells.layer, cells.polygon)
        pairs, counts = np.unique(
            np.column_stack([self.piece[i], cells.piece[j]]), axis=0, return_counts=True
        )
        mine: dict[int, list[int]] = {}
        for straight in np.unique(pairs[:, 0]).tolist():  # to the piece that carries most of its heads
            rows = np.flatnonzero(pairs[:, 0] == straight)
            mine.setdefault(int(pairs[rows[np.argmax(counts[rows])], 1]), []).append(straight)
        return [self._told(mine.get(k, [])) for k in range(cells.pieces)]

    def _told(self, pieces: list[int]) -> tuple[str, tuple[TriedStructure, ...]]:
        built = {float(self.side_mm[k]) for k in pieces}
        sums: dict[float, Cost] = {}
        for side in {side for k in pieces for side in self.prices[k]}:
            if built != {side}:  # where bays of one side are as those of another, they are reckoned once
                sums[side] = sum((self.prices[k].get(side) or _least(self.prices[k]) for k in pieces), Cost())
        order = sorted(sums, key=lambda side: (side == WIDE, sums[side].price, -side))
        others = tuple(TriedStructure(_named(side), sums[side]) for side in order)
        why = " and ".join(_named(side) for side in sorted(built))
        if others and order[0] != WIDE:
            name, cost = others[0].structure, others[0].cost
            why += f"; next best {name}, about {mass(cost.mass_g)} and {duration(cost.time_s)}"
        return why, others


def _least(prices: Mapping[float, Cost]) -> Cost:
    shores = [cost for side, cost in prices.items() if side > CURTAIN]
    return min(shores, key=lambda cost: cost.price, default=Cost())


def _named(side_mm: float) -> str:
    if side_mm == WIDE:
        return WIDE_NAME
    return "curtain" if side_mm == CURTAIN else f"shores with bays of {side_mm:g} mm"


@dataclass(frozen=True, eq=False)
class Spots:
    """What of a design depends on no process: the ``cells`` of what goes straight down, ``stood_mm2``
    (pieces,) of the part that each stands on; ``heads`` (N,) in ``layer`` of a ``piece`` each; the ``bays``
    of every size, without posts, and where their shores may not be."""

    cells: Cells
    stood_mm2: Floats
    heads: Regions
    layer: Indices
    piece: Indices
    clear: Clear
    bays: Bays


@dataclass(frozen=True, eq=False)
class Posts:
    """The ``bays`` of every size with the cheaper of their posts, and what each is estimated to cost."""

    spots: Spots
    bays: Bays
    costs: list[Cost]


def posts_at(site: SupportSite, watch: Watch = QUIET) -> Posts:
    """Bays and posts for everything at a site."""
    spots = site.kept.get(("spots", site.cap_layers), lambda: _spots(site, watch))
    watch.at("placing posts", 0.5)
    return Posts(spots, *_best_posts(spots.bays, site, spots.clear))


def _spots(site: SupportSite, watch: Watch) -> Spots:
    watch.at("choosing what to build", 0.0)
    cells = site.kept.get("cells", lambda: cells_of(site.support, 0.0))
    polygon, layer = parts(site.heads)
    i, j = facing(layer, polygon, cells.layer, cells.polygon)
    piece = np.full(len(polygon), -1, dtype=np.int64)
    piece[i] = cells.piece[j]
    polygon, layer, piece = polygon[piece >= 0], layer[piece >= 0], piece[piece >= 0]
    stood_mm2 = site.kept.get("stood", lambda: _stood_mm2(cells, site))
    watch.at("keeping clear of the part", 0.3)
    clear = site.kept.get("clear", lambda: Clear(plain_around(site.blocked), stood_mm2 <= _STOOD_MM2))
    bays = joined_bays(_lattices(polygon, layer, piece, len(site.heads)))
    return Spots(cells, stood_mm2, polygon, layer, piece, clear, bays)


def designed(site: SupportSite, posts: Posts) -> Design:
    """The cheapest of curtain and shores for every connected piece of what goes straight down."""
    table, spots = _table(posts, site), posts.spots
    best = np.array([next(iter(row)) for row in table])
    bays = posts.bays.only(posts.bays.side_mm == best[posts.bays.piece])
    return Design(
        site,
        spots.clear,
        spots.cells,
        best,
        tuple(table),
        bays,
        spots.clear.drawn(bays, site.lean),
        spots.heads,
        spots.layer,
        spots.piece,
        posts.bays,
    )


def _lattices(polygon: Regions, layer: Indices, piece: Indices, layers: int) -> list[Bays]:
    """The heads in bays of each side; larger ones only for pieces that they divide otherwise."""
    sets = [bays_of(polygon, layer, piece, layers, BAYS_MM[0])]
    for side in BAYS_MM[1:]:
        many = np.bincount(sets[-1].piece, minlength=int(piece.max(initial=-1)) + 1)
        split = many[piece] > 1
        sets.append(bays_of(polygon[split], layer[split], piece[split], layers, side))
    return sets


def _table(posts: Posts, site: SupportSite) -> list[dict[float, Cost]]:
    """Estimated cost of every piece by side of bays, the cheapest first."""
    usual, wide = (
        _curtain_costs(posts.spots.cells, posts.spots.stood_mm2, mm, site.process)
        for mm in (site.process.structure.spacing_mm, site.lane_spacing_mm)
    )
    rows = [{CURTAIN: one} for one in usual]
    bays = posts.bays
    for k, side, cost in zip(bays.piece.tolist(), bays.side_mm.tolist(), posts.costs, strict=True):
        rows[k][side] = rows[k].get(side, Cost()) + cost
    ordered = [dict(sorted(row.items(), key=lambda item: (item[1].price, -item[0]))) for row in rows]
    return [row | {WIDE: cost} for row, cost in zip(ordered, wide, strict=True)]


def post_side_mm(height_mm: Floats, on_bed: NDArray[np.bool_], process: Process) -> Floats:
    """Side of a square post, a tube of one line, that drag of the nozzle at its head neither bends nor
    topples.

    The larger of :func:`falsework.process.forces.bending_side_mm` and ``standing_side_mm``.
    """
    width, structure = process.line_width_mm, process.structure
    height = np.asarray(height_mm, dtype=np.float64)
    bends = bending_side_mm(height, process)
    topples = standing_side_mm(height, np.where(on_bed, BED_BOND_MPA, part_bond_mpa(process)))
    topples = np.where(on_bed, topples - 2.0 * structure.foot_widening_mm, _SPARE * topples + 0.1 * width)
    side: Floats = np.maximum(np.maximum(bends, topples), THINNEST_WIDTHS * width)
    return side


def _stood_mm2(cells: Cells, site: SupportSite) -> Floats:
    """(pieces,) area of the part on which what goes straight down stands."""
    under = site.under[cells.layer]
    hit = np.flatnonzero(planar.intersects(cells.polygon, under))
    area = planar.area(overlay.intersection(cells.polygon[hit], under[hit]))
    return np.bincount(cells.piece[hit], weights=area, minlength=cells.pieces).astype(np.float64)


def _best_posts(bays: Bays, site: SupportSite, clear: Clear) -> tuple[Bays, list[Cost]]:
    """All bays, each with the cheaper of its posts, and what its shore costs, roughly."""
    if not len(bays.piece):
        return bays, []
    bays, group = _with_posts(bays, site)
    costs = _shore_costs(bays, site, clear)
    order = np.lexsort((np.array([c.price for c in costs]), group))
    best = order[np.flatnonzero(np.diff(group[order], prepend=-1))]
    return bays.only(best), [costs[k] for k in best]


def _with_posts(bays: Bays, site: SupportSite) -> tuple[Bays, Indices]:
    """Bays with a post in their middle; once more with one on the bed beside the part, where that one lands
    on the part; and which bay each is of."""
    area = planar.area(bays.heads)
    layer = (area @ np.arange(area.shape[1]) / area.sum(axis=1)).astype(np.int64)
    slim = np.full(len(layer), THINNEST_WIDTHS * site.process.line_width_mm)
    lands = _landing(bays.at_mm, slim, layer, site)
    sets, group = [_sized(bays, lands, site)], [np.arange(len(layer))]
    for b in np.flatnonzero(lands >= 0).tolist():
        place = _beside(bays.at_mm[b], int(layer[b]), slim[b], site)
        if place is not None:
            moved = replace(bays.only(np.array([b])), at_mm=place[None])
            sets.append(_sized(moved, np.array([-1]), site))
            group.append(np.array([b]))
    return joined_bays(sets), np.concatenate(group)


def _sized(bays: Bays, lands: Indices, site: SupportSite) -> Bays:
    z = site.stack.z_mm
    full = ~planar.is_empty(bays.heads)
    top = full.shape[1] - np.argmax(full[:, ::-1], axis=1)
    return replace(bays, post_mm=post_side_mm(z[top] - z[lands + 1], lands < 0, site.process))


def _landing(at_mm: Floats, side_mm: Floats, layer: Indices, site: SupportSite) -> Indices:
    """(n,) highest layer below ``layer`` that lies beneath a post with its side clearance; -1: the bed."""
    wide = side_mm + 2.0 * site.process.structure.side_gap_mm
    points = (at_mm[:, None] + wide[:, None, None] * _AROUND).reshape(-1, 2)
    found = site.outlines.beneath(points, np.repeat(layer, 9), np.zeros(len(points), dtype=np.int64))
    highest: Indices = found.reshape(-1, 9).max(axis=1)
    return highest


def _beside(at_mm: Floats, layer: int, side_mm: float, site: SupportSite) -> Floats | None:
    """The nearest place from which a post reaches the bed, as far as a shore can lean; None where none is."""
    angle = np.radians(_BEARINGS_DEG)
    around = np.column_stack([np.cos(angle), np.sin(angle)])
    for radius in _RADII_MM:
        if radius > site.lean.step_mm * layer:
            return None
        places = at_mm + radius * around
        many = len(places)
        lands = _landing(places, np.full(many, side_mm), np.full(many, layer), site)
        if (lands < 0).any():
            place: Floats = places[int(np.argmax(lands < 0))]
            return place
    return None


def _shore_costs(bays: Bays, site: SupportSite, clear: Clear) -> list[Cost]:
    """What every bay's shore costs: built in coarse layers and reckoned from areas and outlines."""
    full = ~planar.is_empty(bays.heads).all(axis=0)
    many = int(np.clip(int(np.flatnonzero(full)[-1]) // _STEPS, *_COARSE))
    rough = clear.roughly(bays, many, site.lean)
    area, outline = rough.area_mm2, rough.outline_mm
    wide = 4.0 * area > outline * site.lane_spacing_mm
    lanes = np.where(wide, 0.5 * area / site.lane_spacing_mm, 0.0)  # half of it: arches are carved out
    foot = 2.0 * area[:, 0] / site.process.line_width_mm / many
    length = many * ((outline + lanes).sum(axis=1) + foot)
    seconds = many * (PATH_S * rough.rings + _CORNER_S * rough.corners).sum(axis=1)
    return _costs(length, seconds, SCAR_PRICE_MM2 * rough.landed_mm2, site.process)


def _curtain_costs(cells: Cells, stood_mm2: Floats, spacing_mm: float, process: Process) -> list[Cost]:
    """What every piece costs straight down, with lines so far apart, reckoned alike."""
    structure, width = process.structure, process.line_width_mm
    area, outline = planar.area(cells.polygon), planar.length(cells.polygon)
    slim = cells.width_mm < 2.0 * (spacing_mm + width)
    length = np.where(slim, outline, area / spacing_mm)
    length += np.where(cells.layer < structure.foot_layers, area / width, 0.0)
    chord = np.pi * area / np.maximum(outline, 1e-9)
    paths = np.where(slim, 1.0, area / spacing_mm / np.maximum(chord, 1e-9))
    seconds = PATH_S * paths + np.where(slim, _CORNER_S * planar.get_num_coordinates(cells.polygon), 0.0)

    def total(values: Floats) -> Floats:
        return np.bincount(cells.piece, weights=values, minlength=cells.pieces).astype(np.float64)

    return _costs(total(length), total(seconds), SCAR_PRICE_MM2 * stood_mm2, process)


def _costs(length_mm: Floats, seconds: Floats, more: Floats, process: Process) -> list[Cost]:
    """Costs of strands of that length, with so much time on top of it and such prices."""
    section = bead_section_mm2(process.line_width_mm, process.layer_height_mm)
    out = []
    for length, extra, price in zip(length_mm.tolist(), seconds.tolist(), more.tolist(), strict=True):
        cost = Rates(process).cost(length * section, length / process.support_speed_mm_s + extra)
        out.append(replace(cost, price=cost.price + price))
    return out

"""Looking for good lies: an even lattice of directions, resting faces, then steps from the best of them.

Columns are dear and facets are cheap: what the facets of a body alone say of a direction bounds its price, so
columns are counted only where that may be less than the best so far.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import lru_cache, reduce

import numpy as np
from numpy.typing import NDArray

from falsework.kernels.column.intervals import (
    BASE_AREA,
    BASE_LEAN_DEG,
    BED_VOLUME,
    CONTACT_AREA,
    FIGURES,
    HEIGHT,
    LEAN_DEG,
    SHOW_BED_AREA,
    extents,
    facet_needs,
    ridge_needs,
)
from falsework.layers.slicing import lowest_mm
from falsework.objective import PARTS
from falsework.orientation.body import Body
from falsework.orientation.device import ColumnLimits, Counter, figures_here
from falsework.orientation.directions import (
    ODD_SPIN_DEG,
    even_directions,
    fit_ratios,
    hull_corners,
    resting_directions,
    rotations_to_up,
)
from falsework.orientation.price import Priced, priced, skin_and_band, surface_sums
from falsework.part.part import Floats
from falsework.process.settings import Process
from falsework.request.weights import Weights
from falsework.watch import Watch

COARSE_GRID, GRID, FINE_GRID = 64, 128, 256
KEPT_SHARE, KEPT_WORTH = 0.12, 1.15  # of all directions, and times the best: looked at again on GRID
CLOSER, CLOSER_APART_DEG, FINER = 80, 3.0, 16  # around so many, a lattice of so many times the directions
CLOSER_KEPT = 30  # of these, looked at again on GRID
HOPEFUL, HOPEFUL_APART_DEG = 24, 2.0  # and so many, by what is expected of them
HOPE = 1.05  # times the best: what is expected to cost more is not looked at
STARTS, START_APART_DEG, START_WORTH = (10, 4), 3.0, 1.1  # where refinement begins, and goes on
STEPS_DEG = (1.0, 0.3), (0.3, 0.06)  # first and least step of either
SHRINK, MOST_TURNS = 0.6, 50
ROUGH_DEG = 0.2  # least step where only facets are asked
RING, TRIED = 8, 4  # directions around each, and how many of these, by their facets, are looked at
MOST_FRONT = 100  # best in some other way, looked at again too
FLAT_DEG, FLAT_WORTH = 8.0, 1.02  # a resting face this near that costs at most this much is taken
BATCH = 64  # directions between two looks at the watch
PROBES = 24  # directions by which it is told whether shells cross
FEW = 24  # directions after which what is best so far is asked again
MISSED = 0.95  # of the best price found: a side that costs less than this was passed by
WORSE_THAN_ANY = 1e12  # rank of lies that do not fit
NEGLIGIBLE_MM2 = 0.5  # of undersides in need, and
STANDS_DEG = 2.0  # what topples at less of a lean balances on an edge or a tip; columns err by half a cell
UPRIGHT_DEG = 90.0  # lean of what cannot topple
NEGLIGIBLE_SHARE = 1e-3  # of the level surfaces: what sampling may invent


@dataclass(frozen=True, eq=False)
class Looked:
    """Directions looked at (d, 3) in the body's frame, their figures, prices and fit."""

    directions: Floats
    figures: Floats  # (d, FIGURES)
    across: Floats  # (d,) load across the layers, 0 to 1
    negligible: NDArray[np.bool_]  # stands, and has no underside in need worth the name
    fit: Floats  # (d,) share of its size at which it fits, 1 or more: fits; 0: lower than the first layer
    priced: Priced

    @property
    def rank(self) -> Floats:
        """(d,) key to sort by: price; lies that do not fit come after all that do, nearest fit first."""
        misfit = WORSE_THAN_ANY / np.clip(self.fit, 1e-9, 1.0)
        rank: Floats = np.where(self.fit >= 1.0, self.priced.total, misfit)
        return rank

    def rows(self, rows: NDArray[np.int64]) -> Looked:
        """Some of them."""
        p = self.priced
        return Looked(
            self.directions[rows],
            self.figures[rows],
            self.across[rows],
            self.negligible[rows],
            self.fit[rows],
            Priced(*(getattr(p, f.name)[rows] for f in fields(p))),
        )


@dataclass(frozen=True, eq=False)
class Judge:
    """What lies of one body are judged by; call it with directions."""

    body: Body
    corners: Floats  # of the hull
    process: Process
    weights: Weights
    load_axis: Floats | None  # in the body's frame
    hidden: float = 0.0  # share of the needs of facets that is not believed: shells that cross hide some
    counter: Counter | None = None  # of columns on graphics processors; None: here
    threads: int = 1  # that share directions; figures are the same for any number

    def __call__(self, directions: Floats, grid: int, watch: Watch, step: str) -> Looked:
        """Look at directions (d, 3) with grid × grid columns."""
        return self._looked(directions, *self._counted(directions, grid, watch, step))

    def prices(self, directions: Floats, grid: int, watch: Watch, step: str) -> Floats:
        """(d,) total price by grid × grid columns, whether it fits or not."""
        return self._priced(directions, *self._counted(directions, grid, watch, step)).total

    def _counted(self, directions: Floats, grid: int, watch: Watch, step: str) -> tuple[Floats, Floats]:
        """Figures (d, FIGURES) by columns and sums (d, 4) of the surface."""
        process = self.process
        rotations = rotations_to_up(directions, ODD_SPIN_DEG)
        limits = ColumnLimits(
            grid,
            process.limit_deg,
            0.5 * process.layer_height_mm,
            0.5 * process.line_width_mm,
            process.head_reach_mm,
        )
        if self.counter is not None:
            figures = self.counter.figures(rotations, limits, watch, step)
            return figures, self.counter.surface_sums(directions, *skin_and_band(process))
        figures = np.empty((len(directions), FIGURES))
        batch = BATCH * self.threads
        for k in range(0, len(directions), batch):
            watch.at(step, k / len(directions))
            some = rotations[k : k + batch]
            figures[k : k + batch] = self._shared(lambda at: figures_here(self.body, at, limits), some)
        return figures, self._sums(directions)

    def _shared(self, count: Callable[[Floats], Floats], rows: Floats) -> Floats:
        """``count(rows)``, the rows shared among threads: no kernel holds what Python locks."""
        shares = min(self.threads, len(rows))
        if shares < 2:
            return count(rows)
        return np.concatenate(list(_pool(self.threads).map(count, np.array_split(rows, shares))))

    def _sums(self, directions: Floats) -> Floats:
        return self._shared(lambda at: surface_sums(self.body, at, self.process), directions)

    def foresee(self, directions: Floats) -> tuple[Looked, Floats]:
        """The same from the facets alone, and (d,) ranks that are no higher than the true ones.

        As if nothing stood in the way of supports and nothing toppled; the bound as if supports took no
        plastic either. It holds but for the sampling of columns, and where shells cross as far as
        ``hidden`` says.
        """
        figures, sums = self._by_facets(directions)
        likely = self._looked(directions, figures, sums)
        bare = figures.copy()
        bare[:, BED_VOLUME] = 0.0
        least = self._priced(directions, bare, sums).total
        return likely, np.where(likely.fit >= 1.0, least, likely.rank)

    def likely_price(self, directions: Floats) -> Floats:
        """(d,) total price by the facets alone, whether it fits or not."""
        return self._priced(directions, *self._by_facets(directions)).total

    def _by_facets(self, directions: Floats) -> tuple[Floats, Floats]:
        """Figures (d, FIGURES) and sums (d, 4) by the facets alone."""
        span = extents(self.corners.astype(np.float32), directions)
        needs = self._shared(
            lambda at: self._needs(at[:, :3], at[:, 3]), np.column_stack([directions, span[:, 0]])
        )
        needs[:, :3] *= 1.0 - self.hidden
        figures = np.zeros((len(directions), FIGURES))
        figures[:, CONTACT_AREA], figures[:, BED_VOLUME] = needs[:, 0], needs[:, 1]
        figures[:, SHOW_BED_AREA], figures[:, BASE_AREA] = needs[:, 2], needs[:, 3]
        figures[:, HEIGHT] = np.ptp(span, axis=1)
        figures[:, LEAN_DEG] = figures[:, BASE_LEAN_DEG] = UPRIGHT_DEG
        return figures, self._sums(directions)

    def _needs(self, directions: Floats, low_mm: Floats) -> Floats:
        """Needs of faces and lower edges, as ``facet_needs`` has them."""
        body, process = self.body, self.process
        ups, low = np.ascontiguousarray(directions), np.ascontiguousarray(low_mm)
        limits = (process.limit_deg, 0.5 * process.layer_height_mm)
        needs = facet_needs(body.areas, body.normals, body.middles, body.show, ups, low, *limits)
        needs[:, :3] += ridge_needs(
            body.vertices,
            body.normals,
            body.edges,
            body.beside,
            body.show,
            ups,
            low,
            *limits,
            process.head_reach_mm,
        )
        out: Floats = needs
        return out

    def _looked(self, directions: Floats, figures: Floats, sums: Floats) -> Looked:
        printer = self.process.printer
        build = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
        negligible = figures[:, CONTACT_AREA] <= NEGLIGIBLE_MM2 + NEGLIGIBLE_SHARE * sums[:, 1]
        negligible &= figures[:, BASE_LEAN_DEG] > STANDS_DEG
        fit = fit_ratios(self.corners, rotations_to_up(directions, ODD_SPIN_DEG), build)
        return Looked(
            directions,
            figures,
            self._across(directions),
            negligible,
            np.where(self._prints(directions), fit, 0.0),
            self._priced(directions, figures, sums),
        )

    def _across(self, directions: Floats) -> Floats:
        """(d,) load across the layers."""
        return np.zeros(len(directions)) if self.load_axis is None else (directions @ self.load_axis) ** 2

    def _priced(self, directions: Floats, figures: Floats, sums: Floats) -> Priced:
        across, volume = self._across(directions), self.body.volume_mm3
        return priced(figures, sums, across, volume, self.process, self.weights)

    def _prints(self, directions: Floats) -> NDArray[np.bool_]:
        """(d,) whether the part has a layer at all: a sheet may lie lower than the first one."""
        height = np.ptp(extents(self.corners.astype(np.float32), directions), axis=1)
        return height > lowest_mm(self.process.first_layer_height_mm)


def judge_of(
    body: Body, process: Process, weights: Weights, load_axis: Floats | None, threads: int = 1
) -> Judge:
    """A judge of lies of this body."""
    return Judge(body, hull_corners(body.points), process, weights, load_axis, threads=threads)


@lru_cache(maxsize=1)
def _pool(threads: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads)


def laid_flat(looked: Looked, judge: Judge, resting: Floats, watch: Watch) -> Looked:
    """The same, with each direction that is near to a resting one put in its place where that costs no more.

    A face up to half a layer off the bed prints as if it lay flat; it should.
    """
    if len(resting) == 0:
        return looked
    near = looked.directions @ resting.T
    nearest = resting[np.argmax(near, axis=1)]
    flat = judge(nearest, FINE_GRID, watch, "measuring the best")
    take = (near.max(axis=1) > np.cos(np.radians(FLAT_DEG))) & (flat.rank <= FLAT_WORTH * looked.rank)
    both = joined(looked, flat)
    rows = np.arange(len(take))
    return both.rows(np.where(take, rows + len(take), rows))


def joined(first: Looked, second: Looked) -> Looked:
    """Both, one after the other."""
    a, b = first.priced, second.priced
    return Looked(
        np.concatenate([first.directions, second.directions]),
        np.concatenate([first.figures, second.figures]),
        np.concatenate([first.across, second.across]),
        np.concatenate([first.negligible, second.negligible]),
        np.concatenate([first.fit, second.fit]),
        Priced(*(np.concatenate([getattr(a, f.name), getattr(b, f.name)]) for f in fields(a))),
    )


def distinct(directions: Floats, order: NDArray[np.int64], apart_deg: float, most: int) -> list[int]:
    """The first of ``order`` and those that follow at least ``apart_deg`` from all taken before."""
    taken: list[int] = []
    near = np.cos(np.radians(apart_deg))
    for index in order.tolist():
        if len(taken) == most:
            break
        if (directions[taken] @ directions[index] <= near).all():
            taken.append(index)
    return taken


def prices_everywhere(judge: Judge, count: int, watch: Watch) -> Floats:
    """(count,) prices of so many even directions by GRID columns, whether it fits or not; NaN where it is not
    known.

    For judges that count columns on a graphics processor: so many lie so close that nothing is passed by.
    """
    return judge.prices(even_directions(count), GRID, watch, "looking at every side")


def with_passed_by(judge: Judge, found: Looked, prices: Floats, watch: Watch) -> Looked:
    """With what a search found those of even directions that cost less than ``MISSED`` of its best.

    ``prices`` as ``prices_everywhere`` has them. What differs by less is the sampling's choice, not the
    search's. Each lies apart from the others; where nothing was found that fits, all that may are asked.
    """
    sides, best = even_directions(len(prices)), float(found.rank.min())
    order = np.argsort(prices, kind="stable")
    order = order[prices[order] < MISSED * best]
    rows = order if best >= WORSE_THAN_ANY else distinct(sides, order, START_APART_DEG, STARTS[0])
    return joined(found, judge(sides[rows], GRID, watch, "looking closer")) if len(rows) else found


def searched(
    judge: Judge, today: Floats, count: int, watch: Watch, *, refine: bool = True, below: float = math.inf
) -> tuple[Looked, int, Floats]:
    """The lies worth a closer look, on GRID columns; how many directions were weighed; resting ones (r, 3).

    Only those that may cost less than ``below`` count: ``today`` is all there is where no facets leave hope.

    ``count`` even directions, on COARSE_GRID columns where their facets leave hope, the best of them and
    their front again on GRID, with the resting faces and ``today`` (3,); in the same way a denser lattice
    around the best; then pattern searches on the sphere, by facets from where most is to be expected, by
    columns from the best distinct few, if it is to ``refine``. No chance is involved.
    """
    judge = with_hidden(judge, watch)
    resting = resting_directions(judge.body.points)
    looked = judge(today[None], GRID, watch, "looking at every side")
    at_rest, even = (judge.foresee(some) for some in (resting, even_directions(count)))
    if min(float(least.min(initial=math.inf)) for _, least in (at_rest, even)) >= below:
        return looked, 1 + count, resting[:0]
    if len(resting):
        hopeful = _hopeful(judge, at_rest, min(WORSE_THAN_ANY, below), GRID, watch.part(0.0, 0.1))
        looked = joined(looked, hopeful)
    best = min(below, float(looked.rank.min()))
    coarse = _hopeful(judge, even, best, COARSE_GRID, watch.part(0.1, 0.5))
    best = min(best, float(coarse.rank.min()))
    kept = np.argsort(coarse.rank, kind="stable")[: max(40, int(KEPT_SHARE * count))]
    kept = kept[coarse.rank[kept] <= KEPT_WORTH * best]
    kept = np.union1d(kept, front_rows(coarse, True, judge.load_axis is not None)[:MOST_FRONT])
    looked = joined(looked, judge(coarse.directions[kept], GRID, watch.part(0.5, 0.7), "looking closer"))

    both = joined(looked, coarse)
    order = np.argsort(both.rank, kind="stable")
    between = _between(both.directions[distinct(both.directions, order, CLOSER_APART_DEG, CLOSER)], count)
    foreseen = judge.foresee(between)
    best = min(below, float(looked.rank.min()))
    closer = _hopeful(judge, foreseen, best, COARSE_GRID, watch.part(0.7, 0.8))
    kept = np.argsort(closer.rank, kind="stable")[:CLOSER_KEPT]
    kept = kept[closer.rank[kept] <= KEPT_WORTH * best]
    looked = joined(looked, judge(closer.directions[kept], GRID, watch.part(0.8, 0.82), "looking between"))
    looked = _expected(judge, looked, foreseen, 0.5 * _spacing(FINER * count), watch.part(0.82, 0.85))
    for number, (starts, steps) in enumerate(zip(STARTS, STEPS_DEG, strict=True) if refine else ()):
        part = watch.part(0.85 + 0.07 * number, 0.92 + 0.07 * number)
        looked = _refined(judge, looked, starts, np.radians(steps), part)
    return looked, len(looked.rank) + count + len(between), resting


def with_hidden(judge: Judge, watch: Watch) -> Judge:
    """The judge with twice the share of needs that columns miss in a few directions: it varies with them."""
    probes = even_directions(PROBES)
    seen = judge(probes, COARSE_GRID, watch, "looking at every side").figures[:, CONTACT_AREA].sum()
    all_needs = judge.foresee(probes)[0].figures[:, CONTACT_AREA].sum()
    return replace(judge, hidden=float(np.clip(2.0 - 2.0 * seen / max(float(all_needs), 1e-9), 0.0, 1.0)))


def _hopeful(judge: Judge, foreseen: tuple[Looked, Floats], best: float, grid: int, watch: Watch) -> Looked:
    """Of the directions foreseen those whose facets leave hope to be less than the best, and their front."""
    (likely, least), step = foreseen, "looking at every side"
    front = front_rows(likely, True, judge.load_axis is not None)[:MOST_FRONT]
    found = judge(likely.directions[front], grid, watch.part(0.0, 0.2), step)
    order = np.argsort(least, kind="stable")
    order = order[~np.isin(order, front)]
    for k in range(0, len(order), FEW):
        best = min(best, float(found.rank.min()))
        rows = order[k : k + FEW][least[order[k : k + FEW]] < best]
        if len(rows) == 0:
            break
        at = 0.2 + 0.8 * k / len(order)
        found = joined(found, judge(likely.directions[rows], grid, watch.part(at, at), step))
    return found


def _expected(
    judge: Judge, looked: Looked, foreseen: tuple[Looked, Floats], step: float, watch: Watch
) -> Looked:
    """With ``looked``, on GRID, where the few directions lead of which most is to be expected.

    Expected is what the facets say and what columns added to it at the nearest direction looked at. From each
    taken a pattern search goes down by the facets alone, its first steps ``step`` radians.
    """
    likely, least = foreseen
    directions, best = likely.directions, float(looked.rank.min())
    added = looked.priced.total - judge.likely_price(looked.directions)
    expected = likely.rank + added[np.argmax(directions @ looked.directions.T, axis=1)]
    order = np.flatnonzero((least < best) & (expected < HOPE * best))
    order = order[np.argsort(expected[order], kind="stable")]
    rows = distinct(directions, order, HOPEFUL_APART_DEG, HOPEFUL)
    if not rows:
        return looked
    at = _descended(
        directions[rows],
        likely.priced.total[rows],
        np.array([step, np.radians(ROUGH_DEG)]),
        lambda tried: (tried, _prices_by_facets(judge, tried)),
    )
    return joined(looked, judge(at, GRID, watch, "looking between"))


def _prices_by_facets(judge: Judge, tried: Floats) -> Floats:
    """(d, r) prices of directions (d, r, 3) by their facets alone."""
    return judge.likely_price(tried.reshape(-1, 3)).reshape(tried.shape[:2])


def _refined(judge: Judge, looked: Looked, most: int, steps: Floats, watch: Watch) -> Looked:
    """With ``looked`` what a pattern search on GRID finds from the best distinct few."""
    order = np.argsort(looked.rank, kind="stable")
    stand = looked.figures[order, LEAN_DEG] > STANDS_DEG
    order = order[stand] if stand.any() else order
    order = order[looked.rank[order] <= START_WORTH * looked.rank[order[0]]]
    starts = distinct(looked.directions, order, START_APART_DEG, most)
    seen: list[Looked] = []

    def look(tried: Floats) -> tuple[Floats, Floats]:
        few = np.argsort(_prices_by_facets(judge, tried), axis=1, kind="stable")[:, :TRIED]
        tried = np.take_along_axis(tried, few[:, :, None], axis=1)
        at = len(seen) / MOST_TURNS
        seen.append(judge(tried.reshape(-1, 3), GRID, watch.part(at, at), "refining"))
        return tried, seen[-1].rank.reshape(few.shape)

    _descended(looked.directions[starts], looked.rank[starts], steps, look)
    return reduce(joined, seen, looked)


def _descended(
    at: Floats, rank: Floats, steps: Floats, look: Callable[[Floats], tuple[Floats, Floats]]
) -> Floats:
    """(d, 3) where a pattern search on the sphere ends that begins at (d, 3) of ranks (d,).

    ``steps`` (2,): the first and the least, radians. ``look`` takes the ring (l, RING, 3) around those still
    on their way and gives what it looked at of it (l, k, 3) and the ranks (l, k).
    """
    at, rank = at.copy(), rank.copy()
    step = np.full(len(at), steps[0])
    turn = 0
    while (live := np.flatnonzero(step > steps[1])).size and turn < MOST_TURNS:
        tried, ranks = look(_around(at[live], step[live], turn))
        turn += 1
        pick = np.argmin(ranks, axis=1)
        least = ranks[np.arange(len(live)), pick]
        better = least < rank[live]
        at[live[better]], rank[live[better]] = tried[better, pick[better]], least[better]
        step[live[~better]] *= SHRINK
    return at


def _spacing(count: int) -> float:
    """Radians between neighbours of an even lattice."""
    return float(np.sqrt(4.0 * np.pi / count))


def _between(directions: Floats, count: int) -> Floats:
    """(k, 3) directions of a lattice ``FINER`` times as dense that lie within a coarse step of any given."""
    lattice = even_directions(FINER * count)
    near = (lattice @ directions.T).max(axis=1) > np.cos(0.7 * _spacing(count))
    return lattice[near]


def _around(directions: Floats, steps: Floats, turn: int) -> Floats:
    """(d, RING, 3): directions around each, ``steps`` (d,) radians away.

    The ring is turned from round to round by the golden angle: prices fall off cliffs where a face passes the
    limit, and the way along a cliff is narrow.
    """
    helper = np.where(np.abs(directions[:, :1]) < 0.6, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    u = np.cross(directions, helper)
    u /= np.linalg.norm(u, axis=1)[:, None]
    v = np.cross(directions, u)
    angle = 2.0 * np.pi * (np.arange(RING) / RING + 0.381966 * turn)
    ring = np.cos(angle)[None, :, None] * u[:, None] + np.sin(angle)[None, :, None] * v[:, None]
    around: Floats = np.cos(steps)[:, None, None] * directions[:, None] + np.sin(steps)[:, None, None] * ring
    return around


def front_rows(looked: Looked, with_show: bool, with_load: bool) -> NDArray[np.int64]:
    """Rows that no other row beats or equals in everything, cheapest first.

    Compared is what ``compared`` names, each in steps of half a per cent of the best total, so that the
    sampling of columns makes no front of its own. If any lie fits, only those that do count; then, if any
    stands, only those.
    """
    rows = np.arange(len(looked.rank))
    for sound in (looked.fit >= 1.0, looked.figures[:, LEAN_DEG] > STANDS_DEG):
        if sound[rows].any():
            rows = rows[sound[rows]]
    rows = rows[np.argsort(looked.rank[rows], kind="stable")]
    unit = max(0.005 * float(looked.priced.total[rows[0]]), 1e-9)
    worth = np.round(grouped(looked.priced)[rows][:, compared(with_show, with_load)] / unit)
    kept: list[int] = []
    for i in range(len(rows)):
        if not (worth[kept] <= worth[i]).all(axis=1).any():
            kept.append(i)
    # a later one may beat an earlier one only at equal totals, within a step
    front = [
        i
        for i in kept
        if not any((worth[j] <= worth[i]).all() and (worth[j] < worth[i]).any() for j in kept if j != i)
    ]
    return rows[front]


def grouped(priced: Priced) -> Floats:
    """(d, 5) prices by what people compare: printing, surface, removal and risk, show faces, strength."""
    parts = dict(zip(PARTS, priced.parts.T, strict=True))
    return np.column_stack(
        [
            parts["filament"] + parts["time"],
            parts["finish"] + parts["scars"],
            parts["hands"] + parts["inside"] + parts["risk"],
            parts["show"],
            parts["strength"],
        ]
    )


def compared(with_show: bool, with_load: bool) -> list[int]:
    """Columns of ``grouped`` in which lies differ at all."""
    return [0, 1, 2] + ([3] if with_show else []) + ([4] if with_load else [])

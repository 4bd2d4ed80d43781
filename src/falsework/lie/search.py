"""Looking for good lies: an even lattice of directions, resting faces, then steps from the best of them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from falsework.cost.weights import Weights
from falsework.kernels.intervals import BASE_LEAN_DEG, CONTACT_AREA, FIGURES, LEAN_DEG, lie_figures
from falsework.layers.slicing import lowest_mm
from falsework.lie.body import Body
from falsework.lie.directions import (
    ODD_SPIN_DEG,
    even_directions,
    fit_ratios,
    hull_corners,
    resting_directions,
    rotations_to_up,
)
from falsework.lie.price import Priced, priced, surface_sums
from falsework.lie.value import Care
from falsework.part.part import Floats
from falsework.process import limit_deg
from falsework.process.settings import Process
from falsework.watch import Watch

COARSE_GRID, GRID, FINE_GRID = 64, 128, 256
KEPT_SHARE = 0.12  # of all directions: looked at again on GRID after the coarse round
CLOSER, CLOSER_APART_DEG, FINER = 80, 3.0, 16  # around so many, a lattice of so many times the directions
STARTS, START_APART_DEG = 10, 3.0  # where refinement begins
FIRST_STEP_DEG, LEAST_STEP_DEG, SHRINK = 1.0, 0.06, 0.6
RING = 8  # directions tried around each
MOST_FRONT = 100  # best in some other way, looked at again too
FLAT_DEG, FLAT_WORTH = 8.0, 1.02  # a resting face this near that costs at most this much is taken
BATCH = 64  # directions between two looks at the watch
WORSE_THAN_ANY = 1e12  # rank of lies that do not fit
NEGLIGIBLE_MM2 = 0.5  # of undersides in need, and
STANDS_DEG = 2.0  # what topples at less of a lean balances on an edge or a tip; columns err by half a cell
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
    care: Care
    load_axis: Floats | None  # in the body's frame

    def __call__(self, directions: Floats, grid: int, watch: Watch, step: str) -> Looked:
        """Look at directions (d, 3) with grid × grid columns."""
        body, process = self.body, self.process
        rotations = rotations_to_up(directions, ODD_SPIN_DEG)
        figures = np.empty((len(directions), FIGURES))
        for k in range(0, len(directions), BATCH):
            watch.at(step, k / len(directions))
            figures[k : k + BATCH] = lie_figures(
                body.vertices,
                body.faces,
                body.normals,
                body.show,
                body.edges,
                body.beside,
                rotations[k : k + BATCH],
                body.center,
                grid,
                limit_deg(process),
                0.5 * process.layer_height_mm,
                0.5 * process.line_width_mm,
            )
        sums = surface_sums(body, directions, process)
        across = np.zeros(len(directions))
        if self.load_axis is not None:
            across = (directions @ self.load_axis) ** 2
        printer = process.printer
        build = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
        negligible = figures[:, CONTACT_AREA] <= NEGLIGIBLE_MM2 + NEGLIGIBLE_SHARE * sums[:, 1]
        negligible &= figures[:, BASE_LEAN_DEG] > STANDS_DEG
        return Looked(
            directions,
            figures,
            across,
            negligible,
            np.where(self._prints(directions), fit_ratios(self.corners, rotations, build), 0.0),
            priced(figures, sums, across, body.volume_mm3, process, self.weights, self.care),
        )

    def _prints(self, directions: Floats) -> NDArray[np.bool_]:
        """(d,) whether the part has a layer at all: a sheet may lie lower than the first one."""
        height = np.ptp(self.corners @ directions.T, axis=0)
        return height > lowest_mm(self.process.first_layer_height_mm)


def judge_of(body: Body, process: Process, weights: Weights, care: Care, load_axis: Floats | None) -> Judge:
    """A judge of lies of this body."""
    return Judge(body, hull_corners(body.points), process, weights, care, load_axis)


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
        if not taken or float((directions[taken] @ directions[index]).max()) <= near:
            taken.append(index)
    return taken


def searched(judge: Judge, today: Floats, count: int, watch: Watch) -> tuple[Looked, int, Floats]:
    """The lies worth a closer look, on GRID columns; how many directions were looked at; resting ones (r, 3).

    ``count`` even directions on COARSE_GRID columns; the best of them and their front again on GRID, with the
    resting faces and ``today`` (3,); a denser lattice around the best; then a pattern search on the sphere
    from the best distinct few. No chance is involved.
    """
    even = even_directions(count)
    coarse = judge(even, COARSE_GRID, watch.part(0.0, 0.6), "looking at every side")
    kept = np.argsort(coarse.rank, kind="stable")[: max(40, int(KEPT_SHARE * count))]
    kept = np.union1d(kept, front_rows(coarse, True, judge.load_axis is not None)[:MOST_FRONT])
    resting = resting_directions(judge.body.points)
    again = np.concatenate([today[None], resting, even[kept]])
    looked = judge(again, GRID, watch.part(0.6, 0.7), "looking closer")
    looks = len(even) + 1 + len(resting)
    best = distinct(looked.directions, np.argsort(looked.rank, kind="stable"), CLOSER_APART_DEG, CLOSER)
    between = _between(looked.directions[best], count)
    closer = judge(between, COARSE_GRID, watch.part(0.7, 0.8), "looking between")
    kept = np.argsort(closer.rank, kind="stable")[: max(20, int(KEPT_SHARE * len(between)))]
    looked = joined(looked, judge(between[kept], GRID, watch.part(0.8, 0.85), "looking between"))
    looks += len(closer.directions)
    best = distinct(looked.directions, np.argsort(looked.rank, kind="stable"), START_APART_DEG, STARTS)
    at, rank = looked.directions[best], looked.rank[best]
    step = np.full(len(best), np.radians(FIRST_STEP_DEG))
    rounds = 0
    while (live := np.flatnonzero(step > np.radians(LEAST_STEP_DEG))).size and rounds < 50:
        tried = _around(at[live], step[live], rounds)
        found = judge(
            tried.reshape(-1, 3), GRID, watch.part(0.85 + 0.003 * rounds, 0.853 + 0.003 * rounds), "refining"
        )
        looks += len(found.directions)
        rounds += 1
        pick = np.argmin(found.rank.reshape(len(live), -1), axis=1) + tried.shape[1] * np.arange(len(live))
        better = found.rank[pick] < rank[live]
        pick, moved = pick[better], live[better]
        at[moved], rank[moved] = found.directions[pick], found.rank[pick]
        step[live[~better]] *= SHRINK
        looked = joined(looked, found.rows(pick))
    return looked, looks, resting


def _between(directions: Floats, count: int) -> Floats:
    """(k, 3) directions of a lattice ``FINER`` times as dense that lie within a coarse step of any given."""
    lattice = even_directions(FINER * count)
    near = (lattice @ directions.T).max(axis=1) > np.cos(0.7 * np.sqrt(4.0 * np.pi / count))
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

    Compared are printing, finish, show, failure and strength, each in steps of half a per cent of the best
    total, so that the sampling of columns makes no front of its own. If any lie fits, only those that do
    count; then, if any stands, only those.
    """
    rows = np.arange(len(looked.rank))
    for sound in (looked.fit >= 1.0, looked.figures[:, LEAN_DEG] > STANDS_DEG):
        if sound[rows].any():
            rows = rows[sound[rows]]
    rows = rows[np.argsort(looked.rank[rows], kind="stable")]
    unit = max(0.005 * float(looked.priced.total[rows[0]]), 1e-9)
    columns = [0, 1, 3] + ([2] if with_show else []) + ([4] if with_load else [])
    worth = np.round(looked.priced.parts[rows][:, columns] / unit)
    kept: list[int] = []
    for i in range(len(rows)):
        if not kept or not (worth[kept] <= worth[i]).all(axis=1).any():
            kept.append(i)
    # a later one may beat an earlier one only at equal totals, within a step
    front = [
        i
        for i in kept
        if not any((worth[j] <= worth[i]).all() and (worth[j] < worth[i]).any() for j in kept if j != i)
    ]
    return rows[front]

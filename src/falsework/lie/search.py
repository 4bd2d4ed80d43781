"""Looking for good lies: an even lattice of directions, resting faces, then steps from the best of them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from falsework.cost.weights import Weights
from falsework.kernels.intervals import BASE_LEAN_DEG, CONTACT_AREA, FIGURES, LEAN_DEG, lie_figures
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
STARTS, START_APART_DEG = 6, 12.0  # where refinement begins
LEAST_STEP_DEG = 0.25
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
    fit: Floats  # (d,) share of its size at which it fits, 1 or more: fits
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
            fit_ratios(self.corners, rotations, build),
            priced(figures, sums, across, body.volume_mm3, process, self.weights, self.care),
        )


def judge_of(body: Body, process: Process, weights: Weights, care: Care, load_axis: Floats | None) -> Judge:
    """A judge of lies of this body."""
    return Judge(body, hull_corners(body.points), process, weights, care, load_axis)


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


def searched(judge: Judge, today: Floats, count: int, watch: Watch) -> tuple[Looked, int]:
    """The lies worth a closer look, on GRID columns, and how many directions were looked at in all.

    ``count`` even directions on COARSE_GRID columns; the best of them again on GRID, with the resting faces
    and ``today`` (3,); then a pattern search on the sphere from the best distinct few. No chance is involved.
    """
    even = even_directions(count)
    coarse = judge(even, COARSE_GRID, watch.part(0.0, 0.6), "looking at every side")
    kept = np.argsort(coarse.rank, kind="stable")[: max(40, int(KEPT_SHARE * count))]
    resting = resting_directions(judge.body.points)
    again = np.concatenate([today[None], resting, even[kept]])
    looked = judge(again, GRID, watch.part(0.6, 0.8), "looking closer")
    looks = len(even) + 1 + len(resting)
    best = distinct(looked.directions, np.argsort(looked.rank, kind="stable"), START_APART_DEG, STARTS)
    at, rank = looked.directions[best], looked.rank[best]
    step = np.full(len(best), np.sqrt(4.0 * np.pi / count))  # the lattice's spacing
    rounds = 0
    while (live := np.flatnonzero(step > np.radians(LEAST_STEP_DEG))).size and rounds < 40:
        tried = _around(at[live], step[live])
        found = judge(tried.reshape(-1, 3), GRID, watch.part(0.8 + 0.005 * rounds, 1.0), "refining")
        looks += len(found.directions)
        rounds += 1
        pick = np.argmin(found.rank.reshape(len(live), -1), axis=1) + tried.shape[1] * np.arange(len(live))
        better = found.rank[pick] < rank[live]
        pick, moved = pick[better], live[better]
        at[moved], rank[moved] = found.directions[pick], found.rank[pick]
        step[live[~better]] *= 0.5
        looked = joined(looked, found.rows(pick))
    return looked, looks


def _around(directions: Floats, steps: Floats) -> Floats:
    """(d, 6, 3): six directions around each, ``steps`` (d,) radians away."""
    helper = np.where(np.abs(directions[:, :1]) < 0.6, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    u = np.cross(directions, helper)
    u /= np.linalg.norm(u, axis=1)[:, None]
    v = np.cross(directions, u)
    angle = np.pi / 3.0 * np.arange(6)
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

"""The few lies that are worth a plan: searched by columns, measured on finer ones, and none left out that a
practised eye would try."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from falsework.cores import own_cores
from falsework.cost import Rates
from falsework.errors import Cancelled, PartError
from falsework.kernels.column import intervals as k
from falsework.objective import Price
from falsework.orientation.body import Body, body_of, face_normals, own_frame, thinned
from falsework.orientation.device import Counter, wanted
from falsework.orientation.directions import (
    outline_of,
    resting_directions,
    rotations_to_up,
    spin_between,
    spin_for,
    turn_deg_of,
)
from falsework.orientation.price import STANDINGS
from falsework.orientation.search import (
    FINE_GRID,
    GRID,
    Judge,
    Looked,
    compared,
    distinct,
    front_rows,
    grouped,
    joined,
    judge_of,
    laid_flat,
    prices_everywhere,
    searched,
    with_passed_by,
)
from falsework.orientation.value import Orientation, Search
from falsework.part.part import Floats, Part
from falsework.part.placing import fits, place
from falsework.process.settings import Process
from falsework.request.context import Context
from falsework.request.marks import marked_faces
from falsework.request.value import Wish
from falsework.watch import Watch
from falsework.wording.notices import AlwaysTooLow, NeverFits, Notice, TooLow

USUAL = Search()
SHOWN, APART_DEG = 6, 10.0  # lies of the front that are kept, and how far apart at least
BASES, OWN_BASES, CHEAP_BASES = 2, 2, 3  # resting faces kept besides: the widest, those by which most of the
# part lies on the bed (what stands by itself is seldom cheapest by columns), and those expected to cost least
WIDE = 0.5  # of the most that lies on the bed in any: among these the cheapest
OTHERS, OTHERS_APART_DEG = 8, 0.3  # beside those, measured too
MOST_THREADS = 32
THINNED_LAYERS = 0.25  # of the layer height: how far thinning may move the surface
SAME_DEG = 0.5  # lies no farther apart are one
ALIKE_SHARE = 0.02  # lies that differ by less in every part of the price are one lie


@dataclass(frozen=True)
class Shortlist:
    """Today's lie and the few that may be better, by columns alone; what they rest on.

    ``lies``: today's first, then by what they are expected to cost. The rest as in ``Lies``.
    """

    lies: tuple[Orientation, ...]
    never_fits: Notice | None
    searched: int
    supportless: int
    cells: int
    thinned_mm: float
    device: str


@dataclass(frozen=True, eq=False)
class OwnShape:
    """A part in a frame of its own, which does not depend on how the file lies."""

    part: Part
    frame: Floats  # (3, 3): from the part's frame
    vertices: Floats
    marked: NDArray[np.bool_]  # (m,) faces to keep clean, or that no support may touch
    load_axis: Floats | None

    def whole(self) -> Body:
        """As it is."""
        return body_of(self.vertices, self.part.faces, self.marked)

    def thinned(self, process: Process) -> tuple[Body, float]:
        """With fewer triangles where that moves the surface by less than a share of a layer; by how much."""
        return thinned(self.part, self.vertices, self.marked, THINNED_LAYERS * process.layer_height_mm)


def own_shape(part: Part, wish: Wish) -> OwnShape:
    """``PartError``: the part is flat, or a face set unknown."""
    if len(part.faces) == 0 or not float(part.size_mm.max()) > 0.0:
        raise PartError(part.name, "has no surface", "Check the file")
    frame = own_frame(part.vertices, part.faces)
    normals = face_normals(part.vertices, part.faces)[0]
    marked = marked_faces(part, normals, wish.show)
    marked |= marked_faces(part, normals, wish.spare, "faces supports must not touch")
    axis = None if wish.load_axis is None else frame @ np.array(wish.load_axis)
    vertices = (part.vertices - part.vertices.mean(axis=0)) @ frame.T
    return OwnShape(part, frame, vertices, marked, axis)


def threads_of(context: Context) -> int:
    """How many threads share directions."""
    return min(context.cores or own_cores(), MOST_THREADS)


def shortlist(
    part: Part,
    wish: Wish,
    context: Context,
    search: Search = USUAL,
    *,
    refine: bool = True,
    below: float = math.inf,
) -> Shortlist:
    """The lies of ``part`` worth a plan; without ``refine`` those of the lattice and the resting faces alone.
    Where none can cost less than ``below``, which the facets tell, today's is the only one.

    The same part gives the same lies, turned beforehand or not (but for today's, and up to the sampling of
    columns on parts that have no axes of their own). ``PartError``: the part is flat, or a face set unknown.
    """
    process, watch = wish.process, context.watch
    watch.at("preparing the mesh", 0.0)
    own = own_shape(part, wish)
    frame, own_axis = own.frame, own.load_axis
    today = frame @ np.array([0.0, 0.0, 1.0])

    look = partial(searched, today=today, refine=refine, below=below)
    (found, looks, resting), on = _found(own, wish, look, search, context.part(0.05, 0.8))
    few = _chosen(found, bool(own.marked.any()), own_axis is not None)
    judge = _judge(on.whole, own, wish, context)
    at_today, near_few = (
        judge(at, FINE_GRID, watch.part(0.8, 0.9), "measuring the best")
        for at in (today[None], found.directions[_with_others(found, few)])
    )
    steady = laid_flat(_steady(near_few, len(few)), judge, resting, watch.part(0.9, 0.95))
    bases = judge(_bases(judge, found, resting), FINE_GRID, watch.part(0.95, 1.0), "measuring resting faces")
    fine = joined(joined(at_today, steady), bases)
    rows = [0, *_apart(fine)]
    lies = [orientation_of_row(part, judge, fine, row, frame, today_too=row == 0) for row in rows]
    fits_somewhere = bool((fine.fit >= 1.0).any()) or any(lie.fits for lie in lies)
    never_fits = None if fits_somewhere else _never_fits(part, process, fine)
    watch.at("done", 1.0)
    return Shortlist(
        lies=tuple(lies),
        never_fits=never_fits,
        searched=looks,
        supportless=int(np.count_nonzero(found.negligible & (found.fit >= 1.0))),
        cells=FINE_GRID,
        thinned_mm=on.thinned_mm,
        device=on.device,
    )


def resting_lies(
    part: Part, wish: Wish, context: Context, least_lean_deg: float, most: int
) -> list[Orientation]:
    """Up to ``most`` lies of ``part`` on faces of its hull on which it bears more than that lean, those that
    fit first, by what they are expected to cost. ``PartError`` as ``shortlist`` has it."""
    own = own_shape(part, wish)
    judge, step = _judge(own.whole(), own, wish, context), "measuring resting faces"
    directions, grids = resting_directions(judge.body.points), (GRID, FINE_GRID)
    for grid in grids:
        if not len(directions):
            return []
        looked = judge(directions, grid, context.watch, step)
        order = np.argsort(looked.rank, kind="stable")
        rows = order[looked.figures[order, k.BASE_LEAN_DEG] > least_lean_deg][:most]
        directions = looked.directions[rows]
    return [orientation_of_row(part, judge, looked, row, own.frame, today_too=False) for row in rows.tolist()]


@dataclass(frozen=True, eq=False)
class _SearchedOn:
    """The mesh as it is, by how much thinning moved the one searched, and what counted columns."""

    whole: Body
    thinned_mm: float
    device: str


def _found(
    own: OwnShape,
    wish: Wish,
    look: Callable[..., tuple[Looked, int, Floats]],
    search: Search,
    context: Context,
) -> tuple[tuple[Looked, int, Floats], _SearchedOn]:
    """What ``look``, which is ``searched``, found, and on what.

    A graphics processor, where one is wanted, prices every side of the same mesh meanwhile; what the search
    passed by is added, and where that is nothing, the same is found as without one. One that fails, or whose
    memory is full, is done without.
    """
    watch, there = context.watch, wanted(context.device, search.many)
    thin, thinned_mm = own.thinned(wish.process)
    judge = _judge(thin, own, wish, context)
    if not there:
        found = look(judge, count=search.count, watch=watch)
        return found, _SearchedOn(own.whole() if thinned_mm else thin, thinned_mm, "cpu")
    with ThreadPoolExecutor(2) as beside:
        everywhere = beside.submit(_priced_there, judge, search.everywhere, watch.silent())
        whole = beside.submit(own.whole if thinned_mm else lambda: thin)
        count = min(search.count, USUAL.count)
        looked, looks, resting = look(judge, count=count, watch=watch.part(0.0, 0.8))
        prices = everywhere.result()
    if prices is None:
        return (looked, looks, resting), _SearchedOn(whole.result(), thinned_mm, "cpu after gpu failed")
    looked = with_passed_by(judge, looked, prices, watch.part(0.8, 1.0))
    looks += int(np.isfinite(prices).sum())
    return (looked, looks, resting), _SearchedOn(whole.result(), thinned_mm, "gpu")


def _priced_there(judge: Judge, count: int, watch: Watch) -> Floats | None:
    """Prices of every side by a graphics processor; None where that fails."""
    try:
        return prices_everywhere(replace(judge, counter=Counter(judge.body, judge.corners)), count, watch)
    except Cancelled:
        raise
    except Exception:  # of many kinds: the driver's, the compiler's, the memory's
        if os.environ.get("FALSEWORK_TRACEBACK"):
            raise
        return None


def _judge(body: Body, own: OwnShape, wish: Wish, context: Context) -> Judge:
    return judge_of(body, wish.process, wish.weights, own.load_axis, threads_of(context))


def _bases(judge: Judge, found: Looked, resting: Floats) -> Floats:
    """(r, 3) of the resting directions the widest, those with most of the part itself on the bed, and those
    expected to cost least."""
    if len(resting) == 0:
        return np.zeros((0, 3))
    near = resting @ found.directions.T
    row = np.argmax(near, axis=1)  # where it was looked at; what was not, the facets had given up
    seen = near.max(axis=1) > 1.0 - 1e-9
    widest = np.arange(len(resting))  # as they come
    likely, _ = judge.foresee(resting)
    own_mm2 = likely.figures[:, k.BASE_AREA]
    wide = own_mm2 >= WIDE * own_mm2.max()
    steadiest = np.argsort(np.where(wide, likely.rank, np.inf), kind="stable")[: np.count_nonzero(wide)]
    cheapest = np.argsort(np.where(seen, found.rank[row], np.inf), kind="stable")
    taken = distinct(resting, widest, APART_DEG, BASES)
    taken += distinct(resting, steadiest, APART_DEG, OWN_BASES)
    taken += distinct(resting, cheapest, APART_DEG, CHEAP_BASES)
    return resting[list(dict.fromkeys(taken))]


def _apart(fine: Looked) -> list[int]:
    """Rows after today's, those that fit first, then by rank; none that is nearly one before it."""
    order = np.argsort(fine.rank, kind="stable")
    order = order[order > 0]
    same = math.cos(math.radians(SAME_DEG))
    rows: list[int] = []
    for row in order.tolist():
        taken = [0, *rows]
        if float((fine.directions[taken] @ fine.directions[row]).max()) <= same:
            rows.append(row)
    return rows


def _chosen(found: Looked, with_show: bool, with_load: bool) -> NDArray[np.int64]:
    """Rows of the lies to be shown: the cheapest, the best in each part of the price, then by price."""
    front = front_rows(found, with_show, with_load)
    parts = grouped(found.priced)[front]
    columns = compared(with_show, with_load)
    bests = [int(front[int(np.argmin(np.round(parts[:, c], 9)))]) for c in columns]
    order = np.array(list(dict.fromkeys([int(front[0]), *bests, *front.tolist()])))
    rows = distinct(found.directions, order, APART_DEG, len(order))
    taken: list[int] = []
    for row in rows:  # directions of a symmetric part that come to the same are one lie
        near = ALIKE_SHARE * found.priced.total[row]
        if all(np.abs(found.priced.parts[row] - found.priced.parts[t]).max() > near for t in taken):
            taken.append(row)
    return np.array(taken[:SHOWN], dtype=np.int64)


def _with_others(found: Looked, few: NDArray[np.int64]) -> NDArray[np.int64]:
    """The rows, and after them the cheapest others near to one of them, each a little apart."""
    order = np.argsort(found.rank, kind="stable")
    rows = np.array(distinct(found.directions, order, OTHERS_APART_DEG, OTHERS + len(few)), dtype=np.int64)
    near = (found.directions[rows] @ found.directions[few].T).max(axis=1) > np.cos(np.radians(APART_DEG))
    return np.concatenate([few, rows[near & ~np.isin(rows, few)][:OTHERS]])


def _steady(measured: Looked, count: int) -> Looked:
    """The first ``count``, each or what is cheapest of the others nearest to it.

    Prices fall off cliffs where a face passes the limit: what is cheapest on coarse columns may stand on the
    edge of one, and cost far more on fine ones.
    """
    owner = np.argmax(measured.directions @ measured.directions[:count].T, axis=1)
    owner[:count] = np.arange(count)
    order = np.lexsort((measured.rank, owner))
    return measured.rows(order[np.searchsorted(owner[order], np.arange(count))])


def orientation_of_row(
    part: Part, judge: Judge, looked: Looked, row: int, frame: Floats, *, today_too: bool
) -> Orientation:
    """One row in words and plain numbers."""
    process, printer = judge.process, judge.process.printer
    build = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    up = looked.directions[row] @ frame
    spin = 0.0
    if not today_too:
        spin = _spin(judge.corners, looked.directions[row], frame, build[:2])
    a, b, c = (0.0, 0.0, 0.0) if today_too else turn_deg_of(up, spin)
    turn = (round(a, 4) + 0.0, round(b, 4) + 0.0, round(c, 4) + 0.0)
    x, y, z = (float(round(v, 9)) + 0.0 for v in up)
    placed = place(_hull_part(part, judge.corners @ frame), turn_deg=turn, bed_mm=build[:2])
    misfits: list[Notice] = [*fits(placed, build)]
    if looked.fit[row] == 0.0:
        misfits.append(TooLow())
    f, p = looked.figures[row], looked.priced
    width, depth, height = (float(v) for v in placed.size_mm)
    return Orientation(
        label="",
        up=(0.0, 0.0, 1.0) if today_too else (x, y, z),
        turn_deg=turn,
        fits=not misfits,
        misfits=tuple(misfits),
        needs_no_support=bool(looked.negligible[row]),
        standing=STANDINGS[int(p.standing[row])],
        bed_volume_mm3=float(f[k.BED_VOLUME]),
        part_volume_mm3=float(f[k.PART_VOLUME]),
        contact_mm2=float(f[k.CONTACT_AREA]),
        unreached_mm2=float(f[k.UNREACHED_AREA]),
        show_bed_mm2=float(f[k.SHOW_BED_AREA]),
        show_any_mm2=float(f[k.SHOW_BED_AREA] + f[k.SHOW_PART_AREA] + f[k.SHOW_LANDING_AREA]),
        base_mm2=float(f[k.BASE_AREA]),
        foot_mm2=float(f[k.FOOT_AREA]),
        lean_deg=float(f[k.LEAN_DEG]),
        base_lean_deg=float(f[k.BASE_LEAN_DEG]),
        longest_bridge_mm=float(f[k.SPAN]),
        across_layers=float(looked.across[row]),
        height_mm=height,
        width_mm=width,
        depth_mm=depth,
        filament_g=Rates(process).mass_g(float(p.volume_mm3[row])),
        time_s=float(p.time_s[row]),
        support_g=Rates(process).mass_g(float(p.support_mm3[row])),
        support_s=float(p.support_s[row]),
        uneven_share=float(f[k.UNEVEN]),
        price=Price(*(float(v) for v in p.parts[row])),
    )


def _spin(corners: Floats, up: Floats, frame: Floats, bed_mm: tuple[float, float]) -> float:
    """Turn about the vertical, after that which brings ``up @ frame`` up, that lays the part squarely on the
    bed; found in the frame, so that of several alike it is the same whichever way the file was turned."""
    own = rotations_to_up(up[None])[0]
    squarely = rotations_to_up(up[None], spin_for(outline_of(corners @ own[:2].T), bed_mm)[0])[0]
    return spin_between(rotations_to_up((up @ frame)[None])[0], squarely @ frame)


def _hull_part(part: Part, corners: Floats) -> Part:
    """The corners of the hull as a part without faces: enough to place it and see whether it fits."""
    return Part(part.name, np.ascontiguousarray(corners), np.zeros((0, 3), np.int32))


def _never_fits(part: Part, process: Process, looked: Looked) -> Notice:
    """What is said of a part that can be printed in no lie."""
    printer = process.printer
    if not looked.fit.any():
        return AlwaysTooLow(part.name)
    percent = math.floor(1000.0 * float(looked.fit.max())) / 10.0
    build_mm = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    return NeverFits(part.name, build_mm, percent)

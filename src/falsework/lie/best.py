"""``best_lies``: search, finer figures for the few that matter, and the choice among them."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from falsework.cost import mass_g
from falsework.errors import PartError
from falsework.kernels.column import intervals as k
from falsework.layers import layer_boundaries, stack_layers
from falsework.layers.slicing import lowest_mm
from falsework.lie.body import body_of, face_normals, own_frame, thinned
from falsework.lie.directions import outline_of, rotations_to_up, spin_for, turn_deg_of
from falsework.lie.price import STANDINGS
from falsework.lie.search import (
    FINE_GRID,
    Judge,
    Looked,
    distinct,
    front_rows,
    joined,
    judge_of,
    laid_flat,
    searched,
)
from falsework.lie.value import Care, LayerCheck, Lie, LiePrice, Lies, Search
from falsework.need.needmap import need_map
from falsework.need.underside import Kind
from falsework.part.part import Floats, Part
from falsework.part.placing import fits, place
from falsework.process.settings import Process
from falsework.request.context import Context
from falsework.request.marks import marked_faces, marked_words
from falsework.request.options import ContextOptions, LyingOptions, by_class, process_of
from falsework.request.value import Wish
from falsework.watch import Watch
from falsework.wording.notices import AlwaysTooLow, NeverFits, Notice, TooLow

USUAL = Search()
SHOWN, APART_DEG = 8, 10.0  # lies of the front that are shown, and how far apart at least
OTHERS, OTHERS_APART_DEG = 8, 0.3  # beside those, measured too
THINNED_LAYERS = 0.25  # of the layer height: how far thinning may move the surface
SAME_SHARE = 0.02  # prices this near are the same
ALIKE_SHARE = 0.02  # lies that differ by less in every part of the price are one lie


class LieOptions(LyingOptions, ContextOptions, total=False):
    """Fields of ``Wish`` that matter to how a part should lie, of ``Search`` and of ``Context``."""

    care: Care
    directions: int
    layers: bool


def best_lies(part: Part, process: Process | str | Path, **options: Unpack[LieOptions]) -> Lies:
    """The best ways to lay ``part`` on the bed, and today's beside them.

    Parameters
    ----------
    show : faces to keep clean. spare : faces that no support may touch: weighed as those to keep clean, since
        what would be marked is left to droop instead.
    load_axis : direction along which the part will be pulled, in its own frame.
    weights, care : what matters, as prices.
    directions : even directions looked at; resting faces of the convex hull and refinement come on top.
    layers : check the recommended lie and today's against the layers of a plan.

    The same part gives the same result, turned beforehand or not (but for today's lie, and up to the sampling
    of columns on parts that have no axes of their own).

    Raises
    ------
    PartError : the part is flat, or a face set is unknown. ProcessError : a wish that is none.
    """
    wish, context, search = by_class(options, Wish, Context, Search)
    return lies_for(part, Wish(process_of(process), **wish), Context(**context), Search(**search))


def lies_for(part: Part, wish: Wish, context: Context, search: Search = USUAL) -> Lies:
    """The same for a wish: see :func:`best_lies`."""
    process, weights, care = wish.process, wish.weights, search.care
    show, spare, axis, watch = wish.show, wish.spare, wish.load_axis, context.watch
    if len(part.faces) == 0 or not float(part.size_mm.max()) > 0.0:
        raise PartError(part.name, "has no surface", "Check the file")
    watch.at("preparing the mesh", 0.0)
    frame = own_frame(part.vertices, part.faces)
    vertices = (part.vertices - part.vertices.mean(axis=0)) @ frame.T
    normals = face_normals(part.vertices, part.faces)[0]
    marked = marked_faces(part, normals, show) | marked_faces(part, normals, spare, "faces to spare")
    said = marked_words(show, spare)
    own_axis = None if axis is None else frame @ np.array(axis)
    thin, tolerance_mm = thinned(part, vertices, marked, THINNED_LAYERS * process.layer_height_mm)
    today = frame @ np.array([0.0, 0.0, 1.0])

    found, looks, resting = searched(
        judge_of(thin, process, weights, care, own_axis), today, search.directions, watch.part(0.05, 0.75)
    )
    few = _chosen(found, bool(said), axis is not None)
    whole = thin if tolerance_mm == 0.0 else body_of(vertices, part.faces, marked)
    judge = judge_of(whole, process, weights, care, own_axis)
    measured = [
        judge(at, FINE_GRID, watch.part(0.75, 0.8), "measuring the best")
        for at in (today[None], found.directions[_with_others(found, few)])
    ]
    steady = laid_flat(_steady(measured[1], len(few)), judge, resting, watch.part(0.8, 0.85))
    fine = joined(measured[0], steady)  # today's first

    lies = [lie_of_row(part, judge, fine, row, frame, today_too=row == 0) for row in range(len(few) + 1)]
    order = sorted(range(len(lies)), key=lambda row: (not lies[row].fits, lies[row].price.total, row))
    first = order[0]
    if (
        lies[0].fits == lies[first].fits
        and lies[0].price.total <= (1.0 + SAME_SHARE) * lies[first].price.total
    ):
        first = 0  # no reason to turn the part
    front = {first, *front_rows(fine, bool(said), axis is not None).tolist()} - ({0} - {first})
    check = dict.fromkeys((first, 0))
    if search.layers:
        for place_in_order, row in enumerate(check):
            stretch = watch.part(0.85 + 0.07 * place_in_order, 0.92 + 0.07 * place_in_order)
            lies[row] = _checked(part, process, lies[row], stretch)
    lies = _labelled(lies, first, [row for row in order if row in front])
    watch.at("done", 1.0)
    recommended, now = lies[first], lies[0]
    never_fits = None if any(lie.fits for lie in lies) else _never_fits(part, process, fine)
    return Lies(
        part=part.name,
        digest=part.digest,
        process=process.name,
        weights=weights,
        care=care,
        show=show,
        load_axis=axis,
        recommended=recommended,
        front=tuple(lies[row] for row in order if row in front)[:SHOWN],
        today=now,
        never_fits=never_fits,
        searched=looks,
        supportless=int(np.count_nonzero(found.negligible & (found.fit >= 1.0))),
        cells=FINE_GRID,
        thinned_mm=tolerance_mm,
        spare=spare,
    )


def _chosen(found: Looked, with_show: bool, with_load: bool) -> NDArray[np.int64]:
    """Rows of the lies to be shown: the cheapest, the best in each part of the price, then by price."""
    front = front_rows(found, with_show, with_load)
    parts = found.priced.parts[front]
    columns = [0, 1, 3] + ([2] if with_show else []) + ([4] if with_load else [])
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


def lie_of_row(part: Part, judge: Judge, looked: Looked, row: int, frame: Floats, *, today_too: bool) -> Lie:
    """One row in words and plain numbers."""
    process, printer = judge.process, judge.process.printer
    build = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    up = looked.directions[row] @ frame
    spin = 0.0
    if not today_too:
        outline = outline_of((judge.corners @ frame) @ rotations_to_up(up[None])[0][:2].T)
        spin = spin_for(outline, build[:2])[0]
    a, b, c = (0.0, 0.0, 0.0) if today_too else turn_deg_of(up, spin)
    turn = (round(a, 4) + 0.0, round(b, 4) + 0.0, round(c, 4) + 0.0)
    x, y, z = (float(round(v, 9)) + 0.0 for v in up)
    placed = place(_hull_part(part, judge.corners @ frame), turn_deg=turn, bed_mm=build[:2])
    misfits: list[Notice] = [*fits(placed, build)]
    if looked.fit[row] == 0.0:
        misfits.append(TooLow())
    f, p = looked.figures[row], looked.priced
    width, depth, height = (float(v) for v in placed.size_mm)
    return Lie(
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
        filament_g=mass_g(float(p.volume_mm3[row]), process),
        time_s=float(p.time_s[row]),
        support_g=mass_g(float(p.support_mm3[row]), process),
        support_s=float(p.support_s[row]),
        uneven_share=float(f[k.UNEVEN]),
        price=LiePrice(*(float(v) for v in p.parts[row])),
    )


def _hull_part(part: Part, corners: Floats) -> Part:
    """The corners of the hull as a part without faces: enough to place it and see whether it fits."""
    return Part(part.name, np.ascontiguousarray(corners), np.zeros((0, 3), np.int32))


def _checked(part: Part, process: Process, lie: Lie, watch: Watch) -> Lie:
    """The lie with what its layers say."""
    printer = process.printer
    placed = place(part, turn_deg=lie.turn_deg, bed_mm=(printer.build_width_mm, printer.build_depth_mm))
    top = float(placed.size_mm[2])
    if top <= lowest_mm(process.first_layer_height_mm):
        return lie
    z_mm = layer_boundaries(top, process.first_layer_height_mm, process.layer_height_mm)
    stack = stack_layers(placed, z_mm, watch=watch.part(0.0, 0.3))
    need = need_map(stack, process, watch=watch.part(0.3, 1.0))
    loose = [u for u in need.undersides if u.kind is not Kind.HOLDS]
    easy = all(u.kind is Kind.BRIDGE and u.droop_mm.value <= process.layer_height_mm for u in loose)
    check = LayerCheck(
        undersides=len(loose),
        contact_mm2=math.fsum(u.area_mm2 for u in loose),
        span_mm=max((u.span_mm for u in loose), default=0.0),
        needs_no_support=easy,
    )
    return replace(lie, layers=check, needs_no_support=easy)


def _labelled(lies: list[Lie], first: int, front: list[int]) -> list[Lie]:
    """Every lie named by what it is best at."""
    names: dict[int, list[str]] = {row: [] for row in range(len(lies))}
    names[first].append("recommended")
    names[0].append("as it lies now")
    sorts = (
        ("least to print", lambda lie: lie.price.printing),
        ("least marked", lambda lie: lie.price.finish),
        ("cleanest show faces", lambda lie: lie.price.show),
        ("safest", lambda lie: lie.price.failure),
        ("strongest", lambda lie: lie.price.strength),
    )
    for name, key in sorts:
        values = [key(lies[row]) for row in front]
        if len(front) > 1 and max(values) > min(values):
            names[front[values.index(min(values))]].append(name)
    return [replace(lie, label=", ".join(names[row]) or "between") for row, lie in enumerate(lies)]


def _never_fits(part: Part, process: Process, looked: Looked) -> Notice:
    """What is said of a part that can be printed in no lie."""
    printer = process.printer
    if not looked.fit.any():
        return AlwaysTooLow(part.name)
    percent = math.floor(1000.0 * float(looked.fit.max())) / 10.0
    build_mm = (printer.build_width_mm, printer.build_depth_mm, printer.build_height_mm)
    return NeverFits(part.name, build_mm, percent)

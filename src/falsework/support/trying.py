"""Whether support would really be built beneath undersides if it stood otherwise than was chosen."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import areas_only, repair
from falsework.layers.stack import Floats, Indices, LayerStack
from falsework.need.underside import NeedMap, UndersideKind
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.support.bulk import Bulk, empties
from falsework.support.cells import cells_of
from falsework.support.contacts import contacts_of
from falsework.support.sparing import Spared
from falsework.support.standing import Choice
from falsework.support.sweep import Surroundings, Swept, support_regions, sweep_columns

_AROUND_MM = 6.0  # what lies farther from a narrow underside does not help to carry it
_SURE_WIDTHS = 4.0  # columns broader than so many lines and both side gaps always leave room for one


def unbuilt(
    choices: Sequence[Choice],
    built: Collection[int],
    stack: LayerStack,
    need: NeedMap,
    process: Process,
    swept: Swept,
    spared: Spared | None,
) -> frozenset[tuple[Standing, int]]:
    """Standings of undersides, by number, that columns promise and of which nothing would be built.

    ``choices`` as they were before anything was built, ``built`` the undersides that then got support.
    Columns that are broad in the mean are taken at their word; where others are not, all are swept. What is
    carried from the bed alone is so where the part may be stood on too.
    """
    out: set[tuple[Standing, int]] = set()
    sure = {c.underside for c in choices if c.chosen is Standing.BED and c.underside in built}
    doubtful: dict[Standing, set[int]] = {Standing.BED_OR_PART: set(), Standing.BED: set()}
    for standing, asked in doubtful.items():
        for choice in choices:
            if choice.underside in sure:
                continue
            option = next(o for o in choice.options if o.standing is standing)
            if choice.chosen is standing:
                if choice.underside not in built:
                    out.add((standing, choice.underside))
            elif option.contact_mm2 > 0.0 and _narrow(need, choice.underside, option.contact_mm2, process):
                asked.add(choice.underside)
    if any(doubtful.values()):
        carried = _carried(doubtful, stack, need, process, swept, spared)
        out.update((standing, n) for standing, asked in doubtful.items() for n in asked - carried[standing])
    return frozenset(out)


def _narrow(need: NeedMap, number: int, contact_mm2: float, process: Process) -> bool:
    """Whether columns of that area beneath an underside are so narrow that a line may not fit."""
    underside = need.undersides[number - 1]
    if underside.kind is UndersideKind.HOLDS:
        return False
    long_mm = max(underside.extent_mm, math.sqrt(contact_mm2))
    sure_mm = 2.0 * process.structure.side_gap_mm + _SURE_WIDTHS * process.line_width_mm
    return contact_mm2 / long_mm < sure_mm


def _carried(
    doubtful: Mapping[Standing, Collection[int]],
    stack: LayerStack,
    need: NeedMap,
    process: Process,
    swept: Swept,
    spared: Spared | None,
) -> dict[Standing, set[int]]:
    """By standing the undersides that support would end beneath if all that ask for it stood so, of those
    near the doubtful: neighbours help each other. Only windows around these are swept."""
    whole = np.zeros(len(need.undersides), dtype=bool) if spared is None else spared.whole
    asks = np.array([u.kind is not UndersideKind.HOLDS for u in need.undersides]) & ~whole
    boxes, tops = _extents(need)
    out: dict[Standing, set[int]] = {standing: set() for standing in doubtful}
    numbers = sorted(set().union(*doubtful.values()))
    for window in _windows(boxes[[number - 1 for number in numbers]]):
        near = _meet(boxes, window)
        # through a window that shows every underside all is seen as it is: nothing is cut or made anew
        bulk = swept.bulk if near.all() else _through(window, swept.bulk, int(tops[near].max()) + 2)
        few, mine = need.only(near), asks & near
        for standing, asked in doubtful.items():
            if near[[number - 1 for number in asked]].any():
                out[standing] |= _ended_beneath(standing, mine, few, bulk, stack, process, spared)
    return out


def _ended_beneath(
    standing: Standing,
    chosen: NDArray[np.bool_],
    need: NeedMap,
    bulk: Bulk,
    stack: LayerStack,
    process: Process,
    spared: Spared | None,
) -> frozenset[int]:
    """Numbers of the undersides beneath which columns end once gaps and clearance are taken off, if the
    ``chosen`` stand so: kept with what is seen of the part."""

    def ended() -> frozenset[int]:
        standings = [standing if one else Standing.LEAVE for one in chosen.tolist()]
        tried = sweep_columns(stack, need, standings, process, spared=spared, bulk=bulk)
        support, _ = support_regions(tried, Surroundings(tried, process), need.reach_mm, process)
        cells = cells_of(support, 0.0)
        if not cells.pieces:
            return frozenset()
        _, underside, _ = contacts_of(cells, need, process.air_gap)
        return frozenset(need.undersides[u].number for u in set(underside.tolist()))

    gaps = process.air_gap.layers, process.air_gap_below.layers
    room = process.structure.side_gap_mm, process.head_reach_mm
    key = "ended beneath", standing, chosen.tobytes(), gaps, room, "" if spared is None else spared.key
    return bulk.kept.get(key, ended)


def _extents(need: NeedMap) -> tuple[Floats, Indices]:
    """(U, 4) bounds of every underside seen from above, and (U,) its highest layer."""
    count = len(need.undersides)
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    top = np.zeros(count, dtype=np.int64)
    bounds = planar.bounds(need.regions)
    np.minimum.at(low, need.region_underside, bounds[:, :2])
    np.maximum.at(high, need.region_underside, bounds[:, 2:])
    np.maximum.at(top, need.region_underside, need.region_layer)
    return np.hstack([low, high]), top


def _meet(boxes: Floats, window: Floats) -> NDArray[np.bool_]:
    apart = (boxes[:, :2] > window[2:]) | (boxes[:, 2:] < window[:2])
    return ~np.asarray(apart.any(axis=1))


def _windows(boxes: Floats) -> list[Floats]:
    """Boxes with ``_AROUND_MM`` around them, those that meet taken together."""
    windows = [box + _AROUND_MM * np.array([-1.0, -1.0, 1.0, 1.0]) for box in boxes]
    done: list[Floats] = []
    while windows:
        one = windows.pop()
        met = [k for k, other in enumerate(done) if _meet(other[None], one)[0]]
        if not met:
            done.append(one)
            continue
        for k in reversed(met):
            other = done.pop(k)
            one = np.concatenate([np.minimum(one[:2], other[:2]), np.maximum(one[2:], other[2:])])
        windows.append(one)
    return done


def _through(window: Floats, bulk: Bulk, layers: int) -> Bulk:
    """What of the part is seen through a window, up to a layer."""

    def seen() -> Bulk:
        sections = empties(len(bulk.sections))
        clipped = overlay.clip_by_rect(bulk.sections[:layers], *window.tolist())
        sections[:layers] = repair(areas_only(clipped))
        return Bulk(sections, bulk.stray_mm)

    return bulk.windows.get((*window.tolist(), layers), seen)

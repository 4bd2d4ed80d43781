"""What asks for support once a change is made, where it was treated and elsewhere."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats, Indices, Regions
from falsework.need.needmap import need_of
from falsework.need.strips import strips_over_air
from falsework.need.underside import NeedMap, UndersideKind
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.site.ground import DAB_WIDTHS2, LEFT_WIDTHS2, asks, left_allowed_mm2
from falsework.redrawing.site.value import PlannedPart

_FEW_LAYERS = 0.4  # of those that change
_NEAR_MM = 0.05  # past which nothing of a region is known by another
HOLDING_LAYERS = 12  # a patch that holds spans fewer
SAME_ISLAND_MM = 0.05  # an island that begins so near to where one began is the same


def need_anew(changed: Changed) -> NeedMap:
    """The need of the changed layers and of every patch that may join with them; the rest is as it was."""
    ground, stack, (first, last) = changed.ground, changed.stack, changed.span
    old, process = ground.need, ground.process
    base = max(first - 1, 0)
    polygons, layer = strips_over_air(
        stack.regions[base : last + 2], old.reach_mm, process.line_width_mm, on_bed=True
    )
    layer = layer + base
    kept = ((old.region_layer <= base) | (old.region_layer > last + 1)) & _near(old, first, last)
    beneath = kept & (old.region_layer <= base)
    above = kept & ~beneath
    return need_of(
        stack,
        np.concatenate([old.regions[beneath], polygons, old.regions[above]]),
        np.concatenate([old.region_layer[beneath], layer, old.region_layer[above]]),
        ground.laws,
    )


def need_there(changed: Changed) -> NeedMap | None:
    """The need of the changed layers of the one underside that is treated, as if nothing lay over air but
    there; None where these are many of the layers that change, so that asking them first gains nothing.

    What asks by itself asks as well where it goes on beneath.
    """
    (draft,), ground, (first, last) = changed.drafts, changed.ground, changed.span
    a, b = ground.need.undersides[draft.underside - 1].layers
    if b - a > _FEW_LAYERS * (last - first):
        return None
    stack, base = changed.stack, max(a - 2, 0)
    polygons, layer = strips_over_air(
        stack.regions[base : b + 2], ground.need.reach_mm, ground.process.line_width_mm, on_bed=True
    )
    return need_of(stack, polygons, layer + base, ground.laws)


def reaching(need: NeedMap, first: int, last: int) -> NDArray[np.bool_]:
    """(U,) undersides that reach within two layers of those from ``first`` to ``last``."""
    spans = np.array([u.layers for u in need.undersides], dtype=np.int64).reshape(-1, 2)
    found: NDArray[np.bool_] = (spans[:, 0] <= last + 3) & (spans[:, 1] >= first - 3)
    return found


def _near(need: NeedMap, first: int, last: int) -> NDArray[np.bool_]:
    """(N,) regions of undersides that reach within two layers of the changed ones."""
    holds = np.array([u.kind == "holds" for u in need.undersides], dtype=bool)
    layer = need.region_layer
    close = (layer >= first - HOLDING_LAYERS) & (layer <= last + HOLDING_LAYERS)
    owner = need.region_underside
    near: NDArray[np.bool_] = reaching(need, first, last)[owner] & (close | ~holds[owner])
    return near


@dataclass(frozen=True)
class Asking:
    """Area that asks for support: ``left_mm2`` where the treated undersides were, ``new_mm2`` elsewhere anew.

    ``islands``: how many undersides begin in mid-air where none did, the first at ``island_mm``.
    ``suspects``: undersides whose changes lie next to what is new.
    """

    left_mm2: float
    new_mm2: float
    islands: int
    island_mm: tuple[float, float, float]
    suspects: tuple[int, ...]


def asking_of(changed: Changed, need: NeedMap, *, whole: bool) -> Asking:
    """What asks in ``need``; ``whole``: it is that of the whole part as it is written, down to specks."""
    ground, drafts = changed.ground, changed.drafts
    treated = {draft.underside for draft in drafts}
    fresh, layer, weight = _fresh(ground, treated, need)
    inside = np.zeros(len(fresh))
    for number in treated:
        foot = ground.footprint(number)
        a, b = ground.need.undersides[number - 1].layers
        there = (layer >= a - 1) & (layer <= b + 1)
        here = np.where(there, planar.area(overlay.intersection(fresh, foot)), 0.0)
        inside = np.maximum(inside, here)
    outside = np.maximum(planar.area(fresh) - inside, 0.0)
    islands = new_islands(ground.need, need) if whole else np.empty(0, np.int64)
    first = need.undersides[int(islands[0])].center_mm if len(islands) else (0.0, 0.0, 0.0)
    suspects: tuple[int, ...] = ()
    if whole and len(drafts) > 1 and (len(fresh) or len(islands)):
        new = np.isin(need.region_underside, islands)
        suspects = changed.near(
            np.concatenate([fresh, need.regions[new]]), np.concatenate([layer, need.region_layer[new]])
        )
    return Asking(float(inside @ weight), float(outside @ weight), len(islands), first, suspects)


def new_islands(old: NeedMap, need: NeedMap) -> Indices:
    """Indices of those islands of ``need`` that no island of ``old`` meets, in its layers or next to them."""
    was = np.array([u.kind is UndersideKind.ISLAND for u in old.undersides], dtype=bool)
    known = was[old.region_underside] if len(old.regions) else np.zeros(0, dtype=bool)
    regions, layer = old.regions[known], old.region_layer[known]
    new = []
    for k, under in enumerate(need.undersides):
        if under.kind is not UndersideKind.ISLAND:
            continue
        mine, at = need.of(k)
        near = (layer >= at.min() - 1) & (layer <= at.max() + 1)
        met = planar.dwithin(overlay.union_all(mine), regions[near], SAME_ISLAND_MM)
        if not met.any():
            new.append(k)
    return np.array(new, dtype=np.int64)


def still_asking(ground: PlannedPart, numbers: Collection[int], need: NeedMap) -> tuple[int, ...]:
    """Which of the treated undersides a need, of the whole part in the same place, still finds asking."""
    fresh, layer, weight = _fresh(ground, set(numbers), need)
    found = []
    for number in numbers:
        a, b = ground.need.undersides[number - 1].layers
        there = (layer >= a - 1) & (layer <= b + 1)
        left = planar.area(overlay.intersection(fresh[there], ground.footprint(number)))
        if float(left @ weight[there]) > left_allowed_mm2(ground, number):
            found.append(number)
    return tuple(found)


def _fresh(ground: PlannedPart, treated: set[int], need: NeedMap) -> tuple[Regions, Indices, Floats]:
    """What asks in ``need`` and did not in the ground's, or did in a treated underside; its layers; and how
    much an area of it counts: that of an island more, so that no more than a dab of one may be left."""
    old, process = ground.need, ground.process
    mark = np.array([asks(u, process) for u in need.undersides], dtype=bool)
    asking = mark[need.region_underside] if len(need.regions) else np.zeros(0, dtype=bool)
    regions, layer = need.regions[asking], need.region_layer[asking]
    islands = np.array([u.kind is UndersideKind.ISLAND for u in need.undersides], dtype=bool)
    weight = np.where(islands[need.region_underside[asking]], LEFT_WIDTHS2 / DAB_WIDTHS2, 1.0)
    if len(regions) == 0:
        return regions, layer, weight
    asked = np.array([asks(u, process) and u.number not in treated for u in old.undersides], dtype=bool)
    others = asked[old.region_underside]
    there, its_layer = old.regions[others], old.region_layer[others]
    known_looks = set(_looks(there, its_layer))
    new = np.array([look not in known_looks for look in _looks(regions, layer)], dtype=bool)
    regions, layer, weight = regions[new], layer[new], weight[new]
    if len(regions) == 0:
        return regions, layer, weight
    met = np.unique(planar.STRtree(regions).query(there, predicate="dwithin", distance=_NEAR_MM)[0])
    known = _known_there(there[met], its_layer[met], layer)
    return overlay.difference(regions, known), layer, weight


def _looks(regions: Regions, layer: Indices) -> list[bytes]:
    """(n,) the same for regions of one layer in the same place and as large to the last digit: most are those
    that they were."""
    return [row.tobytes() for row in np.column_stack([layer, planar.bounds(regions), planar.area(regions)])]


def _known_there(regions: Regions, layer: Indices, asked: Indices) -> Regions:
    """(n,) for each layer asked the union of the regions in it and in those next to it, grown by rounding:
    a level face in the middle of a layer is now in one, now in the other."""
    grown = offset_mitred(regions, 0.01) if len(regions) else regions
    by_layer = {int(l): overlay.union_all(grown[np.abs(layer - l) <= 1]) for l in np.unique(asked)}
    out = np.empty(len(asked), dtype=object)
    out[:] = [by_layer[int(l)] for l in asked]
    return out

"""``prove``: a change applied to the part and judged by its layers, whatever the maker promised."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.layers.polygons import areas_only, clean, gathered, offset_mitred, parts, repair
from falsework.layers.slicing import SIMPLIFY_MM
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.needmap import need_of
from falsework.need.strips import strips_over_air
from falsework.need.underside import Kind, NeedMap
from falsework.redrawing.body.solids import areas_left_mm2
from falsework.redrawing.changes.draft import ChangeKind, Draft
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.site.ground import DAB_WIDTHS2, LEFT_WIDTHS2, asks, left_allowed_mm2
from falsework.redrawing.site.value import Ground
from falsework.watch import QUIET, Watch
from falsework.wording import figures

if TYPE_CHECKING:
    from manifold3d import Manifold

THIN_WIDTHS = 2.0  # walls are at least so many lines
WALL_WIDTHS = 5.0  # what is thin for less than so many lines is the tip of a wedge, or a nick
CLOSES_A_HOLE = (ChangeKind.MEMBRANE,)  # on purpose, until it is cut out
HOLDING_LAYERS = 12  # a patch that holds spans fewer
SPARED_LOSS_MM2 = 0.01  # of a spared face, what rounding may take
SPARED_LOSS_SHARE = 1e-6
BENEATH_BED_MM = 1e-3
_SAME_DIGITS = 6  # of bounds and area, mm and mm²
SLIVER_MM = 0.02  # mean width of what differs between two sections by rounding


@dataclass(frozen=True, eq=False)
class Proof:
    """What the layers say of a change, or of several at once.

    ``faults`` are plain sentences, none for a change that is good. ``left_mm2`` still asks for support where
    the undersides were; ``new_mm2`` asks elsewhere and did not before; ``thin_mm2`` (a section) is new and
    narrower than two lines, looked for where nothing asks. ``smallest_before_mm2`` and
    ``smallest_after_mm2``: the smallest horizontal section, over the layers that change, of those connected
    pieces that the change touches (0 where there are none). ``changed`` is the part with the change.
    """

    faults: tuple[str, ...]
    left_mm2: float
    new_mm2: float
    thin_mm2: float
    added_mm3: float
    removed_mm3: float
    smallest_before_mm2: float
    smallest_after_mm2: float
    changed: Changed

    @property
    def good(self) -> bool:
        return not self.faults


def prove(ground: Ground, draft: Draft, watch: Watch = QUIET) -> Proof:
    """Make one change and judge it: see :func:`proof_of`."""
    return proof_of(Changed(ground, (draft,)), watch=watch)


def proof_of(
    changed: Changed, stack: LayerStack | None = None, need: NeedMap | None = None, watch: Watch = QUIET
) -> Proof:
    """Judge the part with changes by its layers.

    A change is good when nothing that asks for support is left where its underside was, nothing that asks is
    new anywhere, no wall thinner than two lines is new, no hole is closed and no void shut in, nothing comes
    loose, and the spared faces are there as they were. ``stack`` and ``need``: of the whole part with the
    changes, in the same place, where they are known; else its layers are made from the ground's, and the need
    is that of the layers that a change reaches.
    """
    ground, drafts = changed.ground, changed.drafts
    watch.at("applying the change", 0.0)
    stack = stack or changed.stack
    before, after = changed.before, changed.of(stack)
    watch.at("what the changed layers ask", 0.5)
    left_mm2, new_mm2 = _asking(ground, drafts, need or _need_anew(changed))
    watch.at("walls", 0.8)
    line_mm = ground.process.line_width_mm
    stays = changed.lasting
    if stays:
        then, now = stays.before, after if stays is changed else stays.of(stays.stack)
        box = stays.box(4 * THIN_WIDTHS * line_mm)
        near_then, near_now = (repair(shapely.clip_by_rect(regions, *box)) for regions in (then, now))
        differs = clean(areas_only(shapely.symmetric_difference(near_then, near_now)), SLIVER_MM)
        smallest_before, smallest_after = (_smallest(regions, differs, line_mm) for regions in (then, now))
    else:  # what is broken off or cut out afterwards carries nothing
        smallest_before = smallest_after = _smallest(before, changed.sections, line_mm)
    watch.at("faces to spare", 0.9)

    most_mm2 = LEFT_WIDTHS2 * line_mm**2
    faults = []
    if left_mm2 > sum(left_allowed_mm2(ground, n) for n in {d.underside for d in drafts}):
        faults.append(f"{figures.area(left_mm2)} of the underside still ask for support")
    if new_mm2 > most_mm2:
        faults.append(f"{figures.area(new_mm2)} that held before ask for support")
    thin_mm2 = 0.0
    if stays and not faults:  # the dearest question, of no use for a change that fails already
        thin_mm2 = _new_thin_mm2(near_then, near_now, differs, line_mm)
    if thin_mm2 > 0.0:
        faults.append(f"a wall would be thinner than {figures.length(THIN_WIDTHS * line_mm)}")
    if any(r.solid.bounding_box()[2] < -BENEATH_BED_MM for draft in drafts for r in draft.added):
        faults.append("the change reaches beneath the bed")
    if stays:
        faults += _body_faults(changed)
    if ground.spared.any():
        faults += _spared_faults(changed)
    watch.at("proved", 1.0)
    return Proof(
        tuple(faults),
        left_mm2,
        new_mm2,
        thin_mm2,
        *changed.volumes_mm3,
        smallest_before,
        smallest_after,
        changed,
    )


def _need_anew(changed: Changed) -> NeedMap:
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
        process,
        ground.belief,
    )


def _near(need: NeedMap, first: int, last: int) -> NDArray[np.bool_]:
    """(N,) regions of undersides that reach within two layers of the changed ones."""
    spans = np.array([u.layers for u in need.undersides], dtype=np.int64).reshape(-1, 2)
    reaching = (spans[:, 0] <= last + 3) & (spans[:, 1] >= first - 3)
    holds = np.array([u.kind == "holds" for u in need.undersides], dtype=bool)
    layer = need.region_layer
    close = (layer >= first - HOLDING_LAYERS) & (layer <= last + HOLDING_LAYERS)
    near: NDArray[np.bool_] = reaching[need.region_underside] & (close | ~holds[need.region_underside])
    return near


def _asking(ground: Ground, drafts: tuple[Draft, ...], need: NeedMap) -> tuple[float, float]:
    """Area that asks for support after the change: where the treated undersides were, and elsewhere anew."""
    treated = {draft.underside for draft in drafts}
    fresh, layer, weight = _fresh(ground, treated, need)
    inside = np.zeros(len(fresh))
    for number in treated:
        foot = ground.footprint(number)
        a, b = ground.need.undersides[number - 1].layers
        there = (layer >= a - 1) & (layer <= b + 1)
        here = np.where(there, shapely.area(shapely.intersection(fresh, foot)), 0.0)
        inside = np.maximum(inside, here)
    outside = np.maximum(shapely.area(fresh) - inside, 0.0)
    return float(inside @ weight), float(outside @ weight)


def still_asking(ground: Ground, numbers: Collection[int], need: NeedMap) -> tuple[int, ...]:
    """Which of the treated undersides a need, of the whole part in the same place, still finds asking."""
    fresh, layer, weight = _fresh(ground, set(numbers), need)
    found = []
    for number in numbers:
        a, b = ground.need.undersides[number - 1].layers
        there = (layer >= a - 1) & (layer <= b + 1)
        left = shapely.area(shapely.intersection(fresh[there], ground.footprint(number)))
        if float(left @ weight[there]) > left_allowed_mm2(ground, number):
            found.append(number)
    return tuple(found)


def _fresh(ground: Ground, treated: set[int], need: NeedMap) -> tuple[Regions, Indices, Floats]:
    """What asks in ``need`` and did not in the ground's, or did in a treated underside; its layers; and how
    much an area of it counts: that of an island more, so that no more than a dab of one may be left."""
    old, process = ground.need, ground.process
    mark = np.array([asks(u, process) for u in need.undersides], dtype=bool)
    asking = mark[need.region_underside] if len(need.regions) else np.zeros(0, dtype=bool)
    regions, layer = need.regions[asking], need.region_layer[asking]
    islands = np.array([u.kind is Kind.ISLAND for u in need.undersides], dtype=bool)
    weight = np.where(islands[need.region_underside[asking]], LEFT_WIDTHS2 / DAB_WIDTHS2, 1.0)
    if len(regions) == 0:
        return regions, layer, weight
    asked = np.array([asks(u, process) and u.number not in treated for u in old.undersides], dtype=bool)
    others = asked[old.region_underside]
    known = _same_layers(old.regions[others], old.region_layer[others], layer)
    return shapely.difference(regions, known), layer, weight


def outside_mm3(changed: Changed, stack: LayerStack) -> float:
    """Volume that differs outside the changed regions, by the body's layers: what came and what went.

    What is no wider than outlines may have moved, for having fewer points, does not count.
    """
    moved_mm = 2.0 * SIMPLIFY_MM
    before, after = _unlike(changed.before, changed.of(stack))
    differs = clean(areas_only(shapely.symmetric_difference(before, after)), moved_mm)
    within = offset_mitred(changed.sections, moved_mm)
    outside = shapely.area(shapely.difference(differs, within))
    return float(outside @ changed.heights_mm)


def _unlike(one: Regions, other: Regions) -> tuple[Regions, Regions]:
    """Both without the connected parts that they have in common."""
    pieces, layer = zip(*(parts(regions) for regions in (one, other)), strict=True)
    known = [
        np.column_stack([l, shapely.bounds(p), shapely.area(p)]).round(_SAME_DIGITS)
        for p, l in zip(pieces, layer, strict=True)
    ]
    _, which, count = np.unique(np.concatenate(known), axis=0, return_inverse=True, return_counts=True)
    own = np.split(count[which] == 1, [len(pieces[0])])
    a, b = (gathered(p[o], l[o], len(one)) for p, l, o in zip(pieces, layer, own, strict=True))
    return a, b


def _same_layers(regions: Regions, layer: Indices, asked: Indices) -> Regions:
    """(n,) for each layer asked the union of the regions in it, grown by rounding."""
    grown = offset_mitred(regions, 0.01) if len(regions) else regions
    by_layer = {int(l): shapely.union_all(grown[layer == l]) for l in np.unique(asked)}
    out = np.empty(len(asked), dtype=object)
    out[:] = [by_layer[int(l)] for l in asked]
    return out


def _new_thin_mm2(before: Regions, after: Regions, changed: Regions, line_mm: float) -> float:
    """The largest section, of any changed layer, that is narrower than two lines and was not before; 0 where
    there is none longer than a tip or a nick."""
    radius = 0.5 * THIN_WIDTHS * line_mm * 0.98

    def thin(regions: Regions) -> Regions:
        open_ = offset_mitred(offset_mitred(regions, -radius), 1.2 * radius)
        return shapely.difference(regions, repair(open_))

    new = shapely.difference(thin(after), offset_mitred(thin(before), 0.3 * line_mm))
    pieces, layer = shapely.get_parts(new, return_index=True)
    some = shapely.area(pieces) > DAB_WIDTHS2 * line_mm**2
    some[some] = shapely.dwithin(pieces[some], changed[layer[some]], 2.0 * radius)
    pieces = pieces[some]
    if len(pieces) == 0:
        return 0.0
    rings = shapely.get_exterior_ring(shapely.oriented_envelope(pieces))
    long_mm = np.array([np.hypot(*np.diff(shapely.get_coordinates(r), axis=0).T).max() for r in rings])
    return float(shapely.area(pieces)[long_mm > WALL_WIDTHS * line_mm].max(initial=0.0))


def _smallest(regions: Regions, changed: Regions, line_mm: float) -> float:
    """Smallest connected section, mm², that meets what is ``changed`` in its layer; 0 where none does."""
    pieces, layer = shapely.get_parts(regions, return_index=True)
    area = shapely.area(pieces)
    hit = area > DAB_WIDTHS2 * line_mm**2
    hit[hit] = shapely.dwithin(pieces[hit], changed[layer[hit]], 0.1 * line_mm)
    return float(area[hit].min()) if hit.any() else 0.0


def _body_faults(changed: Changed) -> list[str]:
    """Faults of the whole body: holes closed, voids shut in, pieces come loose."""
    faults = []
    before, after = _shells(changed.ground.solid), _shells(changed.solid)
    drafts = changed.drafts
    closing = any(draft.kind in CLOSES_A_HOLE for draft in drafts)
    if after.handles < before.handles and not closing:
        faults.append("it would close a hole of the part")
    fins = any(draft.kind is ChangeKind.FINS for draft in drafts)  # once snapped off they leave neither
    if after.voids > before.voids and not closing and not fins:
        faults.append("it would shut in a void")
    if after.bodies > before.bodies and not fins:
        faults.append("a piece would come loose")
    return faults


@dataclass(frozen=True)
class _Shells:
    bodies: int
    voids: int
    handles: int


def _shells(solid: Manifold) -> _Shells:
    shells = solid.decompose()
    voids = sum(shell.volume() < 0.0 for shell in shells)
    return _Shells(len(shells) - voids, voids, sum(shell.genus() for shell in shells))


def _spared_faults(changed: Changed) -> list[str]:
    """Whether any of the spared surface was covered or cut away."""
    ground = changed.ground
    before = areas_left_mm2(ground.part, ground.solid, ground.solid)
    after = areas_left_mm2(ground.part, ground.solid, changed.solid)
    lost: Floats = (before - after)[ground.spared]
    allowed = SPARED_LOSS_MM2 + SPARED_LOSS_SHARE * float(before[ground.spared].sum())
    if float(lost.sum()) <= allowed:
        return []
    return [f"{figures.area(float(lost.sum()))} of the faces to spare would be changed"]

"""``prove``: a change applied to the part and judged by its layers, whatever the maker promised."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from falsework.layers import layer_boundaries, stack_layers
from falsework.layers.polygons import EMPTY, areas_only, clean, offset_mitred, repair
from falsework.layers.stack import Floats, Indices, LayerStack, Regions
from falsework.need.needmap import need_of
from falsework.need.strips import strips_over_air
from falsework.need.underside import Kind, NeedMap
from falsework.part.part import Health, Part
from falsework.redrawing.draft import ChangeKind, Draft, Region
from falsework.redrawing.ground import DAB_WIDTHS2, asks
from falsework.redrawing.site import Ground
from falsework.redrawing.solids import areas_left_mm2, mesh_of, without_specks
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

# What may be left asking in sum, unless it is an island: two lines square, but little of what was there.
LEFT_WIDTHS2, LEFT_SHARE = 4.0, 0.1
THIN_WIDTHS = 2.0  # walls are at least so many lines
WALL_WIDTHS = 5.0  # what is thin for less than so many lines is the tip of a wedge, or a nick
BY_DESIGN_THIN = (ChangeKind.FINS, ChangeKind.MEMBRANE)
CLOSES_A_HOLE = (ChangeKind.MEMBRANE,)  # on purpose, until it is cut out
HOLDING_LAYERS = 12  # a patch that holds spans fewer
SPARED_LOSS_MM2 = 0.01  # of a spared face, what rounding may take
SPARED_LOSS_SHARE = 1e-6
BENEATH_BED_MM = 1e-3
SLIVER_MM = 0.02  # mean width of what differs between two sections by rounding
GROWN_MM = 1e-6  # rounding of a height


@dataclass(frozen=True, eq=False)
class Proof:
    """What the layers say of a change, or of several at once.

    ``faults`` are plain sentences, none for a change that is good. ``left_mm2`` still asks for support where
    the undersides were; ``new_mm2`` asks elsewhere and did not before; ``thin_mm2`` (a section) is new and
    narrower than two lines, looked for where nothing asks. ``smallest_before_mm2`` and
    ``smallest_after_mm2``: the smallest horizontal section, over the layers that change, of those connected
    pieces that the change touches (0 where there are none). ``solid`` is the whole part with the change,
    ``first`` and ``last`` the layers that differ.
    """

    faults: tuple[str, ...]
    left_mm2: float
    new_mm2: float
    thin_mm2: float
    added_mm3: float
    removed_mm3: float
    smallest_before_mm2: float
    smallest_after_mm2: float
    solid: Manifold
    stack: LayerStack
    first: int
    last: int

    @property
    def good(self) -> bool:
        return not self.faults


def prove(ground: Ground, draft: Draft, watch: Watch = QUIET) -> Proof:
    """Apply one change and judge it: see :func:`prove_together`."""
    return prove_together(ground, (draft,), watch)


def prove_together(ground: Ground, drafts: tuple[Draft, ...], watch: Watch = QUIET) -> Proof:
    """Apply changes in order and judge the result by its layers.

    A change is good when nothing that asks for support is left where its underside was, nothing that asks is
    new anywhere, no wall thinner than two lines is new, no hole is closed and no void shut in, nothing comes
    loose, and the spared faces are there as they were. Only layers that a change reaches are cut anew.
    """
    watch.at("applying the change", 0.0)
    solid, added_mm3, removed_mm3 = applied(ground.solid, drafts)
    watch.at("cutting changed layers", 0.4)
    z_mm = _boundaries(ground, solid)
    first, last = _touched(ground, z_mm, drafts)
    stack = _respliced(ground, solid, z_mm, first, last)
    watch.at("what the changed layers ask", 0.5)
    need = _need_anew(ground, stack, first, last)
    left_mm2, new_mm2 = _asking(ground, drafts, need)
    watch.at("walls", 0.8)
    before, after = ground.stack.regions[first : last + 1], stack.regions[first : last + 1]
    before = np.concatenate([before, np.full(len(after) - len(before), EMPTY, dtype=object)])
    line_mm = ground.process.line_width_mm
    exempt = _by_design_thin(drafts, stack, first, last)
    lasting = any(draft.kind not in BY_DESIGN_THIN for draft in drafts)
    if lasting:
        box = _box(drafts, 4 * THIN_WIDTHS * line_mm)
        then, now = (repair(shapely.clip_by_rect(regions, *box)) for regions in (before, after))
        changed = clean(areas_only(shapely.symmetric_difference(then, now)), SLIVER_MM)
        smallest_before, smallest_after = (
            _smallest(regions, changed, line_mm) for regions in (before, after)
        )
    else:  # what is broken off or cut out afterwards carries nothing
        smallest_before = smallest_after = _smallest(before, exempt, line_mm)
    watch.at("faces to spare", 0.9)

    most_mm2 = LEFT_WIDTHS2 * line_mm**2
    faults = []
    if left_mm2 > sum(left_allowed_mm2(ground, n) for n in {d.underside for d in drafts}):
        faults.append(f"{left_mm2:.2g} mm² of the underside still ask for support")
    if new_mm2 > most_mm2:
        faults.append(f"{new_mm2:.2g} mm² that held before ask for support")
    thin_mm2 = 0.0
    if lasting and not faults:  # the dearest question, of no use for a change that fails already
        thin_mm2 = _new_thin_mm2(then, now, changed, line_mm, exempt)
    if thin_mm2 > 0.0:
        faults.append(f"a wall would be thinner than {THIN_WIDTHS * line_mm:.2g} mm")
    faults += _body_faults(ground, solid, drafts)
    faults += _spared_faults(ground, solid)
    watch.at("proved", 1.0)
    return Proof(
        tuple(faults),
        left_mm2,
        new_mm2,
        thin_mm2,
        added_mm3,
        removed_mm3,
        smallest_before,
        smallest_after,
        solid,
        stack,
        first,
        last,
    )


def applied(solid: Manifold, drafts: tuple[Draft, ...]) -> tuple[Manifold, float, float]:
    """The solid with changes applied in order, and the volumes that came and went, mm³."""
    from manifold3d import Manifold, OpType

    added_mm3 = removed_mm3 = 0.0
    volume = solid.volume()
    # what is only added needs no order: one union is quicker than several
    in_order = any(draft.removed for draft in drafts)
    for some in [(draft,) for draft in drafts] if in_order else [drafts]:
        added = [region.solid.as_original() for draft in some for region in draft.added]
        removed = [region.solid.as_original() for draft in some for region in draft.removed]
        if added:
            solid = Manifold.batch_boolean([solid, *added], OpType.Add)
            added_mm3 += solid.volume() - volume
            volume = solid.volume()
        if removed:
            solid = Manifold.batch_boolean([solid, *removed], OpType.Subtract)
            removed_mm3 += volume - solid.volume()
            volume = solid.volume()
    return without_specks(solid), added_mm3, removed_mm3


def _boundaries(ground: Ground, solid: Manifold) -> Floats:
    """The layers' boundaries, with more on top if the part grew."""
    top_mm, process = solid.bounding_box()[5], ground.process
    if top_mm <= float(ground.part.bounds_mm[1, 2]) + GROWN_MM:
        return ground.stack.z_mm
    return layer_boundaries(top_mm, process.first_layer_height_mm, process.layer_height_mm)


def _touched(ground: Ground, z_mm: Floats, drafts: tuple[Draft, ...]) -> tuple[int, int]:
    """First and last layer whose section the changes' boxes reach."""
    boxes = [region.solid.bounding_box() for draft in drafts for region in (*draft.added, *draft.removed)]
    if not boxes:  # nothing is changed: it does as it is
        spans = [ground.need.undersides[draft.underside - 1].layers for draft in drafts]
        return min(a for a, _ in spans), max(b for _, b in spans)
    low, high = min(box[2] for box in boxes), max(box[5] for box in boxes)
    middles = 0.5 * (z_mm[1:] + z_mm[:-1])
    first = int(np.clip(np.searchsorted(middles, low), 0, len(middles) - 1))
    return first, max(first, int(np.searchsorted(middles, high, side="right")) - 1)


def _box(drafts: tuple[Draft, ...], margin_mm: float) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1 around all regions and the margin."""
    boxes = np.array([r.solid.bounding_box() for d in drafts for r in (*d.added, *d.removed)]).reshape(-1, 6)
    if len(boxes) == 0:
        return 0.0, 0.0, margin_mm, margin_mm
    (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0) - margin_mm, boxes[:, 3:5].max(axis=0) + margin_mm
    return float(x0), float(y0), float(x1), float(y1)


def _respliced(ground: Ground, solid: Manifold, z_mm: Floats, first: int, last: int) -> LayerStack:
    """The ground's layers with ``first`` … ``last`` of those between ``z_mm`` cut anew from the solid."""
    old = ground.stack
    vertices, faces = mesh_of(solid)
    crossing = Health(self_intersections=1)  # what was united may overlap by rounding: so are its rings
    part = Part(ground.part.name, vertices, faces, crossing)
    new = stack_layers(part, np.ascontiguousarray(z_mm[first : last + 2]))
    after = min(last + 1, old.count)
    rings = slice(int(old.layer_start[first]), int(old.layer_start[after]))
    points = slice(int(old.ring_start[rings.start]), int(old.ring_start[rings.stop]))
    more_points = len(new.points_mm) - (points.stop - points.start)
    more_rings = len(new.ring_start) - 1 - (rings.stop - rings.start)
    return LayerStack(
        z_mm,
        np.concatenate([old.points_mm[: points.start], new.points_mm, old.points_mm[points.stop :]]),
        np.concatenate(
            [
                old.ring_start[: rings.start],
                new.ring_start + points.start,
                old.ring_start[rings.stop + 1 :] + more_points,
            ]
        ),
        np.concatenate(
            [
                old.layer_start[:first],
                new.layer_start + rings.start,
                old.layer_start[after + 1 :] + more_rings,
            ]
        ),
        old.widest_stitch_mm,
        old.stitched_layers,
    )


def _need_anew(ground: Ground, stack: LayerStack, first: int, last: int) -> NeedMap:
    """The need of the changed layers and of every patch that may join with them; the rest is as it was."""
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
        foot = footprint(ground, number)
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
        left = shapely.area(shapely.intersection(fresh[there], footprint(ground, number)))
        if float(left @ weight[there]) > left_allowed_mm2(ground, number):
            found.append(number)
    return tuple(found)


def footprint(ground: Ground, number: int) -> shapely.Geometry:
    """Where an underside lies in plan, a line width more all around."""
    mine = ground.need.region_underside == number - 1
    return shapely.buffer(
        shapely.union_all(ground.need.regions[mine]), ground.process.line_width_mm, quad_segs=2
    )


def left_allowed_mm2(ground: Ground, number: int) -> float:
    """How much of an underside may be left asking: see ``LEFT_WIDTHS2``."""
    most = LEFT_WIDTHS2 * ground.process.line_width_mm**2
    return min(most, LEFT_SHARE * ground.need.undersides[number - 1].area_mm2)


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


def outside_mm3(ground: Ground, proof: Proof, drafts: tuple[Draft, ...]) -> float:
    """Volume that differs outside the changed regions, by the layers: what came and what went."""
    layers = slice(proof.first, proof.last + 1)
    before, after = ground.stack.regions[layers], proof.stack.regions[layers]
    before = np.concatenate([before, np.full(len(after) - len(before), EMPTY, dtype=object)])
    changed = areas_only(shapely.symmetric_difference(before, after))
    regions = [region for draft in drafts for region in (*draft.added, *draft.removed)]
    within = offset_mitred(_sections(regions, proof.stack.z_mm[proof.first : proof.last + 2]), GROWN_MM)
    outside = shapely.area(shapely.difference(changed, within))
    return float(outside @ proof.stack.heights_mm[layers])


def _sections(regions: Sequence[Region], z_mm: Floats) -> Regions:
    """(n,) what changed regions cover in the layers between n + 1 boundaries."""
    from manifold3d import Manifold, OpType

    if not regions:
        return np.full(len(z_mm) - 1, EMPTY, dtype=object)
    whole = Manifold.batch_boolean([region.solid for region in regions], OpType.Add)
    return stack_layers(Part("", *mesh_of(whole)), np.ascontiguousarray(z_mm)).regions


def _same_layers(regions: Regions, layer: Indices, asked: Indices) -> Regions:
    """(n,) for each layer asked the union of the regions in it, grown by rounding."""
    grown = offset_mitred(regions, 0.01) if len(regions) else regions
    by_layer = {int(l): shapely.union_all(grown[layer == l]) for l in np.unique(asked)}
    out = np.empty(len(asked), dtype=object)
    out[:] = [by_layer[int(l)] for l in asked]
    return out


def _by_design_thin(drafts: tuple[Draft, ...], stack: LayerStack, first: int, last: int) -> Regions:
    """(n,) the sections, in the changed layers, of what is thin on purpose."""
    thin = [region for draft in drafts if draft.kind in BY_DESIGN_THIN for region in draft.added]
    return _sections(thin, stack.z_mm[first : last + 2])


def _new_thin_mm2(
    before: Regions, after: Regions, changed: Regions, line_mm: float, exempt: Regions
) -> float:
    """The largest section, of any changed layer, that is narrower than two lines and was not before; 0 where
    there is none longer than a tip or a nick."""
    radius = 0.5 * THIN_WIDTHS * line_mm * 0.98

    def thin(regions: Regions) -> Regions:
        open_ = offset_mitred(offset_mitred(regions, -radius), 1.2 * radius)
        return shapely.difference(regions, repair(open_))

    new = shapely.difference(thin(after), offset_mitred(thin(before), 0.3 * line_mm))
    new = shapely.difference(new, offset_mitred(exempt, 0.3 * line_mm))
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


def _body_faults(ground: Ground, solid: Manifold, drafts: tuple[Draft, ...]) -> list[str]:
    """Faults of the whole body: beneath the bed, holes closed, voids shut in, pieces come loose."""
    faults = []
    if solid.bounding_box()[2] < -BENEATH_BED_MM:
        faults.append("the change reaches beneath the bed")
    before, after = _shells(ground.solid), _shells(solid)
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


def _spared_faults(ground: Ground, solid: Manifold) -> list[str]:
    """Whether any of the spared surface was covered or cut away."""
    if not ground.spared.any():
        return []
    before = areas_left_mm2(ground.part, ground.solid, ground.solid)
    after = areas_left_mm2(ground.part, ground.solid, solid)
    lost: Floats = (before - after)[ground.spared]
    allowed = SPARED_LOSS_MM2 + SPARED_LOSS_SHARE * float(before[ground.spared].sum())
    if float(lost.sum()) <= allowed:
        return []
    return [f"{float(lost.sum()):.2g} mm² of the faces to spare would be changed"]

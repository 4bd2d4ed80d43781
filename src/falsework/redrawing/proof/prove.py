"""``prove``: a change applied to the part and judged by its layers, whatever its draft promised."""

from __future__ import annotations

from dataclasses import dataclass, replace

from falsework.layers import overlay
from falsework.layers.polygons import areas_only, clean, repair
from falsework.layers.stack import LayerStack, Regions
from falsework.need.underside import NeedMap
from falsework.redrawing.changes.draft import ChangeKind, Draft
from falsework.redrawing.proof.asking import Asking, asking_of, need_anew, need_there
from falsework.redrawing.proof.changed import Changed
from falsework.redrawing.proof.crumbs import in_the_air, swept
from falsework.redrawing.proof.sections import THIN_WIDTHS, new_thin_mm2, smallest_mm2, unlike
from falsework.redrawing.proof.whole import Written, body_faults, spared_faults, written_faults
from falsework.redrawing.site.ground import left_allowed_mm2
from falsework.redrawing.site.value import PlannedPart
from falsework.watch import QUIET, Watch
from falsework.wording import figures

BENEATH_BED_MM = 1e-3
SLIVER_MM = 0.02  # mean width of what differs between two sections by rounding


@dataclass(frozen=True, eq=False)
class ChangeProof:
    """What the layers say of a change, or of several at once.

    ``faults`` are plain sentences, none for a change that is good; ``suspects`` numbers of the treated
    undersides whose changes lie next to what newly asks. ``left_mm2`` still asks for support where the
    undersides were; ``new_mm2`` asks elsewhere and did not before; ``thin_mm2`` (a section) is new and
    narrower than two lines, looked for where nothing asks. ``smallest_before_mm2``, ``smallest_after_mm2``:
    the smallest horizontal section, over the layers that change, of those connected pieces of the part's own
    that the change touches, without what it adds (0 where there are none). ``changed`` is the part with the
    change, ``need`` what it asks in and about the changed layers.
    """

    faults: tuple[str, ...]
    suspects: tuple[int, ...]
    left_mm2: float
    new_mm2: float
    thin_mm2: float
    added_mm3: float
    removed_mm3: float
    smallest_before_mm2: float
    smallest_after_mm2: float
    changed: Changed
    need: NeedMap

    @property
    def good(self) -> bool:
        return not self.faults


def prove(ground: PlannedPart, draft: Draft, watch: Watch = QUIET) -> ChangeProof:
    """Make one change and judge it: see :func:`proof_of`."""
    return proof_of(Changed(ground, (draft,)), watch=watch)


def swept_and_proved(ground: PlannedPart, draft: Draft, watch: Watch = QUIET) -> tuple[Draft, ChangeProof]:
    """A draft without its crumbs, and its proof; where it does not carry its underside, or is all crumbs, as
    it was and with that fault alone: then nothing else is asked."""
    changed = Changed(ground, (draft,))
    watch.at("laying the change into the layers", 0.0)
    _ = changed.stack
    watch.at("what is left of the underside", 0.1)
    there = need_there(changed)
    asking = asking_of(changed, there, whole=False) if there else None
    faults = _asking_faults(ground, (draft,), asking) if asking else []
    if there is None or asking is None or not faults:
        watch.at("which undersides need support now", 0.12)
        need = need_anew(changed)
        watch.at("what is left of the underside", 0.15)
        asking = asking_of(changed, need, whole=False)
        faults = _asking_faults(ground, (draft,), asking)
    else:
        need = there
    clean: Draft | None = draft
    if not faults and draft.kind is ChangeKind.CORBEL:
        clean = swept(changed, watch.part(0.2, 0.4))
    if faults or clean is None:
        faults = faults or ["it would be ragged: bits of many layers would begin in mid-air"]
        left, new = asking.left_mm2, asking.new_mm2
        return draft, ChangeProof(tuple(faults), (), left, new, 0.0, 0.0, 0.0, 0.0, 0.0, changed, need)
    if clean is not draft:
        return clean, proof_of(Changed(ground, (clean,)), watch=watch.part(0.4, 1.0))
    return draft, proof_of(changed, need=need, watch=watch.part(0.4, 1.0))


def proof_of(
    changed: Changed,
    written: Written | None = None,
    need: NeedMap | None = None,
    watch: Watch = QUIET,
) -> ChangeProof:
    """Judge the part with changes by its layers.

    A change is good when nothing that asks for support is left where its underside was, no wall thinner than
    two lines is new, no hole is closed and no void shut in, nothing comes loose, and the spared faces are
    there as they were. ``written``: the whole changed part as its files hold it: then nothing may begin in
    mid-air that did not before, be it a speck, and the mesh must be as sound as it was. Without it layers are
    made from the ground's, and the need is that of those that a change reaches: ``need`` where it is known.
    """
    ground, drafts = changed.ground, changed.drafts
    watch.at("applying the change", 0.0)
    stack = written.stack if written else changed.stack
    watch.at("which undersides need support now", 0.5)
    if need is None:
        need = written.need if written else need_anew(changed)
    asking = asking_of(changed, need, whole=written is not None)
    faults = _asking_faults(ground, drafts, asking)
    if written is None and (spot := in_the_air(changed)):
        faults.append(f"something would begin in mid-air at {figures.place(spot)}")
    watch.at("walls", 0.8)
    walls = _walls(changed, stack, search=not faults)
    faults += _thin_faults(ground, walls)
    if any(r.solid.bounding_box()[2] < -BENEATH_BED_MM for draft in drafts for r in draft.added):
        faults.append("the change reaches beneath the bed")
    if changed.lasting:
        watch.at("making the body", 0.85)
        _ = changed.solid
        watch.at("whether the body is whole", 0.9)
        faults += body_faults(changed)
    suspects = asking.suspects
    if written is not None:
        unsound, where = written_faults(ground.part, written)
        faults += unsound
        suspects += changed.around(where)
    if ground.spared.any():
        watch.at("faces to keep", 0.95)
        faults += spared_faults(changed)
    watch.at("proved", 1.0)
    return ChangeProof(
        tuple(faults),
        tuple(dict.fromkeys(suspects)),
        asking.left_mm2,
        asking.new_mm2,
        walls.thin_mm2,
        *changed.volumes_mm3,
        walls.before_mm2,
        walls.after_mm2,
        changed,
        need,
    )


def proof_again(proof: ChangeProof, off: Written) -> ChangeProof:
    """A good proof of what is written, judged once more by the layers ``off``, whose corners lie a little
    elsewhere: body and mesh are the same, and no wall is thinner for it."""
    changed = proof.changed
    asking = asking_of(changed, off.need, whole=True)
    faults = _asking_faults(changed.ground, changed.drafts, asking)
    return replace(proof, faults=tuple(faults), suspects=tuple(dict.fromkeys(asking.suspects)))


def _thin_faults(ground: PlannedPart, walls: _Walls) -> list[str]:
    if walls.thin_mm2 <= 0.0:
        return []
    return [f"a wall would be thinner than {figures.length(THIN_WIDTHS * ground.process.line_width_mm)}"]


def _asking_faults(ground: PlannedPart, drafts: tuple[Draft, ...], asking: Asking) -> list[str]:
    """What is left asking, and what begins in mid-air. Whatever else asks anew has its price."""
    faults = []
    if asking.left_mm2 > sum(left_allowed_mm2(ground, n) for n in {d.underside for d in drafts}):
        faults.append(f"{figures.area(asking.left_mm2)} of the underside still need support")
    if asking.islands:
        faults.append(f"something would begin in mid-air at {figures.place(asking.island_mm)}")
    return faults


@dataclass(frozen=True)
class _Walls:
    """Sections where the change is, before and after, and the largest that is newly thin."""

    before_mm2: float
    after_mm2: float
    thin_mm2: float = 0.0


def _walls(changed: Changed, stack: LayerStack, search: bool) -> _Walls:
    """``search``: whether thin walls are looked for, the dearest question of all."""
    line_mm = changed.ground.process.line_width_mm
    stays = changed.lasting
    if not stays:  # what is broken off or cut out afterwards carries nothing
        same = smallest_mm2(changed.before, changed.sections, line_mm)
        return _Walls(same, same)
    then = stays.before
    now = changed.of(stack) if stays is changed else stays.of(stays.stack)
    box = stays.box(4 * THIN_WIDTHS * line_mm)
    near_then, near_now = (_clipped(regions, box) for regions in (then, now))
    differs = clean(areas_only(overlay.symmetric_difference(*unlike(near_then, near_now))), SLIVER_MM)
    return _Walls(
        smallest_mm2(then, differs, line_mm),
        smallest_mm2(stays.own, differs, line_mm),
        new_thin_mm2(near_then, near_now, differs, line_mm) if search else 0.0,
    )


def _clipped(regions: Regions, box: tuple[float, float, float, float]) -> Regions:
    return repair(overlay.clip_by_rect(regions, *box))

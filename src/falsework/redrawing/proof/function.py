"""Whether a change spoils what a part is for: what stays in bores, threads, slots and pockets, on shafts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from falsework.layers import planar
from falsework.layers.polygons import offset_mitred
from falsework.layers.stack import Floats
from falsework.redrawing.body.placement import Placement
from falsework.redrawing.body.solids import areas_left_mm2, prism
from falsework.redrawing.changes.draft import ChangeKind, Draft
from falsework.redrawing.features.candidates import Candidate
from falsework.redrawing.features.zones import Cylinder, Prism, Skins
from falsework.redrawing.proof.changed import BROKEN_OFF, Changed
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.wording import figures

if TYPE_CHECKING:
    from manifold3d import Manifold

SPECK_MM3 = 0.3  # of a room that is taken: less is rounding
SKIN_SHARE = 0.15  # of the surface of a shaft or a thin wall that a fillet at its foot may take
FACE_SHARE = 0.02  # of a bore or shaft that a cut may take
MOUTH_SHARE = 0.03  # of the room before a screw hole that a fillet beside it may take
NO_HEAD = ", before whose mouth it takes the room of a screw's head"
LEVEL_COSINE = 0.02  # of the axis of a bore whose roof is told as a drop
# Of what lies right beneath an underside, the share in a room from which on a kind surely takes some of it.
_SURE_SHARES = {ChangeKind.CORBEL: 0.02, ChangeKind.RIBS: 0.6}
LEVEL = 0.3  # of an axis along z, up to which a bore lies on its side: its roof may be cut to a drop


@dataclass(frozen=True, eq=False)
class FeatureRoom:
    """A feature with the room it needs, in the place of the ground; ``axis``: of a round one, or across a
    slot; ``mouth``: it is the room before a hole, for a screw's head."""

    feature: Candidate
    solid: Manifold
    volume_mm3: float
    box: Floats  # (2, 3)
    axis: Floats
    mouth: bool = False


def rooms_of(
    features: Sequence[Candidate], placement: Placement, ground: PlannedPart
) -> tuple[FeatureRoom, ...]:
    """The rooms of all features that need some; what lies in a closed void serves for nothing."""
    turn = placement.scale * placement.turn
    frame = np.column_stack([turn, placement.shift_mm])
    rooms = []
    zones = [(one, one.zone, False) for one in features if one.zone is not None]
    zones += [(one, mouth, True) for one in features for mouth in one.mouths]
    for feature, zone, mouth in zones:
        solid = zone.solid().transform(frame)
        if not solid.is_empty() and not ground.in_a_void(solid):
            box = np.reshape(solid.bounding_box(), (2, 3))
            axis = placement.turn @ np.array(zone.axis if isinstance(zone, Cylinder) else zone.normal)
            rooms.append(FeatureRoom(feature, solid, float(solid.volume()), box, axis, mouth))
    return tuple(rooms)


def touches_of(changed: Changed, rooms: Sequence[FeatureRoom], scale: float) -> tuple[str, ...]:
    """What of the part's function a change would spoil, a phrase each; none for what is broken off again."""
    found: list[str] = []
    for draft in changed.drafts:
        if draft.kind in BROKEN_OFF:
            continue
        found += filled_by(changed.ground, draft, rooms, scale)
        if draft.removed:
            found += _cut(changed, draft, rooms)
    return tuple(dict.fromkeys(found))


def filled_by(
    ground: PlannedPart, draft: Draft, rooms: Sequence[FeatureRoom], scale: float
) -> tuple[str, ...]:
    """The same of what a draft adds alone, for which nothing has to be proved."""
    if draft.kind in BROKEN_OFF:
        return ()
    taken = [(room.feature.name, _taken(ground, draft, room, scale)) for room in rooms]
    found = _together([(name, what) for name, what in taken if what])
    return (*found, f"the room beneath it, for good: {draft.wall_down}") if draft.wall_down else tuple(found)


def surely_filled(site: UndersideSite, kind: ChangeKind, rooms: Sequence[FeatureRoom]) -> tuple[str, ...]:
    """What of the rooms a change of this kind has to fill wherever it is drawn, a phrase each, before it is.

    Whatever carries an underside from beneath begins right beneath it, but for a rim that holds by itself.
    A corbel fills all of that; ribs cross it, so that they are foreseen only where most of it lies in rooms.
    At the shoulder of a shaft or the foot of a thin wall a fillet may be: nothing is foreseen of those.
    """
    least = _SURE_SHARES.get(kind)
    if least is None or not rooms:
        return ()
    ground = site.ground
    strips, layer = ground.need.of(site.index)
    bare = offset_mitred(strips, -ground.need.reach_mm)
    some = ~planar.is_empty(bare) & (layer > 0)
    z_mm = ground.stack.z_mm
    slabs = [prism(one, z_mm[k - 1], z_mm[k]) for one, k in zip(bare[some], layer[some], strict=True)]
    whole = sum(slab.volume() for slab in slabs)
    found: list[tuple[str, str]] = []
    for room in rooms:
        if _a_skin(room):
            continue
        near = [slab for slab in slabs if _meet(np.reshape(slab.bounding_box(), (1, 2, 3)), room.box)]
        within = sum((slab ^ room.solid).volume() for slab in near)
        if within > max(SPECK_MM3, least * whole):
            found.append((room.feature.name, _named(room)))
    return tuple(_together(found))


def _a_skin(room: FeatureRoom) -> bool:
    """Whether it is room on a shaft or a thin wall, of which a fillet at its foot may take a little."""
    zone = room.feature.zone
    if isinstance(zone, Skins):
        return True
    return isinstance(zone, Cylinder) and zone.inner_mm >= zone.outer_mm


def _named(room: FeatureRoom) -> str:
    """What would happen to a room, as far as can be said before anything is drawn."""
    if room.mouth:
        return NO_HEAD
    if isinstance(room.feature.zone, Prism) and room.feature.sort != "pocket":
        return ", which it covers" if room.feature.sort == "relief" else ", which it crosses"
    return ", which it fills, in part at least"


def _together(taken: Sequence[tuple[str, str]]) -> list[str]:
    """A phrase for each that is taken alike: 'bores 1 to 4 (Ø 5.4), which it closes: drill after'."""
    alike: dict[tuple[str, str], list[int]] = {}
    said = dict(reversed(taken))  # the first of each: what is closed needs no head room
    for name, what in reversed(said.items()):
        sort, _, number = name.rpartition(" ")
        alike.setdefault((sort, what), []).append(int(number))
    return [f"{figures.numbered(sort, sorted(some))}{what}" for (sort, what), some in alike.items()]


def _taken(ground: PlannedPart, draft: Draft, room: FeatureRoom, scale: float) -> str:
    """What the added solids take of a room, in words that follow its name; '' for nothing."""
    taken = None
    for region in draft.added:
        low, high = np.reshape(region.solid.bounding_box(), (2, 3))
        if (high < room.box[0]).any() or (low > room.box[1]).any():
            continue
        piece = (region.solid ^ room.solid) - ground.solid
        taken = piece if taken is None else taken + piece
    if taken is None or taken.volume() <= SPECK_MM3:
        return ""
    if room.mouth:
        return NO_HEAD if taken.volume() > MOUTH_SHARE * room.volume_mm3 else ""
    zone = room.feature.zone
    if room.feature.sort == "relief":
        return _named(room)
    share = taken.volume() / room.volume_mm3
    if isinstance(zone, Skins):
        return f", {figures.share(share)} of which it makes thick" if share > SKIN_SHARE else ""
    if room.feature.sort == "pocket":
        return f", {figures.share(share)} of whose room it fills"
    if not isinstance(zone, Cylinder):
        return f", which it crosses, taking {figures.share(share)} of its room"
    size = 2.0 * scale * zone.outer_mm
    if room.feature.sort == "thread":
        return f" (Ø {size:.1f}), which it fills in part"
    if _a_skin(room):
        return f" (Ø {size:.1f}), {figures.share(share)} of which it covers" if share > SKIN_SHARE else ""
    left = 2.0 * _off_axis_mm(taken, room)
    if left < 0.05 * size:
        return f" (Ø {size:.1f}), which it closes: drill after"
    return f" (Ø {size:.1f}), which it narrows to {left:.1f}: drill after"


def _off_axis_mm(taken: Manifold, room: FeatureRoom) -> float:
    """How near to the axis of a round room a piece comes."""
    zone = room.feature.zone
    assert isinstance(zone, Cylinder)
    middle = 0.5 * (room.box[0] + room.box[1])
    axis = room.axis
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    flat = np.array([first, np.cross(axis, first), axis])
    seen = taken.transform(np.column_stack([flat, -flat @ middle])).project().to_polygons()
    outlines = [planar.Polygon(ring) for ring in seen if len(ring) > 2]
    at = planar.Point(0.0, 0.0)
    if sum(outline.contains(at) for outline in outlines) % 2:  # rings about the axis are in pairs
        return 0.0
    return min((float(planar.distance(at, outline.exterior)) for outline in outlines), default=0.0)


def drop_words(draft: Draft, rooms: Sequence[FeatureRoom], scale: float) -> tuple[str, ...]:
    """A roof over level bores told as a drop: how far its peak lies above the axis of each."""
    found = []
    for region in draft.removed if draft.kind is ChangeKind.ROOF else ():
        low, high = np.reshape(region.solid.bounding_box(), (2, 3))
        for room in rooms:
            zone = room.feature.zone
            if room.feature.sort != "bore" or room.mouth or not isinstance(zone, Cylinder):
                continue
            if (high < room.box[0]).any() or (low > room.box[1] + 1.0).any():
                continue
            if abs(float(room.axis[2])) > LEVEL_COSINE:
                continue
            apex = float(high[2]) - float(room.box.mean(axis=0)[2])
            radius = scale * zone.outer_mm
            if apex > radius:
                angle = math.degrees(math.asin(min(1.0, radius / apex)))
                found.append(
                    f"drop over {room.feature.name} (Ø {2.0 * radius:.2f}): apex {apex:.2f} mm above the "
                    f"axis, its two planes {angle:.1f}° from the vertical, touching the bore"
                )
    return tuple(dict.fromkeys(found))


def _cut(changed: Changed, draft: Draft, rooms: Sequence[FeatureRoom]) -> list[str]:
    """Bores that are not drop-shaped by it and shafts of which a cut takes more than it may."""
    ground = changed.ground
    boxes = np.array([np.reshape(region.solid.bounding_box(), (2, 3)) for region in draft.removed])
    walled = (room for room in rooms if room.feature.sort in ("bore", "pin", "thin wall") and not room.mouth)
    near = [room for room in walled if _meet(boxes, room.box)]
    if not near or draft.kind is ChangeKind.STEPS:
        return []
    left = areas_left_mm2(ground.part, ground.solid, changed.solid)
    whole = areas_left_mm2(ground.part, ground.solid, ground.solid)
    found = []
    for room in near:
        if room.feature.sort == "bore" and abs(float(room.axis[2])) < LEVEL:
            continue
        mine = list(room.feature.faces)
        lost = 1.0 - float(left[mine].sum()) / max(float(whole[mine].sum()), 1e-9)
        if lost > FACE_SHARE:
            of_it = "which" if room.feature.sort == "thin wall" else "whose wall"
            found.append(f"{room.feature.name}, {figures.share(lost)} of {of_it} it cuts away")
    return found


def _meet(boxes: Floats, box: Floats) -> bool:
    """Whether one of the boxes (k, 2, 3) meets a box (2, 3)."""
    return bool(((boxes[:, 0] <= box[1]) & (boxes[:, 1] >= box[0])).all(axis=1).any())

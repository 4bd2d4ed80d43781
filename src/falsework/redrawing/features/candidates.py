"""What a part is for, as far as its shape tells: bores, shafts, threads, slots, pockets, letters, flats."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from falsework.layers.stack import Floats, Indices
from falsework.orientation.body import face_normals
from falsework.part.part import Part
from falsework.redrawing.features.facets import FLAT_DEG, Facets, borders_mm, facets_of, meetings_of
from falsework.redrawing.features.inside import inside_part
from falsework.redrawing.features.pockets import Pocket, pockets_of
from falsework.redrawing.features.reliefs import Relief, reliefs_of
from falsework.redrawing.features.rounds import (
    MOST,
    ROUND_MM,
    SMOOTH_DEG,
    Round,
    along_axis,
    rounds_of,
    squared,
)
from falsework.redrawing.features.screws import fits_screw
from falsework.redrawing.features.slots import Across, across_of
from falsework.redrawing.features.threads import Thread, threads_of
from falsework.redrawing.features.zones import Cylinder, Prism, Skins

LEAST_FLAT_MM2, LEAST_FLAT_SHARE = 25.0, 0.02  # of the whole surface
PIECES_SHARE = 0.7  # of a bore's length, with less surface than which it is in pieces
BEYOND_MM = 0.05  # past a bore's end it is asked whether it goes on
STEP_MM = 0.5  # ends of two coaxial bores that lie no farther apart are a step
# A bore up to so wide may be a screw's. Before its mouth the head with a washer needs room, and to come in:
# so many times as wide and as long as the bore. Common practice, no source.
WIDEST_SCREW_MM, HEAD_TIMES, IN_TIMES = 9.1, 2.0, 3.0


@dataclass(frozen=True)
class Candidate:
    """Faces of a part that serve for something and may have to stay as drawn.

    ``name`` is what the user calls it by ('bore 1'), ``words`` say what it is, in the part's own frame.
    ``zone``: where nothing may come without spoiling it, None where only the faces count; ``mouths``: the
    room before the open ends of what may be a screw's hole.
    """

    name: str
    words: str
    area_mm2: float
    faces: tuple[int, ...] = field(default=(), compare=False, repr=False)
    zone: Cylinder | Prism | Skins | None = field(default=None, compare=False, repr=False)
    mouths: tuple[Cylinder, ...] = field(default=(), compare=False, repr=False)

    @property
    def sort(self) -> str:
        """Its name without the number: 'bore', 'pin', 'thread', 'slot', 'thin wall', 'pocket' and so on."""
        return self.name.rpartition(" ")[0]


def candidates(part: Part) -> tuple[Candidate, ...]:
    """Bores, pins, threads, slots, thin walls, pockets, reliefs and flats, the largest first, by sort.

    A bore or pin is a smooth run of facets around more than half a turn whose corners lie on a cylinder. A
    thread is a surface that a screwing motion takes into itself, a slot the room between two flat faces that
    look at each other, a thin wall what lies between two that look away from each other, a pocket a flat
    floor with walls around, a relief marks such as letters, sunk into a flat face or raised on it. Cones and
    freely curved faces are not recognised: those are named by a face set.
    """
    normals, areas = face_normals(part.vertices, part.faces)
    a, b, angle, length = meetings_of(part, normals)
    if len(a) == 0:
        return ()
    facets = facets_of(len(part.faces), normals, areas, a[angle <= FLAT_DEG], b[angle <= FLAT_DEG])
    bent = (angle > FLAT_DEG) & (angle <= SMOOTH_DEG)
    rounds = rounds_of(part, facets, a[bent], b[bent], length[bent])
    threads = threads_of(part, normals, areas, rounds)
    found: list[Candidate] = []
    for sort, inward in (("bore", True), ("pin", False)):
        mine = [r for r in rounds if r.inward == inward]
        found += _numbered(sort, [_described(part, facets, r, mine) for r in mine])
    found += _numbered("thread", [_thread(areas, t) for t in threads])
    slots, thin = across_of(part, facets)
    found += _numbered("slot", [_slot(areas, s) for s in slots])
    found += _numbered("thin wall", [_thin(areas, s) for s in thin])
    reliefs = reliefs_of(part, facets, borders_mm(facets, a, b, length))
    marks = {int(facet) for r in reliefs for facet in np.unique(facets.of_face[r.faces])}
    bores = {int(facet) for r in rounds if r.inward for facet in r.facets}
    found += _numbered("pocket", [_pocket(areas, p) for p in pockets_of(part, facets, marks, bores)])
    found += _numbered("relief", [_relief(areas, r) for r in reliefs])
    return (*found, *_numbered("flat", _flats(part, facets)))


def with_candidates(part: Part, found: Sequence[Candidate]) -> Part:
    """The part with every candidate as a face set of its name, so that marks can call for it."""
    sets = {c.name: np.array(c.faces, dtype=np.int32) for c in found}
    return replace(part, face_sets={**sets, **part.face_sets})


def _described(part: Part, facets: Facets, r: Round, others: Sequence[Round]) -> Candidate:
    faces, low, high = along_axis(part, facets, r)
    sort, size = ("bore", "deep") if r.inward else ("pin", "long")
    area = float(facets.area[r.facets].sum())
    true_mm = area / (2 * r.radius_mm * math.pi)
    over = "" if true_mm > PIECES_SHARE * (high - low) else f" in pieces over {high - low:.3g} mm"
    x, y, z = r.foot + 0.5 * (low + high) * r.axis + 0.0
    ends = np.array([low - BEYOND_MM, high + BEYOND_MM])[:, None] * r.axis + r.foot
    shut = inside_part(part, ends) if r.inward else np.ones(2, bool)
    more = _bore_words(part, facets, r, others, int(shut.sum())) if r.inward else ""
    words = (
        f"{sort} Ø {2 * r.radius_mm:.1f} mm along {_direction(r.axis)}, "
        f"{true_mm if over else high - low:.3g} mm {size}{over}{more}, at {_at(x, y, z)}"
    )
    zone = Cylinder(tuple(r.axis), tuple(r.foot), low, high, 0.0 if r.inward else r.radius_mm, r.radius_mm)
    mouths = _mouths(zone, (not shut[0], not shut[1]))
    return Candidate("", words, area, tuple(faces.tolist()), zone, mouths)


def _mouths(bore: Cylinder, opened: tuple[bool, bool]) -> tuple[Cylinder, ...]:
    """The room before the open ends of a bore that a screw may go through."""
    size = 2.0 * bore.outer_mm
    if size > WIDEST_SCREW_MM:
        return ()
    spans = ((bore.low_mm - IN_TIMES * size, bore.low_mm), (bore.high_mm, bore.high_mm + IN_TIMES * size))
    wide = HEAD_TIMES * bore.outer_mm
    return tuple(
        replace(bore, low_mm=low, high_mm=high, outer_mm=wide)
        for (low, high), one in zip(spans, opened, strict=True)
        if one
    )


def _bore_words(part: Part, facets: Facets, r: Round, others: Sequence[Round], closed: int) -> str:
    """Whether a bore goes through, what it is the counterbore of, which screw goes through it; ``closed``:
    how many of its ends are."""
    _, low, high = along_axis(part, facets, r)
    how = (", through", ", blind", ", closed at both ends")[closed]
    for other in others:
        if other is r or other.radius_mm >= r.radius_mm or abs(float(other.axis @ r.axis)) < 1.0 - 1e-6:
            continue
        _, other_low, other_high = along_axis(part, facets, other)
        step = min(abs(other_low - high), abs(other_high - low))
        apart = np.linalg.norm(np.cross(other.foot - r.foot, r.axis))
        if step <= STEP_MM and apart <= ROUND_MM * 5:
            return f"{how}, counterbore of one Ø {2 * other.radius_mm:.1f} mm"
    screw = fits_screw(2 * r.radius_mm)
    return how + (f", takes an {screw} screw" if screw else "")


def _thread(areas: Floats, thread: Thread) -> Candidate:
    faces = np.flatnonzero(thread.faces)
    x, y, z = thread.foot + 0.5 * (thread.low_mm + thread.high_mm) * thread.axis + 0.0
    which = "inner" if thread.inward else "outer"
    long_mm = thread.high_mm - thread.low_mm
    words = (
        f"{which} thread Ø {2 * thread.outer_mm:.1f} mm, lead {thread.lead_mm:.2f} mm, along "
        f"{_direction(thread.axis)}, {long_mm:.3g} mm long, at {_at(x, y, z)}"
    )
    inner = 0.0 if thread.inward else thread.inner_mm
    zone = Cylinder(
        tuple(thread.axis), tuple(thread.foot), thread.low_mm, thread.high_mm, inner, thread.outer_mm
    )
    return _made(areas, faces, words, zone)


def _slot(areas: Floats, slot: Across) -> Candidate:
    x, y, z = slot.middle + 0.0
    long_mm, deep_mm = slot.extents_mm
    words = (
        f"slot {slot.gap_mm:.3g} mm wide across {_direction(slot.normal)}, "
        f"{long_mm:.3g} × {deep_mm:.3g} mm, at {_at(x, y, z)}"
    )
    zone = Prism(tuple(slot.normal.tolist()), slot.origin, slot.outline, slot.gap_mm)
    return _made(areas, slot.faces, words, zone)


def _thin(areas: Floats, wall: Across) -> Candidate:
    x, y, z = wall.middle + 0.0
    long_mm, high_mm = wall.extents_mm
    words = (
        f"wall {-wall.gap_mm:.2g} mm thick across {_direction(wall.normal)}, "
        f"{long_mm:.3g} × {high_mm:.3g} mm, at {_at(x, y, z)}"
    )
    zone = Skins(tuple(wall.normal.tolist()), wall.origin, wall.outline, -wall.gap_mm)
    return _made(areas, wall.faces, words, zone)


def _pocket(areas: Floats, pocket: Pocket) -> Candidate:
    x, y, z = pocket.middle + 0.0
    long_mm, wide_mm = pocket.extents_mm
    words = (
        f"pocket {long_mm:.3g} × {wide_mm:.3g} mm, {pocket.depth_mm:.3g} mm deep, whose floor looks along "
        f"{_looks(pocket.normal)}, at {_at(x, y, z)}"
    )
    return _made(areas, pocket.faces, words, pocket.zone)


def _relief(areas: Floats, relief: Relief) -> Candidate:
    x, y, z = relief.middle + 0.0
    wide_mm, high_mm = relief.extents_mm
    sunk = relief.depth_mm < 0.0
    words = (
        f"{relief.count} marks {'sunk' if sunk else 'raised'} by {abs(relief.depth_mm):.2g} mm, "
        f"{wide_mm:.3g} × {high_mm:.3g} mm in all, on a face that looks along {_looks(relief.normal)}, "
        f"at {_at(x, y, z)}"
    )
    return _made(areas, relief.faces, words, relief.zone)


def _made(areas: Floats, faces: Indices, words: str, zone: Cylinder | Prism | Skins) -> Candidate:
    """Of these faces, not numbered yet."""
    return Candidate("", words, float(areas[faces].sum()), tuple(faces.tolist()), zone)


def _at(*place_mm: float) -> str:
    return ", ".join(f"{round(v, 1) + 0.0:.1f}" for v in place_mm)


def _direction(vector: Floats) -> str:
    for name, unit in zip("xyz", np.eye(3), strict=True):
        if abs(float(vector @ unit)) > 1.0 - 1e-9:
            return name
    return "({:.2f}, {:.2f}, {:.2f})".format(*(np.round(vector, 2) + 0.0))


def _looks(normal: Floats) -> str:
    sign = float(np.sign(normal[int(np.argmax(np.abs(normal)))]))
    looks = _direction(sign * squared(normal))
    return ("+" if sign > 0 else "-") + looks if looks in "xyz" else looks


def _flats(part: Part, facets: Facets) -> list[Candidate]:
    large = np.flatnonzero(facets.area >= max(LEAST_FLAT_MM2, LEAST_FLAT_SHARE * float(facets.area.sum())))
    large = large[np.argsort(-facets.area[large], kind="stable")][:MOST]
    found = []
    for facet in large:
        faces = np.flatnonzero(facets.of_face == facet)
        points = part.vertices[np.unique(part.faces[faces])]
        normal = facets.normal[facet]
        if np.ptp(points @ normal) > ROUND_MM:
            continue  # a gently curved face
        looks = _looks(normal)
        area = float(facets.area[facet])
        x, y, z = (points.min(axis=0) + points.max(axis=0)) / 2 + 0.0
        words = f"flat face of {area / 100.0:.3g} cm² that looks along {looks}, at {_at(x, y, z)}"
        found.append(Candidate("", words, area, tuple(faces.tolist())))
    return found


def _numbered(sort: str, found: list[Candidate]) -> list[Candidate]:
    return [replace(one, name=f"{sort} {k}") for k, one in enumerate(found, 1)]

"""Crossed steps: a stepped hole closed by bridges that cross, each a layer deep and cut into its ceiling.

The first layer above the ceiling leaves a slot as wide as the bore open from wall to wall, so that strands
beside it bridge along it; the next crosses these strands and leaves the bore's bounding square; for large
bores further pairs, each turned by half the angle, leave what is rounder; then comes the bore itself.
"""

from __future__ import annotations

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import offset_mitred
from falsework.need.underside import UndersideKind
from falsework.redrawing.body.solids import prism
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, Region
from falsework.redrawing.changes.sparing import prism_touches_spared
from falsework.redrawing.changes.walls import directions, turned
from falsework.redrawing.site.ceiling import Ceiling, SectionTrial, ceiling_of, sections_near
from falsework.redrawing.site.stepped import SteppedHole, stepped_hole
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch

MOST_STEPS = 5  # slot, square, and the square cut to 8, 16 and 32 corners
COVER_LAYERS = 2  # whole layers that must be left above the last step
TRIED = 12
_CLEAR_MM = 0.004  # off the hole's wall, and
_PAST_MM = 0.001  # past the bore's, so that no face is drawn along another


def crossed_steps(site: UndersideSite, watch: Watch = QUIET) -> Draft | Refusal:
    """As few steps as make the ceiling of a stepped hole bridge, along the direction of the least span."""
    ground = site.ground
    if site.underside.kind is UndersideKind.HOLDS:
        return _refusal(site, "it prints unaided")
    ceiling = ceiling_of(site)
    hole = stepped_hole(ground, ceiling) if ceiling.flat else None
    if hole is None:
        return _refusal(site, "it is not the flat ceiling of a stepped hole")
    if len(hole.bore.geoms) > 1:
        return _refusal(site, "more than one bore goes up from it", "A membrane serves such a hole")
    watch.at("trying steps", 0.2)
    found = _least(site, ceiling, hole, watch.part(0.2, 0.9))
    if isinstance(found, Refusal):
        return found
    deg, steps, span_mm = found
    low_mm = float(ground.stack.middles_mm[hole.layer - 1])
    tops = [float(ground.stack.z_mm[hole.layer + k + 1]) for k in range(len(steps))]
    if any(prism_touches_spared(ground, step, low_mm, top) for step, top in zip(steps, tops, strict=True)):
        return _refusal(
            site,
            "the steps would cut a face that must stay as it is",
            "Take the ceiling and the bore from the faces to keep, or use a membrane",
        )
    layer_mm = ground.process.layer_height_mm
    words = (
        f"{len(steps)} step{'' if len(steps) == 1 else 's'} of one layer ({layer_mm:g} mm) cut into the "
        f"ceiling, the first a slot along {deg:.0f}° from x: no strand bridges more than {span_mm:.1f} mm"
    )
    notes = (
        f"The strands of the first layer run along the slot, {deg:.0f}° from x, those of the next across it.",
        f"The bore starts {len(steps) * layer_mm:g} mm higher, behind the steps.",
    )
    removed = tuple(
        Region(f"step {k}", prism(step, max(low_mm, top - 1.5 * layer_mm), top))
        for k, (step, top) in enumerate(zip(steps, tops, strict=True), 1)
    )
    return Draft(ChangeKind.STEPS, site.underside.number, words, (), removed, notes=notes)


def _refusal(site: UndersideSite, why: str, cure: str = "") -> Refusal:
    return Refusal(ChangeKind.STEPS, site.underside.number, why, cure)


def _least(
    site: UndersideSite, ceiling: Ceiling, hole: SteppedHole, watch: Watch
) -> tuple[float, list[planar.Geometry], float] | Refusal:
    """Direction, open outlines of the steps and longest span: the fewest steps, of these the least span."""
    ground = site.ground
    bore, wide = hole.bore.geoms[0], hole.wide
    box = planar.minimum_rotated_rectangle(bore)
    side = np.diff(planar.get_coordinates(box)[:3], axis=0)
    own = np.degrees(np.arctan2(side[:, 1], side[:, 0]))
    # to a tenth of a millimetre, for of directions as good as each other the rounder is easier to set
    tried = [(_span_mm(wide, bore, deg), deg) for deg in directions(ceiling, *own)]
    tried.sort(key=lambda t: (round(t[0], 1), t[1] % 90.0 != 0.0, t[1] % 45.0 != 0.0, t[1]))
    if tried[0][0] > ground.span_mm:
        return _refusal(
            site,
            f"a strand would bridge {tried[0][0]:.1f} mm; up to {ground.span_mm:.1f} mm prints cleanly",
            "Try ribs or fins, or support it",
        )
    thin = False
    for count in range(1, MOST_STEPS + 1):
        watch.at("trying steps", (count - 1) / MOST_STEPS)
        for span_mm, deg in tried[:TRIED]:
            if span_mm > ground.span_mm:
                break
            steps = _outlines(ground, hole, deg, count)
            if steps is None or (count == 1 and _outlines(ground, hole, deg, 2)):
                continue  # a slot alone will do where the bore is square to it
            if not _covered(ground, hole, steps):
                thin = True
                continue
            first, last = int(ceiling.layers[0]) - 1, min(hole.layer + count + 1, ground.stack.count - 1)
            sections = sections_near(ground, first, last, wide)
            for k, step in enumerate(steps):
                at = hole.layer + k - first
                sections[at] = overlay.difference(sections[at], step)
            trial = SectionTrial(site, first, sections, wide)
            if trial.settled and trial.span_mm is not None:
                return deg, steps, trial.span_mm
    if thin:
        return _refusal(site, "there is too little above the ceiling to cut steps into", "Use a membrane")
    return _refusal(site, "no steps make all of it bridge", "Use a membrane, or support it")


def _span_mm(wide: planar.Polygon, bore: planar.Polygon, deg: float) -> float:
    """The longest strand that crossed steps along ``deg`` ask for: beside the slot, or across it."""
    hole = turned(wide, -deg)
    _, low, _, high = turned(bore, -deg).bounds
    x0, y0, x1, y1 = hole.bounds
    beside = overlay.difference(hole, planar.box(x0 - 1, low, x1 + 1, high))
    at = np.concatenate([np.linspace(y0, low, 33)[1:], np.linspace(high, y1, 33)[:-1]])
    lines = planar.linestrings([[(x0 - 1, y), (x1 + 1, y)] for y in at])
    chords = planar.length(planar.get_parts(overlay.intersection(lines, overlay.buffer(beside, 1e-6))))
    return max(float(chords.max(initial=0.0)), high - low)


def _outlines(ground: PlannedPart, hole: SteppedHole, deg: float, count: int) -> list[planar.Geometry] | None:
    """What each of ``count`` steps leaves open; None if the last would leave no more than the bore itself."""
    steps: list[planar.Geometry] = []
    wide = offset_mitred(hole.wide, -_CLEAR_MM)
    for k in range(count):
        bore = overlay.intersection(hole.bore_in(ground, hole.layer + k), hole.wide)
        if k < 2:
            ways = [deg] if k == 0 else [deg, deg + 90.0]
        else:  # as many more directions as there were, between them
            many = 2 ** (k - 1)
            ways = [deg + 90.0 * (j + 0.5) / (many / 2) for j in range(many)]
        open_ = wide if k == 0 else steps[-1]
        for way in ways:
            open_ = overlay.intersection(open_, _band(bore, way))
        middle = bore.representative_point()
        parts = planar.get_parts(open_)
        open_ = next((part for part in parts if part.intersects(middle)), open_)
        if open_.area - bore.area < 1e-3 * bore.area:
            return None
        steps.append(open_)
    return steps


def _band(bore: planar.Geometry, deg: float) -> planar.Polygon:
    """An endless band along ``deg``, as wide as a bore and a hair more."""
    _, low, _, high = turned(bore, -deg).bounds
    band: planar.Polygon = turned(planar.box(-1e5, low - _PAST_MM, 1e5, high + _PAST_MM), deg)
    return band


def _covered(ground: PlannedPart, hole: SteppedHole, steps: list[planar.Geometry]) -> bool:
    """Whether the part goes on above every step, everywhere but in the bore."""
    last = hole.layer + len(steps) - 1 + COVER_LAYERS
    if last >= ground.stack.count:
        return False
    dab_mm2 = ground.process.line_width_mm**2
    for k in range(len(steps) + COVER_LAYERS):
        step = steps[min(k, len(steps) - 1)]
        open_ = overlay.difference(step, ground.stack.regions[hole.layer + k])
        extra = overlay.difference(open_, overlay.buffer(hole.bore, 0.5 * ground.process.line_width_mm))
        if extra.area > dab_mm2:
            return False
    return True

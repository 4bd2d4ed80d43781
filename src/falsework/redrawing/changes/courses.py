"""A corbel laid in courses: one for each layer, each drawn in from the one above by what a layer may reach.

For undersides that straight ways do not serve: bellies, islands, ragged slopes. It follows from the rule of
the layers itself, from the top down: what a layer lays over air is carried by a course beneath, which is the
body above drawn in from its free edges. Where a wing of it has come down to two lines it moves, whole, along
itself towards where it is rooted, so that its free tip recedes; what hangs by itself leans to the nearest of
the part beneath it. Only what finds no part comes down to the bed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from falsework.layers import overlay, planar
from falsework.layers.polygons import EMPTY, areas_only, offset_mitred, repair
from falsework.layers.stack import Floats, Regions
from falsework.need.strips import MITRE
from falsework.redrawing.body.solids import prism
from falsework.redrawing.changes.draft import ChangeKind, Draft, Refusal, Region
from falsework.redrawing.changes.field import settled
from falsework.redrawing.site.value import PlannedPart, UndersideSite
from falsework.watch import QUIET, Watch
from falsework.wording import figures

if TYPE_CHECKING:
    from manifold3d import Manifold

Area = Any  # a shapely region: see falsework.layers.polygons

DRAWN_IN = 0.92  # share of the reach that a course recedes by: rounding needs the rest
_WALL_WIDTHS = 2.2  # no course is drawn in to less, in line widths
_SLIT_WIDTHS = 0.8  # narrower gaps in a course, or between it and the part, are filled
_DUST_WIDTHS2 = 1e-2  # line widths squared: less than that is rounding
_SIMPLE_MM = 0.015  # outlines are drawn no finer
_OVERLAP_MM = 0.05  # into the part, so that nothing merely touches
_JOIN_MM = 1e-3  # of slabs, in height
_AT_ONCE = 16  # slabs: to unite them all takes seconds, in which nobody could stop it
_OPENS = 8.0  # halves of a wall: roots nearer to each other are one
_LONG = 2.0  # a free wing this many times as long as wide is drawn in from both its ends
_FAR_MM = 1e3
_LAYERS_AT_ONCE = 32  # that are asked how far away the part is
_PLAIN_MM = 1e-3
_SLIVER_MM = 0.006  # mean width of what rounding leaves
# A leg: pieces smaller than so many line widths squared, over more than so many line widths of height.
# The tip in which a cone or a gusset ends is lower.
_LEG_WIDTHS, _LEG_HIGH_WIDTHS = 3.0, 6.0
LEGS = "the look of the part, from which legs would grow"


@dataclass(frozen=True)
class _Rule:
    """Lengths of one process, mm."""

    back: float  # what a course recedes by
    hold: float  # what a layer holds past the one beneath
    half: float  # half of the thinnest wall that is drawn,
    wall: float  # and half of what counts as one
    slit: float
    dust_mm2: float
    leg_mm2: float
    leg: float

    @staticmethod
    def of(ground: PlannedPart) -> _Rule:
        width, reach = ground.process.line_width_mm, ground.need.reach_mm
        return _Rule(
            back=DRAWN_IN * reach,
            hold=reach,
            half=0.5 * _WALL_WIDTHS * width,
            wall=width,
            slit=_SLIT_WIDTHS * width,
            dust_mm2=_DUST_WIDTHS2 * width**2,
            leg_mm2=(_LEG_WIDTHS * width) ** 2,
            leg=_LEG_HIGH_WIDTHS * width,
        )


def courses(site: UndersideSite, most_mm3: float = math.inf, watch: Watch = QUIET) -> Draft | Refusal:
    """The corbel of an underside in courses, or why there is none.

    None of more than ``most_mm3``, and none that ends in legs, which nobody would draw; without end
    (``math.inf``) it is drawn however it looks.
    """
    ground = site.ground
    strips, of = ground.need.of(site.index)
    over_air = {int(k): overlay.union_all(strips[of == k]) for k in np.unique(of)}
    laid = _laid(ground, over_air, most_mm3, watch.part(0.0, 0.7))
    if isinstance(laid, Refusal):
        return replace(laid, underside=site.underside.number)
    if not laid:
        return Refusal(ChangeKind.CORBEL, site.underside.number, "nothing of it needs to be carried")
    solid = _solid(ground, over_air, laid, watch.part(0.7, 1.0))
    if solid.is_empty():
        return Refusal(ChangeKind.CORBEL, site.underside.number, "no corbel is left once it is drawn")
    top, low = max(laid), min(laid)
    depth = float(ground.stack.z_mm[top + 1] - ground.stack.z_mm[low])
    words = (
        f"a corbel in courses of a layer each, {depth:.1f} mm deep, "
        f"each drawn in by {_Rule.of(ground).back:.2f} mm"
    )
    notes = ["it is drawn for this process's layers; thicker ones need it drawn anew"]
    if low == 0:
        notes.append("a share of it comes down to the bed")
    watch.at("corbel drawn", 1.0)
    return Draft(
        ChangeKind.CORBEL,
        site.underside.number,
        words,
        added=(Region("corbel", solid),),
        freeform=True,
        notes=tuple(notes),
    )


def _laid(
    ground: PlannedPart, over_air: dict[int, Area], most_mm3: float, watch: Watch
) -> dict[int, Area] | Refusal:
    """The course of each layer that has one; why none, once they are over ``most_mm3`` or stand on legs."""
    rule = _Rule.of(ground)
    lowest, top = min(over_air), max(over_air)
    laid: dict[int, Area] = {}
    course: Area = EMPTY
    volume_mm3, leg_mm, heights_mm = 0.0, 0.0, ground.stack.heights_mm
    # A course rests on nothing but the one it follows from: hence the loop over layers.
    for layer in range(top - 1, -1, -1):
        watch.at("laying courses", (top - layer) / max(top, 1))
        course = _course(ground, rule, layer, course, over_air.get(layer + 1, EMPTY))
        if not course.is_empty:
            laid[layer] = course
            volume_mm3 += float(course.area * heights_mm[layer])
            leg_mm = leg_mm + float(heights_mm[layer]) if _thin(course, rule) else 0.0
            if volume_mm3 > most_mm3:
                most = figures.volume(most_mm3)
                why = (
                    f"it would add more than {most}: too much for what it saves, or for the look of the part"
                )
                return Refusal(ChangeKind.CORBEL, 0, why)
            if leg_mm > rule.leg and math.isfinite(most_mm3):
                return Refusal(ChangeKind.CORBEL, 0, f"it would harm {LEGS}", harms=(LEGS,))
        elif layer < lowest:
            break
    return laid


def _thin(course: Area, rule: _Rule) -> bool:
    """Whether a piece of a course is no more than a leg."""
    area = planar.area(_pieces(course))
    return bool(((area > rule.dust_mm2) & (area < rule.leg_mm2)).any())


def _course(ground: PlannedPart, rule: _Rule, layer: int, course: Area, strip: Area) -> Area:
    """What must be laid in a layer for the ``course`` and the ``strip`` over air of the one above to hold,
    besides the part's own section."""
    above = _union(course, strip)
    if above.is_empty:
        return EMPTY
    room = 4.0 * (rule.half + rule.hold)
    x0, y0, x1, y1 = above.bounds
    solid, higher = (
        _window(ground.stack.regions[k], (x0 - room, y0 - room, x1 + room, y1 + room))
        for k in (layer, layer + 1)
    )
    above = _union(_difference(course, higher), strip)  # its rim within the part is the part's own matter
    loose = _without_dust(_difference(above, _held(solid, rule)), rule)
    if loose.is_empty:
        return EMPTY
    pieces = _pieces(above)
    above = overlay.union_all(pieces[planar.dwithin(pieces, loose, 1e-6)])
    # closed first: each gap left open would be a free edge
    by = 0.5 * rule.slit
    closed = offset_mitred(offset_mitred(_union(above, solid), by), -by)
    inner = offset_mitred(_union(closed, higher), -rule.back)
    # and only near what is loose: else courses would creep along the part beside it
    near = overlay.buffer(loose, rule.hold + rule.half, quad_segs=1)
    drawn = _wide(_intersection(_intersection(inner, closed), near), solid, rule)
    bare = _without_dust(_difference(loose, _held(_union(drawn, solid), rule)), rule)
    if not bare.is_empty:
        moved = _moved_wings(ground, rule, layer, above, bare, drawn, solid)
        drawn = _union(drawn, overlay.union_all(moved))
    within = offset_mitred(solid, -_OVERLAP_MM)  # courses reach into the part, so that none merely touches it
    course = _needed(_difference(drawn, within), loose, rule)
    return course if course.is_empty else _stout(course, solid, within, rule)


def _wide(drawn: Area, solid: Area, rule: _Rule) -> Area:
    """What is drawn without wings that reach out from the rest and are narrower than two lines: be they
    hairlines, on paper these would hold."""
    both = _union(drawn, solid)
    opened = offset_mitred(offset_mitred(both, -rule.half), 1.02 * rule.half, limit=MITRE)
    if not len(_pieces(_difference(_difference(drawn, opened), solid))):
        return drawn
    return _intersection(drawn, overlay.buffer(_union(opened, solid), rule.half, quad_segs=2))


def _stout(course: Area, solid: Area, within: Area, rule: _Rule) -> Area:
    """A course whose narrow places are grown to two lines."""
    both = _union(course, solid)
    opened = offset_mitred(offset_mitred(both, -rule.wall), 1.2 * rule.wall)
    thin = _pieces(_difference(course, opened))
    thin = thin[planar.area(thin) > 0.5 * rule.wall**2]
    if not len(thin):
        return course
    grown = overlay.union_all([_thickened(piece, rule) for piece in thin])
    return _union(course, _difference(grown, within))


def _needed(drawn: Area, loose: Area, rule: _Rule) -> Area:
    """Those pieces that carry anything, plainly outlined."""
    pieces = _pieces(drawn)
    pieces = pieces[(planar.area(pieces) > rule.dust_mm2) & planar.dwithin(pieces, loose, rule.hold)]
    if not len(pieces):
        return EMPTY
    return _areas(planar.simplify(overlay.union_all(pieces), _SIMPLE_MM))


def _moved_wings(
    ground: PlannedPart, rule: _Rule, layer: int, above: Area, bare: Area, drawn: Area, solid: Area
) -> list[Area]:
    """What is too narrow to be drawn in, each piece moved towards where it is rooted."""
    out: list[Area] = []
    roots = _union(drawn, solid)
    near = overlay.buffer(bare, rule.hold, quad_segs=2)
    for wing in _pieces(_smooth(_intersection(above, near), rule)):
        necks = _pieces(_intersection(overlay.buffer(wing, rule.hold, quad_segs=1), roots))
        tip = _intersection(bare, wing)
        tip = wing if tip.is_empty else tip
        if len(necks) == 0 or not _difference(tip, overlay.buffer(roots, rule.half, quad_segs=2)).is_empty:
            wing = _thickened(wing, rule)
        on_part = planar.dwithin(necks, solid, _PLAIN_MM)
        if len(necks) == 0:
            out += _leaning(ground, rule, layer, wing)
        elif on_part.all() or not on_part.any():
            out += _receding(wing, tip, necks, rule)
        else:
            out.append(wing)  # what hangs by it has no other hold on the part
    return out


def _smooth(wing: Area, rule: _Rule) -> Area:
    """A wing without the teeth that it would grow from course to course."""
    by = 0.5 * rule.slit
    return planar.simplify(
        overlay.buffer(overlay.buffer(wing, by, quad_segs=2), -by, quad_segs=2), _SIMPLE_MM
    )


def _thickened(wing: Area, rule: _Rule) -> Area:
    """A wing, grown to two lines where it is narrower on the whole."""
    area, length = wing.area, wing.length
    half = area / length * (1.0 + (4.0 * math.pi * area / length**2) ** 2)  # of a disc and of a long strip
    if half > 0.9 * rule.half:
        return wing
    return overlay.buffer(wing, rule.half - half, quad_segs=2)


def _receding(wing: Area, tip: Area, necks: Regions, rule: _Rule) -> list[Area]:
    """A wing moved along itself to where it is rooted; one between several roots opens between them."""
    if len(necks) == 1:
        return [_moved(wing, tip, necks[0], rule)]
    x0, y0, x1, y1 = planar.total_bounds(necks)
    if math.hypot(x1 - x0, y1 - y0) < _OPENS * rule.half:
        return [_moved(wing, tip, overlay.union_all(necks), rule)]
    cells = planar.voronoi_polygons(
        planar.multipoints(planar.get_coordinates(planar.centroid(necks))), extend_to=wing
    )
    out = []
    for cell in planar.get_parts(cells):
        for piece in _pieces(_intersection(wing, cell)):
            nearest = int(planar.distance(piece, necks).argmin())
            out.append(_moved(piece, piece, necks[nearest], rule))
    return out


def _moved(wing: Area, tip: Area, root: Area, rule: _Rule) -> Area:
    """A wing moved from its tip's middle straight to its root."""
    line = planar.get_coordinates(planar.shortest_line(planar.centroid(tip), root))
    way = line[1] - line[0]
    length = float(np.hypot(*way))
    return _shifted(wing, way * (min(rule.back, length) / length)) if length > 1e-9 else wing


def _leaning(ground: PlannedPart, rule: _Rule, layer: int, wing: Area) -> list[Area]:
    """What hangs by itself: drawn in from its ends, then leaning to the part that is soonest met."""
    long_mm, along = _axis(wing)
    away, way = _way(ground, rule, layer, wing)
    if long_mm > 2.0 * _LONG * rule.half and 4.0 * away > long_mm:
        return _drawn_together(wing, along, rule)
    return [_shifted(wing, way)]


def _axis(wing: Area) -> tuple[float, Floats]:
    """How long a wing is, and the direction in which it is, as a vector of length one."""
    box = planar.get_coordinates(planar.oriented_envelope(wing))
    if len(box) < 4:
        return 0.0, np.array([1.0, 0.0])
    sides = np.diff(box[:3], axis=0)
    lengths = np.hypot(*sides.T)
    k = int(lengths.argmax())
    return float(lengths[k]), sides[k] / max(float(lengths[k]), 1e-9)


def _drawn_together(wing: Area, along: Floats, rule: _Rule) -> list[Area]:
    """Both halves of a long wing moved towards its middle."""
    middle = planar.get_coordinates(planar.centroid(wing))[0]
    aside = _FAR_MM * np.array([-along[1], along[0]])
    out = []
    for outwards in (along, -along):
        ahead = _FAR_MM * outwards
        half = planar.polygons(
            [middle - aside, middle + aside, middle + aside + ahead, middle - aside + ahead]
        )
        out.append(_shifted(_intersection(wing, half), -rule.back * outwards))
    return out


def _way(ground: PlannedPart, rule: _Rule, layer: int, wing: Area) -> tuple[float, Floats]:
    """How far aside the part lies that a wing can lean on soonest, and how far it moves there in this layer.

    Infinite and nothing where it can only come down to the bed.
    """
    if layer == 0:
        return math.inf, np.zeros(2)
    points = planar.get_coordinates(wing)
    points = points[:: max(1, len(points) // 12)]
    for top in range(layer - 1, -1, -_LAYERS_AT_ONCE):  # most are met in the first few
        beneath = np.arange(max(0, top + 1 - _LAYERS_AT_ONCE), top + 1)[::-1]  # nearest first
        at = np.ascontiguousarray(np.repeat(points, len(beneath), axis=0))
        away = ground.outlines.distance_mm(at, np.tile(beneath, len(points))).reshape(len(points), -1)
        away = away.min(axis=0)
        steps = layer - beneath + 1.0  # the course at hand moves as well
        met = np.flatnonzero(away <= steps * rule.back)
        if len(met):
            break
    else:
        return math.inf, np.zeros(2)
    first = met[0]
    line = planar.get_coordinates(planar.shortest_line(wing, ground.stack.regions[beneath[first]]))
    return float(away[first]), (line[1] - line[0]) / steps[first]


def _solid(ground: PlannedPart, over_air: dict[int, Area], laid: dict[int, Area], watch: Watch) -> Manifold:
    """The courses as one body.

    Sections of the part are known half way up each layer. A course reaches up to just below the next of
    these, into what it carries a little past it, and where it stands on the part down to just above the last,
    so that no gap is left to its slopes.
    """
    from manifold3d import Manifold

    z_mm, middles, regions = ground.stack.z_mm, ground.stack.middles_mm, ground.stack.regions
    rule = _Rule.of(ground)
    slabs, caps = [], []
    for k, (layer, course) in enumerate(laid.items()):
        watch.at("drawing the corbel", 0.6 * k / len(laid))
        low, high = float(z_mm[layer]), float(middles[layer + 1])
        carried = _intersection(course, over_air.get(layer + 1, EMPTY))
        if carried.area > rule.hold * carried.length:  # flat: slopes are met by the way
            caps.append(prism(carried, float(z_mm[layer + 1]) - _JOIN_MM, high + _JOIN_MM))
        if layer > 0:
            x0, y0, x1, y1 = course.bounds
            near = (x0 - 1.0, y0 - 1.0, x1 + 1.0, y1 + 1.0)
            floor = _intersection(course, _window(regions[layer - 1], near))
            if not _without_dust(_difference(floor, _window(regions[layer], near)), rule).is_empty:
                low = float(middles[layer - 1]) + _JOIN_MM
        slabs.append(prism(course, low, high - _JOIN_MM))
    blocks = []
    for first in range(0, len(slabs), _AT_ONCE):
        watch.at("drawing the corbel", 0.6 + 0.1 * first / len(slabs))
        blocks.append(_heaped(slabs[first : first + _AT_ONCE]).simplify(_PLAIN_MM))
    watch.at("drawing the corbel", 0.7)
    whole = _heaped(blocks)
    if caps:
        whole += Manifold.compose(caps)
        whole.status()
        watch.at("drawing the corbel", 0.75)
    plain = whole.simplify(_PLAIN_MM)
    watch.at("fitting the corbel to the part", 0.8)
    return settled(ground.solid, plain)


def _heaped(bodies: list[Manifold]) -> Manifold:
    """Bodies from the top down as one: every second stands clear of the others, so that only two heaps
    overlap."""
    from manifold3d import Manifold

    whole = Manifold.compose(bodies[::2]) + Manifold.compose(bodies[1::2])
    whole.status()  # made now
    return whole


def _window(region: Area, box: tuple[float, float, float, float]) -> Area:
    return _areas(repair(np.array([overlay.clip_by_rect(region, *box)], dtype=object))[0])


def _held(region: Area, rule: _Rule) -> Area:
    """What of a layer holds on a region beneath it."""
    return offset_mitred(region, rule.hold, limit=MITRE)


def _without_dust(region: Area, rule: _Rule) -> Area:
    pieces = _pieces(region)
    pieces = pieces[
        (planar.area(pieces) > rule.dust_mm2)
        & (2.0 * planar.area(pieces) > _SLIVER_MM * planar.length(pieces))
    ]
    return overlay.union_all(pieces) if len(pieces) else EMPTY


def _pieces(region: Area) -> Regions:
    pieces = planar.get_parts(region)
    kept: Regions = pieces[planar.area(pieces) > 0.0]
    return kept


def _shifted(region: Area, by: Floats) -> Area:
    return planar.transform(region, lambda xy: xy + by)


def _areas(region: Area) -> Area:
    return areas_only(np.array([region], dtype=object))[0]


def _union(a: Area, b: Area) -> Area:
    return _areas(overlay.union(a, b))


def _difference(a: Area, b: Area) -> Area:
    return _areas(overlay.difference(a, b))


def _intersection(a: Area, b: Area) -> Area:
    return _areas(overlay.intersection(a, b))

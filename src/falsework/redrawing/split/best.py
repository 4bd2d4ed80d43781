"""``split``: cuts found by columns, really made, laid down, joined by pins, planned and priced."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from falsework.cost import Laying
from falsework.orientation.body import body_of
from falsework.orientation.shortlist import shortlist
from falsework.orientation.value import Orientation
from falsework.part.part import Floats
from falsework.process.settings import Process
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.site.value import PlannedPart
from falsework.redrawing.split import words
from falsework.redrawing.split.bodies import (
    PLAIN,
    SHOWN,
    SPARED,
    CuttingPlane,
    Meeting,
    cut_up,
    marked_solid,
    marks_of,
    meetings,
)
from falsework.redrawing.split.laying import (
    ON_CUT,
    PieceOrientations,
    laid,
    part_of,
    price_by_layers,
    printed,
)
from falsework.redrawing.split.pins import Drilled, Side, drilled
from falsework.redrawing.split.search import (
    EVEN,
    Chain,
    FoundChains,
    Whole,
    chains_of,
    directions_of,
    seeker_of,
)
from falsework.redrawing.split.slabs import LEAST_SHARE
from falsework.redrawing.split.value import Gluing, Joint, Piece, Plane, Split, Splits, Uncut
from falsework.request.context import Context
from falsework.request.marks import MarkedFaces
from falsework.request.value import Wish
from falsework.request.weights import Weights
from falsework.watch import QUIET, Watch

if TYPE_CHECKING:
    from manifold3d import Manifold

THINNED_LAYERS = 0.25  # of the layer height: how far thinning may move the surface while cuts are looked for
TRIED = 18  # chains of each number of cuts that are really made
AGAIN, AGAIN_EVEN, AGAIN_TRIED = 2, 40, 6  # best splits whose worst piece is cut again; looking less far
MOST_PIECES = 6
THIN_SHARE = 0.25  # of a joint that may be narrower than two and a half lines
ALIKE_SHARE, ALIKE_PIECES = 0.01, 0.1  # splits whose prices and pieces' volumes differ by less are one
DEARER = 1.5  # a piece's other lie is planned too, unless columns find it so many times as dear
PLANNED = 3  # options that are made from the whole mesh and planned
SAME_PRICE = 0.03  # of options that cost the same but for so much, those that need no support come first
PLAIN_WEIGHTS, USUAL_GLUING = Weights(), Gluing()


@dataclass(frozen=True, eq=False)
class _Tried:
    """Cuts made on the thinned solid: bodies, where they meet, their lies, and the price by columns."""

    cuts: tuple[CuttingPlane, ...]
    bodies: list[Manifold]
    joints: list[Meeting]
    lies: list[PieceOrientations]
    price: float
    fits: bool


@dataclass(frozen=True, eq=False)
class _Case:
    """What stays the same while one part is split."""

    ground: PlannedPart
    whole: Manifold  # with marks
    origin: int  # for ``marks_of``
    thin: Manifold  # the same, thinned
    weights: Weights
    gluing: Gluing

    @property
    def process(self) -> Process:
        return self.ground.process


def split(
    ground: PlannedPart,
    *,
    shown: NDArray[np.bool_] | None = None,
    weights: Weights = PLAIN_WEIGHTS,
    gluing: Gluing = USUAL_GLUING,
    most_cuts: int = 2,
    watch: Watch = QUIET,
) -> Splits:
    """The best ways to cut the part into pieces that need less support than the whole one.

    Every height along many directions is priced by columns, for pieces that lie on their cuts; the best are
    really cut and each piece laid down as is best; the best of these are made from the whole mesh, drilled
    for pins and planned. No cut goes through a face that is ``shown`` (m,) or spared.

    Parameters
    ----------
    shown : faces of ``ground.part`` that will be seen. most_cuts : 1 or 2.

    What cannot be cut, or gains nothing, is said in ``why_not``.
    """
    shown = np.zeros(len(ground.part.faces), bool) if shown is None else shown
    marks = np.where(ground.spared, SPARED, np.where(shown, SHOWN, PLAIN)).astype(np.int64)
    process = ground.process
    watch.at("the part in one piece", 0.0)
    whole_lie = _uncut(ground, shown, weights, watch.part(0.0, 0.25))
    whole, origin = marked_solid(ground.solid, marks)
    thin = whole.simplify(THINNED_LAYERS * process.layer_height_mm)
    case = _Case(ground, whole, origin, thin, weights, gluing)
    apart = sum(body.volume() > 0.0 for body in whole.decompose()) > 1  # a void is no body
    tried, size, planes, made = _all_tried(case, whole_lie, most_cuts, apart, watch.part(0.25, 0.7))
    options: list[Split] = []
    for one in _unlike(tried):
        if len(options) == PLANNED:
            break
        stretch = watch.part(0.7 + 0.1 * len(options), 0.8 + 0.1 * len(options))
        option = _made(case, one, size, stretch)
        if option is not None:
            options.append(option)
    least = min((option.price for option in options), default=0.0)
    options.sort(
        key=lambda option: (
            not option.fits,
            option.price > (1.0 + SAME_PRICE) * least,
            not option.needs_no_support,
            option.price,
        )
    )
    watch.at("done", 1.0)
    if apart:
        why_not, cure = words.SEVERAL
    else:
        why_not, cure = words.why_not(options, whole_lie, planes, bool((marks != PLAIN).any()))
    return Splits(
        part=ground.part.name,
        digest=ground.part.digest,
        process=process.name,
        gluing=gluing,
        uncut=whole_lie,
        options=tuple(options),
        planes=planes,
        cut=made,
        why_not=why_not,
        cure=cure,
    )


def _all_tried(
    case: _Case, whole_lie: Uncut, most_cuts: int, apart: bool, watch: Watch
) -> tuple[list[_Tried], Whole, int, int]:
    """Cuts made on the thinned solid; the whole's figures; planes looked at, and how many cuts were made."""
    found, chains = _found(case, case.thin, most_cuts, TRIED, None, watch.part(0.0, 0.22))
    chains = [] if apart else chains
    size = replace(found.whole, printing=whole_lie.lie.price.printing)
    tried: list[_Tried] = []
    for number, cuts in enumerate(chains):
        watch.at("cutting", 0.22 + 0.56 * number / len(chains))
        one = _try(case, cuts, size)
        if one is not None:
            tried.append(one)
    made, planes = len(chains), found.planes
    if most_cuts > 1:
        again, more_made, more_planes = _cut_again(case, tried, size, watch.part(0.78, 1.0))
        tried, made, planes = tried + again, made + more_made, planes + more_planes
    return tried, size, planes, made


def _uncut(
    ground: PlannedPart,
    shown: NDArray[np.bool_],
    weights: Weights,
    watch: Watch,
) -> Uncut:
    """The part in one piece, in its best lie or as it lies now, whichever is better by layers."""
    part = ground.part.with_face_set("shown", shown)
    show = MarkedFaces(face_sets=("shown",)) if shown.any() else MarkedFaces()
    wish = Wish(ground.process, weights=weights, show=show)
    few = shortlist(part, wish, Context(watch=watch.part(0.0, 0.5))).lies[:2]
    tried = []
    for number, lie in enumerate(few):
        stretch = watch.part(0.5 + 0.25 * number, 0.75 + 0.25 * number)
        said = printed(ground.part, lie.turn_deg, ground.process, weights, ground.belief, stretch)
        tried.append(Uncut(lie, said))
    return min(tried, key=lambda one: (not one.lie.fits, one.printed.price))


def _found(
    case: _Case, solid: Manifold, most_cuts: int, most: int, through: int | None, watch: Watch
) -> tuple[FoundChains, list[tuple[CuttingPlane, ...]]]:
    """Chains across a solid, and the same as cuts in the frame of the placed part."""
    vertices, faces = mesh_of(solid)
    center = vertices.mean(axis=0)
    marks = marks_of(solid, case.origin)
    body = body_of(vertices - center, faces, marks == SHOWN)
    seeker = seeker_of(body, marks != PLAIN, case.process, case.weights, case.gluing)
    directions, askew = directions_of(body, seeker.flat, EVEN if through is None else AGAIN_EVEN)
    found = chains_of(seeker, directions, askew, most_cuts, most, watch)
    return found, [_cuts(chain, center, through) for chains in found.chains for chain in chains]


def _cuts(chain: Chain, center: Floats, through: int | None) -> tuple[CuttingPlane, ...]:
    shift = float(chain.direction @ center)
    return tuple(
        CuttingPlane(chain.direction, offset + shift, on_face, chain.askew, through)
        for offset, on_face in zip(chain.offsets_mm, chain.on_face, strict=True)
    )


def _try(case: _Case, cuts: tuple[CuttingPlane, ...], size: Whole) -> _Tried | None:
    """Make the cuts and lay the pieces down; None where they leave crumbs, splinters or too many pieces."""
    line_mm = case.process.line_width_mm
    bodies = cut_up(case.thin, cuts)
    if not _sound(bodies, case.thin.volume()):
        return None
    joints = meetings(bodies, cuts, line_mm)
    if {joint.cut for joint in joints} != set(range(len(cuts))):
        return None
    if any(joint.thin_share > THIN_SHARE for joint in joints):
        return None
    lies = [
        laid(
            f"piece {k + 1}",
            body,
            case.origin,
            _ups(k, cuts, joints),
            case.process,
            case.weights,
        )
        for k, body in enumerate(bodies)
    ]
    return _Tried(
        cuts=cuts,
        bodies=bodies,
        joints=joints,
        lies=lies,
        price=math.fsum(one.best.price.total for one in lies)
        + case.gluing.price(len(joints), 2 * len(joints), _area(joints))
        + _risk(case.gluing, cuts, joints, size),
        fits=all(one.best.fits for one in lies),
    )


def _sound(bodies: list[Manifold], volume_mm3: float) -> bool:
    """Whether these are a few pieces and each is worth the name."""
    if not 2 <= len(bodies) <= MOST_PIECES:
        return False
    return min(body.volume() for body in bodies) >= LEAST_SHARE * volume_mm3


def _ups(body: int, cuts: tuple[CuttingPlane, ...], joints: list[Meeting]) -> Floats:
    """(k, 3) up directions in which a body lies on one of its cut faces."""
    found = {
        (joint.cut, joint.above == body): cuts[joint.cut].normal * (1.0 if joint.above == body else -1.0)
        for joint in joints
        if body in (joint.above, joint.below)
    }
    return np.array(list(found.values())).reshape(-1, 3)


def _area(joints: list[Meeting]) -> float:
    return math.fsum(float(joint.region.area) for joint in joints)


def _risk(gluing: Gluing, cuts: tuple[CuttingPlane, ...], joints: list[Meeting], size: Whole) -> float:
    """Price of the joints' chance to fail and of their seams."""
    price = 0.0
    for number, cut in enumerate(cuts):
        area = _area([joint for joint in joints if joint.cut == number])
        price += size.printing * gluing.risk(area / size.section_mm2, cut.on_face, cut.askew)
    return price


def _cut_again(case: _Case, tried: list[_Tried], size: Whole, watch: Watch) -> tuple[list[_Tried], int, int]:
    """The best splits of one cut with their dearest piece cut once more, wherever that is best; how many
    were made, of how many planes looked at."""
    again: list[_Tried] = []
    made = planes = 0
    best = [one for one in _unlike(tried) if len(one.cuts) == 1][:AGAIN]
    for number, one in enumerate(best):
        stretch = watch.part(number / len(best), (number + 1) / len(best))
        lies = [laid.best for laid in one.lies]
        worth = [lie.price.total if lie.fits else math.inf for lie in lies]
        asking = [not (lie.needs_no_support and lie.fits) for lie in lies]
        if not any(asking):
            continue
        worst = max((k for k in range(len(worth)) if asking[k]), key=lambda k: worth[k])
        found, cuts = _found(case, one.bodies[worst], 1, AGAIN_TRIED, worst, stretch.part(0.0, 0.5))
        planes += found.planes
        for k, second in enumerate(cuts):
            stretch.at("cutting", 0.5 + 0.5 * k / len(cuts))
            both = _try(case, one.cuts + second, size)
            made += 1
            if both is not None:
                again.append(both)
    return again, made, planes


def _unlike(tried: list[_Tried]) -> list[_Tried]:
    """Cheapest first, those that fit before all others, and one of each kind.

    Of those that come to the same, as a ball's, the one with most cuts along x, y or z. A further cut is left
    out where one cut does for less.
    """
    kinds: list[list[_Tried]] = []
    enough = math.inf
    for one in sorted(tried, key=lambda one: (not one.fits, one.price)):
        if len(one.cuts) > 1 and one.price >= enough:
            continue
        if len(one.cuts) == 1 and one.fits and all(laid.best.needs_no_support for laid in one.lies):
            enough = min(enough, one.price)
        for kind in kinds:
            if _alike(one, kind[0]):
                kind.append(one)
                break
        else:
            kinds.append([one])
    return [
        max(kind, key=lambda one: sum(float(np.abs(cut.normal).max()) == 1.0 for cut in one.cuts))
        for kind in kinds
    ]


def _alike(one: _Tried, other: _Tried) -> bool:
    """Whether two splits come to the same."""
    if len(one.bodies) != len(other.bodies) or one.fits != other.fits:
        return False
    mine, theirs = (sorted(body.volume() for body in each.bodies) for each in (one, other))
    same = abs(one.price - other.price) <= ALIKE_SHARE * other.price
    return same and np.allclose(mine, theirs, rtol=ALIKE_PIECES)


def _made(case: _Case, tried: _Tried, size: Whole, watch: Watch) -> Split | None:
    """The split made from the whole mesh, drilled and planned; None where that leaves other pieces."""
    process, cuts = case.process, tried.cuts
    watch.at("making pieces", 0.0)
    bodies = _in_order(cut_up(case.whole, cuts), tried.bodies)
    if bodies is None:
        return None
    met = meetings(bodies, cuts, process.line_width_mm)
    lies = []
    for k, body in enumerate(bodies):
        stretch = watch.part(0.6 * k / len(bodies), 0.6 * (k + 1) / len(bodies))
        lies.append(_by_layers(case, _name(k), body, tried.lies[k], stretch))
    drills, drilled_bodies = _drills(cuts, met, bodies, lies, process, watch.part(0.6, 0.7))
    pieces = _pieces(case, drilled_bodies, lies, watch.part(0.7, 1.0))
    pins = [pin for drill in drills for pin in drill.pins]
    pins_mm3 = math.fsum(pin.solid.volume() for pin in pins if pin.solid is not None)
    result = Split(
        planes=tuple(_plane(cut, case.ground.origin_mm) for cut in cuts),
        pieces=pieces,
        joints=tuple(_joint(joint, drill) for joint, drill in zip(met, drills, strict=True)),
        holes_mm3=math.fsum(body.volume() for body in bodies) - math.fsum(p.volume_mm3 for p in pieces),
        pins_price=Laying(process, process.wall_speed_mm_s).estimate(pins_mm3).price,
        gluing_price=case.gluing.price(len(met), len(pins), _area(met)),
        joint_price=_risk(case.gluing, cuts, met, size),
        needs_no_support=all(piece.printed.needs_no_support for piece in pieces),
        fits=all(piece.lie.fits for piece in pieces),
        words="",
        notes=(),
    )
    return replace(result, words=words.what(result), notes=words.notes(result))


def _name(k: int) -> str:
    return f"piece {k + 1}"


def _drills(
    cuts: tuple[CuttingPlane, ...],
    met: list[Meeting],
    bodies: list[Manifold],
    lies: list[Orientation],
    process: Process,
    watch: Watch,
) -> tuple[list[Drilled], list[Manifold]]:
    """Pins and holes of every joint, and the bodies with the holes."""
    bodies, drills = list(bodies), []
    for number, joint in enumerate(met):
        watch.at("pins", number / len(met))
        cut = cuts[joint.cut]
        above, below = (Side(bodies[k], np.array(lies[k].up)) for k in (joint.above, joint.below))
        drill = drilled(joint.region, cut.normal, cut.offset_mm, above, below, process)
        drills.append(drill)
        bodies[joint.above] = _less(bodies[joint.above], drill.above)
        bodies[joint.below] = _less(bodies[joint.below], drill.below)
    return drills, bodies


def _pieces(case: _Case, bodies: list[Manifold], lies: list[Orientation], watch: Watch) -> tuple[Piece, ...]:
    """The bodies as they lie, planned."""
    pieces = []
    for k, (solid, lie) in enumerate(zip(bodies, lies, strict=True)):
        said = printed(
            part_of(_name(k), solid),
            lie.turn_deg,
            case.process,
            case.weights,
            case.ground.belief,
            watch.part(k / len(bodies), (k + 1) / len(bodies)),
        )
        pieces.append(Piece(_name(k), solid.volume(), lie, lie.label == ON_CUT, said, solid))
    return tuple(pieces)


def _plane(cut: CuttingPlane, origin_mm: Floats) -> Plane:
    """A cut in the frame of the files."""
    x, y, z = (float(v) for v in cut.normal)
    through = "the part" if cut.through is None else "one piece"
    return Plane((x, y, z), cut.offset_mm - float(cut.normal @ origin_mm), through, cut.on_face, cut.askew)


def _joint(joint: Meeting, drill: Drilled) -> Joint:
    return Joint(
        (_name(joint.above), _name(joint.below)),
        joint.cut,
        float(joint.region.area) - drill.mouths_mm2,
        joint.thin_share,
        drill.pins,
        drill.one_way,
    )


def _by_layers(case: _Case, name: str, body: Manifold, lies: PieceOrientations, watch: Watch) -> Orientation:
    """The lie that is better by layers, of the two where columns do not find one much dearer."""
    first = lies.best
    second = lies.other if first is lies.on_cut else lies.on_cut
    if not second.fits or second.price.total > DEARER * first.price.total:
        return first
    part, process, belief = part_of(name, body), case.process, case.ground.belief
    prices = [
        price_by_layers(part, lie.turn_deg, process, case.weights, belief, watch.part(0.5 * k, 0.5 * (k + 1)))
        for k, lie in enumerate((first, second))
    ]
    return first if prices[0] <= prices[1] else second


def _less(body: Manifold, holes: list[Manifold]) -> Manifold:
    """The body with its holes."""
    for hole in holes:
        body = body - hole
    return body


def _in_order(bodies: list[Manifold], like: list[Manifold]) -> list[Manifold] | None:
    """Bodies in the order of those they are like; None where they are not the same few."""
    if len(bodies) != len(like):
        return None
    left = list(bodies)
    ordered = []
    for model in like:
        box = np.array(model.bounding_box())
        nearest = min(left, key=lambda body: float(np.abs(np.array(body.bounding_box()) - box).max()))
        left.remove(nearest)
        ordered.append(nearest)
    return ordered

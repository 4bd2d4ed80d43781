"""Notices in English. Another language would be another file such as this and ``terms``."""

from __future__ import annotations

from functools import singledispatch

from falsework.wording import notices as n
from falsework.wording.figures import (
    LEAST_SHOWN,
    area,
    axes,
    counted,
    duration,
    estimated,
    finding,
    given,
    given_unit,
    length,
    mass,
    number,
    numbered,
    place,
    price,
    share,
    span,
    with_unit,
)

_ASKED = {
    "": "",
    "all": "as asked, ",
    "own": "by your own choice, ",
    "own-on-spared": f"by your own choice, although it lies on {n.SPARED}, ",
}
_BECAUSE = {
    "no-room": "the air gaps take all of the height beneath it",
    "no-room-on-bed": "nothing of it can be reached from the bed",
    "would-touch": f"its support would touch {n.SPARED}",
    "lies-on-spared": f"it lies on {n.SPARED}",
    "weak": "what support there is room for may not stand by itself",
}
_WHERE = {"bed": "from the bed", "part": "from the part beneath", "both": "from the bed and the part"}


@singledispatch
def said(notice: n.Notice) -> str:
    """The sentence of a notice, without a full stop."""
    raise TypeError(f"no words for {type(notice).__name__}")


@said.register
def _(x: n.Earlier) -> str:
    return x.sentence


@said.register
def _(x: n.TooLarge) -> str:
    return (
        f"along {x.axis} the part is {with_unit(x.long_mm, 'mm', 1)} and the build volume "
        f"{with_unit(x.room_mm, 'mm', 1)}: {with_unit(x.long_mm - x.room_mm, 'mm', 1)} too long; it would "
        f"fit at {given_unit(x.fits_at_percent, '%')} of its size"
    )


@said.register
def _(x: n.TooLow) -> str:
    return "it is lower than half the first layer"


@said.register
def _(x: n.NeverFits) -> str:
    room = " × ".join(given(v) for v in x.build_mm)
    return (
        f"In no position {x.part} fits the build volume of {room} mm; at {given(x.fits_at_percent)} % of its "
        "size it would"
    )


@said.register
def _(x: n.AlwaysTooLow) -> str:
    return f"In every position {x.part} is lower than half the first layer"


@said.register
def _(x: n.MeshFault) -> str:
    where = "" if x.where_mm is None else f" near {place(x.where_mm)}"
    return finding(x.count, x.what, x.done, where)


@said.register
def _(x: n.OpenLayers) -> str:
    return (
        f"the mesh is open: {x.layers} of {counted(x.of, 'layer')} were closed by bridging gaps of up to "
        f"{length(x.widest_mm)}, the first at z {with_unit(x.first_z_mm, 'mm', 1)}"
    )


@said.register
def _(x: n.ThinPart) -> str:
    return (
        f"about {share(x.share)} of the part is narrower than a line ({given_unit(x.line_width_mm, 'mm')}) "
        f"and may not be printed, first near {place(x.first_mm)}"
    )


@said.register
def _(x: n.LeftForSpared) -> str:
    return (
        f"underside {x.underside}: {share(x.left_mm2 / x.of_mm2)} of it ({area(x.left_mm2)}) is left to "
        f"itself, for its support would touch {n.SPARED}"
    )


@said.register
def _(x: n.OutOfReach) -> str:
    return (
        f"underside {x.underside}: {share(x.left_mm2 / x.of_mm2)} of it ({area(x.left_mm2)}) cannot be "
        "carried from the bed and gets no support"
    )


@said.register
def _(x: n.Scar) -> str:
    return (
        f"underside {x.underside}: the feet of its support mark {area(x.scar_mm2)} of the part around "
        f"{axes(x.at_mm)} at z {span(*x.z_mm)} mm"
    )


@said.register
def _(x: n.MoreScars) -> str:
    under = numbered("underside", x.undersides)
    return f"{under}: the feet of their supports mark {area(x.scar_mm2)} more of the part"


@said.register
def _(x: n.MayFail) -> str:
    what = "starts in mid-air" if x.droop_mm is None else f"would sag {length(x.droop_mm)}"
    return f"underside {x.underside} {what} and {area(x.left_mm2)} of it is left: the print may fail there"


def _lie_on_spared(undersides: tuple[int, ...]) -> str:
    lie, are = ("lie", "are") if len(undersides) > 1 else ("lies", "is")
    return f"{numbered('underside', undersides)} {lie} on {n.SPARED} and {are}"


def _worst(undersides: tuple[int, ...], worst_mm: n.Range, falls: bool) -> str:
    does = f"falls {length(worst_mm.value)}" if falls else f"sags {estimated(worst_mm, 'mm')}"
    return f"{'the worst' if len(undersides) > 1 else 'it'} {does}"


def _in_the_way(x: n.Obstacle) -> str:
    at = f"around {place(x.at_mm)}"
    if x.what == "part":
        return f"the part is in the way of support from the bed, {at}"
    if x.what == "sides":
        return f"the part's sides stand too close for a line of support and its clearance, {at}"
    if x.room_mm <= x.takes_mm + 1e-6:
        floor = "the bed" if x.at_mm[2] <= 0.0 else "the part"
        return (
            f"{floor} is only {length(x.room_mm)} beneath, {at}, and the air gaps take {length(x.takes_mm)}"
        )
    return f"no line of support fits between its gaps and clearance, {at}"


@said.register
def _(x: n.SparedLeft) -> str:
    return f"{_lie_on_spared(x.undersides)} left: {_worst(x.undersides, x.worst_mm, x.falls)}"


@said.register
def _(x: n.SparedCarried) -> str:
    return f"{_lie_on_spared(x.undersides)} carried all the same, by your own choice"


@said.register
def _(x: n.NotBuilt) -> str:
    what = "no support fits beneath within its gaps and clearance"
    if x.obstacle is not None:
        what = _in_the_way(x.obstacle)
    if x.touches_spared:
        what = f"support beneath would touch {n.SPARED}"
    return f"{numbered('underside', x.undersides)}: {what}; left, {_worst(x.undersides, x.worst_mm, x.falls)}"


@said.register
def _(x: n.IslandLeft) -> str:
    places = f"in {counted(x.places, 'place')}, the lowest around" if x.places > 1 else "around"
    return (
        f"underside {x.underside} starts in mid-air {places} {place(x.at_mm)} with no support beneath: what "
        f"is laid there falls {length(x.falls_mm)}, and all that grows on it fails"
    )


@said.register
def _(x: n.IslandsLeft) -> str:
    return (
        f"{numbered('underside', x.undersides)} start in mid-air too with no support beneath: what is laid "
        f"there falls up to {length(x.falls_mm)}, most around {place(x.at_mm)}"
    )


@said.register
def _(x: n.NarrowFirstLayer) -> str:
    some = x.printable_mm2 >= LEAST_SHOWN  # less reads as nothing
    wide = f"only {area(x.printable_mm2)} are at least" if some else "nothing is even"
    return f"the first layer is too narrow to print: of {area(x.first_layer_mm2)} {wide} half a line wide"


@said.register
def _(x: n.Topples) -> str:
    at, towards = with_unit(x.height_mm, "mm", 1), with_unit(x.towards_deg, "°", 0)
    holds, tips = with_unit(x.righting_nmm, "N·mm"), with_unit(x.turning_nmm, "N·mm")
    return (
        f"the part may topple towards {towards} from x when the layer at z {at} is laid: {holds} hold it "
        f"upright, {tips} tip it, a safety of {number(x.safety, 2)}, asked for "
        f"{given(x.asked_safety)}"
    )


@said.register
def _(x: n.Curls) -> str:
    return (
        f"{counted(x.corners, 'sharp corner')} of the first layer would curl up by as much as "
        f"{length(x.curl_mm)} if they came free: clean the bed well, or round them off by a rim"
    )


@said.register
def _(x: n.Rim) -> str:
    return (
        f"a rim of {length(x.breadth_mm)} around the first layer, one layer high, for {mass(x.mass_g)} and "
        f"{price(x.price)} with cutting it off: it then stands with a safety of {number(x.safety, 1)}"
    )


@said.register
def _(x: n.DrawnFoot) -> str:
    return (
        f"a foot drawn into the part, {length(x.breadth_mm)} wider all round and {length(x.height_mm)} high, "
        f"for {mass(x.mass_g)} and {price(x.price)}: it stays on, and the part stands with a safety of "
        f"{number(x.safety, 1)}"
    )


@said.register
def _(x: n.LayOtherwise) -> str:
    if x.turn_deg is None:
        return "another position, with a wider face down"
    turned = f"another position, turned by {', '.join(f'{angle:g}' for angle in x.turn_deg)}°"
    if x.price == 0.0:
        return f"{turned}: it stands so by itself; a plan of it says what it costs"
    return f"{turned}: it stands so, and costs {price(x.price)} in all instead of {price(x.instead_of)}"


@said.register
def _(x: n.HeldUpright) -> str:
    are = "are" if len(x.undersides) > 1 else "is"
    return f"{numbered('underside', x.undersides)} {are} carried so that the part does not fall over"


@said.register
def _(x: n.WeakPieces) -> str:
    alone = "itself" if len(x.pieces) == 1 else "themselves"
    return f"{numbered('piece', x.pieces)} may not stand by {alone}"


@said.register
def _(x: n.NotStanding) -> str:
    alone, are = ("itself", "is") if x.pieces == 1 else ("themselves", "are")
    return (
        f"{counted(x.pieces, 'piece')} of support would not stand by {alone} and {are} not built: "
        f"{with_unit(x.area_mm2, 'mm²', 1)} of {numbered('underside', x.undersides)} stay without"
    )


@said.register
def _(x: n.Trapped) -> str:
    tail = "cannot be removed: it stays in the part"
    if len(x.pieces) > 1:
        tail = "cannot be removed: they stay in the part"
    text = f"{numbered('piece', x.pieces)} of the support {tail}"
    if x.worst_mm is None:
        return text
    bare = f"falls {length(x.worst_mm.value)}" if x.falls else f"sags {estimated(x.worst_mm, 'mm')}"
    return (
        f"{text}, and {mass(x.inside_g)} stay inside, which counts as {price(x.stays_price)}; left bare, the "
        f"worst {bare}, which counts as {price(x.left_price)}; a part cut open needs neither (redraw it in "
        "pieces)"
    )


@said.register
def _(x: n.DugOut) -> str:
    them = "it" if len(x.pieces) == 1 else "them"
    pieces = numbered("piece", x.pieces)
    return f"{pieces} of the support must be picked out in bits, and some of {them} may stay"


@said.register
def _(x: n.Tears) -> str:
    they = "it is" if len(x.pieces) == 1 else "they are"
    return f"{numbered('piece', x.pieces)} of the support may tear the part when {they} taken off"


@said.register
def _(x: n.Holds) -> str:
    return f"{_ASKED[x.asked]}prints unaided: no layer reaches more than {length(x.free_mm)} over air"


@said.register
def _(x: n.Left) -> str:
    head = {
        "holds": "prints unaided, just past the limit",
        "bridge": f"left to bridge {length(x.over_mm)}",
        "cantilever": f"left to reach out {length(x.over_mm)}",
        "island": "left although it starts in mid-air",
    }[x.kind]
    because = _BECAUSE.get(x.because) or f"support would cost {mass(x.mass_g)} and {duration(x.time_s)}"
    if x.part_z_mm is not None:
        because = f"the part is in the way of support from the bed, at z {span(*x.part_z_mm)} mm"
    if x.obstacle is not None:
        because = _in_the_way(x.obstacle)
    does = (
        f"falls {length(x.droop_mm.value)}" if x.kind == "island" else f"sags {estimated(x.droop_mm, 'mm')}"
    )
    return f"{_ASKED[x.asked]}{head}: {does}, {because}"


@said.register
def _(x: n.Carried) -> str:
    alone = "start in mid-air" if x.droop_mm is None else f"sag {estimated(x.droop_mm, 'mm')}"
    text = (
        f"{_ASKED[x.asked]}carried {_WHERE[x.where]} for {mass(x.mass_g)} and {duration(x.time_s)}: "
        f"without support it would {alone}"
    )
    if x.left_mm2:
        text += f"; {share(x.left_mm2 / x.of_mm2)} of it cannot be carried and is left"
        if x.spared_mm2:
            text += f", {share(x.spared_mm2 / x.of_mm2)} for the sake of {n.SPARED}"
    if x.scar_mm2:
        text += f"; its feet mark {area(x.scar_mm2)} of the part"
    return text

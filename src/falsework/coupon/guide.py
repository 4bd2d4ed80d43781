"""What the person with the print is told: what to look at, where the calipers go, what to mind."""

from __future__ import annotations

from collections.abc import Sequence

from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.value import CouponKind, Shape
from falsework.process.settings import Process

TITLES = {
    CouponKind.OVERHANG: "Overhang fan",
    CouponKind.BRIDGE: "Bridge ladder",
    CouponKind.GAP: "Air gap and interface",
    CouponKind.WEAVE: "Weave comb",
    CouponKind.CONFIRM: "Confirmation piece",
}
TRIES = {
    CouponKind.OVERHANG: "how far an underside may lean before it sags",
    CouponKind.BRIDGE: "how far strands span air, with two shares of the fan",
    CouponKind.GAP: "how large the air gap must be, with and without interface layers on the support",
    CouponKind.WEAVE: (
        "how supports may be built: how widely spaced, parallel or crossed, along or across the part's "
        "strands, with a perimeter or none"
    ),
    CouponKind.CONFIRM: "whether the settings hold: a slope, a bridge, a ledge and an island",
}

_LOOK = {
    Shape.FIN: "the slanting underside, from below against the light",
    Shape.RUNG: "the underside of the rung, from below against the light",
    Shape.ROOF: "how the support comes off, then the underside of the slab",
    Shape.LEDGE: "how the support comes off, then the underside of the ledge",
    Shape.PEG: "how the support comes off, then the underside of the hanging block",
}
_CALIPERS = {
    Shape.FIN: "outside jaws square across the fin, close to its upper edge",
    Shape.RUNG: "outside jaws above and below the rung, in the middle of its span",
    Shape.ROOF: "outside jaws above and below the slab, in the middle of its length",
    Shape.LEDGE: "outside jaws above and below the ledge, in the middle of its length",
    Shape.PEG: "outside jaws from the top down to the block's underside, in the middle of its length",
}


def look(shape: Shape) -> str:
    """What to look at on a cell of that shape."""
    return _LOOK[shape]


def calipers(shape: Shape) -> str:
    """Where the calipers go on a cell of that shape."""
    return _CALIPERS[shape]


def facets(condition: Condition) -> dict[str, str]:
    """What a condition tries, by what may differ between the cells of a piece, in a few words each."""
    if condition.kind is ConditionKind.OVERHANG:
        return {"angle": f"{condition.angle_deg:g}° from the vertical"}
    if condition.kind is ConditionKind.BRIDGE:
        return {"span": f"{condition.span_mm:g} mm", "fan": f"fan {100 * condition.fan:.0f} %"}
    assert condition.air_gap_mm is not None
    layers = round(condition.air_gap_mm / condition.layer_height_mm)
    dense, closed = condition.interface_layers or 0, condition.perimeter_lines or 0
    crossing = 90.0 if condition.crossing_deg is None else condition.crossing_deg
    return {
        "gap": f"gap {condition.air_gap_mm:.3g} mm ({_count(layers, 'layer')})",
        "interface": _count(dense, "interface layer"),
        "body": f"strands {condition.weave}, {condition.spacing_mm:g} mm apart",
        "strands": {90.0: "strands across", 0.0: "strands along"}.get(crossing, f"strands at {crossing:g}°"),
        "closed": "perimeter" if closed == 1 else _count(closed, "perimeter line"),
    }


def differing(conditions: Sequence[Condition]) -> tuple[list[str], str]:
    """Each condition in the words that tell it from the others, and what all have in common, if anything."""
    every = [facets(condition) for condition in conditions]
    alike = {
        name: words
        for name, words in every[0].items()
        if len(every) > 1 and all(other.get(name) == words for other in every)
    }
    own = [", ".join(words for name, words in one.items() if name not in alike) for one in every]
    return own, ", ".join(alike.values())


def _count(many: int, what: str) -> str:
    return f"no {what}" if many == 0 else f"{many} {what}{'' if many == 1 else 's'}"


_SAG_SEEN_MM = 0.05  # what calipers on rough strands tell apart; from memory

_TOGETHER = "Print all fins together: one printed alone has no time to cool between its layers."
_OWN_SUPPORTS = (
    "The supports are in the file, and your program must add none. If it leaves support objects out, load "
    "the STL files of piece and supports together, without moving one against the other."
)
_LONG_WAY = (
    "The strands of slabs must run the long way, as the arrows show. Where your program lets you, set the "
    "direction of bridges and solid layers to 0°, along x."
)
_FROM_BENEATH = (
    "Take the supports off from beneath, cell by cell, and note how each came off before you go on."
)
_WHOLE_LAYERS = (
    "Gaps are whole layers. Finer steps would need another layer height right under the slabs, which one "
    "setting for the whole print cannot give."
)
_ROUGH = (
    f"Calipers on rough strands are good to about {_SAG_SEEN_MM:g} mm, half a layer or more here: go by the "
    "pictures rather than by the thickness."
)
_MINUTES = (
    "Minutes are those of printing moves and travels. Heating up, and waiting for small layers to cool, "
    "come on top."
)


def notes(process: Process, conditions: Sequence[Condition]) -> tuple[str, ...]:
    """What has to be minded when a piece is printed and read off, in the order in which it comes up."""
    kinds = {condition.kind for condition in conditions}
    fans = list(dict.fromkeys(condition.fan for condition in conditions))
    out = [_settings(process)]
    if len(fans) > 1:
        shares = " and then ".join(f"{100 * fan:.0f} %" for fan in fans)
        out.append(
            "Every share of the fan has a file of its own. Print one after the other, with the fan of the "
            f"whole print at {shares}; only the first layers may keep the fan that they usually have. Leave "
            "all else as it is."
        )
    if sum(condition.kind is ConditionKind.OVERHANG for condition in conditions) > 1:
        out.append(_TOGETHER)
    if ConditionKind.SUPPORT in kinds:
        out += [_OWN_SUPPORTS, _LONG_WAY, _FROM_BENEATH, _WHOLE_LAYERS]
    if process.layer_height_mm <= 2 * _SAG_SEEN_MM and ConditionKind.SUPPORT in kinds:
        out.append(_ROUGH)
    return (*out, _MINUTES)


def _settings(process: Process) -> str:
    first, height = process.first_layer_height_mm, process.layer_height_mm
    layers = f"{height:g} mm"
    if first != height:
        layers = f"{first:g} mm for the first and {height:g} mm for all others"
    return (
        f"Layers {layers}, lines {process.line_width_mm:g} mm wide, nozzle {process.nozzle_mm:g} mm at "
        f"{process.material.nozzle_temperature_c:g} °C, {process.bridge_speed_mm_s:g} mm/s over air, "
        f"{process.wall_speed_mm_s:g} mm/s for walls. Printed otherwise, a piece tells nothing about them."
    )

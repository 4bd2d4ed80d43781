"""What the person with the print is told: what to look at, where the calipers go, what to mind."""

from __future__ import annotations

from collections.abc import Sequence

from falsework.coupon.reading import Condition, Kind
from falsework.coupon.value import CouponKind, Shape
from falsework.process.settings import Process

TITLES = {
    CouponKind.OVERHANG: "Overhang fan",
    CouponKind.BRIDGE: "Bridge ladder",
    CouponKind.GAP: "Air gap and interface",
    CouponKind.PATTERN: "Pattern comb",
    CouponKind.CONFIRM: "Confirmation piece",
}
TRIES = {
    CouponKind.OVERHANG: "how far an underside may lean before it droops",
    CouponKind.BRIDGE: "how far strands span air, with two shares of the fan",
    CouponKind.GAP: "how large the air gap must be, with and without dense layers on the support",
    CouponKind.PATTERN: (
        "how supports may be built: how widely spaced, in lines or a grid, along or across the part's "
        "strands, with a closed line around them or none"
    ),
    CouponKind.CONFIRM: "whether the settings hold: a slope, a bridge, a ledge and an island",
}

_LOOK = {
    Shape.FIN: "the slanting underside, from below against the light",
    Shape.RUNG: "the underside of the rung, from below against the light",
    Shape.ROOF: "how the support comes off, then the underside of the roof",
    Shape.LEDGE: "how the support comes off, then the underside of the ledge",
    Shape.PEG: "how the support comes off, then the underside of the hanging block",
}
_CALIPERS = {
    Shape.FIN: "outside jaws square across the fin, close to its upper edge",
    Shape.RUNG: "outside jaws above and below the rung, in the middle of its span",
    Shape.ROOF: "outside jaws above and below the roof, in the middle of its length",
    Shape.LEDGE: "outside jaws above and below the ledge, in the middle of its length",
    Shape.PEG: "outside jaws from the top down to the block's underside, in the middle of its length",
}


def look(shape: Shape) -> str:
    """What to look at on a cell of that shape."""
    return _LOOK[shape]


def calipers(shape: Shape) -> str:
    """Where the calipers go on a cell of that shape."""
    return _CALIPERS[shape]


def tried(condition: Condition) -> str:
    """A condition in a few words: what tells it from the other cells of its piece."""
    if condition.kind is Kind.OVERHANG:
        return f"{condition.angle_deg:g}° from the vertical"
    if condition.kind is Kind.BRIDGE:
        return f"{condition.span_mm:g} mm, fan {100 * condition.fan:.0f} %"
    assert condition.air_gap_mm is not None
    layers = round(condition.air_gap_mm / condition.layer_height_mm)
    dense = condition.interface_layers or 0
    words = [
        f"gap {condition.air_gap_mm:.3g} mm ({layers} {'layer' if layers == 1 else 'layers'})",
        f"{dense} dense {'layer' if dense == 1 else 'layers'}" if dense else "no dense layer",
        f"{condition.pattern} {condition.spacing_mm:g} mm apart",
        f"strands {_crossing(condition)}",
    ]
    if condition.perimeter_lines:
        words.append("closed line around" if condition.perimeter_lines == 1 else "closed lines around")
    return ", ".join(words)


def _crossing(condition: Condition) -> str:
    crossing = condition.crossing_deg
    return {90.0: "across", 0.0: "along"}.get(crossing or 0.0, f"at {crossing:g}°")


_SAG_SEEN_MM = 0.05  # what calipers on rough strands tell apart; from memory

CAUTIONS = (
    "Hot end, bed and fresh prints burn, moving parts pinch: take the piece off a cool machine at rest.",
    "Melted filament gives off vapour and fine dust: air the room, or draw the air off.",
    "Taking supports off: wear eye protection, cut and pull away from yourself; fresh edges are sharp.",
    "The maker's manual and the rules of your house come first, wherever they say otherwise.",
)
_TOGETHER = "Print all fins together: one printed alone has no time to cool between its layers."
_OWN_SUPPORTS = (
    "The supports are in the file, and your program must add none. If it leaves support objects out, load "
    "the STL files of piece and supports together, without moving one against the other."
)
_LONG_WAY = (
    "The strands of roofs must run the long way, as the arrows show. Where your program lets you, set the "
    "direction of bridges and solid layers to 0°, along x."
)
_FROM_BENEATH = (
    "Take the supports off from beneath, cell by cell, and note how each came off before you go on."
)
_WHOLE_LAYERS = (
    "Gaps are whole layers. Finer steps would need another layer height right under the roofs, which one "
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
    if Kind.OVERHANG in kinds:
        out.append(_TOGETHER)
    if Kind.SUPPORT in kinds:
        out += [_OWN_SUPPORTS, _LONG_WAY, _FROM_BENEATH, _WHOLE_LAYERS]
    if process.layer_height_mm <= 2 * _SAG_SEEN_MM and Kind.SUPPORT in kinds:
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

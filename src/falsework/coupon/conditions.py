"""Which cells a test piece could have: ranges from the present belief, the most telling first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import chain, zip_longest
from typing import Any

from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.value import CouponKind
from falsework.droop.laws import Laws
from falsework.droop.supported import clearance_mm
from falsework.process.settings import Process

LEAST_RUN_MM = 20.0  # shorter strands never sag onto a support two layers down, and report a clean release
_MOST_RUN_MM = 32.0  # longer ones cost more than they tell
_RUN_LINES = 3.0  # of the support's body, at the least
_RUN_SPARE = 1.15  # longer than the run that just sags far enough, as the prediction is none too sure

_STEPS_DEG = (5.0, 2.5, 1.0)  # from fin to fin: the coarsest that gives enough fins
_FEWEST_FINS = 12
_FIN_RANGE_DEG = (10.0, 82.0)  # a steeper fin is a wall, a flatter one a shelf

_SPANS = 6
_SPAN_SPARE = 1.4  # beyond the ends of the interval
_LEAST_SPAN_LINES = 12.0  # a shorter bridge is all anchor
_CLEAN_MM = 0.3  # a bridge is clean up to a sag of one layer or this, whichever is more

_HARDLY_BONDED = 0.02  # share of a full bond at which a support lets go; constructed
_FEWEST_GAPS, _MOST_GAPS = 4, 6  # a gap of one layer up to so many

_SPACINGS = (0.6, 1.0, 1.7)  # times the spacing of the process
_LEAST_SPACING_LINES = 2.0


def printed(kind: ConditionKind, process: Process, **tried: Any) -> Condition:
    """A condition as ``process`` prints it; ``tried`` gives the fields that this kind has, or changes some.

    The speed is that of walls for overhangs and that over air for bridges and supported undersides.
    """
    common = {
        "nozzle_mm": process.nozzle_mm,
        "layer_height_mm": process.layer_height_mm,
        "line_width_mm": process.line_width_mm,
        "nozzle_temperature_c": process.material.nozzle_temperature_c,
        "fan": process.fan,
        "speed_mm_s": process.wall_speed_mm_s
        if kind is ConditionKind.OVERHANG
        else process.bridge_speed_mm_s,
        "room_temperature_c": process.room_temperature_c,
    }
    return Condition(kind=kind, **{**common, **tried})


def candidate_conditions(kind: CouponKind, laws: Laws) -> list[Condition]:
    """The cells this piece could have, the most telling first: nearest the expected threshold, then the ends.

    Cheap: no geometry is made. :func:`design_coupon` takes as many from the front as the limits of time and
    mass allow. Gaps are whole layers, the only ones that one layer height can realise.
    """
    return _CANDIDATES[kind](laws)


def other_fan(process: Process) -> float:
    """The second fan share of the bridge ladder: off; where the fan is off already, 0.3.

    Without a second share the cooling of strands cannot be told from their tautness.
    """
    return 0.0 if process.fan > 0 else 0.3


def clean_droop_mm(process: Process) -> float:
    """The sag up to which a bridge counts as clean: one layer or 0.3 mm, whichever is more."""
    return max(process.layer_height_mm, _CLEAN_MM)


def run_mm(laws: Laws) -> float:
    """Free length of the strands of a support cell, mm.

    Long enough for them to sag onto a support two layers down, for the support itself to run 20 mm beneath
    them, and for its lines to be as many as under a real part.
    """
    process = laws.process
    structure = process.structure
    least = LEAST_RUN_MM + 2 * structure.side_gap_mm
    lined = _RUN_LINES * (structure.spacing_mm + process.line_width_mm) + 2 * structure.side_gap_mm
    clearance = clearance_mm(2 * process.layer_height_mm, process, laws.belief.clearance_factor)
    touching = laws.longest_clean_bridge_mm(clearance).value if clearance > 0 else 0.0
    return float(math.ceil(max(least, lined, min(_RUN_SPARE * touching, _MOST_RUN_MM))))


def support_condition(process: Process, run_mm: float, **tried: Any) -> Condition:
    """A supported underside with strands of ``run_mm`` over the process's support; ``tried`` changes it."""
    structure = process.structure
    own = {
        "span_mm": run_mm,
        "air_gap_mm": round(process.air_gap.realised_mm, 6),  # not 0.6000000000000001
        "interface_layers": structure.interface_layers,
        "spacing_mm": structure.spacing_mm,
        "weave": structure.weave,
        "crossing_deg": 90.0,
        "perimeter_lines": structure.perimeter_lines,
    }
    return printed(ConditionKind.SUPPORT, process, **{**own, **tried})


def by_interest(values: Sequence[float], middle: float) -> list[float]:
    """Ascending ``values`` in the order in which they tell most about a threshold near ``middle``.

    The neighbours on both sides of it first, then the lowest and the highest, then the rest by nearness.
    """
    below = [v for v in values if v <= middle]
    above = [v for v in values if v > middle]
    first = [*below[-1:], *above[:1], *values[:1], *values[-1:]]
    rest = sorted(values, key=lambda v: abs(v - middle))
    return list(dict.fromkeys([*first, *rest]))


def _overhangs(laws: Laws) -> list[Condition]:
    process = laws.process

    def angle(share: float) -> float:
        lean = math.degrees(math.atan2(share * process.line_width_mm, process.layer_height_mm))
        return min(max(lean, _FIN_RANGE_DEG[0]), _FIN_RANGE_DEG[1])

    limit = laws.limit_share()
    middle = angle(limit.value)
    low, high = min(angle(limit.low), process.limit_deg), max(angle(limit.high), process.limit_deg)
    angles: list[float] = []
    for step in _STEPS_DEG:
        steps = range(math.floor(low / step), math.ceil(high / step) + 1)
        angles = [k * step for k in steps if _FIN_RANGE_DEG[0] <= k * step <= _FIN_RANGE_DEG[1]]
        if len(angles) >= _FEWEST_FINS:
            break
    return [printed(ConditionKind.OVERHANG, process, angle_deg=a) for a in by_interest(angles, middle)]


def _bridges(laws: Laws) -> list[Condition]:
    process = laws.process

    def row(fan: float) -> list[Condition]:
        here = replace(process, fan=fan)
        clean = Laws(here, laws.belief).longest_clean_bridge_mm(clean_droop_mm(process))
        shortest = max(clean.low / _SPAN_SPARE, _LEAST_SPAN_LINES * process.line_width_mm)
        longest = max(clean.high * _SPAN_SPARE, 1.5 * shortest)
        ratio = (longest / shortest) ** (1 / (_SPANS - 1))
        spans = sorted({float(round(shortest * ratio**k)) for k in range(_SPANS)})
        return [
            printed(ConditionKind.BRIDGE, here, span_mm=span)
            for span in by_interest(spans, min(clean.value, longest))
        ]

    return _taking_turns([row(process.fan), row(other_fan(process))])


def _gaps(laws: Laws) -> list[Condition]:
    process = laws.process
    height, run = process.layer_height_mm, run_mm(laws)
    lets_go = next(
        (n for n in range(1, _MOST_GAPS) if laws.bond_share(n * height).high < _HARDLY_BONDED),
        _MOST_GAPS,
    )
    usual = process.air_gap.layers
    most = min(max(lets_go + 2, usual + 1, _FEWEST_GAPS), max(_MOST_GAPS, usual + 1))
    middle = 0.5 * (lets_go + usual)
    layers = by_interest([float(n) for n in range(1, most + 1)], middle)

    def row(dense: int) -> list[Condition]:
        return [
            support_condition(process, run, air_gap_mm=round(n * height, 6), interface_layers=dense)
            for n in layers
        ]

    return _taking_turns([row(process.structure.interface_layers or 2), row(0)])


def _weaves(laws: Laws) -> list[Condition]:
    process = laws.process
    run, usual = run_mm(laws), process.structure.spacing_mm
    least = _LEAST_SPACING_LINES * process.line_width_mm
    spacings = sorted({round(max(factor * usual, least), 1) for factor in _SPACINGS})
    spacings = by_interest(spacings, usual)

    def row(**tried: Any) -> list[Condition]:
        # no dense layers: under a roof the spacing of the body shows in nothing that can be read off
        return [support_condition(process, run, interface_layers=0, spacing_mm=s, **tried) for s in spacings]

    return _taking_turns(
        [
            row(weave="parallel", crossing_deg=90.0, perimeter_lines=0),
            row(weave="crossed", crossing_deg=90.0, perimeter_lines=0),
            row(weave="parallel", crossing_deg=0.0, perimeter_lines=0),
            row(weave="parallel", crossing_deg=90.0, perimeter_lines=1),
        ]
    )


def _confirming(laws: Laws) -> list[Condition]:
    process = laws.process
    run = run_mm(laws)
    clean = laws.longest_clean_bridge_mm(clean_droop_mm(process)).value
    span = float(max(math.floor(clean), math.ceil(_LEAST_SPAN_LINES * process.line_width_mm)))
    return [
        printed(ConditionKind.OVERHANG, process, angle_deg=float(math.floor(process.limit_deg))),
        printed(ConditionKind.BRIDGE, process, span_mm=span),
        support_condition(process, run),
        support_condition(process, run),
    ]


_CANDIDATES = {
    CouponKind.OVERHANG: _overhangs,
    CouponKind.BRIDGE: _bridges,
    CouponKind.GAP: _gaps,
    CouponKind.WEAVE: _weaves,
    CouponKind.CONFIRM: _confirming,
}


def _taking_turns(rows: Iterable[Sequence[Condition]]) -> list[Condition]:
    """The first of each row, then the second of each, …"""
    return [item for item in chain.from_iterable(zip_longest(*rows)) if item is not None]

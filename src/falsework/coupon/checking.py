"""Whether conditions can be cells of a test piece: of its kind, of this process, in whole layers."""

from __future__ import annotations

from collections.abc import Sequence

from falsework.coupon.conditions import LEAST_RUN_MM
from falsework.coupon.reading import Condition, ConditionKind
from falsework.coupon.value import CouponKind
from falsework.errors import ProcessError
from falsework.process.derived import whole_layers
from falsework.process.fields import spec_of
from falsework.process.settings import Process

_KINDS = {
    CouponKind.OVERHANG: (ConditionKind.OVERHANG,),
    CouponKind.BRIDGE: (ConditionKind.BRIDGE,),
    CouponKind.GAP: (ConditionKind.SUPPORT,),
    CouponKind.WEAVE: (ConditionKind.SUPPORT,),
    CouponKind.CONFIRM: tuple(ConditionKind),
}
_SAME = ("nozzle_mm", "layer_height_mm", "line_width_mm", "room_temperature_c")
_NEEDED = {
    ConditionKind.OVERHANG: ("angle_deg",),
    ConditionKind.BRIDGE: ("span_mm",),
    ConditionKind.SUPPORT: (
        "span_mm",
        "air_gap_mm",
        "interface_layers",
        "spacing_mm",
        "weave",
        "crossing_deg",
    ),
}
_STEEPEST_DEG, _FLATTEST_DEG = 1.0, 85.0
_NEARLY = 1e-6


def check_conditions(kind: CouponKind, wanted: Sequence[Condition], process: Process) -> None:
    """ProcessError at the first condition that this piece cannot have, with what would do instead."""
    if not wanted:
        raise ProcessError(kind.value, "no cells are given", "Give at least one condition")
    for number, condition in enumerate(wanted, 1):
        _check(f"{kind.value}, cell {number}", kind, condition, process)


def _check(subject: str, kind: CouponKind, condition: Condition, process: Process) -> None:
    if condition.kind not in _KINDS[kind]:
        raise ProcessError(subject, f"{condition.kind.value} is not tried on this piece", "Use another piece")
    for name in _SAME:
        if abs(getattr(condition, name) - getattr(process, name)) > _NEARLY:
            raise ProcessError(
                subject,
                f"{name} is {getattr(condition, name):g}, the process has {getattr(process, name):g}",
                "Make the piece for the process in which the condition is printed",
            )
    fields = condition.__dataclass_fields__
    for name in _NEEDED[condition.kind]:
        value, spec = getattr(condition, name), spec_of(fields[name])
        if value is None:
            raise ProcessError(subject, f"{name} is missing", "Give a number")
        if spec.choices and value not in spec.choices:
            raise ProcessError(subject, f"{name} is {value!r}", f"Give {' or '.join(spec.choices)}")
        if spec.low is not None and spec.high is not None and not spec.low <= value <= spec.high:
            raise ProcessError(
                subject, f"{name} is {value:g}", f"Give {spec.low:g} to {spec.high:g} {spec.unit}".rstrip()
            )
    if condition.kind is ConditionKind.OVERHANG:
        _check_angle(subject, condition)
    elif condition.kind is ConditionKind.SUPPORT:
        _check_support(subject, condition, process)


def _check_angle(subject: str, condition: Condition) -> None:
    assert condition.angle_deg is not None
    if not _STEEPEST_DEG <= condition.angle_deg <= _FLATTEST_DEG:
        raise ProcessError(
            subject,
            f"a fin cannot lean {condition.angle_deg:g}° from the vertical",
            f"Give {_STEEPEST_DEG:g} to {_FLATTEST_DEG:g}°",
        )


def _check_support(subject: str, condition: Condition, process: Process) -> None:
    assert condition.air_gap_mm is not None and condition.span_mm is not None
    height = process.layer_height_mm
    layers = whole_layers(condition.air_gap_mm, height)
    if abs(condition.air_gap_mm - layers * height) > 1e-3 * height:
        raise ProcessError(
            subject,
            f"an air gap of {condition.air_gap_mm:g} mm is no whole number of {height:g} mm layers",
            f"Give a multiple of {height:g} mm, at least one layer",
        )
    if condition.span_mm - 2 * process.structure.side_gap_mm < LEAST_RUN_MM - _NEARLY:
        raise ProcessError(
            subject,
            f"under strands of {condition.span_mm:g} mm the support would run less than {LEAST_RUN_MM:g} mm; "
            "they would not sag onto it, and the piece would report a clean release",
            f"Give at least {LEAST_RUN_MM + 2 * process.structure.side_gap_mm:g} mm",
        )

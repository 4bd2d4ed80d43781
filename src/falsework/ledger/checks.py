"""What cannot be is refused; what is hard to believe is kept and flagged.

Refused: a value outside its range, a field that the kind does not have or one that it needs and lacks, a gap
between whole layers without a word on how it was made, a droop deeper than the air beneath, a day to come.
Flagged: outcomes that do not go together, figures far from what is usual. A flag is for the person to look at
again; the reading counts.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
from collections.abc import Iterator
from enum import StrEnum
from typing import Any

from falsework.coupon.reading import Condition, ConditionKind, LetGo, Reading
from falsework.ledger.rows import Entry
from falsework.process.fields import spec_of

LONGEST_NAME, LONGEST_NOTE = 200, 4000
_MOST_AIR_MM = 5000.0  # the tallest build volume that a printer may have
_FIRST_DAY = datetime.date(2000, 1, 1)
_LAYER_TOLERANCE_MM, _LAYER_TOLERANCE = 0.006, 0.02  # gaps are written to a hundredth of a millimetre
_MOST_DROOP = {4: (1.0, 4.0), 5: (0.5, 2.0)}  # by finish: mm, or layers if that is more; from memory
_CARRIED_NOTHING = (LetGo.FELL, LetGo.EARLY)
_NARROWEST, _WIDEST = 0.6, 2.5  # line width over nozzle bore, as a process allows it; from memory

_OF_KIND: dict[ConditionKind, tuple[tuple[str, ...], tuple[str, ...]]] = {  # needed, and allowed besides
    ConditionKind.OVERHANG: (("angle_deg",), ()),
    ConditionKind.BRIDGE: (("span_mm",), ()),
    ConditionKind.SUPPORT: (
        ("air_gap_mm", "interface_layers", "spacing_mm", "weave"),
        ("span_mm", "crossing_deg", "perimeter_lines"),
    ),
}
_PARTICULAR = ("angle_deg", "span_mm", *_OF_KIND[ConditionKind.SUPPORT][0], "crossing_deg", "perimeter_lines")
_OUTCOMES = ("let_go", "finish", "droop_mm", "clean_up_min")


def faults(entry: Entry, today: datetime.date) -> Iterator[str]:
    """Why this cannot be recorded, one sentence each, without a full stop; nothing where it can."""
    reading, tried = entry.reading, entry.reading.condition
    wrong = [*_wrong_values(reading, ("condition",)), *_wrong_values(tried, ())]
    yield from wrong
    yield from _wrong_texts(entry)
    day = entry.measured_on
    if day is not None and not isinstance(day, datetime.date):
        yield f"measured_on {day!r} is not a day"
        return
    if wrong:  # what follows compares values that are sound
        return
    needed, besides = _OF_KIND[ConditionKind(tried.kind)]
    for name in _PARTICULAR:
        given = getattr(tried, name) is not None
        if name in needed and not given:
            yield f"{name} is missing: a reading of kind {tried.kind} needs it ({_help(tried, name)})"
        if given and name not in (*needed, *besides):
            yield f"{name} does not belong to a reading of kind {tried.kind}"
    if tried.kind != ConditionKind.SUPPORT and reading.let_go is not None:
        yield f"let_go says how a support came off, but a reading of kind {tried.kind} has none"
    if all(getattr(reading, name) is None for name in _OUTCOMES):
        yield f"no outcome is given: one of {', '.join(_OUTCOMES)} is needed"
    if tried.layer_height_mm > min(tried.nozzle_mm, tried.line_width_mm):
        least = "nozzle" if tried.nozzle_mm <= tried.line_width_mm else "line"
        width = min(tried.nozzle_mm, tried.line_width_mm)
        yield (
            f"layer_height_mm {tried.layer_height_mm:g} is more than the {width:g} mm {least} is wide: "
            "that cannot be laid down"
        )
    if tried.air_gap_mm is not None and not entry.gap_method:
        layers = tried.air_gap_mm / tried.layer_height_mm
        off_mm = abs(layers - round(layers)) * tried.layer_height_mm
        if off_mm > max(_LAYER_TOLERANCE_MM, _LAYER_TOLERANCE * tried.layer_height_mm):
            yield (
                f"air_gap_mm {tried.air_gap_mm:g} is {layers:.2f} layers of {tried.layer_height_mm:g} mm: "
                "only whole layers can be printed; say in gap_method how it was made, or correct it"
            )
    air_mm, droop_mm = entry.air_beneath_mm, reading.droop_mm
    if air_mm is not None and droop_mm is not None and droop_mm > air_mm:
        yield f"droop_mm {droop_mm:g} is more than the {air_mm:g} mm of air beneath"
    if day is not None and day > today:
        yield f"measured_on {day} lies in the future (today is {today})"
    if day is not None and day < _FIRST_DAY:
        yield f"measured_on {day} cannot be right: give a day from {_FIRST_DAY} on"


def doubts(entry: Entry) -> tuple[str, ...]:
    """What is hard to believe about a reading that can be recorded, one clause each."""
    return tuple(_doubts(entry))


def _doubts(entry: Entry) -> Iterator[str]:
    reading, tried = entry.reading, entry.reading.condition
    finish, droop_mm, let_go = reading.finish, reading.droop_mm, reading.let_go
    layer_mm = tried.layer_height_mm
    if let_go in _CARRIED_NOTHING and finish == 5:
        yield "the support fell off early, yet the underside is as a wall"
    if let_go == LetGo.FUSED and finish is not None and finish >= 4:
        yield "the support was fused, yet the underside is clean"
    if finish in _MOST_DROOP and droop_mm is not None:
        most_mm, most_layers = _MOST_DROOP[finish]
        if droop_mm > max(most_mm, most_layers * layer_mm):
            yield f"finish {finish}, yet it sagged by {droop_mm:g} mm"
    if finish == 1 and droop_mm is not None and droop_mm <= 0:
        yield "finish 1, yet it did not sag"
    if droop_mm is not None and droop_mm < -0.5 * layer_mm:
        yield f"it stands {-droop_mm:g} mm above its place"
    gap_mm = tried.air_gap_mm
    if (
        gap_mm is not None
        and droop_mm is not None
        and droop_mm > gap_mm + layer_mm
        and let_go not in _CARRIED_NOTHING
    ):
        yield f"it sagged by {droop_mm:g} mm, but the support was {gap_mm:g} mm below"
    share = tried.line_width_mm / tried.nozzle_mm
    if not _NARROWEST <= share <= _WIDEST:
        yield f"a line of {tried.line_width_mm:g} mm is unusual for a {tried.nozzle_mm:g} mm nozzle"


def _help(record: Any, name: str) -> str:
    return next(spec_of(f).help for f in dataclasses.fields(record) if f.name == name)


def _wrong_values(record: Reading | Condition, without: tuple[str, ...]) -> Iterator[str]:
    """Values that do not fit what the registry says of their fields."""
    for field in dataclasses.fields(record):
        if field.name in without:
            continue
        value, spec = getattr(record, field.name), spec_of(field)
        optional = "None" in str(field.type)
        if value is None:
            if not optional:
                yield f"{field.name} is missing ({spec.help})"
        elif spec.choices:
            if value not in spec.choices:
                yield f"{field.name} {value!r} is not one of {', '.join(spec.choices)}"
        elif field.type == "bool":
            if type(value) is not bool:
                yield f"{field.name} {value!r} is neither true nor false"
        elif spec.low is not None and spec.high is not None:
            whole = str(field.type).startswith("int")
            unit = f" {spec.unit}" if spec.unit else ""
            if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
                yield f"{field.name} {value!r} is not a {'whole ' if whole else ''}number"
            elif not spec.low <= value <= spec.high:
                number = (
                    f"{value:g}{unit}" if abs(value) < 1e300 or value != value else "a number beyond reason"
                )
                yield f"{field.name} {number} is out of range: {spec.low:g} to {spec.high:g}{unit}"
        elif value != field.default and (wrong := wrong_name(value)):
            yield f"{field.name} {wrong}"


def _wrong_texts(entry: Entry) -> Iterator[str]:
    for name in ("coupon", "cell", "uid"):
        value = getattr(entry, name)
        if value is not None and (wrong := wrong_name(value)):
            yield f"{name} {wrong}"
    for name in ("gap_method", "note"):
        if wrong := wrong_note(getattr(entry, name)):
            yield f"{name} {wrong}"
    air_mm = entry.air_beneath_mm
    if air_mm is not None and not 0 <= air_mm <= _MOST_AIR_MM:
        yield f"air_beneath_mm {air_mm!r} is out of range: 0 to {_MOST_AIR_MM:g} mm"


def wrong_name(text: Any) -> str | None:
    """What is wrong with a name; None where it is one."""
    if not isinstance(text, str) or not text.strip() or not text.isprintable():
        return f"{text!r} is not a name: give one line of printable text"
    if text != text.strip():
        return f"{text!r} has blanks around it"
    if len(text) > LONGEST_NAME:
        return f"is {len(text)} characters long: the most is {LONGEST_NAME}"
    return None


def wrong_note(text: Any) -> str | None:
    """What is wrong with a note, which may be empty and have several lines; None where it will do."""
    if not isinstance(text, str) or not all(c.isprintable() or c in "\n\t" for c in text):
        return f"{text!r} is not printable text"
    if len(text) > LONGEST_NOTE:
        return f"is {len(text)} characters long: the most is {LONGEST_NOTE}"
    return None


def sound(entry: Entry) -> Entry:
    """The entry with words as enumerations, numbers as plain ints and floats and no blanks around notes,
    wherever that is possible.

    What does not fit is left as it is, for :func:`faults` to name.
    """
    reading = entry.reading
    tried, day = _plain(reading.condition), entry.measured_on
    return dataclasses.replace(
        entry,
        reading=_plain(dataclasses.replace(reading, condition=tried)),
        gap_method=_trimmed(entry.gap_method),
        note=_trimmed(entry.note),
        measured_on=day.date() if isinstance(day, datetime.datetime) else day,
    )


def _trimmed(text: Any) -> Any:
    return text.strip() if isinstance(text, str) else text


_ENUMS: dict[str, type[StrEnum]] = {"kind": ConditionKind, "let_go": LetGo}


def _plain(record: Any) -> Any:
    changes: dict[str, Any] = {}
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if field.name in _ENUMS and isinstance(value, str):
            if value in tuple(_ENUMS[field.name]):
                changes[field.name] = _ENUMS[field.name](value)
        elif hasattr(value, "item"):  # a number or a word of numpy's
            changes[field.name] = value.item()
        if str(field.type).startswith("float") and type(changes.get(field.name, value)) is int:
            with contextlib.suppress(OverflowError):
                changes[field.name] = float(value)
    return dataclasses.replace(record, **changes) if changes else record

"""Whether a process can be printed at all: each setting in its range, and settings that fit each other."""

from __future__ import annotations

import math
from typing import Any, NoReturn

from falsework.errors import ProcessError
from falsework.process.schema import Row, describe, get, kind_of
from falsework.process.settings import Process

_NARROWEST, _WIDEST, _USUAL = 0.6, 2.5, 1.125  # line width over nozzle bore, from memory


def _subject(origin: str, row: Row) -> str:
    name = row.field if row.table == "process" else f"{row.table}.{row.field}"
    return f"{origin}, {name}" if origin else name


def checked(value: Any, row: Row, origin: str = "") -> Any:
    """``value`` as the setting's own type, or ProcessError where type, range or choice is wrong.

    Whole numbers are taken for float settings; nothing else is converted. ``origin`` is the file or option
    that the value came from.
    """
    subject = _subject(origin, row)
    if row.type == "float" and type(value) is int:
        try:
            value = float(value)
        except OverflowError:
            value = math.inf
    if type(value) is not kind_of(row):
        wanted = {"float": "a number", "int": "a whole number", "str": "text in quotes"}[row.type]
        raise ProcessError(subject, f"{value!r} is not {wanted}", f"Give {row.allowed}")
    if row.choices and value not in row.choices:
        raise ProcessError(subject, f"{value!r} is not a choice", f"Give {row.allowed}")
    if row.type == "str":
        if not value.strip() or not value.isprintable():
            raise ProcessError(subject, f"{value!r} is not a name", "Give one line of printable text")
    elif not (row.low is not None and row.high is not None and row.low <= value <= row.high):
        number = f"{value:g}" if isinstance(value, float) or abs(value) < 1e300 else "a number beyond reason"
        unit = f" {row.unit}" if row.unit else ""
        raise ProcessError(subject, f"{number}{unit} is out of range", f"Give {row.allowed}")
    return value


def validate(process: Process, origin: str = "") -> None:
    """Raise ProcessError at the first setting that is out of range or does not fit the others.

    ``origin`` names the file or built-in process in the message.
    """
    for row in describe():
        checked(get(process, row), row, origin)
    _fit_nozzle(process, origin)
    _fit_temperatures(process, origin)


def _fit_nozzle(process: Process, origin: str) -> None:
    """Rules of common practice on what one bore can lay down."""
    nozzle, width = process.nozzle_mm, process.line_width_mm

    def fail(field: str, wrong: str, cure: str) -> NoReturn:
        raise ProcessError(f"{origin}, {field}" if origin else field, wrong, cure)

    for field in ("layer_height_mm", "first_layer_height_mm"):
        height = getattr(process, field)
        if height > nozzle:
            fail(
                field,
                f"{height:g} mm is more than the {nozzle:g} mm nozzle can press down",
                f"Give at most {nozzle:g} mm, usually {nozzle / 2:g} mm, or a wider nozzle_mm",
            )
        if height > width:
            fail(
                field,
                f"{height:g} mm is more than the {width:g} mm line is wide: the strand would stand on edge",
                f"Give at most {width:g} mm, or a wider line_width_mm",
            )
    low, high = _NARROWEST * nozzle, _WIDEST * nozzle
    slack = 1e-9 * nozzle  # 0.6 * 0.4 is 0.24 only up to rounding
    if not low - slack <= width <= high + slack:
        fail(
            "line_width_mm",
            f"{width:g} mm is too {'narrow' if width < low else 'wide'} for a {nozzle:g} mm nozzle",
            f"Give {low:.4g} to {high:.4g} mm, usually {_USUAL * nozzle:.3g} mm",
        )
    spacing = process.structure.spacing_mm
    if spacing < width:
        fail(
            "structure.spacing_mm",
            f"{spacing:g} mm is less than the {width:g} mm line is wide, so the lines would fuse",
            f"Give at least {width:g} mm, usually {5 * nozzle:g} mm",
        )


def _fit_temperatures(process: Process, origin: str) -> None:
    material = process.material
    prefix = f"{origin}, " if origin else ""
    if material.nozzle_temperature_c <= material.glass_temperature_c:
        raise ProcessError(
            f"{prefix}material.nozzle_temperature_c",
            f"{material.nozzle_temperature_c:g} °C does not melt a material with its glass transition at "
            f"{material.glass_temperature_c:g} °C",
            "Give a higher nozzle temperature, or correct glass_temperature_c",
        )
    if process.room_temperature_c >= material.glass_temperature_c:
        raise ProcessError(
            f"{prefix}room_temperature_c",
            f"at {process.room_temperature_c:g} °C the strand never sets: the glass transition is at "
            f"{material.glass_temperature_c:g} °C",
            "Give a cooler room, or correct material.glass_temperature_c",
        )

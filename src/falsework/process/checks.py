"""Whether a process can be printed at all: each setting in its range, and settings that fit each other.

Settings check themselves when they are made (``__post_init__``), in Python, from a file or by an option; so
there is no ``Process`` that cannot be printed.
"""

from __future__ import annotations

import math
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any, NoReturn

from falsework.errors import ProcessError
from falsework.process.fields import Setting, kind_of, rows_in

if TYPE_CHECKING:
    from falsework.process.settings import Process

_NARROWEST, _WIDEST, _USUAL = 0.6, 2.5, 1.125  # line width over nozzle bore, from memory


def _subject(origin: str, row: Setting) -> str:
    name = row.field if row.table == "process" else f"{row.table}.{row.field}"
    return f"{origin}, {name}" if origin else name


def checked(value: Any, row: Setting, origin: str = "") -> Any:
    """``value`` as the setting's own type, or ProcessError where type, range or choice is wrong.

    Whole numbers are taken for float settings, and numbers of other libraries as what they are; nothing else
    is converted. ``origin`` is the file or option that the value came from.
    """
    subject = _subject(origin, row)
    value = _plain(value, row)
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


def _plain(value: Any, row: Setting) -> Any:
    """Numbers as Python's own."""
    if type(value) is kind_of(row) or isinstance(value, bool):
        return value
    if row.type == "float" and isinstance(value, Real):
        try:
            return float(value)
        except OverflowError:
            return math.inf
    return int(value) if row.type == "int" and isinstance(value, Integral) else value


def check_fields(settings: Any, table: str) -> None:
    """Have a frozen dataclass of settings hold each as its own type; ProcessError at the first that is wrong.

    ``table`` is what the settings are called in the message.
    """
    for row in rows_in(type(settings), table):
        value = getattr(settings, row.field)
        plain = checked(value, row)
        if plain is not value:
            object.__setattr__(settings, row.field, plain)


def check_fit(process: Process) -> None:
    """Raise ProcessError at the first setting that does not fit the others."""
    _fit_nozzle(process)
    _fit_temperatures(process)


def _fit_nozzle(process: Process) -> None:
    """Rules of common practice on what one bore can lay down."""
    nozzle, width = process.nozzle_mm, process.line_width_mm

    def fail(field: str, wrong: str, cure: str) -> NoReturn:
        raise ProcessError(field, wrong, cure)

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
    lanes = process.structure.lane_spacing_mm
    for field, spacing in (("spacing_mm", process.structure.spacing_mm), ("lane_spacing_mm", lanes or width)):
        if spacing < width:
            fail(
                f"structure.{field}",
                f"{spacing:g} mm is less than the {width:g} mm line is wide, so the lines would fuse",
                f"Give at least {width:g} mm, usually {5 * nozzle:g} mm",
            )


def _fit_temperatures(process: Process) -> None:
    material = process.material
    if material.nozzle_temperature_c <= material.glass_temperature_c:
        raise ProcessError(
            "material.nozzle_temperature_c",
            f"{material.nozzle_temperature_c:g} °C does not melt a material with its glass transition at "
            f"{material.glass_temperature_c:g} °C",
            "Give a higher nozzle temperature, or correct glass_temperature_c",
        )
    if process.room_temperature_c >= material.glass_temperature_c:
        raise ProcessError(
            "room_temperature_c",
            f"at {process.room_temperature_c:g} °C the strand never sets: the glass transition is at "
            f"{material.glass_temperature_c:g} °C",
            "Give a cooler room, or correct material.glass_temperature_c",
        )

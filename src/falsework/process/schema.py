"""The registry read as rows: one per setting, for the command line, the page, the docs and the tests."""

from __future__ import annotations

import dataclasses
from typing import Any, NamedTuple

from falsework.process.fields import Spec, spec_of
from falsework.process.settings import Material, Printer, Process, Structure

TABLES: dict[str, type[Any]] = {
    "process": Process,
    "printer": Printer,
    "material": Material,
    "structure": Structure,
}
"""The tables of a process file, in the order they are written; all but the first are parts of ``Process``."""

_KINDS: dict[str, type[Any]] = {"str": str, "int": int, "float": float}


class Row(NamedTuple):
    """One setting. ``type`` is 'str', 'int' or 'float'; ``low``/``high`` are inclusive, None for words."""

    table: str
    field: str
    type: str
    unit: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    default: Any
    help: str
    source: str

    @property
    def allowed(self) -> str:
        """The allowed values in words: '0.02 to 2.5 mm', 'lines or grid', 'any text'."""
        if self.choices:
            return " or ".join(self.choices)
        if self.low is None or self.high is None:
            return "any text"
        return f"{self.low:g} to {self.high:g}{' ' + self.unit if self.unit else ''}"


def kind_of(row: Row) -> type[Any]:
    """The Python type of a setting's values."""
    return _KINDS[row.type]


def _row(table: str, field: dataclasses.Field[Any]) -> Row:
    spec: Spec = spec_of(field)
    return Row(
        table,
        field.name,
        str(field.type),  # annotations are kept as written: 'str', 'int', 'float'
        spec.unit,
        spec.low,
        spec.high,
        spec.choices,
        field.default,
        spec.help,
        spec.source,
    )


def rows_of(table: str) -> list[Row]:
    """The settings of one table of ``TABLES``, in the order they are declared."""
    return [_row(table, field) for field in dataclasses.fields(TABLES[table]) if field.name not in TABLES]


def describe() -> list[Row]:
    """Every setting there is: table, field, type, unit, range or choices, default, help and source."""
    return [row for table in TABLES for row in rows_of(table)]


def get(process: Process, row: Row) -> Any:
    """The value that ``process`` holds for the setting of ``row``."""
    owner = process if row.table == "process" else getattr(process, row.table)
    return getattr(owner, row.field)

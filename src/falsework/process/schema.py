"""The registry read as rows: one per setting, for the command line, the page, the docs and the tests."""

from __future__ import annotations

from typing import Any

from falsework.process.fields import Setting, kind_of, rows_in
from falsework.process.settings import Material, Printer, Process, Structure

__all__ = ["TABLES", "Setting", "describe", "get", "kind_of", "rows_of"]

TABLES: dict[str, type[Any]] = {
    "process": Process,
    "printer": Printer,
    "material": Material,
    "structure": Structure,
}
"""The tables of a process file, in the order they are written; all but the first are parts of ``Process``."""


def rows_of(table: str) -> list[Setting]:
    """The settings of one table of ``TABLES``, in the order they are declared."""
    return list(rows_in(TABLES[table], table))


def describe() -> list[Setting]:
    """Every setting there is: table, field, type, unit, range or choices, default, help and source."""
    return [row for table in TABLES for row in rows_of(table)]


def get(process: Process, row: Setting) -> Any:
    """The value that ``process`` holds for the setting of ``row``."""
    owner = process if row.table == "process" else getattr(process, row.table)
    return getattr(owner, row.field)

"""Rows of the tables as values, and values as rows."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

from falsework.coupon.reading import Condition, ConditionKind, LetGo, Reading
from falsework.errors import LedgerError
from falsework.ledger.rows import Act, HistoryEntry, Recorded, Source
from falsework.process.earlier import renewed
from falsework.process.settings import Material, Printer, Process, Structure

S = TypeVar("S", Printer, Material)

TRIED = tuple(f.name for f in dataclasses.fields(Condition))
READ = ("printer", "material", *TRIED, *(f.name for f in dataclasses.fields(Reading)[3:]))
"""The columns of ``version`` that hold a reading, in order: every field of ``Reading`` and ``Condition``."""

CURRENT = (
    "FROM reading r JOIN version v ON v.reading = r.id "
    "AND v.number = (SELECT max(number) FROM version WHERE reading = r.id)"
)
"""Each reading with its latest version."""


@contextlib.contextmanager
def sound_record() -> Iterator[None]:
    """What a record holds and none can, comes out as damage of the file, not as a fault of the program."""
    try:
        yield
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as error:
        cure = "Restore a backup made with 'falsework ledger backup'; keep the damaged file"
        raise LedgerError("the ledger", f"is damaged: a record cannot be read ({error})", cure) from error


def reading_row(reading: Reading) -> tuple[Any, ...]:
    """A reading as the values of ``READ``."""
    tried = reading.condition
    return tuple(getattr(tried if name in TRIED else reading, name) for name in READ)


def reading_of(row: sqlite3.Row) -> Reading:
    """The inverse of :func:`reading_row`, from a row that holds the columns of ``READ``."""
    tried = {name: row[name] for name in TRIED}
    read = {name: row[name] for name in READ if name not in tried}
    tried["kind"] = ConditionKind(tried["kind"])
    read["let_go"] = None if read["let_go"] is None else LetGo(read["let_go"])
    read["invented"] = bool(read["invented"])
    return Reading(condition=Condition(**tried), **read)


@sound_record()
def recorded_of(row: sqlite3.Row) -> Recorded:
    """A row of ``CURRENT`` as a value."""
    return Recorded(
        id=row["id"],
        uid=row["uid"],
        reading=reading_of(row),
        when=datetime.date.fromisoformat(row["measured_on"]),
        source=Source(row["source"]),
        coupon=row["coupon"],
        cell=row["cell"],
        print_id=row["print"],
        gap_method=row["gap_method"],
        note=row["note"],
        flags=tuple(json.loads(row["flags"])),
        changes=row["number"] - 1,
        withdrawn=row["act"] == Act.WITHDRAWN,
    )


@sound_record()
def version_of(row: sqlite3.Row) -> HistoryEntry:
    """A row of ``version`` as a value."""
    return HistoryEntry(
        number=row["number"],
        act=Act(row["act"]),
        reason=row["reason"],
        recorded_at=row["recorded_at"],
        when=datetime.date.fromisoformat(row["measured_on"]),
        reading=reading_of(row),
        gap_method=row["gap_method"],
        note=row["note"],
        flags=tuple(json.loads(row["flags"])),
    )


def text_of(value: Printer | Material | Process | dict[str, Any]) -> str:
    """Settings, or any plain dictionary, as one line of JSON: the same value, the same text."""
    plain = value if isinstance(value, dict) else dataclasses.asdict(value)
    return json.dumps(plain, ensure_ascii=False, allow_nan=False, sort_keys=True)


def settings_of(kind: type[S], text: str) -> S:
    """A printer or a material from its text; settings that this version does not know are left out."""
    return kind(**_known(kind, json.loads(text)))


def process_of(text: str) -> Process:
    """A process from its text, as :func:`settings_of`."""
    values = _known(Process, json.loads(text))
    for name, kind in (("printer", Printer), ("material", Material), ("structure", Structure)):
        values[name] = kind(**_known(kind, values[name]))
    return Process(**values)


def _known(kind: type[Any], values: dict[str, Any]) -> dict[str, Any]:
    values = renewed(values)
    names = {f.name for f in dataclasses.fields(kind)}
    return {name: value for name, value in values.items() if name in names}


def digest_of(content: str | bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(content.encode() if isinstance(content, str) else content).hexdigest()


def marks(columns: Iterable[object]) -> str:
    """As many question marks as there are columns."""
    return ", ".join("?" for _ in columns)

"""Readings as rows of a CSV file, as spreadsheets write and read them.

Written: UTF-8, commas, decimal points, one row for each reading. Read: also with a byte-order mark, in
UTF-16, with semicolons or tabs, with decimal commas; columns in any order; columns whose name begins with '#'
are for people and are passed over.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import difflib
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any

from falsework.coupon.reading import Condition, LetGo, Reading
from falsework.errors import LedgerError
from falsework.ledger.rows import HistoryEntry, Recorded
from falsework.ledger.values import READ, TRIED
from falsework.process.earlier import renewed

LARGEST_BYTES, MOST_ROWS = 100_000_000, 200_000

PLACE = ("uid", "source", "coupon", "cell", "print", "printer", "material", "measured_on")
OUTCOME = ("let_go", "finish", "droop_mm", "clean_up_min", "graded_by", "invented", "note")
TRAY_COLUMNS = (*PLACE, *TRIED, "gap_method", "thickness_mm", *OUTCOME)
"""Every column that is read, none of which must be there but those of an outcome."""
_WRITTEN = ("id", *PLACE, *TRIED, "gap_method", *OUTCOME, "flags", "changes")
_HISTORY = (
    "id",
    "version",
    "act",
    "reason",
    "recorded_at",
    "measured_on",
    *READ,
    "gap_method",
    "note",
    "flags",
)
_SAID_FOR = {"by": "graded_by"}
_PASSED_OVER = ("id", "flags", "changes")  # said by the ledger, not by the person

_NUMBERS = {
    **{f.name: str(f.type) for kind in (Condition, Reading) for f in fields(kind)},
    "thickness_mm": "float | None",
}
_RISKY = "=+-@'\t\r"  # a spreadsheet would take such a text for a formula
_YES, _NO = {"yes", "true", "1"}, {"", "no", "false", "0"}


@dataclass(frozen=True)
class TableRow:
    """One row of a file: its line, and its texts by column, without blanks around them."""

    line: int
    texts: dict[str, str]

    @property
    def empty(self) -> bool:
        """Whether no outcome is filled in."""
        return not any(
            self.texts.get(name) for name in ("let_go", "finish", "droop_mm", "clean_up_min")
        ) and (not self.texts.get("thickness_mm"))


def to_csv(readings: Iterable[Recorded], print_uids: dict[int, str]) -> str:
    """The readings as they stand now."""
    return _written(_WRITTEN, (_current(r, print_uids) for r in readings))


def history_csv(histories: Iterable[tuple[int, Sequence[HistoryEntry]]]) -> str:
    """Every version of every reading: pairs of a reading's number and its history."""
    return _written(_HISTORY, (_step(number, step) for number, steps in histories for step in steps))


def _current(recorded: Recorded, print_uids: dict[int, str]) -> dict[str, Any]:
    of_print = None if recorded.print_id is None else print_uids[recorded.print_id]
    return {
        **_values(recorded.reading),
        **{name: getattr(recorded, name) for name in ("id", "uid", "source", "coupon", "cell", "changes")},
        "print": of_print,
        "measured_on": recorded.when,
        "gap_method": recorded.gap_method,
        "note": recorded.note,
        "flags": "; ".join(recorded.flags),
    }


def _step(number: int, step: HistoryEntry) -> dict[str, Any]:
    return {
        **_values(step.reading),
        "id": number,
        "version": step.number,
        "act": step.act,
        "reason": step.reason,
        "recorded_at": step.recorded_at,
        "measured_on": step.when,
        "gap_method": step.gap_method,
        "note": step.note,
        "flags": "; ".join(step.flags),
    }


def _values(reading: Reading) -> dict[str, Any]:
    tried = reading.condition
    values = {name: getattr(tried if name in TRIED else reading, name) for name in READ}
    return {**values, "invented": "yes" if reading.invented else "no"}


def _written(columns: Sequence[str], records: Iterable[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for record in records:
        writer.writerow([_cell(record[name]) for name in columns])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        text = str(value)  # of an enumeration: its word
        return f"'{text}" if text[:1] and text[0] in _RISKY else text
    return str(value)


def read_rows(content: bytes, subject: str) -> list[TableRow]:
    """The rows of a file; ``LedgerError`` where it is not such a table at all."""
    text = _decoded(content, subject)
    head, _, rest = text.partition("\n")
    if re.fullmatch(r"sep=.\r?", head):  # a line that some spreadsheets put first
        text = rest
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        lines = [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise _no_table(subject, f"line {reader.line_num} cannot be read ({error})") from None
    lines = [(line, cells) for line, cells in lines if any(cell.strip() for cell in cells)]
    if not lines:
        raise _no_table(subject, "it is empty")
    if len(lines) - 1 > MOST_ROWS:
        raise _no_table(subject, f"it has {len(lines) - 1} rows; the most is {MOST_ROWS}")
    if {cell.strip().lower() for cell in lines[0][1]} >= set(_HISTORY[:3]):
        raise LedgerError(
            subject,
            "is the history of a ledger, every version a row, and is there to be read by people",
            "Import the ledger.json beside it, or the folder of the two: all versions come along",
        )
    columns = [_column(cell, subject) for cell in lines[0][1]]
    named = [name for name in columns if name]
    if len(set(named)) < len(named):
        twice = next(name for name in named if named.count(name) > 1)
        raise _no_table(subject, f"column {twice} is there twice")
    wrong, rows = [], []
    for line, cells in lines[1:]:
        if len(cells) > len(columns) and any(cell.strip() for cell in cells[len(columns) :]):
            hint = "; decimal commas need semicolons between the columns" if delimiter == "," else ""
            wrong.append(
                f"\n  line {line}: has {len(cells)} cells, but there are {len(columns)} columns{hint}"
            )
        texts = {name: _plain(cell) for name, cell in zip(columns, cells, strict=False) if name}
        rows.append(TableRow(line, texts))
    if wrong:
        raise LedgerError(subject, f"rows are too long:{''.join(wrong)}\n", "Nothing was recorded")
    return rows


def _decoded(content: bytes, subject: str) -> str:
    if len(content) > LARGEST_BYTES:
        raise _no_table(subject, f"it has {len(content) / 1e6:.0f} MB; the most is {LARGEST_BYTES / 1e6:.0f}")
    utf16 = content[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = content.decode("utf-16" if utf16 else "utf-8-sig")
    except UnicodeDecodeError:
        cure = "Save it as 'CSV UTF-8' in the spreadsheet"
        raise LedgerError(subject, "is not text in UTF-8", cure) from None
    if "\0" in text:
        raise _no_table(subject, "it holds null characters")
    return text


def _no_table(subject: str, what: str) -> LedgerError:
    return LedgerError(subject, f"is not a table of readings: {what}", "Nothing was recorded")


def _delimiter(text: str) -> str:
    head = next((line for line in text.splitlines() if line.strip()), "")
    return max((",", ";", "\t"), key=head.count)


def _column(cell: str, subject: str) -> str:
    """A column's name; '' for one that is passed over."""
    name = cell.strip().lower().replace(" ", "_")
    name = next(iter(renewed({name: ""})))  # sheets that an earlier version wrote
    if not name or name.startswith("#") or name in _PASSED_OVER:
        return ""
    name = _SAID_FOR.get(name, name)
    if name not in TRAY_COLUMNS:
        near = difflib.get_close_matches(name, TRAY_COLUMNS, n=1, cutoff=0.5)
        cure = f"Perhaps {near[0]} is meant" if near else f"Known are {', '.join(TRAY_COLUMNS)}"
        wrong = f"there is no column of the name {cell.strip()[:60]!r}"
        raise LedgerError(subject, wrong, f"{cure}; put # before the name of a column of your own")
    return name


def _plain(cell: str) -> str:
    text = cell.strip().replace("\r\n", "\n")
    return text[1:] if len(text) > 1 and text[0] == "'" and text[1] in _RISKY else text


def values_of(row: TableRow) -> tuple[dict[str, Any], list[str]]:
    """A row's texts as values by column, None where empty; and what is wrong with those that are none."""
    values: dict[str, Any] = {}
    wrong = []
    for name, text in row.texts.items():
        try:
            values[name] = _value(name, text)
        except ValueError as error:
            wrong.append(f"{name} {error}")
    return values, wrong


def _value(name: str, text: str) -> Any:
    if name == "invented":
        if text.lower() not in _YES | _NO:
            raise ValueError(f"{text!r} is neither yes nor no")
        return text.lower() in _YES
    if name in ("note", "gap_method", "graded_by"):
        return text
    if not text:
        return None
    if name == "measured_on":
        return day_of(text)
    if name == "let_go":
        if text.lower() not in tuple(LetGo):
            raise ValueError(f"{text!r} is not one of {', '.join(LetGo)}")
        return LetGo(text.lower())
    sort = _NUMBERS.get(name, "str")
    if "float" in sort or "int" in sort:
        return number_of(text, whole="int" in sort)
    if name == "weave":
        return renewed({"pattern": text.lower()})["weave"]
    return text.lower() if name in ("kind", "source") else text


def number_of(text: str, whole: bool = False) -> float | int:
    """A number with a decimal point or comma; ValueError says what is wrong with it."""
    plain = text.strip().replace("\u2212", "-").replace(",", ".", 1)
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", plain, re.ASCII | re.IGNORECASE):
        raise ValueError(f"{text!r} is not a number")
    value = float(plain)
    if not math.isfinite(value):
        raise ValueError(f"{text[:20]!r} is beyond reason")
    if whole:
        if value != round(value):
            raise ValueError(f"{text!r} is not a whole number")
        return round(value)
    return value


def day_of(text: str) -> datetime.date:
    """A day from 2031-05-04, 4.5.2031 or, where it can mean only one day, 17/5/2031; ValueError otherwise."""
    text = text.strip()
    for form in ("%Y-%m-%d", "%d.%m.%Y", "%Y/%m/%d"):
        with contextlib.suppress(ValueError):
            return datetime.datetime.strptime(text, form).date()
    days = set(_slashed(text))
    if len(days) == 1:
        return days.pop()
    why = "may mean two days" if days else "is not a day"
    raise ValueError(f"{text!r} {why}: write it as 2031-05-04")


def _slashed(text: str) -> Iterator[datetime.date]:
    for form in ("%d/%m/%Y", "%m/%d/%Y"):
        with contextlib.suppress(ValueError):
            yield datetime.datetime.strptime(text, form).date()

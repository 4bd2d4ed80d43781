"""A whole tray at once: rows of a CSV file with the test piece they belong to, as entries."""

from __future__ import annotations

import contextlib
import datetime
from dataclasses import MISSING, dataclass, fields, replace
from typing import TYPE_CHECKING, Any

from falsework.coupon.reading import Condition, Reading
from falsework.errors import FalseworkError, LedgerError
from falsework.ledger.database import Connection, now
from falsework.ledger.recording import (
    add_print,
    flags_of,
    introduce,
    keep_coupon,
    keep_spool,
    last_print,
    material_named,
    no_such,
    record,
)
from falsework.ledger.rows import Entry, Source, Tray
from falsework.ledger.tables import TableRow, day_of, values_of
from falsework.ledger.values import TRIED

if TYPE_CHECKING:
    from falsework.coupon.value import Cell, Coupon

_AGREE_MM = 0.02  # what two ways of taking a droop may differ by


@dataclass(frozen=True)
class Given:
    """What holds for all rows that do not say otherwise."""

    coupon: str | None = None
    printer: str | None = None
    material: str | None = None
    print_id: int | None = None
    measured_on: datetime.date | None = None
    invented: bool = False
    graded_by: str = ""
    alike: bool = False  # a material that is new prints as the one that the piece was made for


def record_rows(db: Connection, rows: list[TableRow], given: Given, subject: str) -> Tray:
    """Record all rows, or raise ``LedgerError`` that names each one at fault."""
    pieces: dict[str, Coupon | str] = {}
    filled = [row for row in rows if not row.empty]
    if not filled:
        raise LedgerError(subject, "no row has an outcome filled in", "Nothing was recorded")
    _check_own(db, filled, subject)
    entries, wrong = [], {}
    for k, row in enumerate(filled):
        values, found = values_of(row)
        entry = _NOTHING
        if not found:
            entry, found = _entry(db, values, given, pieces)
        entries.append(entry)
        if found:
            wrong[k] = found
    ids = record(db, entries, lambda k: f"line {filled[k].line}", wrong, subject)
    flags = tuple(
        f"line {row.line}: {flag}"
        for row, number in zip(filled, ids, strict=True)
        for flag in flags_of(db, number)
    )
    return Tray(tuple(ids), given.print_id, len(rows) - len(filled), (), flags)


def _check_own(db: Connection, rows: list[TableRow], subject: str) -> None:
    """Refuse, in one sentence, what another ledger exported as a table: prints and pieces are not in it."""
    named = {
        column: {row.texts[column] for row in rows if row.texts.get("uid") and row.texts.get(column)}
        for column in ("print", "coupon")
    }
    here = {
        "print": {row["uid"] for row in db.execute("SELECT uid FROM print")},
        "coupon": {row["code"] for row in db.execute("SELECT code FROM coupon")},
    }
    prints, pieces = (len(named[column] - here[column]) for column in ("print", "coupon"))
    if prints or pieces:
        raise LedgerError(
            subject,
            f"is the table of another ledger, some of whose records are not in this one (prints: {prints}, "
            f"test pieces: {pieces})",
            "Export that ledger as JSON ('falsework ledger export ledger.json') and import that: its prints "
            "and test pieces come along",
        )


def record_tray(
    db: Connection,
    rows: list[TableRow],
    piece: str,
    given: Given,
    subject: str,
    spool: str | None,
    again: bool,
) -> Tray:
    """Record a test piece's rows with the print they belong to (see :meth:`Ledger.record_tray`)."""
    from falsework.coupon import Coupon

    made = Coupon.from_json(piece)
    keep_coupon(db, made.code, str(made.kind), piece, now())
    printer = _the_one(rows, "printer", given.printer, made.process.printer.name, subject)
    material = _the_one(rows, "material", given.material, made.process.material.name, subject)
    told = introduce(
        db,
        replace(made.process.printer, name=printer),
        material_named(db, material, made.process.material, given.alike),
    )
    spool_id = None if spool is None else keep_spool(db, material, spool)
    print_id = None if again else last_print(db, printer, material, coupon=made.code)
    if print_id is None:
        print_id = add_print(
            *(db, printer, material),
            coupon=made.code,
            spool=spool_id,
            printed_on=given.measured_on or _first_day(rows),
            invented=given.invented,
        )
    settled = replace(given, coupon=made.code, print_id=print_id)
    named = {"printer": printer, "material": material}
    rows = [replace(row, texts={**row.texts, **named}) for row in rows]
    tray = record_rows(db, rows, settled, subject)
    return replace(tray, notes=told, printer=printer, material=material)


def _first_day(rows: list[TableRow]) -> datetime.date | None:
    """The earliest day that the rows name, which the print was made on at the latest."""
    days = []
    for row in rows:
        with contextlib.suppress(ValueError):  # told with the row itself
            days.append(day_of(row.texts.get("measured_on", "")))
    return min((day for day in days if day <= datetime.date.today()), default=None)


def _the_one(rows: list[TableRow], column: str, given: str | None, otherwise: str, subject: str) -> str:
    """The name given, or the one that all rows agree on: a tray is of one printer and one material."""
    if given is not None:
        return given
    named = {row.texts[column]: row.line for row in reversed(rows) if not row.empty and row.texts.get(column)}
    if len(named) > 1:
        told = ", ".join(f"{name!r} (line {line})" for name, line in sorted(named.items()))
        raise LedgerError(subject, f"a tray is of one {column}, but there are {told}", "Nothing was recorded")
    return next(iter(named), otherwise)


def _entry(
    db: Connection, values: dict[str, Any], given: Given, pieces: dict[str, Coupon | str]
) -> tuple[Entry, list[str]]:
    """A row's values as an entry, and what is wrong with them."""
    code = values.get("coupon") or given.coupon
    cell: Cell | None = None
    found: list[str] = []
    if code and not values.get("uid"):  # a row with a uid was a reading before: it says all by itself
        cell, found = _cell(db, code, values.get("cell"), pieces)
    tried = {name: values[name] for name in TRIED if values.get(name) is not None}
    if cell is not None:
        found += [
            f"{name} {value} does not agree with cell {cell.label} of the piece, which has "
            f"{getattr(cell.condition, name)}: record it as it is, then correct the reading"
            for name, value in tried.items()
            if not _agree(value, getattr(cell.condition, name))
        ]
        condition = cell.condition
    else:
        condition = Condition(**{**_NEEDED, **tried})
    droop_mm, mistaken = _droop(values, cell)
    found += mistaken
    print_id, unknown = _print(db, values.get("print"), given)
    found += unknown
    printer, material = values.get("printer"), values.get("material")
    found += [
        f"{name} is missing" for name, value in (("printer", printer), ("material", material)) if not value
    ]
    source = values.get("source")
    if source is not None and source not in tuple(Source):
        found.append(f"source {source!r} is not one of {', '.join(Source)}")
    if found:
        return _NOTHING, found
    reading = Reading(
        *(str(printer), str(material), condition, values.get("let_go"), values.get("finish"), droop_mm),
        values.get("clean_up_min"),
        bool(values.get("invented")) or given.invented,
        values.get("graded_by") or given.graded_by,
    )
    entry = Entry(reading, code, values.get("cell"), print_id, Source(source) if source else None)
    method = values.get("gap_method") or (cell.method if cell is not None else "")
    day = values.get("measured_on") or given.measured_on
    uid, note = values.get("uid"), values.get("note") or ""
    return replace(entry, measured_on=day, gap_method=method, note=note, uid=uid), []


# What a condition cannot do without; where it is not given, the checks name it.
_NEEDED: dict[str, Any] = {f.name: None for f in fields(Condition) if f.default is MISSING}
_NOTHING = Entry(Reading("", "", Condition(**_NEEDED)))  # stands where a row is no entry


def _cell(
    db: Connection, code: str, label: str | None, pieces: dict[str, Coupon | str]
) -> tuple[Cell | None, list[str]]:
    """A cell of a stored piece; None with what is wrong."""
    piece = pieces.get(code)
    if piece is None:
        piece = pieces[code] = _piece(db, code)
    if isinstance(piece, str):
        return None, [piece]
    if label is None:
        return None, [f"cell is missing: test piece {code} has {_labels(piece)}"]
    try:
        return piece.cell(label), []
    except KeyError:
        return None, [f"test piece {code} has no cell {label!r} (it has {_labels(piece)})"]


def _piece(db: Connection, code: str) -> Coupon | str:
    from falsework.coupon import Coupon

    row = db.execute("SELECT document FROM coupon WHERE code = ?", (code,)).fetchone()
    if row is None:
        return no_such(db, "coupon", "code", code)
    try:
        return Coupon.from_json(row["document"], f"test piece {code}")
    except FalseworkError as error:
        return str(error).rstrip(".")


def _labels(piece: Coupon) -> str:
    return ", ".join(cell.label for cell in piece.cells)


def _agree(a: Any, b: Any) -> bool:
    if isinstance(a, int | float) and isinstance(b, int | float):
        return abs(a - b) <= 1e-6 + 1e-4 * abs(b)  # a spreadsheet may have rounded it
    return bool(a == b)


def _droop(values: dict[str, Any], cell: Cell | None) -> tuple[float | None, list[str]]:
    """The droop given, or the one that the thickness between the jaws means."""
    droop_mm, thickness_mm = values.get("droop_mm"), values.get("thickness_mm")
    if thickness_mm is None:
        return droop_mm, []
    if cell is None:
        return None, ["thickness_mm is given without a cell of a test piece: give droop_mm"]
    if cell.nominal_mm is None:
        return None, [f"cell {cell.label} has no thickness to take: give droop_mm"]
    taken_mm = round(cell.droop_of(thickness_mm), 6)
    if droop_mm is not None and abs(taken_mm - droop_mm) > _AGREE_MM:
        return None, [f"thickness_mm {thickness_mm:g} means a sag of {taken_mm:g} mm, not {droop_mm:g}"]
    return (taken_mm if droop_mm is None else droop_mm), []


def _print(db: Connection, uid: str | None, given: Given) -> tuple[int | None, list[str]]:
    if uid is None:
        return given.print_id, []
    row = db.execute("SELECT id FROM print WHERE uid = ?", (uid,)).fetchone()
    if row is None:
        return None, [f"print {uid} is not in this ledger: leave it empty, or import the JSON export"]
    return int(row["id"]), []

"""``Ledger``: the lasting record of printers, materials, test pieces, prints and what was read off them."""

from __future__ import annotations

import datetime
import json
import uuid
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from falsework.coupon.reading import Reading
from falsework.errors import LedgerError
from falsework.ledger import database
from falsework.ledger.checks import doubts, faults, sound, wrong_name, wrong_note
from falsework.ledger.database import Connection
from falsework.ledger.place import ledger_path
from falsework.ledger.rows import Act, Coupon, Entry, Print, Recorded, Source, Spool, StoredFit, Version
from falsework.ledger.values import (
    CURRENT,
    READ,
    S,
    digest_of,
    marks,
    process_of,
    reading_row,
    recorded_of,
    settings_of,
    text_of,
    version_of,
)
from falsework.process.settings import Material, Printer, Process

FITS_KEPT = 20  # a fit can be made again from the readings


class Ledger:
    """A ledger file. Safe to share between threads and processes; each call is one transaction.

    Readings are never deleted or overwritten: a correction or a withdrawal is a further version, and
    ``history`` shows them all. Every method raises ``LedgerError`` where something cannot be right or the
    file cannot be used.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    @staticmethod
    def open(path: Path | None = None) -> Ledger:
        """The ledger at ``path``, made or brought up to date if need be.

        None: where ``FALSEWORK_LEDGER`` says, else in the user's data folder.
        """
        place = ledger_path(path)
        database.make_ready(place)
        return Ledger(place)

    @staticmethod
    def existing(path: Path | None = None) -> Ledger | None:
        """As :meth:`open`, but None where there is no ledger yet: for those who only read."""
        return Ledger.open(path) if ledger_path(path).exists() else None

    # printers, materials, processes

    def add_printer(self, printer: Printer, reason: str = "") -> None:
        """Make a printer known, or describe it anew; its earlier descriptions are kept."""
        with database.writing(self.path) as db:
            describe(db, "printer", printer, reason)

    def add_material(self, material: Material, reason: str = "") -> None:
        """Make a material known, or describe it anew; its earlier descriptions are kept."""
        with database.writing(self.path) as db:
            describe(db, "material", material, reason)

    def printers(self) -> dict[str, Printer]:
        """The printers by name, as last described."""
        return self._described("printer", Printer)

    def materials(self) -> dict[str, Material]:
        """The materials by name, as last described."""
        return self._described("material", Material)

    def _described(self, table: str, kind: type[S]) -> dict[str, S]:
        with database.reading(self.path) as db:
            rows = db.execute(f"SELECT name, settings FROM {table}_settings ORDER BY name, number").fetchall()
        return {row["name"]: settings_of(kind, row["settings"]) for row in rows}  # the last one stands

    def add_spool(
        self, material: str, label: str, note: str = "", opened_on: datetime.date | None = None
    ) -> int:
        """Make a spool of a known material known by the label on it; returns its number, also of one that is
        known."""
        _check_name("spool", label)
        _check_note("note", note)
        with database.writing(self.path) as db:
            _check_known(db, "material", material)
            row = db.execute(
                "SELECT id FROM spool WHERE material = ? AND label = ?", (material, label)
            ).fetchone()
            if row is not None:
                return int(row["id"])
            values = (material, label, note, opened_on and opened_on.isoformat(), database.now())
            sql = "INSERT INTO spool (material, label, note, opened_on, recorded_at) VALUES (?, ?, ?, ?, ?)"
            return _row_id(db, sql, values)

    def spools(self) -> list[Spool]:
        """All spools, by material and label."""
        with database.reading(self.path) as db:
            rows = db.execute("SELECT * FROM spool ORDER BY material, label").fetchall()
        return [Spool(r["id"], r["material"], r["label"], r["note"], _day(r["opened_on"])) for r in rows]

    def add_process(self, process: Process) -> str:
        """Keep a process; returns its digest."""
        with database.writing(self.path) as db:
            return _keep_process(db, process)

    def process(self, digest: str) -> Process:
        """The process of that digest."""
        with database.reading(self.path) as db:
            row = db.execute("SELECT settings FROM process WHERE digest = ?", (digest,)).fetchone()
        if row is None:
            raise LedgerError("process", f"the ledger knows none of digest {digest[:12]!r}")
        return process_of(row["settings"])

    # test pieces, plans, prints

    def add_coupon(self, document: str) -> str:
        """Keep a test piece by the text of its coupon.json; returns its code."""
        from falsework.coupon import Coupon as TestPiece

        piece = TestPiece.from_json(document)
        with database.writing(self.path) as db:
            row = db.execute("SELECT digest FROM coupon WHERE code = ?", (piece.code,)).fetchone()
            if row is None:
                values = (piece.code, str(piece.kind), digest_of(document), document, database.now())
                db.execute("INSERT INTO coupon VALUES (?, ?, ?, ?, ?)", values)
            elif row["digest"] != digest_of(document):
                raise LedgerError(
                    f"test piece {piece.code}",
                    "the ledger holds another piece under the same code",
                    "Give the coupon.json that came with the piece",
                )
        return piece.code

    def coupons(self) -> dict[str, Coupon]:
        """The test pieces by code."""
        with database.reading(self.path) as db:
            rows = db.execute("SELECT code, kind, digest, document FROM coupon ORDER BY code").fetchall()
        return {row["code"]: Coupon(*row) for row in rows}

    def add_plan(self, digest: str, part: str, process: Process, summary: dict[str, Any]) -> None:
        """Keep what a plan was: SHA-256 of its plan.json, the part's name, its process and a few figures."""
        _check_name("part", part)
        with database.writing(self.path) as db:
            values = (digest, part, _keep_process(db, process), text_of(summary), database.now())
            db.execute(f"INSERT OR IGNORE INTO plan VALUES ({marks(values)})", values)

    def add_print(
        self,
        printer: str,
        material: str,
        *,
        plan: str | None = None,
        coupon: str | None = None,
        spool: int | None = None,
        printed_on: datetime.date | None = None,
        note: str = "",
        invented: bool = False,
    ) -> int:
        """Keep that something was printed, of a plan (digest) or a test piece (code); returns its number."""
        _check_note("note", note)
        day = _checked_day(printed_on)
        with database.writing(self.path) as db:
            _check_known(db, "printer", printer)
            _check_known(db, "material", material)
            for table, key, value in (
                ("plan", "digest", plan),
                ("coupon", "code", coupon),
                ("spool", "id", spool),
            ):
                if value is not None:
                    _check_known(db, table, value, key)
            values = (
                *(uuid.uuid4().hex, plan, coupon, printer, material, spool),
                *(day.isoformat(), note, int(invented), database.now()),
            )
            sql = (
                "INSERT INTO print (uid, plan, coupon, printer, material, spool, printed_on, note, invented, "
                f"recorded_at) VALUES ({marks(values)})"
            )
            return _row_id(db, sql, values)

    def prints(self) -> list[Print]:
        """All prints in the order in which they were recorded."""
        with database.reading(self.path) as db:
            rows = db.execute("SELECT * FROM print ORDER BY id").fetchall()
        return [
            Print(
                *(r["id"], r["uid"], r["plan"], r["coupon"], r["printer"], r["material"], r["spool"]),
                *(datetime.date.fromisoformat(r["printed_on"]), r["note"], bool(r["invented"])),
            )
            for r in rows
        ]

    # readings

    def add_reading(
        self,
        reading: Reading,
        *,
        coupon: str | None = None,
        cell: str | None = None,
        print_id: int | None = None,
        source: Source | str | None = None,
        when: datetime.date | None = None,
        gap_method: str = "",
        note: str = "",
        air_beneath_mm: float | None = None,
    ) -> int:
        """Record one outcome; the arguments are those of ``Entry``. Returns the reading's number."""
        where = Source(source) if source is not None else None
        entry = Entry(reading, coupon, cell, print_id, where, when, gap_method, note, air_beneath_mm)
        return self.add_many([entry])[0]

    def add_many(
        self, entries: Sequence[Entry], names: Callable[[int], str] = lambda k: f"reading {k + 1}"
    ) -> list[int]:
        """Record all entries or, where any is at fault, none; returns the readings' numbers.

        ``names`` says how the k-th entry is called in messages. Each one that is at fault is named.
        """
        today = datetime.date.today()
        ready = [sound(entry) for entry in entries]
        wrong = {k: found for k, entry in enumerate(ready) if (found := list(faults(entry, today)))}
        with database.writing(self.path) as db:
            for k, entry in enumerate(ready):
                if k not in wrong and (found := [*_unknown(db, entry)]):
                    wrong[k] = found
            _refuse(wrong, names)
            ids = []
            for k, entry in enumerate(ready):
                twin = _twin(db, entry, today)
                if twin is not None and entry.cell is not None:
                    wrong[k] = [
                        f"{_where(entry)} has been recorded already, as reading {twin}: to change it, "
                        "correct that one; if the piece was printed again, record it as a print of its own"
                    ]
                else:
                    repeats = () if twin is None else (f"the same as reading {twin} in everything",)
                    ids.append(_add(db, entry, (*doubts(entry), *repeats), today))
            _refuse(wrong, names)
        return ids

    def faults(self, entry: Entry) -> list[str]:
        """Why ``entry`` could not be recorded, one sentence each: to ask before it is."""
        entry = sound(entry)
        if found := list(faults(entry, datetime.date.today())):
            return found
        with database.reading(self.path) as db:
            return list(_unknown(db, entry))

    def readings(
        self,
        printer: str | None = None,
        material: str | None = None,
        *,
        coupon: str | None = None,
        print_id: int | None = None,
        withdrawn: bool = False,
    ) -> list[Recorded]:
        """The readings as they stand now, in the order recorded; those withdrawn only where asked for."""
        where: list[str] = [] if withdrawn else ["v.act <> 'withdrawn'"]
        values: list[Any] = []
        for column, value in (
            *(("v.printer", printer), ("v.material", material), ("r.coupon", coupon), ("r.print", print_id)),
        ):
            if value is not None:
                where.append(f"{column} = ?")
                values.append(value)
        with database.reading(self.path) as db:
            condition = f" WHERE {' AND '.join(where)}" if where else ""
            rows = db.execute(f"SELECT r.*, v.* {CURRENT}{condition} ORDER BY r.id", values).fetchall()
        return [recorded_of(row) for row in rows]

    def reading(self, reading_id: int) -> Recorded:
        """One reading as it stands now, withdrawn or not."""
        with database.reading(self.path) as db:
            return recorded_of(_current(db, reading_id))

    def history(self, reading_id: int) -> list[Version]:
        """Everything that a reading has ever said, the first version first."""
        with database.reading(self.path) as db:
            _current(db, reading_id)
            sql = "SELECT * FROM version WHERE reading = ? ORDER BY number"
            return [version_of(row) for row in db.execute(sql, (reading_id,))]

    def correct(
        self,
        reading_id: int,
        reading: Reading,
        reason: str,
        *,
        when: datetime.date | None = None,
        gap_method: str | None = None,
        note: str | None = None,
    ) -> None:
        """Let a reading say something else from now on; what it said stays in its history.

        What is None stays as it was.
        """
        today = datetime.date.today()
        with database.writing(self.path) as db:
            row = _current(db, reading_id)
            if row["act"] == Act.WITHDRAWN:
                raise LedgerError(f"reading {reading_id}", "has been withdrawn", "Restore it first")
            old = recorded_of(row)
            entry = sound(
                Entry(
                    *(reading, old.coupon, old.cell, old.print_id, old.source),
                    old.when if when is None else when,
                    old.gap_method if gap_method is None else gap_method,
                    old.note if note is None else note,
                    row["air_beneath_mm"],
                )
            )
            if found := [*faults(entry, today)] or [*_unknown(db, entry)]:
                raise LedgerError(f"reading {reading_id}", "; ".join(found), "Nothing was changed")
            _append(db, reading_id, row["number"] + 1, Act.CORRECTED, _reason(reason), entry, doubts(entry))

    def withdraw(self, reading_id: int, reason: str) -> None:
        """Let a reading no longer count; it stays in the ledger with the reason."""
        self._mark(reading_id, Act.WITHDRAWN, reason)

    def restore(self, reading_id: int, reason: str) -> None:
        """Let a withdrawn reading count again."""
        self._mark(reading_id, Act.RESTORED, reason)

    def _mark(self, reading_id: int, act: Act, reason: str) -> None:
        with database.writing(self.path) as db:
            row = _current(db, reading_id)
            if (row["act"] == Act.WITHDRAWN) is (act is Act.WITHDRAWN):
                state = "has been withdrawn already" if act is Act.WITHDRAWN else "has not been withdrawn"
                raise LedgerError(f"reading {reading_id}", state, "Nothing was changed")
            old = recorded_of(row)
            entry = Entry(old.reading, measured_on=old.when, gap_method=old.gap_method, note=old.note)
            twin = _twin(
                db, replace(entry, coupon=old.coupon, cell=old.cell, print_id=old.print_id), old.when
            )
            if act is Act.RESTORED and twin is not None and old.cell is not None:
                raise LedgerError(
                    f"reading {reading_id}", f"reading {twin} has taken its place", "Withdraw that"
                )
            _append(db, reading_id, row["number"] + 1, act, _reason(reason), entry, old.flags)

    # the fit

    def readings_digest(self) -> str:
        """Changes whenever the readings or the materials do; costs the same however many there are."""
        with database.reading(self.path) as db:
            ledger, revision = db.execute("SELECT ledger, revision FROM tally").fetchone()
        return f"{ledger}-{revision}"

    def save_fit(self, text: str, digest: str) -> None:
        """Store a fit beside the ``readings_digest`` taken before its readings were read."""
        with database.writing(self.path) as db:
            values = (digest, text, database.now())
            db.execute("INSERT INTO fit (digest, document, saved_at) VALUES (?, ?, ?)", values)
            newest = "SELECT id FROM fit ORDER BY id DESC LIMIT ?"
            db.execute(f"DELETE FROM fit WHERE id NOT IN ({newest})", (FITS_KEPT,))

    def fit(self) -> StoredFit | None:
        """The fit that was stored last; None where there is none."""
        with database.reading(self.path) as db:
            sql = "SELECT document, digest, saved_at FROM fit ORDER BY id DESC LIMIT 1"
            row = db.execute(sql).fetchone()
        return None if row is None else StoredFit(*row)

    # the file

    def check(self) -> None:
        """Read the whole file and raise ``LedgerError`` unless it is sound."""
        database.check(self.path)


def describe(db: Connection, table: str, value: Printer | Material, reason: str = "", at: str = "") -> bool:
    """Append a description of a printer or material unless it is the last one already; True if appended."""
    _check_name(table, value.name)
    _check_note("reason", reason)
    from falsework.process.checks import checked
    from falsework.process.schema import rows_of

    for row in rows_of(table):
        checked(getattr(value, row.field), row)
    text = text_of(value)
    sql = f"SELECT number, settings FROM {table}_settings WHERE name = ? ORDER BY number DESC LIMIT 1"
    last = db.execute(sql, (value.name,)).fetchone()
    if last is not None and last["settings"] == text:
        return False
    if last is None:
        db.execute(f"INSERT INTO {table} VALUES (?)", (value.name,))
    number = 1 if last is None else last["number"] + 1
    values = (value.name, number, text, reason, at or database.now())
    db.execute(f"INSERT INTO {table}_settings VALUES ({marks(values)})", values)
    return True


def _keep_process(db: Connection, process: Process) -> str:
    text = text_of(process)
    digest = digest_of(text)
    values = (digest, process.name, text, database.now())
    db.execute("INSERT OR IGNORE INTO process VALUES (?, ?, ?, ?)", values)
    return digest


def _current(db: Connection, reading_id: int) -> Any:
    row = db.execute(f"SELECT r.*, v.* {CURRENT} WHERE r.id = ?", (reading_id,)).fetchone()
    if row is None:
        raise LedgerError(f"reading {reading_id}", "the ledger has none of that number")
    return row


def _unknown(db: Connection, entry: Entry) -> list[str]:
    """References of an entry to what the ledger does not know, one sentence each."""
    found = []
    references = (
        ("printer", "name", entry.reading.printer),
        ("material", "name", entry.reading.material),
        ("coupon", "code", entry.coupon),
        ("print", "id", entry.print_id),
    )
    for table, key, value in references:
        if value is not None and not _knows(db, table, key, value):
            found.append(_no_such(db, table, key, value))
    return found


def _knows(db: Connection, table: str, key: str, value: object) -> bool:
    return db.execute(f"SELECT 1 FROM {table} WHERE {key} = ?", (value,)).fetchone() is not None


_CALLED = {"coupon": "test piece"}


def _no_such(db: Connection, table: str, key: str, value: object) -> str:
    known = [str(row[0]) for row in db.execute(f"SELECT {key} FROM {table} ORDER BY {key} LIMIT 12")]
    what = _CALLED.get(table, table)
    return f"the ledger knows no {what} {value!r} (it knows {', '.join(known) or 'none'})"


def _check_known(db: Connection, table: str, value: object, key: str = "name") -> None:
    if not _knows(db, table, key, value):
        raise LedgerError(_CALLED.get(table, table), _no_such(db, table, key, value), "Add it first")


def _twin(db: Connection, entry: Entry, today: datetime.date) -> int | None:
    """The reading that counts and is the same: of the same cell of the same print on the same day; where no
    cell is named, with the same values."""
    day = (entry.measured_on or today).isoformat()
    reading = entry.reading
    where = "r.coupon IS ? AND r.cell IS ? AND r.print IS ? AND v.act <> 'withdrawn'"
    values: tuple[Any, ...] = (entry.coupon, entry.cell, entry.print_id)
    if entry.cell is None:
        where += f" AND v.measured_on = ? AND {' AND '.join(f'v.{name} IS ?' for name in READ)}"
        values = (*values, day, *reading_row(reading))
    elif entry.print_id is None:
        where += " AND v.measured_on = ? AND v.printer = ? AND v.material = ? AND v.kind = ?"
        values = (*values, day, reading.printer, reading.material, reading.condition.kind)
    row = db.execute(f"SELECT r.id {CURRENT} WHERE {where} LIMIT 1", values).fetchone()
    return None if row is None else int(row["id"])


def _where(entry: Entry) -> str:
    of = f" of test piece {entry.coupon}" if entry.coupon else ""
    of += f" of print {entry.print_id}" if entry.print_id is not None else ""
    return f"{entry.cell}{of}"


def _add(db: Connection, entry: Entry, flags: tuple[str, ...], today: datetime.date) -> int:
    source = entry.source
    if source is None:
        of_print = Source.OTHER if entry.print_id is None else Source.PRINT
        source = of_print if entry.coupon is None else Source.COUPON
    values = (uuid.uuid4().hex, source, entry.coupon, entry.cell, entry.print_id, entry.air_beneath_mm)
    sql = f"INSERT INTO reading (uid, source, coupon, cell, print, air_beneath_mm) VALUES ({marks(values)})"
    number = _row_id(db, sql, values)
    _append(db, number, 1, Act.RECORDED, "", replace(entry, measured_on=entry.measured_on or today), flags)
    return number


def _append(
    db: Connection, reading_id: int, number: int, act: Act, reason: str, entry: Entry, flags: tuple[str, ...]
) -> None:
    assert entry.measured_on is not None
    values = (
        *(reading_id, number, act, reason, database.now(), entry.measured_on.isoformat()),
        *(entry.gap_method, entry.note, json.dumps(flags, ensure_ascii=False)),
        *reading_row(entry.reading),
    )
    columns = "reading, number, act, reason, recorded_at, measured_on, gap_method, note, flags"
    db.execute(
        f"INSERT INTO version ({columns}, {', '.join(READ)}) VALUES ({marks(values)})",
        values,
    )


def _row_id(db: Connection, sql: str, values: Sequence[Any]) -> int:
    number = db.execute(sql, values).lastrowid
    assert number is not None
    return number


def _refuse(wrong: dict[int, list[str]], names: Callable[[int], str]) -> None:
    if not wrong:
        return
    lines = [f"{names(k)}: {'; '.join(wrong[k])}" for k in sorted(wrong)]
    if len(lines) == 1:
        raise LedgerError(names(min(wrong)), "; ".join(wrong[min(wrong)]), "Nothing was recorded")
    listed = "".join(f"\n  {line}" for line in lines)
    raise LedgerError(f"{len(lines)} readings", f"cannot be right:{listed}\n", "Nothing was recorded")


def _reason(text: str) -> str:
    if not text.strip():
        raise LedgerError("reason", "is missing", "Say in a few words why")
    _check_note("reason", text)
    return text.strip()


def _check_name(what: str, text: object) -> None:
    if wrong := wrong_name(text):
        raise LedgerError(what, wrong, "Give another")


def _check_note(what: str, text: object) -> None:
    if wrong := wrong_note(text):
        raise LedgerError(what, wrong, "Give another")


def _checked_day(day: datetime.date | None) -> datetime.date:
    today = datetime.date.today()
    if day is None:
        return today
    if day > today:
        raise LedgerError("day", f"{day} lies in the future (today is {today})", "Correct it")
    return day


def _day(text: str | None) -> datetime.date | None:
    return None if text is None else datetime.date.fromisoformat(text)

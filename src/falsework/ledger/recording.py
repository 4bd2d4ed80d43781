"""How records enter the tables: each function works within the transaction that is handed to it."""

from __future__ import annotations

import datetime
import json
import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Unpack

from falsework.errors import LedgerError
from falsework.ledger.checks import doubts, faults, sound, wrong_name, wrong_note
from falsework.ledger.database import Connection, now
from falsework.ledger.rows import Act, Deed, Entry, PrintOptions, Source
from falsework.ledger.values import (
    CURRENT,
    READ,
    digest_of,
    marks,
    reading_row,
    recorded_of,
    settings_of,
    text_of,
)
from falsework.process.builtin import builtin_materials
from falsework.process.checks import checked
from falsework.process.earlier import renewed
from falsework.process.schema import rows_of
from falsework.process.settings import Material, Printer, Process

_CALLED = {"coupon": "test piece"}  # what a table's rows are called in messages


def describe(db: Connection, table: str, value: Printer | Material, reason: str = "") -> bool:
    """Append a description of a printer or material unless it is the last one already; True if appended."""
    check_name(table, value.name)
    check_note("reason", reason)
    for row in rows_of(table):
        checked(getattr(value, row.field), row)
    text = text_of(value)
    sql = f"SELECT number, settings FROM {table}_settings WHERE name = ? ORDER BY number DESC LIMIT 1"
    last = db.execute(sql, (value.name,)).fetchone()
    if last is not None and _settings(value, last["settings"]) == value:
        return False
    if last is None:
        db.execute(f"INSERT INTO {table} VALUES (?)", (value.name,))
    number = 1 if last is None else last["number"] + 1
    insert(
        db,
        f"{table}_settings",
        name=value.name,
        number=number,
        settings=text,
        reason=reason,
        recorded_at=now(),
    )
    return True


def _settings(like: Printer | Material, text: str) -> Printer | Material:
    """A stored description of the same sort; what it leaves out is as usual."""
    return settings_of(Printer, text) if isinstance(like, Printer) else settings_of(Material, text)


def introduce(db: Connection, printer: Printer, material: Material) -> tuple[str, ...]:
    """Make a printer and a material known that are not; those known stay as they are.

    Says in words what is new, and in what those known differ from what was given.
    """
    told = []
    for table, value in (("printer", printer), ("material", material)):
        sql = f"SELECT settings FROM {table}_settings WHERE name = ? ORDER BY number DESC LIMIT 1"
        row = db.execute(sql, (value.name,)).fetchone()
        if row is None:
            describe(db, table, value)
            told.append(f"{table} {value.name!r} is new in the ledger, as the process describes it")
        elif others := differing(row["settings"], text_of(value)):
            what = f"{table} {value.name!r} differs from the ledger's in {', '.join(others)}"
            told.append(f"{what}; the ledger's stands")
    return tuple(told)


def material_named(db: Connection, name: str, made_for: Material, alike: bool = False) -> Material:
    """The material of that name: what a piece or plan was made for, one that the ledger knows, or one that is
    built in. Any other is as what it was made for only where it is said to be ``alike``; else
    ``LedgerError``."""
    if name == made_for.name:
        return made_for
    if alike or knows(db, "material", "name", name):
        return replace(made_for, name=name)  # where it is known, the ledger's description stands
    if (material := builtin_materials().get(name)) is not None:
        return material
    raise LedgerError(
        f"material {name!r}",
        f"is not known, and what was printed was made for {made_for.name!r}",
        "Say --alike if it prints as that one does; else describe it first, with 'falsework ledger describe'",
    )


def differing(ours: str, theirs: str) -> list[str]:
    """The settings in which two descriptions differ."""
    a, b = renewed(json.loads(ours)), renewed(json.loads(theirs))
    return sorted(name for name in {*a, *b} if a.get(name) != b.get(name))


def keep_process(db: Connection, process: Process) -> str:
    """Store a process unless it is there; returns its digest."""
    text = text_of(process)
    digest = digest_of(text)
    if not knows(db, "process", "digest", digest):
        insert(db, "process", digest=digest, name=process.name, settings=text, recorded_at=now())
    return digest


def keep_coupon(db: Connection, code: str, kind: str, document: str, recorded_at: str) -> bool:
    """Store a test piece's text unless it is there; True if stored."""
    check_name("test piece", code)
    digest = digest_of(document)
    row = db.execute("SELECT digest FROM coupon WHERE code = ?", (code,)).fetchone()
    if row is None:
        insert(db, "coupon", code=code, kind=kind, digest=digest, document=document, recorded_at=recorded_at)
        return True
    if row["digest"] != digest:
        raise LedgerError(
            f"test piece {code}",
            "the ledger holds another piece under the same code",
            "Give the coupon.json that came with the piece",
        )
    return False


def keep_spool(
    db: Connection, material: str, label: str, note: str = "", opened_on: datetime.date | None = None
) -> int:
    """Store a spool unless it is there; returns its number."""
    check_name("spool", label)
    check_note("note", note)
    check_known(db, "material", material)
    row = db.execute("SELECT id FROM spool WHERE material = ? AND label = ?", (material, label)).fetchone()
    if row is not None:
        return int(row["id"])
    return insert(
        *(db, "spool"),
        material=material,
        label=label,
        note=note,
        opened_on=None if opened_on is None else checked_day(opened_on).isoformat(),
        recorded_at=now(),
    )


def unknown(db: Connection, entry: Entry) -> list[str]:
    """References of an entry to what the ledger does not know, one sentence each."""
    references = (
        ("printer", "name", entry.reading.printer),
        ("material", "name", entry.reading.material),
        ("coupon", "code", entry.coupon),
        ("print", "id", entry.print_id),
    )
    return [
        no_such(db, table, key, value)
        for table, key, value in references
        if value is not None and not knows(db, table, key, value)
    ]


def elsewhere(db: Connection, entry: Entry) -> list[str]:
    """In what an entry contradicts the print that it is said to be of, one sentence each."""
    if entry.print_id is None:
        return []
    row = db.execute("SELECT printer, material, coupon FROM print WHERE id = ?", (entry.print_id,)).fetchone()
    of = {"printer": entry.reading.printer, "material": entry.reading.material, "coupon": entry.coupon}
    return [
        f"print {entry.print_id} is of {_CALLED.get(name, name)} {row[name]!r}, not {value!r}"
        for name, value in of.items()
        if row[name] != value
    ]


def twin(db: Connection, entry: Entry) -> int | None:
    """The reading that counts and is the same: of the same cell of the same print; without a print, of the
    same cell on the same day; where no cell is named, with the same values on the same day."""
    assert entry.measured_on is not None
    reading = entry.reading
    where = "r.coupon IS ? AND r.cell IS ? AND r.print IS ? AND v.act <> 'withdrawn'"
    values: tuple[Any, ...] = (entry.coupon, entry.cell, entry.print_id)
    if entry.cell is None:
        # '+' keeps the index of cells out: all readings without one would be gone through
        where = "+r.coupon IS ? AND +r.cell IS ? AND +r.print IS ? AND v.act <> 'withdrawn'"
        where += f" AND v.measured_on = ? AND {' AND '.join(f'v.{name} IS ?' for name in READ)}"
        values = (*values, entry.measured_on.isoformat(), *reading_row(reading))
    elif entry.print_id is None:
        # and here that of values: all readings of that day would be
        where += " AND +v.measured_on = ? AND +v.printer = ? AND +v.material = ?"
        values = (*values, entry.measured_on.isoformat(), reading.printer, reading.material)
    if reading.graded_by:  # what two people say of the same cell are two readings
        where += " AND v.graded_by IN (?, '')"
        values = (*values, reading.graded_by)
    row = db.execute(f"SELECT r.id {CURRENT} WHERE {where} LIMIT 1", values).fetchone()
    return None if row is None else int(row["id"])


def called(entry: Entry) -> str:
    """An entry's cell and where it is, for messages."""
    of = f" of test piece {entry.coupon}" if entry.coupon else ""
    of += f" of print {entry.print_id}" if entry.print_id is not None else ""
    return f"cell {entry.cell}{of}" if entry.coupon else f"{entry.cell}{of}"


def known_uid(db: Connection, entry: Entry) -> int | None:
    """The reading that was recorded under the entry's uid; ``LedgerError`` where that one says otherwise."""
    row = db.execute(f"SELECT r.*, v.* {CURRENT} WHERE r.uid = ?", (entry.uid,)).fetchone()
    if row is None:
        return None
    there = recorded_of(row)
    if (there.reading, there.when, there.coupon, there.cell, there.gap_method, there.note) != (
        *(entry.reading, entry.measured_on, entry.coupon, entry.cell, entry.gap_method, entry.note),
    ):
        wrong = f"the ledger has it as reading {there.id}, which says otherwise: correct that one"
        raise LedgerError(f"uid {entry.uid}", wrong)
    return there.id


def add(db: Connection, entry: Entry, flags: tuple[str, ...]) -> int:
    """Append a new reading; returns its number."""
    source = entry.source
    if source is None:
        of_print = Source.OTHER if entry.print_id is None else Source.PRINT
        source = of_print if entry.coupon is None else Source.COUPON
    number = insert(
        db,
        "reading",
        uid=entry.uid or uuid.uuid4().hex,
        source=source,
        coupon=entry.coupon,
        cell=entry.cell,
        print=entry.print_id,
        air_beneath_mm=entry.air_beneath_mm,
    )
    append(db, number, Deed(1, Act.RECORDED), entry, flags)
    return number


def record(
    db: Connection,
    entries: Sequence[Entry],
    names: Callable[[int], str],
    wrong: dict[int, list[str]] | None = None,
    subject: str = "",
) -> list[int]:
    """Add the entries, or raise ``LedgerError`` that names each one at fault; returns the readings' numbers.

    ``names`` and ``subject``: how an entry and the source of all are called in messages. ``wrong``: faults
    that were found before, by place; what stands at such a place is not looked at.
    """
    today = datetime.date.today()
    ready = dated(map(sound, entries), today)
    wrong = dict(wrong or {})
    for k, entry in enumerate(ready):
        found = wrong.get(k) or list(faults(entry, today)) or unknown(db, entry) or elsewhere(db, entry)
        if found:
            wrong[k] = found
    ids: list[int] = []
    twins: dict[int, int] = {}
    for k, entry in enumerate(ready):
        if k in wrong:
            continue
        if entry.uid is not None and (known := known_uid(db, entry)) is not None:
            ids.append(known)
            continue
        other = twin(db, entry)
        if other is not None and entry.cell is not None:
            twins[k] = other
        else:
            repeats = () if other is None else (f"the same as reading {other} in everything",)
            ids.append(add(db, entry, (*doubts(entry), *repeats)))
    refuse(wrong | _recorded_already(ready, twins), names, subject)
    return ids


def _recorded_already(ready: Sequence[Entry], twins: dict[int, int]) -> dict[int, list[str]]:
    """What is said of entries that the ledger has, by place, with their readings' numbers: of several the
    same, so that a tray recorded twice is one sentence."""
    if len(twins) > 1:
        told = (
            f"{called(ready[min(twins)])} has been recorded already, and so have the others, as readings "
            f"{min(twins.values())} to {max(twins.values())}: to change one, correct it; if the piece was "
            "printed again, record it as a print of its own"
        )
        return {k: [told] for k in twins}
    return {
        k: [
            f"{called(ready[k])} has been recorded already, as reading {other}: to change it, correct that "
            "one; if the piece was printed again, record it as a print of its own"
        ]
        for k, other in twins.items()
    }


def add_print(db: Connection, printer: str, material: str, **told: Unpack[PrintOptions]) -> int:
    """Append a print; returns its number."""
    note = told.get("note", "")
    check_note("note", note)
    check_known(db, "printer", printer)
    check_known(db, "material", material)
    of: dict[str, Any] = {"plan": told.get("plan"), "coupon": told.get("coupon"), "spool": told.get("spool")}
    for (table, value), key in zip(of.items(), ("digest", "code", "id"), strict=True):
        if value is not None:
            check_known(db, table, value, key)
    return insert(
        *(db, "print"),
        uid=uuid.uuid4().hex,
        **of,
        printer=printer,
        material=material,
        printed_on=checked_day(told.get("printed_on")).isoformat(),
        note=note,
        invented=int(told.get("invented", False)),
        recorded_at=now(),
    )


def last_print(
    db: Connection, printer: str, material: str, *, plan: str | None = None, coupon: str | None = None
) -> int | None:
    """The latest print of a plan or test piece on that printer in that material."""
    sql = "SELECT max(id) FROM print WHERE printer = ? AND material = ? AND plan IS ? AND coupon IS ?"
    number: int | None = db.execute(sql, (printer, material, plan, coupon)).fetchone()[0]
    return number


def append(db: Connection, reading_id: int, deed: Deed, entry: Entry, flags: tuple[str, ...]) -> None:
    """Append a version of a reading."""
    assert entry.measured_on is not None
    insert(
        db,
        "version",
        reading=reading_id,
        number=deed.number,
        act=deed.act,
        reason=deed.reason,
        recorded_at=deed.recorded_at or now(),
        measured_on=entry.measured_on.isoformat(),
        gap_method=entry.gap_method,
        note=entry.note,
        flags=json.dumps(flags, ensure_ascii=False),
        **dict(zip(READ, reading_row(entry.reading), strict=True)),
    )


def mark(db: Connection, reading_id: int, act: Act, reason: str) -> None:
    """Withdraw or restore a reading."""
    row = current(db, reading_id)
    if (row["act"] == Act.WITHDRAWN) is (act is Act.WITHDRAWN):
        state = "has been withdrawn already" if act is Act.WITHDRAWN else "has not been withdrawn"
        raise LedgerError(f"reading {reading_id}", state, "Nothing was changed")
    old = recorded_of(row)
    entry = Entry(*(old.reading, old.coupon, old.cell, old.print_id, old.source, old.when))
    entry = replace(entry, gap_method=old.gap_method, note=old.note)
    if act is Act.RESTORED and old.cell is not None and (other := twin(db, entry)) is not None:
        wrong = f"reading {other} has taken its place"
        raise LedgerError(f"reading {reading_id}", wrong, "Withdraw that one first")
    append(db, reading_id, Deed(row["number"] + 1, act, reason), entry, old.flags)


def insert(db: Connection, table: str, **values: Any) -> int:
    """Insert one row; returns its row number."""
    sql = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks(values)})"
    return db.execute(sql, tuple(values.values())).lastrowid or 0


def current(db: Connection, reading_id: int) -> Any:
    """A reading's row with its latest version."""
    row = None
    if isinstance(reading_id, int) and abs(reading_id) < 2**63:
        row = db.execute(f"SELECT r.*, v.* {CURRENT} WHERE r.id = ?", (reading_id,)).fetchone()
    if row is None:
        raise LedgerError(f"reading {reading_id}", "the ledger has none of that number")
    return row


def flags_of(db: Connection, reading_id: int) -> tuple[str, ...]:
    """What is doubtful about a reading as it stands now."""
    return recorded_of(current(db, reading_id)).flags


def knows(db: Connection, table: str, key: str, value: object) -> bool:
    """Whether a table has a row of that key."""
    return db.execute(f"SELECT 1 FROM {table} WHERE {key} = ?", (value,)).fetchone() is not None


def no_such(db: Connection, table: str, key: str, value: object) -> str:
    """A sentence that a table has no row of that key, and which it has."""
    known = [str(row[0]) for row in db.execute(f"SELECT {key} FROM {table} ORDER BY {key} LIMIT 12")]
    what = _CALLED.get(table, table)
    return f"the ledger knows no {what} {value!r} (it knows {', '.join(known) or 'none'})"


def check_known(db: Connection, table: str, value: object, key: str = "name") -> None:
    """Raise ``LedgerError`` unless a table has a row of that key."""
    if not knows(db, table, key, value):
        raise LedgerError(_CALLED.get(table, table), no_such(db, table, key, value), "Add it first")


def refuse(wrong: dict[int, list[str]], names: Callable[[int], str], subject: str) -> None:
    """Raise ``LedgerError`` that names every entry at fault, if there are any."""
    if not wrong:
        return
    if len(wrong) == 1:
        ((k, found),) = wrong.items()
        told = f"{subject}, {names(k)}" if subject else names(k)
        raise LedgerError(told, "; ".join(found), "Nothing was recorded")
    told_once: dict[str, list[int]] = {}
    for k in sorted(wrong):
        told_once.setdefault("; ".join(wrong[k]), []).append(k)
    lines = "".join(f"\n  {_called_together(ks, names)}: {text}" for text, ks in told_once.items())
    if any("the ledger knows no" in text for text in told_once):
        lines += (
            "\n  A table brings no printers, materials and test pieces along: 'falsework ledger import' the "
            "ledger.json or the folder that 'falsework ledger export' wrote; or record a tray beside its "
            "coupon.json"
        )
    told = f"{len(wrong)} of them cannot be right, so nothing was recorded:{lines}"
    raise LedgerError(subject or "readings", told)


def _called_together(ks: Sequence[int], names: Callable[[int], str]) -> str:
    """'line 2', or 'line 2 to line 248 (247 of them)'."""
    if len(ks) == 1:
        return names(ks[0])
    return f"{names(ks[0])} to {names(ks[-1])} ({len(ks)} of them)"


def checked_reason(text: str) -> str:
    """Why something is changed, which must be said."""
    if not text.strip():
        raise LedgerError("reason", "is missing", "Say in a few words why")
    check_note("reason", text)
    return text.strip()


def check_name(what: str, text: object) -> None:
    """Raise ``LedgerError`` unless ``text`` is a name."""
    if wrong := wrong_name(text):
        raise LedgerError(what, wrong, "Give another")


def check_note(what: str, text: object) -> None:
    """Raise ``LedgerError`` unless ``text`` is a note."""
    if wrong := wrong_note(text):
        raise LedgerError(what, wrong, "Give another")


def checked_day(day: datetime.date | None) -> datetime.date:
    """``day``, today if None; not one to come."""
    today = datetime.date.today()
    if day is None:
        return today
    if day > today:
        raise LedgerError("day", f"{day} lies in the future (today is {today})", "Correct it")
    return day


def dated(entries: Iterable[Entry], today: datetime.date) -> list[Entry]:
    """The entries with today's date where they have none."""
    return [entry if entry.measured_on else replace(entry, measured_on=today) for entry in entries]


def versions(db: Connection, reading_id: int) -> Sequence[Any]:
    """All rows of a reading's history, the first first."""
    return db.execute("SELECT * FROM version WHERE reading = ? ORDER BY number", (reading_id,)).fetchall()

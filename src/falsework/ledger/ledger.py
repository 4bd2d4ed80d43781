"""``Ledger``: the lasting record of printers, materials, test pieces, prints and what was read off them."""

from __future__ import annotations

import datetime
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Unpack

from falsework.coupon.reading import Reading
from falsework.errors import LedgerError
from falsework.ledger import database, exchange, photographs, tables
from falsework.ledger.checks import doubts, faults, sound
from falsework.ledger.place import ledger_path, private_folder
from falsework.ledger.recording import (
    add_print,
    append,
    check_known,
    check_name,
    check_note,
    checked_day,
    checked_reason,
    current,
    describe,
    insert,
    introduce,
    keep_coupon,
    keep_process,
    keep_spool,
    knows,
    last_print,
    mark,
    material_named,
    record,
    unknown,
    versions,
)
from falsework.ledger.rows import (
    Act,
    Deed,
    Entry,
    EntryOptions,
    HistoryEntry,
    Imported,
    Photograph,
    Print,
    PrinterEvent,
    PrintOptions,
    Recorded,
    Source,
    Spool,
    StoredCoupon,
    StoredFit,
    StoredPlan,
    Tray,
)
from falsework.ledger.schema import SEAL
from falsework.ledger.tray import Given, record_rows, record_tray
from falsework.ledger.values import (
    CURRENT,
    S,
    process_of,
    recorded_of,
    settings_of,
    sound_record,
    text_of,
    version_of,
)
from falsework.process.settings import Material, Printer, Process


class Ledger:
    """A ledger file. Safe to share between threads and processes; each call is one transaction.

    Readings are never deleted or overwritten: a correction or a withdrawal is a further version, and
    ``history`` shows them all. Every method raises ``LedgerError`` where something cannot be right or the
    file cannot be used.

    Examples
    --------
    >>> import falsework, tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     ledger = falsework.Ledger.open(Path(folder) / "ledger.sqlite3")
    ...     ledger.readings()
    []
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

    # printers, materials, spools, processes

    def add_printer(self, printer: Printer, reason: str = "") -> None:
        """Make a printer known, or describe it anew; its earlier descriptions are kept."""
        with database.writing(self.path) as db:
            describe(db, "printer", printer, reason)

    def add_material(self, material: Material, reason: str = "") -> None:
        """Make a material known, or describe it anew; its earlier descriptions are kept."""
        with database.writing(self.path) as db:
            describe(db, "material", material, reason)

    def introduce(self, printer: Printer, material: Material) -> tuple[str, ...]:
        """Make a printer and a material known that are not; those known stay as they are.

        Says in words what is new, and in what those known differ from what was given.
        """
        with database.writing(self.path) as db:
            return introduce(db, printer, material)

    def material_named(self, name: str, made_for: Material, alike: bool = False) -> Material:
        """The material of that name; LedgerError for one that nobody has described, where a piece or a plan
        was made for another, unless it is said to be ``alike``."""
        with database.reading(self.path) as db:
            return material_named(db, name, made_for, alike)

    def printers(self) -> dict[str, Printer]:
        """The printers by name, as last described."""
        return self._described("printer", Printer)

    def materials(self) -> dict[str, Material]:
        """The materials by name, as last described."""
        return self._described("material", Material)

    def _described(self, table: str, kind: type[S]) -> dict[str, S]:
        with database.reading(self.path) as db:
            rows = db.execute(f"SELECT name, settings FROM {table}_settings ORDER BY name, number").fetchall()
        with sound_record():
            return {row["name"]: settings_of(kind, row["settings"]) for row in rows}  # the last one stands

    def add_spool(
        self, material: str, label: str, note: str = "", opened_on: datetime.date | None = None
    ) -> int:
        """Make a spool of a known material known by the label on it; returns its number, also of one that is
        known."""
        with database.writing(self.path) as db:
            return keep_spool(db, material, label, note, opened_on)

    def spools(self) -> list[Spool]:
        """All spools, by material and label."""
        with database.reading(self.path) as db:
            rows = db.execute("SELECT * FROM spool ORDER BY material, label").fetchall()
        with sound_record():
            return [Spool(r["id"], r["material"], r["label"], r["note"], _day(r["opened_on"])) for r in rows]

    def add_process(self, process: Process) -> str:
        """Keep a process; returns its digest."""
        with database.writing(self.path) as db:
            return keep_process(db, process)

    def process(self, digest: str) -> Process:
        """The process of that digest."""
        with database.reading(self.path) as db:
            row = db.execute("SELECT settings FROM process WHERE digest = ?", (digest,)).fetchone()
        if row is None:
            raise LedgerError("process", f"the ledger knows none of digest {digest[:12]!r}")
        with sound_record():
            return process_of(row["settings"])

    # test pieces, plans, prints

    def add_coupon(self, document: str) -> str:
        """Keep a test piece by the text of its coupon.json; returns its code."""
        from falsework.coupon import Coupon as TestPiece

        piece = TestPiece.from_json(document)
        with database.writing(self.path) as db:
            keep_coupon(db, piece.code, str(piece.kind), document, database.now())
        return piece.code

    def coupons(self) -> dict[str, StoredCoupon]:
        """The test pieces by code, their kinds by the words of this version."""
        from falsework.coupon.value import EARLIER_KINDS

        with database.reading(self.path) as db:
            rows = db.execute("SELECT code, kind, digest, document FROM coupon ORDER BY code").fetchall()
        return {
            code: StoredCoupon(code, EARLIER_KINDS.get(kind, kind), digest, document)
            for code, kind, digest, document in rows
        }

    def add_plan(self, digest: str, part: str, process: Process, summary: dict[str, Any]) -> None:
        """Keep what a plan was: SHA-256 of its plan.json, the part's name, its process and a few figures."""
        check_name("part", part)
        with database.writing(self.path) as db:
            if not knows(db, "plan", "digest", digest):
                values = {"process": keep_process(db, process), "summary": text_of(summary)}
                insert(db, "plan", digest=digest, part=part, **values, recorded_at=database.now())

    def plans(self) -> dict[str, StoredPlan]:
        """The plans by digest."""
        with database.reading(self.path) as db:
            rows = db.execute("SELECT digest, part, process, summary FROM plan ORDER BY digest").fetchall()
        return {row["digest"]: StoredPlan(*row) for row in rows}

    def add_print(self, printer: str, material: str, **told: Unpack[PrintOptions]) -> int:
        """Keep that something was printed, of a plan (digest) or a test piece (code); returns its number."""
        with database.writing(self.path) as db:
            return add_print(db, printer, material, **told)

    def last_print(
        self, printer: str, material: str, *, plan: str | None = None, coupon: str | None = None
    ) -> int | None:
        """The latest print of a plan (digest) or a test piece (code) on that printer in that material."""
        with database.reading(self.path) as db:
            return last_print(db, printer, material, plan=plan, coupon=coupon)

    def prints(self) -> list[Print]:
        """All prints in the order in which they were recorded."""
        with database.reading(self.path) as db:
            rows = db.execute("SELECT * FROM print ORDER BY id").fetchall()
        with sound_record():
            return [
                Print(
                    *(r["id"], r["uid"], r["plan"], r["coupon"], r["printer"], r["material"], r["spool"]),
                    *(datetime.date.fromisoformat(r["printed_on"]), r["note"], bool(r["invented"])),
                )
                for r in rows
            ]

    def add_event(self, printer: str, what: str, happened_on: datetime.date | None = None) -> int:
        """Keep that something happened to a known printer ('nozzle replaced'), today if no day is given;
        returns its number. The same event of the same day is kept once."""
        check_name("event", what)
        with database.writing(self.path) as db:
            check_known(db, "printer", printer)
            day = checked_day(happened_on).isoformat()
            sql = (
                "SELECT id FROM event WHERE printer = ? AND happened_on = ? AND what = ? "
                "AND id NOT IN (SELECT event FROM event_withdrawal)"
            )
            row = db.execute(sql, (printer, day, what)).fetchone()
            if row is not None:
                return int(row["id"])
            values = {"uid": uuid.uuid4().hex, "printer": printer, "happened_on": day, "what": what}
            return insert(db, "event", **values, recorded_at=database.now())

    def withdraw_event(self, event_id: int, reason: str) -> None:
        """Let an event no longer count; it is kept, with the reason."""
        reason = checked_reason(reason)
        with database.writing(self.path) as db:
            check_known(db, "event", event_id, "id")
            if knows(db, "event_withdrawal", "event", event_id):
                raise LedgerError(f"event {event_id}", "has been withdrawn already", "Nothing was changed")
            insert(db, "event_withdrawal", event=event_id, reason=reason, recorded_at=database.now())

    def events(self, printer: str | None = None, *, withdrawn: bool = False) -> list[PrinterEvent]:
        """What happened to the printers, or to one, by day; what was withdrawn only where asked for."""
        sql = (
            "SELECT e.id, e.uid, e.printer, e.happened_on, e.what, coalesce(w.reason, '') AS withdrawn "
            "FROM event e LEFT JOIN event_withdrawal w ON w.event = e.id ORDER BY e.happened_on, e.id"
        )
        with database.reading(self.path) as db:
            rows = db.execute(sql).fetchall()
        with sound_record():
            found = [
                PrinterEvent(
                    *(r["id"], r["uid"], r["printer"], datetime.date.fromisoformat(r["happened_on"])),
                    *(r["what"], r["withdrawn"]),
                )
                for r in rows
            ]
        return [e for e in found if printer in (None, e.printer) and (withdrawn or not e.withdrawn)]

    # readings

    def add_reading(
        self,
        reading: Reading,
        *,
        source: Source | str | None = None,
        when: datetime.date | None = None,
        **told: Unpack[EntryOptions],
    ) -> int:
        """Record one outcome; the arguments are those of ``Entry``. Returns the reading's number."""
        where = Source(source) if source is not None else None
        return self.add_many([Entry(reading, source=where, measured_on=when, **told)])[0]

    def add_many(
        self, entries: Sequence[Entry], names: Callable[[int], str] = lambda k: f"reading {k + 1}"
    ) -> list[int]:
        """Record all entries or, where any is at fault, none; returns the readings' numbers.

        ``names`` says how the k-th entry is called in messages. Each one that is at fault is named.
        """
        with database.writing(self.path) as db:
            return record(db, entries, names)

    def faults(self, entry: Entry) -> list[str]:
        """Why ``entry`` could not be recorded, one sentence each: to ask before it is."""
        entry = sound(entry)
        if found := list(faults(entry, datetime.date.today())):
            return found
        with database.reading(self.path) as db:
            return unknown(db, entry)

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
        asked = {"v.printer": printer, "v.material": material, "r.coupon": coupon, "r.print": print_id}
        given = {column: value for column, value in asked.items() if value is not None}
        where = [f"{column} = ?" for column in given] + ([] if withdrawn else ["v.act <> 'withdrawn'"])
        condition = f" WHERE {' AND '.join(where)}" if where else ""
        with database.reading(self.path) as db:
            sql = f"SELECT r.*, v.* {CURRENT}{condition} ORDER BY r.id"
            return [recorded_of(row) for row in db.execute(sql, tuple(given.values()))]

    def reading(self, reading_id: int) -> Recorded:
        """One reading as it stands now, withdrawn or not."""
        with database.reading(self.path) as db:
            return recorded_of(current(db, reading_id))

    def history(self, reading_id: int) -> list[HistoryEntry]:
        """Everything that a reading has ever said, the first version first."""
        with database.reading(self.path) as db:
            current(db, reading_id)
            return [version_of(row) for row in versions(db, reading_id)]

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
        reason = checked_reason(reason)
        with database.writing(self.path) as db:
            row = current(db, reading_id)
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
            if found := list(faults(entry, datetime.date.today())) or unknown(db, entry):
                raise LedgerError(f"reading {reading_id}", "; ".join(found), "Nothing was changed")
            append(db, reading_id, Deed(row["number"] + 1, Act.CORRECTED, reason), entry, doubts(entry))

    def withdraw(self, reading_id: int | Sequence[int], reason: str) -> None:
        """Let one reading or several no longer count, all or none; they are kept, with the reason."""
        self._mark(reading_id, Act.WITHDRAWN, reason)

    def restore(self, reading_id: int | Sequence[int], reason: str) -> None:
        """Let withdrawn readings count again, all or none."""
        self._mark(reading_id, Act.RESTORED, reason)

    def _mark(self, reading_id: int | Sequence[int], act: Act, reason: str) -> None:
        reason = checked_reason(reason)
        with database.writing(self.path) as db:
            for number in [reading_id] if isinstance(reading_id, int) else reading_id:
                mark(db, number, act, reason)

    # the fit

    def readings_digest(self) -> str:
        """Changes whenever the readings or the materials do; costs the same however many there are."""
        with database.reading(self.path) as db:
            ledger, revision = db.execute("SELECT ledger, revision FROM tally").fetchone()
        return f"{ledger}-{revision}"

    def save_fit(self, text: str, digest: str) -> None:
        """Store a fit with the ``readings_digest`` that was asked for before its readings were."""
        with database.writing(self.path) as db:
            db.execute("DELETE FROM fit")  # it can be made again from the readings, and only the last counts
            insert(db, "fit", digest=digest, document=text, saved_at=database.now(), seal="")
            db.execute(f"UPDATE fit SET seal = {SEAL}")

    def fit(self) -> StoredFit | None:
        """The fit that was stored last; None where there is none."""
        with database.reading(self.path) as db:
            sql = f"SELECT id, seal = {SEAL} AS sound FROM fit ORDER BY id DESC LIMIT 1"
            row = db.execute(sql).fetchone()
            if row is None:
                return None
            if not row["sound"]:
                return StoredFit("", "", "", sound=False)
            sql = "SELECT document, digest, saved_at FROM fit WHERE id = ?"
            return StoredFit(*db.execute(sql, (row["id"],)).fetchone())

    # photographs

    def keep_photograph(self, content: bytes | Path, name: str = "photograph") -> str:
        """Store a photograph, given as bytes or as a file; returns the digest that it is known by."""
        if isinstance(content, Path):
            name = content.name
            content = photographs.read_photograph(content)
        check_name("photograph", name)
        digest, media = photographs.keep(self.path, content, name)
        with database.writing(self.path) as db:
            if not knows(db, "photograph", "digest", digest):
                values = {"name": name, "media": media, "size": len(content)}
                insert(db, "photograph", digest=digest, **values, recorded_at=database.now())
        return digest

    def attach(
        self,
        digest: str,
        *,
        reading: int | None = None,
        print_id: int | None = None,
        coupon: str | None = None,
        note: str = "",
    ) -> int:
        """Say what a stored photograph shows: one reading, print or test piece; returns a number by which it
        can be detached."""
        check_note("note", note)
        with database.writing(self.path) as db:
            check_known(db, "photograph", digest, "digest")
            shown = {"reading": reading, "print": print_id, "coupon": coupon}
            given = {table: value for table, value in shown.items() if value is not None}
            if len(given) != 1:
                raise LedgerError("photograph", "shows one reading, print or test piece", "Name one of them")
            ((table, value),) = given.items()
            check_known(db, table, value, "code" if table == "coupon" else "id")
            there = (
                f"SELECT id FROM attachment WHERE photograph = ? AND {table} = ? "
                "AND id NOT IN (SELECT attachment FROM detachment)"
            )
            row = db.execute(there, (digest, value)).fetchone()
            if row is not None:  # the same photograph of the same thing counts once
                return int(row["id"])
            fields = {"uid": uuid.uuid4().hex, "photograph": digest, **shown, "note": note}
            return insert(db, "attachment", **fields, recorded_at=database.now())

    def detach(self, attachment: int, reason: str) -> None:
        """Say that a photograph does not show what was said; it stays stored, the reason too."""
        reason = checked_reason(reason)
        with database.writing(self.path) as db:
            check_known(db, "attachment", attachment, "id")
            if knows(db, "detachment", "attachment", attachment):
                raise LedgerError(f"attachment {attachment}", "has been detached already")
            insert(db, "detachment", attachment=attachment, reason=reason, recorded_at=database.now())

    def photographs(
        self, *, reading: int | None = None, print_id: int | None = None, coupon: str | None = None
    ) -> list[Photograph]:
        """The photographs and what they show, in the order attached; those of one thing where it is named."""
        asked = {"a.reading": reading, "a.print": print_id, "a.coupon": coupon}
        given = {column: value for column, value in asked.items() if value is not None}
        where = "".join(f" AND {column} = ?" for column in given)
        sql = (
            "SELECT a.id, p.digest, p.name, p.media, p.size, a.reading, a.print, a.coupon, a.note "
            "FROM attachment a JOIN photograph p ON p.digest = a.photograph "
            f"WHERE a.id NOT IN (SELECT attachment FROM detachment){where} ORDER BY a.id"
        )
        with database.reading(self.path) as db:
            return [Photograph(*row) for row in db.execute(sql, tuple(given.values()))]

    def photograph(self, digest: str) -> tuple[bytes, str]:
        """A stored photograph's bytes and media type; checked against its digest."""
        with database.reading(self.path) as db:
            row = db.execute("SELECT media FROM photograph WHERE digest = ?", (digest,)).fetchone()
        if row is None:
            raise LedgerError("photograph", f"the ledger knows none of digest {digest[:12]!r}")
        return photographs.fetch(self.path, digest, row["media"]), row["media"]

    # the whole of it

    def export_json(self) -> str:
        """Everything but the fits and the bytes of the photographs, as text under schema
        ``falsework.ledger/1``. The same records give the same text."""
        with database.reading(self.path) as db:
            return exchange.to_json(db)

    def import_json(self, text: str, subject: str = "ledger.json") -> Imported:
        """Take over what another ledger exported; what is here already stays and is not doubled."""
        document = exchange.parsed(text, subject)
        with database.writing(self.path) as db:
            return exchange.from_json(db, document, subject)

    def export_csv(self, *, history: bool = False) -> str:
        """The readings as they stand now, those withdrawn left out; or every version of all of them."""
        if history:
            numbers = [recorded.id for recorded in self.readings(withdrawn=True)]
            with database.reading(self.path) as db:
                steps = [(number, [version_of(row) for row in versions(db, number)]) for number in numbers]
            return tables.history_csv(steps)
        uids = {one.id: one.uid for one in self.prints()}
        return tables.to_csv(self.readings(), uids)

    def import_csv(self, content: bytes, subject: str = "readings.csv", *, keep: bool = True) -> Tray:
        """Record all rows of a CSV file or, where any is at fault, none. ``keep``: False only tries it."""
        rows = tables.read_rows(content, subject)
        with database.writing(self.path, keep) as db:
            return record_rows(db, rows, Given(), subject)

    def record_tray(
        self,
        content: bytes,
        piece: str,
        given: Given,
        subject: str = "readings.csv",
        *,
        spool: str | None = None,
        again: bool = False,
        keep: bool = True,
    ) -> Tray:
        """Record a test piece's table, filled in: all rows or none.

        ``piece`` is the text of its coupon.json. The rows go to the last print of the piece, to a new one if
        there is none or it was printed ``again``. A printer, a material or a ``spool`` (by its label) that is
        new becomes known, as the piece's process describes it. ``keep``: False only tries it.
        """
        rows = tables.read_rows(content, subject)
        with database.writing(self.path, keep) as db:
            return record_tray(db, rows, piece, given, subject, spool, again)

    def check(self) -> tuple[str, ...]:
        """Read the whole file and all photographs. Raises ``LedgerError`` where the file is damaged; returns,
        in words, which photographs are lost or spoilt."""
        database.check(self.path)
        database.check_documents(self.path)
        lost = []
        for digest, media in _photographs_of(self.path):
            try:
                photographs.fetch(self.path, digest, media)
            except LedgerError as error:
                lost.append(str(error))
        return tuple(lost)

    def backup(self, target: Path) -> tuple[str, ...]:
        """A copy of the ledger at ``target``, which must be new, with its photographs beside it.

        The copy is a ledger; it may be made while others write. Returns, in words, which photographs are lost
        or spoilt and so not in it.
        """
        if target.exists():
            raise LedgerError(str(target), "is there already", "Give another name")
        with database.troubles(target):
            private_folder(target.parent)
        self._copy_photographs(target, _photographs_of(self.path))
        database.copy(self.path, target)
        return self._copy_photographs(target, _photographs_of(target))  # with those stored meanwhile

    def _copy_photographs(self, target: Path, stored: Sequence[tuple[str, str]]) -> tuple[str, ...]:
        lost = []
        for digest, media in stored:
            try:
                content = photographs.fetch(self.path, digest, media)
            except LedgerError as error:
                lost.append(str(error))
            else:
                photographs.keep(target, content, digest)
        return tuple(lost)


def _photographs_of(path: Path) -> list[tuple[str, str]]:
    with database.reading(path) as db:
        rows = db.execute("SELECT digest, media FROM photograph ORDER BY digest").fetchall()
    return [(row["digest"], row["media"]) for row in rows]


def _day(text: str | None) -> datetime.date | None:
    return None if text is None else datetime.date.fromisoformat(text)

"""The whole ledger as one JSON document, and such a document merged into a ledger.

Records refer to each other by names that hold in every ledger (``uid``, code, digest), never by this ledger's
row numbers. Stored fits are left out: they can be made again. The bytes of photographs are files beside.
"""

from __future__ import annotations

import datetime
import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from falsework.coupon.reading import Condition, Reading
from falsework.errors import FalseworkError, LedgerError
from falsework.ledger.checks import faults, sound, wrong_name, wrong_note
from falsework.ledger.database import Connection
from falsework.ledger.photographs import ENDINGS
from falsework.ledger.recording import append, differing, insert, keep_coupon, versions
from falsework.ledger.rows import Act, Deed, Entry, Imported, Source
from falsework.ledger.values import CURRENT, READ, TRIED, digest_of, process_of, settings_of, text_of
from falsework.process.checks import checked
from falsework.process.earlier import renewed
from falsework.process.schema import rows_of
from falsework.process.settings import Material, Printer

SCHEMA, _EARLIER = "falsework.ledger/2", ("falsework.ledger/1",)
LARGEST_CHARACTERS = 500_000_000

_VERSION = ("act", "reason", "recorded_at", "measured_on", "gap_method", "note", "flags", *READ)
_OPTIONAL = {
    f.name: f.default for kind in (Condition, Reading) for f in fields(kind) if f.default in (None, "")
}
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
_DIGEST = re.compile(r"[0-9a-f]{64}")
_SHOWN = "SELECT uid FROM reading WHERE id = a.reading", "SELECT uid FROM print WHERE id = a.print"

# Plain tables: the query that reads them out, in the order recorded.
_QUERIES = {
    "printers": "SELECT name, settings, reason, recorded_at FROM printer_settings ORDER BY name, number",
    "materials": "SELECT name, settings, reason, recorded_at FROM material_settings ORDER BY name, number",
    "spools": "SELECT material, label, note, opened_on, recorded_at FROM spool ORDER BY material, label",
    "processes": "SELECT digest, name, settings, recorded_at FROM process ORDER BY digest",
    "coupons": "SELECT code, kind, document, recorded_at FROM coupon ORDER BY code",
    "plans": "SELECT digest, part, process, summary, recorded_at FROM plan ORDER BY digest",
    "prints": "SELECT p.uid, p.plan, p.coupon, p.printer, p.material, s.label AS spool, p.printed_on, "
    "p.note, p.invented, p.recorded_at FROM print p LEFT JOIN spool s ON s.id = p.spool ORDER BY p.id",
    "events": "SELECT e.uid, e.printer, e.happened_on, e.what, e.recorded_at, w.reason AS withdrawn_reason, "
    "w.recorded_at AS withdrawn_at FROM event e LEFT JOIN event_withdrawal w ON w.event = e.id ORDER BY e.id",
    "readings": "SELECT r.uid, r.source, r.coupon, r.cell, p.uid AS print, r.air_beneath_mm "
    "FROM reading r LEFT JOIN print p ON p.id = r.print ORDER BY r.id",
    "photographs": "SELECT digest, name, media, size, recorded_at FROM photograph ORDER BY digest",
    "attachments": f"SELECT a.uid, a.photograph, ({_SHOWN[0]}) AS reading, ({_SHOWN[1]}) AS print, a.coupon, "
    "a.note, a.recorded_at, d.reason AS detached_reason, d.recorded_at AS detached_at "
    "FROM attachment a LEFT JOIN detachment d ON d.attachment = a.id ORDER BY a.id",
}
_AS_OBJECT = ("settings", "summary")  # columns that hold JSON text


def to_json(db: Connection) -> str:
    """The document of :meth:`Ledger.export_json`."""
    tables: dict[str, Any] = {
        name: [_plain(row) for row in db.execute(sql)] for name, sql in _QUERIES.items()
    }
    ids = [row["id"] for row in db.execute("SELECT id FROM reading ORDER BY id")]
    for reading_id, record in zip(ids, tables["readings"], strict=True):
        record["versions"] = [_version(row) for row in versions(db, reading_id)]
    document = {"schema": SCHEMA, "notice": notice(db), **tables}
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def notice(db: Connection) -> str:
    """A sentence that says how many readings are invented; empty where all were measured."""
    sql = f"SELECT count(*), coalesce(sum(v.invented), 0) {CURRENT} WHERE v.act <> 'withdrawn'"
    count, invented = db.execute(sql).fetchone()
    return invented_notice(invented, count)


def invented_notice(invented: int, count: int) -> str:
    """The same sentence from the two counts."""
    if not invented:
        return ""
    if count == 1:
        return "This one reading is invented for demonstration, never measured."
    which = f"All {count} readings are" if invented == count else f"{invented} of {count} readings are"
    return f"{which} invented for demonstration, never measured."


def _plain(row: Any) -> dict[str, Any]:
    record = dict(row)
    for name in _AS_OBJECT:
        if name in record:
            record[name] = json.loads(record[name])
    if "invented" in record:
        record["invented"] = bool(record["invented"])
    return record


def _version(row: Any) -> dict[str, Any]:
    record = {name: row[name] for name in _VERSION}
    record["flags"] = json.loads(record["flags"])
    record["invented"] = bool(record["invented"])
    return record


def parsed(text: str, subject: str) -> dict[str, Any]:
    """The text as a document of the right schema; ``LedgerError`` where it is none."""
    cure = "Give a file that 'falsework ledger export' wrote"
    if len(text) > LARGEST_CHARACTERS:
        raise LedgerError(subject, "is too large to be a ledger's export", cure)
    try:
        document = json.loads(text.removeprefix("\ufeff"), parse_constant=_no_number)
    except (ValueError, RecursionError) as error:  # ValueError: also numbers of thousands of digits
        raise LedgerError(subject, f"is not a JSON document ({error})", cure) from None
    schema = document.get("schema") if isinstance(document, dict) else None
    if schema not in (SCHEMA, *_EARLIER):
        found = f"has schema {schema!r}" if schema is not None else "has no schema"
        raise LedgerError(subject, f"{found}, this version reads {SCHEMA!r}", cure)
    return dict(document)


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def from_json(db: Connection, document: dict[str, Any], subject: str) -> Imported:
    """Merge a parsed document into the tables of an open transaction."""
    try:
        return _Merge(db, document, subject).run()
    except (ValueError, OverflowError, RecursionError) as error:  # lone surrogates, numbers beyond reason
        raise LedgerError(subject, f"holds what no ledger can ({error})", "Nothing was imported") from None


class _Merge:
    """One import: what it has added so far, and where in the document it is, for messages."""

    def __init__(self, db: Connection, document: dict[str, Any], subject: str) -> None:
        self.db, self.document, self.subject = db, document, subject
        self.added: Counter[str] = Counter()
        self.known = 0
        self.notes: list[str] = []
        self.today = datetime.date.today()

    def run(self) -> Imported:
        unknown = self.document.keys() - {"schema", "notice", *_QUERIES}
        if unknown:
            raise self.wrong(sorted(unknown)[0], "is no table of a ledger")
        self.descriptions("printer", Printer)
        self.descriptions("material", Material)
        for table, one in (
            ("spools", self.spool),
            ("processes", self.process),
            ("coupons", self.coupon),
            ("plans", self.plan),
            ("prints", self.print),
            ("events", self.event),
            ("readings", self.reading),
            ("photographs", self.photograph),
            ("attachments", self.attachment),
        ):
            for k, record in enumerate(self.table(table)):
                where = f"{table}[{k}]"
                try:
                    self.added[table] += one(where, record)
                except FalseworkError as error:
                    if isinstance(error, LedgerError):
                        raise
                    raise self.wrong(where, str(error).rstrip(".")) from None
        self.check_references()
        return Imported({name: n for name, n in self.added.items() if n}, self.known, tuple(self.notes))

    def wrong(self, where: str, what: str) -> LedgerError:
        return LedgerError(f"{self.subject}, {where}", what, "Nothing was imported")

    # reading the document

    def table(self, name: str) -> list[dict[str, Any]]:
        rows = self.document.get(name, [])
        if not isinstance(rows, list):
            raise self.wrong(name, "is not a list")
        return rows

    def take(self, where: str, record: Any, columns: dict[str, str]) -> dict[str, Any]:
        """The record's values, each checked by its sort; a sort that ends in '?' may be null."""
        if not isinstance(record, dict):
            raise self.wrong(where, "is not an object")
        for name in record:
            if name not in columns:
                raise self.wrong(where, f"has an unknown field {name!r}")
        for name, sort in columns.items():
            value = record.get(name)
            if value is None and sort.endswith("?"):
                continue
            if name not in record:
                raise self.wrong(where, f"lacks {name}")
            if not _SORTS[sort.rstrip("?")](value):
                raise self.wrong(f"{where}.{name}", f"{_short(value)} is not {_SORT_NAMES[sort.rstrip('?')]}")
        return {name: record.get(name) for name in columns}

    def one(self, where: str, table: str, key: str, value: Any) -> int | None:
        """Row number of what a record refers to; None where it refers to nothing."""
        if value is None:
            return None
        row = self.db.execute(f"SELECT rowid FROM {table} WHERE {key} = ?", (value,)).fetchone()
        if row is None:
            raise self.wrong(where, f"refers to {table} {_short(value)}, which is neither in it nor here")
        return int(row[0])

    def has(self, table: str, key: str, value: Any) -> bool:
        return self.db.execute(f"SELECT 1 FROM {table} WHERE {key} = ?", (value,)).fetchone() is not None

    # the tables, in the order in which they refer to each other

    def descriptions(self, table: str, kind: type[Any]) -> None:
        """Names that are new here come with their history; of a name that is known, ours stands."""
        columns = {"name": "name", "settings": "object", "reason": "note", "recorded_at": "moment"}
        told: dict[str, list[dict[str, Any]]] = {}
        for k, record in enumerate(self.table(f"{table}s")):
            where = f"{table}s[{k}]"
            taken = self.take(where, record, columns)
            try:
                value: Any = settings_of(kind, text_of(taken["settings"]))
                for row in rows_of(table):
                    checked(getattr(value, row.field), row)
            except (FalseworkError, TypeError, ValueError) as error:
                raise self.wrong(f"{where}.settings", str(error).rstrip(".")) from None
            if value.name != taken["name"]:
                raise self.wrong(where, f"describes {value.name!r} under the name {taken['name']!r}")
            told.setdefault(taken["name"], []).append(taken)
        for name, versions_told in told.items():
            texts = [text_of(told_one["settings"]) for told_one in versions_told]
            sql = f"SELECT settings FROM {table}_settings WHERE name = ? ORDER BY number"
            ours = [row[0] for row in self.db.execute(sql, (name,))]
            if not ours:
                insert(self.db, table, name=name)
                self.added[f"{table}s"] += 1
            elif any(differing(a, b) for a, b in zip(ours, texts, strict=False)) or len(texts) < len(ours):
                if others := differing(ours[-1], texts[-1]):
                    self.notes.append(
                        f"{table} {name!r} is described otherwise there ({', '.join(others)}); ours stands"
                    )
                continue
            for number, (text, taken) in enumerate(zip(texts, versions_told, strict=True), 1):
                if number > len(ours):
                    moment = taken["recorded_at"]
                    values = {"name": name, "number": number, "settings": text, "reason": taken["reason"]}
                    insert(self.db, f"{table}_settings", **values, recorded_at=moment)

    def spool(self, where: str, record: Any) -> int:
        columns = {"material": "name", "label": "name", "note": "note", "opened_on": "day?"}
        values = self.take(where, record, {**columns, "recorded_at": "moment"})
        self.one(where, "material", "name", values["material"])
        if self.spool_id(values["material"], values["label"]) is not None:
            return 0
        insert(self.db, "spool", **values)
        return 1

    def spool_id(self, material: str, label: str | None) -> int | None:
        sql = "SELECT id FROM spool WHERE material = ? AND label = ?"
        row = self.db.execute(sql, (material, label)).fetchone()
        return None if row is None else int(row["id"])

    def process(self, where: str, record: Any) -> int:
        columns = {"digest": "digest", "name": "name", "settings": "object", "recorded_at": "moment"}
        values = self.take(where, record, columns)
        values["settings"] = text_of(values["settings"])
        if digest_of(values["settings"]) != values["digest"]:
            raise self.wrong(where, "has settings that do not give its digest")
        try:
            process = process_of(values["settings"])
        except (TypeError, ValueError, KeyError, AttributeError) as error:
            raise self.wrong(f"{where}.settings", f"is not a process ({error})") from None
        if process.name != values["name"]:
            raise self.wrong(where, f"describes {process.name!r} under the name {values['name']!r}")
        if self.has("process", "digest", values["digest"]):
            return 0
        insert(self.db, "process", **values)
        return 1

    def coupon(self, where: str, record: Any) -> int:
        columns = {"code": "name", "kind": "name", "document": "text", "recorded_at": "moment"}
        values = self.take(where, record, columns)
        if not self.has("coupon", "code", values["code"]):
            from falsework.coupon.value import EARLIER_KINDS, Coupon

            piece = Coupon.from_json(values["document"], where)
            kind = EARLIER_KINDS.get(values["kind"], values["kind"])
            if (piece.code, str(piece.kind)) != (values["code"], kind):
                raise self.wrong(where, f"holds piece {piece.code} under the code {values['code']!r}")
        return keep_coupon(self.db, **values)

    def plan(self, where: str, record: Any) -> int:
        columns = {"digest": "digest", "part": "name", "process": "digest", "summary": "object"}
        values = self.take(where, record, {**columns, "recorded_at": "moment"})
        self.one(where, "process", "digest", values["process"])
        if self.has("plan", "digest", values["digest"]):
            return 0
        insert(self.db, "plan", **{**values, "summary": text_of(values["summary"])})
        return 1

    def print(self, where: str, record: Any) -> int:
        columns = {"uid": "name", "plan": "digest?", "coupon": "name?", "printer": "name", "material": "name"}
        rest = {"spool": "name?", "printed_on": "day", "note": "note", "invented": "bool"}
        values = self.take(where, record, {**columns, **rest, "recorded_at": "moment"})
        self.one(where, "plan", "digest", values["plan"])
        self.one(where, "coupon", "code", values["coupon"])
        for table in ("printer", "material"):
            self.one(where, table, "name", values[table])
        if self.has("print", "uid", values["uid"]):
            return 0
        if values["spool"] is not None:
            values["spool"] = self.spool_id(values["material"], values["spool"])
            if values["spool"] is None:
                raise self.wrong(where, f"is of a spool {record['spool']!r} that is neither in it nor here")
        insert(self.db, "print", **{**values, "invented": int(values["invented"])})
        return 1

    def event(self, where: str, record: Any) -> int:
        columns = {"uid": "name", "printer": "name", "happened_on": "day", "what": "name"}
        ends = {"recorded_at": "moment", "withdrawn_reason": "note?", "withdrawn_at": "moment?"}
        values = self.take(where, record, {**columns, **ends})
        reason, moment = values.pop("withdrawn_reason"), values.pop("withdrawn_at")
        self.one(where, "printer", "name", values["printer"])
        row = self.db.execute("SELECT id FROM event WHERE uid = ?", (values["uid"],)).fetchone()
        number = insert(self.db, "event", **values) if row is None else int(row["id"])
        if reason and moment and not self.has("event_withdrawal", "event", number):
            insert(self.db, "event_withdrawal", event=number, reason=reason, recorded_at=moment)
        return row is None

    def reading(self, where: str, record: Any) -> int:
        columns = {"uid": "name", "source": "source", "coupon": "name?", "cell": "name?", "print": "name?"}
        values = self.take(where, record, {**columns, "air_beneath_mm": "number?", "versions": "list"})
        steps = [
            self.version(f"{where}.versions[{k}]", step) for k, step in enumerate(values.pop("versions"))
        ]
        acts = [step["act"] for step in steps]
        if not acts or acts[0] != Act.RECORDED or Act.RECORDED in acts[1:]:
            raise self.wrong(where, "does not begin with its one record")
        values["print"] = self.one(where, "print", "uid", values["print"])
        self.one(where, "coupon", "code", values["coupon"])
        entries = [self.entry(f"{where}.versions[{k}]", step, values) for k, step in enumerate(steps)]
        row = self.db.execute("SELECT id FROM reading WHERE uid = ?", (values["uid"],)).fetchone()
        known: Sequence[Any] = []
        if row is None:
            number = insert(self.db, "reading", **values)
        else:
            number, known = int(row["id"]), versions(self.db, row["id"])
            self.known += 1
            for k, (ours, theirs) in enumerate(zip(known, steps, strict=False)):
                if _version(ours) != theirs:
                    what = f"differs in version {k + 1} from reading {number} here: both were changed"
                    raise self.wrong(where, what)
        for k in range(len(known), len(steps)):
            step = steps[k]
            deed = Deed(k + 1, step["act"], step["reason"], step["recorded_at"])
            append(self.db, number, deed, entries[k], tuple(step["flags"]))
        return row is None

    def version(self, where: str, record: Any) -> dict[str, Any]:
        if isinstance(record, dict):
            record = {**_OPTIONAL, **renewed(record)}  # written before a field was added
        columns = {"act": "act", "reason": "note", "recorded_at": "moment", "measured_on": "day"}
        rest = {"gap_method": "note", "note": "note", "flags": "flags", **dict.fromkeys(READ, "any?")}
        taken = self.take(where, record, {**columns, **rest})
        if taken["act"] != Act.RECORDED and not taken["reason"]:
            raise self.wrong(where, "has no reason")
        return taken

    def entry(self, where: str, step: dict[str, Any], values: dict[str, Any]) -> Entry:
        tried = Condition(**{name: step[name] for name in TRIED})
        outcome = {name: step[name] for name in READ if name not in TRIED}
        if outcome["invented"] is None:
            outcome["invented"] = False
        entry = Entry(
            Reading(condition=tried, **outcome),
            *(values["coupon"], values["cell"], values["print"], values["source"]),
            datetime.date.fromisoformat(step["measured_on"]),
            *(step["gap_method"], step["note"], values["air_beneath_mm"], values["uid"]),
        )
        entry = sound(entry)
        if found := list(faults(entry, self.today)):
            raise self.wrong(where, "; ".join(found))
        for table in ("printer", "material"):
            self.one(where, table, "name", getattr(entry.reading, table))
        return entry

    def photograph(self, where: str, record: Any) -> int:
        columns = {"digest": "digest", "name": "name", "media": "media", "size": "count"}
        values = self.take(where, record, {**columns, "recorded_at": "moment"})
        if self.has("photograph", "digest", values["digest"]):
            return 0
        insert(self.db, "photograph", **values)
        return 1

    def attachment(self, where: str, record: Any) -> int:
        columns = {"uid": "name", "photograph": "digest", "reading": "name?", "print": "name?"}
        rest = {"coupon": "name?", "note": "note", "recorded_at": "moment"}
        ends = {"detached_reason": "note?", "detached_at": "moment?"}
        values = self.take(where, record, {**columns, **rest, **ends})
        reason, moment = values.pop("detached_reason"), values.pop("detached_at")
        self.one(where, "photograph", "digest", values["photograph"])
        values["reading"] = self.one(where, "reading", "uid", values["reading"])
        values["print"] = self.one(where, "print", "uid", values["print"])
        self.one(where, "coupon", "code", values["coupon"])
        if sum(values[name] is not None for name in ("reading", "print", "coupon")) != 1:
            raise self.wrong(where, "shows not exactly one thing")
        row = self.db.execute("SELECT id FROM attachment WHERE uid = ?", (values["uid"],)).fetchone()
        number = insert(self.db, "attachment", **values) if row is None else int(row["id"])
        if reason and moment and not self.has("detachment", "attachment", number):
            insert(self.db, "detachment", attachment=number, reason=reason, recorded_at=moment)
        return row is None

    def check_references(self) -> None:
        loose = self.db.execute("PRAGMA foreign_key_check").fetchone()
        if loose is not None:
            raise self.wrong(str(loose[0]), "refers to what is neither in it nor here")


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _is_day(value: Any) -> bool:
    try:
        return isinstance(value, str) and datetime.date.fromisoformat(value).isoformat() == value
    except ValueError:
        return False


_SORTS: dict[str, Any] = {
    "name": lambda value: wrong_name(value) is None,
    "note": lambda value: wrong_note(value) is None,
    "text": lambda value: isinstance(value, str),
    "day": _is_day,
    "moment": lambda value: isinstance(value, str) and _MOMENT.fullmatch(value) is not None,
    "digest": lambda value: isinstance(value, str) and _DIGEST.fullmatch(value) is not None,
    "number": lambda value: isinstance(value, int | float) and not isinstance(value, bool),
    "count": lambda value: type(value) is int and 0 <= value < 2**53,
    "bool": lambda value: isinstance(value, bool),
    "object": lambda value: isinstance(value, dict),
    "list": lambda value: isinstance(value, list),
    "flags": lambda value: isinstance(value, list) and all(wrong_note(flag) is None for flag in value),
    "media": lambda value: isinstance(value, str) and value in ENDINGS,
    "source": lambda value: value in tuple(Source),
    "act": lambda value: value in tuple(Act),
    "any": lambda value: True,
}
_SORT_NAMES = {
    **{sort: f"a {sort}" for sort in _SORTS},
    "note": "a note of printable text",
    "day": "a day such as 2031-05-04",
    "moment": "a moment such as 2031-05-04T16:20:07.123Z",
    "digest": "a SHA-256 in hexadecimal",
    "bool": "true or false",
    "object": "an object",
    "flags": "a list of notes",
    "media": "a known kind of photograph",
    "act": "something that happens to readings",
}

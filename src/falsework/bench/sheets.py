"""The bench's own database: sheets with every step of their history, marks, kept processes, visitors.

SQLite in WAL mode, each change one transaction that is on the disk when it is answered: a killed server
loses nothing. A sheet's state is never changed in place: an edit adds a step, undo points back to an older
one, and the version counts both, so that whoever edits an older version is told.
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from falsework.errors import OutputError

SCHEMA = 1
MOST_STEPS = 500  # of a sheet's past that can be undone
KEPT_DAYS = 30  # of a deleted sheet

_TABLES = """
CREATE TABLE sheets (
  id TEXT PRIMARY KEY, version INTEGER NOT NULL, step INTEGER NOT NULL, past TEXT NOT NULL,
  future TEXT NOT NULL, created REAL NOT NULL, changed REAL NOT NULL, deleted REAL
);
CREATE TABLE steps (
  id INTEGER PRIMARY KEY, sheet TEXT NOT NULL, what TEXT NOT NULL, who TEXT NOT NULL, at REAL NOT NULL,
  state TEXT NOT NULL
);
CREATE INDEX steps_of ON steps (sheet);
CREATE TABLE versions (
  sheet TEXT NOT NULL, version INTEGER NOT NULL, step INTEGER NOT NULL, PRIMARY KEY (sheet, version)
) WITHOUT ROWID;
CREATE TABLE parts (digest TEXT PRIMARY KEY, bytes INTEGER NOT NULL, added REAL NOT NULL) WITHOUT ROWID;
CREATE TABLE marks (digest TEXT PRIMARY KEY, bits BLOB NOT NULL);
CREATE TABLE processes (
  name TEXT PRIMARY KEY, toml TEXT NOT NULL, basis TEXT NOT NULL, changed REAL NOT NULL
);
CREATE TABLE coupons (code TEXT PRIMARY KEY, arguments TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE plans (digest TEXT PRIMARY KEY, spots TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE visitors (secret TEXT PRIMARY KEY, since REAL NOT NULL);
CREATE TABLE invitations (secret TEXT PRIMARY KEY, ends REAL NOT NULL);
"""
# since the first version; older programs do not miss it
_ADDED = "CREATE TABLE IF NOT EXISTS fits (at REAL NOT NULL, digest TEXT NOT NULL)"
_MOST_FITS = 200

SheetState = dict[str, Any]


@dataclass(frozen=True)
class Sheet:
    """One work order as it stands. ``state`` holds title, note, part, choices and process as JSON values;
    ``undo`` and ``redo`` say what would be undone, None where nothing would."""

    id: str
    version: int
    created: float
    changed: float
    state: SheetState
    undo: str | None
    redo: str | None


@dataclass(frozen=True)
class SheetStep:
    """One state that a sheet has had: ``what`` was done to come there, by ``who``, ``when``.

    ``place``: 'before' and 'after' are where undo and redo lead, 'now' is what the sheet shows, 'aside' what
    was undone before something else was done.
    """

    number: int
    what: str
    who: str
    when: float
    place: str


class Missing(LookupError):
    """There is no such sheet, or it was deleted."""


class Outdated(Exception):
    """Somebody else changed the sheet: ``base`` is the state that was meant to be changed (None where that is
    too long ago), ``sheet`` what it is now."""

    def __init__(self, sheet: Sheet, base: SheetState | None) -> None:
        super().__init__(sheet.id)
        self.sheet, self.base = sheet, base


class NothingToUndo(Exception):
    """There is no step in that direction."""


class Sheets:
    """All sheets of one data folder. Safe to use from several threads."""

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        _private(path)
        self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
        self._db.row_factory = sqlite3.Row
        try:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            found = self._db.execute("PRAGMA user_version").fetchone()[0]
            if found > SCHEMA:
                raise OutputError(
                    str(path), "was written by a later falsework", "Use that version, or another folder"
                )
            if found == 0:
                self._db.executescript(f"BEGIN; {_TABLES} PRAGMA user_version = {SCHEMA}; COMMIT;")
            self._db.execute(_ADDED)
        except sqlite3.DatabaseError as error:
            raise OutputError(
                str(path),
                f"cannot be used as the bench's database ({error})",
                "Give another folder with --folder",
            ) from None

    def close(self) -> None:
        """Close the database; everything is on the disk already."""
        with self._lock:
            self._db.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:  # a full disk has undone it already
                    self._db.execute("ROLLBACK")
                raise

    def _rows(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with self._lock:
            return self._db.execute(sql, values).fetchall()

    # sheets

    def add(self, state: SheetState, who: str, what: str) -> Sheet:
        """A new sheet in its first version."""
        sheet, now = uuid.uuid4().hex[:16], time.time()
        with self._writing() as db:
            step = _add_step(db, sheet, what, who, now, state)
            db.execute("INSERT INTO sheets VALUES (?, 1, ?, '[]', '[]', ?, ?, NULL)", (sheet, step, now, now))
            db.execute("INSERT INTO versions VALUES (?, 1, ?)", (sheet, step))
            return _sheet(db, sheet)

    def get(self, sheet: str) -> Sheet:
        """The sheet as it stands; Missing where there is none."""
        with self._lock:
            return _sheet(self._db, sheet)

    def all(self) -> list[Sheet]:
        """All sheets, the latest changed first."""
        with self._lock:
            ids = self._db.execute("SELECT id FROM sheets WHERE deleted IS NULL ORDER BY changed DESC, id")
            return [_sheet(self._db, row["id"]) for row in ids.fetchall()]

    def edit(self, sheet: str, version: int, state: SheetState, what: str, who: str) -> Sheet:
        """A new state in place of version ``version``; Outdated where that is not the latest."""
        now = time.time()
        with self._writing() as db:
            row = _expected(db, sheet, version)
            step = _add_step(db, sheet, what, who, now, state)
            past = [*json.loads(row["past"]), row["step"]][-MOST_STEPS:]
            return _point(db, row, step, past, [], now)

    def check(self, sheet: str, version: int) -> None:
        """Raise Outdated where ``version`` is not the latest."""
        with self._lock:
            _expected(self._db, sheet, version)

    def undo(self, sheet: str, version: int) -> Sheet:
        """The state before the last edit, as a new version; NothingToUndo where there is none."""
        with self._writing() as db:
            row = _expected(db, sheet, version)
            past, future = json.loads(row["past"]), json.loads(row["future"])
            if not past:
                raise NothingToUndo
            return _point(db, row, past[-1], past[:-1], [*future, row["step"]], time.time())

    def redo(self, sheet: str, version: int) -> Sheet:
        """The edit that was undone last, again."""
        with self._writing() as db:
            row = _expected(db, sheet, version)
            past, future = json.loads(row["past"]), json.loads(row["future"])
            if not future:
                raise NothingToUndo
            return _point(db, row, future[-1], [*past, row["step"]], future[:-1], time.time())

    def history(self, sheet: str) -> list[SheetStep]:
        """Every state of the sheet that is kept, in the order in which they were made."""
        with self._lock:
            row = _row(self._db, sheet)
            found = self._db.execute(
                "SELECT id, what, who, at FROM steps WHERE sheet = ? ORDER BY id", (sheet,)
            ).fetchall()
        return _steps(row, found)

    def earlier(self, sheet: str, number: int) -> tuple[SheetStep, SheetState]:
        """A step of the sheet's history and its state; Missing where there is none of that number."""
        with self._lock:
            row = _row(self._db, sheet)
            found = self._db.execute(
                "SELECT * FROM steps WHERE sheet = ? AND id = ?", (sheet, number)
            ).fetchone()
        if found is None:
            raise Missing(str(number))
        return _steps(row, [found])[0], json.loads(found["state"])

    def delete(self, sheet: str, version: int) -> None:
        """Put a sheet away; it is kept for ``KEPT_DAYS``."""
        with self._writing() as db:
            _expected(db, sheet, version)
            db.execute("UPDATE sheets SET deleted = ? WHERE id = ?", (time.time(), sheet))

    def restore(self, sheet: str) -> Sheet:
        """Take a deleted sheet back; Missing where it is gone for good or never was."""
        with self._writing() as db:
            if not db.execute("UPDATE sheets SET deleted = NULL WHERE id = ?", (sheet,)).rowcount:
                raise Missing(sheet)
            return _sheet(db, sheet)

    def forget_deleted(self) -> None:
        """Sheets deleted long ago go for good."""
        with self._writing() as db:
            long_ago = time.time() - KEPT_DAYS * 86400.0
            for row in db.execute("SELECT id FROM sheets WHERE deleted < ?", (long_ago,)).fetchall():
                for table, column in (("steps", "sheet"), ("versions", "sheet"), ("sheets", "id")):
                    db.execute(f"DELETE FROM {table} WHERE {column} = ?", (row["id"],))

    def forget_parts(self) -> set[str]:
        """Forget uploaded files that no sheet refers to any more; the digests of those that are kept."""
        with self._writing() as db:
            found = db.execute("SELECT DISTINCT json_extract(state, '$.part.digest') AS digest FROM steps")
            kept = {row["digest"] for row in found}
            for row in db.execute("SELECT digest FROM parts").fetchall():
                if row["digest"] not in kept:
                    db.execute("DELETE FROM parts WHERE digest = ?", (row["digest"],))
        return kept

    def forget_marks(self) -> None:
        """Forget marks that no sheet refers to any more."""
        with self._writing() as db:
            db.execute(
                "DELETE FROM marks WHERE digest NOT IN (SELECT each.atom FROM steps, "
                "json_tree(steps.state, '$.choices') AS each WHERE each.type = 'text')"
            )

    def programs(self) -> set[str]:
        """The digests of the machine programs that a sheet refers to, now or in its past."""
        found = self._rows(
            "SELECT DISTINCT json_extract(each.value, '$.digest') AS digest "
            "FROM steps, json_each(steps.state, '$.programs') AS each"
        )
        return {row["digest"] for row in found}

    # what sheets refer to by the hash of its content

    def add_part(self, digest: str, size: int) -> None:
        """An uploaded file has arrived whole."""
        with self._writing() as db:
            db.execute("INSERT OR IGNORE INTO parts VALUES (?, ?, ?)", (digest, size, time.time()))

    def part_bytes(self, digest: str) -> int | None:
        """The size of an uploaded file, None where there is none of that digest."""
        rows = self._rows("SELECT bytes FROM parts WHERE digest = ?", digest)
        return int(rows[0]["bytes"]) if rows else None

    def add_marks(self, digest: str, bits: bytes) -> None:
        with self._writing() as db:
            db.execute("INSERT OR IGNORE INTO marks VALUES (?, ?)", (digest, bits))

    def marks(self, digest: str) -> bytes | None:
        """Marks by digest, None where there are none."""
        rows = self._rows("SELECT bits FROM marks WHERE digest = ?", digest)
        return bytes(rows[0]["bits"]) if rows else None

    # fits of the ledger, as they came to count

    def note_fit(self, digest: str) -> None:
        """Another fit of the ledger's readings counts from now on."""
        with self._writing() as db:
            db.execute("INSERT INTO fits VALUES (?, ?)", (time.time(), digest))
            db.execute(
                "DELETE FROM fits WHERE rowid NOT IN (SELECT rowid FROM fits ORDER BY at DESC LIMIT ?)",
                (_MOST_FITS,),
            )

    def fits_since(self, when: float) -> list[float]:
        """When the fit that counts changed, after that moment."""
        return [row["at"] for row in self._rows("SELECT at FROM fits WHERE at > ? ORDER BY at", when)]

    # kept processes

    def put_process(self, name: str, toml: str, basis: str = "") -> None:
        """Keep a process under a name, in place of an earlier one; ``basis`` says on what it rests."""
        with self._writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO processes VALUES (?, ?, ?, ?)", (name, toml, basis, time.time())
            )

    def drop_process(self, name: str) -> bool:
        """Whether there was one."""
        with self._writing() as db:
            return db.execute("DELETE FROM processes WHERE name = ?", (name,)).rowcount > 0

    def processes(self) -> dict[str, tuple[str, str]]:
        """TOML text and basis of every kept process by name."""
        rows = self._rows("SELECT name, toml, basis FROM processes ORDER BY name")
        return {row["name"]: (row["toml"], row["basis"]) for row in rows}

    # what the ledger's test pieces and plans were made of

    def keep_coupon(self, code: str, arguments: dict[str, Any]) -> None:
        """How a test piece was made: the same arguments make it again."""
        with self._writing() as db:
            db.execute("INSERT OR REPLACE INTO coupons VALUES (?, ?)", (code, json.dumps(arguments)))

    def coupon(self, code: str) -> dict[str, Any] | None:
        """How a test piece of this bench was made, None for another."""
        rows = self._rows("SELECT arguments FROM coupons WHERE code = ?", code)
        return json.loads(rows[0]["arguments"]) if rows else None

    def coupon_fits(self) -> set[str]:
        """The fits of readings that test pieces were made with: making them again needs those."""
        return {
            row["fit"] for row in self._rows("SELECT json_extract(arguments, '$.fit') AS fit FROM coupons")
        }

    def keep_spots(self, digest: str, spots: list[dict[str, Any]]) -> None:
        """What there is to look at on a print of the plan of that digest."""
        with self._writing() as db:
            db.execute("INSERT OR REPLACE INTO plans VALUES (?, ?)", (digest, json.dumps(spots)))

    def spots(self, digest: str) -> list[dict[str, Any]]:
        """What there is to look at on a print of that plan; nothing for a plan of another bench."""
        rows = self._rows("SELECT spots FROM plans WHERE digest = ?", digest)
        return json.loads(rows[0]["spots"]) if rows else []

    # visitors, by the hash of their secret

    def add_visitor(self, secret: str) -> None:
        with self._writing() as db:
            db.execute("INSERT OR IGNORE INTO visitors VALUES (?, ?)", (secret, time.time()))

    def visitors(self) -> set[str]:
        return {row["secret"] for row in self._rows("SELECT secret FROM visitors")}

    def add_invitation(self, secret: str, ends: float) -> None:
        with self._writing() as db:
            db.execute("DELETE FROM invitations WHERE ends < ?", (time.time(),))
            db.execute("INSERT INTO invitations VALUES (?, ?)", (secret, ends))

    def take_invitation(self, secret: str) -> bool:
        """Use an invitation up; whether it was good."""
        with self._writing() as db:
            taken = db.execute(
                "DELETE FROM invitations WHERE secret = ? AND ends >= ?", (secret, time.time())
            )
            return taken.rowcount > 0


def _private(path: Path) -> None:
    """The file is there and its owner's alone; what SQLite writes beside it follows it in that."""
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        os.chmod(path, 0o600)
    except OSError:
        return  # SQLite says what is wrong, or the disk knows no owners


def _add_step(db: sqlite3.Connection, sheet: str, what: str, who: str, at: float, state: SheetState) -> int:
    text = json.dumps(state, allow_nan=False)
    found = db.execute(
        "INSERT INTO steps (sheet, what, who, at, state) VALUES (?, ?, ?, ?, ?)", (sheet, what, who, at, text)
    )
    assert found.lastrowid is not None
    return found.lastrowid


def _row(db: sqlite3.Connection, sheet: str) -> sqlite3.Row:
    row: sqlite3.Row | None = db.execute(
        "SELECT * FROM sheets WHERE id = ? AND deleted IS NULL", (sheet,)
    ).fetchone()
    if row is None:
        raise Missing(sheet)
    return row


def _sheet(db: sqlite3.Connection, sheet: str) -> Sheet:
    row = _row(db, sheet)
    past, future = json.loads(row["past"]), json.loads(row["future"])
    now = db.execute("SELECT what, state FROM steps WHERE id = ?", (row["step"],)).fetchone()
    redo = None
    if future:
        redo = db.execute("SELECT what FROM steps WHERE id = ?", (future[-1],)).fetchone()["what"]
    return Sheet(
        id=row["id"],
        version=row["version"],
        created=row["created"],
        changed=row["changed"],
        state=json.loads(now["state"]),
        undo=now["what"] if past else None,
        redo=redo,
    )


def _steps(sheet: sqlite3.Row, found: list[sqlite3.Row]) -> list[SheetStep]:
    places = dict.fromkeys(json.loads(sheet["past"]), "before")
    places |= {**dict.fromkeys(json.loads(sheet["future"]), "after"), sheet["step"]: "now"}
    return [
        SheetStep(row["id"], row["what"], row["who"], row["at"], places.get(row["id"], "aside"))
        for row in found
    ]


def _expected(db: sqlite3.Connection, sheet: str, version: int) -> sqlite3.Row:
    row = _row(db, sheet)
    if row["version"] != version:
        base = db.execute(
            "SELECT state FROM versions JOIN steps ON steps.id = versions.step "
            "WHERE versions.sheet = ? AND version = ?",
            (sheet, version),
        ).fetchone()
        raise Outdated(_sheet(db, sheet), json.loads(base["state"]) if base else None)
    return row


def _point(
    db: sqlite3.Connection, row: sqlite3.Row, step: int, past: list[int], future: list[int], now: float
) -> Sheet:
    """Have the sheet show ``step`` as its next version; steps nobody can reach any more go."""
    sheet, version = row["id"], row["version"] + 1
    db.execute(
        "UPDATE sheets SET version = ?, step = ?, past = ?, future = ?, changed = ? WHERE id = ?",
        (version, step, json.dumps(past), json.dumps(future), now, sheet),
    )
    db.execute("INSERT INTO versions VALUES (?, ?, ?)", (sheet, version, step))
    db.execute("DELETE FROM versions WHERE sheet = ? AND version < ?", (sheet, version - MOST_STEPS))
    db.execute(
        "DELETE FROM steps WHERE sheet = ?1 AND id < ?2 "
        "AND id NOT IN (SELECT step FROM versions WHERE sheet = ?1) "
        "AND id NOT IN (SELECT value FROM json_each(?3)) AND id NOT IN (SELECT value FROM json_each(?4))",
        (sheet, step, json.dumps(past), json.dumps(future)),
    )
    return _sheet(db, sheet)

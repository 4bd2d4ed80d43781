"""The ledger's SQLite file: made, opened for one piece of work, brought to this version, copied.

Each piece of work opens the file and closes it again. That costs a fraction of a millisecond and leaves
nothing to share between threads or to inherit by a forked process, and after each close all is in one file.
"""

from __future__ import annotations

import contextlib
import datetime
import errno
import os
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from urllib.parse import quote

from falsework.errors import LedgerError
from falsework.ledger.place import aside, place_new, private_folder, settle
from falsework.ledger.schema import APPLICATION, SEAL, STEPS
from falsework.ledger.values import digest_of

_PATIENCE_S = 30.0  # how long one writer waits for the others
_OLDEST_SQLITE = (3, 37, 0)  # the first with strict tables

Connection = sqlite3.Connection


def now() -> str:
    """This moment, UTC, to the millisecond: '2031-05-04T16:20:07.123Z'."""
    moment = datetime.datetime.now(datetime.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@contextlib.contextmanager
def reading(path: Path) -> Iterator[Connection]:
    """A connection that sees the ledger as it is at its first query, whoever writes meanwhile."""
    with _opened(path) as db:
        db.execute("BEGIN")
        yield db
        db.execute("COMMIT")


@contextlib.contextmanager
def writing(path: Path, keep: bool = True) -> Iterator[Connection]:
    """A connection that alone may write; all of the block's work is kept, or none where it fails.

    ``keep``: False throws the work away in any case: to see what would come of it.
    """
    with _opened(path) as db:
        db.execute("BEGIN IMMEDIATE")
        try:
            yield db
        except BaseException:
            _undo(db)
            raise
        db.execute("COMMIT" if keep else "ROLLBACK")


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Connection]:
    with troubles(path):
        whole = quote(os.fsencode(path.absolute())).lstrip("/")
        db = sqlite3.connect(f"file:///{whole}?mode=rw", uri=True, timeout=_PATIENCE_S, isolation_level=None)
        try:
            db.row_factory = sqlite3.Row
            db.create_function("sha256", 1, digest_of, deterministic=True)
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA synchronous = FULL")  # what is committed outlasts a power cut
            yield db
        finally:
            db.close()


def _undo(db: Connection) -> None:
    if db.in_transaction:  # a full disk has undone it already
        db.execute("ROLLBACK")


def make_ready(path: Path, steps: Sequence[tuple[str, ...]] = STEPS) -> None:
    """See to it that ``path`` is a ledger of this version: make it, or bring it up to date.

    An older file is copied beside itself before it is changed. Raises ``LedgerError`` where it is no ledger,
    is damaged, or comes from a newer version.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        found, needed = sqlite3.sqlite_version, ".".join(map(str, _OLDEST_SQLITE))
        raise LedgerError(
            "SQLite", f"is version {found} here; the ledger needs {needed}", "Use a newer Python"
        )
    with troubles(path):
        if not path.exists():
            private_folder(path.parent)
            with aside(path.parent) as new:
                _make(new, steps)
                place_new(new, path)  # another process may have been quicker: its file is as good
    if path.is_dir() or not path.is_file():
        raise LedgerError(str(path), "is not a file", "Give the ledger's file")
    with _opened(path) as db:
        version = _version(db, path, len(steps))
    if version < len(steps):
        _migrate(path, steps)


def _make(path: Path, steps: Sequence[tuple[str, ...]]) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    try:
        db.create_function("sha256", 1, digest_of, deterministic=True)
        db.execute("PRAGMA journal_mode = WAL")  # stays with the file
        db.execute("BEGIN IMMEDIATE")
        db.execute(f"PRAGMA application_id = {APPLICATION}")
        for step in steps:
            for statement in step:
                db.execute(statement)
        db.execute(f"PRAGMA user_version = {len(steps)}")
        db.execute("COMMIT")
    finally:
        db.close()
    settle(path)


def _version(db: Connection, path: Path, newest: int) -> int:
    application = db.execute("PRAGMA application_id").fetchone()[0]
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    if application != APPLICATION:
        raise LedgerError(
            str(path), "is not a ledger of falsework", "Give the ledger's file, or a name that is not taken"
        )
    if version > newest:
        raise LedgerError(
            str(path),
            f"was written by a newer version of falsework (its tables have version {version}, this one knows "
            f"{newest})",
            "Use that version, or a backup from before",
        )
    return version


def _migrate(path: Path, steps: Sequence[tuple[str, ...]]) -> None:
    """Check, copy, change while nobody else may write: a stop half-way leaves the old version.

    The copy is read by a connection of its own, which sees the ledger as it was before.
    """
    with _opened(path) as db:
        db.execute("PRAGMA foreign_keys = OFF")  # a step may build a table anew; checked below
        db.execute("BEGIN IMMEDIATE")
        try:
            version = _version(db, path, len(steps))
            if version < len(steps):  # else another process has done it meanwhile
                check(path)
                stamp = now().replace(":", "").replace(".", "")
                copy(path, path.with_name(f"{path.name}.version-{version}.{stamp}"))
                _bring_up(db, path, steps[version:])
                db.execute(f"PRAGMA user_version = {len(steps)}")
        except BaseException:
            _undo(db)
            raise
        db.execute("COMMIT")


def _bring_up(db: Connection, path: Path, steps: Sequence[tuple[str, ...]]) -> None:
    for step in steps:
        for statement in step:
            db.execute(statement)
    loose = db.execute("PRAGMA foreign_key_check").fetchone()
    if loose is not None:
        raise LedgerError(
            str(path), f"table {loose[0]} refers to what is not there", "Restore a backup from before"
        )


def check(path: Path) -> None:
    """Raise ``LedgerError`` unless the file is sound through and through (reads all of it)."""
    with _opened(path) as db:
        found = [row[0] for row in db.execute("PRAGMA integrity_check(3)")]
        loose = db.execute("PRAGMA foreign_key_check").fetchone()
    if loose is not None:
        found.append(f"table {loose[0]} refers to what is not there")
    if found != ["ok"]:
        raise LedgerError(str(path), f"is damaged: {'; '.join(f for f in found if f != 'ok')}", _USE_BACKUP)


def check_documents(path: Path) -> None:
    """Raise ``LedgerError`` unless what is kept as a text gives the digest that is kept with it."""
    with _opened(path) as db:
        found = [what for sql in _SPOILT_RECORDS for (what,) in db.execute(sql)]
        fits = db.execute(f"SELECT count(*) FROM fit WHERE seal <> {SEAL}").fetchone()[0]
    if found:
        raise LedgerError(str(path), f"is damaged: {', '.join(found)} cannot be as it was kept", _USE_BACKUP)
    if fits:
        raise LedgerError(
            str(path),
            "is damaged: the records are sound, but the stored fit is not",
            "Make it anew with 'falsework tune'; until then it is left aside",
        )


def copy(path: Path, target: Path) -> None:
    """A copy of the ledger as it is now, whoever writes meanwhile; ``target`` must be new."""
    with troubles(target), aside(target.parent) as new:
        with _opened(path) as db:
            into = sqlite3.connect(new, isolation_level=None)
            try:
                db.backup(into)
            finally:
                into.close()
        settle(new)
        if not place_new(new, target):
            raise LedgerError(str(target), "is there already", "Give another name")


_SPOILT_RECORDS = (
    "SELECT 'test piece ' || code FROM coupon WHERE digest <> sha256(CAST(document AS BLOB))",
    "SELECT 'process ' || digest FROM process WHERE digest <> sha256(CAST(settings AS BLOB))",
)
_USE_BACKUP = (
    "Restore a backup made with 'falsework ledger backup'; keep the damaged file, much may be read from it"
)
_SQLITE_TROUBLES = {
    "SQLITE_FULL": ("the disk is full; nothing was recorded", "Make room, then do it again"),
    "SQLITE_BUSY": ("another program holds it; nothing was recorded", "End that program, or try again later"),
    "SQLITE_LOCKED": (
        "another program holds it; nothing was recorded",
        "End that program, or try again later",
    ),
    "SQLITE_READONLY": ("may not be written to; nothing was recorded", "Ask for the right to write there"),
    "SQLITE_PERM": ("may not be used", "Ask for the right to read and write it"),
    "SQLITE_CANTOPEN": (
        "cannot be opened",
        "Check that it is there and that you may read and write its folder",
    ),
    "SQLITE_NOTADB": ("is not a ledger of falsework", "Give the ledger's file, or a name that is not taken"),
    "SQLITE_CORRUPT": ("is damaged", _USE_BACKUP),
    "SQLITE_IOERR": ("cannot be read or written; the disk may be full or failing", "Check the disk"),
}


@contextlib.contextmanager
def troubles(path: Path) -> Iterator[None]:
    """Troubles of the database and of the operating system come out as ``LedgerError``."""
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "")
        for known, (wrong, cure) in _SQLITE_TROUBLES.items():
            if name.startswith(known):
                raise LedgerError(str(path), wrong, cure) from error
        raise LedgerError(str(path), f"is damaged ({error})", _USE_BACKUP) from error
    except UnicodeDecodeError as error:  # even the database's own message may hold what is spoilt
        raise LedgerError(str(path), "is damaged: a text cannot be read", _USE_BACKUP) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            wrong, cure = _SQLITE_TROUBLES["SQLITE_FULL"]
            raise LedgerError(str(path), wrong, cure) from error
        reason = error.strerror or str(error) or type(error).__name__
        raise LedgerError(
            str(path), f"cannot be used ({reason})", "Give another place, or mend this"
        ) from error

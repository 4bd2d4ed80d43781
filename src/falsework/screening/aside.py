"""Tables that grow with a catalogue: on the disk, in a file of SQLite's own that ends with whoever opened it.

Of a hundred rows or ten million, the same few megabytes are in memory.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator

from falsework.errors import OutputError


class _Aside(sqlite3.Connection):
    """Closes when it goes: from Python 3.13 on, one that is left open is a warning."""

    def __del__(self) -> None:
        self.close()


def table_aside(*made_by: str) -> sqlite3.Connection:
    """A database without a name, made by these statements; nothing of it outlives the connection.

    It is written only when its cache of two megabytes is full, and never for safety: what it holds can be
    read again from where it came.
    """
    table = sqlite3.connect("", isolation_level=None, check_same_thread=False, factory=_Aside)
    for statement in ("PRAGMA journal_mode = OFF", "PRAGMA synchronous = OFF", *made_by, "BEGIN"):
        table.execute(statement)
    return table


@contextlib.contextmanager
def with_room(what: str) -> Iterator[None]:
    """Within the block, a disk without room for such a table is an ``OutputError`` about ``what``."""
    try:
        yield
    except sqlite3.Error as error:
        wrong = f"the list of its parts cannot be kept ({error})"
        raise OutputError(what, wrong, "Make room where temporary files lie, then go on") from None


class Occurrences:
    """How often each name came before."""

    def __init__(self) -> None:
        self._table = table_aside(
            "CREATE TABLE names (name BLOB PRIMARY KEY, count INTEGER) WITHOUT ROWID",
        )

    def before(self, name: str) -> int:
        """How often it was asked for before this time."""
        key = name.encode("utf-8", "surrogateescape")
        with with_room(name):
            found = self._table.execute("SELECT count FROM names WHERE name = ?", (key,)).fetchone()
            count: int = found[0] if found else 0
            self._table.execute("INSERT OR REPLACE INTO names VALUES (?, ?)", (key, count + 1))
        return count

"""The folder of a screening: rows in Parquet files that are only ever added, pictures, and what was asked.

A batch of rows is written aside and renamed, so that it is there or not. One row for each entry and process:
a row that takes an earlier one's place has it removed from its file in the moment before; what a stop
between the two takes away is made again by the next run.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass, fields, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from falsework.errors import OutputError
from falsework.files.atomic import atomic_file, check_folder
from falsework.screening.aside import table_aside, with_room
from falsework.screening.row import FAILED, SCHEMA, Row, rows_of, schema, table_of
from falsework.screening.terms import Depth, Terms

MARK, ROWS, PICTURES, PLANS, INDEX = "screen.json", "rows", "pictures", "plans", "index.html"
_LOCK = ".lock"
_ASIDE = ".falsework-"
FULL_ROWS, FULL_S = 500, 20.0  # a batch is written when it has so many rows, or its first is so old
_INDEXED = (
    "entry", "process", "key", "wanted", "own", "state", "depth", "redraw_why", "turn", "picture",
    "plan", "pieces",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Kept:
    """Where a row lies, and what decides whether it still holds."""

    batch: int
    key: str
    wanted: int
    own: str
    failed: bool
    depth: str
    redraw: bool  # whether there is one, and
    turned: bool  # another position, a picture, a plan's folder
    picture: bool
    plan: bool  # or no need of one: nothing was planned

    @staticmethod
    def of(batch: int, row: Row | SimpleNamespace) -> Kept:
        plan = bool(row.plan) or row.pieces is None
        beside = bool(row.redraw_why), bool(row.turn), bool(row.picture), plan
        return Kept(batch, row.key, row.wanted, row.own, row.state == FAILED, row.depth, *beside)

    def covers(self, terms: Terms) -> bool:
        """Whether it says all that is asked; what failed says so only of the depth at which it did."""
        if self.failed:
            return self.depth == terms.depth
        beside = (
            (self.redraw or not terms.redraw)
            and (self.turned or not terms.lies)
            and (self.picture or not terms.pictures)
            and (self.plan or not terms.plans)
        )
        return beside and Depth(self.depth).rank >= terms.depth.rank


RowPlace = tuple[str, str]
"""Key of a row: entry and process."""

_OF_KEPT = tuple(one.name for one in fields(Kept))
_FOUND = f"SELECT {', '.join(_OF_KEPT)} FROM kept WHERE entry = ? AND process = ?"
_LATEST = "SELECT entry, process FROM kept WHERE key = ? AND NOT failed ORDER BY batch DESC LIMIT 1"
_TABLE = (
    f"CREATE TABLE kept (entry, process, {', '.join(_OF_KEPT)}, PRIMARY KEY (entry, process)) WITHOUT ROWID",
    "CREATE INDEX of_key ON kept (key)",
)
_PUT = f"INSERT OR REPLACE INTO kept VALUES ({', '.join('?' * (2 + len(_OF_KEPT)))})"


class Dataset:
    """The rows of a folder, held by this process alone; a context."""

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)
        self._rows = self.folder / ROWS
        self._index = table_aside(*_TABLE)  # of rows that were written
        self._pending: dict[RowPlace, Row] = {}
        self._pending_keys: dict[str, RowPlace] = {}
        self._last: tuple[int, dict[RowPlace, Row]] = -1, {}  # read last: neighbours are asked for
        self._since = 0.0
        self._next = 0
        self._lock: int | None = None

    def __enter__(self) -> Dataset:
        check_folder(self.folder, mark=MARK)
        try:
            for path in (self.folder, self._rows, self.folder / PICTURES):
                path.mkdir(exist_ok=True)
            self._lock = os.open(self.folder / _LOCK, os.O_RDWR | os.O_CREAT, 0o666)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(self._lock) if self._lock is not None else None
            self._lock = None
            wrong = "another screening is writing there"
            raise OutputError(
                str(self.folder), wrong, "Wait for it, or give another place with --out"
            ) from None
        except OSError as error:
            wrong = f"cannot be written ({error.strerror or error})"
            raise OutputError(str(self.folder), wrong, "Give another place with --out") from None
        self._read_index()
        return self

    def __exit__(self, *_: object) -> None:
        self._index.close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def __len__(self) -> int:
        ((written,),) = self._index.execute("SELECT count(*) FROM kept")
        return int(written) + sum(self._written(place) is None for place in self._pending)

    def describe(self, asked: Mapping[str, Any]) -> None:
        """Say what was asked, beside the rows."""
        text = json.dumps({"schema": SCHEMA, **asked}, indent=1, ensure_ascii=True)
        with atomic_file(self.folder / MARK) as aside:
            aside.write_text(text + "\n", "utf-8")

    def kept(self, entry: str, process: str) -> Kept | None:
        """What there is of an entry and process, the rows not yet written among it."""
        row = self._pending.get((entry, process))
        if row is not None:
            return Kept.of(-1, row)
        return self._written((entry, process))

    def row(self, entry: str, process: str) -> Row | None:
        """The row of an entry and process."""
        place = entry, process
        if place in self._pending:
            return self._pending[place]
        kept = self._written(place)
        return None if kept is None else self._batch(kept.batch).get(place)

    def like(self, key: str, terms: Terms) -> Row | None:
        """A row with this work behind it, of whatever file, that says all that is asked."""
        place = self._pending_keys.get(key)
        if place is None:
            with with_room(str(self.folder)):
                place = self._index.execute(_LATEST, (key,)).fetchone()
        kept = None if place is None else self.kept(*place)
        return self.row(*place) if place and kept and kept.key == key and kept.covers(terms) else None

    def add(self, row: Row) -> None:
        """Take in a row, in place of an earlier one of its entry and process."""
        if not self._pending:
            self._since = time.monotonic()
        self._pending[row.entry, row.process] = row
        if row.state != FAILED:
            self._pending_keys[row.key] = (row.entry, row.process)
        if len(self._pending) >= FULL_ROWS:
            self.commit()

    def commit_if_due(self) -> bool:
        """Write what has waited long enough; whether anything was."""
        if self._pending and time.monotonic() - self._since >= FULL_S:
            self.commit()
            return True
        return False

    def commit(self) -> None:
        """Write the rows that were taken in; ``OutputError`` where there is no room, and nothing is lost."""
        if not self._pending:
            return
        replaced: dict[int, set[RowPlace]] = defaultdict(set)
        for place in self._pending:
            kept = self._written(place)
            if kept is not None:
                replaced[kept.batch].add(place)
        with atomic_file(self._path(self._next)) as aside:
            _write(list(self._pending.values()), aside)
            for batch, places in replaced.items():
                self._remove(batch, places)
        self._keep(self._next, self._pending.values())
        self._next += 1
        self._pending.clear()
        self._pending_keys.clear()

    def picture(self, digest: str, png: bytes) -> str:
        """Keep a picture; its way from the folder."""
        name = f"{PICTURES}/{digest[:2]}/{digest[2:24]}.png"
        path = self.folder / name
        if path.exists():
            return name
        aside = path.with_name(f"{_ASIDE}{path.name}")
        try:
            path.parent.mkdir(exist_ok=True)
            aside.write_bytes(png)
            os.replace(aside, path)
        except OSError as error:
            aside.unlink(missing_ok=True)
            raise OutputError(
                str(path), f"cannot be written ({error.strerror or error})", "Make room, then go on"
            ) from None
        return name

    def _path(self, batch: int) -> Path:
        return self._rows / f"batch-{batch:06d}.parquet"

    def _written(self, place: RowPlace) -> Kept | None:
        """What is known of a row in the files."""
        with with_room(str(self.folder)):
            found = self._index.execute(_FOUND, place).fetchone()
        return None if found is None else Kept(*found)

    def _keep(self, batch: int, rows: Iterable[Row | SimpleNamespace]) -> None:
        told = ((row.entry, row.process, *astuple(Kept.of(batch, row))) for row in rows)
        with with_room(str(self.folder)):
            self._index.executemany(_PUT, told)

    def _read_index(self) -> None:
        for left in self._rows.glob(f"{_ASIDE}*"):  # of a run that was killed
            left.unlink(missing_ok=True)
        for path in batches(self.folder):
            batch = int(path.stem.rpartition("-")[2])
            self._next = max(self._next, batch + 1)
            self._keep(batch, (SimpleNamespace(**row) for row in _table(path, list(_INDEXED)).to_pylist()))

    def _batch(self, batch: int) -> dict[RowPlace, Row]:
        if self._last[0] != batch:
            self._last = batch, {(r.entry, r.process): r for r in rows_of(_table(self._path(batch)))}
        return self._last[1]

    def _remove(self, batch: int, places: set[RowPlace]) -> None:
        path = self._path(batch)
        left = [row for place, row in self._batch(batch).items() if place not in places]
        self._last = -1, {}
        if not left:
            path.unlink(missing_ok=True)
            return
        with atomic_file(path) as aside:
            _write(left, aside)


def batches(folder: str | os.PathLike[str]) -> list[Path]:
    """The Parquet files of a screening, oldest first."""
    return sorted((Path(folder) / ROWS).glob("batch-*.parquet"))


def is_screening(folder: str | os.PathLike[str]) -> bool:
    """Whether a folder is one of a screening."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        schema_name = json.loads((Path(folder) / MARK).read_bytes())["schema"]
        return isinstance(schema_name, str) and schema_name.startswith("falsework.screen/")
    return False


def all_rows(folder: str | os.PathLike[str], names: list[str] | None = None) -> Any:
    """Rows of a screening as one ``pyarrow.Table``, or some columns of them."""
    import pyarrow as pa

    tables = [_table(path, names) for path in batches(folder)]
    if not tables:
        empty = schema().empty_table()
        return empty if names is None else empty.select(names)
    return pa.concat_tables(tables, promote_options="default")


def _table(path: Path, names: list[str] | None = None) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.ParquetFile(pa.memory_map(os.fspath(path))).read(columns=names)
    except (pa.ArrowException, OSError) as error:
        wrong = f"this batch of rows cannot be read ({error})"
        raise OutputError(str(path), wrong, "Remove this file; its parts are then done again") from None


def _write(rows: list[Row], path: Path) -> None:
    import pyarrow.parquet as pq

    ordered = sorted(rows, key=lambda row: (row.file, row.process, row.entry))
    pq.write_table(table_of(ordered), path, compression="zstd")


def copied(row: Row, **changes: Any) -> Row:
    """A row's figures for another entry: nothing was worked on."""
    return replace(row, seconds=0.0, tries=0, **changes)

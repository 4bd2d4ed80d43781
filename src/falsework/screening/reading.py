"""Reading ahead: while workers work, the contents of the next entries are read and told apart by digest."""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass

from falsework.errors import FalseworkError
from falsework.request.marks import Marks, marks_beside, read_marks
from falsework.screening import places
from falsework.screening.listing import ListedPart

NO_MARKS = Marks()
AT_ONCE = 16  # readers: a slow store answers as many at a time
AHEAD_BYTES = 512 << 20  # of contents in hand that no worker has yet


@dataclass(frozen=True)
class Ready:
    """An entry whose content was read: its digest, what it was when it was read, what is marked on it.

    ``data``: the content, where workers cannot read it themselves. ``fault``: why it cannot be had.
    """

    entry: ListedPart
    digest: str = ""
    stamp: tuple[int, int] = (0, 0)
    marks: Marks = NO_MARKS
    data: bytes | None = None
    fault: str = ""


class ReadAhead:
    """Entries in their order or nearly so, as their contents come in."""

    def __init__(self, entries: Iterator[ListedPart]) -> None:
        self._entries = entries
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="reading")
        self._underway: list[Future[Ready]] = []
        self._held = _Held(AHEAD_BYTES)
        self._over = False

    @property
    def exhausted(self) -> bool:
        """Whether all entries were taken."""
        return self._over and not self._underway

    def take(self, timeout_s: float) -> Ready | None:
        """The next entry; None where none is ready within the time."""
        self._fill()
        if not self._underway:
            return None
        if timeout_s > 0.0:
            wait(self._underway, timeout_s, FIRST_COMPLETED)
        # any that is done, not the first: those behind it hold what the first may wait for
        done = next((k for k, future in enumerate(self._underway) if future.done()), None)
        if done is None:
            return None
        ready = self._underway.pop(done).result()
        self._held.less(len(ready.data or b""))
        return ready

    def close(self) -> None:
        self._held.release()
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _fill(self) -> None:
        while len(self._underway) < 2 * AT_ONCE and not self._over:
            entry = next(self._entries, None)
            if entry is None:
                self._over = True
            else:
                self._underway.append(self._pool.submit(self._read, entry))

    def _read(self, entry: ListedPart) -> Ready:
        if entry.fault:
            return Ready(entry, fault=entry.fault)
        try:
            if places.is_address(entry.place):
                self._held.wait()
                data = places.fetched(entry.place)
                self._held.more(len(data))
                digest = hashlib.sha256(data).hexdigest()
                return Ready(entry, digest, (len(data), 0), entry.marks or NO_MARKS, data)
            marks = entry.marks
            if marks is None:
                beside = marks_beside(entry.place)
                marks = read_marks(beside) if os.path.isfile(beside) else NO_MARKS
            digest, stamp = places.digest_of(entry.place)
            return Ready(entry, digest, stamp, marks)
        except FalseworkError as error:
            return Ready(entry, fault=str(error))
        except Exception as error:
            return Ready(entry, fault=f"{entry.called}: it cannot be read ({error}).")


class _Held:
    """Bytes in hand; who would read more waits until there is room."""

    def __init__(self, most: int) -> None:
        self._most, self._bytes, self._changed = most, 0, threading.Condition()

    def more(self, count: int) -> None:
        with self._changed:
            self._bytes += count

    def less(self, count: int) -> None:
        with self._changed:
            self._bytes -= count
            self._changed.notify_all()

    def release(self) -> None:
        with self._changed:
            self._most = 1 << 62
            self._changed.notify_all()

    def wait(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._bytes < self._most)


@contextlib.contextmanager
def reading(entries: Iterator[ListedPart]) -> Iterator[ReadAhead]:
    """Read ahead within the block."""
    ahead = ReadAhead(entries)
    try:
        yield ahead
    finally:
        ahead.close()

"""Reading ahead: while workers work, the contents of the next entries are read and told apart by digest."""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from heapq import heappop, heappush
from queue import Empty, SimpleQueue

from falsework.errors import FalseworkError
from falsework.request.marks import Marks, marks_beside, read_marks
from falsework.screening import places
from falsework.screening.listing import ListedPart

NO_MARKS = Marks()
AT_ONCE = 16  # readers: a slow store answers as many at a time
SEEN_AHEAD = 1000  # entries among which the heaviest is taken
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


def heaviest_first(entries: Iterator[ListedPart], window: int = SEEN_AHEAD) -> Iterator[ListedPart]:
    """Entries by falling size of their files, as far as is seen ahead: a long part that is begun last would
    leave all other workers idle. What will be refused comes at once."""
    held: list[tuple[float, int, ListedPart]] = []
    for number, entry in enumerate(entries):
        heappush(held, (-_weight(entry), number, entry))
        if len(held) > window:
            yield heappop(held)[2]
    while held:
        yield heappop(held)[2]


def _weight(entry: ListedPart) -> float:
    if entry.fault:
        return math.inf
    if places.is_address(entry.place):  # a store would have to be asked
        return 0.0
    try:
        return os.path.getsize(entry.place)
    except (OSError, ValueError):
        return math.inf


class ReadAhead:
    """Entries as their contents come in, the heaviest first or nearly so.

    Read by threads that end with the program: who stops must not wait for a store that hangs.
    """

    def __init__(self, entries: Iterator[ListedPart]) -> None:
        self._entries = entries
        self._asked: SimpleQueue[ListedPart | None] = SimpleQueue()
        self._read_already: SimpleQueue[Ready] = SimpleQueue()
        self._underway, self._over = 0, False
        self._held = _Held(AHEAD_BYTES)
        for _ in range(AT_ONCE):
            threading.Thread(target=self._work, name="reading", daemon=True).start()

    @property
    def exhausted(self) -> bool:
        """Whether all entries were taken."""
        return self._over and not self._underway

    def take(self, timeout_s: float) -> Ready | None:
        """The next entry; None where none is ready within the time."""
        self._fill()
        if not self._underway:
            return None
        try:
            ready = self._read_already.get(timeout_s > 0.0, timeout_s)
        except Empty:
            return None
        self._underway -= 1
        self._held.less(len(ready.data or b""))
        return ready

    def close(self) -> None:
        self._held.release()
        with contextlib.suppress(Empty):
            while True:
                self._asked.get_nowait()
        for _ in range(AT_ONCE):
            self._asked.put(None)

    def _fill(self) -> None:
        while self._underway < 2 * AT_ONCE and not self._over:
            entry = next(self._entries, None)
            if entry is None:
                self._over = True
            else:
                self._underway += 1
                self._asked.put(entry)

    def _work(self) -> None:
        while (entry := self._asked.get()) is not None:
            self._read_already.put(self._read(entry))

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
    ahead = ReadAhead(heaviest_first(entries))
    try:
        yield ahead
    finally:
        ahead.close()

"""What the ledger gives back: plain frozen values."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, TypedDict

from falsework.coupon.reading import Reading


class Source(StrEnum):
    """Where a reading comes from."""

    COUPON = "coupon"  # a cell of a test piece
    PRINT = "print"  # an underside or a piece of support of an everyday print
    OTHER = "other"  # anything else that was printed and looked at


class Act(StrEnum):
    """What happened to a reading."""

    RECORDED = "recorded"
    CORRECTED = "corrected"
    WITHDRAWN = "withdrawn"  # no longer counts
    RESTORED = "restored"  # counts again


class Deed(NamedTuple):
    """What was done to a reading: its number in the reading's history, the reason, and when ('' for now)."""

    number: int
    act: Act
    reason: str = ""
    recorded_at: str = ""


@dataclass(frozen=True)
class Entry:
    """What is written down at once: a reading and where it belongs.

    Attributes
    ----------
    coupon, cell : code of the test piece and label of its cell; for a print, ``cell`` names the underside or
        the piece of support, such as 'underside 3'.
    print_id : the print it was taken from.
    measured_on : the day; today if None.
    gap_method : how an air gap that is not a whole number of layers was made.
    air_beneath_mm : how far down there was air; nothing can sag farther. None: not known.
    uid : a name that the recorder gives, unlike any other; recording it once more changes nothing.
    """

    reading: Reading
    coupon: str | None = None
    cell: str | None = None
    print_id: int | None = None
    source: Source | None = None
    measured_on: datetime.date | None = None
    gap_method: str = ""
    note: str = ""
    air_beneath_mm: float | None = None
    uid: str | None = None


class EntryOptions(TypedDict, total=False):
    """Fields of ``Entry`` that have a default."""

    coupon: str | None
    cell: str | None
    print_id: int | None
    gap_method: str
    note: str
    air_beneath_mm: float | None
    uid: str | None


class PrintOptions(TypedDict, total=False):
    """What may be said of a print beside its printer and material: digest of the plan or code of the test
    piece, number of the spool, the day (today if not given), and whether it is made up."""

    plan: str | None
    coupon: str | None
    spool: int | None
    printed_on: datetime.date | None
    note: str
    invented: bool


@dataclass(frozen=True)
class Recorded:
    """A reading as it stands now. ``flags``: what looks doubtful about it, in words; it still counts.

    ``uid`` names it in every ledger, ``id`` in this one. ``changes``: how often it was changed.
    """

    id: int
    uid: str
    reading: Reading
    when: datetime.date
    source: Source
    coupon: str | None
    cell: str | None
    print_id: int | None
    gap_method: str
    note: str
    flags: tuple[str, ...]
    changes: int
    withdrawn: bool


@dataclass(frozen=True)
class HistoryEntry:
    """One step in a reading's history."""

    number: int
    act: Act
    reason: str
    recorded_at: str
    when: datetime.date
    reading: Reading
    gap_method: str
    note: str
    flags: tuple[str, ...]


@dataclass(frozen=True)
class PrinterEvent:
    """Something that happened to a printer and may have changed what it does, such as 'nozzle replaced'."""

    id: int
    uid: str
    printer: str
    happened_on: datetime.date
    what: str
    withdrawn: str  # why it was withdrawn; '' where it stands


@dataclass(frozen=True)
class Spool:
    """One spool of a material, by the label that is written on it."""

    id: int
    material: str
    label: str
    note: str
    opened_on: datetime.date | None


@dataclass(frozen=True)
class Print:
    """Something that was printed: a plan, a test piece or neither."""

    id: int
    uid: str
    plan: str | None  # digest
    coupon: str | None  # code
    printer: str
    material: str
    spool: int | None
    printed_on: datetime.date
    note: str
    invented: bool


@dataclass(frozen=True)
class StoredPlan:
    """What a plan was: digest of its plan.json, the part's name, digest of its process, a few figures."""

    digest: str
    part: str
    process: str
    summary: str  # JSON text


@dataclass(frozen=True)
class StoredCoupon:
    """A test piece as stored: its code, what it is, and the text of its coupon.json."""

    code: str
    kind: str
    digest: str
    document: str


class StoredFit(NamedTuple):
    """A fit's text, the digest of what it was made from, and the moment it was stored (UTC); all empty and
    not ``sound`` where the file was damaged since."""

    text: str
    digest: str
    when: str
    sound: bool = True


@dataclass(frozen=True)
class Photograph:
    """A photograph that is attached to a reading, a print or a test piece."""

    attachment: int
    digest: str
    name: str
    media: str
    size: int
    reading: int | None
    print_id: int | None
    coupon: str | None
    note: str


@dataclass(frozen=True)
class Tray:
    """What came of a tray of rows.

    ``ids`` of the readings, ``print_id`` of the print they belong to (None: as the rows say), ``empty`` rows
    without an outcome, ``notes`` on names that are new or described otherwise, ``flags`` by row; ``printer``
    and ``material`` of a test piece's tray ('': as the rows say).
    """

    ids: tuple[int, ...]
    print_id: int | None
    empty: int
    notes: tuple[str, ...]
    flags: tuple[str, ...]
    printer: str = ""
    material: str = ""


@dataclass(frozen=True)
class Imported:
    """What an import brought.

    ``added`` counts new records by table, ``known`` the readings that were here already; ``notes`` say, in
    words, where this ledger and the other differ and which was kept.
    """

    added: dict[str, int]
    known: int
    notes: tuple[str, ...]

"""The tables of the ledger, as the steps that lead from one version of the file to the next.

A step is a tuple of SQL statements and is never edited once it has been published: a change is a new step.
Every table but the tally and the stored fits is only ever added to; triggers see to it. A step that must
touch kept rows drops the trigger and makes it again.
"""

from __future__ import annotations

APPLICATION = 0x46575752  # 'FWWR' in the file's header: this database is a ledger

_OUTLASTS = (
    *("printer", "printer_settings", "material", "material_settings", "spool", "process", "coupon", "plan"),
    *("print", "reading", "version", "photograph", "attachment", "detachment"),
)
_OUTLASTS_TOO = ("event", "event_withdrawal")


def _kept(table: str) -> tuple[str, ...]:
    return tuple(
        f"CREATE TRIGGER {table}_keeps_{act.lower()} BEFORE {act} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'the ledger is only added to'); END"
        for act in ("UPDATE", "DELETE")
    )


def _counted(table: str) -> str:
    return (
        f"CREATE TRIGGER {table}_counts AFTER INSERT ON {table} "
        "BEGIN UPDATE tally SET revision = revision + 1; END"
    )


_FIRST = (
    # 'ledger' tells this ledger from others; 'revision' changes whenever what a fit rests on does
    "CREATE TABLE tally (one INTEGER PRIMARY KEY CHECK (one = 1), ledger TEXT NOT NULL, "
    "revision INTEGER NOT NULL) STRICT",
    "INSERT INTO tally VALUES (1, lower(hex(randomblob(8))), 0)",
    "CREATE TABLE printer (name TEXT PRIMARY KEY) STRICT",
    "CREATE TABLE material (name TEXT PRIMARY KEY) STRICT",
    *(
        f"CREATE TABLE {table}_settings (name TEXT NOT NULL REFERENCES {table}, number INTEGER NOT NULL, "
        "settings TEXT NOT NULL, reason TEXT NOT NULL, recorded_at TEXT NOT NULL, "
        "PRIMARY KEY (name, number)) STRICT"
        for table in ("printer", "material")
    ),
    "CREATE TABLE spool (id INTEGER PRIMARY KEY, material TEXT NOT NULL REFERENCES material, "
    "label TEXT NOT NULL, note TEXT NOT NULL, opened_on TEXT, recorded_at TEXT NOT NULL, "
    "UNIQUE (material, label)) STRICT",
    "CREATE TABLE process (digest TEXT PRIMARY KEY, name TEXT NOT NULL, settings TEXT NOT NULL, "
    "recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE coupon (code TEXT PRIMARY KEY, kind TEXT NOT NULL, digest TEXT NOT NULL, "
    "document TEXT NOT NULL, recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE plan (digest TEXT PRIMARY KEY, part TEXT NOT NULL, "
    "process TEXT NOT NULL REFERENCES process, summary TEXT NOT NULL, recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE print (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, plan TEXT REFERENCES plan, "
    "coupon TEXT REFERENCES coupon, printer TEXT NOT NULL REFERENCES printer, "
    "material TEXT NOT NULL REFERENCES material, spool INTEGER REFERENCES spool, printed_on TEXT NOT NULL, "
    "note TEXT NOT NULL, invented INTEGER NOT NULL, recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE reading (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, source TEXT NOT NULL, "
    "coupon TEXT REFERENCES coupon, cell TEXT, print INTEGER REFERENCES print, air_beneath_mm REAL) STRICT",
    "CREATE INDEX reading_by_cell ON reading (coupon, cell)",
    "CREATE INDEX reading_by_print ON reading (print, cell)",
    # What a reading says now is its version of the highest number.
    "CREATE TABLE version (reading INTEGER NOT NULL REFERENCES reading, number INTEGER NOT NULL, "
    "act TEXT NOT NULL CHECK (act IN ('recorded', 'corrected', 'withdrawn', 'restored')), "
    "reason TEXT NOT NULL, recorded_at TEXT NOT NULL, measured_on TEXT NOT NULL, "
    "gap_method TEXT NOT NULL, note TEXT NOT NULL, flags TEXT NOT NULL, "
    "printer TEXT NOT NULL REFERENCES printer, material TEXT NOT NULL REFERENCES material, "
    "kind TEXT NOT NULL, nozzle_mm REAL NOT NULL, layer_height_mm REAL NOT NULL, "
    "line_width_mm REAL NOT NULL, nozzle_temperature_c REAL NOT NULL, fan REAL NOT NULL, "
    "speed_mm_s REAL NOT NULL, room_temperature_c REAL NOT NULL, angle_deg REAL, span_mm REAL, "
    "air_gap_mm REAL, interface_layers INTEGER, spacing_mm REAL, pattern TEXT, "
    "crossing_deg REAL, perimeter_lines INTEGER, let_go TEXT, "
    "finish INTEGER, droop_mm REAL, clean_up_min REAL, invented INTEGER NOT NULL, "
    "PRIMARY KEY (reading, number), CHECK ((number = 1) = (act = 'recorded')), "
    "CHECK (number = 1 OR reason <> '')) STRICT, WITHOUT ROWID",
    "CREATE INDEX version_by_values ON version (measured_on, printer, material, kind, angle_deg, span_mm, "
    "air_gap_mm, droop_mm, finish, let_go)",  # finds what was recorded twice
    "CREATE TABLE photograph (digest TEXT PRIMARY KEY, name TEXT NOT NULL, media TEXT NOT NULL, "
    "size INTEGER NOT NULL, recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE attachment (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, "
    "photograph TEXT NOT NULL REFERENCES photograph, reading INTEGER REFERENCES reading, "
    "print INTEGER REFERENCES print, coupon TEXT REFERENCES coupon, note TEXT NOT NULL, "
    "recorded_at TEXT NOT NULL, "
    "CHECK ((reading IS NOT NULL) + (print IS NOT NULL) + (coupon IS NOT NULL) = 1)) STRICT",
    "CREATE TABLE detachment (attachment INTEGER PRIMARY KEY REFERENCES attachment, "
    "reason TEXT NOT NULL CHECK (reason <> ''), recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE fit (id INTEGER PRIMARY KEY, digest TEXT NOT NULL, document TEXT NOT NULL, "
    "saved_at TEXT NOT NULL) STRICT",
    *(trigger for table in _OUTLASTS for trigger in _kept(table)),
    _counted("version"),
    _counted("material_settings"),
)

_WEAVE = (  # the words for the strands of a support's body
    "DROP TRIGGER version_keeps_update",
    "ALTER TABLE version RENAME COLUMN pattern TO weave",
    "UPDATE version SET weave = CASE weave WHEN 'lines' THEN 'parallel' WHEN 'grid' THEN 'crossed' "
    "ELSE weave END WHERE weave IS NOT NULL",
    _kept("version")[0],
)

_GRADERS_AND_EVENTS = (
    "ALTER TABLE version ADD COLUMN graded_by TEXT NOT NULL DEFAULT ''",
    # what happened to a printer: readings from before it count less
    "CREATE TABLE event (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, "
    "printer TEXT NOT NULL REFERENCES printer, happened_on TEXT NOT NULL, what TEXT NOT NULL, "
    "recorded_at TEXT NOT NULL) STRICT",
    "CREATE TABLE event_withdrawal (event INTEGER PRIMARY KEY REFERENCES event, "
    "reason TEXT NOT NULL CHECK (reason <> ''), recorded_at TEXT NOT NULL) STRICT",
    *(trigger for table in _OUTLASTS_TOO for trigger in _kept(table)),
    *(_counted(table) for table in _OUTLASTS_TOO),
    "CREATE INDEX attachment_by_photograph ON attachment (photograph)",
)

SEAL = "sha256(CAST(digest || char(10) || saved_at || char(10) || document AS BLOB))"
"""What the rest of a fit's row gives as its seal; ``sha256`` is a function of our connections. Of bytes, for
a damaged text may be none."""

_SEALED_FITS = (  # a fit is a cache that nothing else in the file vouches for
    "ALTER TABLE fit ADD COLUMN seal TEXT NOT NULL DEFAULT ''",
    f"UPDATE fit SET seal = {SEAL}",
)

STEPS: tuple[tuple[str, ...], ...] = (_FIRST, _WEAVE, _GRADERS_AND_EVENTS, _SEALED_FITS)
"""``STEPS[k]`` leads from version k to version k + 1; an empty file has version 0."""

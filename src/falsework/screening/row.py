"""``Row``: what a screening says of one part printed by one process; the one registry of its columns.

Parquet schema, page and docs all read it: every column has its meaning, its unit and the depth from which on
it is filled; what is not looked at is null.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, NamedTuple

SCHEMA = "falsework.screen/1"

READY, NOT_READY, LOOKED_AT, FAILED = "ready", "not ready", "looked at", "failed"
RowFigures = dict[str, Any]
"""Values by column."""

STATES = (READY, NOT_READY, LOOKED_AT, FAILED)


def column(default: Any, meaning: str, unit: str = "", depth: str = "") -> Any:
    """A field of ``Row``; ``depth``: from which on it is filled, '' for always."""
    return dataclasses.field(default=default, metadata={"meaning": meaning, "unit": unit, "depth": depth})


LOOK, PLAN, FULL = "look", "plan", "full"


@dataclass(frozen=True)
class Row:
    """One part printed by one process. Prices are in the currency of the process file.

    Examples
    --------
    >>> from falsework.screening import Row
    >>> Row(file="cleat.stl", wanted=3).wanted
    3
    """

    # which part
    file: str = column("", "where the part lies, as it was listed")
    name: str = column("", "the part's name")
    process: str = column("", "the process it is planned for, by its name")
    wanted: int = column(1, "how many of it are wanted")
    state: str = column(FAILED, f"one of: {', '.join(STATES)}")
    why: str = column("", "why it is not ready or failed, in one sentence; empty where it is ready")
    fault: str = column("", "what kind of failure: part, process, output, memory, time, crash, fault")
    best_process: str = column(
        "", "of the processes asked for, the cheapest that is ready and holds the finish asked for"
    )
    own: str = column("{}", "the list's own columns for this part, as a JSON object of texts")
    # the mesh
    triangles: int | None = column(None, "triangles of the healed mesh", depth=LOOK)
    bodies: int | None = column(None, "connected shells", depth=LOOK)
    closed: bool | None = column(None, "whether the healed mesh is closed", depth=LOOK)
    healed: int | None = column(None, "kinds of things that were found in the mesh", depth=LOOK)
    doubtful: int | None = column(None, "of these, those that may make the figures less exact", depth=LOOK)
    findings: tuple[str, ...] = column((), "what was found in the mesh and done about it", depth=LOOK)
    unit: str = column("", "what the file's numbers were taken as", depth=LOOK)
    size_x_mm: float | None = column(None, "extent along x", "mm", LOOK)
    size_y_mm: float | None = column(None, "extent along y", "mm", LOOK)
    size_z_mm: float | None = column(None, "height", "mm", LOOK)
    volume_mm3: float | None = column(None, "volume", "mm³", LOOK)
    layers: int | None = column(None, "layers", depth=LOOK)
    # what is printed over air
    undersides: int | None = column(None, "undersides printed over air", depth=LOOK)
    bridges: int | None = column(None, "of these, anchored on two sides", depth=LOOK)
    cantilevers: int | None = column(None, "of these, anchored on one side", depth=LOOK)
    islands: int | None = column(None, "of these, started in mid-air", depth=LOOK)
    need_mm2: float | None = column(None, "area of the undersides that need support", "mm²", LOOK)
    supported: int | None = column(None, "undersides that get support", depth=LOOK)
    sag_mm: float | None = column(
        None, "the worst predicted sag of an underside, onto its support or left bare; an island's fall",
        "mm", LOOK,
    )  # fmt: skip
    sag_high_mm: float | None = column(None, "upper end of the 90 % interval of a sag, the worst", "mm", LOOK)
    # what it takes: by columns at 'look', as built from 'plan' on
    part_g: float | None = column(None, "filament of the part", "g", LOOK)
    part_s: float | None = column(None, "machine time of the part", "s", LOOK)
    support_g: float | None = column(None, "filament of the supports; an estimate at 'look'", "g", LOOK)
    support_s: float | None = column(None, "machine time of the supports; an estimate at 'look'", "s", LOOK)
    price: float | None = column(
        None, "filament and machine time, part and supports; an estimate at 'look'", "¤", LOOK
    )
    total: float | None = column(None, "the total price, by which everything is chosen", "¤", LOOK)
    loss: float | None = column(
        None, "of the total, what is not printing: spoilt surface, hands, what stays inside, risk", "¤", LOOK
    )
    price_filament: float | None = column(None, "term of the total: filament", "¤", LOOK)
    price_time: float | None = column(None, "term of the total: machine time", "¤", LOOK)
    price_finish: float | None = column(None, "term of the total: surface that sags or is marked", "¤", LOOK)
    price_scars: float | None = column(None, "term of the total: marks of support feet", "¤", LOOK)
    price_show: float | None = column(None, "term of the total: faces to keep clean, on top", "¤", LOOK)
    price_hands: float | None = column(None, "term of the total: taking supports off", "¤", LOOK)
    price_inside: float | None = column(None, "term of the total: support that stays inside", "¤", LOOK)
    price_risk: float | None = column(None, "term of the total: chance that the print fails", "¤", LOOK)
    price_strength: float | None = column(None, "term of the total: load across the layers", "¤", LOOK)
    pieces: int | None = column(None, "pieces of support", depth=PLAN)
    weak_pieces: int | None = column(None, "of these, those that may break or fall", depth=PLAN)
    contact_mm2: float | None = column(None, "area carried by supports", "mm²", PLAN)
    scar_mm2: float | None = column(None, "part surface that support feet stand on", "mm²", PLAN)
    left_mm2: float | None = column(None, "area left without support", "mm²", LOOK)
    stands: bool | None = column(None, "whether the part itself stands while it grows", depth=PLAN)
    warnings: tuple[str, ...] = column((), "what the plan warns of, in sentences", depth=LOOK)
    warning_kinds: tuple[str, ...] = column((), "the same by kind, for counting", depth=LOOK)
    rests_on: str = column("", "on what predictions rest; empty: general values, not your prints", depth=LOOK)
    # how supports come off
    release: str = column("", "how the supports come off, in one sentence", depth=FULL)
    pieces_lifting: int | None = column(None, "pieces that stay on the bed or pull off whole", depth=FULL)
    pieces_breaking: int | None = column(None, "pieces that must be broken up first", depth=FULL)
    pieces_dug: int | None = column(None, "pieces that must be picked out in bits", depth=FULL)
    pieces_trapped: int | None = column(None, "pieces that never come out", depth=FULL)
    tearing: int | None = column(None, "pieces that may tear the part", depth=FULL)
    # the recommended position: at 'full', and where --lies asks for it; estimates at 'look'
    turn: str = column("", "the recommended position: degrees about x, then y, then z; '' if not looked for")
    turned: bool | None = column(None, "whether that is another one than the file's")
    turned_g: float | None = column(None, "there: filament, part and supports", "g")
    turned_support_g: float | None = column(None, "there: filament of the supports", "g")
    turned_s: float | None = column(None, "there: machine time", "s")
    turned_price: float | None = column(None, "there: filament and machine time", "¤")
    turned_total: float | None = column(None, "there: the total price", "¤")
    turned_state: str = column("", "there: ready or not ready; looked at, where nothing was planned")
    # the best redraw
    redraw: str = column("", "the cheapest way found: as it is, another position, redraw or split")
    redraw_saving: float | None = column(None, "what the best redraw or split saves of the total", "¤")
    redraw_why: str = column("", "the same in a sentence, or why none was found")
    # files beside the table
    picture: str = column("", "the part from below, by its way from the screening's folder")
    plan: str = column("", "its plan's folder, where plans were asked for")
    # how it was made
    depth: str = column("", "how deep it was looked: look, plan or full")
    seconds: float | None = column(None, "seconds of work spent on it; 0 for a copy", "s")
    device: str = column(
        "", "what counted the columns of positions: cpu, gpu, or 'cpu after gpu failed'; '' where none were"
    )
    copy_of: str = column("", "the file with the same content that was done in its place")
    tries: int = column(1, "how often it was begun")
    made: str = column("", "day and time when the row was made, UTC")
    version: str = column("", "version of falsework that made it")
    digest: str = column("", "SHA-256 of the file's content")
    entry: str = column("", "key of the line of the list: the file, and which of equal lines")
    key: str = column("", "key of the work: content, process, version, depth and all that was wished")


class RowColumn(NamedTuple):
    """A column's name, type ('text', 'whole number', 'number', 'yes or no', 'list of texts'), unit, the
    depth from which on it is filled ('' for always) and meaning."""

    name: str
    type: str
    unit: str
    depth: str
    meaning: str


_TYPES = {
    "str": "text",
    "int": "whole number",
    "float": "number",
    "bool": "yes or no",
    "tuple[str, ...]": "list of texts",
}
NOT_COMPARED = ("seconds", "device", "made", "tries")
"""Columns that differ from run to run."""


def columns() -> tuple[RowColumn, ...]:
    """All columns, in order.

    Examples
    --------
    >>> from falsework.screening import columns
    >>> [(c.name, c.unit) for c in columns() if c.name.startswith("size")]
    [('size_x_mm', 'mm'), ('size_y_mm', 'mm'), ('size_z_mm', 'mm')]
    """
    return tuple(
        RowColumn(
            field.name,
            _TYPES[str(field.type).removesuffix(" | None")],
            field.metadata["unit"],
            field.metadata["depth"],
            field.metadata["meaning"],
        )
        for field in dataclasses.fields(Row)
    )


def schema() -> Any:
    """The columns as a ``pyarrow.Schema``, with meaning and unit beside each."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "whole number": pa.int64(),
        "number": pa.float64(),
        "yes or no": pa.bool_(),
        "list of texts": pa.list_(pa.string()),
    }
    told = [
        pa.field(c.name, types[c.type], metadata={"meaning": c.meaning, "unit": c.unit}) for c in columns()
    ]
    return pa.schema(told, metadata={"schema": SCHEMA})


def table_of(rows: list[Row]) -> Any:
    """Rows as a ``pyarrow.Table``."""
    import pyarrow as pa

    names = [c.name for c in columns()]
    return pa.table({name: [getattr(row, name) for row in rows] for name in names}, schema=schema())


def rows_of(table: Any) -> list[Row]:
    """The rows of a table that has these columns, perhaps among others."""
    names = {c.name for c in columns()}
    lists = [c.name for c in columns() if c.type == "list of texts"]
    found = []
    for values in table.select([name for name in table.column_names if name in names]).to_pylist():
        values.update({name: tuple(values.get(name) or ()) for name in lists})
        found.append(Row(**values))
    return found


def safe(text: str) -> str:
    """Text as it can be stored: a file's name may hold bytes that are no characters."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")

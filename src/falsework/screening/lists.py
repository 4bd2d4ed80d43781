"""Lists of parts: CSV or Parquet with a column ``path``; ``wanted``, ``unit``, ``process``, ``show``,
``spare`` and ``load`` where they are there. All other columns are somebody's own, and kept."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from typing import Any

from falsework.errors import FalseworkError, PartError
from falsework.part.units import MM_PER_UNIT
from falsework.request.marks import MarkedFaces, Marks, direction
from falsework.screening import places
from falsework.screening.listing import ListedPart, archive_fault, wanted_of
from falsework.screening.row import safe

PATH, WANTED, UNIT, PROCESS = "path", "wanted", "unit", "process"
SHOW, SPARE, LOAD = "show", "spare", "load"
KNOWN = (PATH, WANTED, UNIT, PROCESS, SHOW, SPARE, LOAD)
_SEPARATORS = ",;\t"
_BATCH = 10_000


def check_list(path: str) -> None:
    """Refuse a list that cannot be read, has no column of paths, or no line."""
    if next(_lines(path), None) is None:
        raise PartError(safe(path), "the list is empty", "Give one line for each part")


def entries_of_list(path: str) -> Iterator[ListedPart]:
    """The entries of a list, line by line; paths, of processes too, are meant from the list's own folder."""
    base = path.rpartition("/")[0] if places.is_address(path) else os.path.dirname(path)
    for number, line in enumerate(_lines(path), 2):
        yield _entry(line, base, f"{safe(os.path.basename(path))}, line {number}")


def _entry(line: dict[str, Any], base: str, where: str) -> ListedPart:
    place = _text(line.get(PATH))
    own = tuple((name, _text(value)) for name, value in line.items() if name not in KNOWN)
    if not place:
        return ListedPart(where, own=own, fault=f"{where}: no path is given. Fill in the column '{PATH}'.")
    place = _from(base, place)
    try:
        try:
            wanted = wanted_of(line.get(WANTED))
        except ValueError:
            wrong = f"{_text(line.get(WANTED))!r} is no number of parts"
            raise PartError(f"{where}, {WANTED}", wrong, "Give a whole number") from None
        unit = _text(line.get(UNIT)) or None
        if unit is not None and unit not in MM_PER_UNIT:
            cure = f"Use one of {', '.join(MM_PER_UNIT)}"
            raise PartError(f"{where}, {UNIT}", f"{unit!r} is not known", cure)
        marks = _marks(line, where)
    except FalseworkError as error:
        return ListedPart(place, own=own, fault=str(error))
    process = _text(line.get(PROCESS))
    if process.endswith(".toml"):
        process = _from(base, process)
    return ListedPart(place, wanted, unit, process, marks, own, archive_fault(place))


def _from(base: str, place: str) -> str:
    if places.is_address(place) or os.path.isabs(place) or not base:
        return place
    return f"{base}/{place}" if places.is_address(base) else os.path.join(base, place)


def _marks(line: dict[str, Any], where: str) -> Marks | None:
    """What a line marks; None where it marks nothing. Several in one field are set apart by spaces."""
    show, spare, load = (_text(line.get(name)) for name in (SHOW, SPARE, LOAD))
    if not (show or spare or load):
        return None
    return Marks(
        _faces(show, f"{where}, {SHOW}"),
        _faces(spare, f"{where}, {SPARE}"),
        direction(load, f"{where}, {LOAD}") if load else None,
    )


def _faces(text: str, where: str) -> MarkedFaces:
    """Directions, and names of face sets: whatever begins with a letter and is no axis."""
    words = text.split()
    sets = [word for word in words if word[:1].isalpha() and word.lower() not in ("x", "y", "z")]
    return MarkedFaces(tuple(direction(word, where) for word in words if word not in sets), tuple(sets))


def _text(value: Any) -> str:
    if value is None or value != value:  # a number that is none
        return ""
    return safe(str(value).strip())


def _lines(path: str) -> Iterator[dict[str, Any]]:
    """Lines as values by column; ``PartError`` where it is no list."""
    try:
        lines = _parquet(path) if path.lower().split("?")[0].endswith(".parquet") else _csv(path)
        yield from lines
    except FileNotFoundError:
        raise PartError(safe(path), "there is no such list", "Check the path") from None
    except OSError as error:
        why = f"the list cannot be read ({error.strerror or error})"
        raise PartError(safe(path), why, "Check the file") from None
    except csv.Error as error:
        raise PartError(safe(path), f"this is no CSV list ({error})", "Save it as CSV or Parquet") from None


def _headed(names: list[str], path: str) -> list[str]:
    """RowColumn names as they are known here; ``PartError`` where there is no column of paths."""
    plain = [name.strip() for name in names]
    headed = [name.lower() if name.lower() in KNOWN else name for name in plain]
    if PATH not in headed:
        has = ", ".join(name for name in plain if name) or "none"
        raise PartError(safe(path), f"the list has no column '{PATH}'; it has: {safe(has)}", "Name it so")
    twice = next((name for name in headed if headed.count(name) > 1), None)
    if twice is not None:
        raise PartError(safe(path), f"the list has two columns '{safe(twice)}'", "Rename one of them")
    return headed


def _csv(path: str) -> Iterator[dict[str, Any]]:
    try:
        text = places.read(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PartError(safe(path), "the list is not UTF-8 text", "Save it as UTF-8") from None
    first = text.partition("\n")[0]
    separator = max(_SEPARATORS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    head = next(reader, None)
    if head is None:
        return
    names = _headed(head, path)
    for cells in reader:
        if any(cell.strip() for cell in cells):
            yield {name: cells[k] if k < len(cells) else None for k, name in enumerate(names) if name}


def _parquet(path: str) -> Iterator[dict[str, Any]]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        from falsework.screening.engine import INSTALL

        raise PartError(safe(path), "reading Parquet asks for pyarrow", INSTALL) from None
    try:
        file = pq.ParquetFile(pa.BufferReader(places.read(path)))
    except pa.ArrowException as error:
        raise PartError(safe(path), f"this is no Parquet list ({error})", "Save it again") from None
    names = dict(zip(file.schema_arrow.names, _headed(file.schema_arrow.names, path), strict=True))
    for batch in file.iter_batches(batch_size=_BATCH):
        for line in batch.to_pylist():
            yield {names[name]: value for name, value in line.items()}

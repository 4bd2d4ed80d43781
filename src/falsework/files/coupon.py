"""The folder that a test piece is written to: solids to print, a tray for readings, all or nothing."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping
from pathlib import Path

from falsework.coupon.geometry import CouponGeometry, PrintedPiece
from falsework.coupon.value import Batch, Coupon
from falsework.errors import OutputError
from falsework.files.atomic import atomic_folder, check_folder
from falsework.files.stl import write_stl
from falsework.files.threemf import MeshObject, SupportsAs, check_supports_as, split_mesh, write_solids
from falsework.watch import QUIET, Watch

COUPON, READINGS, SHEET, SHEET_PDF = "coupon.json", "readings.csv", "sheet.html", "sheet.pdf"
_PRINT, _PIECE, _SUPPORTS = ("print", ".3mf"), ("piece", ".stl"), ("supports", ".stl")

OUTCOMES = ("let_go", "finish", "thickness_mm", "droop_mm", "clean_up_min", "note")
"""Columns of the tray that the person fills in, besides the day."""
COLUMNS = (*("coupon", "cell", "printer", "material", "measured_on", "by"), *OUTCOMES, "#nominal_mm")
"""Columns of the tray; those that start with # are for the person and not read.

What a cell tries is not among them, so that whoever judges it cannot see it: ``coupon.json`` has it.
"""


def write_coupon(
    coupon: Coupon,
    folder: str | os.PathLike[str],
    *,
    supports_as: SupportsAs = "support",
    extra: Mapping[str, bytes] | None = None,
    watch: Watch = QUIET,
) -> tuple[Path, ...]:
    """Write a test piece's files into ``folder`` and return their paths.

    ``coupon.json``, ``readings.csv`` and, for each batch, ``print.3mf``, ``piece.stl`` and, where there are
    any, ``supports.stl``; with several batches their names end in the batch's. ``extra`` adds files by name
    (the recording sheet).

    The same piece is written anew, files of the user's own are kept. Raises ``OutputError`` where the folder
    cannot be written, where it holds another test piece (which may have been printed) or a tray with
    readings, and for a piece without geometry; ``Cancelled`` on request. The folder is then as it was.

    Examples
    --------
    >>> import falsework, tempfile
    >>> piece = falsework.design_coupon("overhang-fan", falsework.load_process("pla-0.4"))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(path.name for path in falsework.write_coupon(piece, folder))
    ['coupon.json', 'piece.stl', 'print.3mf', 'readings.csv']
    """
    folder = Path(folder)
    geometry = with_geometry(coupon)
    check_supports_as(folder, supports_as)
    check_place(folder, coupon.code)
    texts = {
        COUPON: coupon.to_json().encode(),
        READINGS: tray(coupon).encode(),
        **(extra or {}),
    }
    stems = (_PRINT, _PIECE, _SUPPORTS)
    old = {path.name for stem, ending in stems for path in folder.glob(f"{stem}*{ending}")}
    own = {*old, COUPON, READINGS, SHEET, SHEET_PDF}
    names = []
    with atomic_folder(folder, mark=COUPON, own=own) as aside:
        for number, (batch, body) in enumerate(zip(coupon.batches, geometry.bodies, strict=True)):
            watch.at("writing solids", number / len(coupon.batches))
            names += _write_batch(aside, coupon, batch, body, supports_as)
        for name, content in texts.items():
            (aside / name).write_bytes(content)
            names.append(name)
        watch.at("written", 1.0)
    return tuple(folder / name for name in names)


def with_geometry(coupon: Coupon) -> CouponGeometry:
    """The coupon's geometry; ``OutputError`` where it was read from a file and has none."""
    if coupon.geometry is None:
        raise OutputError(
            f"test piece {coupon.code}",
            "was read from a file and holds no geometry",
            "Make the test piece again to write its files",
        )
    return coupon.geometry


def check_place(folder: str | os.PathLike[str], code: str = "") -> None:
    """Raise ``OutputError`` if :func:`write_coupon` could not write the piece of that code there: ask before
    long work. Without a code only what stands in the way of any piece is found."""
    check_folder(folder, mark=COUPON)
    if code and (there := _code_in(Path(folder))) not in ("", code):
        raise OutputError(
            str(folder),
            f"holds test piece {there}, which may have been printed",
            "Give another folder with --out; without it each piece gets one of its own",
        )
    path = Path(folder) / READINGS
    if path.exists() and not _is_blank(path):
        raise OutputError(
            str(path),
            "holds readings, which a new test piece would overwrite",
            "Record them in the ledger and move the file, or give another folder with --out",
        )


def _code_in(folder: Path) -> str:
    """Code of the test piece in a folder; '' where there is none."""
    try:
        return str(json.loads((folder / COUPON).read_bytes())["code"])
    except FileNotFoundError:
        return ""
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "that cannot be read"


def _is_blank(path: Path) -> bool:
    """Whether nobody has entered anything in a tray; what cannot be read counts as entered."""
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"))))
    except (OSError, UnicodeDecodeError, csv.Error):
        return False
    filled = ("measured_on", "by", *OUTCOMES)
    return all(name in row and not (row[name] or "").strip() for row in rows for name in filled)


def tray(coupon: Coupon) -> str:
    """``readings.csv``: one row per cell, to be filled in."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for cell in sorted(coupon.cells, key=lambda cell: cell.label):
        known = {
            "coupon": coupon.code,
            "cell": cell.label,
            "#nominal_mm": "" if cell.nominal_mm is None else f"{cell.nominal_mm:.3f}",
            "printer": coupon.process.printer.name,
            "material": coupon.process.material.name,
        }
        writer.writerow([known.get(name, "") for name in COLUMNS])
    return out.getvalue()


def file_names(batch: Batch) -> tuple[str, str, str]:
    """Names of a batch's 3MF file, of the piece's STL file and of the supports'."""
    end = f"-{batch.name}" if batch.name else ""
    three = (f"{stem}{end}{ending}" for stem, ending in (_PRINT, _PIECE, _SUPPORTS))
    return next(three), next(three), next(three)


def _write_batch(
    aside: Path, coupon: Coupon, batch: Batch, body: PrintedPiece, supports_as: SupportsAs
) -> list[str]:
    package, piece, supports = file_names(batch)
    name = f"test piece {batch.code}"
    count = len(body.piece_cell)
    solids = [MeshObject("model", name, "part", body.part.vertices, body.part.faces.astype("int64"))]
    meshes = split_mesh(body.support_vertices, body.support_faces, body.face_piece, count)
    for number, (label, (vertices, faces)) in enumerate(zip(body.piece_cell, meshes, strict=True), 1):
        solids.append(
            MeshObject(supports_as, f"support of cell {label}", f"support-{number}", vertices, faces)
        )
    write_solids(aside / package, name, solids)
    write_stl(aside / piece, body.part.vertices, body.part.faces, name)
    names = [package, piece]
    if count:
        write_stl(aside / supports, body.support_vertices, body.support_faces, f"supports of {name}")
        names.append(supports)
    return names

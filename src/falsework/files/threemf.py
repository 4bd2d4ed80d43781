"""3MF Core Specification 1.4.0: one part and its support pieces in one package.

Each support piece is an object of its own, because a piece is what a person lifts off, leaves out or asks
about: it can be hidden or deleted by itself in any program that lists objects. Part and pieces are
components of one object, the only build item, so they stay together when it is moved.
"""

from __future__ import annotations

import io
import os
import re
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import with_own_points
from falsework.errors import OutputError
from falsework.files.atomic import atomic_file
from falsework.planning.value import Plan
from falsework.version import __version__
from falsework.wording.heading import UNTITLED, Heading

SupportsAs = Literal["support", "solidsupport", "model"]
SUPPORTS_AS: tuple[SupportsAs, ...] = ("support", "solidsupport", "model")

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MODEL_PART = "3D/3dmodel.model"
_CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELATIONSHIPS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/{_MODEL_PART}" Id="rel0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>\n"
)
_BLANK = re.compile("[\t\n\r]")  # lib3mf refuses the escapes that XML has for them
_NOT_XML = re.compile("[^\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ROWS_AT_ONCE = 4096
# The lightest: a fifth larger than the usual level in a third of the time.
_COMPRESSION = 1
_COARSEST_DECIMALS = 5
_FINEST_DECIMALS = 9


@dataclass(frozen=True)
class MeshObject:
    """One mesh object of a package: ``kind`` 'model', 'support' or 'solidsupport', its name and number.

    ``vertices`` (n, 3) mm, ``faces`` (m, 3).
    """

    kind: str
    name: str
    number: str
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]


def write_3mf(
    path: str | os.PathLike[str],
    plan: Plan,
    *,
    supports_as: SupportsAs = "support",
    heading: Heading = UNTITLED,
) -> None:
    """Write the part and its supports as one 3MF file; same plan, same bytes.

    The part is an object of type 'model'; each support piece is one of type ``supports_as``, referenced only
    beside the part within one components object. 'model' is for readers that ignore support objects.
    Without supports only the part is written. Coordinates are those of the plan, on the
    printer's bed, rounded to 1e-5 mm (finer where that would shrink an edge to a point). The heading is the
    file's title and description (3MF Core, well-known metadata).
    Raises ``OutputError`` if the plan holds no geometry or the file cannot be written.

    Examples
    --------
    >>> import falsework, os, tempfile
    >>> from falsework.part.demo import table
    >>> plan = falsework.plan(table(), release=False)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     falsework.write_3mf(os.path.join(folder, "table.3mf"), plan)
    ...     os.listdir(folder)
    ['table.3mf']
    """
    if plan.geometry is None:
        raise OutputError(
            str(path),
            "this plan was read from a file and holds no geometry",
            "Plan the part again to write its files",
        )
    check_supports_as(path, supports_as)
    write_solids(path, plan.part.name, list(_solids(plan, supports_as)), heading=heading)


def check_supports_as(path: str | os.PathLike[str], supports_as: str) -> None:
    """Raise ``OutputError`` unless it is an object type that supports may have."""
    if supports_as not in SUPPORTS_AS:
        raise OutputError(
            str(path),
            f"supports cannot be written as '{supports_as}'",
            f"Use one of: {', '.join(SUPPORTS_AS)}",
        )


def write_solids(
    path: str | os.PathLike[str],
    name: str,
    solids: Sequence[MeshObject],
    *,
    whole: str = "",
    heading: Heading = UNTITLED,
) -> None:
    """Write solids that belong together as one 3MF file; same solids, same bytes.

    With more than one, all are components of one object, which is the only build item: ``whole`` is its name
    ('' for a part, the first of them, with its supports). Coordinates are rounded to 1e-5 mm, or finer where
    that would shrink an edge to a point. Raises ``OutputError``.
    """
    model = io.BytesIO()
    _write_metadata(model.write, heading.named(name), heading.note)
    _write_model(model.write, name, solids, whole or f"{name} with supports")
    with atomic_file(path) as aside, zipfile.ZipFile(aside, "w") as package:
        package.writestr(_entry("[Content_Types].xml"), _CONTENT_TYPES)
        package.writestr(_entry("_rels/.rels"), _RELATIONSHIPS)
        package.writestr(_entry(_MODEL_PART), model.getbuffer(), compresslevel=_COMPRESSION)


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))  # a fixed time keeps the bytes the same
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = 0o644 << 16
    return entry


def _solids(plan: Plan, supports_as: str) -> Iterator[MeshObject]:
    assert plan.geometry is not None
    part, scheme = plan.geometry.part, plan.geometry.scheme
    faces = np.asarray(part.faces, dtype=np.int64)
    yield MeshObject("model", plan.part.name, "part", part.vertices, faces)
    for piece, (vertices, faces) in zip(
        scheme.pieces,
        split_mesh(scheme.vertices, scheme.faces, scheme.face_piece, len(scheme.pieces)),
        strict=True,
    ):
        if not len(faces):  # to print without a support that was counted on would be worse than to stop
            raise RuntimeError(f"support piece {piece.number} was designed but has no mesh")
        carried = ", ".join(map(str, piece.undersides))
        name = f"support {piece.number}" + (f" under {carried}" if carried else "")
        yield MeshObject(supports_as, name, f"support-{piece.number}", vertices, faces)


def split_mesh(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], owner: NDArray[np.int64], count: int
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.int64]]]:
    """One mesh per owner 0..count-1, each with its own vertices in the order of the whole."""
    order = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[order], np.arange(count + 1))
    for k in range(count):
        used, own = with_own_points(faces[order[starts[k] : starts[k + 1]]], len(vertices))
        yield vertices[used], own


def _rounded(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> NDArray[np.float64]:
    """Coordinates rounded as coarsely as no edge of a face shrinks to a point (1e-5 mm or finer)."""
    real = _apart(vertices, faces)
    for decimals in range(_COARSEST_DECIMALS, _FINEST_DECIMALS + 1):
        rounded: NDArray[np.float64] = np.round(vertices, decimals) + 0.0  # + 0.0: no '-0'
        if (_apart(rounded, faces) >= real).all():
            return rounded
    return vertices


def _apart(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(m, 3) whether the ends of each edge of a face lie apart."""
    out = np.zeros(faces.shape, dtype=bool)
    for axis in np.ascontiguousarray(vertices.T):
        ends = axis[faces]
        out |= ends != np.roll(ends, -1, axis=1)
    return out


def _write_metadata(write: Callable[[bytes], object], title: str, note: str) -> None:
    said = f'<metadata name="Description">{_text(" ".join(note.split()))}</metadata>\n' if note else ""
    write(
        (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            f'<model unit="millimeter" xml:lang="en" xmlns="{_CORE}">\n'
            f'<metadata name="Title">{_text(title)}</metadata>\n'
            f"{said}"
            f'<metadata name="Application">falsework {__version__}</metadata>\n'
            "<resources>\n"
        ).encode()
    )


def _write_model(
    write: Callable[[bytes], object], name: str, solids: Sequence[MeshObject], whole: str
) -> None:
    for number, solid in enumerate(solids, start=1):
        write(
            (
                f'<object id="{number}" type="{solid.kind}" name={_quoted(solid.name)} '
                f"partnumber={_quoted(solid.number)}><mesh><vertices>\n"
            ).encode()
        )
        _write_rows(write, '<vertex x="%.12g" y="%.12g" z="%.12g"/>\n', _rounded(solid.vertices, solid.faces))
        write(b"</vertices><triangles>\n")
        _write_rows(write, '<triangle v1="%d" v2="%d" v3="%d"/>\n', solid.faces)
        write(b"</triangles></mesh></object>\n")
    top = 1
    if len(solids) > 1:
        top = len(solids) + 1
        parts = "".join(f'<component objectid="{number}"/>' for number in range(1, top))
        write(
            (
                f'<object id="{top}" type="model" name={_quoted(whole)} partnumber="whole">'
                f"<components>{parts}</components></object>\n"
            ).encode()
        )
    write(
        (
            f'</resources>\n<build><item objectid="{top}" partnumber={_quoted(name)}/></build>\n</model>\n'
        ).encode()
    )


def _write_rows(write: Callable[[bytes], object], row: str, values: NDArray[np.generic]) -> None:
    """Format rows of three numbers by the thousand: one ``%`` per block, no loop over single rows."""
    block = row * _ROWS_AT_ONCE
    for start in range(0, len(values), _ROWS_AT_ONCE):
        chunk = values[start : start + _ROWS_AT_ONCE]
        pattern = block if len(chunk) == _ROWS_AT_ONCE else row * len(chunk)
        write((pattern % tuple(chunk.ravel().tolist())).encode("ascii"))


def _clean(value: str) -> str:
    return _NOT_XML.sub("\ufffd", _BLANK.sub(" ", value))


def _text(value: str) -> str:
    return escape(_clean(value))


def _quoted(value: str) -> str:
    return quoteattr(_clean(value))

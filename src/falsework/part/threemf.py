"""3MF packages: build items, components, transforms and units, read through lib3mf.

Source: 3MF Core Specification (3MF Consortium), chapters 3 and 4: units of the model element,
object types, components, build items; row-vector affine matrices of twelve numbers.
"""

from __future__ import annotations

import ctypes
import io
import re
import zipfile
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.part.packaged import check_copies, check_extensions, without_materials
from falsework.part.part import MeshFinding
from falsework.part.raw import MAX_TRIANGLES, RawMesh, check_count, joined

MAX_UNPACKED = 4 << 30  # bytes, all entries together
MAX_RATIO = 250  # unpacked over packed; honest mesh text packs 5 to 40 times
SMALL = 16 << 20  # entries below this size may pack as well as they like
MAX_ENTRIES = 10_000
MAX_DEPTH = 32  # components within components
MAX_PIECES = 100_000
FORBIDDEN = re.compile(rb"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
TEXT = (".model", ".rels", ".xml")
# lib3mf's codes, in the order of the specification's list of units and of its object types
UNITS = ("um", "mm", "cm", "inch", "foot", "m")
OTHER_TYPE = 0
SUPPORT_TYPES = (2, 3)  # support, solidsupport
AGAIN = "Export the file again"

Matrix = NDArray[np.float64]  # (4, 3), rows: x, y, z, shift


def is_zip(data: bytes) -> bool:
    """Whether the data open like a zip package."""
    return data[:4] == b"PK\x03\x04"


def read_3mf(data: bytes, name: str) -> RawMesh:
    """All printable objects of the build, placed; support objects are left out with a finding."""
    check_package(data, name)
    noted = check_extensions(data, name)
    check_copies(data, name, MAX_PIECES)
    raw = _read_package(data, name)
    if raw is None:
        raw = _read_package(without_materials(data), name)
        noted = [
            *noted,
            MeshFinding("materials", 1, "left out: they break the 3MF specification", serious=True),
        ]
    if raw is None:
        raise PartError(name, "its model does not follow the 3MF specification", AGAIN)
    return replace(raw, findings=(*noted, *raw.findings))


def _read_package(data: bytes, name: str) -> RawMesh | None:
    """What the library reads; None where it refuses."""
    import lib3mf

    try:
        library = lib3mf.get_wrapper()
        model = library.CreateModel()
        reader = model.QueryReader("3mf")
        reader.SetStrictModeActive(False)
        buffer = ctypes.cast(ctypes.c_char_p(data), ctypes.POINTER(ctypes.c_uint8))
        size = ctypes.c_uint64(len(data))
        library.checkError(reader, library.lib.lib3mf_reader_readfrombuffer(reader._handle, size, buffer))
        items = model.GetBuildItems()
        waiting = []
        while items.MoveNext():
            item = items.GetCurrent()
            waiting.append((item.GetObjectResource(), _matrix(item.GetObjectTransform()), 0))
        raw = _collect(lib3mf, library, model, waiting, name)
        warned = reader.GetWarningCount()
    except lib3mf.ELib3MFException:
        return None
    if warned:
        done = "read nevertheless: something of it may be missing or misplaced"
        said = MeshFinding("breaches of the 3MF specification", warned, done, serious=True)
        raw = replace(raw, findings=(said, *raw.findings))
    return raw


def _collect(
    lib3mf: Any, library: Any, model: Any, waiting: list[tuple[Any, Matrix, int]], name: str
) -> RawMesh:
    """Walk build items and components down to meshes; each mesh object is read once."""
    if not waiting:
        raise PartError(name, "its build holds no items: there is nothing to print", AGAIN)
    supports, others, total, visits = 0, 0, 0, 0
    meshes: dict[int, tuple[str, NDArray, NDArray]] = {}
    pieces = []
    waiting.reverse()
    while waiting:
        thing, matrix, depth = waiting.pop()
        visits += 1
        if visits > MAX_PIECES or depth > MAX_DEPTH:
            raise PartError(name, "its components are nested without reason or number", AGAIN)
        kind = int(thing.GetType())
        if kind in SUPPORT_TYPES:
            supports += 1
            continue
        if kind == OTHER_TYPE:
            others += 1
            continue
        if thing.IsComponentsObject():
            group = model.GetComponentsObjectByID(thing.GetResourceID())
            for i in reversed(range(group.GetComponentCount())):
                part = group.GetComponent(i)
                inner = _matrix(part.GetTransform()) if part.HasTransform() else _identity()
                waiting.append((part.GetObjectResource(), _after(inner, matrix), depth + 1))
            continue
        if not thing.IsMeshObject():
            others += 1
            continue
        key = thing.GetResourceID()
        if key not in meshes:
            mesh = model.GetMeshObjectByID(key)
            check_count(name, mesh.GetTriangleCount())
            meshes[key] = (mesh.GetName(), *_arrays(lib3mf, library, mesh))
        title, vertices, faces = meshes[key]
        total += len(faces)
        check_count(name, total)
        if len(faces) == 0:
            others += 1
            continue
        mirrored = np.linalg.det(matrix[:3]) < 0
        pieces.append((title, vertices @ matrix[:3] + matrix[3], faces[:, ::-1] if mirrored else faces))
    findings = []
    if supports:
        findings.append(MeshFinding("support objects", supports, "left out: falsework designs its own"))
    if others:
        done = "left out: no triangles, or of type other"
        findings.append(MeshFinding("objects that are no part", others, done, serious=True))
    if not pieces:
        raise PartError(name, "its build holds no triangles to print", AGAIN)
    raw = joined(pieces)
    unit = UNITS[int(model.GetUnit())]
    return RawMesh(raw.vertices, raw.faces, raw.label, raw.names, unit, tuple(findings))


def _arrays(lib3mf: Any, library: Any, mesh: Any) -> tuple[NDArray, NDArray]:
    """(n, 3) float64 and (m, 3) int64 in one call each: the binding's own lists are far slower."""
    points = np.empty((mesh.GetVertexCount(), 3), np.float32)
    corners = np.empty((mesh.GetTriangleCount(), 3), np.uint32)
    needed = ctypes.c_uint64(0)
    for call, buffer, struct in (
        (library.lib.lib3mf_meshobject_getvertices, points, lib3mf.Position),
        (library.lib.lib3mf_meshobject_gettriangleindices, corners, lib3mf.Triangle),
    ):
        pointer = buffer.ctypes.data_as(ctypes.POINTER(struct))
        library.checkError(mesh, call(mesh._handle, ctypes.c_uint64(len(buffer)), needed, pointer))
    return points.astype(np.float64), corners.astype(np.int64)


def _identity() -> Matrix:
    return np.eye(4)[:, :3].copy()


def _matrix(transform: Any) -> Matrix:
    return np.array([list(row) for row in transform.Fields], dtype=np.float64)


def _after(inner: Matrix, outer: Matrix) -> Matrix:
    """The transform that applies ``inner`` first, then ``outer`` (row vectors)."""
    out = inner @ outer[:3]
    out[3] += outer[3]
    return out


def check_package(data: bytes, name: str) -> None:
    """Refuse packages that are broken, unpack to absurd sizes, reach outside, or define XML entities.

    Sizes are counted while unpacking, since declared ones may lie.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            entries = package.infolist()
            if len(entries) > MAX_ENTRIES:
                raise PartError(name, f"the package has {len(entries)} entries", AGAIN)
            if not any(e.filename.lower().endswith(".model") for e in entries):
                raise PartError(name, "this is a zip package but no 3MF: it holds no model", "Give a 3MF")
            for entry in entries:
                _check_path(entry.filename, name)
            if sum(e.file_size for e in entries) > MAX_UNPACKED:
                raise PartError(name, "the package unpacks to more than 4 GB", AGAIN)
            unpacked = 0
            for entry in entries:
                _check_ratio(entry.file_size, entry.compress_size, name)
                unpacked += _check_entry(package, entry, unpacked, name)
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, OSError, NotImplementedError, RuntimeError):
        raise PartError(name, "the 3MF package is cut off or broken", AGAIN) from None
    except (ValueError, zipfile.zlib.error):  # type: ignore[attr-defined]
        raise PartError(name, "the 3MF package is cut off or broken", AGAIN) from None


def _check_path(entry: str, name: str) -> None:
    path = PurePosixPath(entry.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or (path.parts and path.parts[0].endswith(":")):
        raise PartError(name, f"an entry of the package points outside it ({entry[:80]})", AGAIN)


def _check_ratio(unpacked: int, packed: int, name: str) -> None:
    if unpacked > SMALL and unpacked > MAX_RATIO * max(packed, 1):
        raise PartError(
            name,
            f"an entry of the package unpacks {unpacked / max(packed, 1):,.0f}-fold, as no part does",
            AGAIN,
        )


def _check_entry(package: zipfile.ZipFile, entry: zipfile.ZipInfo, before: int, name: str) -> int:
    """Unpack one entry in pieces, count what comes out, look for entity definitions in its text."""
    text = entry.filename.lower().endswith(TEXT)
    size, tail = 0, b""
    with package.open(entry) as stream:
        while piece := stream.read(1 << 20):
            if size == 0 and text and (piece[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in piece[:64]):
                raise PartError(name, f"{entry.filename[:80]} is not UTF-8, which 3MF asks for", AGAIN)
            size += len(piece)
            if size > entry.file_size or before + size > MAX_UNPACKED:
                raise PartError(name, "an entry of the package is larger than it declares", AGAIN)
            _check_ratio(size, entry.compress_size, name)
            if text and FORBIDDEN.search(tail + piece):
                raise PartError(name, f"{entry.filename[:80]} defines XML entities", AGAIN)
            tail = piece[-64:]
    if text and size > MAX_TRIANGLES * 200:
        raise PartError(name, f"{entry.filename[:80]} is larger than any part that can be planned", AGAIN)
    return size

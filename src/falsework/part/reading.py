"""``read_part``: any supported file to a healed ``Part`` in millimetres."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.kernels.mesh.measures import finite_bounds
from falsework.part.health import healed_part
from falsework.part.off import read_off
from falsework.part.part import MeshFinding, Part
from falsework.part.raw import RawMesh
from falsework.part.scene import read_scene
from falsework.part.step import read_step
from falsework.part.stl import is_binary_stl, is_text_stl, read_binary_stl, read_text_stl
from falsework.part.threemf import is_zip, read_3mf
from falsework.part.units import MM_PER_UNIT, guess_unit, mm_per_unit
from falsework.watch import QUIET, Watch
from falsework.wording.figures import length, with_unit

FORMATS = {
    ".stl": "stl",
    ".obj": "obj",
    ".ply": "ply",
    ".off": "off",
    ".glb": "glb",
    ".gltf": "gltf",
    ".3mf": "3mf",
    ".step": "step",
    ".stp": "step",
}
LARGEST_MM = 10_000.0
SMALLEST_MM = 0.001
LARGEST_SCALE = 1e4
MAX_BYTES = 4 << 30
OBJ_VERTEX = re.compile(rb"^[ \t]*v[ \t]+[-+.\d]", re.MULTILINE)
SUPPORTED = "Give an STL, 3MF, OBJ, PLY, OFF, GLB, glTF or STEP file"


def read_part(
    path: str | Path,
    *,
    name: str | None = None,
    unit: str | None = None,
    scale: float = 1.0,
    scaled_later: float = 1.0,
    face_set: tuple[str, NDArray[np.bool_]] | None = None,
    watch: Watch = QUIET,
) -> Part:
    """Read a part and heal it.

    Parameters
    ----------
    path : an STL (binary or text), 3MF, OBJ, PLY, OFF, GLB, glTF or STEP file. The content decides the
        format; the extension only where the content does not tell.
    name : what the file is called where it came from, if it is kept under another name.
    unit : um, mm, cm, inch, foot or m, in place of what the file says; without it, a unit that the
        file does not carry is guessed from its size (see ``units.guess_unit``) and the guess is a finding.
    scale : factor on top of the unit, above 0 and up to 10,000.
    scaled_later : factor that the caller puts on the part afterwards: it counts where a size is refused.
    face_set : a name and which triangles of the file, in its order, become the part's face set of that name,
        through all healing and in place of the sets that the file names.

    Raises ``PartError`` with one sentence and a cure for anything that cannot be planned.

    Examples
    --------
    >>> import falsework, os, tempfile
    >>> from falsework.part.demo import table
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = os.path.join(folder, "table.stl")
    ...     falsework.write_stl(path, table().vertices, table().faces, "table")
    ...     falsework.read_part(path, unit="mm").health.closed
    True
    """
    path = Path(path)
    factor = mm_per_unit(unit) if unit is not None else None
    if not (isinstance(scale, int | float) and math.isfinite(scale) and 0 < scale <= LARGEST_SCALE):
        raise PartError("scale", f"{scale} is no usable factor", f"Give one above 0, up to {LARGEST_SCALE:g}")
    watch.at("reading the file", 0.0)
    called = Path(name) if name else path
    raw = _read_raw(path, called)
    watch.at("reading the file", 0.4)
    if face_set is not None:
        raw = _with_face_set(raw, *face_set, called.name)
    raw, factor = _with_unit(raw, unit, factor)
    _check_size(_extent(raw), factor * scale * scaled_later, raw.unit, called.name)
    if factor * scale != 1.0:
        raw = replace(raw, vertices=raw.vertices * (factor * scale))
    return healed_part(called.stem, raw, subject=called.name, watch=watch.part(0.4, 1.0))


def _read_raw(path: Path, called: Path) -> RawMesh:
    """Read by content; a misleading extension is a finding."""
    name = called.name or str(called)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise PartError(name, "this is a folder", SUPPORTED)
        if not path.is_file():  # a device may never end, a pipe may never begin
            raise PartError(name, "this is a device or a pipe, not a file", SUPPORTED)
        if size > MAX_BYTES:
            raise PartError(
                name, f"the file has {with_unit(size / 2**30, 'GB')}; 4 GB is the limit", "Reduce it"
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise PartError(name, "there is no such file", "Check the path") from None
    except OSError as error:
        why = f"the file cannot be read ({error.strerror})"
        raise PartError(name, why, "Check its permissions") from None
    if not data:
        raise PartError(name, "the file is empty", "Export it again")
    promised = FORMATS.get(called.suffix.lower())
    kind = recognise(data) or promised
    if kind is None:
        raise PartError(name, "its content is of no format that is known here", SUPPORTED)
    if kind == "stl":
        text = is_text_stl(data) and not is_binary_stl(data)
        _refuse_garbage(data, name, text)
        raw = read_text_stl(data, name) if text else read_binary_stl(data, name)
    elif kind == "3mf":
        if not is_zip(data):
            raise PartError(name, "this is no 3MF: it is not a zip package", "Export the file again")
        raw = read_3mf(data, name)
    elif kind == "off":
        raw = read_off(data, name)
    elif kind == "step":
        raw = read_step(path, name)
    else:
        raw = read_scene(data, kind, path, name)
    if promised != kind:
        what = f"read as {kind.upper()}, whatever the name '{name}' says"
        raw = replace(raw, findings=(MeshFinding("misleading file name", 1, what), *raw.findings))
    return raw


def recognise(data: bytes) -> str | None:
    """The format by content: stl, 3mf, obj, ply, off, glb, gltf, step; None when it does not tell."""
    start = data[:65536]
    words = start.lstrip(b"\xef\xbb\xbf \t\r\n")
    if is_zip(data):
        return "3mf"
    if start[:4] == b"glTF":
        return "glb"
    if is_binary_stl(data):
        return "stl"
    if words[:13] == b"ISO-10303-21;":
        return "step"
    if re.match(rb"ply\s", words):
        return "ply"
    if is_text_stl(data):
        return "stl"
    if re.match(rb"(ST)?(C)?(N)?OFF\b", words):
        return "off"
    if words[:1] == b"{" and b'"asset"' in data[: 1 << 20]:
        return "gltf"
    if OBJ_VERTEX.search(start):
        return "obj"
    return None


def _refuse_garbage(data: bytes, name: str, text: bool) -> None:
    """Plain text under the name .stl would otherwise be read as a header and a huge count."""
    if not text and not is_binary_stl(data):
        sample = data[:4096]
        printable = sum(32 <= b < 127 or b in (9, 10, 13) for b in sample)
        if printable > 0.97 * len(sample):
            raise PartError(name, "this is text, but no STL", SUPPORTED)


def _with_face_set(raw: RawMesh, title: str, marked: NDArray[np.bool_], name: str) -> RawMesh:
    if len(marked) != len(raw.faces):
        wrong = f"it has {len(raw.faces)} triangles, {len(marked)} are told apart"
        raise PartError(name, wrong, "Give the file that the faces were marked on")
    return replace(raw, label=marked.astype(np.int32), names=("", title))


def _with_unit(raw: RawMesh, unit: str | None, factor: float | None) -> tuple[RawMesh, float]:
    """The mesh with its unit settled, and the millimetres in one of its numbers."""
    if factor is not None:
        findings = raw.findings
        if raw.unit is not None and raw.unit != unit:
            note = MeshFinding("unit replaced", 1, f"the file says {raw.unit}; {unit} was asked for")
            findings = (note, *findings)
        return replace(raw, unit=unit, findings=findings), factor
    if raw.unit is not None:
        return raw, mm_per_unit(raw.unit)
    guessed, finding = guess_unit(_extent(raw))
    return replace(raw, unit=guessed, findings=(finding, *raw.findings)), mm_per_unit(guessed)


def _extent(raw: RawMesh) -> float:
    """Largest extent of the finite vertices (0 when there are none)."""
    (low, high), bad = finite_bounds(np.ascontiguousarray(raw.vertices))
    return float((high - low).max()) if bad < len(raw.vertices) else 0.0


def _check_size(extent: float, factor: float, unit: str | None, name: str) -> None:
    """Refuse what is larger than a hall or smaller than dust, with the unit that makes a part of it."""
    size_mm = extent * factor
    if 0 < size_mm < SMALLEST_MM:
        wrong = f"the part would be {length(size_mm)} long"
    elif not size_mm <= LARGEST_MM:
        wrong = f"the part would be {with_unit(size_mm / 1000, 'm')} long"
    else:
        return
    known = mm_per_unit(unit) if unit else 1.0
    likely = [u for u in ("mm", "cm", "inch", "m") if 5.0 <= size_mm * MM_PER_UNIT[u] / known <= 1000.0]
    cure = "Check unit and scale"
    if likely:
        cure += ": " + " or ".join(
            f"--unit {u} makes it {length(size_mm * MM_PER_UNIT[u] / known)}" for u in likely[:2]
        )
    raise PartError(name, wrong, cure)

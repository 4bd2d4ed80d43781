"""What the models of a 3MF package ask of their reader, told from their text.

Source: 3MF Core Specification (3MF Consortium), chapter on required and recommended extensions: a consumer
that does not support a required extension must refuse the file. Namespaces as in the
extensions' specifications.
"""

from __future__ import annotations

import io
import re
import zipfile

from falsework.errors import PartError
from falsework.part.part import MeshFinding

_SHOWN = re.compile(rb"<(?:\w+:)?model\b[^>]*>")
_REQUIRED = re.compile(rb"""requiredextensions\s*=\s*["']([^"']*)["']""")
_NAMESPACE = re.compile(rb"""xmlns:(\w+)\s*=\s*["']([^"']*)["']""")
_BEAMS = re.compile(rb"<(?:\w+:)?beamlattice\b")
_SLICES = re.compile(rb"<(?:\w+:)?slicestack\b")
_GROUPS = rb"basematerials|colorgroup|texture2dgroup|texture2d|compositematerials|multiproperties"
_MATERIAL = re.compile(rb"<((?:\w+:)?(?:" + _GROUPS + rb"))\b[^>]*>")
_REFERENCES = re.compile(rb"""\s(?:pid|pindex|p1|p2|p3)\s*=\s*(?:"[^"]*"|'[^']*')""")
_HOLDS = re.compile(rb"<(?:\w+:)?(object|component|item)\b([^>]*)>")
_ATTRIBUTE = re.compile(rb"""(?:\w+:)?(\w+)\s*=\s*["']([^"']*)["']""")
_ROOT, _BEYOND = "3d/3dmodel.model", 1 << 60
# by the part of the namespace that names the extension; these leave the triangles as they are
_SUPPORTED = ("material", "production", "trianglesets", "slice")
_NAMES = {
    "beamlattice": "beam lattices",
    "volumetric": "volumetric data",
    "implicit": "implicit bodies",
    "displacement": "displaced surfaces",
    "booleanoperations": "bodies made of others by booleans",
    "securecontent": "encrypted content",
}
CURE = "Export it as plain triangles"


def check_extensions(data: bytes, name: str) -> list[MeshFinding]:
    """What is left out of a package; PartError where an extension is required that is not read."""
    beams = slices = 0
    for text in _models(data):
        _check_required(text, name)
        beams += len(_BEAMS.findall(text))
        slices += len(_SLICES.findall(text))
    found = []
    if beams:
        done = "left out: falsework reads triangles alone, so the part is without them"
        found.append(MeshFinding("beam lattices", beams, done, serious=True))
    if slices:
        found.append(MeshFinding("slice stacks", slices, "left out: the triangles are planned"))
    return found


def check_copies(data: bytes, name: str, most: int) -> None:
    """PartError where components within components stand for more than ``most`` meshes; none is expanded.

    A few hundred bytes of objects that each hold the one before twice stand for more than there are atoms.
    """
    counts: dict[tuple[bytes, bytes], int] = {}
    total = 0
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        entries = [e for e in package.infolist() if e.filename.lower().endswith(".model")]
        # other models are held by the root's objects alone (Production Extension), so they are counted first
        for entry in sorted(entries, key=lambda e: e.filename.lower() == _ROOT):
            file = b"/" + entry.filename.lower().encode()
            total += _copies(package.read(entry), file, counts)
    if total > most:
        raise PartError(name, f"its components stand for more than {most:,} pieces", CURE)


def _copies(text: bytes, file: bytes, counts: dict[tuple[bytes, bytes], int]) -> int:
    """Meshes that the build of one model stands for; ``counts`` takes in those of its objects."""
    here, total = (file, b""), 0
    for found in _HOLDS.finditer(text):
        kind, attributes = found[1], dict(_ATTRIBUTE.findall(found[2]))
        if kind == b"object":
            here = (file, attributes.get(b"id", b""))
            counts[here] = 0
            continue
        place = attributes.get(b"path", file).lower(), attributes.get(b"objectid", b"")
        held = counts.get(place, 1) or 1  # an object without components is one mesh
        if kind == b"component":
            counts[here] = min(counts.get(here, 0) + held, _BEYOND)
        else:
            total += held
    return total


def without_materials(data: bytes) -> bytes:
    """The package with colours, materials and textures taken out of its models."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as package, zipfile.ZipFile(out, "w") as plain:
        for entry in package.infolist():
            content = package.read(entry)
            if entry.filename.lower().endswith(".model"):
                content = _REFERENCES.sub(b"", _without_groups(content))
            plain.writestr(entry.filename, content)
    return out.getvalue()


def _without_groups(text: bytes) -> bytes:
    kept, at = [], 0
    while group := _MATERIAL.search(text, at):
        kept.append(text[at : group.start()])
        at = group.end()
        if not group[0].endswith(b"/>"):
            closed = text.find(b"</" + group[1], at)
            if closed < 0:
                break
            at = text.find(b">", closed) + 1
    return b"".join([*kept, text[at:]])


def _models(data: bytes) -> list[bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        return [package.read(e) for e in package.infolist() if e.filename.lower().endswith(".model")]


def _check_required(text: bytes, name: str) -> None:
    root = _SHOWN.search(text)
    asked = _REQUIRED.search(root[0]) if root else None
    if root is None or asked is None:
        return
    namespaces = dict(_NAMESPACE.findall(root[0]))
    for prefix in asked[1].split():
        space = namespaces.get(prefix, prefix).decode("utf-8", "replace")
        words = space.rstrip("/").split("/")
        if not any(known in words for known in _SUPPORTED):
            what = next((text for key, text in _NAMES.items() if key in words), f"the extension {space[:80]}")
            raise PartError(name, f"it requires its reader to know {what}, which falsework does not", CURE)

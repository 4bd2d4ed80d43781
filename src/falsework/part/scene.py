"""OBJ, PLY and glTF, read through trimesh, without its cleaning."""

from __future__ import annotations

import io
import json
import re
import struct
from pathlib import Path
from urllib.parse import unquote

import numpy as np

from falsework.errors import PartError
from falsework.part.part import MeshFinding
from falsework.part.plain import plain_obj, plain_ply
from falsework.part.raw import RawMesh, check_count, joined

NAMELESS = re.compile(r"geometry(_\d+)?")  # what trimesh calls a mesh that has no name
Y_UP_TO_Z_UP = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])


def read_scene(data: bytes, kind: str, path: Path, name: str) -> RawMesh:
    """All triangles of the file, node transforms applied; glTF is turned to z up and is in metres.

    ``kind`` is obj, ply, glb or gltf; ``name`` is for messages. Colours, textures and files beside it
    are not opened, except the buffers of a .gltf, which must lie in the same folder.
    """
    if kind == "glb":
        return gltf_scene(data, name)
    if kind == "gltf":
        _check_gltf(data, path, name)
        from trimesh.resolvers import FilePathResolver

        options = {"skip_materials": True, "resolver": FilePathResolver(str(path))}
        return _from_scene(_load(data, kind, name, options), name, "m", Y_UP_TO_Z_UP)
    plain = plain_obj(data, name) if kind == "obj" else plain_ply(data, name)
    if plain is not None:
        return plain
    options = {"skip_materials": True} if kind == "obj" else {}
    return _from_scene(_load(data, kind, name, options), name, None, None)


def gltf_scene(data: bytes, name: str, *, z_up: bool = False) -> RawMesh:
    """All triangles of a binary glTF in metres; ``z_up`` when its writer left the axes as they were."""
    _check_glb(data, name)
    scene = _load(data, "glb", name, {"skip_materials": True})
    return _from_scene(scene, name, "m", None if z_up else Y_UP_TO_Z_UP)


def _load(data: bytes, kind: str, name: str, options: dict[str, object]) -> object:
    import trimesh

    try:
        return trimesh.load_scene(io.BytesIO(data), file_type=kind, process=False, **options)
    except Exception:  # the library raises whatever its parsers stumble on, in words of its own
        wrong = f"the {kind.upper()} is broken: a number, a count or an index in it cannot be right"
        raise PartError(name, wrong, "Export the file again") from None


def _from_scene(scene: object, name: str, unit: str | None, turn: np.ndarray | None) -> RawMesh:
    """Pieces of a trimesh scene with their placement; things that are no triangles are a finding."""
    pieces = []
    left_out = 0
    total = 0
    graph = scene.graph  # type: ignore[attr-defined]
    order = {key: place for place, key in enumerate(scene.geometry)}  # type: ignore[attr-defined]
    placed = [graph[node] for node in graph.nodes_geometry]
    # Not by the node's name: a node of several shapes gets names by chance, another at every reading.
    for matrix, key in sorted(placed, key=lambda found: (order[found[1]], found[0].tobytes())):
        shape = scene.geometry[key]  # type: ignore[attr-defined]
        faces = getattr(shape, "faces", None)
        if faces is None or len(faces) == 0:
            left_out += 1
            continue
        total += len(faces)
        check_count(name, total)
        vertices = np.asarray(shape.vertices, dtype=np.float64)
        faces = np.asarray(faces, dtype=np.int64)
        if not np.array_equal(matrix, np.eye(4)):
            vertices = vertices @ matrix[:3, :3].T + matrix[:3, 3]
            if np.linalg.det(matrix[:3, :3]) < 0:
                faces = faces[:, ::-1]
        if turn is not None:
            vertices = vertices @ turn.T
        title = str(key)
        pieces.append(("" if NAMELESS.fullmatch(title) else title, vertices, faces))
    if not pieces:
        raise PartError(
            name,
            "the file holds points or lines but no faces" if left_out else "the file holds no triangles",
            "Export a closed surface mesh",
        )
    raw = joined(pieces)
    findings = (
        (MeshFinding("points or lines", left_out, "left out: only faces can be planned"),) if left_out else ()
    )
    return RawMesh(raw.vertices, raw.faces, raw.label, raw.names, unit, findings)


def _check_glb(data: bytes, name: str) -> None:
    """The declared length must be there; compressed geometry is named, not stumbled over."""
    if len(data) < 20 or struct.unpack_from("<I", data, 8)[0] > len(data):
        raise PartError(name, "the file is cut off", "Export or copy the file again")
    length = struct.unpack_from("<I", data, 12)[0]
    _gltf_header(data[20 : 20 + length], name)


def _check_gltf(data: bytes, path: Path, name: str) -> None:
    """Buffers must be inside the file or beside it: never elsewhere on the machine or the net."""
    buffers = _gltf_header(data, name).get("buffers", [])
    for buffer in buffers if isinstance(buffers, list) else []:
        uri = str(buffer.get("uri", "")) if isinstance(buffer, dict) else ""
        if uri.startswith("data:"):
            continue
        plain = unquote(uri)
        if "://" in plain or "/" in plain or "\\" in plain or plain in ("", ".", ".."):
            raise PartError(
                name, f"it points outside its folder ({uri[:80]})", "Export a single .glb instead"
            )
        if not (path.parent / plain).is_file():
            raise PartError(name, f"its data file {plain} is missing", "Put it beside the .gltf")


def _gltf_header(text: bytes, name: str) -> dict:
    try:
        header = json.loads(text)
    except (ValueError, RecursionError):
        raise PartError(name, "its glTF description is broken", "Export the file again") from None
    if not isinstance(header, dict):
        raise PartError(name, "its glTF description is broken", "Export the file again")
    if "compression" in str(header.get("extensionsRequired", "")):
        raise PartError(name, "its geometry is compressed", "Export it uncompressed")
    return header

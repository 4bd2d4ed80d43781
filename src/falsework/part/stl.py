"""STL, binary and text, read into loose triangles."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.part.part import MeshFinding
from falsework.part.raw import RawMesh, RawPiece, check_count, joined, soup

HEADER = 84
RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
CHUNK = 1 << 23  # bytes of text looked at in one go, so that tokens never fill the memory
NUMBER = r"([^\s]+)"
VERTEX = re.compile(rf"vertex\s+{NUMBER}\s+{NUMBER}\s+{NUMBER}".encode(), re.IGNORECASE)
AGAIN = "Export or copy the file again"
INVENTED = "invented harbour museum"
"""A file whose header has these words holds a part that was made up for a demonstration."""


def binary_count(data: bytes) -> int | None:
    """Triangles that a binary header promises (None when there is no whole header)."""
    return int.from_bytes(data[80:84], "little") if len(data) >= HEADER else None


def is_binary_stl(data: bytes) -> bool:
    """Whether the size is the one its triangle count asks for, whatever the header's words say."""
    count = binary_count(data)
    return count is not None and len(data) == HEADER + count * RECORD.itemsize


def is_text_stl(data: bytes) -> bool:
    """Whether the data open like a text STL: ``solid``, then ``facet`` or ``endsolid``."""
    start = data[:65536].lstrip()[:4096].lower()
    return start.startswith(b"solid") and (b"facet" in start or b"endsolid" in start)


def read_binary_stl(data: bytes, name: str) -> RawMesh:
    """Loose triangles of a binary STL; surplus bytes are a finding, missing triangles an error."""
    count = binary_count(data)
    if count is None:
        raise PartError(name, f"{len(data)} bytes are too few for an STL", AGAIN)
    held, rest = divmod(len(data) - HEADER, RECORD.itemsize)
    if held < count:
        if count > 100 * max(held, 1) and not data[:HEADER].isascii():
            raise PartError(name, "this is no STL: its size does not match its triangle count", AGAIN)
        raise PartError(
            name,
            f"the file is cut off: its header promises {count:,} triangles, {held:,} are whole, "
            f"{count - held:,} are missing",
            AGAIN,
        )
    check_count(name, count)
    findings: tuple[MeshFinding, ...] = ()
    surplus = (held - count) * RECORD.itemsize + rest
    if surplus:
        findings = (MeshFinding("surplus bytes", surplus, "left out: they follow the last triangle"),)
    if INVENTED.encode() in data[:HEADER]:
        findings += (
            MeshFinding("made-up part", 1, f"of the {INVENTED}; nothing shown of it has been printed"),
        )
    corners = np.frombuffer(data, RECORD, count, HEADER)["corners"]
    vertices, faces = soup(corners)
    return RawMesh(vertices, faces, np.zeros(count, np.int32), ("",), None, findings)


def read_text_stl(data: bytes, name: str) -> RawMesh:
    """Loose triangles of a text STL; each ``solid`` becomes a named piece."""
    starts = _solid_lines(data)
    pieces: list[RawPiece] = []
    total = 0
    for (_, begin, title), (end, _, _) in pairwise([*starts, (len(data), 0, "")]):
        corners = _text_corners(data, begin, end, name)
        total += len(corners)
        check_count(name, total)
        if len(corners):
            pieces.append((title, *soup(corners)))
    if not pieces:
        raise PartError(name, "the file holds no triangles", AGAIN)
    raw = joined(pieces)
    if b"endsolid" not in data[-4096:].lower():
        done = "read up to its end, which lacks 'endsolid': it may have been cut off"
        raw = replace(raw, findings=(MeshFinding("unfinished text", 1, done, serious=True),))
    return raw


def _solid_lines(data: bytes) -> list[tuple[int, int, str]]:
    """(where the word starts, where its line ends, the name) of each ``solid`` that opens a line."""
    lower = data.lower()
    out = []
    at = lower.find(b"solid")
    while at >= 0:
        line = data.rfind(b"\n", 0, at) + 1
        end = data.find(b"\n", at)
        end = len(data) if end < 0 else end
        if not data[line:at].strip():
            out.append((at, end, data[at + 5 : end].decode("utf-8", "replace").strip()))
        at = lower.find(b"solid", end)
    return out


def _text_corners(data: bytes, begin: int, end: int, name: str) -> NDArray[np.float64]:
    """(m, 3, 3) corners of the facets in ``data[begin:end]``."""
    found = []
    first = begin
    while begin < end:
        stop = min(begin + CHUNK, end)
        if stop < end:
            stop = data.find(b"vertex", stop, end)
            stop = end if stop < 0 else stop
        tokens = VERTEX.findall(data, begin, stop)
        words = data[begin:stop].lower().count(b"vertex")
        if words != len(tokens):
            raise PartError(name, "the text is cut off or broken inside a vertex", AGAIN)
        if tokens:
            try:
                numbers = map(float, chain.from_iterable(tokens))
                found.append(np.fromiter(numbers, np.float64, 3 * len(tokens)).reshape(-1, 3))
            except ValueError as error:
                word = str(error).rpartition(":")[2].strip().removeprefix("b")[:40]
                raise PartError(name, f"a coordinate is not a number: {word}", AGAIN) from None
        begin = stop
    if not found:
        return np.empty((0, 3, 3))
    corners = np.concatenate(found)
    if len(corners) % 3:
        text = data[first:end].lower()
        wrong = "the text is cut off: its last facet has fewer than three corners"
        if b"endsolid" in text:
            facets = text.count(b"endfacet")
            wrong = f"a facet does not have three corners: {len(corners)} corners in {facets} facets"
        raise PartError(name, wrong, AGAIN)
    return corners.reshape(-1, 3, 3)

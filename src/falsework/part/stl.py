"""STL, binary and text, read into loose triangles."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.part.part import Finding
from falsework.part.raw import Piece, RawMesh, check_count, joined, soup

HEADER = 84
RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
CHUNK = 1 << 23  # bytes of text looked at in one go, so that tokens never fill the memory
NUMBER = r"([^\s]+)"
VERTEX = re.compile(rf"vertex\s+{NUMBER}\s+{NUMBER}\s+{NUMBER}".encode(), re.IGNORECASE)
SOLID = re.compile(rb"^[ \t]*solid\b[ \t]*(.*?)[ \t\r]*$", re.IGNORECASE | re.MULTILINE)
AGAIN = "Export or copy the file again"


def binary_count(data: bytes) -> int | None:
    """Triangles that a binary header promises (None when there is no whole header)."""
    return int.from_bytes(data[80:84], "little") if len(data) >= HEADER else None


def is_binary_stl(data: bytes) -> bool:
    """Whether the size is the one its triangle count asks for, whatever the header's words say."""
    count = binary_count(data)
    return count is not None and len(data) == HEADER + count * RECORD.itemsize


def is_text_stl(data: bytes) -> bool:
    """Whether the data open like a text STL: ``solid``, then ``facet`` or ``endsolid``."""
    start = data[:CHUNK].lstrip()[:4096].lower()
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
    findings: tuple[Finding, ...] = ()
    surplus = (held - count) * RECORD.itemsize + rest
    if surplus:
        findings = (Finding("surplus bytes", surplus, "left out: they follow the last triangle"),)
    corners = np.frombuffer(data, RECORD, count, HEADER)["corners"]
    vertices, faces = soup(corners)
    return RawMesh(vertices, faces, np.zeros(count, np.int32), ("",), None, findings)


def read_text_stl(data: bytes, name: str) -> RawMesh:
    """Loose triangles of a text STL; each ``solid`` becomes a named piece."""
    starts = list(SOLID.finditer(data))
    pieces: list[Piece] = []
    total = 0
    for i, match in enumerate(starts):
        end = starts[i + 1].start() if i + 1 < len(starts) else len(data)
        corners = _text_corners(data, match.end(), end, name)
        total += len(corners)
        check_count(name, total)
        if len(corners):
            title = match.group(1).decode("utf-8", "replace")
            pieces.append((title, *soup(corners)))
    if not pieces:
        raise PartError(name, "the file holds no triangles", AGAIN)
    return joined(pieces)


def _text_corners(data: bytes, begin: int, end: int, name: str) -> NDArray[np.float64]:
    """(m, 3, 3) corners of the facets in ``data[begin:end]``."""
    found = []
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
                found.append(np.array(tokens).astype(np.float64))
            except ValueError as error:
                word = str(error).rpartition(":")[2].strip()
                raise PartError(name, f"a coordinate is not a number: {word}", AGAIN) from None
        begin = stop
    if not found:
        return np.empty((0, 3, 3))
    corners = np.concatenate(found)
    if len(corners) % 3:
        raise PartError(name, "the text is cut off: its last facet has fewer than three corners", AGAIN)
    return corners.reshape(-1, 3, 3)

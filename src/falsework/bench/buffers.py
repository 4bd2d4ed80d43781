"""Arrays for the page: one file of named little-endian arrays that a browser maps without parsing.

Bytes 0 to 3 ``FWB1``; 4 to 7 the header's length (uint32); the header, JSON padded with spaces so that the
data starts at a multiple of 8; then the arrays, each at a multiple of 8. The header is
``{"arrays": {name: {"type", "shape", "at"}}, "meta": {…}}`` with ``at`` counted from the end of the header.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

MAGIC = b"FWB1"
TYPES = ("float32", "uint32", "uint16", "uint8")


def write_buffers(path: Path, arrays: Mapping[str, NDArray[Any]], meta: Mapping[str, Any]) -> None:
    """Write arrays of the ``TYPES`` and what is to be known about them; nobody sees ``path`` yet."""
    entries: dict[str, dict[str, Any]] = {}
    at = 0
    for name, array in arrays.items():
        assert array.dtype.name in TYPES, (name, array.dtype)
        entries[name] = {"type": array.dtype.name, "shape": list(array.shape), "at": at}
        at += _padded(array.nbytes)
    header = json.dumps({"arrays": entries, "meta": meta}, allow_nan=False).encode()
    header = header.ljust(_padded(len(header)))
    with open(path, "wb") as out:
        out.write(MAGIC + len(header).to_bytes(4, "little") + header)
        for array in arrays.values():
            out.write(np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<")).tobytes())
            out.write(bytes(_padded(array.nbytes) - array.nbytes))


def read_buffers(data: bytes) -> tuple[dict[str, NDArray[Any]], dict[str, Any]]:
    """The arrays and the meta of what :func:`write_buffers` wrote; ValueError where it did not."""
    if data[:4] != MAGIC:
        raise ValueError("not a file of buffers")
    start = 8 + int.from_bytes(data[4:8], "little")
    header = json.loads(data[8:start])
    arrays = {}
    for name, entry in header["arrays"].items():
        kind = np.dtype(entry["type"]).newbyteorder("<")
        count = int(np.prod(entry["shape"], dtype=np.int64))
        arrays[name] = np.frombuffer(data, kind, count, start + entry["at"]).reshape(entry["shape"])
    return arrays, header["meta"]


def _padded(length: int) -> int:
    return (length + 7) // 8 * 8

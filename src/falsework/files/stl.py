"""Binary STL: 80 bytes of header, a count, then 50 bytes per facet (little-endian)."""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import ArrayLike, NDArray

from falsework.arrays import Floats
from falsework.files.atomic import atomic_file

_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_AT_ONCE = 50_000  # facets that are worked out at a time: all of a large mesh would fill the memory


def write_stl(path: str | os.PathLike[str], vertices: ArrayLike, faces: ArrayLike, name: str) -> None:
    """Write a mesh as binary STL.

    ``vertices`` (n, 3) mm, ``faces`` (m, 3) counter-clockwise from outside; ``name`` goes into the header
    as far as it is ASCII. STL knows no unit: the numbers are millimetres, as is the custom. Readers join
    corners that have the same numbers, which are short here: faces of which two corners would become one are
    left out, and what they closed is closed without them.
    Raises ``OutputError`` where the file cannot be written.

    Examples
    --------
    >>> import falsework, os, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = os.path.join(folder, "a.stl")
    ...     falsework.write_stl(path, [(0, 0, 0), (1, 0, 0), (0, 1, 0)], [(0, 1, 2)], "a")
    ...     os.path.getsize(path)
    134
    """
    points, every = np.asarray(vertices, dtype=np.float64), np.asarray(faces).reshape(-1, 3)
    count = 0
    # The header must not start with 'solid': readers take that for the text form of the format.
    header = f"falsework, millimetres: {name}".encode("ascii", "replace")[:80].ljust(80, b"\0")
    with atomic_file(path) as aside, open(aside, "wb") as out:
        out.write(header)
        out.write(bytes(4))
        for at in range(0, len(every), _AT_ONCE):
            facets = _facets(points[every[at : at + _AT_ONCE]])
            out.write(facets.data)
            count += len(facets)
        out.seek(len(header))
        out.write(np.uint32(count).astype("<u4").tobytes())


def _facets(corners: Floats) -> NDArray[np.void]:
    """Rows of the file for triangles (m, 3, 3)."""
    short = corners.astype(np.float32)
    corners = corners[(short != np.roll(short, 1, axis=1)).any(axis=2).all(axis=1)]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    facets = np.zeros(len(corners), dtype=_FACET)
    facets["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    facets["corners"] = corners
    return facets

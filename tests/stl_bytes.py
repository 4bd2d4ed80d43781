"""STL bytes from corners, for tests that make their own files."""

from __future__ import annotations

import struct

import numpy as np

from falsework.part.stl import RECORD


def binary_stl(corners, header: bytes = b"made by a test") -> bytes:
    records = np.zeros(len(corners), RECORD)
    records["corners"] = corners
    return header.ljust(80, b" ") + struct.pack("<I", len(corners)) + records.tobytes()


def text_stl(corners, name: str = "") -> str:
    facets = (
        "facet normal 0 0 0\n outer loop\n"
        + "".join(f"  vertex {x:.9g} {y:.9g} {z:.9g}\n" for x, y, z in triangle)
        + " endloop\nendfacet\n"
        for triangle in corners
    )
    return f"solid {name}\n{''.join(facets)}endsolid {name}\n"

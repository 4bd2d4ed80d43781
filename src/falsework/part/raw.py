"""``RawMesh``: what a reader found in a file, before anything was judged or healed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.errors import PartError
from falsework.part.part import MeshFinding

MAX_TRIANGLES = 20_000_000
SIMPLIFY = "reduce it to fewer triangles in the program it came from"


@dataclass(frozen=True, eq=False)
class RawMesh:
    """Triangles as the file has them.

    ``vertices`` (n, 3) float64 in the file's own numbers; ``faces`` (m, 3) integers, not yet checked;
    ``label`` (m,) int32 index into ``names`` (the file's objects); ``unit`` what the file declares
    (None when it declares none).
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.integer]
    label: NDArray[np.int32]
    names: tuple[str, ...]
    unit: str | None = None
    findings: tuple[MeshFinding, ...] = ()


RawPiece = tuple[str, NDArray[np.float64], NDArray[np.integer]]  # name, vertices, faces


def check_count(name: str, triangles: int) -> None:
    """Refuse a file with more triangles than can be planned."""
    if triangles > MAX_TRIANGLES:
        raise PartError(
            name,
            f"the part has {triangles:,} triangles; {MAX_TRIANGLES:,} is the limit",
            f"{SIMPLIFY[0].upper()}{SIMPLIFY[1:]}",
        )


def joined(pieces: list[RawPiece]) -> RawMesh:
    """One raw mesh from named pieces (name, vertices, faces); equal names are numbered apart.

    A single piece may stay without a name.
    """
    counts: dict[str, int] = {}
    taken: set[str] = set()
    names = []
    for name, _, _ in pieces:
        plain = name or ("object" if len(pieces) > 1 else "")
        unique = plain
        while unique in taken:
            counts[plain] = counts.get(plain, 1) + 1
            unique = f"{plain} ({counts[plain]})"
        taken.add(unique)
        names.append(unique)
    offsets = np.cumsum([0] + [len(v) for _, v, _ in pieces])
    return RawMesh(
        np.concatenate([v for _, v, _ in pieces]).astype(np.float64),
        np.concatenate([f.astype(np.int64) + o for (_, _, f), o in zip(pieces, offsets, strict=False)]),
        np.repeat(np.arange(len(pieces), dtype=np.int32), [len(f) for _, _, f in pieces]),
        tuple(names),
    )


def soup(corners: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.integer]]:
    """Vertices and faces of loose triangles (m, 3, 3): no corner shared."""
    vertices = np.ascontiguousarray(corners.reshape(-1, 3), dtype=np.float64)
    return vertices, np.arange(len(vertices), dtype=np.int64).reshape(-1, 3)

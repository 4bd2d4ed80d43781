"""The solid view's data: triangles packed small enough to travel inside the page."""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from falsework.layers.stack import Floats, Indices
from falsework.planning.value import Plan
from falsework.report.colour import HATCH, PART, SUPPORT, droop_rgb, hatch_rgb
from falsework.report.scene import Scene, Soup

_MOST_TRIANGLES = 260_000  # part and supports each; beyond it the mesh is thinned
_GRID = 65535  # positions are whole steps of the longest side over this
_COARSEST = 1 / 150  # of the longest side: thinner than this a mesh would no longer show the part


@dataclass(frozen=True)
class ShownSolid:
    """``facts`` JSON text, ``data`` deflated and base64, '' where it cannot be shown: see ``why_not``."""

    facts: str
    data: str
    remark: str
    why_not: str = ""


@dataclass(frozen=True, eq=False)
class _Packed:
    """Points (n, 3) in whole grid steps, faces (m, 3), tag (m,) ascending."""

    points: Indices
    faces: Indices
    tag: Indices
    step_mm: float


def _snapped(soup: Soup, low: Floats, step_mm: float) -> tuple[Indices, Indices, NDArray[np.bool_]]:
    """Points (n, 3) on a grid of ``step_mm``, a number (n,) for each place on it, and (m,) the faces that do
    not fall together."""
    grid = np.floor((soup.points - low) / step_mm + 0.5).astype(np.int64)
    key = (grid[:, 0] * (_GRID + 1) + grid[:, 1]) * (_GRID + 1) + grid[:, 2]
    a, b, c = (key[soup.faces[:, k]] for k in range(3))
    return grid, key, (a != b) & (b != c) & (c != a)


def _index(soup: Soup, low: Floats, step_mm: float) -> _Packed:
    """Weld the points on a grid of ``step_mm``; faces that fall together are dropped. Sorted by tag."""
    grid, key, real = _snapped(soup, low, step_mm)
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    faces, tag = which[soup.faces[real]], soup.tag[real]
    order = np.argsort(tag, kind="stable")
    faces, tag = faces[order], tag[order]
    # points in the order in which faces first use them: neighbours get near numbers, which deflate well
    used, at = np.unique(faces.ravel(), return_index=True)
    by_use = used[np.argsort(at, kind="stable")]
    new = np.empty(len(first), dtype=np.int64)
    new[by_use] = np.arange(len(by_use))
    return _Packed(grid[first[by_use]], new[faces], tag, step_mm)


def _fitted(soup: Soup, low: Floats, longest_mm: float) -> _Packed | None:
    """The mesh in full, or on the finest grid that brings it under the limit; None where none does."""
    step, coarser = longest_mm / _GRID, longest_mm / 4000
    while np.count_nonzero(_snapped(soup, low, step)[2]) > _MOST_TRIANGLES:
        if coarser > longest_mm * _COARSEST:
            return None
        step, coarser = coarser, 1.5 * coarser
    return _index(soup, low, step)


def _bytes(packed: _Packed, scale: float) -> bytes:
    """Points as differences (uint16), then corners of faces as differences (uint32), both in byte planes."""
    points = np.minimum(np.floor(packed.points * scale + 0.5).astype(np.int64), _GRID)
    steps = np.diff(points, axis=0, prepend=np.zeros((1, 3), dtype=np.int64)).T
    corners = packed.faces.ravel()
    jumps = np.diff(corners, prepend=0)
    wrapped = (steps.ravel() & 0xFFFF).astype("<u2").view(np.uint8).reshape(-1, 2).T
    turned = ((jumps << 1) ^ (jumps >> 63)).astype("<u4").view(np.uint8).reshape(-1, 4).T
    return np.ascontiguousarray(wrapped).tobytes() + np.ascontiguousarray(turned).tobytes()


def _runs(tag: Indices) -> list[list[int]]:
    """[tag, number of faces] of each stretch of equal tags."""
    values, counts = np.unique(tag, return_counts=True)
    return [[int(v), int(c)] for v, c in zip(values, counts, strict=True)]


def pack(scene: Scene, plan: Plan) -> ShownSolid:
    """Pack part and supports for ``page/solid.js``; meshes past the limit are thinned, or left out."""
    low = scene.bounds_mm[0].copy()
    high = scene.bounds_mm[1].copy()
    if len(scene.supports.points):
        flat = scene.supports.points
        low, high = np.minimum(low, flat.min(axis=0)), np.maximum(high, flat.max(axis=0))
    longest = float((high - low).max())
    part = _fitted(scene.part, low, longest)
    supports = _fitted(scene.supports, low, longest)
    if part is None or supports is None:
        what = "part" if part is None else "support"
        count = len(scene.part.tag if part is None else scene.supports.tag)
        reason = (
            f"The solid view is left out: the {what} has {count} triangles, too many to travel in a page."
        )
        return ShownSolid("", "", "", reason)
    unit = longest / _GRID
    blob = _bytes(part, part.step_mm / unit) + _bytes(supports, supports.step_mm / unit)
    colours = [droop_rgb(u.droop_mm.value) for u in plan.undersides]
    facts = {
        "low": [round(float(v), 6) for v in low],
        "size": [round(float(v), 6) for v in high - low],
        "unit": unit,
        "part": {"points": len(part.points), "faces": len(part.faces), "runs": _runs(part.tag)},
        "supports": {"points": len(supports.points), "faces": len(supports.faces)},
        "z": [round(z, 4) for z in plan.layers.z_mm],
        "tones": {
            "part": [round(v, 4) for v in PART],
            "support": [round(v, 4) for v in SUPPORT],
            "undersides": [[round(v, 4) for v in c] for c in colours],
            "inks": [[round(v, 4) for v in hatch_rgb(c)] for c in colours],
            "hatches": [HATCH[u.kind] for u in plan.undersides],
        },
        "labels": [
            {"number": u.number, "at": [round(v, 3) for v in u.center_mm]} for u in plan.undersides[:60]
        ],
    }
    coarsest = max((p.step_mm for p in (part, supports) if p.step_mm > 1.5 * unit), default=0.0)
    remark = f"The mesh is thinned to {coarsest:.2g}\u00a0mm here; the pictures are not." if coarsest else ""
    packed = base64.b64encode(zlib.compress(blob, 6)).decode("ascii")
    return ShownSolid(json.dumps(facts, separators=(",", ":")), packed, remark)

"""Smooth bodies from a formula: the zero surface of a function, as a closed triangle mesh.

Naive surface nets (Gibson, Constrained elastic surface nets, MICCAI 1998) on a grid: one vertex per
cell that the surface passes, one quad per grid edge that it cuts.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import Floats, Ints

Formula = Callable[[Floats], Floats]  # points (n, 3) -> values (n,), negative inside

CHUNK = 1 << 18  # points evaluated in one go, to bound memory
BLOCK = 8  # grid points along the side of a block
STEEPEST = 1.5  # of the formulas used here, per mm


def surface(formula: Formula, low: Floats, high: Floats, step_mm: float) -> tuple[Floats, Ints]:
    """(vertices, faces) of the zero surface of ``formula`` within the box, on a grid of ``step_mm``.

    The surface must lie wholly inside the box. Faces run counter-clockwise seen from outside.
    """
    shape = np.ceil((high - low) / step_mm).astype(int) + 1
    axes = [low[d] + step_mm * np.arange(shape[d]) for d in range(3)]
    value = _sampled(formula, axes)
    inside = value < 0
    cells = np.zeros(shape - 1, np.int8)
    for corner in np.ndindex(2, 2, 2):
        cells += inside[_window(corner, shape)]
    mixed = (cells > 0) & (cells < 8)
    number = np.full(shape - 1, -1, np.int32)
    number[mixed] = np.arange(int(mixed.sum()), dtype=np.int32)
    where = np.argwhere(mixed)
    vertices = low + step_mm * (where + _crossing_mean(value, where))
    quads = []
    for d in range(3):
        u, v = (d + 1) % 3, (d + 2) % 3
        a = inside.take(range(shape[d] - 1), axis=d)
        b = inside.take(range(1, shape[d]), axis=d)
        at = np.argwhere(a != b)
        at = at[(at[:, u] > 0) & (at[:, v] > 0) & (at[:, u] < shape[u] - 1) & (at[:, v] < shape[v] - 1)]
        back_u, back_v = np.eye(3, dtype=int)[u], np.eye(3, dtype=int)[v]
        ring = [number[tuple((at - s * back_u - t * back_v).T)] for s, t in ((1, 1), (0, 1), (0, 0), (1, 0))]
        quad = np.column_stack(ring)
        leaving = a[tuple(at.T)]
        quad[~leaving] = quad[~leaving][:, ::-1]
        quads.append(quad)
    return vertices, _split(vertices, np.concatenate(quads))


def _window(corner: tuple[int, ...], shape: NDArray[np.int64]) -> tuple[slice, ...]:
    return tuple(slice(c, c + int(n) - 1) for c, n in zip(corner, shape, strict=True))


def _sampled(formula: Formula, axes: list[Floats]) -> NDArray[np.float32]:
    """Values on the grid; away from the surface only their sign is right.

    Blocks of ``BLOCK``³ points are looked at in their middle first, and sampled in full only where
    the value there leaves room for the surface: ``formula`` must not grow faster than ``STEEPEST``.
    """
    shape = np.array([len(a) for a in axes])
    blocks = -(-shape // BLOCK)
    step = axes[0][1] - axes[0][0]
    low = np.array([a[0] for a in axes])
    middles = low + step * (BLOCK * np.argwhere(np.ones(blocks, bool)) + 0.5 * (BLOCK - 1))
    rough = np.concatenate([formula(part) for part in np.array_split(middles, len(middles) // CHUNK + 1)])
    reach = STEEPEST * 0.5 * np.sqrt(3.0) * BLOCK * step
    tiles = np.broadcast_to(
        rough.astype(np.float32).reshape(-1, 1, 1, 1), (len(rough), BLOCK, BLOCK, BLOCK)
    ).copy()
    near = np.flatnonzero(np.abs(rough) <= reach)
    inner = step * (np.argwhere(np.ones((BLOCK,) * 3, bool)) - 0.5 * (BLOCK - 1))
    for part in np.array_split(near, len(near) * BLOCK**3 // CHUNK + 1):
        points = (middles[part][:, None] + inner[None]).reshape(-1, 3)
        tiles[part] = formula(points).reshape(-1, BLOCK, BLOCK, BLOCK)
    whole = tiles.reshape(*blocks, BLOCK, BLOCK, BLOCK).transpose(0, 3, 1, 4, 2, 5)
    return whole.reshape(blocks * BLOCK)[: shape[0], : shape[1], : shape[2]]


def _crossing_mean(value: NDArray[np.float32], where: NDArray[np.int64]) -> Floats:
    """(n, 3) mean of the points where the cell's twelve edges cross zero, in cells."""
    total = np.zeros((len(where), 3))
    count = np.zeros(len(where))
    for d in range(3):
        along = np.eye(3, dtype=int)[d]
        for corner in np.ndindex(2, 2, 2):
            if corner[d]:
                continue
            base = np.array(corner)
            a = value[tuple((where + base).T)].astype(np.float64)
            b = value[tuple((where + base + along).T)].astype(np.float64)
            cut = (a < 0) != (b < 0)
            t = np.where(cut, a / np.where(cut, a - b, 1.0), 0.0)
            total[cut] += (base + t[:, None] * along)[cut]
            count += cut
    mean: Floats = total / count[:, None]
    return mean


def _split(vertices: Floats, quads: Ints) -> Ints:
    """Two triangles per quad, along its shorter diagonal."""
    a, b, c, d = (vertices[quads[:, k]] for k in range(4))
    short = np.linalg.norm(a - c, axis=1) <= np.linalg.norm(b - d, axis=1)
    first = np.where(short[:, None], quads[:, [0, 1, 2]], quads[:, [0, 1, 3]])
    second = np.where(short[:, None], quads[:, [0, 2, 3]], quads[:, [1, 2, 3]])
    return np.concatenate([first, second]).astype(np.int32)


def refined(formula: Formula, vertices: Floats, faces: Ints, step_mm: float) -> tuple[Floats, Ints]:
    """Each face cut in four at the middles of its edges, new vertices drawn to the zero surface."""
    ends = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    keys = ends[:, 0].astype(np.int64) * len(vertices) + ends[:, 1]
    edge, at = np.unique(keys, return_inverse=True)
    middles = 0.5 * (vertices[edge // len(vertices)] + vertices[edge % len(vertices)])
    middles = drawn(formula, middles, step_mm)
    ab, bc, ca = (len(vertices) + at.reshape(3, -1)).astype(np.int32)
    a, b, c = faces.T
    cut = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.vstack([vertices, middles]), np.concatenate([np.column_stack(t) for t in cut])


def drawn(formula: Formula, points: Floats, step_mm: float) -> Floats:
    """Points moved once along the gradient toward the zero surface, by a sixth of a step at most."""
    h = 1e-3 * step_mm
    value = formula(points)
    slope = np.column_stack([(formula(points + h * np.eye(3)[d]) - value) / h for d in range(3)])
    square = np.maximum((slope * slope).sum(axis=1), 1e-12)
    move = -(value / square)[:, None] * slope
    length = np.linalg.norm(move, axis=1)
    return points + move * np.minimum(1.0, step_mm / 6 / np.maximum(length, 1e-12))[:, None]


def blend(a: Floats, b: Floats, radius_mm: float) -> Floats:
    """Union of two bodies with a fillet of about ``radius_mm`` (polynomial smooth minimum)."""
    h = np.clip(0.5 + 0.5 * (b - a) / radius_mm, 0.0, 1.0)
    out: Floats = b + (a - b) * h - radius_mm * h * (1.0 - h)
    return out


def tapered(points: Floats, start: tuple, end: tuple, r_start: float, r_end: float) -> Floats:
    """Signed distance to a rod with round ends, of radius ``r_start`` to ``r_end`` (nearly exact)."""
    a, b = np.array(start, float), np.array(end, float)
    axis = b - a
    p = points - a
    t = np.clip(p @ axis / (axis @ axis), 0.0, 1.0)
    p -= t[:, None] * axis
    out: Floats = np.sqrt(np.einsum("ij,ij->i", p, p)) - (r_start + t * (r_end - r_start))
    return out


def oblong(u: Floats, v: Floats) -> Floats:
    """Norm of (u, v) of exponent 3: blades keep thicker edges than an ellipse would give them."""
    u, v = np.abs(u), np.abs(v)
    out: Floats = np.cbrt(u * u * u + v * v * v)
    return out


def ellipsoid(points: Floats, middle: tuple, radii: tuple) -> Floats:
    """Roughly the signed distance to an ellipsoid (exact on its surface)."""
    p = (points - np.array(middle, float)) / np.array(radii, float)
    k = np.sqrt(np.einsum("ij,ij->i", p, p))
    p /= np.array(radii, float)
    g = np.sqrt(np.einsum("ij,ij->i", p, p))
    out: Floats = k * (k - 1.0) / np.maximum(g, 1e-12)
    return out

"""Closing holes: loops of open edges get a patch, where that is plainly the right thing to do."""

from __future__ import annotations

import numpy as np

from falsework.arrays import Floats, Ints
from falsework.kernels.mesh.edges import boundary_loops, least_area_patch, pair_edges, sort_edges
from falsework.kernels.mesh.measures import face_areas

MAX_LOOP = 20_000  # edges of one hole
MAX_HOLES = 20_000
LEAST_AREA_LOOP = 400  # up to here the cubic search for the smallest patch is quick (10 ms)
FLAT = 1e-3  # deviation from a plane, as a share of the loop's size, that still counts as flat
MAX_SHARE = 0.45  # a patch larger than this share of its shell's area would invent the part


class Patch:
    """What closes one loop: new faces, and at most one new vertex (numbered by the caller)."""

    def __init__(self, loop: Ints, label: int) -> None:
        self.loop = loop  # vertices in the order of the holes' side: wound as the patch must be
        self.label = label
        self.faces: Ints = np.empty((0, 3), np.int32)
        self.middle: Floats | None = None


def find_loops(faces: Ints, partner: Ints) -> list[tuple[Ints, int]]:
    """Simple loops of open edges: (vertices in patch order, a face beside it)."""
    half, start = boundary_loops(faces, partner)
    corner = faces.ravel()
    out = []
    for i in range(len(start) - 1):
        edges = half[start[i] : start[i + 1]]
        out += [(piece[::-1].copy(), int(edges[0]) // 3) for piece in _simple(corner[edges])]
    return out


def _simple(loop: Ints) -> list[Ints]:
    """A loop that comes back to a vertex is cut into loops that do not."""
    if len(np.unique(loop)) == len(loop):
        return [loop]
    out: list[Ints] = []
    seen: dict[int, int] = {}
    walk: list[int] = []
    for v in loop.tolist():
        if v in seen:
            cut = seen[v]
            out.append(np.array(walk[cut:], np.int32))
            for gone in walk[cut + 1 :]:
                del seen[gone]
            del walk[cut + 1 :]
        else:
            seen[v] = len(walk)
            walk.append(v)
    out.append(np.array(walk, np.int32))
    return [piece for piece in out if len(piece) >= 3]


def patch_loop(points: Floats) -> tuple[Ints | None, float]:
    """Triangles over a closed loop (n, 3), wound like it, and their area; None when only a fan will do.

    Flat loops are cut by ears in their plane; others get the patch of least area.
    """
    n = len(points)
    if n == 3:
        triangle = np.array([[0, 1, 2]], np.int32)
        return triangle, float(face_areas(points, triangle)[0])
    middle = points.mean(axis=0)
    ahead = np.roll(points, -1, axis=0)
    normal = 0.5 * np.cross(points - middle, ahead - middle).sum(axis=0)
    area = float(np.linalg.norm(normal))
    size = float(np.ptp(points, axis=0).max())
    if area > 1e-12 * size * size:
        normal /= area
        if np.abs((points - middle) @ normal).max() <= FLAT * size:
            cut = _cut_ears(points - middle, normal, area)
            if cut is not None:
                return cut, area
    if n <= LEAST_AREA_LOOP:
        cut = least_area_patch(points)
        return cut, float(face_areas(points, cut).sum())
    return None, float(np.linalg.norm(np.cross(points - middle, ahead - middle), axis=1).sum()) / 2


def _cut_ears(points: Floats, normal: Floats, area: float) -> Ints | None:
    """Ears of a flat loop, or None if they do not use every edge or do not cover it exactly."""
    import mapbox_earcut

    u = np.zeros(3)
    u[np.argmin(np.abs(normal))] = 1.0
    u -= normal * (u @ normal)
    u /= np.linalg.norm(u)
    flat = np.ascontiguousarray(np.column_stack([points @ u, points @ np.cross(normal, u)]))
    cut = mapbox_earcut.triangulate_float64(flat, np.array([len(flat)], np.uint32)).reshape(-1, 3)
    cut = np.ascontiguousarray(cut, dtype=np.int32)
    if len(cut) != len(points) - 2:
        return None
    a, b, c = flat[cut[:, 0]], flat[cut[:, 1]], flat[cut[:, 2]]
    signed = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    cut[signed < 0] = cut[signed < 0][:, ::-1]
    return cut if abs(np.abs(signed).sum() - area) <= 1e-6 * area else None


def close_holes(
    vertices: Floats, faces: Ints, label: Ints, partner: Ints, shell: Ints, shell_area: Floats
) -> tuple[Floats, Ints, Ints, list[tuple[Floats, float, int]]]:
    """Patch every loop of open edges that may be patched.

    Returns (vertices, faces, label, closed): ``closed`` lists (middle, area, edges) of each patch.
    Loops that are too large stay open.
    """
    patches: list[Patch] = []
    closed: list[tuple[Floats, float, int]] = []
    loops = find_loops(faces, partner)
    if len(loops) > MAX_HOLES:
        return vertices, faces, label, []
    for loop, beside in loops:
        points = np.ascontiguousarray(vertices[loop])
        if len(loop) > MAX_LOOP:
            continue
        cut, area = patch_loop(points)
        if area > MAX_SHARE * shell_area[shell[beside]]:
            continue
        patch = Patch(loop, int(label[beside]))
        if cut is None:
            patch.middle = points.mean(axis=0)
        else:
            patch.faces = loop[cut]
        patches.append(patch)
        closed.append((points.mean(axis=0), area, len(loop)))
    if not patches:
        return vertices, faces, label, []
    for patch in _clashing(vertices, faces, patches):
        patch.middle = vertices[patch.loop].mean(axis=0)
    return (*_with(vertices, faces, label, patches), closed)


def _with(vertices: Floats, faces: Ints, label: Ints, patches: list[Patch]) -> tuple[Floats, Ints, Ints]:
    """The mesh with all patches; fans get their middle vertex."""
    extra: list[Floats] = []
    new_faces, new_labels = [faces], [label]
    for patch in patches:
        cut = patch.faces
        if patch.middle is not None:
            middle = np.full(len(patch.loop), len(vertices) + len(extra), np.int32)
            extra.append(patch.middle)
            cut = np.column_stack([patch.loop, np.roll(patch.loop, -1), middle]).astype(np.int32)
        new_faces.append(cut)
        new_labels.append(np.full(len(cut), patch.label, np.int32))
    points = np.vstack([vertices, *extra]) if extra else vertices
    return np.ascontiguousarray(points), np.concatenate(new_faces), np.concatenate(new_labels)


def _clashing(vertices: Floats, faces: Ints, patches: list[Patch]) -> list[Patch]:
    """Patches with an inner edge that the mesh has already: they would make a crowded edge."""
    none = np.zeros(len(faces), np.int32)
    _, combined, _ = _with(vertices, faces, none, patches)
    partner, counts = pair_edges(combined, sort_edges(combined, len(vertices) + len(patches)))
    if counts[1] == 0:
        return []
    crowded = (partner.reshape(-1, 3) == -2).any(axis=1)[len(faces) :]
    sizes = [len(p.loop) if p.middle is not None else len(p.faces) for p in patches]
    ends = np.cumsum(sizes)
    return [
        p
        for p, end, size in zip(patches, ends, sizes, strict=True)
        if p.middle is None and crowded[end - size : end].any()
    ]

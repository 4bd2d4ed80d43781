"""Kernels beside what a general-purpose library offers for the same question, on the arrays of a real plan.

    python benchmarks/kernels.py [--quick]

CPU seconds, the least of three rounds, compiled before; how far the answers differ. A kernel that a library
comes within twice of has no reason to be. Prints a Markdown table; ``--quick`` takes a smaller part.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.ndimage
import shapely
import trimesh
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from falsework.kernels.field.grids import cover, surface_above
from falsework.kernels.mesh.crossing import crossing_faces
from falsework.kernels.mesh.edges import group_rows, pair_edges, sort_edges, wind_shells
from falsework.kernels.mesh.measures import face_areas, mesh_volume, normals_of
from falsework.kernels.outline.distance import joined, run_boxes
from falsework.kernels.outline.rings import ring_figures, tidy_rings
from falsework.kernels.outline.strips import fit_strips
from falsework.kernels.picture.drawing import blur_depth, corner_normals, draw_triangles
from falsework.layers.slicing import stack_layers
from falsework.need.measure import Outlines, polygon_edges
from falsework.part.demo import gull

ROUNDS = 3
Answer = Callable[[], Any]
Differ = Callable[[Any, Any], str]


def seconds(ask: Answer) -> tuple[float, Any]:
    """Least CPU seconds of a call, and its answer."""
    least, answer = np.inf, None
    for _ in range(ROUNDS):
        start = time.process_time()
        answer = ask()
        least = min(least, time.process_time() - start)
    return least, answer


def compare(kernel: str, library: str, ours: Answer, theirs: Answer, differ: Differ) -> None:
    ours()  # compiled, or loaded from the cache
    (mine, a), (other, b) = seconds(ours), seconds(theirs)
    print(
        f"| `{kernel}` | {1e3 * mine:.2f} | {library} | {1e3 * other:.2f} | {other / max(mine, 1e-9):.1f} "
        f"| {differ(a, b)} |",
        flush=True,
    )


def most(a: Any, b: Any) -> str:
    return f"{np.max(np.abs(np.asarray(a) - np.asarray(b))):.1e} at most"


def share_differing(a: Any, b: Any) -> str:
    return f"{np.mean(np.asarray(a) != np.asarray(b)):.2%} of cells"


def meshes(vertices: np.ndarray, faces: np.ndarray) -> None:
    def fresh() -> trimesh.Trimesh:
        return trimesh.Trimesh(vertices, faces, process=False)

    compare("mesh_volume", "trimesh", lambda: mesh_volume(vertices, faces), lambda: fresh().volume, most)
    compare("face_areas", "trimesh", lambda: face_areas(vertices, faces), lambda: fresh().area_faces, most)
    compare(
        "normals_of", "numpy", lambda: normals_of(vertices, faces)[0], lambda: _normals(vertices, faces), most
    )
    soup = np.ascontiguousarray(vertices[faces].reshape(-1, 3))
    keys = np.round(soup / 1e-6).astype(np.int64)
    compare(
        "group_rows",
        "numpy unique",
        lambda: len(group_rows(keys)[1]),
        lambda: len(np.unique(keys, axis=0)),
        lambda a, b: f"{a - b} groups",
    )
    order = sort_edges(faces, len(vertices))
    partner = pair_edges(faces, order)[0]
    compare(
        "sort_edges, pair_edges",
        "trimesh face_adjacency",
        lambda: np.count_nonzero(pair_edges(faces, sort_edges(faces, len(vertices)))[0] >= 0) // 2,
        lambda: len(fresh().face_adjacency),
        lambda a, b: f"{a - b} pairs",
    )
    compare(
        "wind_shells",
        "scipy connected_components, which winds nothing",
        lambda: wind_shells(faces, partner)[2],
        lambda: _shells(faces, partner),
        lambda a, b: f"{a - b} shells",
    )
    compare(
        "crossing_faces",
        "shapely STRtree of the faces' boxes, pairs alone",
        lambda: crossing_faces(vertices, faces, 1e-9, 10**9),
        lambda: _box_pairs(vertices, faces),
        lambda a, b: "their pairs are only candidates",
    )
    compare(
        "corner_normals",
        "trimesh vertex_normals, without creases",
        lambda: corner_normals(vertices, faces.astype(np.int64), -1.0),
        lambda: fresh().vertex_normals,
        lambda a, b: f"{_degrees(a, b[faces]):.2f}° at most",
    )


def _degrees(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.arccos(np.clip((a * b).sum(axis=2), -1.0, 1.0))).max())


def _normals(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = vertices[faces].transpose(1, 0, 2)
    cross = np.cross(b - a, c - a)
    return cross / np.linalg.norm(cross, axis=1)[:, None]


def _shells(faces: np.ndarray, partner: np.ndarray) -> int:
    half = np.flatnonzero(partner >= 0)
    at = (half // 3, partner[half] // 3)
    graph = coo_array((np.ones(len(half), np.int8), at), shape=(len(faces), len(faces)))
    return int(connected_components(graph, directed=False)[0])


def _box_pairs(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    corners = vertices[faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    a, b = shapely.STRtree(boxes).query(boxes)
    over = (a < b) & (low[a, 2] <= high[b, 2]) & (low[b, 2] <= high[a, 2])
    return np.column_stack([a[over], b[over]])


def outlines(stack: Any) -> None:
    rng = np.random.default_rng(0)
    regions, asked = stack.regions, Outlines(stack)
    layer = np.sort(rng.integers(0, stack.count, 20_000))
    bounds = shapely.total_bounds(regions)
    points = rng.uniform(bounds[:2], bounds[2:], (len(layer), 2))
    compare(
        "distance_to_layer",
        "shapely distance, prepared",
        lambda: asked.distance_mm(points, layer),
        lambda: _far(regions, points, layer),
        most,
    )
    polygons, owner = shapely.get_parts(regions, return_index=True)
    edges, first = polygon_edges(polygons)
    boxes, first_box = run_boxes(edges, first)
    tree = shapely.STRtree(polygons)
    some, others = tree.query(polygons)
    keep = (owner[others] == owner[some] - 1) | (owner[others] == owner[some] - 2)
    some, others = some[keep], others[keep]
    compare(
        "joined",
        "shapely dwithin, scipy connected_components",
        lambda: len(np.unique(joined(some, others, edges, first, boxes, first_box, 0.2))),
        lambda: _joined(polygons, some, others, 0.2),
        lambda a, b: f"{a - b} patches",
    )
    flat, ring_start, layer_start = stack.points_mm.ravel(), stack.ring_start, stack.layer_start
    owner_ring = np.repeat(np.arange(len(ring_start) - 1), np.diff(ring_start))
    lines = shapely.linearrings(stack.points_mm, indices=owner_ring)
    compare(
        "tidy_rings",
        "shapely simplify, each ring by itself",
        lambda: len(tidy_rings(flat, ring_start, layer_start, 0.01)[0]) // 2,
        lambda: int(shapely.get_num_coordinates(shapely.simplify(lines, 0.01)).sum()),
        lambda a, b: f"{a} and {b} points",
    )
    compare(
        "ring_figures",
        "shapely area and is_simple, each ring by itself",
        lambda: np.abs(ring_figures(flat, ring_start, layer_start)[0]),
        lambda: (shapely.is_simple(lines), shapely.area(shapely.polygons(lines)))[1],
        most,
    )
    shapes = shapely.normalize(shapely.get_parts(regions[::10]))
    _, loop_points, (rings, owners) = shapely.to_ragged_array(shapes)
    last = np.zeros(len(loop_points), bool)
    last[rings[1:] - 1] = True
    open_points = np.ascontiguousarray(loop_points[~last])
    open_rings = (rings - np.arange(len(rings))).astype(np.int64)
    cells, zero = owners.astype(np.int64), np.zeros(len(shapes))
    compare(
        "fit_strips",
        "shapely intersection with a line, no width",
        lambda: float(np.diff(fit_strips(open_points, open_rings, cells, 1.0, zero, zero)[:, 2:]).sum()),
        lambda: _lines(shapes, 1.0),
        lambda a, b: f"{abs(a - b):.1e} mm of {b:.0f} mm",
    )


def _far(regions: np.ndarray, points: np.ndarray, layer: np.ndarray) -> np.ndarray:
    shapely.prepare(regions)
    return shapely.distance(regions[layer], shapely.points(points))


def _joined(polygons: np.ndarray, some: np.ndarray, others: np.ndarray, reach: float) -> int:
    shapely.prepare(polygons)
    near = shapely.dwithin(polygons[some], polygons[others], reach)
    graph = coo_array((np.ones(near.sum()), (some[near], others[near])), shape=(len(polygons),) * 2)
    return int(connected_components(graph, directed=False)[0])


def _lines(shapes: np.ndarray, spacing: float) -> float:
    total = 0.0
    for shape in shapes:
        x0, y0, x1, y1 = shape.bounds
        y = np.arange(np.ceil(y0 / spacing - 1e-9), np.floor(y1 / spacing + 1e-9) + 1) * spacing
        if len(y):
            ends = np.empty((len(y), 2, 2))
            ends[:, 0, 0], ends[:, 1, 0], ends[:, :, 1] = x0 - 1.0, x1 + 1.0, y[:, None]
            total += float(shapely.length(shapely.intersection(shape, shapely.linestrings(ends))).sum())
    return total


def grids(vertices: np.ndarray, faces: np.ndarray, stack: Any) -> None:
    step = 0.2
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    columns, rows = (np.ceil((high - low)[:2] / step).astype(int) + 1).tolist()
    x, y = low[0] + step * np.arange(columns) + 1e-4, low[1] + step * np.arange(rows) + 1e-4
    grid_x, grid_y = np.meshgrid(x, y)
    heights = np.empty((rows, columns))
    least = np.full((rows, columns), -np.inf)

    def above() -> np.ndarray:
        surface_above(vertices, faces, True, least, float(x[0]), float(y[0]), step, heights)
        return heights

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    below = np.column_stack([grid_x.ravel(), grid_y.ravel(), np.full(grid_x.size, low[2] - 1.0)])
    up = np.broadcast_to([0.0, 0.0, 1.0], below.shape)

    def rays() -> np.ndarray:
        at, ray, _ = mesh.ray.intersects_location(below, up, multiple_hits=False)
        found = np.full(len(below), np.inf)
        found[ray] = at[:, 2]
        return found.reshape(rows, columns)

    compare(
        "surface_above", f"trimesh rays ({type(mesh.ray).__module__.split('.')[-1]})", above, rays, _heights
    )

    shape = stack.regions[stack.count // 3]
    edges, first = polygon_edges(shapely.get_parts(shape))
    where = np.zeros(len(first) - 1, np.int64)

    def covered() -> np.ndarray:
        out = np.full((rows, columns), -1, np.int32)
        cover(edges, first, where, float(x[0]), float(y[0]), step, out)
        return out == 0

    def held() -> np.ndarray:
        shapely.prepare(shape)
        return shapely.contains_xy(shape, grid_x, grid_y)

    compare("cover", "shapely contains_xy, prepared", covered, held, share_differing)

    size = 700
    scale = (size - 20) / float((high - low)[[0, 2]].max())
    screen = np.empty((len(vertices), 3))
    screen[:, 0], screen[:, 1] = (
        10 + scale * (vertices[:, 0] - low[0]),
        10 + scale * (high[2] - vertices[:, 2]),
    )
    screen[:, 2] = -scale * vertices[:, 1]
    corners = np.ascontiguousarray(faces, dtype=np.int32)

    def drawn() -> np.ndarray:
        depth = np.full((size, size), -np.inf)
        face, tag = np.full((size, size), -1), np.full((size, size), -1)
        draw_triangles(screen, corners, np.zeros(len(faces), np.int64), depth, face, tag)
        return depth

    centre_x, centre_y = np.meshgrid(np.arange(size) + 0.5, np.arange(size) + 0.5)
    start = np.column_stack(
        [
            low[0] + (centre_x.ravel() - 10) / scale,
            np.full(size * size, low[1] - 1.0),
            high[2] - (centre_y.ravel() - 10) / scale,
        ]
    )
    ahead = np.broadcast_to([0.0, 1.0, 0.0], start.shape)

    def cast() -> np.ndarray:
        at, ray, _ = mesh.ray.intersects_location(start, ahead, multiple_hits=False)
        found = np.full(len(start), -np.inf)
        found[ray] = -scale * at[:, 1]
        return found.reshape(size, size)

    compare("draw_triangles", "trimesh rays, one a pixel", drawn, cast, _heights)
    depth = drawn()
    compare(
        "blur_depth",
        "scipy.ndimage uniform_filter, twice",
        lambda: blur_depth(depth, 12),
        lambda: _blur(depth, 12),
        _heights,
    )


def _heights(a: np.ndarray, b: np.ndarray) -> str:
    both = np.isfinite(a) & np.isfinite(b)
    off = np.abs(a[both] - b[both])
    one = np.mean(np.isfinite(a) != np.isfinite(b))
    within = np.quantile(off, 0.999)
    return f"median {np.median(off):.0e}, 99.9 % within {within:.0e}; {one:.2%} seen by one alone"


def _blur(depth: np.ndarray, reach: int) -> np.ndarray:
    seen = np.isfinite(depth)
    width = 2 * reach + 1
    total = scipy.ndimage.uniform_filter(np.where(seen, depth, 0.0), width, mode="constant")
    share = scipy.ndimage.uniform_filter(seen.astype(float), width, mode="constant")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(share * width * width > 0.5, total / share, -np.inf)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    part = gull(triangles=20_000 if parser.parse_args().quick else 60_000)
    vertices = np.ascontiguousarray(part.vertices * (60.0 / float(part.size_mm[2])))
    faces = np.ascontiguousarray(part.faces, dtype=np.int32)
    z = np.arange(0.0, 60.0, 0.2)
    from dataclasses import replace

    lifted = replace(part, vertices=vertices)
    stack = stack_layers(lifted, z + float(vertices[:, 2].min()))
    print(f"{len(faces)} triangles, {stack.count} layers, {len(stack.points_mm)} points\n")
    print("| kernel | ms | library | ms | × | differ by |\n|---|---:|---|---:|---:|---|")
    meshes(vertices, faces)
    outlines(stack)
    grids(vertices, faces, stack)


if __name__ == "__main__":
    main()

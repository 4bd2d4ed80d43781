"""Sections of large meshes: time, memory and accuracy against two libraries and one plain pass.

Run ``python benchmarks/layers.py [--quick]``. Prints a Markdown table. Times are CPU seconds (user +
system, all threads) of warm, compiled code, best of several runs; each method runs in a process of its own,
so that its peak memory is its own. Ratios are given without and with the building of regions. The mesh is a
bumpy ball of even triangles, 100 mm, cut at 500 heights.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable

import numpy as np

SIZES = {20_172: 41, 199_692: 129, 1_002_252: 289}  # triangles: squares along an edge of the cube
HEIGHTS = 500


def bumpy_ball(squares: int) -> tuple[np.ndarray, np.ndarray]:
    """12 squares² triangles: a subdivided cube blown up to a ball with bumps on three scales."""
    line = np.arange(squares + 1)
    u, v = (a.reshape(-1) for a in np.meshgrid(line, line, indexing="ij"))
    low, high = np.zeros_like(u), np.full_like(u, squares)
    sheets = ((u, v, high), (v, u, low), (high, u, v), (low, v, u), (v, high, u), (u, low, v))
    grid = np.concatenate([np.stack(s, -1) for s in sheets])
    key = (grid[:, 0] * (squares + 1) + grid[:, 1]) * (squares + 1) + grid[:, 2]
    _, first, back = np.unique(key, return_index=True, return_inverse=True)
    k = np.arange((squares + 1) ** 2).reshape(squares + 1, squares + 1)
    a, b, c, d = (q.reshape(-1) for q in (k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]))
    sheet = np.stack([a, b, c, a, c, d], -1).reshape(-1, 3)
    faces = back[np.concatenate([sheet + i * (squares + 1) ** 2 for i in range(6)])]
    cube = np.tan((grid[first] / squares - 0.5) * (np.pi / 2))
    n = cube / np.linalg.norm(cube, axis=1)[:, None]
    x, y, z = n.T
    bump = (
        1
        + 0.15 * np.sin(5 * x + 1) * np.sin(4 * y)
        + 0.12 * np.sin(7 * z + 2 * x)
        + 0.03 * np.sin(23 * x) * np.sin(19 * y) * np.sin(21 * z)
    )
    vertices = 50.0 * n * bump[:, None]
    vertices[:, 2] -= vertices[:, 2].min()
    return np.ascontiguousarray(vertices), np.ascontiguousarray(faces.astype(np.int32))


def boundaries(vertices: np.ndarray) -> np.ndarray:
    return np.linspace(0.0, vertices[:, 2].max(), HEIGHTS + 1)


def best(work: Callable[[], object], runs: int) -> tuple[float, float, object]:
    """Least CPU and wall seconds of ``runs`` runs, and the last result."""
    cpu = wall = np.inf
    result: object = None
    for _ in range(runs):
        del result
        wall_0, cpu_0 = time.perf_counter(), time.process_time()
        result = work()
        cpu, wall = min(cpu, time.process_time() - cpu_0), min(wall, time.perf_counter() - wall_0)
    return cpu, wall, result


def ours(vertices: np.ndarray, faces: np.ndarray) -> dict:
    from falsework.layers import stack_layers
    from falsework.part.part import Part

    part, z = Part("ball", vertices, faces), boundaries(vertices)
    _ = stack_layers(part, z).regions  # compile or load
    cpu, wall, stack = best(lambda: stack_layers(part, z), 7)
    with_regions, _, _ = best(lambda: stack_layers(part, z).regions, 7)
    exact = stack_layers(part, z, simplify_mm=0.0)
    return {
        "cpu": cpu,
        "wall": wall,
        "with regions": with_regions,
        "areas": stack.areas_mm2.tolist(),
        "exact areas": exact.areas_mm2.tolist(),
        "points": len(stack.points_mm),
        "exact points": len(exact.points_mm),
    }


def plain(vertices: np.ndarray, faces: np.ndarray) -> dict:
    """One pass that reads every triangle once and writes every segment once, in no order: the floor."""
    from numba import njit

    @njit(nogil=True, error_model="numpy")
    def write_segments(vertices, faces, first, step, count, out):
        k = 0
        for t in range(faces.shape[0]):
            a, b, c = faces[t, 0], faces[t, 1], faces[t, 2]
            za, zb, zc = vertices[a, 2], vertices[b, 2], vertices[c, 2]
            low = max(int(np.ceil((min(za, zb, zc) - first) / step)), 0)
            high = min(int(np.ceil((max(za, zb, zc) - first) / step)), count)
            for p in range(low, high):
                z = first + p * step
                j = 1
                for u, v in ((a, b), (b, c), (c, a)):
                    zu, zv = vertices[u, 2], vertices[v, 2]
                    if (zu >= z) != (zv >= z) and j < 5:
                        s = (z - zu) / (zv - zu)
                        out[k, j] = vertices[u, 0] + s * (vertices[v, 0] - vertices[u, 0])
                        out[k, j + 1] = vertices[u, 1] + s * (vertices[v, 1] - vertices[u, 1])
                        j += 2
                out[k, 0] = p
                k += 1
        return k

    z = boundaries(vertices)
    step = z[1] - z[0]
    args = vertices, faces, 0.5 * step, step, HEIGHTS
    room = 40 * HEIGHTS * int(np.sqrt(len(faces))) // 2
    count = write_segments(*args, np.empty((room, 5)))
    cpu, wall, _ = best(lambda: write_segments(*args, np.empty((count, 5))), 7)
    return {"cpu": cpu, "wall": wall, "segments": count}


def with_manifold(vertices: np.ndarray, faces: np.ndarray) -> dict:
    import manifold3d

    z = boundaries(vertices)
    middles = (0.5 * (z[1:] + z[:-1])).tolist()

    def work() -> list:
        solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
        return [solid.slice(m).to_polygons() for m in middles]

    cpu, wall, sections = best(work, 3 if len(faces) < 500_000 else 2)
    return {"cpu": cpu, "wall": wall, "areas": [sum(shoelace(r) for r in s) for s in sections]}


def with_trimesh(vertices: np.ndarray, faces: np.ndarray) -> dict:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import trimesh

    z = boundaries(vertices)
    middles = 0.5 * (z[1:] + z[:-1])

    def work() -> list:
        solid = trimesh.Trimesh(vertices, faces, process=False)
        return solid.section_multiplane([0, 0, 0], [0, 0, 1], middles)

    cpu, wall, sections = best(work, 2 if len(faces) < 100_000 else 1)
    import shapely

    rings = [s.polygons_closed if s is not None else [] for s in sections]
    return {"cpu": cpu, "wall": wall, "areas": [shapely.symmetric_difference_all(r).area for r in rings]}


def first_call(vertices: np.ndarray, faces: np.ndarray) -> dict:
    """What a fresh process pays before its first stack is done, imports of numpy and shapely aside."""
    import shapely  # noqa: F401

    cpu_0 = time.process_time()
    from falsework.layers import stack_layers
    from falsework.part.part import Part

    _ = stack_layers(Part("ball", vertices, faces), boundaries(vertices)).regions
    return {"cpu": time.process_time() - cpu_0}


def shoelace(ring: np.ndarray) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


METHODS = {f.__name__: f for f in (ours, plain, with_manifold, with_trimesh, first_call)}


def in_child(method: str, squares: int, cache: str | None = None) -> dict:
    env = dict(os.environ, **({"NUMBA_CACHE_DIR": cache} if cache else {}))
    command = [sys.executable, __file__, "--method", method, "--squares", str(squares)]
    done = subprocess.run(command, capture_output=True, text=True, env=env, check=True)
    return json.loads(done.stdout.splitlines()[-1])


def difference(a: list, b: list) -> float:
    """Greatest relative difference of areas, over sections larger than a thousandth of the largest."""
    mine, other = np.array(a), np.array(b)
    kept = other > 1e-3 * other.max()
    return float(np.max(np.abs(mine[kept] / other[kept] - 1.0)))


def report(sizes: dict[int, int]) -> None:
    head = (
        "triangles | segments | ours | ours + regions | wall | plain pass | manifold3d | trimesh | x plain | "
        "x manifold3d | x trimesh | area, manifold3d | area, trimesh | area, simplified | points kept | "
        "peak MB, ours (mesh alone) | manifold3d | trimesh"
    )
    print(f"| {head} |\n|{'---|' * head.count('|')}---|", flush=True)
    for triangles, squares in sizes.items():
        mine, floor = in_child("ours", squares), in_child("plain", squares)
        manifold, multiplane = in_child("with_manifold", squares), in_child("with_trimesh", squares)
        cells = [
            f"{triangles:,}",
            f"{floor['segments']:,}",
            f"{mine['cpu']:.4f} s",
            f"{mine['with regions']:.4f} s",
            f"{mine['wall']:.4f} s",
            f"{floor['cpu']:.4f} s",
            f"{manifold['cpu']:.3f} s",
            f"{multiplane['cpu']:.2f} s",
            f"{mine['cpu'] / floor['cpu']:.1f} / {mine['with regions'] / floor['cpu']:.1f}",
            f"{manifold['cpu'] / mine['cpu']:.1f} / {manifold['cpu'] / mine['with regions']:.1f}",
            f"{multiplane['cpu'] / mine['cpu']:.0f} / {multiplane['cpu'] / mine['with regions']:.0f}",
            f"{difference(mine['exact areas'], manifold['areas']):.1e}",
            f"{difference(mine['exact areas'], multiplane['areas']):.1e}",
            f"{difference(mine['areas'], mine['exact areas']):.1e}",
            f"{mine['points'] / mine['exact points']:.2f}",
            f"{mine['peak']:.0f} ({mine['before']:.0f})",
            f"{manifold['peak']:.0f}",
            f"{multiplane['peak']:.0f}",
        ]
        print(f"| {' | '.join(cells)} |", flush=True)
    with tempfile.TemporaryDirectory() as cache:
        cold, warm = (in_child("first_call", 8, cache)["cpu"] for _ in range(2))
    print(f"\nFirst stack of a fresh process: {cold:.1f} s compiling, {warm:.2f} s from the cache (CPU).")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="the smallest mesh alone")
    parser.add_argument("--method", choices=METHODS, help=argparse.SUPPRESS)
    parser.add_argument("--squares", type=int, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.method:
        mesh = bumpy_ball(args.squares)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
        found = METHODS[args.method](*mesh)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
        print(json.dumps({**found, "before": before, "peak": peak}))
        return
    report(dict(list(SIZES.items())[:1]) if args.quick else SIZES)


if __name__ == "__main__":
    main()

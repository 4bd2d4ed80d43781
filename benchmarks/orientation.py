"""How fast and how well lies are searched, against embree rays and against finer columns.

    python benchmarks/orientation.py [--quick]

A figure of about 200 k triangles, 128 × 128 columns, warm, CPU seconds (user and system, all threads), all
sides in one process and alternating, so that they meet the same machine. ``--quick`` leaves out the
1024² reference, the plans and the random search. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "tests"))

from falsework.kernels.column import intervals as k
from falsework.orientation.body import Body, body_of
from falsework.orientation.device import ColumnLimits, figures_here
from falsework.orientation.directions import ODD_SPIN_DEG, even_directions, rotations_to_up
from falsework.part.part import Part

GRID, LIMIT, TOUCH, RIM, HEAD = 128, 48.4, 0.1, 0.225, 1.125
MEMORY = """
import resource, sys
sys.path.insert(0, "benchmarks")
from orientation import figure
from falsework.planning import best_orientations
from falsework.process import load_process
part = figure(int(sys.argv[1]))
best_orientations(part, load_process("pla-0.4"))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def figure(triangles: int) -> Part:
    from falsework.part.gull import gull_mesh

    vertices, faces = gull_mesh(triangles)
    return Part("gull", vertices, np.ascontiguousarray(faces, dtype=np.int32))


def prepared(part: Part) -> Body:
    return body_of(part.vertices, part.faces, np.zeros(len(part.faces), bool))


def ours(body: Body, rotations: np.ndarray, grid: int = GRID) -> np.ndarray:
    return figures_here(body, rotations, ColumnLimits(grid, LIMIT, TOUCH, RIM, HEAD))


def columns(vertices: np.ndarray, rotation: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Ray origins below the part and their direction in the part's frame; lowest z and a cell's area."""
    turned = vertices @ rotation.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    cell = (high - low)[:2] / GRID
    x, y = (low[a] + (np.arange(GRID) + 0.5) * cell[a] for a in range(2))
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    origins = np.column_stack([grid, np.full(len(grid), low[2] - 1.0)]) @ rotation
    return origins, np.tile(rotation[2], (len(origins), 1)), low[2], float(cell.prod())


def volumes(column: np.ndarray, z: np.ndarray, slant: np.ndarray, cell: float) -> tuple[float, float]:
    """Bed and part volume from crossings by vectorised sums; shells do not overlap here."""
    order = np.lexsort((z, column))
    column, z, slant = column[order], z[order], slant[order]
    first = np.r_[True, column[1:] != column[:-1]]
    needs = -slant > np.sin(np.radians(LIMIT))
    bed = first & needs & (z > TOUCH)
    on_part = ~first & needs
    fall = np.r_[0.0, np.diff(z)]
    return float(z[bed].sum() * cell), float(fall[on_part].sum() * cell)


def trimesh_rays(mesh: object, normals: np.ndarray, vertices: np.ndarray, rotation: np.ndarray) -> tuple:
    """The same sums through trimesh's embree rays, given in the mesh's frame."""
    origins, directions, low, cell = columns(vertices, rotation)
    where, ray, triangle = mesh.ray.intersects_location(origins, directions, multiple_hits=True)
    return volumes(ray, where @ rotation[2] - low, normals[triangle] @ rotation[2], cell)


def trimesh_turned(part: Part, rotation: np.ndarray) -> tuple:
    """The same by the plain way: the mesh is turned, and rays go straight up."""
    import trimesh

    turned = trimesh.Trimesh(part.vertices @ rotation.T, part.faces, process=False)
    return trimesh_rays(turned, turned.face_normals, turned.vertices, np.eye(3))


def bare_rays(scene: object, vertices: np.ndarray, rotation: np.ndarray) -> int:
    """Nothing but the hits, each ray sent on from just behind its last one: how many there were."""
    origins, directions, _, _ = columns(vertices, rotation)
    origins, directions = origins.astype(np.float32), directions.astype(np.float32)
    hits = 0
    while len(origins):
        found = scene.run(origins, directions, output=True)
        hit = found["primID"] >= 0
        hits += int(hit.sum())
        ahead = found["tfar"][hit, None] + np.float32(1e-3)
        origins, directions = origins[hit] + ahead * directions[hit], directions[hit]
    return hits


def cpu(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    rows: list[tuple[str, str]] = []
    # first of all: a child's peak starts at what its parent takes when it is made
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, "200000"], capture_output=True, text=True, check=True
    )
    rows.append(("whole search at 200 k triangles, peak memory", f"{float(done.stdout):.0f} MB"))
    part = figure(200_000)
    rows += against_rays(part)
    rows += growth(part)
    if not quick:
        rows += against_finer_columns(part)
        rows += against_plans(part)
        rows += against_random()
    print("| what | figure |\n|---|---|")
    for row in rows:
        print("| {} | {} |".format(*row))


def against_rays(part: Part) -> list[tuple[str, str]]:
    import trimesh
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    body = prepared(part)
    rotations = rotations_to_up(even_directions(24), ODD_SPIN_DEG)
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    normals = mesh.face_normals
    scene = rtcore_scene.EmbreeScene()
    TriangleMesh(scene, part.vertices.astype(np.float32), part.faces)
    ours(body, rotations[:1])
    trimesh_rays(mesh, normals, part.vertices, rotations[0])
    bare_rays(scene, part.vertices, rotations[0])
    took: list[tuple[float, ...]] = []
    worst = 0.0
    for lot in range(0, 24, 6):
        mine = rotations[lot : lot + 6]
        figures = ours(body, mine)
        a = cpu(lambda mine=mine: ours(body, mine)) / 6
        theirs = [trimesh_rays(mesh, normals, part.vertices, r) for r in mine[:2]]
        b = cpu(lambda mine=mine: [trimesh_rays(mesh, normals, part.vertices, r) for r in mine[:2]]) / 2
        c = cpu(lambda mine=mine: [bare_rays(scene, part.vertices, r) for r in mine]) / 6
        t = cpu(lambda mine=mine: [trimesh_turned(part, r) for r in mine[:2]]) / 2
        took.append((a, b, c, t))
        for got, (bed, on_part) in zip(figures, theirs, strict=False):
            both = got[k.BED_VOLUME] + got[k.PART_VOLUME]
            worst = max(worst, abs(both - bed - on_part) / max(bed + on_part, 1.0))
    a, b, c, t = np.median(np.array(took), axis=0)
    return [
        (f"one direction, {len(part.faces)} triangles, 128² columns", f"{1e3 * a:.2f} ms"),
        (
            "the same volumes through trimesh's embree rays, mesh turned",
            f"{1e3 * t:.0f} ms, {t / a:.0f}×; differ by {worst:.1%}",
        ),
        (
            "the same with rays turned instead, tree built once",
            f"{1e3 * b:.0f} ms, {b / a:.0f}×",
        ),
        (
            "the hits alone by embree, tree built once, rays turned",
            f"{1e3 * c:.0f} ms, {c / a:.1f}×",
        ),
    ]


def growth(part: Part) -> list[tuple[str, str]]:
    by_triangles, by_directions = {}, {}
    for triangles in (50_000, 200_000, 800_000):
        body = prepared(part if triangles == 200_000 else figure(triangles))
        rotations = rotations_to_up(even_directions(20), ODD_SPIN_DEG)
        by_triangles[len(body.faces)] = min(cpu(lambda b=body, r=rotations: ours(b, r)) for _ in range(3))
    body = prepared(part)
    for count in (25, 100, 400):
        rotations = rotations_to_up(even_directions(count), ODD_SPIN_DEG)
        by_directions[count] = cpu(lambda r=rotations: ours(body, r))
    return [
        ("growth with triangles, 50 k to 800 k (log-log slope)", f"{slope(by_triangles):.2f}"),
        ("growth with directions, 25 to 400 (log-log slope)", f"{slope(by_directions):.2f}"),
    ]


def slope(cpu_by_size: dict[int, float]) -> float:
    return float(np.polyfit(np.log(list(cpu_by_size)), np.log(list(cpu_by_size.values())), 1)[0])


def against_finer_columns(part: Part) -> list[tuple[str, str]]:
    from scipy.stats import spearmanr

    from falsework.orientation.body import thinned

    rotations = rotations_to_up(even_directions(150), ODD_SPIN_DEG)
    body = prepared(part)
    thin, tolerance = thinned(part, part.vertices, np.zeros(len(part.faces), bool), 0.05)
    fine = total(ours(body, rotations, 1024))
    rows = []
    for name, coarse in (
        ("128² on the whole mesh", total(ours(body, rotations))),
        (
            f"128² on the mesh thinned within {tolerance} mm, {len(thin.faces)} triangles",
            total(ours(thin, rotations)),
        ),
        ("64² on the thinned mesh (first round only)", total(ours(thin, rotations, 64))),
    ):
        chosen = fine[int(np.argmin(coarse))] / fine.min() - 1.0
        rows.append(
            (
                f"support volume of 150 directions, 1024² against {name}",
                f"Spearman {spearmanr(fine, coarse).statistic:.4f}; chosen {chosen:.1%} above the best",
            )
        )
    return rows


def total(figures: np.ndarray) -> np.ndarray:
    return figures[:, k.BED_VOLUME] + figures[:, k.PART_VOLUME]


def against_plans(part: Part) -> list[tuple[str, str]]:
    from falsework.planning import best_orientations, plan
    from falsework.process import load_process

    process = load_process("pla-0.4")
    best_orientations(part, process, directions=50)
    plan(part, process)
    search = cpu(lambda: best_orientations(part, process))
    one = cpu(lambda: plan(part, process))
    return [("whole default search, against one plan", f"{search:.1f} s, {search / one:.2f} plans")]


def against_random() -> list[tuple[str, str]]:
    """The found estimate over the best of 50,000 random directions, on parts thrown together from shells."""
    from falsework.orientation.search import FINE_GRID, judge_of
    from falsework.orientation.value import Search
    from falsework.request.weights import Weights
    from falsework.watch import QUIET
    from properties.test_orientation_properties import PROCESS, clutter, random_directions, short

    worst = -np.inf
    for seed in range(3):
        part = clutter(seed)
        judge = judge_of(prepared(part), PROCESS, Weights(), None)
        many = judge(random_directions(50_000, seed), 64, QUIET, "random")
        few = many.directions[np.argsort(many.rank)[:300]]
        least = judge(few, FINE_GRID, QUIET, "random").priced.total.min()
        best = min(lie.price.total for lie in short(part, Search().directions))
        worst = max(worst, best / least - 1.0)
    return [("estimate found over the best of 50,000 random lies, worst of 3 parts", f"{worst:+.1%}")]


if __name__ == "__main__":
    main()
    print(f"peak memory of this run: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")

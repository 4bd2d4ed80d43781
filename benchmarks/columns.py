"""Need and swept support volumes of a 200 k triangle part, against sectioning alone by a general-purpose
library.

    python benchmarks/columns.py [--quick] [--rounds N]

An organic part made here (100 mm high, 0.2 mm layers) is cut, its undersides found, and columns dropped from
them to the bed and to the part at 0.1 mm cells. The library (trimesh) only cuts the same mesh at the same
heights. Each side runs in a process of its own; figures are CPU seconds (user and system, all threads), the
median of warm rounds: imports and compiling are outside. The two processes alternate in one run, so that both
meet the same machine. Accuracy: volumes against an exact sweep of polygons down the layers, which ``--quick``
leaves out.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from falsework.droop.laws import Laws

HEIGHT_MM = 100.0
LAYER_MM = 0.2
CELL_MM = 0.1


def organic(around: int = 448, along: int = 224) -> tuple[np.ndarray, np.ndarray]:
    """A knobbly closed body, like a figurine's torso: vertices (n, 3) and faces (2 around (along - 1), 3).

    A sphere whose radius swells and shrinks in waves: bulges over hollows, so that part of the columns land
    on the part. 200 k triangles by default.
    """
    polar = np.pi * np.arange(1, along) / along
    turn = 2.0 * np.pi * np.arange(around) / around
    t, p = np.meshgrid(polar, turn, indexing="ij")
    radius = 1.0 + np.sin(t) ** 2 * (
        0.22 * np.sin(6.0 * t + 0.4) * np.cos(3.0 * p + 0.3)
        + 0.10 * np.cos(9.0 * t) * np.sin(5.0 * p + 1.0)
        + 0.02 * np.sin(23.0 * t + 2.0 * p) * np.cos(19.0 * p)
    )
    side = np.stack([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), -np.cos(t)], axis=-1) * radius[..., None]
    vertices = np.concatenate([side.reshape(-1, 3), [[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]]])
    vertices[:, 2] -= vertices[:, 2].min()
    vertices *= HEIGHT_MM / vertices[:, 2].max()
    k = np.arange(around)
    low, high = len(vertices) - 2, len(vertices) - 1
    faces = [np.column_stack([np.full(around, low), (k + 1) % around, k])]
    for ring in range(along - 2):
        a, b = ring * around + k, ring * around + (k + 1) % around
        c, d = a + around, b + around
        faces += [np.column_stack([a, b, d]), np.column_stack([a, d, c])]
    last = (along - 2) * around
    faces.append(np.column_stack([last + k, last + (k + 1) % around, np.full(around, high)]))
    return vertices, np.concatenate(faces).astype(np.int32)


def boundaries() -> np.ndarray:
    return LAYER_MM * np.arange(round(HEIGHT_MM / LAYER_MM) + 1)


def cpu(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def ours(mesh: Path, rounds: int, exact: bool) -> dict[str, Any]:
    from falsework.layers import stack_layers
    from falsework.need import need_map
    from falsework.part.part import Part
    from falsework.process import Process
    from falsework.support.figures import standing_figures

    data = np.load(mesh)
    process = Process()
    times: list[tuple[float, float, float]] = []
    for _ in range(rounds + 1):  # the first round compiles or loads
        part = Part("organic", data["vertices"], data["faces"])
        cut, stack = cpu(lambda part=part: stack_layers(part, boundaries()))
        find, need = cpu(lambda stack=stack: need_map(stack, Laws(process)))
        drop, figures = cpu(
            lambda stack=stack, need=need: standing_figures(stack, need, process, cell_mm=CELL_MM)
        )
        times.append((cut, find, drop))
    answer: dict[str, Any] = {
        "times": times[1:],
        "peak_mb": peak_mb(),
        "undersides": len(need.undersides),
        "points": len(stack.points_mm),
        "bed_mm3": float(figures.bed_volume_mm3.sum()),
        "part_mm3": float(figures.part_volume_mm3.sum()),
        "area_mm2": float(figures.area_mm2.sum()),
    }
    if exact:
        answer["exact_s"], answer["exact"] = cpu(lambda: polygon_sweep(stack, need))
    return answer


def polygon_sweep(stack: Any, need: Any) -> tuple[float, float]:
    """Volumes of the columns to the bed and to the part, by polygons: slow, exact but for rounding.

    Down the layers: columns of layer i are those of layer i + 1 and the undersides that begin there, less
    what is solid. Those to the bed have nothing solid anywhere beneath.
    """
    empty = shapely.Polygon()
    by_layer = [empty] * (stack.count + 1)
    for layer in np.unique(need.region_layer):
        by_layer[layer] = shapely.union_all(need.regions[need.region_layer == layer])
    beneath = [empty]  # beneath[i]: union of the sections below layer i
    for section in stack.regions:
        beneath.append(shapely.union(beneath[-1], section))
    bed = part = 0.0
    columns = empty
    for i in range(stack.count - 1, -1, -1):
        columns = shapely.difference(shapely.union(columns, by_layer[i + 1]), stack.regions[i])
        whole = shapely.area(columns)
        on_bed = shapely.area(shapely.difference(columns, beneath[i]))
        bed += on_bed * stack.heights_mm[i]
        part += (whole - on_bed) * stack.heights_mm[i]
    return float(bed), float(part)


def library(mesh: Path, rounds: int) -> dict[str, Any]:
    import trimesh

    data = np.load(mesh)
    z = boundaries()
    middles = 0.5 * (z[1:] + z[:-1])
    times = []
    for _ in range(rounds + 1):
        body = trimesh.Trimesh(data["vertices"], data["faces"], process=False)
        spent, sections = cpu(
            lambda body=body: body.section_multiplane(
                plane_origin=[0.0, 0.0, 0.0], plane_normal=[0.0, 0.0, 1.0], heights=middles
            )
        )
        times.append(spent)
    return {"times": times[1:], "peak_mb": peak_mb(), "sections": sum(s is not None for s in sections)}


def worker(*arguments: str) -> dict[str, Any]:
    done = subprocess.run([sys.executable, __file__, *arguments], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="no exact sweep")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--worker", choices=("ours", "library"), help=argparse.SUPPRESS)
    parser.add_argument("--mesh", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.worker == "ours":
        print(json.dumps(ours(asked.mesh, asked.rounds, not asked.quick)))
        return
    if asked.worker == "library":
        print(json.dumps(library(asked.mesh, asked.rounds)))
        return

    with tempfile.TemporaryDirectory() as folder:
        mesh = Path(folder) / "organic.npz"
        vertices, faces = organic()
        np.savez(mesh, vertices=vertices, faces=faces)
        common = ("--mesh", str(mesh), "--rounds", str(asked.rounds))
        # Before and after the library: a machine that slows down meanwhile shows.
        first = worker("--worker", "ours", "--quick", *common)
        other = worker("--worker", "library", *common)
        second = worker("--worker", "ours", *(["--quick"] if asked.quick else []), *common)

    rounds = first["times"] + second["times"]
    cut, find, drop = (statistics.median(t[k] for t in rounds) for k in range(3))
    total = statistics.median(sum(t) for t in rounds)
    theirs = statistics.median(other["times"])
    print(
        f"{len(faces)} triangles, {HEIGHT_MM:g} mm, {LAYER_MM:g} mm layers, {second['points']} points; "
        f"{second['undersides']} undersides,\n{second['area_mm2']:.0f} mm² over air, {CELL_MM:g} mm cells. "
        f"CPU seconds, medians of {len(rounds)} and {asked.rounds} warm rounds.\n"
    )
    print("| step | CPU s | share of the library's sections | peak MB |")
    print("|---|---:|---:|---:|")
    for name, spent in (("sections", cut), ("need", find), ("columns, bed and part", drop)):
        print(f"| falsework: {name} | {spent:.3f} | {spent / theirs:.3f} | |")
    print(
        f"| **falsework: all three** | **{total:.3f}** | **{total / theirs:.3f}** | {first['peak_mb']:.0f} |"
    )
    print(f"| library: sections alone | {theirs:.3f} | 1 | {other['peak_mb']:.0f} |")
    if not asked.quick:
        print(f"\nExact sweep of polygons: {second['exact_s']:.1f} s CPU.\n")
        print("| volume, mm³ | columns | exact sweep | error |")
        print("|---|---:|---:|---:|")
        for name, got, exact in (
            ("to the bed", second["bed_mm3"], second["exact"][0]),
            ("to the part", second["part_mm3"], second["exact"][1]),
        ):
            print(f"| {name} | {got:.1f} | {exact:.1f} | {100.0 * (got / exact - 1.0):+.3f} % |")


if __name__ == "__main__":
    main()

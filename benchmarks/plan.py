"""Planning end to end against a general-purpose library reading and sectioning the same file.

    python benchmarks/plan.py [--quick]
    python benchmarks/plan.py --parts FOLDER [--only NAME ...] [--at-once N]

Every figure is CPU time (user + system, all threads) of a whole fresh process, or says otherwise. The
general-purpose library (trimesh) is timed inside its process after its own import, which favours it.
Prints a Markdown table; ``--quick`` leaves out the 1 M triangle part. ``--parts`` takes the meshes of a
folder whose ``index.csv`` names them, and the demo parts, on one core: whole processes against whole
processes, and beside it against the library's own work alone; a second plan with another air gap, and with
another standing; and the share of a plan's work that threads can take, from which follows what more cores
would give.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from side_by_side import answered

LIBRARY = """
import sys, time
import numpy as np, trimesh
start = time.process_time()
mesh = trimesh.load(sys.argv[1])
low, high = mesh.bounds[:, 2]
heights = np.arange(0.1, high - low, 0.2)
mesh.section_multiplane(plane_origin=[0, 0, low], plane_normal=[0, 0, 1], heights=heights)
print(time.process_time() - start)
"""

BARE = """
import os, sys
os.environ["OPENBLAS_NUM_THREADS"] = "1"
import falsework
falsework.write_plan(falsework.plan(sys.argv[1], release=False), sys.argv[2])
"""

WARM = """
import os, sys, time
os.environ["OPENBLAS_NUM_THREADS"] = "1"
from dataclasses import replace
import falsework
process = falsework.load_process("pla-0.4")
wider = replace(process, structure=replace(process.structure, air_gap_layers=3.0))
def planned(process, store):
    start = time.process_time()
    falsework.plan(part, process, release=False, store=store)
    return time.process_time() - start
part = falsework.read_part(sys.argv[1])
store = falsework.Store()
planned(process, store)
first = time.process_time()  # all that the process has used until its first plan stands
second = planned(wider, store)
start = time.process_time()
part = falsework.read_part(sys.argv[1])
again = time.process_time() - start + planned(process, falsework.Store())
print(first, second, again)
"""


WHOLE_LIBRARY = """
import sys, time
import numpy as np, trimesh
start = time.process_time()
mesh = trimesh.load(sys.argv[1], force="mesh")
mesh.apply_scale(float(sys.argv[2]))
low, high = mesh.bounds[:, 2]
heights = np.arange(0.1, high - low, 0.2)
mesh.section_multiplane(plane_origin=[0, 0, low], plane_normal=[0, 0, 1], heights=heights)
print(time.process_time() - start)
"""

WHOLE = """
import sys
import falsework
bare = sys.argv[1].endswith((".stl", ".obj", ".ply", ".off"))
part = falsework.read_part(sys.argv[1], unit="mm" if bare else None)
made = falsework.plan(part, "pla-0.4", scale=float(sys.argv[2]), release=False, cores=1)
print(made.part.triangles, made.layers.count)
"""

AGAIN = """
import sys, threading, time
from dataclasses import replace
import falsework
from falsework.layers import overlay
bare = sys.argv[1].endswith((".stl", ".obj", ".ply", ".off"))
part = falsework.read_part(sys.argv[1], unit="mm" if bare else None)
process = falsework.load_process("pla-0.4")
wider = replace(process, structure=replace(process.structure, air_gap_layers=3.0))
store = falsework.Store()
def planned(process, **how):
    start = time.process_time()
    falsework.plan(part, process, scale=float(sys.argv[2]), release=False, store=store, **how)
    return time.process_time() - start
planned(process, cores=1)
first = time.process_time()
second, third = planned(wider, cores=1), planned(process, cores=1, standing="bed")
shared, one = [0.0], overlay._in_one
def timed(*arguments):
    start = time.thread_time()
    try:
        return one(*arguments)
    finally:
        if threading.current_thread() is not threading.main_thread():
            shared[0] += time.thread_time() - start
overlay._in_one = timed
store = falsework.Store()
total = planned(process, cores=8)
print(first, second, third, shared[0] / total)
"""


def run(*command: str, **environment: str) -> tuple[float, float, str]:
    """CPU seconds, peak memory in MB and output of one process."""
    process = subprocess.Popen(
        ["/usr/bin/env", *(f"{k}={v}" for k, v in environment.items()), sys.executable, *command],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)  # of this process alone
    process.stdout.close()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(command[:3])} ended with {process.returncode}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, output


def median_of(n: int, *command: str) -> tuple[float, float, str]:
    return sorted(run(*command) for _ in range(n))[n // 2]


def cli(*arguments: str) -> list[str]:
    return ["-c", "from falsework.cli import main; main()", *arguments]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--parts", type=Path, help="a folder of meshes with an index.csv")
    parser.add_argument("--only", nargs="*", default=[], help="parts whose names hold one of these")
    parser.add_argument("--at-once", type=int, default=1, metavar="N", help="of these beside each other")
    asked = parser.parse_args()
    if asked.parts is not None:
        many(asked.parts, asked.only, asked.at_once)
        return
    quick = asked.quick
    from falsework.files.stl import write_stl
    from falsework.part.demo import gull

    rows: list[tuple[str, str]] = []
    with tempfile.TemporaryDirectory() as scratch:
        files: dict[int, Path] = {}
        for triangles in (20_000, 200_000) if quick else (20_000, 200_000, 1_000_000):
            part = gull(triangles=triangles)
            files[triangles] = Path(scratch) / f"gull-{triangles}.stl"
            scale = 100.0 / float(part.size_mm[2])  # 100 mm high: 500 layers
            write_stl(files[triangles], part.vertices * scale, part.faces, "gull")
        out = ["--out", os.path.join(scratch, "plan")]
        middle = str(files[200_000])

        cpu_help, _, _ = median_of(5, *cli("--help"))
        rows.append(("`falsework --help`", f"{cpu_help:.2f} s"))
        cold_cache = os.path.join(scratch, "cache")
        cpu_first, _, _ = run(*cli("plan", middle, *out), NUMBA_CACHE_DIR=cold_cache)
        full, _, _ = median_of(3, *cli("plan", middle, *out))
        rows.append(
            ("first run ever, compiling, over later runs", f"{cpu_first:.0f} s, {cpu_first / full:.1f}×")
        )

        library = float(median_of(3, "-c", LIBRARY, middle)[2])
        bare, memory, _ = median_of(3, "-c", BARE, middle, out[1])
        judged, _, _ = median_of(3, *cli("plan", middle, "--no-report", *out))
        rows.append(("trimesh: load and section, 200 k triangles", f"{library:.2f} s"))
        rows.append(
            (
                "plan and its files, whole process, without release and pictures",
                f"{bare:.2f} s, {bare / library:.2f} of trimesh, {memory:.0f} MB",
            )
        )
        rows.append(("judging the release on top", share(judged - bare, library)))
        rows.append(("pictures and report on top", share(full - judged, library)))
        first, second, again = map(float, median_of(3, "-c", WARM, middle)[2].split())
        rows.append(
            (
                "first plan of a process, start-up included; second with another air gap",
                f"{first:.2f} s; {second:.2f} s, {first / second:.1f}× cheaper",
            )
        )
        rows.append(("the first plan's own work, start-up left out", f"{again:.2f} s, {again / second:.1f}×"))

        start, _, _ = median_of(3, "-c", BARE, str(files[20_000]), out[1])
        by_triangles = {20_000: start, 200_000: bare}
        if not quick:
            by_triangles[1_000_000], memory, _ = run("-c", BARE, str(files[1_000_000]), out[1])
            rows.append(
                (
                    "the same at 1 M triangles, peak memory",
                    f"{by_triangles[1_000_000]:.1f} s, {memory:.0f} MB",
                )
            )
        rows.append(("growth with triangles (log-log slope)", f"{slope(by_triangles):.2f}"))
        by_layers = {
            1 / h: median_of(1, *cli("plan", middle, "--no-report", "--set", f"layer_height_mm={h}", *out))[0]
            for h in (0.4, 0.2, 0.1)
        }
        rows.append(
            ("growth with layers, 0.4 → 0.1 mm, release judged (log-log slope)", f"{slope(by_layers):.2f}")
        )
    print("| what | figure |\n|---|---|")
    for row in rows:
        print("| {} | {} |".format(*row))


def many(folder: Path, only: list[str], at_once: int) -> None:
    """Real parts, one by one or beside each other: the list, then median and worst."""
    from shores import meshes

    head = "triangles | layers | CPU s | library | ratio | of its work | MB | other gap | other standing"
    print(f"| part | {head} | shared |\n|---|" + "--:|" * 10, flush=True)
    found = []
    tasks = [mesh for mesh in meshes(folder) if not only or any(word in mesh[0] for word in only)]
    tasks.sort(key=lambda mesh: Path(mesh[1]).stat().st_size)
    for (name, *_), done in answered(real_part, tasks, at_once):
        if isinstance(done, Exception):
            print(f"left out: {name}: {done}", flush=True)
            continue
        said, figures = done
        found.append(figures)
        print(said, flush=True)
    names = ("whole over whole", "whole over the library's work", "other gap", "other standing", "shared")
    for k, name in enumerate((*names, "CPU s", "MB")):
        column = sorted(row[k] for row in found)
        print(f"{name}: median {column[len(column) // 2]:.2f}, worst {column[0 if k == 4 else -1]:.2f}")


def real_part(name: str, source: str, scale: float) -> tuple[str, tuple[float, ...]]:
    """Its row, and the figures in it of which median and worst are told."""
    try:
        library, _, work = run("-c", WHOLE_LIBRARY, source, repr(scale))
        cpu, memory, said = run("-c", WHOLE, source, repr(scale))
        first, second, third, part = map(float, run("-c", AGAIN, source, repr(scale))[2].split())
    except SystemExit as problem:
        raise RuntimeError(str(problem)) from None
    row = (cpu / library, cpu / float(work), second / first, third / first, part, cpu, memory)
    triangles, layers = said.split()
    return (
        f"| {name} | {triangles} | {layers} | {cpu:.1f} | {library:.1f} | {row[0]:.2f} | {row[1]:.1f} "
        f"| {memory:.0f} | {second:.2f} s, {row[2]:.2f} | {third:.2f} s, {row[3]:.2f} | {part:.2f} |"
    ), row


def share(cpu: float, library: float) -> str:
    return f"{cpu:.2f} s, {cpu / library:.2f} of trimesh"


def slope(cpu_by_size: dict[int, float] | dict[float, float]) -> float:
    """Least-squares slope of log CPU against log size."""
    x = np.log(list(cpu_by_size))
    y = np.log(list(cpu_by_size.values()))
    result = float(np.polyfit(x, y, 1)[0])
    assert math.isfinite(result)
    return result


if __name__ == "__main__":
    main()

"""Wall time of a plan and of a search for positions on one core and on eight, with the same bytes.

    python benchmarks/cores.py FOLDER [--only NAME ...] [--many 8] [--least 3] [--what plan lie]

For the meshes of a folder whose ``index.csv`` names them: each plan in a process of its own that has its
kernels loaded, pinned to one core and to ``--many``; a plan under ``--least`` seconds on one core is not
repeated. Single cores are measured beside each other on the cores that are left, the many one after another;
the machine must have nothing else to do. Prints a row for each part as it is done, then median and worst.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from queue import SimpleQueue

from shores import meshes

ONE = """
import hashlib, json, resource, sys, time
import falsework
from falsework.part import place
from falsework.part.demo import table
what, source, scale, cores = sys.argv[1], sys.argv[2], float(sys.argv[3]), int(sys.argv[4])
def done(part, scale, **how):
    sized = place(part, scale=scale, bed_mm=(220.0, 220.0))
    if what == "plan":
        return falsework.plan(sized, "pla-0.4", cores=cores).to_json()
    return repr(falsework.best_orientations(sized, "pla-0.4", cores=cores, device="cpu", **how))
def spent():
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)
done(table(), 1.0, **({"directions": 50} if what == "lie" else {}))
bare = source.endswith((".stl", ".obj", ".ply", ".off"))
part = falsework.read_part(source, unit="mm" if bare else None)
wall, cpu = time.perf_counter(), spent()
out = done(part, scale)
wall, cpu = time.perf_counter() - wall, spent() - cpu
print(json.dumps([wall, cpu, hashlib.sha256(out.encode()).hexdigest()[:8]]))
"""


def measured(what: str, source: str, scale: float, cores: set[int]) -> tuple[float, float, str]:
    """Wall and CPU seconds and a digest of what came out."""
    done = subprocess.run(
        [sys.executable, "-c", ONE, what, source, repr(scale), str(len(cores))],
        capture_output=True,
        text=True,
        check=True,
        preexec_fn=lambda: os.sched_setaffinity(0, cores),
    )
    wall, cpu, digest = json.loads(done.stdout)
    return wall, cpu, digest


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", default=[], help="parts whose names hold one of these")
    parser.add_argument("--many", type=int, default=8, help="cores beside one")
    parser.add_argument("--least", type=float, default=3.0, help="wall seconds on one core")
    parser.add_argument("--what", nargs="*", default=["plan", "lie"], choices=["plan", "lie"])
    asked = parser.parse_args()
    own = sorted(os.sched_getaffinity(0))
    many, left = set(own[: asked.many]), own[asked.many :]
    singles: SimpleQueue[int] = SimpleQueue()
    for core in left or own[:1]:
        singles.put(core)
    head = ("what", "part", "1 core s", f"{asked.many} cores s", "share", "CPU s", "CPU on many", "same")
    print(f"| {' | '.join(head)} |\n|---|---|{'--:|' * 5}---|", flush=True)
    found: dict[str, list[float]] = {what: [] for what in asked.what}

    def alone(what: str, source: str, scale: float) -> tuple[float, float, str]:
        core = singles.get()
        try:
            return measured(what, source, scale, {core})
        finally:
            singles.put(core)

    with ThreadPoolExecutor(max(len(left), 1)) as pool:
        running = {
            pool.submit(alone, what, source, scale): (what, name, source, scale)
            for what in asked.what
            for name, source, scale in meshes(asked.folder)
            if not asked.only or any(word in name for word in asked.only)
        }
        for done in as_completed(running):
            what, name, source, scale = running[done]
            try:
                wall, cpu, digest = done.result()
                if wall < asked.least:
                    continue
                fast, spent, same = measured(what, source, scale, many)
            except subprocess.CalledProcessError as problem:
                said = (problem.stderr.strip().splitlines() or ["ended"])[-1]
                print(f"| {what} | {name} | {said} | | | | | |", flush=True)
                continue
            found[what].append(fast / wall)
            print(
                f"| {what} | {name} | {wall:.1f} | {fast:.1f} | {fast / wall:.2f} | {cpu:.1f} | {spent:.1f} "
                f"| {'yes' if same == digest else 'NO'} |",
                flush=True,
            )
    for what, shares in found.items():
        if shares:
            print(f"{what}: median {statistics.median(shares):.2f}, worst {max(shares):.2f}")


if __name__ == "__main__":
    main()

"""Every part of a folder as it lies and as is recommended, both planned in full.

    python benchmarks/orientation_plans.py FOLDER [--parts a.stl demo:table] [--at-once N] [--cores N]

For meshes of any format that falsework reads, and the demo parts: filament, machine time and total of the
plan as the file lies and of the recommended one, what is left bare, weak pieces, whether the part stands (or
with how wide a rim), and how long the whole search took beside one plan (wall and processor seconds). Files
without a unit are taken as millimetres; those under 12 or over --largest (200 mm) are scaled to 80 or 120.
``--at-once`` parts are done beside each other, largest files last, each on ``--cores`` of its own. Prints a
Markdown table, its rows as they are done, and what it comes to.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from falsework import best_orientations, load_process, plan
from falsework.orientation.value import Orientation, Orientations
from falsework.part import place
from falsework.part.demo import demo_parts
from falsework.part.part import Part
from shores import mesh_part
from side_by_side import answered

FORMATS = (".stl", ".obj", ".ply", ".off", ".3mf", ".glb", ".step")
SAME = 1e-9  # of a total


@dataclass(frozen=True)
class Row:
    name: str
    lies: Orientations
    plan_s: float  # one plan as it lies: wall ...
    plan_cpu_s: float  # ... and processor
    wall_s: float  # the whole search
    cpu_s: float


def cpu() -> float:
    """Processor seconds of this process and its children that ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def sized(path: Path, largest_mm: float) -> Part:
    """The part as it lies in its file, at a size that a bed takes."""
    part = mesh_part(str(path))
    size = float(part.size_mm.max())
    scale = 80.0 / size if size < 12.0 else 120.0 / size if size > largest_mm else 1.0
    return place(part, scale=scale, bed_mm=(220.0, 220.0))


def part_of(name: str, folder: Path, largest_mm: float) -> Part:
    """A file of the folder, or ``demo:`` and the name of a demo part."""
    return demo_parts()[name[5:]]() if name.startswith("demo:") else sized(folder / name, largest_mm)


@cache
def ready() -> None:
    """Kernels compiled, or loaded into this process, before anything is timed."""
    best_orientations(part_of("demo:table", Path(), 0.0), "pla-0.4", directions=50, device="cpu")


def measured(name: str, folder: Path, largest_mm: float, cores: int | None, device: str) -> Row:
    ready()
    part, process = part_of(name, folder, largest_mm), load_process("pla-0.4")
    start, used = time.perf_counter(), cpu()
    plan(part, process, cores=cores)
    plan_s, plan_cpu_s = time.perf_counter() - start, cpu() - used
    start, used = time.perf_counter(), cpu()
    lies = best_orientations(part, process, cores=cores, device=device)
    return Row(name, lies, plan_s, plan_cpu_s, time.perf_counter() - start, cpu() - used)


def shown(row: Row) -> str:
    today, best = row.lies.today, row.lies.recommended
    turn = ", ".join(f"{angle:g}" for angle in best.turn_deg)
    return (
        f"| {row.name} | {figures(today)} | {figures(best)} | {turn} | {row.plan_cpu_s:.2f} "
        f"| {row.wall_s / row.plan_s:.1f} | {row.cpu_s / row.plan_cpu_s:.1f} |"
    )


def figures(lie: Orientation) -> str:
    if lie.proof is None:
        return "does not fit | – | – | – | – | –"
    p = lie.proof
    stands = "yes" if p.stands else f"rim {p.rim_mm:g}" if p.rim_mm else "no"
    printed = f"{lie.filament_g:.1f} | {lie.time_s / 60.0:.0f} | {lie.price.total:.2f}"
    return f"{printed} | {p.bare} | {p.weak} | {stands}{'' if p.ready else ', not ready'}"


def names_in(folder: Path, only: list[str]) -> list[str]:
    """Demo parts and files of the folder, the largest last, or those of them that are named."""
    files = sorted((p for p in folder.iterdir() if p.suffix in FORMATS), key=lambda p: p.stat().st_size)
    found = [*(f"demo:{name}" for name in demo_parts()), *(p.name for p in files)]
    return [name for name in found if not only or name in only]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--parts", nargs="*", default=[], help="only these files")
    parser.add_argument("--at-once", type=int, default=1, metavar="N", help="parts beside each other")
    parser.add_argument("--cores", type=int, help="of each part")
    parser.add_argument("--largest", type=float, default=200.0, metavar="MM")
    parser.add_argument("--device", default="cpu")
    asked = parser.parse_args()
    if not asked.folder.is_dir():
        parser.exit(0, f"{asked.folder} is not there: nothing to measure\n")
    ready()
    print("| part | g | min | total | bare | weak | stands | g | min | total | bare | weak | stands "
          "| turned | plan CPU s | wall, plans | CPU, plans |")  # fmt: skip
    print("|" + "---|" * 17, flush=True)
    rows = []
    how = (asked.folder, asked.largest, asked.cores, asked.device)
    tasks = [(name, *how) for name in names_in(asked.folder, asked.parts)]
    for (name, *_), done in answered(measured, tasks, asked.at_once):
        if isinstance(done, Exception):
            print(f"| {name} | {done} |" + " |" * 15, flush=True)
            continue
        rows.append(done)
        print(shown(done), flush=True)
    if not rows:
        return
    both = [(r.name, r.lies.today, r.lies.recommended) for r in rows]
    dearer = [n for n, a, b in both if a.proof and b.price.total > a.price.total * (1.0 + SAME)]
    falls = [n for n, _, b in both if b.proof and not b.proof.stands]
    bare = [n for n, _, b in both if b.proof and b.proof.bare]
    dear, fall, nothing = (", ".join(names) or "none" for names in (dearer, falls, bare))
    print(f"\n{len(rows)} parts. Recommended and dearer than as it lies: {dear}.")
    print(f"Recommended, and does not stand unless with a rim: {fall}; with something bare: {nothing}.")
    turned = sum(any(b.turn_deg) for _, _, b in both)
    saved = [1.0 - b.price.total / a.price.total for _, a, b in both if a.proof]
    print(
        f"Turned: {turned}. Saved of the total: median {statistics.median(saved):.0%}, most {max(saved):.0%}."
    )
    for what, values in (
        ("wall", [r.wall_s / r.plan_s for r in rows]),
        ("CPU", [r.cpu_s / r.plan_cpu_s for r in rows]),
    ):
        middle, most = statistics.median(values), max(values)
        print(f"The whole search in plans, {what}: median {middle:.1f}, worst {most:.1f}.")


if __name__ == "__main__":
    main()

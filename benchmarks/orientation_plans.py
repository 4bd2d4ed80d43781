"""Every part of a folder as it lies and as is recommended, both planned in full.

    python benchmarks/orientation_plans.py FOLDER [--parts a.stl b.obj] [--cores N] [--largest MM]

For meshes of any format that falsework reads: filament, machine time and total of the plan as the file
lies and of the recommended one, what is left bare, weak pieces, whether the part stands, and how long the
whole search took beside one plan (wall and processor seconds). Files without a unit are taken as
millimetres; those under 12 or over --largest (200 mm) are scaled to 80 or 120. Prints a Markdown table and
what it comes to.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import time
from dataclasses import dataclass
from pathlib import Path

from falsework import FalseworkError, best_orientations, load_process, plan, read_part
from falsework.orientation.value import Orientation, Orientations
from falsework.part import place
from falsework.part.part import Part

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
    part = read_part(path, unit="mm" if path.suffix in (".stl", ".obj", ".ply", ".off") else None)
    size = float(part.size_mm.max())
    scale = 80.0 / size if size < 12.0 else 120.0 / size if size > largest_mm else 1.0
    return place(part, scale=scale, bed_mm=(220.0, 220.0))


def measured(path: Path, largest_mm: float, cores: int | None) -> Row:
    part, process = sized(path, largest_mm), load_process("pla-0.4")
    start, used = time.perf_counter(), cpu()
    plan(part, process)
    plan_s, plan_cpu_s = time.perf_counter() - start, cpu() - used
    start, used = time.perf_counter(), cpu()
    lies = best_orientations(part, process, cores=cores)
    return Row(path.name, lies, plan_s, plan_cpu_s, time.perf_counter() - start, cpu() - used)


def shown(row: Row) -> str:
    today, best = row.lies.today, row.lies.recommended
    turn = ", ".join(f"{angle:g}" for angle in best.turn_deg)
    return (
        f"| {row.name} | {figures(today)} | {figures(best)} | {turn} | {row.wall_s / row.plan_s:.1f} "
        f"| {row.cpu_s / row.plan_cpu_s:.1f} |"
    )


def figures(lie: Orientation) -> str:
    if lie.proof is None:
        return "does not fit | – | – | – | – | –"
    p = lie.proof
    stands = "yes" if p.stands else "no"
    printed = f"{lie.filament_g:.1f} | {lie.time_s / 60.0:.0f} | {lie.price.total:.2f}"
    return f"{printed} | {p.bare} | {p.weak} | {stands}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--parts", nargs="*", help="only these files")
    parser.add_argument("--cores", type=int)
    parser.add_argument("--largest", type=float, default=200.0, metavar="MM")
    asked = parser.parse_args()
    if not asked.folder.is_dir():
        parser.exit(0, f"{asked.folder} is not there: nothing to measure\n")
    plan(read_part(_warm(asked.folder), unit="mm"), "pla-0.4")  # compile before anything is timed
    print("| part | g | min | total | bare | weak | stands | g | min | total | bare | weak | stands "
          "| turned | wall, plans | CPU, plans |")  # fmt: skip
    print("|" + "---|" * 16, flush=True)
    rows = []
    for path in sorted(asked.folder.iterdir()):
        if path.suffix not in FORMATS or (asked.parts and path.name not in asked.parts):
            continue
        try:
            rows.append(measured(path, asked.largest, asked.cores))
        except FalseworkError as error:
            print(f"| {path.name} | {error} |" + " |" * 14, flush=True)
            continue
        print(shown(rows[-1]), flush=True)
    both = [(r.name, r.lies.today, r.lies.recommended) for r in rows]
    dearer = [n for n, a, b in both if a.proof and b.price.total > a.price.total * (1.0 + SAME)]
    falls = [n for n, _, b in both if b.proof and not b.proof.stands]
    bare = [n for n, _, b in both if b.proof and b.proof.bare]
    dear, fall, nothing = (names or "none" for names in (dearer, falls, bare))
    print(f"\n{len(rows)} parts. Recommended and dearer than as it lies: {dear}.")
    print(f"Recommended, and does not stand, not even with a rim: {fall}; with something bare: {nothing}.")
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


def _warm(folder: Path) -> Path:
    return min((p for p in folder.iterdir() if p.suffix == ".stl"), key=lambda p: p.stat().st_size)


if __name__ == "__main__":
    main()

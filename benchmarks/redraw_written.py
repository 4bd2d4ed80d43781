"""The files that a redraw writes, read and planned anew: what was promised against what is found.

    python benchmarks/redraw_written.py PART … [--turn X,Y,Z] [--scale S] [--kinds corbel,ribs] [--at-once N]

A row for each part as it is done: CPU time of a plan and of the redraw (no split), the redraw's measure in
plans, its wall time; the peak of the process so far, without the files planned anew (``--at-once``: so many
parts beside each other, each in a process and on a core of its own); the longest stretch of CPU time in which
the redraw did not ask whether it is to stop; undersides treated, changed, and gone by the plan made again;
the price as it is, that promised for the redrawn part as printed, what hands and the marks of fins cost
besides, and what plans of ``redrawn.stl`` and ``redrawn.3mf`` find; islands before, promised and found. A
line beneath it for each thing that differs from what was promised, and for all that our reader, trimesh and
manifold3d have against the files (not closed, faces that cross; each named solid of ``changes.3mf`` too). The
last lines count. Meshes are arguments: nothing is fetched.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median

import trimesh
from manifold3d import Error, Manifold, Mesh64

from falsework.files.redraw import CHANGES, MESH, PACKAGE, write_redraw
from falsework.need.underside import UndersideKind
from falsework.part import read_part
from falsework.part.demo import demo_parts
from falsework.part.part import Part
from falsework.planning import plan
from falsework.planning.value import Plan
from falsework.redrawing import redraw
from falsework.redrawing.printed import printed_of
from falsework.redrawing.value import Redraw
from falsework.watch import Watch
from side_by_side import answered

CENT = 0.005
MOST_PLANS, SILENT_S = 8, 1.0  # what is asked of a redraw
SMALL_S = 1.0  # parts that are planned faster are redrawn once before, so that no loading of code is measured
HEAD = (
    "| part | plan s | redraw s | plans | wall s | MB | silent s | treated | changed | gone "
    "| as it is | promised | hands | STL | 3MF | islands | best |"
)
COLUMNS = HEAD.count("|") - 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="+", type=Path)
    parser.add_argument("--turn", default="0,0,0")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--kinds")
    parser.add_argument("--at-once", type=int, default=1, metavar="N")
    asked = parser.parse_args()
    rows = []
    print(f"{HEAD}\n|---{'|---:' * (COLUMNS - 1)}|", flush=True)
    tasks = [(path, asked) for path in asked.parts]
    for (path, _), done in answered(report, tasks, asked.at_once, fresh=True):
        if isinstance(done, Exception):
            print(f"| {path.name} | {done} |", flush=True)
            continue
        print("\n".join(done.lines), flush=True)
        rows.append(done)
    if not rows:
        sys.exit("no part was redrawn")
    plans = [row.took_s / row.planned_s for row in rows]
    kept = sum(most <= MOST_PLANS for most in plans)
    print(
        f"plans: median {median(plans):.1f}, most {max(plans):.1f}; {kept} of {len(rows)} keep {MOST_PLANS}"
    )
    print(f"longest {max(row.took_s for row in rows):.1f} s; most {max(row.peak_mb for row in rows):.0f} MB")
    print(f"{sum(row.wrong for row in rows)} of {len(rows)} differ from what was promised")


@dataclass(frozen=True)
class Row:
    """A part's lines; CPU seconds of its plan and its redraw, the peak, and whether anything differs."""

    lines: list[str]
    planned_s: float
    took_s: float
    peak_mb: float
    wrong: bool


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def report(path: Path, asked: argparse.Namespace) -> Row:
    """The row of a part."""
    small = demo_parts()["table"]()
    plan(small)
    redraw(small, split=False, other_lies=False)  # loads code
    part = read_part(path)
    x, y, z = (float(v) for v in asked.turn.split(","))
    turn = (x, y, z)
    cores = 1 if asked.at_once > 1 else None
    planned_s = min(plan_s(part, turn, asked.scale, cores) for _ in range(2))
    kinds = asked.kinds.split(",") if asked.kinds else None
    if planned_s < SMALL_S:
        redraw(part, split=False, turn_deg=turn, scale=asked.scale, kinds=kinds, cores=cores)
    told = [("", time.process_time())]
    watch = Watch(tell=lambda step, _: told.append((step, time.process_time())))
    began = time.perf_counter()
    found = redraw(part, split=False, turn_deg=turn, scale=asked.scale, kinds=kinds, watch=watch, cores=cores)
    wall_s, mb = time.perf_counter() - began, peak_mb()
    told.append(("", time.process_time()))
    took_s = told[-1][1] - told[0][1]
    silent_s, silent = max((b - a, step) for (step, a), (_, b) in pairwise(told))
    cells = [
        path.name,
        f"{planned_s:.1f}",
        f"{took_s:.1f}",
        f"{took_s / planned_s:.1f}",
        f"{wall_s:.1f}",
        f"{mb:.0f}",
        f"{silent_s:.2f}",
        str(len(found.treated)),
    ]
    print(
        " | ".join(cells), f"| {silent_s:.1f} s after: {silent}; now its files", file=sys.stderr, flush=True
    )
    faults: list[str] = []
    if found.combined is not None and found.geometry is not None and found.geometry.replan is not None:
        cells += [str(len(found.combined.undersides)), str(len(found.combined.gone))]
        more, faults = against_files(found, found.geometry.replan)
        cells += more
    lines = [f"| {' | '.join([*cells, *['–'] * (COLUMNS - 1 - len(cells)), found.best])} |"]
    if silent_s > SILENT_S:
        lines.append(f"  {silent_s:.1f} s without a word after: {silent}")
    lines += [f"  differs: {fault}" for fault in faults]
    return Row(lines, planned_s, took_s, mb, bool(faults))


def plan_s(part: Part, turn: tuple[float, float, float], scale: float, cores: int | None) -> float:
    """CPU seconds of a plan."""
    begin = time.process_time()
    plan(part, turn_deg=turn, scale=scale, cores=cores)
    return time.process_time() - begin


def against_files(found: Redraw, promised: Plan) -> tuple[list[str], list[str]]:
    """Cells on prices and islands, and what differs."""
    assert found.combined is not None and found.geometry is not None
    before, price = found.geometry.plan, found.combined.after.price
    hands = f"{found.combined.hand_price:.2f}"
    cells, counts, faults = [f"{found.before.price:.2f}", f"{price:.2f}", hands], [], []
    with tempfile.TemporaryDirectory() as folder:
        write_redraw(found, Path(folder) / "out")
        for name in (MESH, PACKAGE):
            file = Path(folder) / "out" / name
            again = plan(read_part(file))
            cells.append(f"{printed_of(again).price:.2f}")
            counts.append(islands(again))
            if abs(printed_of(again).price - price) > CENT:
                faults.append(f"{name}: price")
            if islands(again) > islands(before):
                faults.append(f"{name}: {islands(again) - islands(before)} new islands")
            faults += [f"{name}: {fault}" for fault in unsound(file)]
        faults += [f"{CHANGES}: {fault}" for fault in unsound(Path(folder) / "out" / CHANGES, several=True)]
    cells.append(f"{islands(before)} → {islands(promised)}, {counts[0]}, {counts[1]}")
    return cells, faults


def islands(planned: Plan) -> int:
    return sum(under.kind is UndersideKind.ISLAND for under in planned.undersides)


def unsound(path: Path, several: bool = False) -> list[str]:
    """What our reader, trimesh and manifold3d have against a file."""
    faults = []
    if not several:
        health = read_part(path).health
        if not health.closed:
            faults.append("our reader: open")
        if health.self_intersections:
            faults.append(f"our reader: {health.self_intersections} faces cross")
        faults += [f"our reader: {f.what}" for f in health.findings if f.serious]
    for name, mesh in bodies(path):
        if not (mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0.0):
            faults.append(f"trimesh: {name} is no sound solid")
        solid = Manifold(Mesh64(mesh.vertices, mesh.faces.astype("uint64")))
        if solid.status() != Error.NoError:
            faults.append(f"manifold3d: {name}: {solid.status()}")
    return faults


def bodies(path: Path) -> list[tuple[str, trimesh.Trimesh]]:
    loaded = trimesh.load(path, process=False, force=None if path.suffix == ".3mf" else "mesh")
    meshes = loaded.geometry.items() if isinstance(loaded, trimesh.Scene) else [(path.name, loaded)]
    for _, mesh in meshes:
        mesh.merge_vertices(digits_vertex=9)
    return list(meshes)


if __name__ == "__main__":
    main()

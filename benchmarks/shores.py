"""Designed supports beside curtains: filament, time, droop, marks, what stands and what comes off.

    python benchmarks/shores.py [folder of meshes] [--only NAME ...] [--no-release]

Plans the demo parts, and the meshes of a folder whose ``index.csv`` names them, as they lie, twice in one
run: with ``form`` curtain and with ``form`` designed, all else alike. Prints one table
of sums with the required and the wished figure, then the list. Parts smaller than 5 mm are scaled to 80 mm,
those larger than 240 mm to 120 mm. Figures are the bench's own predictions, not prints.

Published beside it, from other parts and other reference supports: branching supports take 40.5 % less
material and 29.4 % less time on average than what was common (Vanek, Galicia, Benes 2014, CGF 33(5):117);
scaffolds of bridges and pillars (Dumas, Hergel, Lefebvre 2014, ACM TOG 33(4):98) save more and stand better.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import subprocess
import sys
from pathlib import Path

FORMS = ("curtain", "designed")

ONE = """
import json, sys
from dataclasses import replace
import falsework
from falsework.part.demo import demo_parts
source, scale, release = sys.argv[1], float(sys.argv[2]), sys.argv[3] == "release"
out = {}
for form in ("curtain", "designed"):
    process = falsework.load_process("pla-0.4")
    process = replace(process, structure=replace(process.structure, form=form))
    if source.startswith("demo:"):
        part = demo_parts()[source[5:]]()
    else:
        bare = source.endswith((".stl", ".obj", ".ply", ".off"))
        part = falsework.read_part(source, unit="mm" if bare else None)
    made = falsework.plan(part, process, scale=scale, release=release)
    carried = {n for piece in made.pieces for n in piece.undersides}
    area = {
        c.underside: next(o.contact_mm2 for o in c.options if o.standing is c.chosen) for c in made.choices
    }
    mine = [u for u in made.undersides if u.number in carried]
    out[form] = dict(
        g=made.support_cost.mass_g,
        s=made.support_cost.time_s,
        droop=sum(u.supported_droop_mm.value * area[u.number] for u in mine),
        area=sum(area[u.number] for u in mine),
        marks=sum(p.scar_mm2 for p in made.pieces),
        pieces=len(made.pieces),
        weak=sum(p.weak for p in made.pieces),
        stuck=sum(p.state.name in ("BREAK", "DIG", "TRAPPED") for p in made.release.pieces) if release else 0,
    )
print(json.dumps(out))
"""


def meshes(folder: Path) -> list[tuple[str, str, float]]:
    """Name, source and scale of every mesh that the folder's index names."""
    found = []
    for row in csv.DictReader((folder / "index.csv").open(encoding="utf-8")):
        size = max(float(x) for x in re.findall(r"[\d.]+", row["bbox_mm"].split("(")[0]))
        scale = 80 / size if size < 5 else 120 / size if size > 240 else 1.0
        found.append((row["file"], str(folder / row["file"]), scale))
    return found


def planned(source: str, scale: float, release: bool) -> dict | str:
    """Figures of both forms, or why there are none."""
    command = [sys.executable, "-c", ONE, source, repr(scale), "release" if release else "bare"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=900)
    except subprocess.TimeoutExpired:
        return "took longer than 15 minutes"
    if done.returncode:
        return done.stderr.strip().splitlines()[-1]
    found: dict = json.loads(done.stdout)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path, help="of meshes, with an index.csv")
    parser.add_argument("--only", nargs="*", default=[], help="parts whose names hold one of these")
    parser.add_argument("--no-release", action="store_true", help="do not judge how supports come off")
    parser.add_argument("--quick", action="store_true", help="the demo parts alone, without release")
    asked = parser.parse_args()
    if asked.quick:
        asked.folder, asked.no_release = None, True
    from falsework.part.demo import demo_parts

    todo = [(name, f"demo:{name}", 1.0) for name in demo_parts()]
    if asked.folder is None or not (asked.folder / "index.csv").is_file():
        print(f"No meshes: {asked.folder or 'no folder'} has no index.csv; the demo parts alone.\n")
    else:
        todo += meshes(asked.folder)
    rows: list[tuple[str, dict]] = []
    for name, source, scale in todo:
        if asked.only and not any(word in name for word in asked.only):
            continue
        figures = planned(source, scale, not asked.no_release)
        if isinstance(figures, str):
            print(f"left out: {name}: {figures}", flush=True)
        elif figures["curtain"]["pieces"] or figures["designed"]["pieces"]:
            rows.append((name, figures))
            print(line(name, figures), file=sys.stderr, flush=True)
    print(f"\n{len(rows)} parts with supports\n")
    summary([figures for _, figures in rows])
    print("\n| part | g | | min | | marks mm² | | pieces | | weak | | stuck | |\n|---|" + "--:|" * 12)
    for name, figures in sorted(rows, key=lambda row: -row[1]["curtain"]["g"]):
        print(line(name, figures))


def line(name: str, figures: dict) -> str:
    cells = [name]
    for key, digits, per in (
        ("g", 2, 1), ("s", 1, 60), ("marks", 0, 1), ("pieces", 0, 1), ("weak", 0, 1), ("stuck", 0, 1)
    ):  # fmt: skip
        cells += [f"{figures[form][key] / per:.{digits}f}" for form in FORMS]
    return "| " + " | ".join(cells) + " |"


def summary(rows: list[dict]) -> None:
    def total(form: str, key: str) -> float:
        return sum(row[form][key] for row in rows)

    def share(key: str) -> str:
        return f"{total('designed', key) / max(total('curtain', key), 1e-9):.3f}"

    def droop(form: str) -> float:
        return total(form, "droop") / max(total(form, "area"), 1e-9)

    rise = sum(
        any(row["designed"][k] > 1.02 * row["curtain"][k] for k in ("g", "s") if row["curtain"]["pieces"])
        for row in rows
    )
    print("| figure | curtain | designed | required | goal |\n|---|--:|--:|--:|--:|")
    print(f"| support filament, sum | {total('curtain', 'g'):.1f} g | {share('g')} | ≤ 0.40 | 0.25 |")
    minutes = f"{total('curtain', 's') / 60:.0f} min"
    print(f"| machine time of supports, sum | {minutes} | {share('s')} | ≤ 0.65 | 0.45 |")
    print(f"| parts where filament or time rises by more than 2 % | – | {rise} of {len(rows)} | 0 | 0 |")
    was, ratio = f"{droop('curtain'):.3f} mm", droop("designed") / max(droop("curtain"), 1e-9)
    print(f"| droop of carried undersides, area-weighted | {was} | {ratio:.3f} | ≤ 1.05 | 1 |")
    print(f"| marks on the part | {total('curtain', 'marks'):.0f} mm² | {share('marks')} | ≤ 0.6 | 0.3 |")
    for key, what, need, goal in (
        ("weak", "weak pieces", "0", "0"),
        ("stuck", "pieces dug out, broken up or trapped", "≤ half", "a quarter"),
    ):
        was, now = (f"{total(f, key):.0f} of {total(f, 'pieces'):.0f}" for f in FORMS)
        print(f"| {what} | {was} | {now} | {need} | {goal} |")


if __name__ == "__main__":
    main()

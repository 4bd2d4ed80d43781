"""Designed supports beside curtains: filament, time, droop, marks, what stands and what comes off.

    python benchmarks/shores.py [folder of meshes] [--only NAME ...] [--no-release] [--at-once N]
                                [--pictures FILE.png]

Plans the demo parts, and the meshes of a folder whose ``index.csv`` names them, as they lie, twice in one
run: with ``form`` curtain and with ``form`` designed, all else alike, on one core. Prints one table of sums
with the required and the wished figure, of ratios part by part with their median and worst, then the list.
Parts smaller than 5 mm are scaled to 80 mm, those larger than 240 mm to 120 mm. Figures are the bench's own
predictions, not prints. ``--pictures`` also draws ten of the parts, curtains on the left.

Published beside it, from other parts and other reference supports: branching supports take 40.5 % less
material and 29.4 % less time on average than what was common (Vanek, Galicia, Benes 2014, CGF 33(5):117);
scaffolds of bridges and pillars (Dumas, Hergel, Lefebvre 2014, ACM TOG 33(4):98) save more and stand better.
What differs: their reference was dense columns of a slicing program, ours is walls 2 mm apart; their savings
are of the whole print's material, ours of the supports' alone; their parts were printed.
"""

from __future__ import annotations

import argparse
import base64
import csv
import io
import json
import re
import statistics
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from side_by_side import answered

if TYPE_CHECKING:
    from falsework.part.part import Part

FORMS = ("curtain", "designed")
PICTURED = (
    "gull",
    "table",
    "lamp bracket",
    "ventilator cowl",
    "mooring cleat",
    "spot",
    "so101_upper_arm",
    "so101_webcam_mount",
    "so101_moving_jaw",
    "penguin",
)
MOST_S = 900  # of wall time for a part

ONE = """
import json, resource, sys, time
from dataclasses import replace
import falsework
from falsework.part.demo import demo_parts
source, scale = sys.argv[1], float(sys.argv[2])
release, pictures = sys.argv[3] == "release", sys.argv[4] == "draw"
out = {}
for form in ("curtain", "designed"):
    process = falsework.load_process("pla-0.4")
    process = replace(process, structure=replace(process.structure, form=form))
    if source.startswith("demo:"):
        part = demo_parts()[source[5:]]()
    else:
        bare = source.endswith((".stl", ".obj", ".ply", ".off"))
        part = falsework.read_part(source, unit="mm" if bare else None)
    start = time.process_time()
    made = falsework.plan(part, process, scale=scale, release=release, cores=1)
    cpu = time.process_time() - start
    carried = {n for piece in made.pieces for n in piece.undersides}
    area = {
        c.underside: next(o.contact_mm2 for o in c.options if o.standing is c.chosen) for c in made.choices
    }
    mine = [u for u in made.undersides if u.number in carried]
    states = [p.state.name for p in made.release.pieces] if release else []
    out[form] = dict(
        g=made.support_cost.mass_g,
        s=made.support_cost.time_s,
        droop=sum(u.supported_droop_mm.value * area[u.number] for u in mine),
        area=sum(area[u.number] for u in mine),
        contact=sum(p.contact_mm2 for p in made.pieces),
        marks=sum(p.scar_mm2 for p in made.pieces),
        pieces=len(made.pieces),
        weak=sum(p.weak for p in made.pieces),
        stuck=sum(state in ("BREAK", "DIG", "TRAPPED") for state in states),
        stays=sum(state == "STAYS" for state in states),
        price=made.price.total,
        cpu=cpu,
        mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    )
    if pictures:
        from falsework.report import pictures as drawn
        from falsework.report.scene import make_scene
        scene = make_scene(made.geometry)
        seen = drawn.draw_picture(scene, made.undersides, drawn.ABOVE_RIGHT, supports=True, pixels=1.2)
        out[form]["picture"] = seen.href.split(",")[1]
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


def mesh_part(source: str) -> Part:
    """The part of a mesh file; one whose format knows no unit is in millimetres."""
    import falsework

    bare = source.endswith((".stl", ".obj", ".ply", ".off"))
    return falsework.read_part(source, unit="mm" if bare else None)


def draws(name: str, pictures: Path | None) -> bool:
    return pictures is not None and name.split(".")[0] in PICTURED


def planned(name: str, source: str, scale: float, release: bool, draw: bool, most_s: int) -> dict | str:
    """Figures of both forms, or why there are none."""
    how = ["release" if release else "bare", "draw" if draw else "figures"]
    try:
        done = subprocess.run(
            [sys.executable, "-c", ONE, source, repr(scale), *how],
            capture_output=True,
            text=True,
            timeout=most_s,
        )
    except subprocess.TimeoutExpired:
        return f"took longer than {most_s} s"
    if done.returncode:
        return (done.stderr.strip().splitlines() or ["ended without a word"])[-1]
    found: dict = json.loads(done.stdout)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path, help="of meshes, with an index.csv")
    parser.add_argument("--only", nargs="*", default=[], help="parts whose names hold one of these")
    parser.add_argument("--no-release", action="store_true", help="do not judge how supports come off")
    parser.add_argument("--at-once", type=int, default=1, metavar="N", help="parts beside each other")
    parser.add_argument("--most-s", type=int, default=MOST_S, metavar="S", help="of wall time for a part")
    parser.add_argument("--quick", action="store_true", help="the demo parts alone, without release")
    parser.add_argument("--pictures", type=Path, help="a PNG of ten parts, before and after")
    asked = parser.parse_args()
    if asked.quick:
        asked.folder, asked.no_release = None, True
    from falsework.part.demo import demo_parts

    todo = [(name, f"demo:{name}", 1.0) for name in demo_parts()]
    if asked.folder is None or not (asked.folder / "index.csv").is_file():
        print(f"No meshes: {asked.folder or 'no folder'} has no index.csv; the demo parts alone.\n")
    else:
        todo += sorted(meshes(asked.folder), key=lambda mesh: Path(mesh[1]).stat().st_size)
    rows: list[tuple[str, dict]] = []
    bare = 0
    tasks = [
        (name, source, scale, not asked.no_release, draws(name, asked.pictures), asked.most_s)
        for name, source, scale in todo
        if not asked.only or any(word in name for word in asked.only)
    ]
    for (name, *_), figures in answered(planned, tasks, asked.at_once):
        if isinstance(figures, str | Exception):
            print(f"left out: {name}: {figures}", flush=True)
        elif figures["curtain"]["pieces"] or figures["designed"]["pieces"]:
            rows.append((name, figures))
            print(line(name, figures), file=sys.stderr, flush=True)
        else:
            bare += 1
    print(f"\n{len(rows)} parts with supports, {bare} without\n")
    if not rows:
        return
    summary([figures for _, figures in rows])
    print(f"\n| part | {' | | '.join(head for head, *_ in COLUMNS)} | |\n|---|" + "--:|" * (2 * len(COLUMNS)))
    for name, figures in sorted(rows, key=lambda row: -row[1]["curtain"]["g"]):
        print(line(name, figures))
    if asked.pictures is not None:
        draw_page(asked.pictures, [row for row in rows if "picture" in row[1]["curtain"]])


COLUMNS = (
    ("g", "g", 2, 1),
    ("min", "s", 1, 60),
    ("marks mm²", "marks", 0, 1),
    ("pieces", "pieces", 0, 1),
    ("weak", "weak", 0, 1),
    ("stuck", "stuck", 0, 1),
    ("CPU s", "cpu", 1, 1),
)


def line(name: str, figures: dict) -> str:
    cells = [name]
    for _, key, digits, per in COLUMNS:
        cells += [f"{figures[form][key] / per:.{digits}f}" for form in FORMS]
    return "| " + " | ".join(cells) + " |"


def summary(rows: list[dict]) -> None:
    def total(form: str, key: str) -> float:
        return sum(row[form][key] for row in rows)

    def share(key: str) -> str:
        return f"{total('designed', key) / max(total('curtain', key), 1e-9):.3f}"

    def parts(of: Callable[[dict], float]) -> str:
        ratios = [of(row["designed"]) / of(row["curtain"]) for row in rows if of(row["curtain"]) > 0.0]
        return f"{statistics.median(ratios):.2f} | {max(ratios):.2f}" if ratios else "– | –"

    rise = sum(
        any(row["designed"][k] > 1.02 * row["curtain"][k] for k in ("g", "s") if row["curtain"]["pieces"])
        for row in rows
    )
    print("| figure | curtain | designed | median | worst | required | goal |\n|---|--:|--:|--:|--:|--:|--:|")
    for what, key, was, need in (
        ("support filament, sum", "g", f"{total('curtain', 'g'):.1f} g", "≤ 0.40 | 0.25"),
        ("machine time of supports, sum", "s", f"{total('curtain', 's') / 60:.0f} min", "≤ 0.65 | 0.45"),
        ("marks on the part", "marks", f"{total('curtain', 'marks'):.0f} mm²", "≤ 0.6 | 0.3"),
        ("price of the whole print", "price", f"{total('curtain', 'price'):.2f}", "– | –"),
    ):
        ratio = parts(lambda figures, key=key: figures[key])
        print(f"| {what} | {was} | {share(key)} | {ratio} | {need} |")
    print(f"| parts where filament or time rises by more than 2 % | – | {rise} of {len(rows)} | | | 0 | 0 |")

    def mean(form: str) -> float:
        return total(form, "droop") / max(total(form, "area"), 1e-9)

    ratio = mean("designed") / max(mean("curtain"), 1e-9)
    each = parts(lambda figures: figures["droop"] / max(figures["area"], 1e-9))
    print(
        f"| droop of carried undersides, by area | {mean('curtain'):.3f} mm "
        f"| {ratio:.3f} | {each} | ≤ 1.05 | 1 |"
    )
    print(f"| area carried | {total('curtain', 'contact'):.0f} mm² | {share('contact')} | | | – | – |")
    for key, what, need in (
        ("weak", "weak pieces", "0 | 0"),
        ("stuck", "pieces dug out, broken up or trapped", "≤ half | a quarter"),
        ("stays", "pieces that stay on the bed", "– | –"),
    ):
        was, now = (f"{total(f, key):.0f} of {total(f, 'pieces'):.0f}" for f in FORMS)
        print(f"| {what} | {was} | {now} | | | {need} |")
    for key, what in (("cpu", "CPU of a plan, s"), ("mb", "peak memory, MB")):
        both = [sorted(row[form][key] for row in rows) for form in FORMS]
        said = [f"{statistics.median(one):.1f}, most {one[-1]:.1f}" for one in both]
        print(f"| {what} | {said[0]} | {said[1]} | | | – | – |")


def draw_page(path: Path, rows: list[tuple[str, dict]]) -> None:
    """One picture of all: each part with its curtain, and beside it as designed, with what both take."""
    from PIL import Image, ImageDraw

    across, tile, head = 2, (330, 330), 34
    page = Image.new("RGB", (across * 2 * tile[0], -(-len(rows) // across) * (tile[1] + head)), "white")
    pen = ImageDraw.Draw(page)
    for k, (name, figures) in enumerate(rows):
        for side, form in enumerate(FORMS):
            x = ((k % across) * 2 + side) * tile[0]
            y = (k // across) * (tile[1] + head)
            picture = Image.open(io.BytesIO(base64.b64decode(figures[form]["picture"]))).convert("RGB")
            picture.thumbnail((tile[0] - 10, tile[1] - 6))
            page.paste(picture, (x + 5, y + head))
            one = figures[form]
            said = f"{name.split('.')[0]}, {form}: {one['g']:.1f} g, {one['s'] / 60:.0f} min"
            pen.text((x + 6, y + 6), said, fill="black", font_size=13)
    page.quantize(64).save(path, optimize=True)


if __name__ == "__main__":
    main()

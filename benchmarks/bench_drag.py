"""A part of 300 k triangles turned in the browser on a software renderer: milliseconds for each picture.

The page draws a thinner mesh while the figure moves, and as coarsely as it takes to keep up. Needs Chromium.
Figures of the first pictures, before it has found out how fast the machine is, are left out and told. CPU of
a picture is that of all of Chromium's processes: where it is under 33 ms, an idle core draws thirty a second,
whatever else the machine had to do while it was measured.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from playwright.sync_api import sync_playwright

from bench.benches import Served, upload, wait
from browser.conftest import ARGUMENTS, CHROMIUM
from falsework.files.stl import write_stl
from falsework.part.demo import gull

FINDING_OUT = 10  # pictures


def cpu_s(of: str = "chrom") -> float:
    """CPU of the browser: of all descendants of this process whose name holds that word."""
    ticks, parents = {}, {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            told = stat.read_text()
        except OSError:
            continue
        name, fields = told[told.index("(") + 1 : told.rindex(")")], told.rpartition(")")[2].split()
        parents[int(stat.parent.name)] = int(fields[1])
        if of in name:
            ticks[int(stat.parent.name)] = int(fields[11]) + int(fields[12])

    def is_ours(process: int) -> bool:
        while process > 1 and process != os.getpid():
            process = parents.get(process, 0)
        return process == os.getpid()

    return sum(count for process, count in ticks.items() if is_ours(process)) / os.sysconf("SC_CLK_TCK")


def _turned(page: Any, section: str, moves: int) -> tuple[list[float], float]:
    """Turn a section's figure by hand; what each picture took, and its CPU, in ms."""
    page.locator(f"#{section}").evaluate("(e) => e.scrollIntoView()")
    canvas = page.locator(f"#{section} .stage-canvas").first
    canvas.wait_for()
    plate = f"document.querySelector('#{section} .stage').plate"
    page.wait_for_function(f"() => {plate}.lastView && {plate}.visible !== undefined", timeout=120_000)
    page.wait_for_timeout(3000)
    page.evaluate(f"() => {{ document.querySelector('#{section} .stage').plate.frames = []; }}")
    box = canvas.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    before = cpu_s()
    for k in range(moves):
        page.mouse.move(x + 120 * np.sin(k / 9), y + 30 * np.cos(k / 7))
        page.evaluate("() => new Promise((done) => requestAnimationFrame(done))")
    spent = 1000.0 * (cpu_s() - before)
    page.mouse.up()
    frames = list(page.evaluate(f"() => document.querySelector('#{section} .stage').plate.frames"))
    return frames, spent / max(1, len(frames))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--triangles", type=int, default=300_000)
    parser.add_argument("--moves", type=int, default=90)
    arguments = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    part = gull(arguments.triangles)
    write_stl(folder / "gull.stl", part.vertices, part.faces, "gull")
    served = Served(folder / "data", "--workers", "1")
    sheet = upload(served.client, (folder / "gull.stl").read_bytes(), "gull.stl")["id"]
    wait(served.client, sheet, "supports")
    print(f"{len(part.faces):,} triangles")
    print("load of the machine", *(f"{one:.1f}" for one in os.getloadavg()))
    print("| figure | pictures | CPU ms | median ms | 95 % ms | worst ms | first ones, worst ms |")
    print("|---|---|---|---|---|---|---|")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1400, "height": 900})
        page.goto(served.client.post("/api/invitations").json()["address"])
        page.goto(f"{served.entrance.partition('/enter')[0]}/sheets/{sheet}")
        page.wait_for_selector("#supports.ready", timeout=120_000)
        for section in ("arrived", "undersides", "supports"):
            frames, spent = _turned(page, section, arguments.moves)
            took = np.array(frames)
            first, rest = took[:FINDING_OUT], took[FINDING_OUT:]
            low, high = np.percentile(rest, (50, 95))
            print(
                f"| {section} | {len(took)} | {spent:.0f} | {low:.0f} | {high:.0f} "
                f"| {rest.max():.0f} | {first.max():.0f} |"
            )
        browser.close()
    served.stop()


if __name__ == "__main__":
    main()

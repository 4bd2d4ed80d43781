"""What a person waits for on the page: the first picture of a dropped part, its plan, twelve parts at once.

Times are from choosing the file in a real Chromium to what is drawn there. Wall time is for an idle machine;
beside it stand the CPU of everything together (browser, server, workers), and the load there was. Needs
Chromium.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from playwright.sync_api import sync_playwright

from bench.benches import Served
from bench_drag import cpu_s
from browser.conftest import ARGUMENTS, CHROMIUM
from falsework.files.stl import write_stl
from falsework.part.demo import gull, lamp_bracket, mooring_cleat, pulley_block, table, ventilator_cowl

DRAWN = """() => {
  const stage = document.querySelector('#arrived .stage');
  return stage?.plate?.lastView && !stage.classList.contains('bare');
}"""
PLANNED = "() => document.querySelector('#supports.ready') && document.querySelector('.foot .terms-box')"
RELEASED = "() => document.querySelector('#release.ready') && document.querySelector('#release .step')"


def _one(browser: Any, served: Served, path: Path) -> dict[str, tuple[float, float]]:
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.goto(served.client.post("/api/invitations").json()["address"])
    page.wait_for_selector(".demo-parts")
    page.wait_for_timeout(2000)
    began, spent, took = time.monotonic(), cpu_s(""), {}
    page.set_input_files("#pick-file", str(path))
    for what, there in (("first picture", DRAWN), ("plan", PLANNED), ("how it comes off", RELEASED)):
        page.wait_for_function(there, timeout=300_000, polling=20)
        took[what] = time.monotonic() - began, cpu_s("") - spent
    page.close()
    return took


def _twelve(browser: Any, served: Served, folder: Path) -> tuple[float, float]:
    """Twelve parts at once: until all are planned; until a second tab shows them."""
    makers = (table, lamp_bracket, pulley_block, mooring_cleat, ventilator_cowl, lambda: gull(20_000))
    paths = []
    for k in range(12):
        part = makers[k % 6]()
        paths.append(folder / f"{part.name} {k}.stl")
        write_stl(paths[-1], part.vertices * (1.0 + 0.01 * k), part.faces, part.name)
    page = browser.new_context().new_page()
    page.goto(served.client.post("/api/invitations").json()["address"])
    page.wait_for_selector(".demo-parts")
    began = time.monotonic()
    page.set_input_files("#pick-file", [str(path) for path in paths])
    page.wait_for_selector(".notice progress")
    second = page.context.new_page()
    opened = time.monotonic()
    second.goto(page.url)
    second.wait_for_selector(".demo-parts")
    tab = time.monotonic() - opened
    names = {path.stem for path in paths}
    while True:
        rows = {
            one["title"]: one["stages"]["release"]
            for one in served.client.get("/api/sheets").json()["sheets"]
        }
        states = [rows.get(name) for name in names]
        assert "failed" not in states, rows
        if set(states) == {"ready"}:
            return time.monotonic() - began, tab
        time.sleep(0.2)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--triangles", type=int, default=100_000)
    parser.add_argument("--times", type=int, default=3, help="0: twelve parts only")
    told = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    part = gull(told.triangles)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        served = Served(folder / "data", "--workers", "2")
        time.sleep(4.0)  # the workers have loaded
        runs = []
        for k in range(told.times + 1):  # the first warms the browser's programs of the figures
            path = folder / f"gull {k}.stl"
            write_stl(path, part.vertices * (1.0 + 1e-4 * k), part.faces, f"gull {k}")
            runs.append(_one(browser, served, path))
        print(
            f"{len(part.faces):,} triangles; load of the machine", *(f"{one:.1f}" for one in os.getloadavg())
        )
        print("\n| on the page | wall s, best | wall s, worst | CPU s of all, least |\n|---|---:|---:|---:|")
        for what in runs[0] if told.times else ():
            walls, cpu = [one[what][0] for one in runs[1:]], min(one[what][1] for one in runs[1:])
            print(f"| {what} | {min(walls):.2f} | {max(walls):.2f} | {cpu:.2f} |")
        whole, tab = _twelve(browser, served, folder)
        print(f"\nTwelve parts at once: all planned after {whole:.0f} s; a second tab opened in {tab:.2f} s.")
        browser.close()
        served.stop()


if __name__ == "__main__":
    main()

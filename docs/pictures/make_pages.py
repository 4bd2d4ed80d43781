"""Takes the pictures of README and docs/gallery.md from the pages themselves, in a headless Chromium.

Ten parts of the invented museum, planned as they lie; the lamp bracket's report; the bench with a part on it.
"""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

from manifold3d import Manifold
from playwright.sync_api import sync_playwright

from falsework import plan, report_html, write_stl
from falsework.part.demo import demo_parts
from falsework.part.health import healed_part
from falsework.part.part import Part
from falsework.part.raw import joined
from falsework.report.gallery import gallery_html
from falsework.wording import figures

HERE = Path(__file__).parent
GALLERY = HERE / "gallery"
SHOWN = "lamp bracket"
ARGUMENTS = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
AROUND = 72  # straight pieces in a full circle


def mushroom_bollard() -> Manifold:
    """A post with a cap that stands out all around."""
    post = Manifold.cylinder(40, 12, 9, AROUND) + Manifold.cylinder(4, 20, 18, AROUND)
    return post + Manifold.cylinder(9, 9, 22, AROUND).translate((0, 0, 36)) + _dome(22, 8, 45)


def fairlead() -> Manifold:
    """A guide for ropes: a foot with two horns that turn in over it."""
    foot = Manifold.cube((90, 24, 6), True).translate((0, 0, 3))
    horns = [_bent(side) for side in (-1, 1)]
    return foot + horns[0] + horns[1]


def step_bracket() -> Manifold:
    """A tread on a wall plate, with a square opening beneath it."""
    plate = Manifold.cube((8, 60, 70)).translate((0, -30, 0))
    tread = Manifold.cube((50, 60, 7)).translate((0, -30, 50))
    web = Manifold.cube((50, 8, 50)).translate((0, -4, 0)) - Manifold.cube((26, 12, 26)).translate(
        (12, -6, 12)
    )
    return plate + tread + web


def ships_bell() -> Manifold:
    """A bell, mouth down, with an eye on top."""
    bell = Manifold.cylinder(42, 30, 16, AROUND) + _dome(16, 10, 42)
    hollow = Manifold.cylinder(40, 26.5, 13, AROUND).translate((0, 0, -0.01))
    eye = Manifold.cylinder(8, 9, 9, AROUND) - Manifold.cylinder(10, 4.5, 4.5, AROUND).translate((0, 0, -1))
    return (bell - hollow) + eye.rotate((90, 0, 0)).translate((0, 4, 58))


def _dome(radius: float, height: float, z: float) -> Manifold:
    ball = Manifold.sphere(1.0, AROUND).scale((radius, radius, height))
    return ball.trim_by_plane((0, 0, 1), 0.0).translate((0, 0, z))


def _bent(side: int) -> Manifold:
    """One horn: up from the foot, then in over it."""
    points = [(side * 32, 3), (side * 38, 20), (side * 32, 36), (side * 16, 42)]
    beads = [Manifold.sphere(7.0, AROUND).scale((1, 1, 1)).translate((x, 0, z)) for x, z in points]
    return sum((Manifold.batch_hull([a, b]) for a, b in pairwise(beads)), start=Manifold()).trim_by_plane(
        (0, 0, 1), 0.0
    )


def parts() -> dict[str, Callable[[], Part]]:
    """Ten parts by name: those of the demo, and four more."""
    more = {f.__name__.replace("_", " "): f for f in (mushroom_bollard, fairlead, step_bracket, ships_bell)}
    return demo_parts() | {
        name: lambda name=name, make=make: _part(name, make()) for name, make in more.items()
    }


def _part(name: str, solid: Manifold) -> Part:
    mesh = solid.to_mesh64()
    return healed_part(name, joined([("", mesh.vert_properties[:, :3], mesh.tri_verts)]), subject=name)


@contextmanager
def bench(data: Path) -> Iterator[str]:
    """A bench of its own on a free port: the address that lets one browser in."""
    command = [sys.executable, "-m", "falsework", "bench", "--no-open", "--port", "0", "--folder", str(data)]
    command += ["--ledger", str(data / "ledger.sqlite3")]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        for line in running.stdout:
            if found := re.search(r"http://\S+/enter\S*", line):
                yield found[0]
                break
    finally:
        running.send_signal(signal.SIGINT)
        running.wait(30)


def take_cards(page: Any, plans: dict[str, Any]) -> None:
    """One picture a part, before and after, and the list that docs/gallery.md includes."""
    GALLERY.mkdir(exist_ok=True)
    page.set_content(gallery_html("", "", dict(plans), {}))
    lines = []
    for (name, found), shown in zip(plans.items(), page.locator(".shown").all(), strict=True):
        file = f"{name.replace(' ', '-')}.png"
        shown.locator(".pair").screenshot(path=GALLERY / file)
        decided = " ".join(shown.locator(".pair + p").inner_text().split())
        ready = shown.locator(".ready").inner_text()
        lines += [
            f"## {name.capitalize()}",
            "",
            f"![The {name}: undersides, and as printed](pictures/gallery/{file})",
        ]
        price = figures.price((found.part_cost + found.support_cost).price)
        lines += ["", f"**{ready}** {decided} Price {price}.", ""]
    (GALLERY / "cards.md").write_text("\n".join(lines), "utf-8")


def take_report(page: Any, found: Any) -> None:
    """Three pictures of one report: its undersides, its supports, how they come off."""
    page.set_content(report_html(found))
    for file, figure in (
        ("undersides", page.locator("figure.picture").first),
        ("supports", page.locator("figure", has_text="Supports in place").first),
        ("coming-off", page.locator("section[aria-labelledby=h-release] figure").first),
    ):
        figure.screenshot(path=HERE / f"{file}.png")


def take_bench(chromium: Any, part: Part) -> None:
    """The bench's first screen with one part planned."""
    with tempfile.TemporaryDirectory() as place, bench(Path(place)) as address:
        file = Path(place) / f"{part.name.replace(' ', '-')}.stl"
        write_stl(file, part.vertices, part.faces, part.name)
        page = chromium.new_page(viewport={"width": 1360, "height": 860})
        page.goto(address)
        page.locator("input[type=file]").first.set_input_files(file)
        page.get_by_text("Look for something better").first.wait_for(timeout=180_000)
        page.wait_for_timeout(2000)
        page.screenshot(path=HERE / "bench.png")
        page.close()


def main() -> None:
    plans = {name: plan(make()) for name, make in parts().items()}
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        page = chromium.new_page(viewport={"width": 1100, "height": 900}, color_scheme="light")
        take_cards(page, plans)
        take_report(page, plans[SHOWN])
        take_bench(chromium, demo_parts()[SHOWN]())
        chromium.close()


if __name__ == "__main__":
    main()

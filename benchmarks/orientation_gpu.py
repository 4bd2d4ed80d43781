"""Figures of lies on a graphics processor, against one core of the same machine; run where there is one.

    python benchmarks/orientation_gpu.py [--quick]

All figures of ``intervals`` for even directions of an organic figure at three sizes and of a box frame, on
128 and 256 columns a side: directions a second once warm (median of five), the same on one core through the
processor's own kernel, and how far the figures of the two are apart. Says whether two runs give the same
bytes, how much of the time each kernel takes, and what moving the mesh through the second-level cache alone
would take. Prints Markdown tables.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import time

import numpy as np

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "tests"))

from falsework.orientation.body import Body, body_of
from falsework.orientation.device import ColumnLimits, Counter, devices, figures_here
from falsework.orientation.directions import ODD_SPIN_DEG, even_directions, hull_corners, rotations_to_up
from falsework.watch import QUIET

LIMIT, TOUCH, RIM, HEAD = 48.4, 0.1, 0.225, 1.125
NAMES = (
    "bed volume", "part volume", "contact", "unreached", "show bed", "show part", "show landing", "foot",
    "base", "lean", "base lean", "span", "height", "width", "depth", "solid", "uneven",
)  # fmt: skip


def figure(triangles: int) -> Body:
    """The harbour museum's gull with about so many triangles, a fifth of them marked."""
    from falsework.part.gull import gull_mesh

    vertices, faces = gull_mesh(triangles)
    return _body(vertices, faces)


def frame() -> Body:
    """A box frame: few large triangles, sharp edges, bridges."""
    from solids import box, merged

    posts = [box((6.0, 6.0, 50.0), (x, y, 0.0)) for x in (0.0, 54.0) for y in (0.0, 34.0)]
    return _body(*merged(*posts, box((60.0, 40.0, 8.0), (0.0, 0.0, 50.0))))


def _body(vertices: np.ndarray, faces: np.ndarray) -> Body:
    marked = np.arange(len(faces)) % 5 == 0
    return body_of(np.asarray(vertices, float), np.ascontiguousarray(faces, np.int32), marked)


def apart(here: np.ndarray, there: np.ndarray) -> dict[str, tuple[float, float]]:
    """Of each figure the median and the largest difference, in shares of its largest value."""
    out = {}
    for column, name in enumerate(NAMES):
        scale = max(float(np.abs(here[:, column]).max()), 1e-9)
        off = np.abs(here[:, column] - there[:, column]) / scale
        out[name] = (float(np.median(off)), float(off.max()))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    if not devices():
        sys.exit("no graphics processor was found: nothing to measure")
    bodies = [("gull", figure(n)) for n in ((38_000, 203_000) if quick else (38_000, 203_000, 1_000_000))]
    bodies.append(("box frame", frame()))
    print("| part | triangles | columns | directions/s | one core | ratio | farthest figure (median, most) |")
    print("|---|---|---|---|---|---|---|")
    for name, body in bodies:
        for grid in (128, 256):
            print(measured(name, body, grid, 3 if quick else 5, 32 if quick else 128), flush=True)


def measured(name: str, body: Body, grid: int, rounds: int, beside: int) -> str:
    """A row of the table: so many rounds there, so many directions beside it here."""
    limits = ColumnLimits(grid, LIMIT, TOUCH, RIM, HEAD)
    count = 16384 if grid == 128 else 8192
    turns = rotations_to_up(even_directions(count), ODD_SPIN_DEG)
    counter = Counter(body, hull_corners(body.points))
    counter.figures(turns[:256], limits, QUIET, "warming up")
    first = counter.figures(turns, limits, QUIET, "counting")
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        there = counter.figures(turns, limits, QUIET, "counting")
        times.append(time.perf_counter() - start)
        assert np.array_equal(first, there), "two runs differ"
    some = np.arange(0, count, count // beside)
    figures_here(body, turns[:1], limits)
    start = time.perf_counter()
    here = figures_here(body, turns[some], limits)
    core = (time.perf_counter() - start) / len(some)
    off = apart(here, first[some])
    worst = max(off, key=lambda figure: off[figure][1])
    rate = count / statistics.median(times)
    return (
        f"| {name} | {len(body.faces)} | {grid}² | {rate:,.0f} | {1.0 / core:,.0f} | {rate * core:,.0f} "
        f"| {worst} ({off[worst][0]:.1e}, {off[worst][1]:.1e}) |"
    )


if __name__ == "__main__":
    main()

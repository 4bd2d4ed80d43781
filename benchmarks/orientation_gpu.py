"""Figures of lies on a graphics processor, against one core of the same machine; run where there is one.

    python benchmarks/orientation_gpu.py [--quick] [--only rates,whole,two,corpus,profile]
        [--folder MESHES] [--processes N] [--seconds S]

``rates``: all figures of ``intervals`` for even directions of an organic figure at three sizes and of a box
frame, on 128 and 256 columns a side: directions a second once warm (median of five), the same on one core
through the processor's own kernel, and how far the figures of the two are apart; says whether two runs give
the same bytes. ``whole``: from a file of 203 k triangles to the shortlist, in a fresh process whose kernels
were compiled before, and again in the same process. ``corpus``: which positions of every part of a folder
are worth a plan, by both: of the same list plans recommend the same; where the lists differ, what is
recommended, plans included, by how much it differs and why. ``two``: directions a second on one graphics
processor and on all. ``profile``: the kernels on one batch, for a profiler (``profiled.py`` says how). Prints
Markdown tables.
"""

from __future__ import annotations

import argparse
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing import TimeoutError, get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "tests"))

from falsework import FalseworkError, best_orientations, load_process, read_part
from falsework.cores import on_cores
from falsework.orientation.body import Body, body_of
from falsework.orientation.device import ColumnLimits, Counter, devices, figures_here
from falsework.orientation.directions import ODD_SPIN_DEG, even_directions, hull_corners, rotations_to_up
from falsework.orientation.shortlist import shortlist
from falsework.orientation.value import Orientation, Orientations
from falsework.part.stl import RECORD
from falsework.planning import proof
from falsework.request import Context, Wish
from falsework.watch import QUIET
from orientation_plans import FORMATS, sized

LIMIT, TOUCH, RIM, HEAD = 48.4, 0.1, 0.225, 1.125
LIMITS = ColumnLimits(128, LIMIT, TOUCH, RIM, HEAD)
SAME_DEG, SAME_TOTAL = 0.5, 2e-3  # of a recommended position, and of its total: sampling, no difference
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
    parser.add_argument("--only", default="rates,whole", help="rates, whole, two, corpus, profile")
    parser.add_argument("--folder", type=Path, help="of meshes, for corpus")
    parser.add_argument("--processes", type=int, default=1, help="that work on the corpus side by side")
    parser.add_argument("--seconds", type=float, default=3600.0, help="after which the corpus is left")
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if not devices():
        sys.exit("no graphics processor was found: nothing to measure")
    if asked.file:
        return in_this_process(asked.file)
    only = asked.only.split(",")
    if "rates" in only:
        rates(asked.quick)
    if "whole" in only:
        whole()
    if "two" in only:
        two()
    if "profile" in only:
        profiled()
    if "corpus" in only:
        if asked.folder is None:
            parser.error("--folder says where the corpus lies")
        files = sorted(
            (p for p in asked.folder.iterdir() if p.suffix in FORMATS), key=lambda p: p.stat().st_size
        )
        corpus(files, asked.processes, time.monotonic() + asked.seconds)
    return None


def rates(quick: bool) -> None:
    """Directions a second beside one core."""
    bodies = [("gull", figure(n)) for n in ((38_000, 203_000) if quick else (38_000, 203_000, 1_000_000))]
    bodies.append(("box frame", frame()))
    print("| part | triangles | columns | directions/s | one core | ratio | farthest figure (median, most) |")
    print("|---|---|---|---|---|---|---|")
    for name, body in bodies:
        for grid in (128, 256):
            print(measured(name, body, grid, 3 if quick else 5, 32 if quick else 128), flush=True)


def whole() -> None:
    """From a file to the shortlist, in fresh processes: the first may compile, the others find that done."""
    from falsework.part.gull import gull_mesh

    vertices, faces = gull_mesh(203_000)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "gull.stl"
        records = np.zeros(len(faces), RECORD)
        records["corners"] = vertices[faces]
        file.write_bytes(b"made here".ljust(80) + np.uint32(len(faces)).tobytes() + records.tobytes())
        for number in range(3):
            print(f"process {number + 1}:", flush=True)
            subprocess.run([sys.executable, __file__, "--file", str(file)], check=True)


def in_this_process(file: Path) -> None:
    """The way from a file to the shortlist three times; the first with all that a process does only once."""
    wish = Wish(load_process("pla-0.4"))
    for number in range(3):
        start = time.perf_counter()
        with on_cores(None):  # as the command does
            part = read_part(file, unit="mm")
        read = time.perf_counter()
        few = shortlist(part, wish, Context(device="gpu"))
        end = time.perf_counter()
        since = f", {time.time() - begun():.2f} s since the process began" if number == 0 else ""
        print(
            f"  read {read - start:.2f} s, searched {end - read:.2f} s by {few.device}, "
            f"{few.searched} directions{since}",
            flush=True,
        )


def begun() -> float:
    """When this process began, in seconds as ``time.time`` counts."""
    import psutil

    return float(psutil.Process().create_time())


def two() -> None:
    """The same directions on one graphics processor and on all there are, warm, in turn."""
    print(
        "| triangles | processors | directions/s | × one | same figures |\n|---|---|---|---|---|", flush=True
    )
    turns = rotations_to_up(even_directions(65_536), ODD_SPIN_DEG)
    for triangles in (203_000, 1_000_000):
        body = figure(triangles)
        counter = Counter(body, hull_corners(body.points))
        ways, rates, first = list(counter._ways), {}, None
        for count in (1, len(ways)):
            counter._ways = ways[:count]
            counter.figures(turns[:8192], LIMITS, QUIET, "warming up")
            times = []
            for _ in range(5):
                start = time.perf_counter()
                found = counter.figures(turns, LIMITS, QUIET, "counting")
                times.append(time.perf_counter() - start)
            first = found if first is None else first
            rates[count] = len(turns) / statistics.median(times)
            row = len(body.faces), count, f"{rates[count]:,.0f}", f"{rates[count] / rates[1]:.2f}"
            print("|", " | ".join(map(str, row)), "|", np.array_equal(first, found), "|", flush=True)


def profiled() -> None:
    """Every kernel on one batch of a figure of 203 k triangles, twice."""
    body = figure(203_000)
    counter = Counter(body, hull_corners(body.points))
    directions = even_directions(256)
    for _ in range(2):
        counter.figures(rotations_to_up(directions, ODD_SPIN_DEG), LIMITS, QUIET, "counting")
        counter.surface_sums(directions, 0.8, 0.9)


@dataclass(frozen=True)
class Compared:
    """What is recommended of a part by both, or why it is not planned."""

    name: str
    refused: str = ""
    here: Orientations | None = None
    there: Orientations | None = None
    seconds: tuple[float, float] = (0.0, 0.0)


def told_by(work: Callable[[Path], Any], files: list[Path], processes: int, until: float) -> Iterator[Any]:
    """What the work finds of each file, as it is done, until the time is over."""
    with get_context("spawn").Pool(processes) as pool:
        found = pool.imap_unordered(work, files)
        try:
            for _ in files:
                yield found.next(timeout=max(0.0, until - time.monotonic()))
        except TimeoutError:
            print("the time is over")


def corpus(files: list[Path], processes: int, until: float) -> None:
    """Whether the same positions of every part are worth a plan by both, so that the same is recommended;
    where not, what is recommended by a processor and by a graphics processor, plans included."""
    print("| part | triangles | the same list | first: apart | totals apart | s there | s here | by |")
    print("|---|---|---|---|---|---|---|---|", flush=True)
    by_name, found = {file.name: file for file in files}, []
    for row in told_by(listed, files, processes, until):
        found.append(row)
        print(row.line(), flush=True)
    same = sum(row.same == row.there == row.here for row in found if not row.refused)
    refused = sum(bool(row.refused) for row in found)
    print(f"{len(found)} of {len(files)} parts: {same} have the same list, {refused} refused", flush=True)
    differ = [by_name[row.name] for row in found if not row.same == row.there == row.here]
    if not differ:
        return
    print("\n| part | by | turned | total | s | apart | why |\n|---|---|---|---|---|---|---|", flush=True)
    told: list[str] = []
    for one in told_by(compared, differ, processes, until):
        told.append(why(one))
        for line in lines(one, told[-1]):
            print(line, flush=True)
    words = {
        word: sum(one.startswith(word) for one in told)
        for word in ("equal", "alike", "tie", "differs", "refused")
    }
    print(f"{len(told)} of {len(differ)} whose lists differ: {words}")


@dataclass(frozen=True)
class Listed:
    """How many positions are in the list of both, to the last bit, and in the list of either; how far apart
    the first of both lists are, in degrees and in total; seconds there and here; what counted."""

    name: str
    triangles: int = 0
    same: int = 0
    there: int = 0
    here: int = 0
    apart_deg: float = 0.0
    off: float = 0.0
    seconds: tuple[float, float] = (0.0, 0.0)
    by: str = ""
    refused: str = ""

    def line(self) -> str:
        if self.refused:
            return f"| {self.name} | | | | | | | refused: {self.refused} |"
        there, here = self.seconds
        return (
            f"| {self.name} | {self.triangles} | {self.same} of {self.there} and {self.here} "
            f"| {self.apart_deg:.2f}° | {self.off:+.2%} | {there:.1f} | {here:.1f} | {self.by} |"
        )


def listed(path: Path) -> Listed:
    """One part's shortlists by both."""
    wish = Wish(load_process("pla-0.4"))
    try:
        part = sized(path, 200.0)
        found, times = [], []
        for device in ("gpu", "cpu"):
            start = time.perf_counter()
            found.append(shortlist(part, wish, Context(cores=1, device=device)))
            times.append(time.perf_counter() - start)
    except FalseworkError as error:
        return Listed(path.name, refused=str(error))
    there, here = (few.lies for few in found)
    a, b = (([lie for lie in lies[1:] if lie.fits] or list(lies))[0] for lies in (here, there))
    return Listed(
        path.name,
        len(part.faces),
        sum(lie in there for lie in here),
        len(there),
        len(here),
        degrees_between(a, b),
        b.price.total / max(a.price.total, 1e-9) - 1.0,
        (times[0], times[1]),
        f"{found[0].device}, {found[1].device}",
    )


def compared(path: Path) -> Compared:
    """One part by both; a plan that both need is made once."""
    process = load_process("pla-0.4")
    known: dict[tuple[Any, bool], Orientation | float] = {}
    plain = proof.work

    def once(shared: proof.Shared, job: proof.Job, *rest: Any, **more: Any) -> Orientation | float:
        key = job.lie.turn_deg, job.whole
        if key not in known:
            known[key] = plain(shared, job, *rest, **more)
        return known[key]

    try:
        proof.work = once
        part = sized(path, 200.0)
        found, times = [], []
        for device in ("gpu", "cpu"):
            start = time.perf_counter()
            found.append(best_orientations(part, process, cores=1, device=device))
            times.append(time.perf_counter() - start)
        return Compared(path.name, "", found[1], found[0], (times[1], times[0]))
    except FalseworkError as error:
        return Compared(path.name, refused=str(error))
    finally:
        proof.work = plain


def why(one: Compared) -> str:
    """Whether both recommend the same, and if not, what the difference is."""
    if one.here is None or one.there is None:
        return f"refused: {one.refused}"
    a, b = one.here.recommended, one.there.recommended
    off = b.price.total / max(a.price.total, 1e-9) - 1.0
    if one.there.device != "gpu":
        return f"differs: counted by {one.there.device}"
    if degrees_between(a, b) < SAME_DEG and abs(off) < SAME_TOTAL:
        return "equal"
    if abs(off) < SAME_TOTAL:
        return "alike: another side, the same total"
    known = [
        min(degrees_between(a, lie) for lie in lies_of(one.there)),
        min(degrees_between(b, lie) for lie in lies_of(one.here)),
    ]
    seen = " and ".join(
        f"{who} {'planned' if near < SAME_DEG else f'planned nothing within {near:.1f}° of'} the other's"
        for who, near in zip(("the graphics processor", "the processor"), known, strict=True)
    )
    word = "tie" if abs(off) < proof.SAME_SHARE else "differs"
    return f"{word}: {off:+.1%}; {seen}"


def lies_of(found: Orientations) -> Iterator[Orientation]:
    yield found.today
    yield from found.front


def degrees_between(a: Orientation, b: Orientation) -> float:
    cosine = sum(x * y for x, y in zip(a.up, b.up, strict=True))
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def lines(one: Compared, reason: str) -> Iterator[str]:
    if one.here is None or one.there is None:
        yield f"| {one.name} | | | | | | {reason} |"
        return
    for who, found, seconds in (
        ("processor", one.here, one.seconds[0]),
        ("graphics processor", one.there, one.seconds[1]),
    ):
        lie = found.recommended
        turn = ", ".join(f"{angle:g}" for angle in lie.turn_deg)
        apart_deg = degrees_between(one.here.recommended, one.there.recommended)
        told = one.name, who, turn, f"{lie.price.total:.3f}", f"{seconds:.1f}", f"{apart_deg:.2f}°", reason
        yield f"| {' | '.join(told)} |"


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

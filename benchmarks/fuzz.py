"""Thousands of plans of turned, scaled, jittered and snapped parts: none may end by a library's failure.

Run ``python benchmarks/fuzz.py [--folder MESHES] [--cases 1000] [--seed 0] [--seconds 600] [--processes 1]``.
Without a folder the demo parts are taken. Each case is told wholly by its number: ``--seed N --cases 1``
repeats one. Processes share the cases; what they found so far is told every half a minute.
It has 30 to 70 layers of 0.9 mm and goes through layers, need, choice, sweep, structure and stance. What is
refused in one sentence counts as refused, any other exception as failed. The last line counts how often the
polygon library gave up on a region and the coarser ways served.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections import Counter
from dataclasses import dataclass, field, replace
from multiprocessing import TimeoutError, get_context
from pathlib import Path
from typing import Any

import numpy as np

from falsework.errors import FalseworkError
from falsework.layers import overlay
from falsework.part import read_part
from falsework.part.demo import demo_parts
from falsework.part.part import Part
from falsework.planning.pipeline import plan_for
from falsework.process import load_process, override
from falsework.request import Context, Placing, Request, Wish

MOST_TRIANGLES = 50_000
LENGTHS_MM = (25.0, 65.0)
COARSE = {
    "nozzle_mm": "1.2",
    "line_width_mm": "1.35",
    "layer_height_mm": "0.9",
    "first_layer_height_mm": "0.9",
    "structure.spacing_mm": "6",
}
GIVEN_UP: Counter[str] = Counter()
PARTS: list[Part] = []  # read once, before processes are forked
TOLD_S = 30.0


def parts_in(folder: Path | None) -> list[Part]:
    """The parts to begin with: of a folder, without the largest, else the demo parts."""
    if folder is None:
        return [demo() for demo in demo_parts().values()]
    found = []
    for path in sorted(folder.iterdir()):
        try:
            part = read_part(path, unit=None if path.suffix in (".3mf", ".glb", ".step") else "mm")
        except FalseworkError:
            continue
        if len(part.faces) <= MOST_TRIANGLES:
            found.append(part)
    return found


def spoilt(parts: list[Part], number: int) -> tuple[Part, Request]:
    """The case of that number: a part with its vertices moved or snapped, and how it is asked for."""
    rng = np.random.default_rng(number)
    part = parts[int(rng.integers(len(parts)))]
    scale = rng.uniform(*LENGTHS_MM) / float(part.size_mm.max())
    vertices = part.vertices * scale
    how = rng.integers(5)
    if how == 1:  # by rounding, and by more than rounding
        vertices = vertices + rng.normal(0.0, 10.0 ** rng.uniform(-9, -2), vertices.shape)
    elif how == 2:  # onto a grid: edges come to lie on one another
        grid = float(rng.choice([0.001, 0.01, 0.1, 0.45]))
        vertices = np.round(vertices / grid) * grid
    elif how == 3:  # onto the layers: faces come to lie at their middles and boundaries
        vertices = vertices.copy()
        vertices[:, 2] = np.round(vertices[:, 2] / 0.45) * 0.45
    turn = rng.choice([0.0, 30.0, 45.0, 90.0, 180.0, 270.0], 3)
    if rng.random() < 0.5:
        turn = rng.uniform(0.0, 360.0, 3)
    standing = str(rng.choice(["auto", "bed", "anywhere"]))
    process = override(load_process("pla-0.4"), COARSE)
    made = replace(part, vertices=np.ascontiguousarray(vertices))
    placing = Placing(turn_deg=(float(turn[0]), float(turn[1]), float(turn[2])))
    return made, Request(made, placing, Wish(process, standing=standing))


def counted() -> None:
    """Count what the library gives up on."""
    for name in ("_overlaid_one", "_buffered", "_clipped", "_clipped_clean"):
        inner = getattr(overlay, name)

        def count(*arguments: Any, inner: Any = inner, name: str = name) -> Any:
            GIVEN_UP[name.strip("_")] += 1
            return inner(*arguments)

        setattr(overlay, name, count)


@dataclass(frozen=True)
class Ended:
    """How a case ended: planned, refused or failed; ``told``: what failed, and where."""

    number: int
    name: str
    end: str
    cpu_s: float
    given_up: Counter[str]
    told: str = ""


def tried(number: int) -> Ended:
    """The case of that number, planned."""
    part, request = spoilt(PARTS, number)
    GIVEN_UP.clear()
    start, end, told = time.process_time(), "planned", ""
    try:
        plan_for(request, Context(cores=1), release=False)
    except FalseworkError:
        end = "refused"
    except Exception as error:
        end = "failed"
        where = reversed(traceback.extract_tb(error.__traceback__)[-3:])
        told = f"{type(error).__name__}: {str(error)[:120]} at "
        told += " < ".join(f"{Path(w.filename).name}:{w.lineno}" for w in where)
    return Ended(number, part.name, end, time.process_time() - start, Counter(GIVEN_UP), told)


@dataclass
class Sums:
    """Of the cases so far."""

    ends: Counter[str] = field(default_factory=Counter)
    given_up: Counter[str] = field(default_factory=Counter)
    parts: set[str] = field(default_factory=set)
    slow: list[tuple[float, int, str]] = field(default_factory=list)
    cpu_s: float = 0.0

    def add(self, case: Ended) -> None:
        self.ends[case.end] += 1
        self.given_up += case.given_up
        self.parts.add(case.name)
        self.cpu_s += case.cpu_s
        self.slow = sorted([*self.slow, (case.cpu_s, case.number, case.name)], reverse=True)[:5]
        if case.told:
            print(f"case {case.number} ({case.name}): {case.told}", flush=True)

    def tell(self) -> None:
        count = sum(self.ends.values())
        print(f"{len(self.parts)} parts, {count} cases in {self.cpu_s:.0f} s CPU: {dict(self.ends)}")
        print("slowest:", ", ".join(f"{name} (case {n}) {s:.1f} s" for s, n, name in self.slow))
        print("given up by the library:", dict(self.given_up), flush=True)


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--folder", type=Path)
    words.add_argument("--cases", type=int, default=1000)
    words.add_argument("--seed", type=int, default=0)
    words.add_argument("--seconds", type=float, default=600.0)
    words.add_argument("--processes", type=int, default=1)
    asked = words.parse_args()
    until = time.monotonic() + asked.seconds
    counted()
    PARTS.extend(parts_in(asked.folder))
    tried(asked.seed)  # compiles, once for all that are forked from here
    sums, told = Sums(), time.monotonic()
    with get_context("fork").Pool(asked.processes) as pool:
        found = pool.imap_unordered(tried, range(asked.seed, asked.seed + asked.cases))
        try:
            for _ in range(asked.cases):
                sums.add(found.next(timeout=max(0.0, until - time.monotonic())))
                if time.monotonic() - told > TOLD_S:
                    told = time.monotonic()
                    sums.tell()
        except TimeoutError:
            print("the time is over")
    sums.tell()
    return 1 if sums.ends["failed"] else 0


if __name__ == "__main__":
    sys.exit(main())

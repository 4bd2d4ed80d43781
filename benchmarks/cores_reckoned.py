"""What so many cores could give a plan at best, reckoned on one: who waits for whom, by steps.

    python benchmarks/cores_reckoned.py FOLDER [--only NAME ...] [--many 8]

A plan with its release, kernels loaded, on one core: every section that would be shared among cores is done
job by job, and counts as long as the busiest of ``--many`` cores would be at it, dealt out in order; what is
never shared counts whole. That leaves out that Python's own lock lets one thread run at a time and that cores
share a memory: ``cores.py`` measures on a machine that has so many. Prints for each part the seconds of one
core, the share that is left, and the steps and the shared sections that take most of it.
"""

from __future__ import annotations

import argparse
import heapq
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from shores import mesh_part, meshes

_SHOWN = 4  # steps and sections of each part


class Reckoning:
    """Stands in for ``falsework.cores``: jobs in a row, and what so many cores would have saved."""

    def __init__(self, many: int) -> None:
        self.many, self.saved_s, self.sections = many, 0.0, dict[str, float]()

    def cores_here(self) -> int:
        return self.many

    def in_chunks(self, work: Callable[..., Any], least: int, *arrays: Any) -> list[Any]:
        chunks = min(4 * self.many, len(arrays[0]) // least)
        if chunks < 2:
            return [work(*arrays)]
        parts = zip(*(np.array_split(array, chunks) for array in arrays), strict=True)
        return self._shared([lambda part=part: work(*part) for part in parts])

    def side_by_side(self, jobs: Sequence[Callable[[], Any]]) -> list[Any]:
        return self._shared(jobs) if len(jobs) > 1 else [job() for job in jobs]

    def both(self, one: Callable[[], Any], other: Callable[[], Any]) -> tuple[Any, Any]:
        first, second = self.side_by_side([one, other])
        return first, second

    def _shared(self, jobs: Sequence[Callable[[], Any]]) -> list[Any]:
        out, took = [], []
        for job in jobs:
            start = time.process_time() - self.saved_s
            out.append(job())
            took.append(time.process_time() - self.saved_s - start)
        busy = [0.0] * min(self.many, len(took))
        for seconds in took:
            heapq.heapreplace(busy, busy[0] + seconds)
        self.saved_s += sum(took) - max(busy)
        self.sections[_asker()] = self.sections.get(_asker(), 0.0) + max(busy)
        return out

    def put_in_place(self) -> None:
        """In every module of falsework that took these functions by name."""
        for name, module in list(sys.modules.items()):
            for own in ("in_chunks", "side_by_side", "both", "cores_here"):
                if name.startswith("falsework") and hasattr(module, own):
                    setattr(module, own, getattr(self, own))


def _asker() -> str:
    """The function that shares work, past the rooms that do so for others."""
    frame: Any = sys._getframe(2)
    while any(word in frame.f_code.co_filename for word in (__file__, "overlay.py", "polygons.py")):
        frame = frame.f_back
    return str(frame.f_code.co_name)


def _most(seconds: dict[str, float]) -> str:
    """Those that take most of it, in words."""
    names = sorted(seconds, key=lambda name: -seconds[name])[:_SHOWN]
    return ", ".join(f"{name} {seconds[name]:.2f}" for name in names)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, help="of meshes, with an index.csv")
    parser.add_argument("--only", nargs="*", default=[], help="parts whose names hold one of these")
    parser.add_argument("--many", type=int, default=8, help="cores")
    asked = parser.parse_args()
    import falsework
    from falsework.planning.loading import load_kernels
    from falsework.watch import Watch

    load_kernels()
    reckoning = Reckoning(asked.many)
    reckoning.put_in_place()
    shares = []
    print(f"| part | 1 core s | {asked.many} cores at best | steps that take it | shared sections |")
    print("|---|--:|--:|---|---|")
    for name, source, scale in meshes(asked.folder):
        if asked.only and not any(word in name for word in asked.only):
            continue
        part = mesh_part(source)
        reckoning.saved_s, reckoning.sections = 0.0, {}
        steps: dict[str, float] = {}
        last = ["start", time.process_time()]

        def tell(step: str, _: float, last: list[Any] = last, steps: dict[str, float] = steps) -> None:
            now = time.process_time() - reckoning.saved_s
            steps[last[0]] = steps.get(last[0], 0.0) + now - last[1]
            last[:] = [step, now]

        start = time.process_time()
        falsework.plan(part, "pla-0.4", scale=scale, cores=1, watch=Watch(tell))
        tell("", 1.0)
        one = time.process_time() - start
        shares.append(1.0 - reckoning.saved_s / one)
        cells = name, f"{one:.1f}", f"{shares[-1]:.2f}", _most(steps), _most(reckoning.sections)
        print(f"| {' | '.join(cells)} |", flush=True)
    print(f"median {statistics.median(shares):.2f}, worst {max(shares):.2f}")


if __name__ == "__main__":
    main()

"""What looking for cuts takes, against plans of the same part in the same run.

    python benchmarks/redraw_split.py [--quick]

A figure of about 200 k triangles, 100 mm high; CPU seconds (user and system, all threads), warm. The bound is
20 plans for 500 planes. ``--quick`` takes 50 k triangles. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import math
import os
import resource
import sys
import time
from collections.abc import Callable
from itertools import pairwise

import numpy as np

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "tests"))

from falsework.part.part import Part


def figure(triangles: int) -> Part:
    from falsework.part.gull import gull_mesh

    vertices, faces = gull_mesh(triangles)
    scale = 100.0 / float(np.ptp(vertices[:, 2]))
    return Part("gull", vertices * scale, np.ascontiguousarray(faces, dtype=np.int32))


def cpu(work: Callable[[], object]) -> tuple[float, object]:
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def main() -> None:
    from falsework.planning import plan
    from falsework.redrawing.site.ground import ground_of
    from falsework.redrawing.split.best import split
    from falsework.redrawing.split.value import Splits
    from falsework.watch import Watch

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    part = figure(50_000 if parser.parse_args().quick else 200_000)
    small = ground_of(plan(figure(2_000)))  # compiles what is not compiled
    split(small)

    one, planned = cpu(lambda: plan(part))
    ground = ground_of(planned)
    told: list[tuple[float, str]] = []
    watch = Watch(tell=lambda step, _: told.append((time.process_time(), step)))
    whole, found = cpu(lambda: split(ground, watch=watch))
    again, _ = cpu(lambda: plan(part))
    assert isinstance(found, Splits)
    mean = 0.5 * (one + again)
    columns = sum(
        after - before for (before, step), (after, _) in pairwise(told) if step == "looking for cuts"
    )
    option = found.options[0]
    volume = math.fsum(piece.volume_mm3 for piece in option.pieces) + option.holes_mm3
    rows = [
        ("triangles", f"{len(part.faces)}"),
        ("one plan with release, before and after", f"{one:.1f} s, {again:.1f} s"),
        (
            f"whole search: {found.planes} planes looked at, {found.cut} ways really cut, "
            f"{len(found.options)} planned",
            f"{whole:.1f} s, {whole / mean:.1f} plans",
        ),
        (
            "of it, columns of all directions, pairs of planes too",
            f"{columns:.1f} s, {500.0 * columns / found.planes:.2f} s for 500 planes, "
            f"{columns / mean:.2f} plans in all",
        ),
        ("volumes of pieces and holes against the part", f"{abs(volume / ground.solid.volume() - 1.0):.0e}"),
        (
            "price of the best split against the part in one piece",
            f"{option.price:.2f} against {found.uncut.printed.price:.2f}",
        ),
        ("peak memory of this run", f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"),
    ]
    print("| what | figure |\n|---|---|")
    for row in rows:
        print("| {} | {} |".format(*row))


if __name__ == "__main__":
    main()

"""Judging release against planning, in one run: a rack of 200 hooks, one piece of support under each.

    python benchmarks/release.py [--directions 1000]

CPU time (user + system) of one process, code compiled beforehand by a small plan and its release. The rack
stands on a plate, so that every piece stands on the part and must be pulled out; its mesh is cut up to
about 200,000 triangles, as a scan would be. The demo parts follow. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections import Counter

import numpy as np
from manifold3d import Manifold

from falsework.part.demo import demo_parts, table
from falsework.part.part import Part
from falsework.planning import plan
from falsework.release import Pulls, judge_release
from falsework.request import Context


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Manifold:
    size = [b - a for a, b in zip(low, high, strict=True)]
    return Manifold.cube(size).translate(low)


def rack(columns: int = 20, rows: int = 10) -> Part:
    """A plate with hooks: posts with an arm 7 mm long, 8 mm above the plate."""
    solids = [box((-3, -4, 0), (10.0 * columns, 8.0 * rows, 2))]
    for i in range(columns):
        for j in range(rows):
            x, y = 10.0 * i, 8.0 * j
            solids.append(box((x, y, 2), (x + 2, y + 4, 12)))
            solids.append(box((x + 2, y, 10), (x + 8, y + 4, 12)))
    from manifold3d import OpType

    solid = Manifold.batch_boolean(solids, OpType.Add)
    mesh = solid.refine_to_length(0.75).to_mesh64()
    vertices = np.asarray(mesh.vert_properties)[:, :3]
    return Part("rack", np.ascontiguousarray(vertices), np.asarray(mesh.tri_verts).astype(np.int32))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--directions", type=int, default=1000)
    directions = parser.parse_args().directions
    run(table(30.0, 20.0, 10.0), directions)
    print("| part | triangles | pieces | plan s | release s | peak MB | states |")
    print("|---|---|---|---|---|---|---|")
    for part in (rack(), *(make() for make in demo_parts().values())):
        print(run(part, directions), flush=True)


def run(part: Part, directions: int) -> str:
    begin = time.process_time()
    made = plan(part, standing="bed-or-part")
    planned = time.process_time()
    g = made.geometry
    release = judge_release(g, made.process, Context(), Pulls(directions=directions))
    judged = time.process_time()
    states = ", ".join(f"{n} {state}" for state, n in Counter(p.state for p in release.pieces).items())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return (
        f"| {part.name} | {len(part.faces):,} | {len(release.pieces)} | {planned - begin:.2f} "
        f"| {judged - planned:.2f} | {peak:.0f} | {states} |"
    )


if __name__ == "__main__":
    main()

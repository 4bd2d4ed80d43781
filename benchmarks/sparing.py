"""What faces that no support may touch cost a plan: a patch, one side, all of a part of 200 k triangles.

    python benchmarks/sparing.py [--quick] [--rounds N]

The organic part of ``columns.py`` (100 mm high, 0.2 mm layers), supports from bed or part, without release.
The bound is the same plan with nothing spared, in the same process; figures are CPU seconds, the median of
warm rounds. Accuracy: the area that supports carry, which is none where all is spared.
``--quick`` takes a part of 20 k triangles.
"""

from __future__ import annotations

import argparse
import statistics

import numpy as np

from columns import cpu, organic, peak_mb
from falsework.part.part import Part
from falsework.planning import plan
from falsework.process import Process
from falsework.request.marks import MarkedFaces


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--rounds", type=int, default=3)
    chosen = parser.parse_args()
    vertices, faces = organic(*((142, 71) if chosen.quick else ()))
    part, process = Part("organic", vertices, faces), Process()
    middles = vertices[faces].mean(axis=1)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    apart = np.linalg.norm(middles - [high[0], 0.5 * (low[1] + high[1]), 0.4 * high[2]], axis=1)
    marks = {
        "nothing": np.zeros(len(faces), dtype=bool),
        "a patch": apart < 0.15 * high[2],
        "one side": middles[:, 0] > 0.5 * (low[0] + high[0]),
        "everything": np.ones(len(faces), dtype=bool),
    }
    spare = MarkedFaces(face_sets=("marked",))

    def planned(marked: np.ndarray) -> tuple[float, float]:
        brushed = part.with_face_set("marked", marked) if marked.any() else part
        asked = spare if marked.any() else None
        seconds, made = cpu(
            lambda: plan(brushed, process, standing="bed-or-part", spare=asked, release=False)
        )
        return seconds, sum(piece.contact_mm2 for piece in made.pieces)

    planned(marks["one side"])  # compiles or loads
    rounds = [{what: planned(marked) for what, marked in marks.items()} for _ in range(chosen.rounds)]
    bare = statistics.median(one["nothing"][0] for one in rounds)
    print(f"## Faces that no support may touch, {len(faces)} triangles, {peak_mb():.0f} MB\n")
    print("| spared | share of the faces | CPU s | × nothing spared | carried mm² |")
    print("|---|---:|---:|---:|---:|")
    for what, marked in marks.items():
        seconds = statistics.median(one[what][0] for one in rounds)
        carried_mm2 = rounds[0][what][1]
        print(f"| {what} | {marked.mean():.0%} | {seconds:.2f} | {seconds / bare:.2f} | {carried_mm2:.0f} |")
    print()


if __name__ == "__main__":
    main()

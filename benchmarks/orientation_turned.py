"""Whether the recommended position depends on how the file was turned.

    python benchmarks/orientation_turned.py [FOLDER] [--parts a.stl demo:table] [--turns N] [--cores N]

Each part is turned by N (20) random rotations (uniform, seeded) and laid down anew; how it lies in its file
is one of them. Prints the total of the recommended plan: least, most and their difference, which may be 2 %.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from falsework import best_orientations, load_process
from falsework.part.demo import demo_parts
from falsework.part.part import Part
from orientation_plans import sized

PARTS = (
    "demo:table",
    "demo:pulley block",
    "nut.ply",
    "so101_gauge_tight.stl",
    "torus.3mf",
    "wuson.stl",
    "airplane.ply",
    "netgen_screw.step",
    "netgen_part1.stl",
    "odri_camera_mount.stl",
    "so101_base_motor_holder.step",
    "so101_webcam_mount.stl",
)
ALLOWED = 0.02


def rotation(rng: np.random.Generator) -> np.ndarray:
    """A uniform random rotation, by a unit quaternion (Shoemake 1992, Graphics Gems III)."""
    w, x, y, z = (q := rng.normal(size=4)) / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def totals(part: Part, turns: int, cores: int | None) -> list[float]:
    rng, process = np.random.default_rng(5), load_process("pla-0.4")
    out = []
    for k in range(turns):
        turn = np.eye(3) if k == 0 else rotation(rng)
        turned = replace(part, vertices=np.ascontiguousarray(part.vertices @ turn.T))
        out.append(best_orientations(turned, process, cores=cores).recommended.price.total)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--parts", nargs="*", default=PARTS)
    parser.add_argument("--turns", type=int, default=20)
    parser.add_argument("--cores", type=int)
    asked = parser.parse_args()
    print("| part | least | most | apart | CPU s a search |\n|---|--:|--:|--:|--:|", flush=True)
    for name in asked.parts:
        if name.startswith("demo:"):
            part = demo_parts()[name[5:]]()
        elif asked.folder is not None and (asked.folder / name).is_file():
            part = sized(asked.folder / name, 200.0)
        else:
            continue
        start = time.process_time()
        found = totals(part, asked.turns, asked.cores)
        took_s = (time.process_time() - start) / asked.turns
        apart = max(found) / min(found) - 1.0
        mark = "" if apart <= ALLOWED else " !"
        print(
            f"| {name} | {min(found):.3f} | {max(found):.3f} | {apart:.2%}{mark} | {took_s:.1f} |", flush=True
        )


if __name__ == "__main__":
    main()

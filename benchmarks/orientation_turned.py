"""Whether the recommended position depends on how the file was turned.

    python benchmarks/orientation_turned.py [FOLDER] [--parts a.stl demo:table] [--turns N] [--at-once N]

Each part is turned by N (20) random rotations (uniform, seeded) and laid down anew; how it lies in its file
is one of them. Prints the total of the recommended plan: least, most and their difference, which may be 2 %,
with the numbers of those turns; each part again when another of its turns is done, ``--at-once`` of them
beside each other on ``--cores`` each.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

from falsework import best_orientations, load_process
from orientation_plans import part_of, ready
from side_by_side import answered

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


def laid(name: str, turn: int, folder: Path, cores: int | None, device: str) -> tuple[float, float]:
    """Total of what is recommended for one part by its ``turn``-th rotation, and CPU seconds."""
    ready()
    part, rng = part_of(name, folder, 200.0), np.random.default_rng(5)
    how = [np.eye(3), *(rotation(rng) for _ in range(turn))][-1]
    turned = replace(part, vertices=np.ascontiguousarray(part.vertices @ how.T))
    start = time.process_time()
    found = best_orientations(turned, load_process("pla-0.4"), cores=cores, device=device)
    return found.recommended.price.total, time.process_time() - start


def row(name: str, found: dict[int, tuple[float, float]]) -> str:
    totals = {turn: total for turn, (total, _) in found.items()}
    least, most = min(totals, key=totals.__getitem__), max(totals, key=totals.__getitem__)
    apart = totals[most] / totals[least] - 1.0
    cpu_s = sum(spent for _, spent in found.values()) / len(found)
    return (
        f"| {name} | {len(found)} | {totals[least]:.3f} ({least}) | {totals[most]:.3f} ({most}) "
        f"| {apart:.2%}{'' if apart <= ALLOWED else ' !'} | {cpu_s:.1f} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, nargs="?", default=Path())
    parser.add_argument("--parts", nargs="*", default=PARTS)
    parser.add_argument("--turns", type=int, default=20)
    parser.add_argument("--at-once", type=int, default=1, metavar="N", help="turns beside each other")
    parser.add_argument("--cores", type=int, help="of each turn")
    parser.add_argument("--device", default="cpu")
    asked = parser.parse_args()
    ready()
    names = [n for n in asked.parts if n.startswith("demo:") or (asked.folder / n).is_file()]
    how = (asked.folder, asked.cores, asked.device)
    tasks = [(name, turn, *how) for turn in range(asked.turns) for name in names]
    found: dict[str, dict[int, tuple[float, float]]] = defaultdict(dict)
    head = "| part | turns | least (turn) | most (turn) | apart | CPU s a search |\n|---|--:|--:|--:|--:|--:|"
    print(head, flush=True)
    for (name, turn, *_), done in answered(laid, tasks, asked.at_once):
        if isinstance(done, Exception):
            print(f"| {name} | {done} (turn {turn}) | | | | |", flush=True)
            continue
        found[name][turn] = done
        print(row(name, found[name]), flush=True)
    print(f"\nAll\n\n{head}")
    for name, turns in found.items():
        print(row(name, turns))


if __name__ == "__main__":
    main()

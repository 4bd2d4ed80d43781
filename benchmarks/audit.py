"""Reading and judging a machine program, in one run with a plain reader of regular expressions and numpy.

    python benchmarks/audit.py [--moves 1000000] [--strand 0.8] [--times 3] [--quick]

Three programs, as a slicing program would write them: a round vessel with a wall of three lines and lines of
fill across it, most strands ``--strand`` mm long; a block filled solid by a zigzag of long strands; a wall
that climbs without end. Rates are millions of moves a second of CPU time of this process (user + system), the
best of some runs, code compiled beforehand by a small program. Memory is the peak growth of the process over
that of a program a tenth as long. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import math
import re
import resource
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np

from falsework.auditing import Audit, audit
from falsework.auditing.reading import moves
from falsework.auditing.survey import survey
from falsework.process import load_process

_WORD = re.compile(r"([XYZEF])(-?[0-9.]+)")


_E_PER_MM = (0.2 * 0.25 + math.pi / 4 * 0.04) / (math.pi / 4 * 1.75**2)
_HEAD = "M109 S210\nG28\nG21\nG90\nM83\nM106 S255\n"


def _path(
    xy: np.ndarray, feed: int, z: np.ndarray | None = None, flow: np.ndarray | float = 1.0
) -> list[str]:
    """Extruding moves along points (n, 2); they climb where ``z`` (n,) is given."""
    e = flow * _E_PER_MM * np.hypot(*np.diff(xy, axis=0).T)
    rise = [""] * len(e) if z is None else [f" Z{v:.4f}" for v in z[1:]]
    return [
        f"G1 F{feed}",
        *(f"G1 X{x:.3f} Y{y:.3f}{up} E{v:.5f}" for (x, y), v, up in zip(xy[1:], e, rise, strict=True)),
    ]


def _ring(radius_mm: float, strand_mm: float) -> np.ndarray:
    n = max(8, round(2 * math.pi * radius_mm / strand_mm))
    angle = np.linspace(0.0, 2 * math.pi, n + 1)
    return 100.0 + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def _zigzag(half_mm: float, pitch_mm: float, turned: bool) -> np.ndarray:
    """Points of a zigzag at 45° or 135° that fills a square, joined along its sides."""
    v = np.arange(-2 * half_mm + 0.5, 2 * half_mm, pitch_mm * math.sqrt(2.0))
    low = np.column_stack([np.maximum(-half_mm, v - half_mm), np.minimum(half_mm, v + half_mm)])
    high = low[:, ::-1]
    points = np.stack([low, high], axis=1)
    points[1::2] = points[1::2, ::-1]
    points = points.reshape(-1, 2)
    return 100.0 + (points * [-1.0, 1.0] if turned else points)


def walls(layer: int, strand_mm: float) -> list[str]:
    """A round vessel of 80 mm: three walls of short strands, lines of sparse fill across."""
    lines = []
    for wall in range(3):
        ring = _ring(40.0 - 0.225 - 0.45 * wall, strand_mm)
        lines += [f"G0 X{ring[0, 0]:.3f} Y{ring[0, 1]:.3f} F7200", *_path(ring, 2700)]
    for k, v in enumerate(np.arange(-38.3, 38.5, 3.0)):
        half = math.sqrt(38.5**2 - v * v)
        ends = np.array([[-half, v], [half, v]])[:: 1 if k % 2 else -1, :: -1 if layer % 2 else 1] + 100.0
        lines += [f"G0 X{ends[0, 0]:.3f} Y{ends[0, 1]:.3f} F7200", *_path(ends, 3600)]
    return lines


def fill(layer: int, strand_mm: float) -> list[str]:
    """A block of 40 mm, filled solid by a zigzag: long strands, every one joined to the next."""
    del strand_mm
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
    lines = []
    for half in (19.775, 19.35):
        wall = 100.0 + half * corners
        lines += [f"G0 X{wall[0, 0]:.3f} Y{wall[0, 1]:.3f} F7200", *_path(wall, 2700)]
    zigzag = _zigzag(19.0, 0.407, layer % 2 == 1)
    return [*lines, f"G0 X{zigzag[0, 0]:.3f} Y{zigzag[0, 1]:.3f} F7200", *_path(zigzag, 3600)]


def vase(layer: int, strand_mm: float) -> list[str]:
    """One turn of a wall that climbs without end, of strands half as long."""
    ring = _ring(40.0, 0.5 * strand_mm)
    if layer > 1:
        rise = np.linspace(0.0, 1.0, len(ring))
        return _path(ring, 2700, 0.2 * (layer - 1 + rise), rise[1:] if layer == 2 else 1.0)
    return [f"G0 X{ring[0, 0]:.3f} Y{ring[0, 1]:.3f}", *_path(ring, 2700)]


KINDS = {"walls": walls, "fill": fill, "vase": vase}


def program(kind: str, wanted: int, strand_mm: float) -> Iterator[str]:
    """Lines of a program of about ``wanted`` extruding moves."""
    yield _HEAD
    made, layer = 0, 0
    while made < wanted:
        layer += 1
        lines = KINDS[kind](layer, strand_mm)
        if kind != "vase" or layer == 1:
            lines = [f"G0 Z{0.2 * layer:.3f} F7200", *lines]
        made += sum(line.startswith("G1 X") for line in lines)
        yield "\n".join(lines) + "\n"
    yield "M104 S0\n"


def plain(path: Path) -> tuple[int, float]:
    """Moves and extruded filament by regular expressions and numpy: reads, and judges nothing."""
    columns: list[list[float]] = []
    last = dict.fromkeys("XYZEF", 0.0)
    with path.open() as lines:
        for line in lines:
            if line.startswith(("G0", "G1")):
                last["E"] = 0.0
                for letter, number in _WORD.findall(line):
                    last[letter] = float(number)
                columns.append(list(last.values()))
    array = np.array(columns)
    return len(array), float(array[:, 3].sum())


def cpu() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


T = TypeVar("T")


@dataclass(frozen=True)
class Measured:
    """Of one program: moves, length of strands, MB, seconds of each step, growth of the peak, its audit."""

    moves: int
    strands_m: float
    size_mb: float
    seconds: tuple[float, float, float, float]
    grown_mb: float
    result: Audit


def timed(work: Callable[[], T], times: int) -> tuple[float, T]:
    """The least CPU time of some runs: others of this machine's tasks only add to it."""
    least, out = math.inf, None
    for _ in range(times):
        begin = cpu()
        out = work()
        least = min(least, cpu() - begin)
    assert out is not None
    return least, out


def measured(kind: str, wanted: int, strand_mm: float, times: int, folder: Path) -> Measured:
    process = load_process("pla-0.4")
    paths = []
    for name, moves_wanted in (("warm", 20_000), ("tenth", wanted // 10), ("whole", wanted)):
        paths.append(folder / f"{name}.gcode")
        with paths[-1].open("w") as out:
            out.writelines(program(kind, moves_wanted, strand_mm))
    warm, tenth, whole = paths
    audit(warm)
    audit(tenth)
    before = peak_mb()
    reading, count = timed(
        lambda: sum(len(rows) for rows, _ in moves(whole, process.filament_section_mm2)), times
    )
    surveying, found = timed(lambda: survey(whole, process), times)
    everything, result = timed(lambda: audit(whole), times)
    grown = peak_mb() - before
    plainly, _ = timed(lambda: plain(whole), 1)
    long = float(found.length_mm.sum()) / 1000
    seconds = reading, surveying, everything, plainly
    return Measured(count, long, whole.stat().st_size / 1e6, seconds, grown, result)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moves", type=int, default=1_000_000)
    parser.add_argument("--strand", type=float, default=0.8)
    parser.add_argument("--times", type=int, default=3, help="runs of each step; the least time counts")
    parser.add_argument("--quick", action="store_true", help="a tenth of the moves")
    arguments = parser.parse_args()
    arguments.moves //= 10 if arguments.quick else 1
    print(
        "| program | moves | MB | strands km | reading | + times, layers | whole audit | plain reader |",
        end="",
    )
    print(" µs a move | ns a mm | peak grew MB | findings | volume off |")
    print("|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|")
    for kind in KINDS:
        with tempfile.TemporaryDirectory() as folder:
            m = measured(kind, arguments.moves, arguments.strand, arguments.times, Path(folder))
        rates = " | ".join(f"{m.moves / s / 1e6:.2f}" for s in m.seconds)
        off = m.result.figures.rebuilt_mm3 / m.result.figures.pushed_mm3 - 1.0
        whole = m.seconds[2]
        print(
            f"| {kind} | {m.moves:,} | {m.size_mb:.0f} | {m.strands_m / 1000:.1f} | {rates} |"
            f" {1e6 * whole / m.moves:.2f} | {1e6 * whole / m.strands_m:.0f} | {m.grown_mb:.1f} |"
            f" {len(m.result.findings)} | {abs(off):.0e} |"
        )


if __name__ == "__main__":
    main()

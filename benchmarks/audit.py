"""Reading and judging a machine program, in one run with a plain reader of regular expressions and numpy.

    python benchmarks/audit.py [--moves 1000000] [--strand 0.8] [--quick]

The program is a round vessel with a wall of three lines and lines of fill across it, as a slicing program
would write it: most strands ``--strand`` mm long. Times are CPU time of this process (user + system), code
compiled beforehand by a small program. Memory is the peak growth of the process over that of a program a
tenth as long. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import math
import re
import resource
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from falsework.auditing import audit
from falsework.auditing.reading import moves
from falsework.auditing.survey import survey
from falsework.process import load_process
from falsework.process.derived import filament_section_mm2

_WORD = re.compile(r"([XYZEF])(-?[0-9.]+)")


def program(wanted: int, strand_mm: float, radius_mm: float = 40.0) -> Iterator[str]:
    """Lines of a program of about ``wanted`` extruding moves."""
    yield "M109 S210\nG28\nG21\nG90\nM83\nM106 S255\n"
    made, layer = 0, 0
    e_per_mm = (0.2 * 0.25 + math.pi / 4 * 0.04) / (math.pi / 4 * 1.75**2)
    while made < wanted:
        layer += 1
        lines = [f"G0 Z{0.2 * layer:.3f} F7200"]
        for wall in range(3):
            r = radius_mm - 0.225 - 0.45 * wall
            n = max(8, round(2 * math.pi * r / strand_mm))
            angle = np.linspace(0.0, 2 * math.pi, n + 1)
            x, y = 100 + r * np.cos(angle), 100 + r * np.sin(angle)
            e = e_per_mm * 2 * r * math.sin(math.pi / n)
            lines.append(f"G0 X{x[0]:.3f} Y{y[0]:.3f} F7200")
            lines.append("G1 F2700")
            lines += [f"G1 X{a:.3f} Y{b:.3f} E{e:.5f}" for a, b in zip(x[1:], y[1:], strict=True)]
            made += n
        r = radius_mm - 1.5
        for k, v in enumerate(np.arange(-r + 0.2, r, 3.0)):
            half = math.sqrt(r * r - v * v)
            ends = [(-half, v), (half, v)] if k % 2 else [(half, v), (-half, v)]
            if layer % 2:
                ends = [(b, a) for a, b in ends]
            (xa, ya), (xb, yb) = ends
            lines.append(f"G0 X{100 + xa:.3f} Y{100 + ya:.3f} F7200")
            lines.append(f"G1 X{100 + xb:.3f} Y{100 + yb:.3f} E{2 * half * e_per_mm:.5f} F3600")
            made += 1
        yield "\n".join(lines) + "\n"


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moves", type=int, default=1_000_000)
    parser.add_argument("--strand", type=float, default=0.8)
    parser.add_argument("--quick", action="store_true", help="a tenth of the moves")
    arguments = parser.parse_args()
    arguments.moves //= 10 if arguments.quick else 1
    process = load_process("pla-0.4")
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for name, wanted in (("warm", 20_000), ("tenth", arguments.moves // 10), ("whole", arguments.moves)):
            paths.append(Path(folder) / f"{name}.gcode")
            with paths[-1].open("w") as out:
                out.writelines(program(wanted, arguments.strand))
        warm, tenth, whole = paths
        audit(warm)
        audit(tenth)
        before = peak_mb()
        size = whole.stat().st_size / 1e6
        begin = cpu()
        count = sum(len(rows) for rows, _ in moves(whole, filament_section_mm2(process)))
        reading = cpu() - begin
        begin = cpu()
        survey(whole, process)
        surveying = cpu() - begin
        begin = cpu()
        result = audit(whole)
        everything = cpu() - begin
        grown = peak_mb() - before
        begin = cpu()
        plainly, _ = plain(whole)
        plain_s = cpu() - begin
    off = result.figures.rebuilt_mm3 / result.figures.pushed_mm3 - 1.0
    print(
        f"{count:,} moves ({result.figures.strands:,} strands), {size:.0f} MB; "
        f"peak memory grew by {grown:.1f} MB over a tenth of it; "
        f"{len(result.findings)} findings; volume rebuilt to {abs(off):.0e}\n"
    )
    print("| step | CPU s | M moves/s |")
    print("|---|---|---|")
    for name, n, seconds in (
        ("reading alone", count, reading),
        ("first pass: reading, times, layers", count, surveying),
        ("the whole audit, both passes", count, everything),
        ("regular expressions and numpy: reading alone", plainly, plain_s),
    ):
        print(f"| {name} | {seconds:.2f} | {n / seconds / 1e6:.2f} |")


if __name__ == "__main__":
    main()

"""The kernels for graphics processors as a profiler saw them, as a table.

    ncu --clock-control none --section SpeedOfLight --section WarpStateStats --section SchedulerStats \\
        --section Occupancy --section LaunchStats --section MemoryWorkloadAnalysis --csv --page raw \\
        python benchmarks/orientation_gpu.py --only profile > kernels.csv
    python benchmarks/profiled.py kernels.csv

Each kernel's last launch: by then everything is loaded. Reads the metrics' names as the profiler gives them;
what it did not measure is left out.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

KERNELS = ("place", "clear", "scan", "walk", "ridges", "bridges", "finish", "leans", "surfaces")
STALLED = "smsp__average_warps_issue_stalled_"
FIGURES = (
    ("ms", "gpu__time_duration.sum"),
    ("second-level cache %", "lts__throughput.avg.pct_of_peak_sustained_elapsed"),
    ("first-level %", "l1tex__throughput.avg.pct_of_peak_sustained_active"),
    ("memory %", "gpu__dram_throughput.avg.pct_of_peak_sustained_elapsed"),
    ("arithmetic %", "sm__throughput.avg.pct_of_peak_sustained_elapsed"),
    ("warps there %", "sm__warps_active.avg.pct_of_peak_sustained_active"),
    ("cycles that issue %", "smsp__issue_active.avg.pct_of_peak_sustained_active"),
    ("registers", "launch__registers_per_thread"),
)
MS = {"nsecond": 1e-6, "ns": 1e-6, "usecond": 1e-3, "us": 1e-3, "msecond": 1.0, "ms": 1.0}


def number(text: str) -> float | None:
    try:
        return float(text.replace(",", ""))
    except ValueError:
        return None


def read(path: Path) -> tuple[dict[str, dict[str, str]], dict[str, str]]:
    """The last launch of each kernel by its name, and the units."""
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.startswith('"')]
    units, *launches = csv.DictReader(lines)
    last: dict[str, dict[str, str]] = {}
    for launch in launches:
        last[launch["Kernel Name"].split("[")[0].split("(")[0]] = launch
    return last, units


def stalls(launch: dict[str, str]) -> str:
    """The three reasons for which warps wait most, as shares of all their cycles between two issues."""
    found = {}
    for name, text in launch.items():
        if name.startswith(STALLED) and name.endswith("_per_issue_active.ratio"):
            reason = name.removeprefix(STALLED).removesuffix("_per_issue_active.ratio")
            found[reason.replace("_", " ")] = number(text) or 0.0
    total = sum(found.values()) or 1.0
    most = sorted(found, key=lambda reason: -found[reason])[:3]
    return ", ".join(f"{reason} {found[reason] / total:.0%}" for reason in most) or "–"


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("file", type=Path)
    launches, units = read(words.parse_args().file)
    print("| kernel |", " | ".join(name for name, _ in FIGURES), "| warps wait for |")
    print("|---|" + "--:|" * len(FIGURES) + "---|")
    for kernel in KERNELS:
        if kernel not in launches:
            continue
        cells = []
        for name, metric in FIGURES:
            value = number(launches[kernel].get(metric, ""))
            if value is not None and name == "ms":
                value *= MS.get(units.get(metric, ""), 1.0)
            cells.append("–" if value is None else f"{value:.3f}" if name == "ms" else f"{value:.0f}")
        print(f"| {kernel} |", " | ".join(cells), f"| {stalls(launches[kernel])} |")


if __name__ == "__main__":
    main()

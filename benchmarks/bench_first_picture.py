"""From dropping a part to its picture, its undersides, its plan: time and CPU, against ``falsework inspect``.

Both start as a user has them: the bench is open and idle, the command is a fresh process. The bench's CPU
is that of the server and its workers, user and system, from the first byte of the file to the last one asked
for. Wall time counts on an idle machine only; the load is told beside it.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from bench.benches import Served, result, upload, wait
from falsework.files.stl import write_stl
from falsework.part.demo import gull

SHOWN = (
    ("the part's picture", "part", ("coarse.mesh", "part.mesh")),
    ("its undersides", "undersides", ("inspection.json", "undersides.mesh", "need.layers")),
    ("its plan, supports drawn", "supports", ("supports.json", "supports.mesh", "supports.layers")),
    ("how they come off", "release", ("plan.json", "words.json")),
)
_TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")
_RUN = "from falsework.cli import main; main()"


def _cpu_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * _TICK_S


def _inspected_s(path: Path) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-c", _RUN, "inspect", str(path), "--ledger", "none"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _shown(path: Path, folder: Path, workers: int) -> dict[str, tuple[float, float]]:
    """Wall and CPU seconds from the first byte sent, to each thing that is shown."""
    bench = Served(folder, "--workers", str(workers))
    try:
        client = bench.client
        time.sleep(4.0)  # the workers have loaded
        processes = [bench.process.pid, *bench.workers()]
        start, began = sum(map(_cpu_s, processes)), time.monotonic()
        sheet = upload(client, path.read_bytes(), path.name)["id"]
        took = {}
        for what, stage, names in SHOWN:
            key = wait(client, sheet, stage)["key"]
            for name in names:
                result(client, key, name)
            took[what] = time.monotonic() - began, sum(map(_cpu_s, processes)) - start
        return took
    finally:
        bench.stop()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="20,000 triangles")
    parser.add_argument("--triangles", type=int, default=200_000)
    parser.add_argument("--workers", type=int, default=1)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "gull.stl"
        part = gull(20_000 if told.quick else told.triangles)
        write_stl(path, part.vertices, part.faces, part.name)
        _inspected_s(path)  # compiled and in the file cache
        _shown(path, Path(name) / "warm", told.workers)
        command = min(_inspected_s(path) for _ in range(3))
        runs = [_shown(path, Path(name) / f"data{k}", told.workers) for k in range(3)]
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"\n{len(part.faces):,} triangles, {told.workers} workers, load of the machine {load}")
    print("\n| what | wall s, best of 3 | CPU s | of inspect |\n|---|---:|---:|---:|")
    print(f"| `falsework inspect` | | {command:.2f} | 1 |")
    for what, _, _ in SHOWN:
        wall, cpu = (min(one[what][k] for one in runs) for k in (0, 1))
        print(f"| {what} | {wall:.2f} | {cpu:.2f} | {cpu / command:.2f} |")


if __name__ == "__main__":
    main()

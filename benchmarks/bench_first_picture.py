"""CPU from dropping a part of 200 k triangles to its picture with undersides, against ``falsework inspect``.

Both start as a user has them: the bench is open and idle, the command is a fresh process. The bench's CPU
is that of the server and its workers, user and system, from the first byte of the file to the last picture.
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

TRIANGLES = 200_000
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


def _shown_s(path: Path, folder: Path) -> tuple[float, float, float]:
    """CPU to the part's picture, to that of its undersides, and the wall time to the first."""
    bench = Served(folder, "--workers", "1")
    try:
        client = bench.client
        time.sleep(4.0)  # the workers have loaded
        processes = [bench.process.pid, *bench.workers()]
        start, began = sum(map(_cpu_s, processes)), time.monotonic()
        sheet = upload(client, path.read_bytes(), path.name)["id"]
        key = wait(client, sheet, "part")["key"]
        result(client, key, "coarse.mesh")
        result(client, key, "part.mesh")
        wall, first = time.monotonic() - began, sum(map(_cpu_s, processes)) - start
        key = wait(client, sheet, "undersides")["key"]
        for name in ("inspection.json", "undersides.mesh", "need.layers"):
            result(client, key, name)
        return first, sum(map(_cpu_s, processes)) - start, wall
    finally:
        bench.stop()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="20,000 triangles")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "gull.stl"
        part = gull(20_000 if told.quick else TRIANGLES)
        write_stl(path, part.vertices, part.faces, part.name)
        _inspected_s(path)  # compiled and in the file cache
        _shown_s(path, Path(name) / "warm")
        command = min(_inspected_s(path) for _ in range(3))
        shown = [_shown_s(path, Path(name) / f"data{k}") for k in range(3)]
        first, whole = min(one[0] for one in shown), min(one[1] for one in shown)
        print(f"\n{len(part.faces):,} triangles\n\n| what | CPU s | of inspect |\n|---|---:|---:|")
        print(f"| `falsework inspect` | {command:.2f} | 1 |")
        print(f"| bench: the part's picture | {first:.2f} | {first / command:.2f} |")
        print(f"| bench: with its undersides | {whole:.2f} | {whole / command:.2f} |")
        print(f"\nThe first picture was there after {min(one[2] for one in shown):.1f} s.")


if __name__ == "__main__":
    main()

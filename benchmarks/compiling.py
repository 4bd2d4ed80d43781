"""What compiling the kernels costs, kernel by kernel: commands run one after another in a fresh cache.

    python benchmarks/compiling.py [--quick]

CPU seconds of each function's own compiling (what it calls is counted there) and of the command, the second
time from the cache. Prints Markdown tables; ``--quick`` compiles for a plan alone.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

LISTED = 25

WATCHED = """
import sys, time
from numba.core import event
own, stack = {}, []
class Clock(event.Listener):
    def on_start(self, event):
        stack.append([time.process_time(), 0.0])
    def on_end(self, event):
        start, within = stack.pop()
        spent = time.process_time() - start
        if stack:
            stack[-1][1] += spent
        name = event.data["dispatcher"].py_func
        name = name.__module__.removeprefix("falsework.kernels.") + "." + name.__name__
        seconds, times = own.get(name, (0.0, 0))
        own[name] = seconds + spent - within, times + 1
event.register("numba:compile", Clock())
from falsework.cli import main
try:
    main()
except SystemExit as end:
    if end.code not in (0, None):
        raise
with open("compiled.txt", "w") as f:
    for name, (seconds, times) in own.items():
        print(name, seconds, times, file=f)
    print("all", time.process_time(), 0, file=f)
"""


def run(folder: Path, *arguments: str) -> dict[str, tuple[float, int]]:
    """(CPU seconds, signatures) of each compiled function, and of the whole process under ``all``."""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "cache")}
    command = [sys.executable, "-c", WATCHED, *arguments]
    subprocess.run(
        command, cwd=folder, env=env, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    lines = (line.split() for line in (folder / "compiled.txt").read_text().splitlines())
    return {name: (float(seconds), int(times)) for name, seconds, times in lines}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    from falsework.files.stl import write_stl
    from falsework.part.demo import gull, lamp_bracket

    own: dict[str, tuple[float, int]] = {}
    print("| command, in this order | compiling, s | in all, s | from the cache, s |\n|---|---:|---:|---:|")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        part, small = gull(triangles=20_000), lamp_bracket()
        write_stl(folder / "gull.stl", part.vertices, part.faces, "gull")
        write_stl(folder / "bracket.stl", small.vertices, small.faces, "bracket")
        commands = [["plan", "gull.stl", "--out", "plan"]]
        if not quick:
            commands += [["lie", "gull.stl", "--out", "lie"], ["redraw", "bracket.stl", "--out", "redraw"]]
        for command in commands:
            cold, warm = run(folder, *command), run(folder, *command)
            whole = cold.pop("all")[0]
            total = sum(seconds for seconds, _ in cold.values())
            print(f"| `{command[0]}` | {total:.1f} | {whole:.1f} | {warm['all'][0]:.1f} |")
            for name, (seconds, times) in cold.items():
                before = own.get(name, (0.0, 0))
                own[name] = before[0] + seconds, before[1] + times
    print(f"\n| function, the {LISTED} costliest | s | signatures |\n|---|---:|---:|")
    for name, (seconds, times) in sorted(own.items(), key=lambda item: -item[1][0])[:LISTED]:
        print(f"| `{name}` | {seconds:.2f} | {times} |")
    rest = sorted(own.values(), reverse=True)[LISTED:]
    print(f"| {len(rest)} others | {sum(seconds for seconds, _ in rest):.2f} | {sum(n for _, n in rest)} |")


if __name__ == "__main__":
    main()

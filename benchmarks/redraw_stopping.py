"""How long a redraw is silent, and how soon it ends once it is told to stop.

    python benchmarks/redraw_stopping.py PART … [--stops 3] [--at-once N]

A row for each part: wall time of a redraw (no cuts), in a process of its own and as the command runs it;
the longest stretch without a word and the word before it; then, each in a new process, the seconds from
SIGINT, sent in the longest stretches, to the end of the process. Meshes are arguments: nothing is fetched.
Kernels must be compiled.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from side_by_side import answered

SECOND_S = 1.0  # what is asked: no longer from the request to the end
# The command, but for what it writes: a line on stdout for each word of progress.
COMMAND = """
import sys
from dataclasses import replace
from falsework.cli.session import stoppable
from falsework.redrawing import redraw
with stoppable() as session, session.progress() as watch:
    told = replace(watch, tell=lambda step, _: print(step, flush=True))
    redraw(sys.argv[1], split=False, cores=1, watch=told)
"""


@dataclass(frozen=True)
class Heard:
    """When each word came, s after the first, and the words; seconds from SIGINT to the end, where it was
    sent."""

    at_s: tuple[float, ...]
    words: tuple[str, ...]
    ended_s: float = 0.0

    def silences(self) -> list[tuple[float, int]]:
        """Seconds after each word, and its number; longest first."""
        after = [(b - a, k) for k, (a, b) in enumerate(zip(self.at_s, self.at_s[1:], strict=False))]
        return sorted(after, reverse=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="+", type=Path)
    parser.add_argument("--stops", type=int, default=3)
    parser.add_argument("--at-once", type=int, default=1, metavar="N")
    asked = parser.parse_args()
    print(f"| part | wall s | silent s | after | {' | '.join(['ended s'] * asked.stops)} |")
    print(f"|---|---:|---:|---|{'---:|' * asked.stops}", flush=True)
    tasks = [(path, asked.stops) for path in asked.parts]
    late = 0
    for (path, _), done in answered(report, tasks, asked.at_once):
        if isinstance(done, Exception):
            print(f"| {path.name} | {done} |", flush=True)
            continue
        line, worst_s = done
        late += worst_s > SECOND_S
        print(line, flush=True)
    print(f"{late} of {len(asked.parts)} took longer than {SECOND_S:.0f} s to end")


def report(path: Path, stops: int) -> tuple[str, float]:
    """The row of a part, and its slowest end."""
    whole = heard(path)
    silences = whole.silences()
    (silent_s, k), wall_s = silences[0], whole.at_s[-1]
    ends = [heard(path, number).ended_s for _, number in silences[:stops]]
    cells = [path.name, f"{wall_s:.1f}", f"{silent_s:.2f}", whole.words[k], *(f"{end:.2f}" for end in ends)]
    return f"| {' | '.join(cells)} |", max(ends)


def heard(path: Path, stop_after: int | None = None) -> Heard:
    """What a redraw says, stopped right after a word by its number."""
    told: Sequence[str] = (sys.executable, "-c", COMMAND, str(path))
    at, words, sent = [], [], 0.0
    with subprocess.Popen(told, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            at.append(time.monotonic())
            words.append(line.strip())
            if stop_after is not None and len(words) == stop_after + 1:
                process.send_signal(signal.SIGINT)
                sent = time.monotonic()
        process.wait()
        ended_s = time.monotonic() - sent if sent else 0.0
    if stop_after is None and process.returncode != 0:
        raise RuntimeError(f"ended with {process.returncode}")
    return Heard(tuple(t - at[0] for t in at), tuple(words), ended_s)


if __name__ == "__main__":
    main()

"""Faults of a screening: processes killed, a full disk, hostile files. Has every part exactly one row?

    python benchmarks/screen_faults.py [--quick] [--parts 500] [--kills 50,5,1]

One catalogue is screened into one folder by the command itself, given again as often as it ends too early,
while at random moments workers, clients and the process that holds the scheduler are killed (SIGKILL). The
folder lies on a disk of 64 MB (where one may be mounted) that is filled to the last byte once, and made room
on after the command said so. In between lie files that are no parts. Asked at the end: has every part exactly
one row, are all failures named, and did any part fail that another run does not refuse? Parts are those of
``screen.py``.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from falsework.screening.dataset import all_rows
from falsework.screening.row import rows_of
from screen import catalogue, left_s, section, usable, warm

DISK_MB, MOST_RUNS = 64, 40
PATIENCE_S, GAP_S, LIFE_S = (
    5.0,
    (0.1, 1.0),
    9.0,
)  # before the first blow, between two, of a client that is killed


def hostile(folder: Path) -> list[Path]:
    """Files that are no parts, or none that can be read."""
    folder.mkdir()
    (folder / "text.stl").write_text("no part at all")
    (folder / "empty.3mf").write_bytes(b"")
    (folder / "cut.stl").write_bytes(b"x" * 80 + b"\xff\xff\xff\x7f" + b"y" * 500)
    (folder / "noise.obj").write_bytes(random.Random(7).randbytes(5_000))
    (folder / "all.zip").write_bytes(b"PK")
    (folder / "loop.stl").symlink_to(folder / "loop.stl")
    (folder / "away.stl").symlink_to("/nowhere.stl")
    (folder / "folder.stl").mkdir()
    os.mkfifo(folder / "pipe.stl")
    return sorted(folder.iterdir())


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[bool]:
    """A file system of few bytes at a folder; whether there is one."""
    folder.mkdir()
    size = f"size={DISK_MB}m"
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", size, "none", folder], capture_output=True)
    try:
        yield made.returncode == 0
    finally:
        if made.returncode == 0:
            subprocess.run(["umount", "-l", folder], check=False)


@dataclass
class Campaign:
    """What is still to be done to the runs of one command, and what came of it."""

    left: dict[str, int]
    disk: Path | None
    pace: float = 1.0  # of a slow machine: more
    dice: random.Random = field(default_factory=lambda: random.Random(3))
    done: Counter[str] = field(default_factory=Counter)
    said: Counter[str] = field(default_factory=Counter)

    @property
    def filler(self) -> Path:
        assert self.disk is not None
        return self.disk / "filler"

    def over(self) -> bool:
        return not any(self.left.values()) and self.disk is None

    def strike(self, client: psutil.Process, since: float) -> None:
        """One blow, if it is time for one."""
        busy, hosts = forked(client)
        kills = self.left
        if kills["worker"] and busy:
            self._kill("worker", self.dice.choice(busy))
        halfway = kills["worker"] <= self.done["worker"]
        if halfway and kills["host"] and hosts:
            self._kill("host", hosts[0])
        elif halfway and self.disk is not None and not self.filler.exists():
            self._fill()
        elif kills["client"] and time.monotonic() - since > LIFE_S * self.pace:
            self._kill("client", client)

    def _kill(self, kind: str, process: psutil.Process) -> None:
        with contextlib.suppress(psutil.Error):
            if process.status() == psutil.STATUS_ZOMBIE:  # it was over already
                return
            process.kill()
            self.left[kind] -= 1
            self.done[kind] += 1

    def _fill(self) -> None:
        with contextlib.suppress(OSError), open(self.filler, "wb", buffering=0) as filler:
            while True:
                filler.write(b"x" * 4096)

    def ended(self, code: int, said: str) -> None:
        """A run is over: what it said is counted, and a full disk is made room on."""
        if code == 0:
            return
        self.said["killed" if code == -signal.SIGKILL else f"{code}: {said.strip()[-300:]}"] += 1
        if self.disk is not None and self.filler.exists():
            self.filler.unlink()
            self.disk = None
            self.done["full disk"] += 1


def forked(root: psutil.Process) -> tuple[list[psutil.Process], list[psutil.Process]]:
    """Workers and hosts beneath a process."""
    found = []
    with contextlib.suppress(psutil.Error):
        for process in root.children(recursive=True):
            with contextlib.suppress(psutil.Error):
                found.append((process, " ".join(process.cmdline()), process.ppid()))
    servers = {p.pid for p, line, _ in found if "multiprocessing.forkserver" in line}
    workers = [p for p, line, above in found if "multiprocessing.forkserver" in line and above in servers]
    return workers, [p for p, line, _ in found if "screening.host" in line]


def run(command: list[str], campaign: Campaign) -> bool:
    """One run of the command under blows; whether it came to its end."""
    began = time.monotonic()
    with tempfile.TemporaryFile("w+") as said:
        client = subprocess.Popen(command, stdout=said, stderr=said)
        here = psutil.Process(client.pid)
        until = time.monotonic() + PATIENCE_S * campaign.pace
        while client.poll() is None:
            time.sleep(campaign.pace * campaign.dice.uniform(*GAP_S))
            if time.monotonic() > until:
                campaign.strike(here, began)
        said.seek(0)
        campaign.ended(client.returncode, said.read())
    return client.returncode == 0


def failures(out: Path) -> dict[str, tuple[str, str]]:
    return {row.file: (row.fault, row.why) for row in rows_of(all_rows(out)) if row.state == "failed"}


def faults(folder: Path, parts: int, workers: int, kills: tuple[int, int, int], pace: float) -> None:
    """``kills``: of workers, of clients, of the process that holds the scheduler."""
    warm("plan")
    path, bad = catalogue(folder, parts), hostile(folder / "hostile")
    lines = path.read_text("utf-8").splitlines(keepends=True)
    for one in bad:
        lines.insert(1 + len(lines) * (bad.index(one) + 1) // (len(bad) + 2), f'"{one}"\n')
    path.write_text("".join(lines), "utf-8")
    expected, began, runs = parts + len(bad), time.monotonic(), 0
    with small_disk(folder / "disk") as mounted:
        out = folder / "disk" / "out"
        command = [sys.executable, "-m", "falsework", "screen", os.fspath(path), "--out", os.fspath(out)]
        command += ["--ledger", "none", "--json", "--workers", str(workers), "--limit-s", "200"]
        left = dict(zip(("worker", "client", "host"), kills, strict=True))
        campaign = Campaign(left, folder / "disk" if mounted else None, pace)
        whole = False
        while not whole and runs < MOST_RUNS and left_s() > 30.0:
            runs += 1
            whole = run(command, campaign)
        took = time.monotonic() - began
        told(out, expected, campaign, f"{runs} runs, {took:.0f} s, the last {'whole' if whole else 'CUT'}")
        innocent = set(failures(out)) - {os.fspath(one) for one in bad}
        if innocent and left_s() > 60.0:
            subprocess.run([*command, "--again"], capture_output=True)
            still = set(failures(out)) - {os.fspath(one) for one in bad}
            print(
                f"\nof {len(innocent)} that failed without being hostile, --again left {len(still)}",
                flush=True,
            )


def told(out: Path, expected: int, campaign: Campaign, runs: str) -> None:
    rows = rows_of(all_rows(out))
    each = Counter((row.entry, row.process) for row in rows)
    failed = failures(out)
    print(f"\n## Faults: {expected} parts, some of them none, depth plan; {runs}\n")
    print("done to it: " + ", ".join(f"{count} × {kind}" for kind, count in campaign.done.items()))
    print(f"not come to: {json.dumps(campaign.left)}{'' if campaign.disk is None else ', the full disk'}\n")
    for words, count in campaign.said.most_common():
        print(f"- ended {count} × {words}")
    print("\n| parts | rows | parts with one row | failed | with a sentence | by kind |")
    print("|---|---|---|---|---|---|")
    kinds = ", ".join(f"{n} {kind}" for kind, n in Counter(fault for fault, _ in failed.values()).items())
    print(
        f"| {expected} | {len(rows)} | {sum(n == 1 for n in each.values())} | {len(failed)} "
        f"| {sum(bool(why) for _, why in failed.values())} | {kinds} |\n"
    )
    for file, (fault, why) in sorted(failed.items()):
        print(f"- {Path(file).name} ({fault}): {why}", flush=True)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--parts", type=int, default=0)
    asked.add_argument("--kills", default="", help="of workers, of clients, of hosts of the scheduler")
    asked.add_argument(
        "--pace", type=float, default=1.0, help="of all that is done to it; a slow machine: more"
    )
    given = asked.parse_args()
    workers, clients, hosts = map(int, (given.kills or ("3,1,1" if given.quick else "50,5,1")).split(","))
    with section("faults") as here:
        faults(
            here,
            given.parts or (24 if given.quick else 500),
            min(usable(), 8),
            (workers, clients, hosts),
            given.pace,
        )


if __name__ == "__main__":
    main()

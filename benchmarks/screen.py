"""A catalogue: scaling, overhead, many rows, faults and a slow store.

    python benchmarks/screen.py [--quick] [--only scaling,overhead,rows,page,faults,cents,store,lies]
        [--parts 500]

1. The same parts on 1, 2, 4 … workers of one machine: wall time, efficiency, and whether the rows are equal.
2. What a part takes more than in a plain loop over the same calls, at depth look and at plans of a second.
3. Many small parts: how fast, and whether client and scheduler hold more memory with more rows; and a table
   of a hundred thousand replayed rows: kept, asked, its page opened, filtered and sorted.
4. Workers, clients and the cluster's own process killed at random moments, hostile files in between: every
   part must have one row, and every failure its sentence.
5. The real parts once more, each planned by itself: the same figures, to the last bit?
6. A store that answers after 100 ms and fails once in a hundred, against the same files on the disk.
7. Depth look with positions (not run unless asked for): what the processor and a graphics processor find.

Parts are those of the folder ``MESHES`` that a second or so plans, and generated ones: brackets, tables and
boxes of random sizes. Prints Markdown tables; wall times, for that is what many workers save.
"""

from __future__ import annotations

import argparse
import dataclasses
import http.server
import json
import multiprocessing
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import psutil

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "tests"))

from falsework.layers.overlay import own_cores
from falsework.part.stl import RECORD
from falsework.request.marks import Marks
from falsework.screening import Cluster, Screening, Terms
from falsework.screening.asking import Question, answered
from falsework.screening.dataset import Dataset, all_rows
from falsework.screening.index import write_index
from falsework.screening.listing import SUFFIXES
from falsework.screening.row import NOT_COMPARED, Row, rows_of
from falsework.screening.running import named_processes
from falsework.screening.terms import NamedProcess
from falsework.screening.work import Briefing, ScreenJob, screened
from solids import box, merged

MOST_BYTES = 1_500_000  # of a real part: those that a second or so plans
DELAY_S, FAILING = 0.1, 0.01


def tee(dice: random.Random) -> tuple[np.ndarray, np.ndarray]:
    """A post with an arm to one side or to both: asks for support or for none, and no two are alike."""
    high, arm = dice.uniform(8, 22), dice.uniform(1, 22)
    post = box(np.array([6.0, 6.0, high]), np.zeros(3))
    way = dice.choice((-1.0, 0.0, 1.0))
    wide = np.array([6.0 + arm, 6.0, 3.0])
    top = box(wide, np.array([0.0 if way > 0 else -arm if way < 0 else -arm / 2, 0.0, high - 1.0]))
    return merged(post, top)


def stl(corners: np.ndarray) -> bytes:
    """Binary STL of triangles (m, 3, 3), without waiting for the disk."""
    records = np.zeros(len(corners), RECORD)
    records["corners"] = corners
    return b"made here".ljust(80) + struct.pack("<I", len(corners)) + records.tobytes()


def written(folder: Path, count: int, seed: int = 1, small: bool = False) -> Path:
    """So many generated parts; ``small``: boxes that are looked at in a moment."""
    dice = random.Random(seed)
    for k in range(count):
        place = folder / f"{k // 1000:03d}" / f"part {k:06d}.stl"
        if small:
            sizes = np.array([dice.uniform(2, 6) for _ in range(3)])
            vertices, faces = box(sizes, np.zeros(3))
        else:
            vertices, faces = tee(dice)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(stl(vertices[faces]))
    return folder


def usable() -> int:
    """Cores that a batch leaves to this program, or all there are."""
    return int(os.environ.get("CORES", own_cores()))


def real_parts() -> list[Path]:
    folder = os.environ.get("MESHES", "")
    found = sorted(Path(folder).iterdir()) if folder else []
    return [p for p in found if p.suffix.lower() in SUFFIXES and p.stat().st_size <= MOST_BYTES]


def catalogue(folder: Path, count: int) -> tuple[str, ...]:
    real = real_parts()[: count // 2]
    generated = written(folder, count - len(real))
    return (*map(os.fspath, real), os.fspath(generated))


def screening(paths: tuple[str, ...], workers: int, **terms: object) -> Screening:
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    return Screening(paths, named, Terms(**terms), Cluster(workers=workers))  # type: ignore[arg-type]


def figures(rows: list[Row]) -> list[str]:
    kept = [{k: v for k, v in dataclasses.asdict(row).items() if k not in NOT_COMPARED} for row in rows]
    return sorted(json.dumps(row, sort_keys=True) for row in kept)


def scaling(folder: Path, parts: int, quick: bool) -> None:
    paths = catalogue(folder / "parts", parts)
    counts = [n for n in ((1, 2) if quick else (8, 1, 2, 4, 16)) if n <= usable()] or [1]
    print(f"\n## Scaling: {parts} parts, {len(paths) - 1} of them real, depth plan\n")
    print("| workers | wall s | of these, start | work s | efficiency | rows equal | failed |")
    print("|---|---|---|---|---|---|---|", flush=True)
    took: dict[int, float] = {}
    reference: list[str] | None = None
    for count in counts:
        began = time.monotonic()
        first, rows = 0.0, []
        for row in screening(paths, count, limit_s=200.0).rows(folder / f"out-{count}"):
            first = first or time.monotonic() - began
            rows.append(row)
        took[count] = time.monotonic() - began
        equal = reference is None or figures(rows) == reference
        reference = reference or figures(rows)
        worked = sum(row.seconds or 0.0 for row in rows)
        share = f"{took[1] / (count * took[count]):.3f}" if 1 in took else "–"
        busy = worked / (count * took[count])
        failed = sum(row.state == "failed" for row in rows)
        print(
            f"| {count} | {took[count]:.1f} | {first:.1f} | {worked:.1f} | {share} (busy {busy:.3f}) "
            f"| {'yes' if equal else 'NO'} | {failed} |",
            flush=True,
        )
    if 8 in took and 1 in took:
        print(f"\n1 → 8 workers: efficiency {took[1] / (8 * took[8]):.3f} (0.85 is asked for)", flush=True)


def positions(folder: Path, parts: int, cores: int) -> None:
    """The same parts with their positions on 1 and on all cores, by both kinds of processor."""
    paths = catalogue(folder / "parts", parts)
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    terms = Terms(depth="look", lies=True, pictures=False, limit_s=300.0)
    print(f"\n## Positions: {parts} parts, {len(paths) - 1} of them real, depth look\n")
    print("| device | workers | wall s | of these, to the first row | work s | parts a second | counted by |")
    print("|---|---|---|---|---|---|---|", flush=True)
    found: dict[str, dict[str, Row]] = {}
    for device, workers in (("gpu", cores), ("gpu", cores), ("gpu", 1), ("cpu", cores)):
        began = time.monotonic()
        first, rows = 0.0, []
        asked = Screening(paths, named, terms, Cluster(workers=workers, device=device))
        for row in asked.rows():
            first = first or time.monotonic() - began
            rows.append(row)
        took = time.monotonic() - began
        worked = sum(row.seconds or 0.0 for row in rows)
        by = dict(Counter(row.device or row.state for row in rows))
        rate = (len(rows) - 1) / max(took - first, 1e-9)
        print(
            f"| {device} | {workers} | {took:.1f} | {first:.1f} | {worked:.1f} | {rate:.1f} | {by} |",
            flush=True,
        )
        found[device] = {row.file: row for row in rows}
    here, there = found["cpu"], found["gpu"]
    both = [(here[file], there[file]) for file in here if here[file].turned_total is not None]
    off = {
        a.name: b.turned_total / max(a.turned_total, 1e-9) - 1.0
        for a, b in both
        if b.turned_total is not None
    }
    same = sum(a.turn == b.turn for a, b in both)
    near = sum(abs(share) < 2e-3 for share in off.values())
    print(
        f"\n{same} of {len(both)} have the same position, {near} the same total within 0.2 %. Farthest apart:"
    )
    for name in sorted(off, key=lambda name: -abs(off[name]))[:8]:
        print(f"{name} {off[name]:+.2%}")
    others = [
        (a.name, column)
        for a, b in ((here[file], there[file]) for file in here)
        for column, value in dataclasses.asdict(a).items()
        if not column.startswith("turn") and column not in NOT_COMPARED and value != getattr(b, column)
    ]
    print(f"Other columns that differ: {others[:8] or 'none'}")


def plain_loop(paths: list[Path], **terms: object) -> float:
    """Seconds of the same calls one after another, in this process."""
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    briefing = Briefing(Terms(**terms), named)  # type: ignore[arg-type]
    jobs = []
    for path in paths:
        told = path.stat()
        stamp = told.st_size, told.st_mtime_ns
        jobs.append(ScreenJob(os.fsencode(path), path.name, "", stamp, None, Marks(), (0,)))
    screened(jobs[0], briefing)
    began = time.perf_counter()
    for job in jobs:
        screened(job, briefing)
    return time.perf_counter() - began


def overhead(folder: Path, quick: bool) -> None:
    print("\n## Overhead over the same calls in a plain loop, one worker\n")
    print("| depth | parts | loop ms a part | screened ms a part | more, ms | share |")
    print("|---|---|---|---|---|---|", flush=True)
    real = [p for p in real_parts() if p.stat().st_size > 100_000][: 3 if quick else 14]
    look = sorted(written(folder / "look", 60 if quick else 400).rglob("*.stl"))
    for depth, paths in (("look", look), ("plan", real)):
        if not paths:
            continue
        loop = plain_loop(paths, depth=depth) / len(paths)
        one = screening(tuple(map(os.fspath, paths)), 1, depth=depth, limit_s=300.0)
        times = [time.perf_counter() for _ in one.rows(folder / f"over-{depth}")]
        skipped = 5 if depth == "look" else 0
        if depth == "look":
            each = (times[-1] - times[skipped]) / (len(times) - 1 - skipped)
        else:  # parts differ: what the worker was not at work between the first row and the last
            rows = rows_of(all_rows(folder / f"over-{depth}"))
            idle = (times[-1] - times[0]) - sum(row.seconds or 0.0 for row in rows if row.made) + 0.0
            first = next(row.seconds for row in rows if row.seconds)
            each = loop + max(0.0, idle + (first or 0.0)) / len(paths)
        print(
            f"| {depth} | {len(paths)} | {1e3 * loop:.1f} | {1e3 * each:.1f} | {1e3 * (each - loop):.1f} "
            f"| {each / loop - 1:.1%} |",
            flush=True,
        )


def rows_many(folder: Path, count: int, workers: int, budget_s: float) -> None:
    began = time.monotonic()
    paths = (os.fspath(written(folder / "small", count, small=True)),)
    print(f"\n## Many rows: {count} boxes, depth look, {workers} workers", flush=True)
    print(f"\n{count} files written in {time.monotonic() - began:.0f} s\n")
    print("CPU of client and of scheduler with nannies, each for one part of the stretch.\n")
    print("| rows | s | rows a second | client MB, CPU ms | scheduler MB, CPU ms | work ms |")
    print("|---|---|---|---|---|---|", flush=True)
    me, began = psutil.Process(), time.monotonic()
    one = screening(paths, workers, depth="look", pictures=False)
    step, mark = max(count // 8, 1), time.monotonic()
    before, work = (cpu_s(me), 0.0), 0.0
    for done, row in enumerate(one.rows(folder / "many"), 1):
        work += row.seconds or 0.0
        if done % step == 0:
            now = time.monotonic()
            (host,) = (p for p in me.children() if "screening.host" in " ".join(p.cmdline()))
            after = cpu_s(me), cpu_s(host)
            each = [1e3 * (b - a) / step for a, b in zip(before, after, strict=True)]
            print(
                f"| {done} | {now - began:.0f} | {step / (now - mark):.0f} "
                f"| {me.memory_info().rss / 1e6:.0f}, {each[0]:.1f} "
                f"| {host.memory_info().rss / 1e6:.0f}, {each[1]:.1f} | {1e3 * work / step:.1f} |",
                flush=True,
            )
            mark, before, work = now, after, 0.0
            if now - began > budget_s:
                print(f"\nstopped after {budget_s:.0f} s", flush=True)
                break


def cpu_s(process: psutil.Process) -> float:
    used = process.cpu_times()
    return float(used.user + used.system)


def replayed(folder: Path, count: int) -> None:
    """A table of rows that were never worked on: what it takes to keep, to ask and to look at."""
    dice = random.Random(4)
    print(f"\n## A table of {count} replayed rows\n", flush=True)
    me, began = psutil.Process(), time.process_time()
    with Dataset(folder / "table") as data:
        data.describe({"version": "0", "paths": ["replayed"], "depth": "plan", "finish_mm": None})
        for k in range(count):
            part_g, support_g = dice.lognormvariate(3, 1), dice.choice((0.0, dice.lognormvariate(1.5, 1.2)))
            state = dice.choices(("ready", "not ready", "failed"), (93, 6, 1))[0]
            file = f"shelf {k % 300:03d}/part {k}.stl"
            row = Row(file=file, name=f"part {k}", process="pla-0.4", state=state, wanted=1 + k % 5)
            took = {"part_s": 250 * part_g, "support_s": 200 * support_g, "sag_mm": dice.random()}
            prices = {"price": 0.05 * (part_g + support_g), "loss": 0.35 * support_g, "total": 0.1 * part_g}
            more = {"part_g": part_g, "support_g": support_g, **took, **prices}
            told = {"why": f"part {k} falls over.", "entry": f"{k:024x}", "key": f"{k:032x}"}
            data.add(dataclasses.replace(row, **more, **told))
        data.commit()
    each, held = 1e3 * (time.process_time() - began) / count, me.memory_info().rss / 1e6
    print(f"kept: {each:.2f} CPU ms a row; client {held:.0f} MB")
    began = time.process_time()
    with Dataset(folder / "table") as data:
        found = len(data)
    print(f"opened again, {found} rows: {time.process_time() - began:.1f} CPU s")
    began = time.process_time()
    page = write_index(folder / "table")
    print(
        f"index.html: {page.stat().st_size / 1e6:.1f} MB, written in {time.process_time() - began:.1f} CPU s"
    )
    began = time.process_time()
    fits = answered(folder / "table", Question("support_g > part_g", ("-price",))).count
    print(f"asked, {fits} rows fit: {time.process_time() - began:.2f} CPU s", flush=True)
    looked_at(page)


def looked_at(page: Path) -> None:
    """In a browser, where there is one: wall seconds until it is there, and of what is asked of it."""
    chromium = Path("/usr/bin/chromium")
    if not chromium.exists():
        return
    from playwright.sync_api import sync_playwright

    ask = (
        "(t) => { const box = document.getElementById('find'); box.value = t;"
        " const began = performance.now(); box.dispatchEvent(new Event('input'));"
        " return performance.now() - began; }"
    )
    press = (
        "(k) => { const began = performance.now(); document.querySelectorAll('#head button')[k].click();"
        " return performance.now() - began; }"
    )
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=os.fspath(chromium), args=["--no-sandbox"])
        opened = []
        for _ in range(3):
            shown = browser.new_page(viewport={"width": 1400, "height": 900})
            began = time.monotonic()
            shown.goto(page.as_uri())
            shown.wait_for_selector("html[data-ready]")
            opened.append(time.monotonic() - began)
        shown.wait_for_timeout(3000)
        asked = [shown.evaluate(ask, text) for text in ("part 7", "part 77", "falls", "nothing at all", "")]
        sorts = [shown.evaluate(press, k) for k in range(1, 12)]
        browser.close()
    print(f"opened in {', '.join(f'{s:.2f}' for s in sorted(opened))} s")
    print(f"filtered in {', '.join(f'{ms:.0f}' for ms in sorted(asked))} ms")
    print(f"sorted in {', '.join(f'{ms:.0f}' for ms in sorted(sorts))} ms", flush=True)


def forked(root: psutil.Process) -> tuple[list[psutil.Process], list[psutil.Process]]:
    """Workers and hosts beneath a process."""
    found = []
    for process in root.children(recursive=True):
        try:
            found.append((process, " ".join(process.cmdline()), process.ppid()))
        except psutil.Error:
            continue
    servers = {p.pid for p, line, _ in found if "multiprocessing.forkserver" in line}
    workers = [p for p, line, above in found if "multiprocessing.forkserver" in line and above in servers]
    return workers, [p for p, line, _ in found if "screening.host" in line]


def faults(folder: Path, parts: int, workers: int, kills: tuple[int, int, int]) -> None:
    """``kills``: of workers, of clients, of the process that holds the scheduler."""
    paths = catalogue(folder / "faulty", parts)
    store = Path(paths[-1])
    (store / "text.stl").write_text("no part at all")
    (store / "empty.3mf").write_bytes(b"")
    (store / "cut.stl").write_bytes(b"x" * 80 + b"\xff\xff\xff\x7f" + b"y" * 500)
    (store / "all.zip").write_bytes(b"PK")
    (store / "loop").symlink_to(store)
    os.mkfifo(store / "pipe.stl")
    (store / "away.stl").symlink_to("/nowhere.stl")
    expected = parts + 6
    out = folder / "fault-out"
    command = [
        sys.executable,
        "-m",
        "falsework",
        "screen",
        *paths,
        "--out",
        os.fspath(out),
        "--ledger",
        "none",
    ]
    command += ["--json", "--workers", str(workers), "--limit-s", "200"]
    dice = random.Random(3)
    left = {"worker": kills[0], "client": kills[1], "host": kills[2]}
    runs, began = 0, time.monotonic()
    while True:
        runs += 1
        client = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        here = psutil.Process(client.pid)
        time.sleep(4.0)
        until = time.monotonic() + 9.0
        while client.poll() is None:
            time.sleep(dice.uniform(0.05, 0.5))
            try:
                busy, hosts = forked(here)
            except psutil.Error:
                break
            if left["worker"] and busy:
                kill(dice.choice(busy))
                left["worker"] -= 1
            if left["host"] and hosts and left["worker"] < kills[0] // 2:
                kill(hosts[0])
                left["host"] -= 1
            if left["client"] and time.monotonic() > until:
                client.send_signal(signal.SIGKILL)
                left["client"] -= 1
        said = client.communicate()
        if client.returncode == 0:
            break
        if client.returncode not in (-signal.SIGKILL, 0):
            print(f"client ended with {client.returncode}: {(said[0] + said[1])[-500:]}", flush=True)
            if runs > 12:
                break
    rows = rows_of(all_rows(out))
    each = Counter((row.entry, row.process) for row in rows)
    failed = [row for row in rows if row.state == "failed"]
    done = {name: kills[k] - left[name] for k, name in enumerate(left)}
    print(f"\n## Faults: {parts} parts and 6 that are none, {workers} workers, depth plan\n")
    print(
        f"killed: {done['worker']} workers, {done['client']} clients, {done['host']} hosts of the scheduler"
    )
    print(f"runs: {runs}, {time.monotonic() - began:.0f} s\n")
    print("| parts | rows | parts with one row | failed | failed with a sentence | by kind |")
    print("|---|---|---|---|---|---|")
    kinds = ", ".join(f"{n} {kind}" for kind, n in Counter(row.fault for row in failed).items())
    print(
        f"| {expected} | {len(rows)} | {sum(n == 1 for n in each.values())} | {len(failed)} "
        f"| {sum(bool(row.why) for row in failed)} | {kinds} |",
        flush=True,
    )


def kill(process: psutil.Process) -> None:
    try:
        process.kill()
    except psutil.Error:
        return


def planned_alone(path: str) -> tuple[float, ...] | str:
    import falsework

    try:
        plan = falsework.plan(path, "pla-0.4", release=False, cores=1)
    except falsework.FalseworkError as error:
        return str(error)
    both = plan.part_cost + plan.support_cost
    return both.price, plan.price.total, plan.support_cost.mass_g, both.time_s, float(len(plan.pieces))


def cents(folder: Path, most: int, workers: int) -> None:
    real = sorted(real_parts(), key=lambda path: path.stat().st_size)[:most]
    one = screening(tuple(map(os.fspath, real)), workers, depth="plan", limit_s=300.0)
    rows = {row.file: row for row in one.rows(folder / "cents")}
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        alone = dict(zip(map(os.fspath, real), pool.map(planned_alone, map(os.fspath, real)), strict=True))
    worst, refused = 0.0, 0
    for file, told in alone.items():
        row = rows[file]
        if isinstance(told, str):
            refused += row.state == "failed" and row.why == told
            continue
        ours = row.price, row.total, row.support_g, (row.part_s or 0) + (row.support_s or 0), row.pieces
        worst = max(worst, *(abs((a or 0.0) - b) for a, b in zip(ours, told, strict=True)))
    asked = sum(isinstance(told, str) for told in alone.values())
    print(f"\n## Figures against single plans: {len(real)} real parts\n")
    print(f"worst difference of price, total, grams, seconds and pieces: {worst:g}")
    print(
        f"refused alone: {asked}, of these refused by the same sentence in the table: {refused}", flush=True
    )


class Slow(http.server.SimpleHTTPRequestHandler):
    """Files after a while, and now and then none."""

    dice = random.Random(5)
    asked = 0

    def do_GET(self) -> None:
        time.sleep(DELAY_S)
        Slow.asked += 1
        if Slow.dice.random() < FAILING:
            self.send_error(503)
            return
        super().do_GET()

    def do_HEAD(self) -> None:
        time.sleep(DELAY_S)
        super().do_HEAD()

    def log_message(self, *_: object) -> None:
        pass


def slow_store(folder: Path, count: int, workers: int) -> None:
    files = sorted(written(folder / "served", count, seed=9).rglob("*.stl"))
    home = folder / "served"
    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), lambda *rest: Slow(*rest, directory=os.fspath(home))
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    base = f"http://127.0.0.1:{server.server_port}"
    orders = folder / "orders.csv"
    lines = [f"{base}/{path.relative_to(home).as_posix().replace(' ', '%20')}" for path in files]
    orders.write_text("path\n" + "\n".join(lines) + "\n")
    asks = f"{DELAY_S * 1e3:.0f} ms and {FAILING:.0%} errors"
    print(f"\n## A slow store: {count} parts, {asks}, {workers} workers\n")
    print("| from | first row s | all s | rows | failed |")
    print("|---|---|---|---|---|", flush=True)
    for name, path in (("disk", home), ("store", orders)):
        began, first, rows = time.monotonic(), 0.0, []
        one = screening((os.fspath(path),), workers, depth="look")
        for row in one.rows(folder / f"store-{name}"):
            first = first or time.monotonic() - began
            rows.append(row)
        failed = sum(row.state == "failed" for row in rows)
        print(
            f"| {name} | {first:.1f} | {time.monotonic() - began:.1f} | {len(rows)} | {failed} |", flush=True
        )
    print(f"\nthe store was asked {Slow.asked} times")
    server.shutdown()


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--only", default="scaling,overhead,rows,page,faults,cents,store")
    asked.add_argument("--parts", type=int, default=0)
    asked.add_argument("--rows", type=int, default=0)
    asked.add_argument("--kills", default="50,5,1", help="of workers, of clients, of hosts of the scheduler")
    asked.add_argument("--budget-s", type=float, default=250.0)
    told = asked.parse_args()
    quick, cores = told.quick, usable()
    parts = told.parts or (24 if quick else 500)
    with tempfile.TemporaryDirectory(prefix="falsework-screen-") as name:
        folder = Path(name)
        for which in told.only.split(","):
            here = folder / which
            here.mkdir()
            if which == "scaling":
                scaling(here, parts, quick)
            elif which == "overhead":
                overhead(here, quick)
            elif which == "rows":
                rows_many(here, told.rows or (200 if quick else 100_000), min(cores, 16), told.budget_s)
            elif which == "faults":
                workers, clients, hosts = map(int, ("3,1,1" if quick else told.kills).split(","))
                faults(here, parts, min(cores, 8), (workers, clients, hosts))
            elif which == "page":
                replayed(here, told.rows or (2_000 if quick else 100_000))
            elif which == "cents":
                cents(here, 3 if quick else 100, min(cores, 16))
            elif which == "lies":
                positions(here, parts, cores)
            elif which == "store":
                slow_store(here, 30 if quick else 400, min(cores, 8))


if __name__ == "__main__":
    main()

"""A catalogue: scaling, overhead, many rows, cost by size and a slow store.

    python benchmarks/screen.py [--quick] [--only scaling,overhead,rows,page,cents,cost,store,lies]
        [--parts 500]

1. The same parts on 8, 1, 4, 2 workers of one machine: wall time, efficiency, and whether the rows are equal;
   beside them as many plain processes that make the same calls, which is all that the machine gives.
2. What a part takes more than in a plain loop over the same calls, at depth look and at plans of a second.
3. Many small parts: how fast, and whether client and scheduler hold more memory with more rows; and a table
   of a hundred thousand replayed rows: kept, asked, its page opened, filtered and sorted.
4. The real parts screened at once, and each planned by itself meanwhile: the same figures, to the last bit?
5. What a part takes by its size, at each depth.
6. A store that answers after 100 ms and fails once in a hundred, against the same files on the disk.
7. Depth look with positions (not run unless asked for): what the processor and a graphics processor find.

Parts are those of the folder ``MESHES`` that a second or so plans, in several sizes, and generated
ones: posts with arms, boxes. Prints Markdown tables as they come; where ``OUTJ`` names a folder, each section
lies there as well. Wall times, for that is what many workers save; no stretch is begun that would not end
within ``LIMIT`` seconds. Faults are those of ``screen_faults.py``.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import hashlib
import json
import multiprocessing
import os
import random
import struct
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import psutil

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "tests"))

import falsework
from falsework.cores import own_cores
from falsework.orientation.room import room_for
from falsework.part import place, read_part
from falsework.part.stl import RECORD
from falsework.planning.calls import inspect, totals
from falsework.request.marks import Marks
from falsework.screening import Cluster, Screening, Terms
from falsework.screening.asking import Question, answered
from falsework.screening.dataset import Dataset
from falsework.screening.index import write_index
from falsework.screening.listing import SUFFIXES
from falsework.screening.row import FAILED, NOT_COMPARED, Row
from falsework.screening.running import named_processes
from falsework.screening.terms import Depth, NamedProcess
from falsework.screening.work import Briefing, ScreenJob, loaded, screened
from solids import box, merged

MOST_BYTES = 1_500_000  # of a real part: those that a second or so plans
SLOW = ("airplane", "cycloidal_inch", "demosthenes_bust", "heartgears", "offset1", "regr01")  # over 5 s
SIZES = (1.1, 1.05, 0.95, 0.9, 0.85, 0.8, 0.75, 0.7)  # of real parts, beside their own
DELAY_S, FAILING = 0.1, 0.01
BEGAN = time.monotonic()
TRIANGLES = (0, 1_000, 10_000, 100_000, 1 << 62)  # bounds of the table of cost


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


def left_s() -> float:
    """Seconds until this program should be at its end."""
    return float(os.environ.get("LIMIT", "inf")) - 15.0 - (time.monotonic() - BEGAN)


def real_parts(most_bytes: int = MOST_BYTES) -> list[Path]:
    folder = os.environ.get("MESHES", "")
    found = sorted(Path(folder).iterdir()) if folder else []
    return [p for p in found if p.suffix.lower() in SUFFIXES and p.stat().st_size <= most_bytes]


def planned_within(folder: Path, limit_s: float) -> dict[Path, float]:
    """Real parts that are planned in so many seconds, and what they took; said, which were not."""
    quick, found = [one for one in real_parts() if one.stem not in SLOW], {}
    if not quick:
        return {}
    path = listed_in(folder / "real.csv", quick)
    for row in screening(path, usable(), limit_s=limit_s).rows(folder / "real"):
        if row.pieces is not None:  # neither failed nor too large to be planned
            found[Path(row.file)] = row.seconds or 0.0
    left = sorted(one.name for one in set(real_parts()) - set(found))
    told = ", ".join(left) or "none"
    print(f"\n{len(found)} real parts take {sum(found.values()):.0f} s; not planned in {limit_s:g} s: {told}")
    return dict(sorted(found.items()))


def sized(folder: Path, path: Path, sizes: Sequence[float]) -> list[Path]:
    """Parts made of a real one by other sizes."""
    part, found = read_part(path), []
    for size in sizes:
        place = folder / f"{path.stem} {size:g}.stl"
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(stl(size * part.vertices[part.faces]))
        found.append(place)
    return found


def catalogue(folder: Path, count: int, sizes: Sequence[float] = SIZES) -> Path:
    """A list of so many parts in no order, half of it at most of real ones, as they are and in other sizes,
    the rest generated; the same each time. One that lies there already is taken."""
    path = folder / "parts.csv"
    if path.exists():
        return path
    real = [path for path in real_parts() if path.stem not in SLOW and path.suffix not in (".step", ".stp")]
    found = [*real, *(one for path in real for one in sized(folder / "sized", path, sizes))][: count // 2]
    made = sorted(written(folder / "made", count - len(found)).rglob("*.stl"))
    return listed_in(path, shuffled([*found, *made]))


def shuffled(paths: list[Path]) -> list[Path]:
    return random.Random(2).sample(paths, len(paths))


def listed_in(path: Path, parts: Sequence[object]) -> Path:
    path.write_text("path\n" + "".join(f'"{part}"\n' for part in parts), "utf-8")
    return path


def screening(path: Path, workers: int, **terms: object) -> Screening:
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    return Screening((os.fspath(path),), named, Terms(**terms), Cluster(workers=workers))  # type: ignore[arg-type]


def figures(rows: list[Row]) -> list[str]:
    """All that rows say but for where their files lay."""
    left = (*NOT_COMPARED, "file", "entry", "copy_of")
    kept = [{k: v for k, v in dataclasses.asdict(row).items() if k not in left} for row in rows]
    return sorted(json.dumps(row, sort_keys=True) for row in kept)


def warm(depth: str) -> None:
    """Compile what a depth needs before anything is measured."""
    began = time.process_time()
    loaded(Depth(depth))
    print(f"\nkernels of depth {depth} had after {time.process_time() - began:.0f} CPU s", flush=True)


def machine() -> str:
    """What this machine is, and how many of its cores are halves of one."""
    model = next((line.split(":")[1].strip() for line in _lines("/proc/cpuinfo", "model name")), "unknown")
    ours = os.sched_getaffinity(0)
    halves = {
        tuple(_lines(f"/sys/devices/system/cpu/cpu{core}/topology/thread_siblings_list")) for core in ours
    }
    return f"{model}, {psutil.cpu_count()} threads; ours {sorted(ours)}, on {len(halves)} cores"


def _lines(path: str, start: str = "") -> list[str]:
    with contextlib.suppress(OSError):
        return [line for line in Path(path).read_text().splitlines() if line.startswith(start)]
    return []


def jobs_of(paths: list[Path]) -> list[ScreenJob]:
    jobs = []
    for path in paths:
        told = path.stat()
        stamp = told.st_size, told.st_mtime_ns
        jobs.append(ScreenJob(os.fsencode(path), path.name, "", stamp, None, Marks(), (0,)))
    return jobs


def briefed(depth: str) -> Briefing:
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    return Briefing(Terms(depth=Depth(depth), limit_s=300.0), named)


def plain_processes(paths: list[Path], count: int, depth: str) -> float:
    """Wall seconds of the same calls in so many processes without any engine, kernels loaded before."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(count, initializer=loaded, initargs=(Depth(depth),)) as pool:
        pool.map(time.sleep, [1.0] * count, chunksize=1)
        began = time.monotonic()
        for _ in pool.imap_unordered(partial(screened, briefing=briefed(depth)), jobs_of(paths)):
            pass
        return time.monotonic() - began


def scaling(folder: Path, parts: int, counts: list[int]) -> None:
    warm("plan")
    path = catalogue(folder, parts)
    files = [Path(line.strip('"')) for line in path.read_text("utf-8").splitlines()[1:]]
    real = parts - sum("made" in file.parts for file in files)
    print(f"\n## Scaling: {parts} parts, {real} of them real, depth plan, in no order\n")
    print(machine())
    print("\n| workers | wall s | of these, first row | work s | busy | slowest s | failed | rows |")
    print("|---|---|---|---|---|---|---|---|", flush=True)
    took: dict[int, float] = {}
    worked = 0.0
    for count in [n for n in counts if n <= usable()] or [1]:
        if 1.1 * worked / count + 15.0 > left_s():
            print(f"| {count} | left out: {left_s():.0f} s are left |", flush=True)
            continue
        first, rows = 0.0, []
        with tempfile.TemporaryDirectory() as out:
            began = time.monotonic()
            for row in screening(path, count, limit_s=200.0).rows(out):
                first = first or time.monotonic() - began
                rows.append(row)
            took[count] = time.monotonic() - began
        seconds = [row.seconds or 0.0 for row in rows]
        worked, failed = sum(seconds), sum(row.state == FAILED for row in rows)
        same = hashlib.sha256("\n".join(figures(rows)).encode()).hexdigest()[:16]
        busy = worked / (count * took[count])
        print(
            f"| {count} | {took[count]:.1f} | {first:.1f} | {worked:.1f} | {busy:.3f} "
            f"| {max(seconds):.1f} | {failed} | {len(rows)}, {same} |",
            flush=True,
        )
    print()
    for count in took if 1 in took else ():
        if count > 1:
            told = took[1] / (count * took[count])
            print(f"1 → {count} workers: efficiency {told:.3f} by wall, from start to page", flush=True)
    most = max(counts)
    if 1.1 * worked / most + 30.0 < left_s():
        alone = plain_processes(files, most, "plan")
        print(f"\nThe same calls in {most} plain processes: {alone:.1f} s", flush=True)


def positions(folder: Path, parts: int, cores: int) -> None:
    """The same parts with their positions, lightest real ones, by both kinds of processor."""
    warm("look")
    light = sorted((path for path in real_parts() if path.stem not in SLOW), key=lambda p: p.stat().st_size)
    real = [path for path in light if path.suffix not in (".step", ".stp")][: parts // 2]
    made = sorted(written(folder / "made", parts - len(real)).rglob("*.stl"))
    path = listed_in(folder / "parts.csv", [*made, *real])
    named = tuple(NamedProcess(*one) for one in named_processes(["pla-0.4"]))
    terms = Terms(depth="look", lies=True, pictures=False, limit_s=300.0)
    print(f"\n## Positions: {parts} parts, {len(real)} of them real, depth look\n")
    print("| device | workers | wall s | of these, to the first row | work s | parts a second | counted by |")
    print("|---|---|---|---|---|---|---|", flush=True)
    found: dict[str, dict[str, Row]] = {}
    for device in ("gpu", "cpu"):
        began = time.monotonic()
        first, rows = 0.0, []
        asked = Screening((os.fspath(path),), named, terms, Cluster(workers=cores, device=device))
        for row in asked.rows():
            first = first or time.monotonic() - began
            rows.append(row)
            if time.monotonic() - began > left_s() - 20.0:
                break
        took = time.monotonic() - began
        worked = sum(row.seconds or 0.0 for row in rows)
        by = dict(Counter(row.device or f"{row.state}: {row.why}" for row in rows))
        rate = (len(rows) - 1) / max(took - first, 1e-9)
        print(
            f"| {device} | {cores} | {took:.1f} | {first:.1f} | {worked:.1f} | {rate:.1f} | {by} |",
            flush=True,
        )
        found[device] = {row.file: row for row in rows}
    here, there = found["cpu"], found["gpu"]
    shared = [(here[file], there[file]) for file in here if file in there]
    both = [(a, b) for a, b in shared if a.turned_total is not None]
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
        for a, b in shared
        for column, value in dataclasses.asdict(a).items()
        if not column.startswith("turn") and column not in NOT_COMPARED and value != getattr(b, column)
    ]
    print(f"Other columns that differ: {others[:8] or 'none'}")


def looped(call: Callable[[Path], object], paths: list[Path]) -> dict[Path, float]:
    """Wall seconds of a call for each, one after another."""
    took = {}
    for path in paths:
        began = time.perf_counter()
        call(path)
        took[path] = time.perf_counter() - began
    return took


def looked_at_alone(path: Path) -> None:
    part = read_part(path)
    inspect(part, cores=1)
    totals(part, cores=1)


def overhead(folder: Path, quick: bool) -> None:
    """One worker, from the first row to the last; beside it the loop before and after, and the loop of what a
    worker calls, which draws the small picture as well."""
    look = sorted(written(folder / "look", 60 if quick else 200).rglob("*.stl"))
    warm("plan")
    lasting = {path for path, took in planned_within(folder, 6.0).items() if took >= (0.3 if quick else 1.0)}
    heavy = sorted(lasting)[: 3 if quick else 12]
    loops = {"look": looked_at_alone, "plan": partial(falsework.plan, release=False, cores=1)}
    print("\n## Overhead over a plain loop of the same calls, one worker, wall\n")
    print("ms for each part but the first that was done\n")
    print("| depth | parts | plain loop, twice | with its picture | screened | more | share |")
    print("|---|---|---|---|---|---|---|", flush=True)
    for depth, paths in (("plan", heavy), ("look", look)):
        call, own = loops[depth], partial(screened, briefing=briefed(depth))
        if len(paths) < 2:
            continue
        looped(call, paths[:1])
        before = looped(call, paths)
        drawn = looped(lambda path, own=own: own(jobs_of([path])[0]), paths)
        one = screening(listed_in(folder / f"{depth}.csv", paths), 1, depth=depth, limit_s=300.0)
        rows, times = zip(
            *((row, time.perf_counter()) for row in one.rows(folder / f"{depth} out")), strict=True
        )
        after = looped(call, paths)
        counted = [Path(row.file) for row in rows[1:]]
        told = [1e3 * np.mean([loop[path] for path in counted]) for loop in (before, after, drawn)]
        plain, ours = (told[0] + told[1]) / 2, 1e3 * (times[-1] - times[0]) / len(counted)
        print(
            f"| {depth} | {len(counted)} | {told[0]:.1f}, {told[1]:.1f} | {told[2]:.1f} | {ours:.1f} "
            f"| {ours - plain:.1f} | {ours / plain - 1:.1%} |",
            flush=True,
        )


REPLAYED = """
from falsework.screening import work

right, known = work._worked, []

def worked(job, path, briefing):
    if not known:
        known.append(right(job, path, briefing))
    return known[0]

work._worked = worked
"""
"""Put into every interpreter that starts: the figures of a worker's first part are those of all others."""


def replaying(folder: Path) -> None:
    """From now on, workers replay their first part, with all that is around it."""
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(REPLAYED)
    os.environ["PYTHONPATH"] = os.pathsep.join([os.fspath(folder), os.environ.get("PYTHONPATH", "")])


def rows_many(folder: Path, count: int, workers: int, budget_s: float, replay: bool) -> None:
    began = time.monotonic()
    path = written(folder / "small", count, small=True)
    if replay:
        replaying(folder / "site")
    how = "replayed" if replay else "depth look"
    print(f"\n## Many rows: {count} boxes, {how}, {workers} workers", flush=True)
    print(f"\n{count} files written in {time.monotonic() - began:.0f} s\n")
    print("CPU of client and of scheduler with nannies, each for one part of the stretch.\n")
    print("| rows | s | rows a second | client MB, CPU ms | scheduler MB, CPU ms | work ms |")
    print("|---|---|---|---|---|---|", flush=True)
    me, began = psutil.Process(), time.monotonic()
    one = screening(path, workers, depth="look", pictures=False)
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


def planned_alone(path: str) -> tuple[float, ...] | str:
    """Price, total, grams of support, seconds, pieces; of what does not fit the printer, by columns."""
    try:
        part, process = read_part(path), falsework.load_process("pla-0.4")
        if room_for(place(part, bed_mm=falsework.Wish(process).bed_mm), process) is not None:
            found = totals(part, process, cores=1)
            chosen = found.alternatives[-1]
            both = found.part_cost + chosen.cost
            return both.price, chosen.price.total, chosen.cost.mass_g, both.time_s, 0.0
        plan = falsework.plan(path, process, release=False, cores=1)
    except Exception as error:  # also a fault of falsework's own, which a row tells
        return str(error)
    both = plan.part_cost + plan.support_cost
    return both.price, plan.price.total, plan.support_cost.mass_g, both.time_s, float(len(plan.pieces))


def said_of(row: Row) -> tuple[float, ...] | str:
    """The same of a row."""
    if row.state == FAILED:
        return row.why or ""
    seconds = (row.part_s or 0.0) + (row.support_s or 0.0)
    return row.price or 0.0, row.total or 0.0, row.support_g or 0.0, seconds, float(row.pieces or 0)


def cents(folder: Path, most: int, workers: int) -> None:
    """Every real part screened at once, and each planned by itself meanwhile; who is not done is counted."""
    warm("plan")
    real = sorted(real_parts(1 << 62), key=lambda path: -path.stat().st_size)[-most:]
    files, rows, same, worst, refused = list(map(os.fspath, real)), {}, 0, 0.0, 0
    half, began = max(1, workers // 2), time.monotonic()
    with multiprocessing.get_context("spawn").Pool(half) as pool:
        alone = {file: pool.apply_async(planned_alone, (file,)) for file in files}
        one = screening(listed_in(folder / "some.csv", real), half, depth="plan", limit_s=400.0)
        for row in one.rows(folder / "cents"):
            rows[row.file] = row
            if left_s() < 10.0:
                break
        took = time.monotonic() - began
        print(f"\n## Figures against single plans: {len(real)} real parts, {half} workers, {took:.0f} s\n")
        print("| part | triangles | price alone | price screened | greatest difference of five figures | s |")
        print("|---|---|---|---|---|---|", flush=True)
        done = []
        for file in (file for file in files if file in rows):
            with contextlib.suppress(multiprocessing.TimeoutError):
                done.append((rows[file], alone[file].get(timeout=max(0.01, left_s() - 5.0))))
        for row, told in done:
            ours, name = said_of(row), Path(row.file).name
            same += ours == told
            if isinstance(told, str) or isinstance(ours, str):
                refused += ours == told
                print(f"| {name} | | | | {told if ours == told else (told, ours)} | |", flush=True)
                continue
            off = max(abs(a - b) for a, b in zip(ours, told, strict=True))
            worst = max(worst, off)
            cells = row.triangles, f"{told[0]:.4f}", f"{ours[0]:.4f}", f"{off:g}", f"{row.seconds or 0.0:.1f}"
            print("|", " | ".join(map(str, (name, *cells))), "|", flush=True)
    alike = f"{same} the same to the last bit, {refused} of these refused by the same sentence"
    print(f"\n{len(done)} of {len(real)} parts compared: {alike}")
    print(f"worst difference of price, total, grams, seconds and pieces: {worst:g}", flush=True)


def cost(folder: Path, workers: int, quick: bool) -> None:
    """Seconds of work by the size of a part; who is not done by the end is left out, and counted."""
    real = sorted(real_parts(1 << 62), key=lambda path: path.stat().st_size)[: 4 if quick else None]
    made = sorted(written(folder / "made", 4 if quick else 40).rglob("*.stl"))
    path = listed_in(folder / "parts.csv", shuffled([*made, *real]))
    print(f"\n## Cost by size: {len(real)} real parts and {len(made)} generated ones, {workers} workers\n")
    print("| depth | triangles | parts | median s | mean s | worst s |")
    print("|---|---|---|---|---|---|", flush=True)
    for depth, share in (("look", 0.3), ("plan", 0.5), ("full", 1.0)):
        warm(depth)
        until = time.monotonic() + share * left_s()
        rows = []
        for row in screening(path, workers, depth=depth, limit_s=600.0).rows(folder / depth):
            rows.append(row)
            if time.monotonic() > until:
                break
        for low, high in pairwise(TRIANGLES):
            took = [row.seconds or 0.0 for row in rows if low <= (row.triangles or -1) < high]
            if took:
                told = f"{np.median(took):.2f} | {np.mean(took):.2f} | {max(took):.2f}"
                print(f"| {depth} | {low} to {high if high < 1 << 60 else ''} | {len(took)} | {told} |")
        print(f"| {depth} | failed | {sum(row.state == 'failed' for row in rows)} | | | |")
        print(f"| {depth} | not done in time | {len(real) + len(made) - len(rows)} | | | |", flush=True)


SERVER = """
import http.server, os, random, sys, time

class Slow(http.server.SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    dice = random.Random(5)

    def do_GET(self):
        time.sleep(float(sys.argv[2]))
        if Slow.dice.random() < float(sys.argv[3]):
            print("failed", file=sys.stderr, flush=True)
            self.send_error(503)
        else:
            print("gave", file=sys.stderr, flush=True)
            super().do_GET()

    def log_message(self, *_):
        pass

os.chdir(sys.argv[1])
with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Slow) as server:
    print(server.server_port, flush=True)
    server.serve_forever()
"""
"""Gives files after a while, and now and then none; a process of its own, told of on stderr."""


def slow_store(folder: Path, count: int, workers: int) -> None:
    home = written(folder / "served", count, seed=9)
    files = sorted(home.rglob("*.stl"))
    asks = f"{DELAY_S * 1e3:.0f} ms and {FAILING:.0%} errors"
    print(f"\n## A slow store: {count} parts, {asks}, {workers} workers\n")
    print("| depth | from | first row s | all s | from first to last s | rows | failed | asked, refused |")
    print("|---|---|---|---|---|---|---|---|", flush=True)
    log = folder / "asked"
    command = [sys.executable, "-c", SERVER, os.fspath(home), str(DELAY_S), str(FAILING)]
    with open(log, "wb") as told, subprocess.Popen(command, stdout=subprocess.PIPE, stderr=told) as server:
        assert server.stdout is not None
        base = f"http://127.0.0.1:{int(server.stdout.readline())}"
        served = [f"{base}/{path.relative_to(home).as_posix().replace(' ', '%20')}" for path in files]
        for depth in ("plan", "look"):
            loaded(Depth(depth))
            for name, parts in (("disk", files), ("store", served)):
                log.write_bytes(b"")
                path = listed_in(folder / f"{name}.csv", parts)
                began, times, rows = time.monotonic(), [], []
                for row in screening(path, workers, depth=depth).rows(folder / f"{depth}-{name}"):
                    times.append(time.monotonic() - began)
                    rows.append(row)
                all_s = time.monotonic() - began
                failed = sum(row.state == FAILED for row in rows)
                asked = log.read_bytes().replace(b"\0", b"").split()
                print(
                    f"| {depth} | {name} | {times[0]:.1f} | {all_s:.1f} | {times[-1] - times[0]:.1f} "
                    f"| {len(rows)} | {failed} | {len(asked)}, {asked.count(b'failed')} |",
                    flush=True,
                )
        server.kill()


class Tee:
    """Standard output that lies in a file as well."""

    def __init__(self, path: Path) -> None:
        self._both = sys.stdout, open(path, "a", encoding="utf-8")  # noqa: SIM115 - as long as the section

    def write(self, text: str) -> int:
        return max(one.write(text) for one in self._both)

    def flush(self) -> None:
        for one in self._both:
            one.flush()


@contextlib.contextmanager
def section(name: str) -> Iterator[Path]:
    """A folder for a section's files; what it prints is kept where ``OUTJ`` says."""
    with tempfile.TemporaryDirectory(prefix=f"falsework-{name}-") as folder, contextlib.ExitStack() as kept:
        if os.environ.get("OUTJ"):
            tee = Tee(Path(os.environ["OUTJ"]) / f"screen-{name}.md")
            kept.enter_context(contextlib.redirect_stdout(tee))  # type: ignore[type-var]
        yield Path(folder)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--only", default="scaling,overhead,rows,page,cents,cost,store")
    asked.add_argument("--parts", type=int, default=0)
    asked.add_argument("--rows", type=int, default=0)
    asked.add_argument("--workers", default="8,1,4,2", help="of scaling, one after another")
    asked.add_argument("--folder", default="", help="of scaling's catalogue, to be used again")
    asked.add_argument("--replay", action="store_true", help="many rows without the work")
    asked.add_argument("--budget-s", type=float, default=300.0, help="of many rows")
    told = asked.parse_args()
    quick, cores = told.quick, usable()
    for which in told.only.split(","):
        with section(which) as here:
            if which == "scaling":
                place = Path(told.folder) if told.folder else here
                scaling(place, told.parts or (24 if quick else 500), list(map(int, told.workers.split(","))))
            elif which == "overhead":
                overhead(here, quick)
            elif which == "rows":
                rows_many(
                    here, told.rows or (200 if quick else 100_000), min(cores, 16), told.budget_s, told.replay
                )
            elif which == "page":
                replayed(here, told.rows or (2_000 if quick else 100_000))
            elif which == "cents":
                cents(here, 3 if quick else 100, min(cores, 16))
            elif which == "cost":
                cost(here, min(cores, 16), quick)
            elif which == "lies":
                positions(here, told.parts or (24 if quick else 500), cores)
            elif which == "store":
                slow_store(here, told.parts or (30 if quick else 1_500), min(cores, 8))


if __name__ == "__main__":
    main()

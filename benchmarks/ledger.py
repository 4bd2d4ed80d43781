"""The ledger's cost and its safety, beside plain SQLite in one run.

    python benchmarks/ledger.py [--quick] [--only plan|record|batches|import|several|killed]

1. What ``plan`` reads of a ledger (its last fit, the digest of its readings) with 0, 50 and 10,000 readings
   in it, as a share of planning a demo part. 2. Recording and reading back against the bound: the same values
   in one plain table without checks, history or indices; batch after batch of one day, which may not take
   longer the more there is; 100,000 in one import. 3. Several processes writing at once, and writers killed
   at random moments: what was told to be recorded must be there, whole trays only, the file sound.
   Prints Markdown tables; times are CPU seconds, waiting for the disk left out, but for 3.
"""

from __future__ import annotations

import argparse
import datetime
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from falsework.coupon.reading import Condition, ConditionKind, LetGo, Reading
from falsework.ledger import Entry, Ledger
from falsework.ledger.values import READ, reading_row
from falsework.process.settings import Material, Printer

DAY = datetime.date(2024, 5, 17)
FIT = "0" * 100_000  # about what a fit of a few materials takes

WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from ledger import entries
from falsework.ledger import Ledger
mine, times, size = sys.argv[3], int(sys.argv[4]), int(sys.argv[5])
ledger = Ledger.open(Path(sys.argv[2]))
for k in range(times):
    numbers = ledger.add_many(entries(size, f"{mine} {k}"))
    print(*numbers, "done", flush=True)
"""


def entries(count: int, name: str = "") -> list[Entry]:
    """Readings of one printer, no two alike; with ``name`` each is of a cell."""
    dice = random.Random(count)
    made = []
    for k in range(count):
        tried = Condition(
            *(ConditionKind.SUPPORT, 0.4, 0.2, 0.45, 210.0, 1.0, 30.0),
            span_mm=20.0 + 0.001 * k,
            air_gap_mm=0.2 * dice.randint(1, 5),
            interface_layers=dice.randint(0, 3),
            spacing_mm=2.0,
            weave="parallel",
        )
        seen = Reading(
            "mole", "PLA", tried, dice.choice(list(LetGo)), dice.randint(1, 5), round(dice.random() / 5, 2)
        )
        made.append(Entry(seen, cell=f"{name} {k}" if name else None, measured_on=DAY))
    return made


def fresh(folder: Path, name: str) -> Ledger:
    ledger = Ledger.open(folder / f"{name}.sqlite3")
    ledger.add_printer(Printer("mole"))
    ledger.add_material(Material())
    return ledger


def timed(work: Callable[[], object], times: int = 1) -> float:
    """CPU seconds (user + system) of one call, the least of several."""
    best = float("inf")
    for _ in range(times):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def read_by_plan(path: Path) -> None:
    ledger = Ledger.existing(path)
    assert ledger is not None and ledger.fit() is not None
    ledger.readings_digest()


def what_plan_reads(folder: Path, quick: bool) -> None:
    from falsework.part.demo import demo_parts
    from falsework.planning import plan

    part = next(iter(demo_parts().values()))()
    plan(part)
    planning = timed(lambda: plan(part), 1 if quick else 3)
    print(f"\nPlanning '{part.name}' ({len(part.faces):,} triangles): {planning:.3f} CPU s\n")
    print("| readings | MB | opened, fit and digest read, ms | share of planning |\n|---:|---:|---:|---:|")
    for count in (0, 50, 10_000):
        ledger = fresh(folder, f"read-{count}")
        ledger.add_many(entries(count))
        ledger.save_fit(FIT, ledger.readings_digest())
        taken = timed(lambda path=ledger.path: read_by_plan(path), 50)
        size = ledger.path.stat().st_size / 1e6
        print(f"| {count} | {size:.1f} | {1e3 * taken:.2f} | {taken / planning:.2%} |", flush=True)


def recording(folder: Path, quick: bool) -> None:
    count, singles = (2_000, 20) if quick else (10_000, 100)
    many, ledger = entries(count), fresh(folder, "many")
    plain = sqlite3.connect(folder / "plain.sqlite3", isolation_level=None)
    plain.execute("PRAGMA journal_mode = WAL")
    plain.execute("PRAGMA synchronous = FULL")
    plain.execute(f"CREATE TABLE version ({', '.join(READ)})")
    insert = f"INSERT INTO version VALUES ({', '.join('?' for _ in READ)})"
    rows = [reading_row(entry.reading) for entry in many]

    def at_once() -> None:
        plain.execute("BEGIN")
        plain.executemany(insert, rows)
        plain.execute("COMMIT")

    def one_by_one() -> None:
        for row in rows[:singles]:
            plain.execute(insert, row)

    lone = fresh(folder, "lone")
    table = [
        (f"{count:,} at once", timed(lambda: ledger.add_many(many)), timed(at_once)),
        (
            f"{singles} one by one",
            timed(lambda: [lone.add_many([entry]) for entry in many[:singles]]),
            timed(one_by_one),
        ),
        (
            f"{count:,} read back",
            timed(ledger.readings, 3),
            timed(lambda: plain.execute("SELECT * FROM version LIMIT ?", (count,)).fetchall(), 3),
        ),
    ]
    text = ledger.export_json()
    other = Ledger.open(folder / "other.sqlite3")
    print("\n| what | ours, CPU s | plain table, CPU s | × |\n|---|---:|---:|---:|")
    for what, ours, bound in table:
        print(f"| {what} | {ours:.3f} | {bound:.3f} | {ours / bound:.1f} |")
    print(f"| export as JSON, {len(text) / 1e6:.1f} MB | {timed(ledger.export_json):.3f} | – | – |")
    print(f"| import of it | {timed(lambda: other.import_json(text)):.3f} | – | – |")
    print(f"| backup, checked | {timed(lambda: backed_up(ledger, folder)):.3f} | – | – |", flush=True)
    assert other.export_json() == text
    plain.close()


def backed_up(ledger: Ledger, folder: Path) -> None:
    ledger.check()
    ledger.backup(folder / "backup.sqlite3")


def writer(path: Path, name: str, times: int, size: int) -> subprocess.Popen[str]:
    here = str(Path(__file__).parent)
    command = [sys.executable, "-c", WRITER, here, str(path), name, str(times), str(size)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def told(out: str) -> list[int]:
    """Numbers of the readings that a writer said it had recorded, whole lines only."""
    lines = [line for line in out.splitlines() if line.endswith("done")]
    return [int(number) for line in lines for number in line.split()[:-1]]


def several_at_once(folder: Path, quick: bool) -> None:
    times = 25 if quick else 200
    print("\n| processes | trays of 5 | lost | trays a second |\n|---:|---:|---:|---:|")
    for processes in (1, 2, 4):
        ledger = fresh(folder, f"several-{processes}")
        begin = time.perf_counter()
        running = [writer(ledger.path, f"{k}", times, 5) for k in range(processes)]
        numbers = [n for process in running for n in told(process.communicate()[0])]
        taken = time.perf_counter() - begin
        ledger.check()
        lost = len(numbers) - len(ledger.readings())
        assert len(set(numbers)) == processes * times * 5
        print(f"| {processes} | {processes * times} | {lost} | {processes * times / taken:.0f} |", flush=True)


def killed(folder: Path, quick: bool) -> None:
    kills = 10 if quick else 100
    dice = random.Random(7)
    ledger = fresh(folder, "killed")
    seen: set[int] = set()
    torn = unsound = 0
    for k in range(kills):
        process = writer(ledger.path, f"run {k}", 1_000_000, 5)
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(0.05 * dice.random())
        process.send_signal(signal.SIGKILL)
        seen |= set(told(first + process.communicate()[0]))
        try:
            ledger.check()
        except Exception as error:
            unsound += 1
            print(error)
        torn += len(ledger.readings()) % 5 != 0
    there = {recorded.id for recorded in ledger.readings()}
    print("\n| kills | readings told | lost | torn trays | files unsound |\n|---:|---:|---:|---:|---:|")
    print(f"| {kills} | {len(seen)} | {len(seen - there)} | {torn} | {unsound} |", flush=True)


def named(sort: str, ledger: Ledger, batch: int, size: int) -> list[Entry]:
    """A batch of readings of one day: of no cell, of cells without a print, or of prints' cells."""
    made = entries(size * (batch + 1))[-size:]
    if sort == "of cells":
        return [replace(entry, cell=f"a{size * batch + k}") for k, entry in enumerate(made)]
    if sort == "of prints":
        prints = [ledger.add_print("mole", "PLA", printed_on=DAY) for _ in range(0, size, 7)]
        return [replace(e, cell=f"a{k % 7}", print_id=prints[k // 7]) for k, e in enumerate(made)]
    return made


def batches(folder: Path, quick: bool) -> None:
    count, size = (4, 700) if quick else (10, 700)
    print(f"\n| {size} readings of one day, CPU s of each batch |" + " |" * count)
    print("|---|" + "---:|" * count)
    for sort in ("of no cell", "of cells", "of prints"):
        ledger = fresh(folder, sort.replace(" ", "-"))
        taken = []
        for batch in range(count):
            made = named(sort, ledger, batch, size)
            taken.append(timed(lambda made=made, ledger=ledger: ledger.add_many(made)))
        print(f"| {sort} | {' | '.join(f'{t:.2f}' for t in taken)} |", flush=True)


def one_import(folder: Path, quick: bool) -> None:
    count = 10_000 if quick else 100_000
    ledger = fresh(folder, "exported")
    ledger.add_many(entries(count))
    sources = {"JSON": folder / "all.json", "a table": folder / "all.csv"}
    sources["JSON"].write_text(ledger.export_json(), "utf-8")
    sources["a table"].write_text(ledger.export_csv(), "utf-8")
    print(f"\n| {count:,} readings in one import | MB | CPU s | peak so far, MB |\n|---|---:|---:|---:|")
    for what, source in sources.items():
        into = fresh(folder, source.suffix[1:])
        command = ["ledger", "--ledger", str(into.path), "import", str(source)]
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-m", "falsework", *command], check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        assert len(into.readings()) == count
        size = source.stat().st_size / 1e6
        print(f"| {what} | {size:.0f} | {taken:.1f} | {after.ru_maxrss / 1024:.0f} |", flush=True)


PARTS = {
    "plan": what_plan_reads,
    "record": recording,
    "batches": batches,
    "import": one_import,
    "several": several_at_once,
    "killed": killed,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repetitions")
    parser.add_argument("--only", choices=tuple(PARTS))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name, part in PARTS.items():
            if asked.only in (None, name):
                part(Path(folder), asked.quick)


if __name__ == "__main__":
    main()

"""The file itself: where it lies, who may read it, older versions, other writers, kills and full disks."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from falsework.errors import LedgerError
from falsework.ledger import Ledger, database, place
from falsework.ledger.schema import APPLICATION, STEPS
from falsework.process.settings import Material, Printer
from ledger.samples import DAY, HAND, fill, full, museum

VERSION_1 = Path(__file__).parents[1] / "data" / "ledger_version_1.sql"


# where it lies


def test_the_place(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.delenv("FALSEWORK_LEDGER", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert place.ledger_path() == tmp_path / "data" / "falsework" / "ledger.sqlite3"
    monkeypatch.setenv("XDG_DATA_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert place.ledger_path() == tmp_path / ".local" / "share" / "falsework" / "ledger.sqlite3"
    monkeypatch.setattr(sys, "platform", "darwin")
    assert place.ledger_path().is_relative_to(tmp_path / "Library" / "Application Support" / "falsework")
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "Local"))
    assert place.ledger_path() == tmp_path / "Local" / "falsework" / "ledger.sqlite3"
    monkeypatch.delenv("LOCALAPPDATA")
    assert place.ledger_path() == tmp_path / "AppData" / "Local" / "falsework" / "ledger.sqlite3"
    monkeypatch.setenv("FALSEWORK_LEDGER", str(tmp_path / "own.sqlite3"))
    assert place.ledger_path() == tmp_path / "own.sqlite3"
    assert place.ledger_path(Path("given.sqlite3")) == Path("given.sqlite3")


def test_only_reading_makes_no_file(tmp_path):
    assert Ledger.existing(tmp_path / "none" / "ledger.sqlite3") is None
    assert list(tmp_path.iterdir()) == []
    museum(tmp_path / "some")
    assert Ledger.existing(tmp_path / "some" / "ledger.sqlite3") is not None


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_the_files_are_the_users_own(tmp_path):
    before = os.umask(0)
    try:
        ledger = fill(tmp_path / "new")
        ledger.backup(tmp_path / "safe" / "copy.sqlite3")
    finally:
        os.umask(before)
    modes = {
        path.relative_to(tmp_path): stat.S_IMODE(path.stat().st_mode)
        for folder in ("new", "safe")
        for path in (tmp_path / folder, *(tmp_path / folder).rglob("*"))
    }
    assert len(modes) >= 10
    for path, mode in modes.items():
        assert mode == (0o700 if (tmp_path / path).is_dir() else 0o600), path


def test_after_each_call_all_is_in_one_file(tmp_path):
    ledger = museum(tmp_path)
    ledger.add_reading(HAND, when=DAY)
    assert [path.name for path in tmp_path.iterdir()] == ["ledger.sqlite3"]
    shutil.copy(ledger.path, tmp_path / "copy.sqlite3")
    assert Ledger.open(tmp_path / "copy.sqlite3").readings() == ledger.readings()
    db = sqlite3.connect(ledger.path)
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    db.close()


# files that are none


@pytest.mark.parametrize("content", [b"", b"not a database at all, but long enough to look like one" * 40])
def test_a_file_of_another_kind_is_left_alone(tmp_path, content: bytes):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(LedgerError, match="is not a ledger of falsework"):
        Ledger.open(path)
    assert path.read_bytes() == content


def test_a_database_of_another_program_is_left_alone(tmp_path):
    path = tmp_path / "other.sqlite3"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE recipe (name TEXT)")
    db.close()
    with pytest.raises(LedgerError, match="is not a ledger of falsework"):
        Ledger.open(path)


def test_folders_and_places_that_cannot_be(tmp_path):
    with pytest.raises(LedgerError, match="is not a file"):
        Ledger.open(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(LedgerError, match="cannot be used"):
        Ledger.open(tmp_path / "file" / "ledger.sqlite3")
    with pytest.raises(LedgerError, match="cannot be opened"):
        Ledger(tmp_path / "gone.sqlite3").readings()
    assert not (tmp_path / "gone.sqlite3").exists()


def test_names_that_would_mislead_a_uri(tmp_path):
    for name in ("100 % sure?.sqlite3", "a#b.sqlite3", "café.sqlite3", os.fsdecode(b"caf\xe9.sqlite3")):
        ledger = Ledger.open(tmp_path / name)
        ledger.add_material(Material())
        assert list(ledger.materials()) == ["PLA"]
    assert len(list(tmp_path.iterdir())) == 4
    assert list(Ledger.open(Path(f"/{tmp_path}/café.sqlite3")).materials()) == ["PLA"]


def test_a_damaged_file_is_told(tmp_path):
    ledger = full(tmp_path)
    whole = ledger.path.read_bytes()
    page = 4096
    ledger.path.write_bytes(whole[: 3 * page] + b"\x5a" * 12 * page + whole[15 * page :])
    with pytest.raises(LedgerError, match="is damaged"):
        ledger.check()
    ledger.path.write_bytes(whole)
    ledger.check()


# older and newer versions


def test_a_newer_file_is_left_alone(tmp_path):
    ledger = museum(tmp_path)
    db = sqlite3.connect(ledger.path)
    db.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    db.close()
    with pytest.raises(LedgerError, match="newer version of falsework"):
        Ledger.open(ledger.path)


def version_1(path: Path) -> Path:
    """The ledger as the first published version wrote it."""
    db = sqlite3.connect(path)
    db.executescript(VERSION_1.read_text("utf-8"))
    db.execute(f"PRAGMA application_id = {APPLICATION}")
    db.execute("PRAGMA user_version = 1")
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    return path


def test_the_first_version_is_brought_up_to_date_with_all_it_holds(tmp_path):
    ledger = Ledger.open(version_1(tmp_path / "ledger.sqlite3"))
    database.check(ledger.path)
    assert [(r.id, r.cell, r.reading.finish, r.withdrawn) for r in ledger.readings(withdrawn=True)] == [
        *((1, "underside 3", 3, False), (2, "a1", None, False), (3, "a2", None, False)),
        *((4, None, None, False), (5, None, 2, True)),
    ]
    assert [v.reason for v in ledger.history(1)] == ["", "held against the wrong picture"]
    assert ledger.materials()["PLA"] == Material(price_per_kg=31.5)
    assert ledger.reading(4).reading.invented and ledger.reading(4).reading.droop_mm == 0.1 + 0.2
    other = Ledger.open(tmp_path / "other.sqlite3")
    other.import_json(ledger.export_json())
    assert other.export_json() == ledger.export_json()


LATER = (*STEPS, ("ALTER TABLE reading ADD COLUMN moisture REAL", "CREATE TABLE room (name TEXT) STRICT"))


def test_a_migration_copies_first_and_loses_nothing(tmp_path):
    ledger = full(tmp_path)
    before = ledger.export_json()
    database.make_ready(ledger.path, LATER)
    assert ledger.export_json() == before
    (copy,) = tmp_path.glob(f"ledger.sqlite3.version-{len(STEPS)}.*")
    assert Ledger.open(copy).readings() == ledger.readings()
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    database.make_ready(ledger.path, LATER)
    assert len(list(tmp_path.glob("*.version-*"))) == 1, "once is enough"


def test_several_that_migrate_at_once_do_it_once(tmp_path, monkeypatch):
    """All have seen the old version before the first begins."""
    ledger = full(tmp_path)
    before = ledger.export_json()
    together, migrate = threading.Barrier(4, timeout=60), database._migrate

    def migrate_together(*given):
        together.wait()
        migrate(*given)

    monkeypatch.setattr(database, "_migrate", migrate_together)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: database.make_ready(ledger.path, LATER), range(4)))
    assert ledger.export_json() == before
    ledger.check()
    (copy,) = tmp_path.glob("*.version-*")
    with database.reading(copy) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == len(STEPS), "as it was before"


def test_what_a_newer_version_migrated_meanwhile_is_left_alone(tmp_path, monkeypatch):
    ledger = full(tmp_path)
    migrate = database._migrate

    def overtaken(path, steps):
        migrate(path, (*LATER, ("CREATE TABLE shelf (name TEXT) STRICT",)))
        migrate(path, steps)

    monkeypatch.setattr(database, "_migrate", overtaken)
    with pytest.raises(LedgerError, match="newer version of falsework"):
        database.make_ready(ledger.path, LATER)


def test_threads_share_a_ledger(tmp_path):
    ledger = museum(tmp_path)
    with ThreadPoolExecutor(4) as pool:
        numbers = list(pool.map(lambda k: ledger.add_reading(HAND, cell=f"cell {k}", when=DAY), range(24)))
    assert sorted(numbers) == list(range(1, 25)) == [r.id for r in ledger.readings()]


def test_a_migration_that_fails_leaves_the_old_version(tmp_path):
    ledger = full(tmp_path)
    before = ledger.export_json()
    for broken in (("CREATE TABLE room (name TEXT)", "nonsense"), ("DROP TABLE process",)):
        with pytest.raises(LedgerError):
            database.make_ready(ledger.path, (*STEPS, broken))
        database.make_ready(ledger.path)
        assert ledger.export_json() == before


def test_a_damaged_file_is_not_migrated(tmp_path):
    ledger = full(tmp_path)
    whole = ledger.path.read_bytes()
    broken = whole[: 3 * 4096] + b"\x5a" * 12 * 4096 + whole[15 * 4096 :]
    ledger.path.write_bytes(broken)
    with pytest.raises(LedgerError, match="is damaged"):
        database.make_ready(ledger.path, LATER)
    assert ledger.path.read_bytes() == broken


# several processes

WRITER = """
import datetime, sys
from pathlib import Path
from falsework.coupon.reading import Condition, ConditionKind, Reading
from falsework.ledger import Entry, Ledger
from falsework.process.settings import Material, Printer
path, mine, times, size = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
DAY = datetime.date(2024, 5, 17)
TRIED = Condition(ConditionKind.BRIDGE, 0.4, 0.2, 0.45, 210, 1, 30, span_mm=25)
GIVEN = Reading("harbour mole", "PLA", TRIED, finish=3)
ledger = Ledger.open(path)
ledger.add_printer(Printer("harbour mole"))
ledger.add_material(Material())
print("ready", flush=True)
sys.stdin.readline()
for k in range(times):
    tray = [Entry(GIVEN, cell=f"{mine} {k} {i}", measured_on=DAY) for i in range(size)]
    numbers = ledger.add_many(tray)
    print(k, *numbers, flush=True)
"""


def writer(path: Path, mine: str, times: int, size: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, str(path), mine, str(times), str(size)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def started(process: subprocess.Popen[str]) -> None:
    assert process.stdout is not None and process.stdin is not None
    assert process.stdout.readline() == "ready\n"
    process.stdin.write("go\n")
    process.stdin.flush()


def test_processes_that_write_at_once_lose_nothing(tmp_path):
    """They also make the file at once."""
    path = tmp_path / "ledger.sqlite3"
    writers = [writer(path, name, 20, 2) for name in ("north", "east", "south")]
    for process in writers:
        started(process)
    told = []
    for process in writers:
        out, _ = process.communicate(timeout=120)
        assert process.returncode == 0
        told += [int(number) for line in out.splitlines() for number in line.split()[1:]]
    ledger = Ledger.open(path)
    ledger.check()
    assert sorted(told) == list(range(1, 121))
    assert [r.id for r in ledger.readings()] == sorted(told)
    assert len({r.cell for r in ledger.readings()}) == 120
    revision = int(ledger.readings_digest().split("-")[1])
    assert revision == 121, "120 readings and one description of the material"
    assert [p.name for p in tmp_path.iterdir()] == ["ledger.sqlite3"]


def test_a_kill_at_any_moment_loses_nothing_that_was_told(tmp_path):
    path = tmp_path / "ledger.sqlite3"
    told: dict[int, list[str]] = {}
    for k in range(4):
        process = writer(path, f"run {k}", 10_000, 3)
        started(process)
        first = process.stdout.readline()
        time.sleep(0.004 + 0.007 * k)
        process.send_signal(signal.SIGKILL)
        out = first + process.communicate(timeout=60)[0]
        for line in out.splitlines():
            if line.count(" ") == 3:  # a whole line
                turn, *numbers = line.split()
                told |= {int(n): [f"run {k} {turn} {i}"] for i, n in enumerate(numbers)}
        ledger = Ledger.open(path)
        ledger.check()
        found = {r.id: [r.cell] for r in ledger.readings()}
        assert told.items() <= found.items()
        assert len(found) % 3 == 0, "trays are whole or not there"
    assert len(told) >= 12, "something was written before each kill"


def test_a_writer_waits_for_the_other(tmp_path, monkeypatch):
    ledger = museum(tmp_path)
    monkeypatch.setattr(database, "_PATIENCE_S", 0.05)
    with database.writing(ledger.path):
        with pytest.raises(LedgerError, match="another program holds it; nothing was recorded"):
            ledger.add_reading(HAND, when=DAY)
        assert ledger.readings() == [], "readers do not wait"
    ledger.add_reading(HAND, when=DAY)


# trouble


def test_a_full_disk_is_told_and_nothing_lost(tmp_path, monkeypatch):
    ledger = museum(tmp_path)
    ledger.add_reading(HAND, when=DAY)
    connect = sqlite3.connect

    def cramped(*arguments, **options):
        db = connect(*arguments, **options)
        db.execute("PRAGMA max_page_count = 1")  # no smaller than the file is
        return db

    monkeypatch.setattr(sqlite3, "connect", cramped)
    with pytest.raises(LedgerError, match="the disk is full; nothing was recorded"):
        ledger.save_fit("x" * 100_000, "digest")
    monkeypatch.undo()
    assert len(ledger.readings()) == 1 and ledger.fit() is None
    ledger.check()


def test_a_full_disk_while_the_file_is_made(tmp_path, monkeypatch):
    def full_disk(path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(database, "settle", full_disk)
    with pytest.raises(LedgerError, match="the disk is full"):
        Ledger.open(tmp_path / "ledger.sqlite3")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_permission(tmp_path):
    (tmp_path / "locked").mkdir(mode=0o500)
    with pytest.raises(LedgerError, match="cannot be used"):
        Ledger.open(tmp_path / "locked" / "ledger.sqlite3")


def test_a_file_system_without_links(tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    ledger = museum(tmp_path)
    ledger.add_reading(HAND, when=DAY)
    with pytest.raises(LedgerError, match="is there already"):
        database.copy(ledger.path, ledger.path)
    assert len(ledger.readings()) == 1


def tables(db: sqlite3.Connection) -> list[tuple[str, str]]:
    return sorted(db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"))


def test_a_published_step_is_never_edited(tmp_path):
    """The kept file has the tables as the first published version made them."""
    kept, made = sqlite3.connect(version_1(tmp_path / "kept.sqlite3")), sqlite3.connect(":memory:")
    for statement in STEPS[0]:
        made.execute(statement)
    assert tables(made) == tables(kept)
    kept.close()
    made.close()


def test_the_first_versions_words_are_read_as_todays(tmp_path):
    ledger = Ledger.open(version_1(tmp_path / "ledger.sqlite3"))
    woven = [r.reading.condition.weave for r in ledger.readings(withdrawn=True)]
    assert set(woven) <= {"parallel", "crossed", None} and "parallel" in woven
    (name, *_), before = ledger.printers(), ledger.export_json()
    printer = ledger.printers()[name]
    assert printer.corner_loss_s == Printer().corner_loss_s
    ledger.add_printer(printer)
    assert ledger.export_json() == before, "nothing new is told of it"
    export = json.loads(before)
    assert all("pattern" not in step for one in export["readings"] for step in one["versions"])
    old = before.replace('"falsework.ledger/2"', '"falsework.ledger/1"').replace(
        '"weave": "parallel"', '"pattern": "lines"'
    )
    other = Ledger.open(tmp_path / "other.sqlite3")
    other.import_json(old)
    assert other.export_json() == before

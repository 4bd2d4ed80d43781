"""Where the ledger lies, who may read it, and files that are written aside and then renamed."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

PLACE = "FALSEWORK_LEDGER"
NAME = "ledger.sqlite3"
PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700


def ledger_path(path: Path | None = None) -> Path:
    """``path`` if given, else what ``FALSEWORK_LEDGER`` says, else a file in the user's data folder."""
    if path is not None:
        return Path(path)
    if named := os.environ.get(PLACE):
        return Path(named).expanduser()
    return data_folder() / NAME


def data_folder() -> Path:
    """The user's own data folder for falsework, as the platform has it (XDG Base Directory on Linux)."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        named = os.environ.get("XDG_DATA_HOME", "")
        # The standard tells to ignore a relative path.
        base = Path(named) if os.path.isabs(named) else Path.home() / ".local" / "share"
    return base / "falsework"


def photograph_folder(ledger: Path) -> Path:
    """The folder of photographs that belongs to the ledger at this path."""
    return ledger.with_name(f"{ledger.stem}-photographs")


def private_folder(folder: Path) -> None:
    """Make ``folder`` if it is missing, readable by its user only; one that is there stays as it is."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=PRIVATE_FOLDER)


@contextlib.contextmanager
def aside(folder: Path) -> Iterator[Path]:
    """A new private file in ``folder`` for the block to fill and move away; removed where it did not."""
    handle, name = tempfile.mkstemp(prefix=".falsework-", dir=folder)  # mkstemp makes it 0600
    os.close(handle)
    path = Path(name)
    try:
        yield path
    finally:
        for leftover in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            leftover.unlink(missing_ok=True)


def place_new(path: Path, target: Path) -> bool:
    """Move ``path`` to ``target`` unless something is there already; False where it is."""
    try:
        os.link(path, target)
    except FileExistsError:
        return False
    except OSError:  # a file system without hard links
        if target.exists():
            return False
        os.rename(path, target)
    return True


def settle(path: Path) -> None:
    """Have the operating system write ``path`` to the disk."""
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

"""Results on disk, each a folder named by its key: found again after a restart, the longest unused go."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Collection
from pathlib import Path

_KEY = re.compile(r"[0-9a-f]{64}")
_FILE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,60}")


class Results:
    """The results in one folder, of at most ``most_bytes`` in all."""

    def __init__(self, folder: Path, most_bytes: int) -> None:
        self.folder, self.most_bytes = folder, most_bytes
        folder.mkdir(parents=True, exist_ok=True)
        self._sizes: dict[str, int] = {}
        self._used: dict[str, float] = {}
        for entry in folder.iterdir():
            if _KEY.fullmatch(entry.name):
                self._note(entry.name, entry.stat().st_mtime)
            else:  # what a killed worker left aside
                shutil.rmtree(entry, ignore_errors=True)

    def place(self, key: str) -> Path:
        """Where the result of that key lies or will lie."""
        assert _KEY.fullmatch(key), key
        return self.folder / key

    def has(self, key: str) -> bool:
        """Whether the result is there; if so it counts as used now."""
        if key in self._sizes:
            self._used[key] = time.time()
            return True
        return False

    def added(self, key: str) -> bool:
        """A worker says that it has made a result: whether it is there."""
        if self.place(key).is_dir():
            self._note(key, time.time())
            return True
        return False

    def file(self, key: str, name: str) -> Path | None:
        """One file of a result, None where there is none; names that could be paths are no names."""
        if not (_KEY.fullmatch(key) and _FILE.fullmatch(name) and self.has(key)):
            return None
        path = self.place(key) / name
        if path.is_file():
            return path
        if not path.parent.is_dir():  # somebody cleared it out: it is made again when it is asked for
            self._sizes.pop(key, None)
            self._used.pop(key, None)
        return None

    def trim(self, needed: Collection[str]) -> None:
        """Delete the longest unused results that nobody needs until the rest fits."""
        total = sum(self._sizes.values())
        for key in sorted(self._sizes, key=lambda key: self._used[key]):
            if total <= self.most_bytes:
                return
            if key in needed:
                continue
            total -= self._sizes.pop(key)
            self._used.pop(key)
            shutil.rmtree(self.place(key), ignore_errors=True)

    def _note(self, key: str, used: float) -> None:
        with os.scandir(self.place(key)) as entries:
            self._sizes[key] = sum(entry.stat().st_size for entry in entries)
        self._used[key] = used

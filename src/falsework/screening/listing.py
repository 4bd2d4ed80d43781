"""What is to be screened: folders, patterns, lists and single files, here or in a store, as entries.

A path that cannot be meant is refused at once. What is wrong with one part is carried along in its entry and
becomes a row of the table.
"""

from __future__ import annotations

import glob
import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import unquote

from falsework.errors import PartError
from falsework.request.marks import Marks
from falsework.screening import places
from falsework.screening.aside import Occurrences
from falsework.screening.row import safe

SUFFIXES = (".stl", ".obj", ".ply", ".off", ".glb", ".gltf", ".3mf", ".step", ".stp")
_PACKED = (".gz", ".bz2", ".xz", ".zst")
ARCHIVES = (".zip", ".7z", ".rar", ".tar", ".tgz", *(a + b for a in (".tar", *SUFFIXES) for b in _PACKED))
LISTS = (".csv", ".tsv", ".parquet")
_PATTERN = "*?["
_ENCODED = ("http://", "https://")  # names of other stores are as they are
_OURS = ("plan.json", "screen.json", "redraw.json")  # folders that hold one of these hold results
GIVE = "Give folders, patterns, part files, or a list with a column 'path'"


@dataclass(frozen=True)
class ListedPart:
    """One line of what is to be screened.

    ``place`` is a path or an address; ``process`` names one of the list's own, '' for those asked for.
    ``own``: the list's other columns. ``fault``: why it cannot be tried, in a sentence; '' where it can.
    ``marks`` None: those of the file beside the part, if there is one. ``number`` counts equal places.
    """

    place: str
    wanted: int = 1
    unit: str | None = None
    process: str = ""
    marks: Marks | None = None
    own: tuple[tuple[str, str], ...] = ()
    fault: str = ""
    number: int = field(default=0, compare=False)

    @property
    def file(self) -> str:
        """The place as it can be shown and stored."""
        return safe(self.place)

    @property
    def called(self) -> str:
        """The file's own name, in its own script."""
        if places.is_address(self.place):
            name = PurePosixPath(self.place.split("?")[0]).name or self.place
            return os.path.basename(unquote(name)) if self.place.startswith(_ENCODED) else name
        return os.path.basename(self.place) or self.place

    @property
    def suffix(self) -> str:
        return os.path.splitext(self.called)[1].lower()

    @property
    def id(self) -> str:
        """Key of the line: the place, and which of equal ones."""
        told = f"{self.number}\0{self.place}".encode("utf-8", "surrogateescape")
        return hashlib.sha256(told).hexdigest()[:24]

    @property
    def own_json(self) -> str:
        return json.dumps(dict(self.own), ensure_ascii=False)


def listed(paths: Sequence[str]) -> Iterator[ListedPart]:
    """The entries of all paths, as they are found; a file that several paths lead to comes once, unless lists
    name it in several lines.

    Raises ``PartError`` for a path that leads nowhere, a folder or pattern without any part, a list that
    cannot be read or lacks its column.
    """
    from falsework.screening.lists import entries_of_list

    for path in paths:
        _check(path)
    seen, named = Occurrences(), Occurrences()
    lists = [path for path in paths if is_list(path)]
    for path in lists:
        for entry in entries_of_list(path):
            seen.before(_real(entry.place))
            number = named.before(entry.place)
            yield replace(entry, number=number) if number else entry
    for path in paths:
        if path not in lists:
            yield from (entry for entry in _found(path) if not seen.before(_real(entry.place)))


def is_list(path: str) -> bool:
    return path.lower().split("?")[0].endswith(LISTS)


def _real(place: str) -> str:
    return place if places.is_address(place) else os.path.realpath(place)


def _check(path: str) -> None:
    """Refuse at once what holds nothing."""
    if not path:
        raise PartError("path", "an empty name leads nowhere", GIVE)
    if is_list(path):
        from falsework.screening.lists import check_list

        check_list(path)
    elif next(_found(path), None) is None:
        if not places.is_address(path) and os.path.isdir(path):
            raise PartError(safe(path), "the folder holds no part", f"Parts end in {', '.join(SUFFIXES)}")
        raise PartError(safe(path), "nothing is there that could be a part", "Check the path or pattern")


def _found(path: str) -> Iterator[ListedPart]:
    if places.is_address(path):
        yield from _in_store(path)
    elif os.path.isdir(path):
        yield from _in_folder(path)
    elif os.path.lexists(path):
        yield _plain(path)
    elif any(sign in path for sign in _PATTERN):
        for found in sorted(glob.iglob(path, recursive=True)):
            if os.path.isdir(found):
                continue
            if found.lower().endswith(SUFFIXES + ARCHIVES):
                yield _plain(found)
    else:
        raise PartError(safe(path), "there is no such file or folder", "Check the path")


def archive_fault(place: str) -> str:
    """That a place is an archive; '' where it is none."""
    packed = place.lower().split("?")[0].endswith(ARCHIVES)
    return f"{safe(os.path.basename(place))}: this is an archive. Unpack it first." if packed else ""


def _plain(place: str) -> ListedPart:
    return ListedPart(place, fault=archive_fault(place))


def _in_store(address: str) -> Iterator[ListedPart]:
    for found in places.found_at(address, SUFFIXES + ARCHIVES):
        yield _plain(found)


def _in_folder(top: str) -> Iterator[ListedPart]:
    """All parts beneath a folder, by name; a link that leads back to a folder seen already ends there."""
    been: set[tuple[int, int]] = set()
    waiting = [top]
    while waiting:
        folder = waiting.pop()
        try:
            told = os.stat(folder)
            if (told.st_dev, told.st_ino) in been:
                continue
            been.add((told.st_dev, told.st_ino))
            with os.scandir(folder) as found:
                inside = sorted(found, key=lambda one: one.name)
        except OSError as error:
            why = f"{safe(folder)}: the folder cannot be read ({error.strerror}). Check its permissions."
            yield ListedPart(folder, fault=why)
            continue
        if any(one.name in _OURS for one in inside):
            continue
        below = []
        for one in inside:
            if one.name.startswith("."):
                continue
            if _is_folder(one):
                below.append(one.path)
            elif one.name.lower().endswith(SUFFIXES + ARCHIVES):
                yield _plain(one.path)
        waiting.extend(reversed(below))


def _is_folder(one: os.DirEntry[str]) -> bool:
    try:
        return one.is_dir()
    except OSError:  # a link that leads to itself
        return False


def wanted_of(value: Any) -> int:
    """A number wanted; ``ValueError`` for what is none."""
    if value is None or str(value).strip() == "":
        return 1
    number = float(str(value).strip().replace(",", "."))
    if not (number == int(number) and 0 <= number <= 1_000_000_000):
        raise ValueError
    return int(number)

"""From a program's file to the moves of the machine, in pieces of bounded size."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np

from falsework.errors import ProgramError
from falsework.kernels.bead import machine as rs274
from falsework.kernels.bead.program import interpret
from falsework.layers.stack import Floats, Indices
from falsework.watch import QUIET, Watch

_CHUNK = 1 << 20  # bytes read at a time
_LONGEST_LINE = 1 << 16  # bytes; a line that has no end by then is passed over, and counts as garbled
_ROWS = 1 << 15  # moves handed on at a time, and room for the chords of one more arc
_CODES = 256
_ENDINGS = (".gcode", ".gco", ".g", ".nc", ".ngc", ".tap")  # of programs' names, in archives of several files
_CURE = "Give the program as the machine reads it: text, or text packed by gzip or zip"


@dataclass(frozen=True)
class Unfollowed:
    """A command word that is not followed: how often, its first line, and the first once a strand was laid
    (or 0).
    """

    word: str
    count: int
    line: int
    later_line: int


@dataclass(eq=False)
class ProgramReading:
    """What the interpreter knows, and what it met; arrays as ``kernels.bead.program`` describes them.

    ``texts``: line number and text of the first lines that hold a word of letters or make no sense.
    ``archive``: which of several programs in an archive was read, and how many there are.
    """

    state: Floats
    counts: Indices = field(default_factory=lambda: np.zeros(rs274.KINDS, np.int64))
    firsts: Floats = field(default_factory=lambda: np.zeros((rs274.KINDS, rs274.KEPT, 2)))
    codes: Indices = field(default_factory=lambda: np.zeros((_CODES, 4), np.int64))
    texts: dict[int, str] = field(default_factory=dict)
    bytes_read: int = 0
    archive: tuple[str, int] | None = None

    @property
    def lines(self) -> int:
        return int(self.state[rs274.LINE])

    def count(self, kind: int) -> int:
        return int(self.counts[kind])

    def first_lines(self, kind: int) -> tuple[int, ...]:
        """Numbers of the first lines in which this was met."""
        return tuple(int(line) for line in self.firsts[kind, : min(self.counts[kind], rs274.KEPT), 0])

    def unfollowed(self) -> list[Unfollowed]:
        """Command words that are not followed."""
        met = self.codes[:-1][self.codes[:-1, 1] > 0]
        return [
            Unfollowed(f"{chr(key // 1_000_000)}{key % 1_000_000 / 10:g}", int(n), int(at), int(later))
            for key, n, at, later in met
        ]


Program = str | Path | bytes


def name_of(program: Program) -> str:
    return "program" if isinstance(program, bytes) else Path(program).name


def moves(
    program: Program,
    filament_mm2: float,
    *,
    volumetric: bool = False,
    acceleration_mm_s2: float = 1000.0,
    watch: Watch = QUIET,
) -> Iterator[tuple[Floats, ProgramReading]]:
    """The moves of a program in order, some ten thousand at a time, with the reading so far.

    Each yields (n, COLUMNS) rows (see ``kernels.bead.program``); they lie in a buffer that the next take.
    At the last one the reading is complete. ``volumetric``: E counts mm³. ``acceleration_mm_s2`` holds until
    the program sets its own. Raises ``ProgramError`` for a file that cannot be opened or unpacked, or that is
    no program: no line in ten makes sense.
    """
    reading = ProgramReading(
        rs274.fresh_state(filament_mm2, volumetric, acceleration_mm_s2=acceleration_mm_s2)
    )
    out = np.empty((_ROWS + rs274.ROOM, rs274.COLUMNS))
    scratch = rs274.fresh_scratch()
    name = name_of(program)
    kept = b""
    skipping = False  # within a line that is too long
    try:
        with _opened(program, reading) as (stream, size, position):
            while True:
                watch.at("reading the program", min(1.0, position() / size) if size else 1.0)
                more = stream.read(_CHUNK)
                reading.bytes_read += len(more)
                text, skipping = _without_long_line(kept + more, skipping, reading)
                end = len(text) if not more else _last_end(text)
                buffer = np.frombuffer(text, np.uint8)
                at = 0
                while at < end:
                    used, n = interpret(
                        buffer[at:],
                        end - at,
                        reading.state,
                        reading.counts,
                        reading.firsts,
                        reading.codes,
                        scratch,
                        out,
                    )
                    _keep_texts(reading, text[at:])
                    at += used
                    if n:
                        yield out[:n], reading
                kept = text[end:]
                _check(name, reading, bool(more))
                if not more:
                    break
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        if isinstance(error, OSError) and error.strerror:
            raise ProgramError(name, f"cannot be read ({error.strerror})", "Check the path") from None
        raise ProgramError(name, f"cannot be unpacked ({error})", _CURE) from None


class _opened:
    """The program's bytes unpacked, the packed size, and how far the packed bytes are read."""

    def __init__(self, program: Program, reading: ProgramReading) -> None:
        self.reading = reading
        if isinstance(program, bytes):
            self.file: BinaryIO = io.BytesIO(program)
            self.size = len(program)
        else:
            path = Path(program)
            if path.exists() and not path.is_file():
                raise ProgramError(path.name, "is not a file", _CURE)
            self.file = path.open("rb")
            self.size = path.stat().st_size

    def __enter__(self):
        start = self.file.read(4)
        self.file.seek(0)
        if start[:2] == b"\x1f\x8b":
            return gzip.GzipFile(fileobj=self.file), self.size, self.file.tell
        if start == b"PK\x03\x04":
            archive = zipfile.ZipFile(self.file)
            members = [m for m in archive.infolist() if not m.is_dir()]
            programs = [m for m in members if m.filename.lower().endswith(_ENDINGS)] or members
            if not programs:
                raise zipfile.BadZipFile("it is empty")
            largest = max(programs, key=lambda member: member.file_size)
            if len(programs) > 1:
                self.reading.archive = (largest.filename, len(programs))
            return archive.open(largest), self.size, self.file.tell
        return self.file, self.size, self.file.tell

    def __exit__(self, *_: object) -> None:
        self.file.close()


def _last_end(text: bytes) -> int:
    """Just behind the last line's end."""
    end = text.rfind(b"\n") + 1
    return end or text.rfind(b"\r", 0, len(text) - 1) + 1  # a \n may follow the very last \r


def _without_long_line(text: bytes, skipping: bool, reading: ProgramReading) -> tuple[bytes, bool]:
    """The text without a line that never seems to end, and whether its end is still to come.

    Such a line counts as one without sense.
    """
    if skipping:
        end = min((at for at in (text.find(b"\n"), text.find(b"\r")) if at >= 0), default=-1)
        return (text[end + 1 :], False) if end >= 0 else (b"", True)
    if len(text) <= _LONGEST_LINE or _last_end(text):
        return text, False
    reading.state[rs274.LINE] += 1
    line, met = reading.lines, reading.count(rs274.GARBLED)
    if met < rs274.KEPT:
        reading.firsts[rs274.GARBLED, met] = line, -1.0
    reading.counts[rs274.GARBLED] += 1
    reading.texts[line] = f"a line of more than {_LONGEST_LINE} characters"
    return b"", True


def _keep_texts(reading: ProgramReading, text: bytes) -> None:
    for kind in (rs274.TEXT, rs274.GARBLED):
        kept = min(int(reading.counts[kind]), rs274.KEPT)
        for line, begin in reading.firsts[kind, :kept]:
            if int(line) not in reading.texts and begin >= 0:
                start = text[int(begin) : int(begin) + 60].splitlines()[:1] or [b""]
                shown = start[0].decode("ascii", "replace")
                reading.texts[int(line)] = "".join(c if c.isprintable() else "�" for c in shown)


def _check(name: str, reading: ProgramReading, more: bool) -> None:
    """Refuse what is not a program, as soon as that can be told."""
    bad = reading.count(rs274.GARBLED) + reading.count(rs274.TEXT)
    lines = reading.lines
    if (lines > 1000 or not more) and bad > 0.5 * lines:
        line, shown = min(reading.texts.items(), default=(0, ""))
        example = f" (line {line}: {shown!r})" if line else ""
        raise ProgramError(name, f"is not a machine program: most of its lines make no sense{example}", _CURE)
    if not more and reading.count(rs274.MOVES) == 0:
        raise ProgramError(name, "holds no move of a machine", _CURE)

"""Files on their way in: streamed to the disk, hashed, limited in size and time, kept under their hash."""

from __future__ import annotations

import asyncio
import hashlib
import os
import re
import shutil
import uuid
from collections.abc import AsyncIterator
from pathlib import Path, PurePosixPath

from falsework.bench.answers import Refused
from falsework.bench.force import no_room
from falsework.bench.work import part_file, program_file

_SPARE_BYTES = 256 << 20  # left on the disk for the database and for results
# control characters, halves of characters, and marks that turn the words after them round
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
_LONGEST_NAME = 150
_ILLEGAL = re.compile(r'[<>:"/\\|?*.]+')
_RESERVED = {"CON", "PRN", "AUX", "NUL", *(f"{port}{k}" for port in ("COM", "LPT") for k in range(10))}


def plain_name(name: str) -> str:
    """A client's file name as words: without folders and what cannot be printed. It names nothing on disk."""
    last = PurePosixPath(_UNPRINTABLE.sub("", name).replace("\\", "/")).name.strip()
    stem, dot, suffix = last.rpartition(".")
    if len(last) > _LONGEST_NAME and dot and len(suffix) < 10:
        last = f"{stem[: _LONGEST_NAME - 10]}.{suffix}"
    return last[:_LONGEST_NAME] or "part"


def legal_name(name: str) -> str:
    """A file name without suffix that every system takes: none of the characters, endings and names that
    Windows keeps for itself, none that a shell would trip over at its beginning."""
    plain = _ILLEGAL.sub("-", plain_name(name)).strip(" .").lstrip("-~")
    return f"{plain}-plan" if plain.split(".")[0].upper() in _RESERVED else plain or "plan"


async def arrive(stream: AsyncIterator[bytes], folder: Path, seconds: float) -> tuple[Path, str, int]:
    """Write a stream into ``folder`` under a name of our own: path, SHA-256 and size.

    The body's size is limited before it comes here. Whatever goes wrong, nothing stays behind.
    """
    path = folder / uuid.uuid4().hex
    seen, size = hashlib.sha256(), 0
    try:
        if shutil.disk_usage(folder).free < _SPARE_BYTES:
            raise _full()
        async with asyncio.timeout(seconds):
            with open(path, "wb") as out:
                async for chunk in stream:
                    seen.update(chunk)
                    size += len(chunk)
                    out.write(chunk)
                await asyncio.to_thread(_sync, out.fileno())
    except TimeoutError:
        path.unlink(missing_ok=True)
        raise Refused(
            408, "TooLong", "file", f"did not arrive within {seconds:.0f} s", "Try a better connection"
        ) from None
    except OSError:
        path.unlink(missing_ok=True)
        raise _full() from None
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return path, seen.hexdigest(), size


def digest_of(path: Path) -> tuple[str, int]:
    """SHA-256 of a file's content, and its size."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest(), path.stat().st_size


def keep_part(path: Path, folder: Path, digest: str) -> None:
    """Move a part that has arrived to where the workers find it; the same file again changes nothing."""
    _keep(path, part_file(folder, digest))


def keep_program(path: Path, folder: Path, digest: str) -> None:
    """The same for a machine program."""
    _keep(path, program_file(folder, digest))


def _keep(path: Path, place: Path) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    if place.exists():
        path.unlink()
    else:
        os.replace(path, place)


def _sync(handle: int) -> None:
    os.fsync(handle)


def _full() -> Refused:
    return Refused(507, **no_room() | {"kind": "DiskFull"})

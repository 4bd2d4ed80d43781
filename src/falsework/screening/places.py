"""Where parts lie: files of this machine, and whatever fsspec reads by an address with '://'.

A store may be slow and fail now and then: what fails in passing is tried again, after ever longer waits.
"""

from __future__ import annotations

import hashlib
import os
import random
import re
import stat
import time
from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import Any

from falsework.errors import PartError

TRIES = 6
FIRST_WAIT_S = 0.2  # doubled each time, and stretched by chance so that not all come back at once
MAX_BYTES = 4 << 30
_ADDRESS = re.compile(r"^[a-z][a-z0-9+.\-]*(::|://)", re.IGNORECASE)
_CHUNK = 1 << 20
STORES = "Install what fsspec asks for to read such addresses, and check the address"


def is_address(place: str) -> bool:
    return bool(_ADDRESS.match(place))


def read(place: str) -> bytes:
    """The whole content; ``OSError`` where it cannot be read, after all tries at a store."""
    if not is_address(place):
        with open(place, "rb") as file:
            return file.read()
    system, path = _store(place)
    return _tried(lambda: bytes(system.cat_file(path)))


def digest_of(place: str) -> tuple[str, tuple[int, int]]:
    """SHA-256 of a file of this machine, and its size and time of change.

    ``PartError`` for what is no file or cannot be read.
    """
    name = os.path.basename(place)
    try:
        told = os.stat(place)
        if not stat.S_ISREG(told.st_mode):
            wrong = (
                "this is a folder" if stat.S_ISDIR(told.st_mode) else "this is a device or a pipe, not a file"
            )
            raise PartError(name, wrong, "Give a part file")
        if told.st_size > MAX_BYTES:
            raise PartError(name, "the file has more than 4 GB, which is the limit", "Reduce it")
        whole = hashlib.sha256()
        with open(place, "rb", buffering=0) as file:
            while block := file.read(_CHUNK):
                whole.update(block)
    except FileNotFoundError:
        raise PartError(name, "there is no such file", "Check the path") from None
    except OSError as error:
        why = f"the file cannot be read ({error.strerror or error})"
        raise PartError(name, why, "Check its permissions and where its links lead") from None
    return whole.hexdigest(), (told.st_size, told.st_mtime_ns)


def fetched(address: str) -> bytes:
    """The content at an address; ``PartError`` where it cannot be had."""
    name = PurePosixPath(address.split("?")[0]).name or address
    try:
        return read(address)
    except FileNotFoundError:
        raise PartError(name, "there is no such file in the store", "Check the address") from None
    except Exception as error:  # stores have errors of their own
        why = f"the store did not give it in {TRIES} tries ({str(error) or type(error).__name__})"
        raise PartError(name, why, "Check the store, and screen again") from None


def found_at(address: str, suffixes: tuple[str, ...]) -> Iterator[str]:
    """Addresses of all files with these endings beneath an address, or that it is a pattern of, by name.

    ``PartError`` where the store cannot be asked.
    """
    try:
        system, path = _store(address)
        if any(sign in address.partition("://")[2] for sign in "*["):
            found = _tried(lambda: system.glob(path))
        elif address.lower().split("?")[0].endswith(suffixes):
            found = [path]
        else:
            found = _tried(lambda: system.find(path))
    except PartError:
        raise
    except Exception as error:
        why = f"the store cannot be asked ({str(error) or type(error).__name__})"
        raise PartError(address, why, STORES) from None
    for one in sorted(found):
        if one.lower().split("?")[0].endswith(suffixes):
            yield str(system.unstrip_protocol(one))


def _store(address: str) -> tuple[Any, str]:
    try:
        import fsspec
    except ImportError:
        from falsework.screening.engine import INSTALL

        raise PartError(address, "reading from stores asks for fsspec", INSTALL) from None
    try:
        system, path = fsspec.core.url_to_fs(address)
    except (ImportError, ValueError) as error:
        raise PartError(address, f"no such kind of store can be read ({error})", STORES) from None
    return system, str(path)


def _tried(ask: Any) -> Any:
    """What a store answers; its last error where it never does. What is not there is not asked for twice."""
    for attempt in range(TRIES):
        try:
            return ask()
        except (FileNotFoundError, PermissionError, IsADirectoryError):
            raise
        except Exception:
            if attempt == TRIES - 1:
                raise
            time.sleep(FIRST_WAIT_S * 2**attempt * random.uniform(0.7, 1.3))
    return None

"""Memory that was freed, given back to the system: the C library keeps what outlines by the million leave in
small holes, and what comes after would be asked for on top of it."""

from __future__ import annotations

import contextlib
import ctypes


def given_back() -> None:
    """Return freed memory to the system where the C library can (glibc); elsewhere nothing happens."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)

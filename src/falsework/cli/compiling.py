"""The kernels are compiled at their first use and kept on disk: where, and saying so when it happens."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click

from falsework.watch import compiling

_USUAL_COMPILE_S = 60


@contextlib.contextmanager
def announced() -> Iterator[None]:
    """Choose the cache folder, and say once on stderr if anything has to be compiled within the block; see
    :func:`falsework.watch.compiling`."""
    choose_cache()
    told = False

    def tell() -> None:
        nonlocal told
        if not told:
            told = True
            click.echo(
                f"compiling the kernels for this machine: once, about {_USUAL_COMPILE_S} s in all; "
                "later runs start from the cache",
                err=True,
            )

    with compiling(tell):
        yield


def choose_cache() -> None:
    """Set ``NUMBA_CACHE_DIR`` if the package's own folder cannot keep the compiled kernels.

    Otherwise they lie in ``__pycache__`` beside their source, which every user of the installation shares.
    The fallback is the user's cache folder; without one, a private temporary folder, good for this run only:
    compiled code is loaded without checks, so it must not come from a folder that others can write to.
    """
    if os.environ.get("NUMBA_CACHE_DIR") or _writable(_beside_source()):
        return
    for folder in (_user_cache(), None):
        place = folder or Path(tempfile.mkdtemp(prefix="falsework-kernels-"))
        if _writable(place):
            os.environ["NUMBA_CACHE_DIR"] = str(place)
            return


def _beside_source() -> Path:
    return Path(__file__).parents[1] / "kernels" / "__pycache__"


def _user_cache() -> Path:
    if sys.platform == "darwin":
        return Path("~/Library/Caches/falsework").expanduser()
    return Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache").expanduser() / "falsework"


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False

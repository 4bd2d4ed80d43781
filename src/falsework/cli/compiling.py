"""The kernels are compiled at their first use: saying so when it happens."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import click

from falsework.watch import compiling

_USUAL_COMPILE_S = 60


@contextlib.contextmanager
def announced() -> Iterator[None]:
    """Say once on stderr if anything has to be compiled within the block; see
    :func:`falsework.watch.compiling`."""
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

"""Commands as if their kernels were compiled already, and quick where nobody looks."""

from __future__ import annotations

import contextlib

import pytest


@pytest.fixture(scope="module", autouse=True)
def quickly(quick: None) -> None:
    """What commands write is looked at elsewhere."""


@pytest.fixture(autouse=True)
def nothing_is_said_of_compiling(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a fresh clone chance says which test comes to a kernel first, and has that on stderr."""
    if not request.module.__name__.endswith("test_compiling"):
        monkeypatch.setattr("falsework.cli.compiling.compiling", lambda tell: contextlib.nullcontext())

"""One bench for all tests of this room that need workers."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bench.benches import Served


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    bench = Served(tmp_path_factory.mktemp("bench") / "data", "--workers", "1")
    yield bench
    assert bench.stop() == 0

"""Stores: what fails in passing is tried again, what is not there is said, and folders of them are found."""

from __future__ import annotations

import http.server
import os
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import fsspec
import pytest

from falsework.errors import PartError
from falsework.screening import places
from falsework.screening.listing import listed

ASKED: Counter[str] = Counter()


class Moody(http.server.SimpleHTTPRequestHandler):
    """Fails the first two times that a file is asked for, and always for one."""

    def do_GET(self) -> None:
        ASKED[self.path] += 1
        if self.path.endswith(".stl") and (ASKED[self.path] < 3 or "never" in self.path):
            self.send_error(503)
        else:
            super().do_GET()

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def address(store: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setattr(places, "FIRST_WAIT_S", 0.001)
    ASKED.clear()
    serve = lambda *rest: Moody(*rest, directory=os.fspath(store))  # noqa: E731
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), serve) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


def test_a_store_that_fails_now_and_then(tmp_path: Path, store: Path, address: str, screen, here) -> None:
    (store / "never.stl").write_bytes(b"x")
    orders = tmp_path / "orders.csv"
    lines = [f"{address}/{name}" for name in ("a.stl", "deep/b.stl", "never.stl", "gone.stl")]
    orders.write_text("path\n" + "\n".join(lines) + "\n")
    rows = {row.name: row for row in screen(orders)}
    assert (rows["a"].state, rows["b"].state) == ("looked at", "looked at")
    assert {job.data is not None for job in here.done} == {True}
    assert ASKED["/a.stl"] == 3 and ASKED["/never.stl"] == places.TRIES
    assert "did not give it in 6 tries" in rows["never"].why and rows["never"].state == "failed"
    plain = {row.name: row for row in screen(store)}
    assert plain["a"].total == rows["a"].total and plain["a"].copy_of == f"{address}/a.stl"
    assert ASKED["/gone.stl"] >= 1 and rows["gone"].state == "failed"
    started = here.started
    assert len(screen(orders)) == 4 and here.started == started, "what was seen is not done again"


def test_folders_and_patterns_of_a_store() -> None:
    memory = fsspec.filesystem("memory")
    for name in ("/parts/a.stl", "/parts/deep/b.3mf", "/parts/c.txt"):
        memory.pipe(name, b"x")
    try:
        assert [entry.place for entry in listed(["memory://parts"])] == [
            "memory:///parts/a.stl",
            "memory:///parts/deep/b.3mf",
        ]
        assert [entry.called for entry in listed(["memory://parts/*.stl"])] == ["a.stl"]
        with pytest.raises(PartError, match="nothing is there"):
            list(listed(["memory://empty"]))
    finally:
        memory.rm("/parts", recursive=True)


def test_an_address_of_no_kind_of_store() -> None:
    with pytest.raises(PartError, match="no such kind of store"):
        list(listed(["quark://parts/"]))


def test_who_stops_does_not_wait_for_a_store_that_hangs() -> None:
    program = """
import threading
from falsework.screening import places
from falsework.screening.listing import ListedPart
from falsework.screening.reading import reading

places.fetched = lambda address: threading.Event().wait()
with reading(iter([ListedPart("http://127.0.0.1/a.stl")])) as ahead:
    assert ahead.take(0.2) is None and not ahead.exhausted
"""
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)

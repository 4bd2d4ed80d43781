"""Screenings on the bench: begun, seen as they go, paused, gone on with, a part opened as an order."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.benches import Served
from screenings import write_box


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("bench")
    for k in range(4):
        write_box(folder / "spare parts" / f"box {k}.stl", (4.0 + k, 4.0, 2.0))
    (folder / "spare parts" / "none.stl").write_text("hello")
    write_box(folder / "secret.stl")
    served = Served(folder / "data", "--workers", "1", "--catalogue", str(folder / "spare parts"))
    yield served
    assert served.stop() == 0


ASKED = {"catalogue": "spare parts", "processes": ["pla-0.4"], "depth": "look"}


def until(ask: Callable[[], Any], wanted: Callable[[Any], bool]) -> Any:
    end = time.monotonic() + 180.0
    while not wanted(found := ask()):
        assert time.monotonic() < end, found
        time.sleep(0.2)
    return found


def test_a_folder_is_screened_and_a_part_of_it_opened(bench: Served) -> None:
    client = bench.client
    assert client.get("/api/screenings").json() == {"catalogues": ["spare parts"], "screenings": []}
    begun = client.post("/api/screenings", json=ASKED)
    assert begun.status_code == 201
    run = f"/api/screenings/{begun.json()['id']}"
    assert client.post("/api/screenings", json=ASKED).status_code == 409, "one at a time"
    assert len(client.get("/api/screenings").json()["screenings"]) == 1
    assert client.post(f"{run}/pause").status_code == 200
    until(lambda: client.get(run).json(), lambda told: told["state"] == "paused")
    assert client.post(f"{run}/resume").json()["state"] == "running"
    told = until(lambda: client.get(run).json(), lambda told: told["state"] != "running")
    assert (told["state"], told["done"], told["wrong"]) == ("done", 5, "")
    assert told["states"] == {"looked at": 4, "failed": 1}
    numbers = [row["number"] for row in told["rows"]]
    assert numbers == sorted(numbers) and client.get(f"{run}?after={numbers[-1]}").json()["rows"] == []
    row = next(row for row in told["rows"] if row["name"] == "box 2")
    digits = "".join(row["picture"].split("/")[1:]).removesuffix(".png")
    assert client.get(f"{run}/pictures/{digits}.png").content.startswith(b"\x89PNG")
    worst = client.get(f"{run}/rows").json()
    assert worst["count"] == 5 and worst["rows"][0]["name"] == "none"
    assert [one["name"] for one in client.get(f"{run}/rows?state=failed").json()["rows"]] == ["none"]
    opened = client.post(f"{run}/open", json={"file": row["file"]})
    assert opened.status_code == 201 and opened.json()["name"] == "box 2.stl"
    outside = row["file"].replace("spare parts/box 2.stl", "secret.stl")
    for file in (outside, f"{Path(row['file']).parent}/../secret.stl", "/etc/hostname", "\0"):
        assert client.post(f"{run}/open", json={"file": file}).status_code == 404, file
    assert client.delete(run).status_code == 204
    assert client.get(run).status_code == 404


def test_what_cannot_be_asked(bench: Served) -> None:
    client = bench.client
    for wrong, status in (
        ({"catalogue": "/etc"}, 404),
        ({"processes": ["none-such"]}, 422),
        ({"processes": ["pla-0.4", "pla-0.4"]}, 422),
        ({"depth": "deep"}, 422),
    ):
        assert client.post("/api/screenings", json={**ASKED, **wrong}).status_code == status, wrong
    assert client.get("/api/screenings/0123456789abcdef").status_code == 404
    page = client.get("/screenings")
    assert page.status_code == 200 and "screenings.js" in page.text

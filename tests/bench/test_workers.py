"""Workers: what is hostile stays with them, what dies is replaced, what is stopped ends; nothing is lost."""

from __future__ import annotations

import os
import signal
import struct
import time
from pathlib import Path
from typing import Any

import pytest

from bench.benches import Served, alive, change, events, read, result, upload, wait
from falsework.files.stl import write_stl
from falsework.part.demo import gull, table


def stl(tmp_path: Path, part: Any) -> bytes:
    path = tmp_path / "part.stl"
    write_stl(path, part.vertices, part.faces, part.name)
    return path.read_bytes()


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return stl(tmp_path_factory.mktemp("plain"), table(20.0, 20.0, 8.0))


@pytest.fixture(scope="module")
def slow(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return stl(tmp_path_factory.mktemp("slow"), gull(30_000))


NAN = struct.pack("<f", float("nan"))
HOSTILE = {
    "garbage.stl": os.urandom(5000),
    "empty-zip.3mf": b"PK\x05\x06" + bytes(18),
    "huge-count.stl": bytes(80) + struct.pack("<I", 2**32 - 1) + bytes(200),
    "not-numbers.stl": bytes(80) + struct.pack("<I", 2) + (bytes(12) + NAN * 9 + bytes(2)) * 2,
    "elsewhere.gltf": b'{"asset":{"version":"2.0"},"buffers":[{"uri":"../../bench.sqlite","byteLength":9}]}',
    "deep.gltf": b'{"asset":' + b"[" * 100_000,
    "broken.step": b"ISO-10303-21;\nHEADER;\n",
    "text.stl": b"solid x\n" + b"facet normal 0 0 1\n" * 1000,
    "entity.3mf": b"PK\x03\x04" + b"<!DOCTYPE x [<!ENTITY a 'a'>]>" * 100,
}


def test_what_is_hostile_is_refused_in_words_and_disturbs_nobody(served: Served, plain: bytes) -> None:
    guest = served.newcomer()
    bad = [upload(guest, data, name)["id"] for name, data in HOSTILE.items()]
    good = upload(served.client, plain, "good.stl")["id"]
    wait(served.client, good, "undersides")
    for sheet, name in zip(bad, HOSTILE, strict=True):
        state = wait(guest, sheet, "part", "failed")
        error = state["error"]
        assert error["kind"] == "PartError" and error["subject"] == name and error["cure"], error
        # what rests on it says the same, and nothing runs on for it
        assert read(guest, sheet)["stages"]["release"]["error"] == error
    guest.close()


def test_a_worker_that_is_killed_is_replaced_and_its_job_done_by_another(served: Served, slow: bytes) -> None:
    client = served.client
    sheet = upload(client, slow, "struck.stl")["id"]
    wait(client, sheet, "undersides")
    (before,) = served.workers()
    os.kill(before, signal.SIGKILL)
    wait(client, sheet, "totals")
    (after,) = served.workers()
    assert after != before


def test_stopped_work_ends_within_a_second_and_can_be_asked_for_again(served: Served, slow: bytes) -> None:
    client = served.client
    sheet = upload(client, slow, "stopped.stl")["id"]
    wait(client, sheet, "part")
    url = f"/api/sheets/{sheet}/stages/lies"
    with client.stream("GET", f"/api/sheets/{sheet}/events") as stream:
        assert client.post(url).status_code == 202
        asked = 0.0
        for _, name, data in events(stream):
            if name != "stage" or data["stage"] != "lies":
                continue
            if data["state"] == "running" and not asked and data["fraction"] > 0.02:
                asked = time.monotonic()
                assert client.delete(url).json()["state"] in ("running", "idle")
            if data["state"] == "idle" and asked:
                assert time.monotonic() - asked < 5.0  # one second on a machine that is not busy
                break
    assert client.post(url).json()["state"] in ("queued", "running", "waiting")
    assert client.delete(url).status_code == 202


def test_the_sheet_and_its_results_survive_a_killed_server(tmp_path: Path, plain: bytes) -> None:
    folder = tmp_path / "data"
    bench = Served(folder, "--workers", "1")
    sheet = upload(bench.client, plain, "kept.stl")
    key = wait(bench.client, sheet["id"], "undersides")["key"]
    picture = result(bench.client, key, "undersides.mesh")
    workers = bench.workers()
    notes: list[str] = []
    for k in range(5):
        notes.append(f"word {k}")
        sheet = change(bench.client, sheet, note=" ".join(notes))
    bench.kill()
    end = time.monotonic() + 20.0
    while any(map(alive, workers)) and time.monotonic() < end:  # they notice that nobody listens
        time.sleep(0.02)
    assert not any(map(alive, workers))
    bench = Served(folder, "--workers", "1")
    found = read(bench.client, sheet["id"])
    assert found["note"] == " ".join(notes) and found["version"] == sheet["version"]
    assert found["stages"]["undersides"] == {"state": "ready", "key": key}
    assert result(bench.client, key, "undersides.mesh") == picture
    history = bench.client.get(f"/api/sheets/{sheet['id']}/history").json()["steps"]
    assert len(history) == len(notes) + 1
    # what was not done when it died is done when somebody looks
    with bench.client.stream("GET", f"/api/sheets/{sheet['id']}/events") as stream:
        assert next(events(stream))[1] == "sheet"
    wait(bench.client, sheet["id"], "totals")
    assert bench.stop() == 0


def test_events_resume_where_they_were_lost(served: Served, plain: bytes) -> None:
    client = served.client
    sheet = upload(client, plain, "resumed.stl")
    wait(client, sheet["id"], "release")
    url = f"/api/sheets/{sheet['id']}/events"
    with client.stream("GET", url) as stream:
        last, name, data = next(events(stream))
        assert name == "sheet" and data["version"] == 1
    for note in ("one", "two"):
        sheet = change(client, sheet, note=note)
    with client.stream("GET", url, headers={"last-event-id": last}) as stream:
        missed = []
        for _, name, data in events(stream):
            if name == "sheet":
                missed.append(data["note"])
                if len(missed) == 2:
                    break
    assert missed == ["one", "two"]

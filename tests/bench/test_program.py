"""A machine program on a sheet: it comes in, is audited in a worker, and the findings stay with the sheet."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import os
import signal
import time
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest

from audited import solid_process, table_plan
from bench.benches import Served, change, events, read, result, upload, wait
from falsework.auditing import Audit, audit
from falsework.bench.buffers import read_buffers
from falsework.bench.service import MOST_PROGRAMS, patched
from falsework.bench.work import program_file
from falsework.files.stl import write_stl
from falsework.part.demo import table
from programs import Writer, of_plan

SETTINGS = {"fill": "1.0", "wall_speed_mm_s": "45.0", "fill_speed_mm_s": "45.0"}
HOSTILE = {
    "noise.gcode": bytes(range(256)) * 40,
    "picture.gcode": b"\x89PNG\r\n\x1a\n" + bytes(500),
    "words.gcode": b"these are no moves at all\n" * 50,
    "nothing-laid.gcode": b"G28\nG1 X10 Y10 F3000\nM2\n",
    "torn.gcode.gz": gzip.compress(b"G1 X1 Y1 E1\n" * 1000)[:40],
    "elsewhere.zip": b"PK\x03\x04" + b"../../bench.sqlite" * 30,
    "deep.gcode": b"(" * 200_000,
    "huge-numbers.gcode": b"G1 X1e999 Y-1e999 E1e999 F1e999\n" * 200,
}


@pytest.fixture(scope="module")
def part(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    made = table(30.0, 12.0, 6.0)
    path = tmp_path_factory.mktemp("table") / "table.stl"
    write_stl(path, made.vertices, made.faces, made.name)
    return path.read_bytes()


@pytest.fixture(scope="module")
def sound() -> bytes:
    """The program that prints the plan of ``table_plan`` as it stands."""
    return of_plan(table_plan()).end().bytes()


@pytest.fixture(scope="module")
def faulty() -> bytes:
    """The same with supports two layers too high, so that they fuse, and the fan off."""
    return of_plan(table_plan(), Writer(fan=0.0), support_shift=2).end().bytes()


def planned(client: httpx.Client, part: bytes) -> dict[str, Any]:
    """A sheet whose plan is that of ``table_plan``."""
    sheet = upload(client, part, "small table.stl")
    return change(client, sheet, choices={"settings": SETTINGS, "standing": "bed"})


def bring(client: httpx.Client, data: bytes, name: str) -> dict[str, Any]:
    answer = client.post("/api/programs", params={"name": name}, content=data)
    assert answer.status_code == 201, answer.text
    kept: dict[str, Any] = answer.json()
    assert kept == {"digest": hashlib.sha256(data).hexdigest(), "name": name, "bytes": len(data)}
    return kept


def put(client: httpx.Client, sheet: dict[str, Any], data: bytes, name: str, **how: Any) -> dict[str, Any]:
    """Bring a program, put it on the sheet, and have it audited."""
    digest = bring(client, data, name)["digest"]
    sheet = change(client, sheet, program={"digest": digest, "name": name, **how})
    answer = client.post(f"/api/sheets/{sheet['id']}/stages/audit")
    assert answer.status_code == 202, answer.text
    return sheet


def test_a_program_is_audited_as_the_python_api_does_it(
    served: Served, part: bytes, faulty: bytes, sound: bytes
) -> None:
    client = served.client
    sheet = planned(client, part)
    url = f"/api/sheets/{sheet['id']}"
    assert sheet["programs"] == [] and sheet["stages"]["audit"]["state"] == "idle"
    assert client.post(f"{url}/stages/audit").status_code == 409  # there is none
    assert client.get(f"{url}/audit/audit.json").status_code == 409
    sheet = put(client, sheet, gzip.compress(faulty), "table.gcode.gz")
    assert sheet["undo"]["what"] == "program table.gcode.gz"
    key = wait(client, sheet["id"], "audit")["key"]
    found = Audit.from_json(result(client, key, "audit.json").decode())
    own = audit(faulty, table_plan())
    assert found.program == "table.gcode.gz" and found.against == "plan" and found.process == "pla-0.4"
    assert [(f.kind, f.level, f.place) for f in found.findings] == [
        (f.kind, f.level, f.place) for f in own.findings
    ]
    assert "fused on top" in {f.kind for f in found.findings} and found.verdict == own.verdict
    # what is seen around a finding, and the same on the page of the report
    asked = json.loads(result(client, key, "words.json"))
    assert asked["program"]["digest"] == sheet["programs"][0]["digest"] and asked["pictures"]
    assert asked["where"].keys() == {str(f.number) for f in found.findings}
    number = next(f.number for f in found.findings if f.kind == "fused on top")
    arrays, drawing = read_buffers(result(client, key, f"around-{number}.bin"))
    assert len(arrays["ends"]) == len(arrays["role"]) == len(arrays["width"]) > 0
    assert 3 in arrays["role"] and drawing["paths"] and drawing["scale_mm"] >= 1
    page = client.get(f"{url}/audit/report.html", params={"view": True})
    assert page.headers["content-security-policy"].startswith("sandbox")
    assert found.verdict in page.text and "attachment" not in page.headers.get("content-disposition", "")
    for file in ("report.html", "audit.json"):
        answer = client.get(f"{url}/audit/{file}")
        assert answer.content == result(client, key, file)
        assert f"small table-{file}" in answer.headers["content-disposition"].replace("%20", " ")
    assert client.get(f"{url}/audit/words.json").status_code == 404
    # another program counts from now on; the first is listed; undo brings its audit back at once
    sheet = put(client, read(client, sheet["id"]), sound, "mended.gcode")
    assert [one["name"] for one in sheet["programs"]] == ["mended.gcode", "table.gcode.gz"]
    second = wait(client, sheet["id"], "audit")["key"]
    assert second != key
    mended = Audit.from_json(result(client, second, "audit.json").decode())
    assert mended.worst is None or mended.worst.value == "note"
    back = client.post(f"{url}/undo", json={"version": sheet["version"]}).json()
    assert back["stages"]["audit"] == {"state": "ready", "key": key}
    assert [one["name"] for one in back["programs"]] == ["table.gcode.gz"]
    # to the byte as it came
    one = back["programs"][0]
    answer = client.get(f"/api/programs/{one['digest']}", params={"name": one["name"]})
    assert gzip.decompress(answer.content) == faulty and one["bytes"] == len(answer.content)


def test_another_choice_leaves_the_audit_in_sight_and_out_of_date(
    served: Served, part: bytes, sound: bytes
) -> None:
    client = served.client
    sheet = put(client, planned(client, part), sound, "table.gcode")
    key = wait(client, sheet["id"], "audit")["key"]
    sheet = read(client, sheet["id"])
    sheet = change(client, sheet, choices={"settings": {"air_gap_layers": "3"}})
    state = sheet["stages"]["audit"]
    assert state["state"] == "idle" and state["shown"] == key != state["key"]
    assert client.get(f"/api/sheets/{sheet['id']}/audit/audit.json").status_code == 409
    wait(client, sheet["id"], "release")  # by itself no audit begins
    assert read(client, sheet["id"])["stages"]["audit"]["state"] == "idle"
    client.post(f"/api/sheets/{sheet['id']}/stages/audit")
    other = wait(client, sheet["id"], "audit")["key"]
    assert "gap" in {f.kind for f in Audit.from_json(result(client, other, "audit.json").decode()).findings}
    # how E counts belongs to the audit as well
    program = {name: sheet["programs"][0][name] for name in ("digest", "name")}
    sheet = change(client, read(client, sheet["id"]), program={**program, "volumetric": True})
    assert len(sheet["programs"]) == 1 and sheet["stages"]["audit"]["key"] not in (key, other)


def test_what_is_no_program_is_refused_in_words(served: Served, part: bytes) -> None:
    client = served.client
    sheet = planned(client, part)
    assert client.post("/api/programs", content=b"").json()["error"]["kind"] == "ProgramError"
    for name, data in HOSTILE.items():
        sheet = put(client, read(client, sheet["id"]), data, name)
        state = wait(client, sheet["id"], "audit", "failed")
        error = state["error"]
        assert error["kind"] == "ProgramError" and error["subject"] == name and error["cure"], error
        assert "Traceback" not in json.dumps(error) and "/" not in error["wrong"], error
    # a digest of which no program has come, a path in its place, and a name that is one
    id, version = sheet["id"], sheet["version"]
    for digest in ("0" * 64, "../../bench.sqlite", sheet["part"]["digest"]):
        program = {"digest": digest, "name": "x.gcode"}
        answer = client.patch(f"/api/sheets/{id}", json={"version": version, "program": program})
        assert answer.status_code == 422, answer.text
    assert bring(client, b"G1 X1 E1\n", "x.gcode")
    answer = client.post("/api/programs", params={"name": "../../../etc/pass\nwd"}, content=b"G1 X1 E1\n")
    assert answer.json()["name"] == "passwd"
    names = [place.name for place in (served.folder / "programs").iterdir()]
    assert all(len(name) == 64 for name in names)


def test_two_people_bring_a_program_each(served: Served, part: bytes, sound: bytes, faulty: bytes) -> None:
    client, guest = served.client, served.newcomer()
    sheet = planned(client, part)
    first = bring(client, sound, "one.gcode")
    second = bring(guest, faulty, "two.gcode")
    change(client, sheet, program={"digest": first["digest"], "name": "one.gcode"})
    body = {"version": sheet["version"], "program": {"digest": second["digest"], "name": "two.gcode"}}
    answer = guest.patch(f"/api/sheets/{sheet['id']}", json=body)
    told = answer.json()
    assert answer.status_code == 409 and [one["field"] for one in told["changed"]] == ["programs"]
    assert told["changed"][0]["both"] and told["changed"][0]["theirs"][0]["name"] == "one.gcode"
    answer = guest.patch(f"/api/sheets/{sheet['id']}", json={**body, "version": told["sheet"]["version"]})
    assert [one["name"] for one in answer.json()["programs"]] == ["two.gcode", "one.gcode"]
    taken_off = change(guest, answer.json(), program=None)
    assert [one["name"] for one in taken_off["programs"]] == ["one.gcode"]
    assert taken_off["undo"]["what"] == "program one.gcode"
    guest.close()


def test_a_sheet_remembers_some_programs_and_each_once() -> None:
    state: dict[str, Any] = {"choices": {}}
    for k in [*range(MOST_PROGRAMS + 5), 10]:
        state = patched(state, {"program": {"digest": str(k), "name": "x"}})
    digests = [one["digest"] for one in state["programs"]]
    assert digests[:2] == ["10", str(MOST_PROGRAMS + 4)]
    assert len(digests) == MOST_PROGRAMS == len(set(digests))


def test_what_is_too_large_is_not_taken(tmp_path: Path) -> None:
    bench = Served(tmp_path / "data", "--workers", "1", "--most-mb", "1")
    line = b"G1 X10.000 Y10.000 E0.1000\n"
    answer = bench.client.post("/api/programs", content=line * 50_000)
    assert answer.status_code == 413 and answer.json()["error"]["kind"] == "TooLarge"

    def unannounced() -> Any:
        for _ in range(100):
            yield line * 1000

    with contextlib.suppress(httpx.TransportError):  # or the connection is cut while it is still sending
        assert bench.client.post("/api/programs", content=unannounced()).status_code == 413
    folders = [bench.folder / "arriving", bench.folder / "programs"]
    assert [list(folder.iterdir()) for folder in folders] == [[], []]
    assert bench.stop() == 0


def long_program(plan: Any) -> bytes:
    """A program that takes a while to read: its last layer over and over."""
    text = of_plan(plan).bytes()
    last = text[text.rindex(b"G0 Z") :]
    return text + last * (12_000_000 // len(last))


def test_an_audit_is_stopped_survives_a_killed_worker_and_a_killed_server(
    tmp_path: Path, part: bytes, sound: bytes
) -> None:
    bench = Served(tmp_path / "data", "--workers", "1")
    client = bench.client
    sheet = put(client, planned(client, part), long_program(table_plan()), "long.gcode")
    url = f"/api/sheets/{sheet['id']}/stages/audit"
    with client.stream("GET", f"/api/sheets/{sheet['id']}/events") as stream:
        stopped = 0.0
        for _, name, data in events(stream):
            if name != "stage" or data["stage"] != "audit":
                continue
            assert data["state"] != "ready"
            if data["state"] == "running" and not stopped and "reading" in data["step"]:
                stopped = time.monotonic()
                client.delete(url)
            if data["state"] == "idle" and stopped:
                assert time.monotonic() - stopped < 5.0  # one second on a machine that is not busy
                break
    with client.stream("GET", f"/api/sheets/{sheet['id']}/events") as stream:
        sheet = put(client, read(client, sheet["id"]), sound, "table.gcode")
        for _, name, data in events(stream):
            if name == "stage" and data["stage"] == "audit" and data["state"] == "running":
                break
    (worker,) = bench.workers()
    os.kill(worker, signal.SIGKILL)
    key = wait(client, sheet["id"], "audit")["key"]
    told = result(client, key, "audit.json")
    loose = bring(client, b"G1 X1 E1\n", "nobody-wants-it.gcode")
    bench.kill()
    time.sleep(0.5)
    bench = Served(tmp_path / "data", "--workers", "1")
    found = read(bench.client, sheet["id"])
    assert found["stages"]["audit"] == {"state": "ready", "key": key}
    assert [one["name"] for one in found["programs"]] == ["table.gcode", "long.gcode"]
    assert result(bench.client, key, "audit.json") == told
    assert not program_file(bench.folder, loose["digest"]).exists()
    assert program_file(bench.folder, found["programs"][0]["digest"]).read_bytes() == sound
    assert bench.stop() == 0


def test_the_settings_are_those_of_the_plan() -> None:
    process = solid_process()
    assert (process.fill, process.wall_speed_mm_s, process.fill_speed_mm_s) == (1.0, 45.0, 45.0)

"""What people do to sheets, over the line but without workers: conflicts, undo, processes, marks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bench.test_security import let_in
from falsework.bench import shapes
from falsework.bench.app import create_app
from falsework.bench.routes.parts import DEMO
from falsework.bench.service import BenchSettings, Service
from falsework.objective.price import PARTS
from falsework.part.demo import demo_parts
from falsework.process import builtin, builtin_names, describe, parse_process


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def ann(folder: Path) -> Iterator[TestClient]:
    app = create_app(BenchSettings(folder, ledger=folder / "ledger.sqlite3"))
    service: Service = app.state.service
    yield let_in(service, app)
    service.sheets.close()


def second(client: TestClient) -> TestClient:
    return let_in(client.app.state.service, client.app)  # type: ignore[attr-defined]


def drop(client: TestClient, data: bytes = b"solid", name: str = "cleat.stl") -> dict[str, Any]:
    answer = client.post("/api/parts", params={"name": name}, content=data)
    assert answer.status_code == 201
    shapes.UploadOut.model_validate(answer.json())
    sheet: dict[str, Any] = answer.json()["sheet"]
    return sheet


def patch(client: TestClient, sheet: dict[str, Any], version: int | None = None, **what: Any) -> Any:
    body = {"version": version or sheet["version"], **what}
    return client.patch(f"/api/sheets/{sheet['id']}", json=body)


def test_two_who_edit_one_sheet_do_not_lose_each_others_words(ann: TestClient) -> None:
    bob = second(ann)
    sheet = drop(ann)
    assert patch(bob, sheet, note="holes first", choices={"overrules": {"3": "bed"}}).status_code == 200
    answer = patch(ann, sheet, note="for the quay", choices={"standing": "leave"})
    assert answer.status_code == 409
    told = answer.json()
    shapes.ConflictBody.model_validate(told)
    assert told["error"]["kind"] == "Conflict" and "note" in told["error"]["wrong"]
    assert told["sheet"]["note"] == "holes first" and told["sheet"]["version"] == 2
    assert {
        change["field"]: (change["yours"], change["theirs"], change["both"]) for change in told["changed"]
    } == {
        "note": ("for the quay", "holes first", True),
        "choices.overrules.3": (None, "bed", False),
    }
    # having seen it, ann says it again
    now = patch(ann, told["sheet"], note="holes first, for the quay").json()
    assert (now["note"], now["version"], now["choices"]["overrules"]) == (
        "holes first, for the quay",
        3,
        {"3": "bed"},
    )
    people = [step["who"] for step in ann.get(f"/api/sheets/{sheet['id']}/history").json()["steps"]]
    assert people[0] == people[2] != people[1]


def test_undo_and_redo_by_anybody_and_a_refused_change_changes_nothing(ann: TestClient) -> None:
    sheet = drop(ann)
    url = f"/api/sheets/{sheet['id']}"
    assert patch(ann, sheet, choices={"settings": {"gloss": "9"}}).status_code == 422
    assert patch(ann, sheet, choices={"settings": {"layer_height_mm": "9"}}).status_code == 422
    assert (
        patch(ann, sheet, choices={"turn_deg": [0]}).json()["error"]["subject"].startswith("choices.turn_deg")
    )
    assert ann.get(url).json()["version"] == 1
    now = patch(ann, sheet, choices={"standing": "bed", "settings": {"layer_height_mm": "0.1"}}).json()
    assert now["process"]["layer_height_mm"] == 0.1 and "--standing bed" in now["command"]
    back = second(ann).post(f"{url}/undo", json={"version": 2}).json()
    shapes.SheetOut.model_validate(back)
    assert back["choices"] == sheet["choices"] and back["process"] == sheet["process"]
    assert back["undo"] == {"what": None, "redo": "layer height 0.1 mm, where supports start: bed"}
    assert ann.post(f"{url}/redo", json={"version": 2}).status_code == 409  # of an old version
    assert ann.post(f"{url}/redo", json={"version": 3}).json()["choices"] == now["choices"]
    answer = ann.post(f"{url}/redo", json={"version": 4})
    assert answer.status_code == 409 and "nothing to redo" in answer.json()["error"]["wrong"]


def test_an_earlier_state_is_looked_at_and_taken_back_and_nothing_is_lost(ann: TestClient) -> None:
    bob = second(ann)
    sheet = drop(ann)
    url = f"/api/sheets/{sheet['id']}"
    first = {
        "standing": "bed",
        "overrules": {"2": "leave", "10": "bed"},
        "settings": {"layer_height_mm": "0.1"},
    }
    sheet = patch(ann, sheet, note="holes first", choices=first).json()
    assert (
        patch(bob, sheet, choices={"standing": "leave", "show": {"face_sets": ["front"]}}).status_code == 200
    )
    assert ann.post(f"{url}/undo", json={"version": 3}).status_code == 200
    assert patch(ann, sheet, version=4, title="cleat, large", choices={"scale": 2.0}).status_code == 200
    listed = ann.get(f"{url}/history").json()
    shapes.HistoryOut.model_validate(listed)
    assert listed["title"] == "cleat, large" and listed["version"] == 5
    steps = listed["steps"]
    assert [(step["place"], step["own"]) for step in steps] == [
        ("before", True), ("before", True), ("aside", False), ("now", True),
    ]  # fmt: skip
    assert [step["own"] for step in bob.get(f"{url}/history").json()["steps"]] == [False, False, True, False]
    numbers = [step["number"] for step in steps]
    told = ann.get(f"{url}/history/{numbers[2]}").json()
    shapes.EarlierOut.model_validate(told)
    assert told["title"] == "cleat" and told["choices"]["standing"] == "leave" and told["step"] == steps[2]
    assert [(row["what"], row["then"], row["now"]) for row in told["differs"]] == [
        ("title", "cleat", "cleat, large"),
        ("scale", "1", "2"),
        ("where supports start", "no support", "support from the bed"),
        ("underside 2", "no support", "as chosen for you"),
        ("underside 10", "support from the bed", "as chosen for you"),
        ("faces to keep clean: face sets", "front", "–"),
    ]
    assert told["stages"]["supports"]["state"] == "idle"  # no worker has been here
    assert ann.get(f"{url}/history/{numbers[3]}").json()["differs"] == []

    back = f"{url}/history/{numbers[2]}/take-back"
    stale = ann.post(back, json={"version": 3})
    assert stale.status_code == 409 and stale.json()["sheet"]["version"] == 5
    done = ann.post(back, json={"version": 5}).json()
    shapes.SheetOut.model_validate(done)
    state = ("title", "note", "part", "choices", "process")
    assert {name: done[name] for name in state} == {name: told[name] for name in state}
    assert done["version"] == 6 and done["undo"]["what"] == (f"as it was after: {steps[2]['what']}")
    after = ann.get(f"{url}/history").json()["steps"]
    assert [step["number"] for step in after[:4]] == numbers and after[4]["place"] == "now"
    again = ann.post(f"{url}/history/{after[4]['number']}/take-back", json={"version": 6}).json()
    assert again["undo"]["what"] == done["undo"]["what"]  # not 'after: after'
    undone = ann.post(f"{url}/undo", json={"version": 7}).json()
    undone = ann.post(f"{url}/undo", json={"version": 8}).json()
    assert undone["title"] == "cleat, large"
    for number in (10**9, numbers[0]):
        other = drop(ann, b"solid y")["id"] if number == numbers[0] else sheet["id"]
        assert ann.get(f"/api/sheets/{other}/history/{number}").status_code == 404
        answer = ann.post(f"/api/sheets/{other}/history/{number}/take-back", json={"version": 9})
        assert answer.status_code == 404


def test_what_a_file_or_the_kept_process_was_is_told_too(ann: TestClient) -> None:
    made = {"based_on": "petg-0.6", "settings": {"structure.spacing_mm": "4"}}
    assert ann.put("/api/processes/quay", json=made).status_code == 200
    sheet = patch(ann, drop(ann), choices={"process": "quay"}).json()
    made["settings"]["structure.spacing_mm"] = "5"  # type: ignore[index]
    assert ann.put("/api/processes/quay", json=made).status_code == 200
    sheet = patch(ann, sheet, choices={"process": "pla-0.4"}).json()
    sheet = patch(ann, sheet, choices={"process": "quay", "turn_deg": [90, 0, 45.5]}).json()
    query = {"name": "cleat.stl", "sheet": sheet["id"], "version": sheet["version"]}
    assert ann.post("/api/parts", params=query, content=b"solid 2").status_code == 201
    steps = ann.get(f"/api/sheets/{sheet['id']}/history").json()["steps"]
    rows = ann.get(f"/api/sheets/{sheet['id']}/history/{steps[1]['number']}").json()["differs"]
    part, lie, process = ((row["what"], row["then"], row["now"]) for row in rows)
    assert part[0] == "part" and part[1] != part[2] and part[1].startswith("cleat.stl (")
    assert lie == ("lie", "x 0°, y 0°, z 0°", "x 90°, y 0°, z 45.5°")
    assert process == ("the process itself", "as it was kept then", "as it is kept now")


def test_turning_the_part_drops_what_was_said_of_its_undersides(ann: TestClient) -> None:
    sheet = patch(ann, drop(ann), choices={"overrules": {"3": "bed"}}).json()
    assert sheet["dropped"] == []
    now = patch(ann, sheet, choices={"turn_deg": [90, 0, 0]}).json()
    assert now["dropped"] == ["3"] and now["choices"]["overrules"] == {}
    back = ann.post(f"/api/sheets/{sheet['id']}/undo", json={"version": 3}).json()
    assert back["choices"]["overrules"] == {"3": "bed"}


def test_another_file_for_the_same_sheet(ann: TestClient) -> None:
    sheet = drop(ann)
    query = {"name": "cleat-2.stl", "sheet": sheet["id"]}
    assert ann.post("/api/parts", params=query, content=b"solid 2").status_code == 422
    answer = ann.post("/api/parts", params=query | {"version": 1}, content=b"solid 2")
    assert answer.status_code == 201 and answer.json()["sheet"]["part"]["name"] == "cleat-2.stl"
    assert ann.post("/api/parts", params=query | {"version": 1}, content=b"solid 3").status_code == 409
    assert ann.get(f"/api/parts/{answer.json()['part']}").content == b"solid 2"
    assert ann.get(f"/api/parts/{'0' * 64}").status_code == 404


def test_the_list_searching_copying_and_putting_away(ann: TestClient) -> None:
    one, two = drop(ann), drop(ann, b"solid x", "Möwe.3mf")
    listed = ann.get("/api/sheets").json()
    shapes.SheetsOut.model_validate(listed)
    assert [row["title"] for row in listed["sheets"]] == ["Möwe", "cleat"]
    assert [row["id"] for row in ann.get("/api/sheets", params={"search": "MÖWE"}).json()["sheets"]] == [
        two["id"]
    ]
    copied = ann.post(f"/api/sheets/{one['id']}/copy").json()
    assert copied["id"] != one["id"] and copied["title"] == "cleat (copy)" and copied["part"] == one["part"]
    assert ann.delete(f"/api/sheets/{one['id']}", params={"version": 9}).status_code == 409
    assert ann.delete(f"/api/sheets/{one['id']}", params={"version": 1}).status_code == 204
    assert ann.get(f"/api/sheets/{one['id']}").status_code == 404
    assert len(ann.get("/api/sheets").json()["sheets"]) == 2
    assert ann.post(f"/api/sheets/{one['id']}/restore").json()["title"] == "cleat"


def test_sheets_and_visitors_are_there_after_a_restart(ann: TestClient, folder: Path) -> None:
    sheet = patch(ann, drop(ann), note="keep me").json()
    (folder / "arriving" / "half").write_bytes(b"half an upload")
    (folder / "parts" / "orphan").mkdir()  # a part whose sheet was never made
    ann.app.state.service.sheets.close()  # type: ignore[attr-defined]
    app = create_app(BenchSettings(folder, ledger=folder / "ledger.sqlite3"))
    again = TestClient(app, base_url=str(ann.base_url), cookies=ann.cookies)
    assert again.get(f"/api/sheets/{sheet['id']}").json()["note"] == "keep me"
    assert list((folder / "arriving").iterdir()) == []
    assert [place.name for place in (folder / "parts").iterdir()] == [sheet["part"]["digest"]]
    app.state.service.sheets.close()


def test_marks_are_kept_by_their_content(ann: TestClient) -> None:
    answer = ann.post("/api/marks", content=b"\x05\x80").json()
    assert answer["count"] == 3
    assert ann.get(f"/api/marks/{answer['digest']}").content == b"\x05\x80"
    assert ann.get(f"/api/marks/{'0' * 64}").status_code == 404
    sheet = patch(ann, drop(ann), choices={"keep_off": answer["digest"]}).json()
    assert sheet["command"] is None


def test_processes_built_in_and_kept_as_file_and_on_a_sheet(ann: TestClient) -> None:
    made = {"based_on": "petg-0.6", "settings": {"structure.spacing_mm": "4"}}
    answer = ann.put("/api/processes/quay lamps", json=made)
    assert answer.status_code == 200 and answer.json()["process"]["structure"]["spacing_mm"] == 4.0
    listed = ann.get("/api/processes").json()
    shapes.ProcessesOut.model_validate(listed)
    assert [row["name"] for row in listed["processes"]] == [*builtin_names(), "quay lamps"]
    text = ann.get("/api/processes/quay lamps.toml").text
    process = parse_process(text, "x")
    assert process.name == "quay lamps" and process.structure.spacing_mm == 4.0
    assert parse_process(ann.get("/api/processes/pla-0.4.toml").text, "x") == builtin("pla-0.4")
    assert ann.put("/api/processes/copy", json={"toml": text}).json()["process"]["name"] == "copy"
    sheet = patch(ann, drop(ann), choices={"process": "quay lamps"}).json()
    assert sheet["process"]["structure"]["spacing_mm"] == 4.0
    assert ann.delete("/api/processes/quay lamps").status_code == 204
    # the sheet keeps what it was given
    assert patch(ann, sheet, note="still").json()["process"] == sheet["process"]
    assert patch(ann, sheet, version=3, choices={"process": "nobody's"}).status_code == 422


def test_the_registry_names_every_field_and_the_demo_parts_are_those_of_the_room(ann: TestClient) -> None:
    told = ann.get("/api/registry").json()
    shapes.RegistryOut.model_validate(told)
    assert [(row["table"], row["field"]) for row in told["process"]] == [
        (r.table, r.field) for r in describe()
    ]
    assert {"angle_deg", "span_mm", "air_gap_mm"} <= {row["key"] for row in told["condition"]}
    assert {"let_go", "finish", "droop_mm"} <= {row["key"] for row in told["reading"]}
    assert list(told.pop("price")) == list(PARTS)
    assert all(row["help"] for rows in told.values() for row in rows)
    assert list(DEMO) == list(demo_parts())


def test_pages_and_the_description_need_nothing_from_elsewhere(ann: TestClient) -> None:
    described = ann.get("/api/openapi.json").json()
    assert {"Plan", "Inspection", "Orientations", "Totals", "Remedy", "SheetOut"} <= described["components"][
        "schemas"
    ].keys()
    page = ann.get("/api/docs").text
    assert "/api/sheets/{sheet}" in page and "http" not in page.replace("http://127", "")
    assert "<script" not in page and "style=" not in page

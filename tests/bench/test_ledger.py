"""The ledger over the line: printers, readings with photographs, corrections, prints, export and import."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bench.test_security import let_in
from bench.test_service import drop
from falsework.bench.app import create_app
from falsework.bench.service import BenchSettings, Service
from falsework.bench.stages import Stage
from falsework.documents import encode
from falsework.ledger import Ledger
from falsework.ledger.looking import spots_of_plan, summary
from falsework.process import builtin
from falsework.tuning.posterior import PRIOR_POSTERIOR
from plans import bracket_plan

PNG = b"\x89PNG\r\n\x1a\n" + b"a picture of the quay"
OVERHANG = {
    "kind": "overhang",
    "nozzle_mm": 0.4,
    "layer_height_mm": 0.2,
    "line_width_mm": 0.45,
    "nozzle_temperature_c": 210.0,
    "fan": 1.0,
    "speed_mm_s": 45.0,
    "angle_deg": 55.0,
}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    app = create_app(BenchSettings(tmp_path / "data", ledger=tmp_path / "ledger.sqlite3"))
    service: Service = app.state.service
    service.app = app  # type: ignore[attr-defined]
    yield service
    service.sheets.close()


@pytest.fixture
def client(service: Service) -> TestClient:
    return let_in(service, service.app)  # type: ignore[attr-defined]


def known(client: TestClient) -> None:
    for url in ("/api/printers/harbour printer", "/api/materials/PLA"):
        assert client.put(url, json={}).status_code == 200


def reading(**more: Any) -> dict[str, Any]:
    return {"printer": "harbour printer", "material": "PLA", "condition": OVERHANG, "finish": 3, **more}


def test_before_anything_is_recorded_there_is_no_ledger_and_none_is_made(
    service: Service, client: TestClient
) -> None:
    assert client.get("/api/readings").json() == {"readings": [], "total": 0}
    assert client.get("/api/prints").json() == {"prints": [], "total": 0}
    assert client.get("/api/coupons").json() == {"coupons": []}
    assert client.get("/api/printers").json() == {"printers": []}
    assert client.get("/api/ledger/export.json").status_code == 422
    assert client.get("/api/readings/1/history").status_code == 422
    assert client.get(f"/api/photographs/{'0' * 64}").status_code == 404
    assert not service.ledger_access.path.exists()


def test_printers_and_materials_are_described_with_the_settings_of_a_process(client: TestClient) -> None:
    settings = {"printer.build_width_mm": "300"}
    told = client.put("/api/printers/harbour printer", json={"settings": settings}).json()
    assert told["printer"]["build_width_mm"] == 300.0 and told["printer"]["name"] == "harbour printer"
    assert (
        client.put("/api/materials/blue", json={"settings": {"material.price_per_kg": "30"}}).status_code
        == 200
    )
    assert client.get("/api/materials").json()["materials"][0]["material"]["price_per_kg"] == 30.0
    for wrong in ({"material.price_per_kg": "1"}, {"printer.build_width_mm": "wide"}, {"printer.gloss": "1"}):
        assert client.put("/api/printers/x", json={"settings": wrong}).status_code == 422


def test_a_reading_sent_twice_is_recorded_once_with_its_photographs(
    service: Service, client: TestClient
) -> None:
    known(client)
    shown = client.post("/api/photographs", content=PNG, params={"name": "../fin.png"}).json()["photograph"]
    sent = reading(once=str(uuid.uuid4()), photographs=[shown], note="left fin")
    first = client.post("/api/readings", json=sent)
    assert first.status_code == 201, first.text
    assert client.post("/api/readings", json=sent).json()["id"] == first.json()["id"]
    listed = client.get("/api/readings", params={"search": "LEFT", "kind": "overhang"}).json()
    assert listed["total"] == 1
    (row,) = listed["readings"]
    assert row["reading"]["finish"] == 3 and row["photographs"] == [shown] and row["note"] == "left fin"
    assert client.get("/api/readings", params={"kind": "bridge"}).json()["total"] == 0
    answer = client.get(f"/api/photographs/{shown}")
    assert answer.content == PNG and answer.headers["content-type"] == "image/png"
    assert "sandbox" in answer.headers["content-security-policy"]
    # what is recorded is in the ledger that the command line reads
    assert [one.reading.finish for one in Ledger(service.ledger_access.path).readings()] == [3]


@pytest.mark.parametrize(
    "wrong",
    [
        {"finish": 9},
        {"finish": None},
        {"printer": "nobody's"},
        {"condition": None},
        {"condition": {**OVERHANG, "angle_deg": "steep"}},
        {"condition": {"kind": "overhang"}},
        {"condition": {**OVERHANG, "gloss": 1}},
        {"measured_on": "2999-01-01"},
        {"thickness_mm": 3.0},
        {"coupon": "NONE-1", "cell": "A1"},
        {"print": 77},
        {"once": "x"},
        {"photographs": ["../../x"]},
        {"photographs": ["0" * 64]},
        {"let_go": "politely"},
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_recorded(client: TestClient, wrong: dict[str, Any]) -> None:
    known(client)
    answer = client.post("/api/readings", json={**reading(), **wrong})
    assert answer.status_code in (404, 422), answer.text
    assert answer.json()["error"]["wrong"]
    assert client.get("/api/readings").json()["total"] == 0


def test_readings_by_their_numbers(client: TestClient) -> None:
    known(client)
    ids = [client.post("/api/readings", json=reading(note=f"no {k}")).json()["id"] for k in range(6)]

    def asked(numbers: str) -> list[int]:
        answer = client.get("/api/readings", params={"numbers": numbers})
        assert answer.status_code == 200, answer.text
        return [one["id"] for one in answer.json()["readings"]]

    assert asked(f"{ids[0]},{ids[2]}-{ids[4]}") == [ids[4], ids[3], ids[2], ids[0]]
    assert asked("") == ids[::-1] and asked("999") == [] and asked("5-3") == []
    for wrong in ("one", "1,", "-3", "1--2"):
        assert client.get("/api/readings", params={"numbers": wrong}).status_code == 422


def test_photographs_that_are_none_are_refused(client: TestClient) -> None:
    answer = client.post("/api/photographs", content=b"<svg onload=alert(1)>")
    assert answer.status_code == 422 and "photograph" in answer.json()["error"]["wrong"]


def test_a_reading_is_corrected_withdrawn_and_restored_and_all_is_kept(client: TestClient) -> None:
    known(client)
    number = client.post("/api/readings", json=reading()).json()["id"]
    url = f"/api/readings/{number}"
    told = client.patch(url, json={"reason": "looked again", "outcome": {"finish": 2, "droop_mm": 0.4}})
    assert told.json()["reading"]["finish"] == 2 and told.json()["changes"] == 1
    assert client.patch(url, json={"reason": "", "outcome": {"finish": 2}}).status_code == 422
    assert client.post(f"{url}/withdraw", json={"reason": "wrong spool"}).json()["withdrawn"]
    assert client.get("/api/readings").json()["total"] == 0
    assert client.get("/api/readings", params={"withdrawn": True}).json()["total"] == 1
    assert client.post(f"{url}/withdraw", json={"reason": "again"}).status_code == 422
    assert not client.post(f"{url}/restore", json={"reason": "right spool"}).json()["withdrawn"]
    steps = client.get(f"{url}/history").json()["versions"]
    assert [step["act"] for step in steps] == ["recorded", "corrected", "withdrawn", "restored"]
    assert [step["reading"]["finish"] for step in steps] == [3, 2, 2, 2]


def test_a_print_of_a_sheet_tells_what_to_look_at_and_takes_readings(
    service: Service, client: TestClient
) -> None:
    sheet = drop(client)
    wanted = {"sheet": sheet["id"], "printed_on": "2026-03-01"}
    assert client.post("/api/prints", json=wanted).status_code == 409  # not worked out yet
    plan = bracket_plan()
    order = service.order(service.sheets.get(sheet["id"]))
    place = service.results.place(order.key(Stage.RELEASE))
    place.mkdir()
    (place / "plan.json").write_text(plan.to_json(), "utf-8")
    spots = {"summary": summary(plan), "spots": [encode(spot) for spot in spots_of_plan(plan)]}
    (place / "spots.json").write_text(json.dumps(spots), "utf-8")
    assert service.results.added(place.name)
    made = client.post("/api/prints", json=wanted)
    assert made.status_code == 201, made.text
    number = made.json()["id"]
    assert made.json()["part"] == plan.part.name and made.json()["summary"]["pieces"] == len(plan.pieces)
    spot = made.json()["spots"][0]
    sent = {"print": number, "cell": spot["cell"], "let_go": "hand"}
    answer = client.post("/api/readings", json=sent)
    assert answer.status_code == 201, answer.text
    assert client.post("/api/readings", json={**sent, "cell": "underside 99"}).status_code == 422
    shown = client.post("/api/photographs", content=PNG).json()["photograph"]
    assert client.post(f"/api/photographs/{shown}/shows", json={"print": number}).status_code == 201
    found = client.get(f"/api/prints/{number}").json()
    assert [one["cell"] for one in found["readings"]] == [spot["cell"]]
    assert [one["digest"] for one in found["photographs"]] == [shown]
    assert client.get("/api/prints", params={"search": plan.part.name[:4]}).json()["total"] == 1
    assert client.get("/api/prints", params={"search": "nothing such"}).json()["total"] == 0
    assert client.get("/api/prints/99").status_code == 404
    assert client.post("/api/prints", json={}).status_code == 422


def test_the_whole_goes_out_and_comes_back(client: TestClient, tmp_path: Path) -> None:
    known(client)
    client.post("/api/readings", json=reading())
    text = client.get("/api/ledger/export.json").content
    table = client.get("/api/ledger/export.csv").content
    assert b"harbour printer" in table
    again = client.post("/api/ledger/import", params={"form": "json"}, content=text).json()["imported"]
    assert again["known"] == 1
    app = create_app(BenchSettings(tmp_path / "other", ledger=tmp_path / "other.sqlite3"))
    other = let_in(app.state.service, app)
    assert other.post("/api/ledger/import", params={"form": "json"}, content=text).status_code == 200
    assert other.get("/api/readings").json()["total"] == 1
    for wrong in (b"{}", b"\xff\xfe", b"[1]"):
        answer = other.post("/api/ledger/import", params={"form": "json"}, content=wrong)
        assert answer.status_code == 422, answer.text
    app.state.service.sheets.close()


def test_tuning_says_how_many_readings_there_are_and_whether_they_are_worked_out(client: TestClient) -> None:
    known(client)
    query = {"process": "pla-0.4", "printer": "harbour printer"}
    state = client.get("/api/tuning", params=query).json()
    assert any("Fumes" in caution["head"] for caution in state.pop("cautions"))
    assert state == {"key": None, "readings": 0, "fitted": False}
    client.post("/api/readings", json=reading())
    state = client.get("/api/tuning", params=query).json()
    assert (state["key"], state["readings"], state["fitted"]) == (None, 1, False)
    assert client.get("/api/tuning", params={"process": "none such"}).status_code == 422
    assert client.get("/api/tuning", params={**query, "printer": "nobody's"}).status_code == 422
    assert client.post("/api/tuning/keep", json={**query, "name": "ours"}).status_code == 409


def fit_text(count: int) -> str:
    return replace(PRIOR_POSTERIOR, count=count).to_json()


def test_the_fit_that_counts_can_be_read_and_the_command_names_its_ledger(
    service: Service, client: TestClient
) -> None:
    url = f"/api/sheets/{drop(client)['id']}"
    query = {"process": "pla-0.4"}

    def command() -> str:
        return str(client.get(url).json()["command"])

    assert service.ledger_access.fit == "" and command().endswith("--ledger none")  # it is not the user's own
    ledger = service.ledger_access.introduce(builtin("pla-0.4"))
    ledger.save_fit(fit_text(1), ledger.readings_digest())
    assert service.ledger_access.look() and not service.ledger_access.look()
    digest = service.ledger_access.fit
    assert (service.settings.folder / "fits" / digest).read_text("utf-8") == fit_text(1)
    assert client.get("/api/tuning", params=query).json()["fitted"]
    assert command().endswith(f"--ledger {service.ledger_access.path}")
    for text in ("a fit of another version", '{"schema": "falsework.fit/0"}'):
        ledger.save_fit(text, ledger.readings_digest())
        assert not client.get("/api/tuning", params=query).json()["fitted"]
    assert (
        service.ledger_access.look()
        and service.ledger_access.fit == ""
        and command().endswith("--ledger none")
    )

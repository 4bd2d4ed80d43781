"""A full disk: every edit says so, in the sentence that readings use, and nothing is half-done."""

from __future__ import annotations

from pathlib import Path

from starlette.testclient import TestClient

from bench.test_security import let_in
from falsework.bench.app import create_app
from falsework.bench.service import BenchSettings, Service
from falsework.ledger.database import _SQLITE_TROUBLES

CUBE = b"solid x\nendsolid x\n"


def test_every_edit_of_a_full_disk_says_so_and_the_sheet_stays_as_it_was(tmp_path: Path) -> None:
    app = create_app(BenchSettings(tmp_path, ledger=tmp_path / "ledger.sqlite3"))
    service: Service = app.state.service
    client: TestClient = let_in(service, app)
    made = client.post("/api/parts", params={"name": "cube.stl"}, content=CUBE).json()["sheet"]
    address = f"/api/sheets/{made['id']}"
    pages = service.sheets._db.execute("PRAGMA page_count").fetchone()[0]
    service.sheets._db.execute(f"PRAGMA max_page_count = {pages}")
    wrong = _SQLITE_TROUBLES["SQLITE_FULL"][0]
    long = "x" * 19_000
    edits = [
        lambda: client.patch(address, json={"version": made["version"], "note": long}),
        lambda: client.post(
            f"{address}/copy", json={"title": "again", "choices": {"underside_notes": {"1": long}}}
        ),
        lambda: client.post("/api/marks", content=b"x" * 100_000),
    ]
    for edit in edits:
        answer = edit()
        assert answer.status_code == 507 and answer.json()["error"]["wrong"] == wrong, answer.text
    kept = client.get(address).json()
    assert kept["version"] == made["version"] and kept["note"] == ""
    service.sheets._db.execute(f"PRAGMA max_page_count = {10 * pages + 1000}")
    assert client.patch(address, json={"version": made["version"], "note": long}).status_code == 200
    service.sheets.close()


def test_a_fit_that_comes_to_count_is_in_the_history(tmp_path: Path) -> None:
    app = create_app(BenchSettings(tmp_path, ledger=tmp_path / "ledger.sqlite3"))
    service: Service = app.state.service
    client: TestClient = let_in(service, app)
    made = client.post("/api/parts", params={"name": "cube.stl"}, content=CUBE).json()["sheet"]
    address = f"/api/sheets/{made['id']}/history"
    assert client.get(address).json()["fits"] == []
    service.sheets.note_fit("a" * 64)
    assert len(client.get(address).json()["fits"]) == 1
    service.sheets.close()

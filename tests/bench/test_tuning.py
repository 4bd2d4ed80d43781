"""From a test piece over its readings to a tuned process that a sheet is planned with."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

from bench.benches import Served, change, read, result, upload, wait
from falsework.bench.work import Bench, do
from falsework.coupon import Coupon
from falsework.documents import encode
from falsework.files.stl import write_stl
from falsework.ledger import Ledger
from falsework.part.demo import table
from falsework.planning import plan
from falsework.process import builtin, parse_process
from falsework.tuning.belief import belief_of
from falsework.tuning.invented import invented_printer
from falsework.tuning.posterior import PRIOR_POSTERIOR, Posterior
from falsework.watch import QUIET


def finished(client: Any, task: dict[str, Any]) -> Any:
    """The result of a task when it is done."""
    end = time.monotonic() + 120.0
    while task["state"] in ("queued", "running") and time.monotonic() < end:
        time.sleep(0.05)
        task = client.get(f"/api/tasks/{task['id']}").json()
    assert task["state"] == "done", task
    return task["result"]


def test_coupon_readings_tune_keep_plan(served: Served, tmp_path: Any) -> None:
    client = served.client
    part = table(20.0, 20.0, 8.0)
    path = tmp_path / "stool.stl"
    write_stl(path, part.vertices, part.faces, part.name)
    sheet = upload(client, path.read_bytes(), "stool.stl")
    own = {"printer.name": "harbour mole"}  # what is learned here counts for no other test
    sheet = change(client, sheet, choices={"settings": own})
    before = wait(client, sheet["id"], "undersides")["key"]

    wanted = {"process": "pla-0.4", "settings": own, "kind": "overhang-fan", "seed": 4, "minutes": 20}
    made = finished(client, client.post("/api/coupons", json=wanted).json())
    told = client.get(f"/api/coupons/{made['coupon']}").json()
    assert {"coupon.json", "sheet.html", "sheet.pdf", "readings.csv"} <= set(told["files"])
    assert len(told["spots"]) == len(told["coupon"]["cells"]) > 3
    page = client.get(f"/api/coupons/{made['coupon']}/files/sheet.html", params={"view": True})
    assert page.status_code == 200 and "sandbox" in page.headers["content-security-policy"]
    assert client.get(f"/api/coupons/{made['coupon']}/files/../../bench.sqlite").status_code == 404

    # read off a printer that was made up
    piece = Coupon.from_json(client.get(f"/api/coupons/{made['coupon']}/files/coupon.json").text)
    seen = invented_printer(5).readings([cell.condition for cell in piece.cells], seed=5)
    for cell, reading in zip(piece.cells, seen, strict=True):
        outcome = {"finish": reading.finish, "droop_mm": reading.droop_mm, "invented": True}
        sent = {"coupon": piece.code, "cell": cell.label, "once": f"cell-{cell.label}-once", **outcome}
        answer = client.post("/api/readings", json=sent)
        assert answer.status_code == 201, answer.text
    query = {"process": "pla-0.4", "printer": "harbour mole"}
    state = client.get("/api/tuning", params=query).json()
    assert "Never unattended" in {caution["head"] for caution in state.pop("cautions")}
    assert state == {"key": None, "readings": len(piece.cells), "fitted": False}

    key = finished(client, client.post("/api/tuning", json=query).json())["key"]
    state = client.get("/api/tuning", params=query).json()
    assert (state["key"], state["readings"], state["fitted"]) == (key, len(piece.cells), True)
    advice = client.get(f"/api/results/{key}/tuning.json").json()["recommendation"]
    assert advice["readings"] == len(piece.cells) and advice["invented"]
    assert "sandbox" in client.get(f"/api/tuning/{key}/page").headers["content-security-policy"]
    kept = client.post("/api/tuning/keep", json={**query, "name": "tuned pla"}).json()
    assert kept["name"] == "tuned pla" and "invented" in kept["basis"]

    # the sheet is worked out anew with what was learned, as the command would
    now = wait(client, sheet["id"], "undersides")["key"]
    assert now != before
    sheet = change(
        client,
        read(client, sheet["id"]),
        choices={"process": "tuned pla", "settings": {"printer.name": None}},
    )
    release = wait(client, sheet["id"], "release")["key"]
    ledger = Ledger(served.folder / "ledger.sqlite3")
    stored = ledger.fit()
    assert stored is not None
    process = parse_process(client.get("/api/processes/tuned pla.toml").text, "tuned pla")
    belief = belief_of(Posterior.from_json(stored.text), process.printer.name, process.material)
    expected = plan(path, process, belief=belief)
    assert result(client, release, "plan.json").decode() == expected.to_json(said=True)


def test_where_all_readings_were_withdrawn_what_they_had_taught_counts_no_more(tmp_path: Any) -> None:
    process = builtin("pla-0.4")
    ledger = Ledger.open(tmp_path / "ledger.sqlite3")
    given = {"process": encode(process), "ledger": str(ledger.path), "minutes": 30.0, "grams": 15.0}
    for k, fits in enumerate((False, True)):  # nothing was fitted yet; something was
        staging = tmp_path / f"{k}"
        staging.mkdir()
        do("tune", Bench(tmp_path), given, staging, QUIET)
        assert (staging / "fit.json").exists() is fits
        ledger.save_fit(replace(PRIOR_POSTERIOR, count=3).to_json(), "before they were withdrawn")
    assert Posterior.from_json((staging / "fit.json").read_text("utf-8")).count == 0

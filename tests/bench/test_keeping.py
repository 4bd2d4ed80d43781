"""What the bench keeps: results within their limit, fits, marks; never without what somebody needs."""

from __future__ import annotations

import asyncio
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bench.test_security import let_in
from bench.test_service import drop, patch
from falsework.bench.app import create_app
from falsework.bench.results import Results
from falsework.bench.service import BenchSettings, Service
from falsework.bench.stages import Stage
from falsework.process import builtin
from falsework.tuning.posterior import PRIOR_POSTERIOR


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "data"


def opened(folder: Path, **settings: Any) -> tuple[Service, TestClient]:
    app = create_app(BenchSettings(folder, ledger=folder / "ledger.sqlite3", **settings))
    service: Service = app.state.service
    return service, let_in(service, app)


def made(service: Service, key: str, size: int, used: float) -> None:
    """A result as a worker leaves it, last used at that moment."""
    place = service.results.place(key)
    place.mkdir()
    (place / "x.bin").write_bytes(bytes(size))
    assert service.results.added(key)
    service.results._used[key] = used


def test_results_keep_to_their_limit_and_what_a_sheet_or_a_task_needs_stays(folder: Path) -> None:
    service, client = opened(folder, results_bytes=5000)
    sheet = service.sheets.get(drop(client)["id"])
    shown = service.order(sheet).key(Stage.SUPPORTS)

    async def finish(key: str) -> None: ...

    task = service.scheduler.begin("coupon", "making a test piece", {"seed": 1}, "ann", finish)
    others = [f"{k:064x}" for k in range(10)]
    made(service, shown, 1000, 1.0)  # longest unused of all, and needed
    made(service, task.key, 1000, 2.0)
    for k, key in enumerate(others):
        made(service, key, 1000, 3.0 + k)
    service.results.trim(service.scheduler.needed())
    kept = {place.name for place in service.results.folder.iterdir()}
    assert kept == {shown, task.key, *others[-3:]}
    assert {key for key in (shown, task.key, *others) if service.results.has(key)} == kept
    service.sheets.close()
    # after a restart the limit holds as well, by what lies on the disk
    again = Results(folder / "results", 2000)
    again.trim({shown})
    assert {place.name for place in again.folder.iterdir()} > {shown} and again.has(shown)
    assert sum(1 for _ in again.folder.iterdir()) == 2


def test_of_fits_those_stay_that_count_that_are_needed_and_the_latest(folder: Path) -> None:
    service, client = opened(folder)
    fits = folder / "fits"
    ledger = service.ledger_access.introduce(builtin("pla-0.4"))
    hashes: list[str] = []

    def there() -> set[str]:
        return {place.name for place in fits.iterdir()}

    def fitted(count: int) -> None:
        text = replace(PRIOR_POSTERIOR, count=count).to_json()
        ledger.save_fit(text, ledger.readings_digest())
        asyncio.run(service.refitted())
        hashes.append(service.ledger_access.fit)
        os.utime(fits / hashes[-1], (count, count))

    async def finish(key: str) -> None: ...

    fitted(1)
    service.sheets.keep_coupon("FAN-1", {"kind": "overhang-fan", "fit": service.ledger_access.fit})
    fitted(2)
    service.scheduler.begin(
        "coupon", "making a test piece", {"fit": service.ledger_access.fit}, "ann", finish
    )
    fitted(3)
    drop(client)
    for count in range(4, 17):
        fitted(count)
    # a piece made with the first, a job that waits with the second, the current one, eight in any case
    assert there() == {*hashes[:2], *hashes[-9:]}
    assert service.scheduler.fits() >= {hashes[1], hashes[-1]} and hashes[2] not in service.scheduler.fits()
    service.sheets.close()
    again, _ = opened(folder)  # no job waits any more
    assert there() == {hashes[0], *hashes[-9:]}
    again.sheets.close()


def test_marks_stay_as_long_as_a_sheet_or_its_history_knows_them(folder: Path) -> None:
    service, client = opened(folder)
    digests = [client.post("/api/marks", content=bytes([k])).json()["digest"] for k in (1, 2, 3)]
    sheet = patch(client, drop(client), choices={"show": {"faces": digests[0]}}).json()
    sheet = patch(client, sheet, choices={"show": {"faces": digests[1]}}).json()  # undo leads back
    service.sheets.close()
    service, client = opened(folder)
    kept = [client.get(f"/api/marks/{digest}").status_code for digest in digests]
    assert kept == [200, 200, 404]
    answer = patch(client, sheet, choices={"show": {"faces": digests[2]}})
    assert answer.status_code == 422 and "Mark" in answer.json()["error"]["cure"]
    service.sheets.close()

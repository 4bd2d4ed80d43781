"""A real Chromium, and a bench that it talks to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect, sync_playwright

from bench.benches import Served
from browser.rest import PATIENCE_MS, WATCH

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--use-gl=angle", "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader", "--disable-gpu-rasterization",
]  # fmt: skip
expect.set_options(timeout=PATIENCE_MS)


@pytest.fixture(scope="module")  # no longer: while it runs, nothing else in the process can use asyncio
def chromium() -> Iterator[Any]:
    if not CHROMIUM.exists():
        pytest.skip(f"needs Chromium at {CHROMIUM}")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = Served(tmp_path_factory.mktemp("bench") / "data", "--workers", "2")
    yield served
    assert served.stop() == 0


@pytest.fixture
def browse(chromium: Any, bench: Served) -> Iterator[Callable[..., Any]]:
    """Open one more browser on the bench. Whatever it complains of, or fetches from elsewhere, fails the
    test, unless the test empties ``page.faults`` of what it caused itself."""
    pages = []

    def open_page(path: str = "/", **options: Any) -> Any:
        # half the pixels each way: the processor draws them all
        sparing = {"reduced_motion": "reduce", "device_scale_factor": 0.5}
        settings = {"viewport": {"width": 1200, "height": 760}} | sparing | options
        context = chromium.new_context(**settings)
        context.add_init_script(WATCH)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.faults, page.fetched = [], []
        page.on("console", lambda m: page.faults.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: page.faults.append(str(e)))
        page.on("request", lambda r: page.fetched.append(r.url))
        base = bench.entrance.partition("/enter")[0]
        page.goto(bench.client.post("/api/invitations").json()["address"])
        page.base = base
        if path != "/":
            page.goto(base + path)
        pages.append(page)
        return page

    yield open_page
    for page in pages:
        assert page.faults == []
        assert [url for url in page.fetched if not url.startswith((page.base, "data:", "blob:"))] == []
        page.context.close()

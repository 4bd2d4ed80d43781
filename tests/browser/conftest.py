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
    served = Served(tmp_path_factory.mktemp("bench") / "data", "--workers", "1")
    yield served
    assert served.stop() == 0


# half the pixels each way, and no more in sight than is needed: the processor draws them all
USUAL = {"viewport": {"width": 1200, "height": 560}, "reduced_motion": "reduce", "device_scale_factor": 0.5}
FORGET = """async () => {
  localStorage.clear();
  sessionStorage.clear();
  for (const { name } of await indexedDB.databases()) indexedDB.deleteDatabase(name);
}"""


def _let_in(chromium: Any, bench: Served, **options: Any) -> Any:
    """One more browser, which knows the bench."""
    context = chromium.new_context(**USUAL | options)
    context.add_init_script(WATCH)
    page = context.new_page()
    page.goto(bench.client.post("/api/invitations").json()["address"])
    page.close()
    return context


@pytest.fixture(scope="module")
def home(chromium: Any, bench: Served) -> Iterator[Any]:
    """The browser that tests share, one after another: what it has fetched it need not fetch again."""
    context = _let_in(chromium, bench)
    yield context
    context.close()


@pytest.fixture
def browse(chromium: Any, bench: Served, home: Any) -> Iterator[Callable[..., Any]]:
    """Open a page on the bench, each in a browser of its own. Whatever it complains of, or fetches from
    elsewhere, fails the test, unless the test empties ``page.faults`` of what it caused itself."""
    pages = []

    def open_page(path: str = "/", **options: Any) -> Any:
        context = _let_in(chromium, bench, **options) if options or pages else home
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.faults, page.fetched = [], []
        page.on("console", lambda m: page.faults.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: page.faults.append(str(e)))
        page.on("request", lambda r: page.fetched.append(r.url))
        page.base = bench.entrance.partition("/enter")[0]
        page.goto(page.base + path)
        pages.append(page)
        return page

    yield open_page
    for page in pages:
        if page.context is home:
            home.set_offline(False)
            page.evaluate(FORGET)
            page.close()
        else:
            page.context.close()
    for page in pages:
        assert page.faults == []
        assert [url for url in page.fetched if not url.startswith((page.base, "data:", "blob:"))] == []

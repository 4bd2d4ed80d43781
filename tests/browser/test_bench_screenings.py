"""The bench's screenings in a real browser: pictures arrive, a part is opened as an order."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from bench.benches import Served
from browser.rest import PATIENCE_MS
from screenings import write_box

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("bench")
    write_box(folder / "spare parts" / "cleat.stl")
    (folder / "spare parts" / "none.stl").write_text("hello")
    served = Served(folder / "data", "--workers", "1", "--catalogue", str(folder / "spare parts"))
    yield served
    assert served.stop() == 0


def test_a_folder_is_screened_and_a_part_opened(chromium: Any, stocked: Served) -> None:
    page = chromium.new_context(viewport={"width": 1100, "height": 800}).new_page()
    page.set_default_timeout(PATIENCE_MS)
    faults: list[str] = []
    page.on(
        "console",
        lambda m: faults.append(f"{m.text} {m.location}") if m.type in ("error", "warning") else None,
    )
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.goto(stocked.client.post("/api/invitations").json()["address"])
    page.get_by_role("navigation", name="Places").get_by_role("link", name="Screenings").click()
    page.wait_for_selector("html[data-ready]")
    page.get_by_role("button", name="Screen it").click()
    expect(page.locator("#run-said")).to_contain_text("done: 2 of 2 parts", timeout=180_000)
    expect(page.locator("#parts li")).to_have_count(2)
    expect(page.locator("#parts li").first).to_contain_text("none.stl: this is text")
    expect(page.get_by_role("img", name="cleat from below")).to_be_visible()
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("button", name="Open as an order").click()
    page.wait_for_url("**/sheets/*")
    page.go_back()
    page.get_by_role("button", name="Stop and remove it").click()
    expect(page.locator("#run")).to_be_hidden()
    assert faults == []
    page.context.close()

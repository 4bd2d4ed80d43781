"""The page of a screening in a real browser: found, sorted and opened by keyboard; nothing is fetched."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from browser.rest import PATIENCE_MS
from falsework.screening.index import write_index
from screenings import PAGE_ROWS, kept, part

pytestmark = pytest.mark.browser


@pytest.fixture
def page(chromium: Any, tmp_path: Path):
    many = [part(f"part {k:04d}", loss=float(k), wanted=1 + k % 2) for k in range(3000)]
    path = write_index(kept(tmp_path / "out", many + PAGE_ROWS[2:4]))
    context = chromium.new_context(viewport={"width": 1200, "height": 760}, reduced_motion="reduce")
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    faults: list[str] = []
    page.on("console", lambda m: faults.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.on("request", lambda r: faults.append(r.url) if not r.url.startswith("file:") else None)
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]")
    yield page
    context.close()
    assert faults == []


def test_it_is_searched_sorted_and_opened_by_keyboard(page: Any) -> None:
    names = page.locator(".parts .part button")
    expect(names.first).to_have_text("d")
    assert page.locator(".parts tbody tr").count() < 60
    assert page.locator(".parts thead th").nth(1).bounding_box()["width"] > 190  # room for names
    page.fill("#find", "part 2999")
    expect(names).to_have_text(["part 2999"])
    expect(page.locator("#said")).to_contain_text("1 of 3")
    page.fill("#find", "")
    page.get_by_label("failed").uncheck()
    page.get_by_label("not ready").uncheck()
    page.get_by_role("button", name="Part", exact=True).click()
    expect(names.first).to_have_text("part 0000")
    page.focus("#parts")
    page.keyboard.press("End")
    page.keyboard.press("Enter")
    expect(page.locator("#one-name")).to_have_text("part 2999, p: ready")
    page.keyboard.press("Escape")
    expect(page.locator("#one")).to_be_hidden()


def test_it_is_sound_to_those_who_hear_it(page: Any) -> None:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in found] == []

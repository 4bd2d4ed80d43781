"""A sheet's history on the page: who else is here, what was before, and taking it back."""

from __future__ import annotations

import re
from contextlib import closing

import pytest

from bench.benches import change, demo, read, wait
from browser.bench_page import settled, sheet_of
from browser.rest import still
from browser.test_bench_access import SERIOUS, judged
from browser.test_report import CONTRAST

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def sheet(bench):
    """Three states of a table, the last one by somebody else; all worked out."""
    made = demo(bench.client, "table")
    wait(bench.client, made["id"], "release")
    with closing(bench.newcomer()) as other:
        made = change(other, made, note="for the chart room", choices={"standing": "leave"})
    wait(bench.client, made["id"], "release")
    made = change(bench.client, made, choices={"turn_deg": [180, 0, 0]})
    wait(bench.client, made["id"], "release")
    return made["id"]


def test_how_many_look_at_a_sheet_is_said_while_they_do(browse, sheet):
    page = browse(f"/sheets/{sheet}")
    page.wait_for_selector("h1")
    still(page)
    assert "have this sheet open" not in page.inner_text(".title")
    other = browse(f"/sheets/{sheet}")
    page.wait_for_selector("text=/2.browsers have this sheet open/")
    other.wait_for_selector("text=/2.browsers have this sheet open/")
    other.goto(f"{other.base}/tuning")
    page.wait_for_selector("text=/browsers have this sheet open/", state="detached")


def test_states_are_listed_and_looked_at(browse, sheet):
    page = browse(f"/sheets/{sheet}")
    settled(page)
    page.get_by_role("link", name="Its history").click()
    page.wait_for_selector(".past-step")
    still(page)
    told = page.locator(".past-step").all_inner_texts()
    assert [text.split("\n")[0] for text in told] == [
        "Lie",
        "Where supports start: leave, note",
        "Part arrived",
    ]
    assert "as it stands now" in told[0] and all(re.search("browser [0-9a-f]{4}", text) for text in told)
    assert page.inner_text(".past-state h2") == "As it stands now"
    # by keyboard, and the address says it
    page.locator(".past-step").first.focus()
    for key in ("ArrowDown", "ArrowDown", "Enter"):
        page.keyboard.press(key)
    page.wait_for_selector("h2:text-matches('As it was today')")
    still(page)
    address = page.url
    assert re.search(r"/history\?step=\d+$", address)
    assert page.locator(".differing tbody tr").all_inner_texts() == [
        "note\t–\tfor the chart room",
        "where supports start\tchosen for each underside\tno support",
        "lie\tx 0°, y 0°, z 0°\tx 180°, y 0°, z 0°",
    ]
    page.wait_for_selector(".past-state dt:text-is('Supported')")
    page.wait_for_selector(".past-figure canvas")
    for scheme, width in (("light", 1200), ("dark", 390)):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 760})
        still(page)
        assert [one for one in judged(page) if one[1] in SERIOUS] == []
        assert page.evaluate(CONTRAST) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.go_back()
    page.wait_for_selector("h2:text('As it stands now')")
    page.goto(address)
    page.wait_for_selector("h2:text-matches('As it was today')")


def test_a_state_is_taken_back_as_a_new_one(browse, bench, sheet):
    steps = bench.client.get(f"/api/sheets/{sheet}/history").json()["steps"]
    page = browse(f"/sheets/{sheet}/history?step={steps[0]['number']}")
    back = page.get_by_role("button", name="Take this state back")
    back.wait_for()

    def meanwhile(route):
        """Somebody is faster."""
        change(bench.client, read(bench.client, sheet), note="in a hurry")
        route.continue_()

    page.route("**/take-back", meanwhile, times=1)
    back.click()
    page.get_by_text("somebody else changed").wait_for()
    page.get_by_role("button", name="Understood").click()
    page.faults.clear()  # the answer 409
    assert len(bench.client.get(f"/api/sheets/{sheet}/history").json()["steps"]) == len(steps) + 1
    back.click()
    page.wait_for_url(re.compile(f"/sheets/{sheet}$"))
    settled(page)
    now = sheet_of(page)
    assert (now["note"], now["choices"]["standing"], now["choices"]["turn_deg"]) == ("", "auto", [0, 0, 0])
    assert now["undo"]["what"] == "as it was after: part arrived"
    assert len(bench.client.get(f"/api/sheets/{sheet}/history").json()["steps"]) == len(steps) + 2
    page.get_by_role("button", name=re.compile("^Undo")).click()
    page.wait_for_function("(text) => document.querySelector('#note-field').value === text", arg="in a hurry")

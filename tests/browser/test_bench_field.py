"""What people write is never lost, and nothing that others wrote is overwritten unseen."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from bench.benches import change, demo, read, upload, wait
from browser.bench_page import settled
from browser.rest import still
from falsework.files.stl import write_stl
from falsework.part.demo import gull

pytestmark = pytest.mark.browser


@pytest.fixture
def made(bench):
    sheet = demo(bench.client, "table")
    wait(bench.client, sheet["id"], "release")
    return sheet["id"]


def test_words_survive_a_reload_and_anothers_are_shown_before_they_are_replaced(browse, bench, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    note = page.locator("#note-field")
    note.fill("Print it slowly")
    page.reload()
    settled(page)
    expect(note).to_have_value("Print it slowly")
    change(bench.client, read(bench.client, made), note="Print it fast")
    theirs = page.locator(".field-said.theirs")
    expect(theirs).to_contain_text("Print it fast")
    assert read(bench.client, made)["note"] == "Print it fast"
    theirs.get_by_role("button", name="Put mine in its place").click()
    still(page)
    assert read(bench.client, made)["note"] == "Print it slowly"
    expect(page.locator(".field-said")).to_have_count(0)


def test_a_change_elsewhere_does_not_hold_up_what_is_written_here(browse, bench, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    page.locator("#note-field").fill("Two of them")
    change(bench.client, read(bench.client, made), title="Bench for the hall")
    page.locator("#note-field").blur()
    page.wait_for_selector("h1:text('Bench for the hall')")
    still(page)
    sheet = read(bench.client, made)
    assert (sheet["title"], sheet["note"]) == ("Bench for the hall", "Two of them")
    assert all("409" in fault for fault in page.faults), page.faults
    page.faults.clear()  # the answer to what was sent before the change was heard of


def test_a_refused_value_stays_with_its_reason_and_a_comma_is_a_point(browse, bench, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    height = page.locator("#set-layer_height_mm")
    height.fill("0,25")
    height.press("Enter")
    still(page)
    assert read(bench.client, made)["choices"]["settings"] == {"layer_height_mm": "0.25"}
    for wrong, told in (("7", "out of range"), ("thin", "not a number")):
        height.fill(wrong)
        height.press("Enter")
        still(page)
        expect(height).to_have_value(wrong)
        expect(height).to_be_focused()
        assert told in page.locator(".field-said.prop").first.inner_text()
        assert height.get_attribute("aria-invalid") == "true"
    assert read(bench.client, made)["choices"]["settings"] == {"layer_height_mm": "0.25"}
    page.faults.clear()  # the answer 422


def test_what_is_written_while_the_bench_is_away_is_kept_when_it_is_back(browse, bench, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    page.context.set_offline(True)
    page.locator("#note-field").fill("Ask Ann")
    page.locator("#note-field").blur()
    page.wait_for_selector(".notice.away")
    expect(page.locator(".working")).to_have_text("The bench cannot be reached")
    expect(page.locator(".field-said").first).to_have_text("Kept in this browser until the bench answers.")
    assert read(bench.client, made)["note"] == ""
    page.context.set_offline(False)
    page.wait_for_function("() => !document.querySelector('.notice.away')")
    expect(page.locator(".field-said")).to_have_count(0)
    assert read(bench.client, made)["note"] == "Ask Ann"
    page.faults.clear()  # what could not be loaded meanwhile


def test_ctrl_z_undoes_wherever_the_focus_is_and_focus_does_not_fall_to_the_page(browse, bench, made):
    change(bench.client, read(bench.client, made), choices={"standing": "leave"})
    page = browse(f"/sheets/{made}")
    settled(page)
    page.locator("#note-field").focus()
    page.keyboard.press("Control+z")
    still(page)
    assert read(bench.client, made)["choices"]["standing"] == "auto"
    settled(page)
    page.get_by_role("button", name="Rename").focus()
    page.keyboard.press("Enter")
    still(page)
    page.keyboard.press("Escape")
    still(page)
    assert page.evaluate("document.activeElement !== document.body")


def test_typing_on_and_undoing_at_once_end_where_they_should_and_nobody_else_is_blamed(browse, bench, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    gap = page.locator("#set-structure\\.air_gap_layers")

    def typed(text):
        gap.click()
        gap.press("Control+a")
        page.keyboard.type(text)
        page.keyboard.press("Enter")

    def ends(text, settings):
        expect(gap).to_have_value(text)
        still(page)
        expect(gap).to_have_value(text)
        assert read(bench.client, made)["choices"]["settings"] == settings
        expect(page.locator(".field-said.theirs")).to_have_count(0)

    asked = "structure.air_gap_layers"
    typed("3")
    typed("4")  # before the first was answered
    ends("4", {asked: "4"})
    for number in ("1", "3", "5"):
        typed(number)
        page.keyboard.press("Control+z")  # before it was answered
    ends("4", {asked: "4"})
    typed("thick")
    page.locator(".foot").get_by_role("button", name="Undo").click()
    still(page)
    expect(gap).to_have_value("thick")  # refused, so still there to be put right
    expect(page.locator(".field-said.theirs")).to_have_count(0)
    assert read(bench.client, made)["choices"]["settings"] == {asked: "3"}
    assert all("422" in fault for fault in page.faults), page.faults
    page.faults.clear()  # the refusal, where it came before it was taken back


def test_what_was_stopped_says_so_and_goes_on_when_it_is_told_to(browse, bench, tmp_path):
    part = gull(30_000)
    write_stl(tmp_path / "gull.stl", part.vertices, part.faces, "gull")
    sheet = upload(bench.client, (tmp_path / "gull.stl").read_bytes(), "gull.stl")["id"]
    wait(bench.client, sheet, "release")
    change(bench.client, read(bench.client, sheet), choices={"settings": {"structure.air_gap_layers": "3"}})
    bench.client.delete(f"/api/sheets/{sheet}/stages/supports")
    page = browse(f"/sheets/{sheet}")
    page.wait_for_selector(".working:has-text('Stopped')")
    page.locator(".foot").get_by_role("button", name="Go on").click()
    settled(page)
    expect(page.locator(".foot").get_by_role("button", name="Go on")).to_have_count(0)

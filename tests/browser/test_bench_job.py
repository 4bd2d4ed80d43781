"""The whole job on the bench's page: drop, lie, undersides, overrule, supports, release, hand over."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect

from browser.bench_page import begin, drop, foot, settled, sheet_id, sheet_of, show
from browser.rest import still
from falsework.files.stl import write_stl
from solids import bracket

pytestmark = pytest.mark.browser
DATA = Path(__file__).parent.parent / "data"


def colours(page, selector):
    """How much of a figure is neither grey nor paper: tints of undersides and supports."""
    canvas = page.locator(f"{selector} canvas").first
    canvas.scroll_into_view_if_needed()
    still(page)  # out of view nothing is drawn
    shot = canvas.screenshot()
    seen = np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)
    spread = seen.max(axis=2) - seen.min(axis=2)
    return {
        "tinted": int((spread > 40).sum()),
        "brick": int(((seen[..., 0] - seen[..., 2]) > 60).sum()),
        "drawn": int((seen.min(axis=2) < 225).sum()),
    }


def supported(page):
    """How many undersides are supported, as the foot of the sheet says."""
    return int(page.locator(".foot-figures div:has(dt:text-is('Supported')) b").inner_text().split(" of ")[0])


def test_a_demo_part_from_the_tray_to_the_files(browse, bench):
    page = browse()
    begin(page, "mooring cleat")
    settled(page)
    # what arrived
    assert page.inner_text("h1") == "mooring-cleat"
    assert "the surface is closed" in page.inner_text("#arrived")
    assert colours(page, "#arrived")["drawn"] > 3000
    # the position on the bed: searched because somebody looks
    show(page, "lie")
    settled(page, "lies")
    assert page.locator(".ways thead th").count() == page.locator(".point").count() >= 3
    expect(page.locator("svg.sphere .number")).to_have_count(page.locator(".point").count())
    assert page.locator("svg.sphere .cell").count() > 300
    page.locator(".way-name").nth(1).click()  # the first is how it lies
    expect(page).to_have_url(re.compile(r"/lie\?way=2$"))
    page.get_by_role("button", name="Take position 2").click()
    settled(page)
    turn = sheet_of(page)["choices"]["turn_deg"]
    assert turn != [0, 0, 0] and "✓ taken" in page.locator(".ways thead th").nth(1).inner_text()
    # undersides: table and figure point at each other
    show(page, "undersides")
    rows = page.locator(".undersides tbody tr[data-underside]")
    numbers = rows.evaluate_all("(rows) => rows.map((r) => r.dataset.underside)")
    assert numbers == [str(k + 1) for k in range(len(numbers))] and len(numbers) >= 3
    tag = page.locator("#undersides .tag").first
    rows.nth(int(tag.text_content()) - 1).hover()
    expect(tag).to_have_class(re.compile(r"\bhot\b"))
    page.mouse.move(5, 5)
    tag.hover()
    expect(page.locator(".undersides tr.hot")).to_have_attribute("data-underside", tag.text_content())
    tag.click()
    expect(page).to_have_url(re.compile(rf"/undersides\?n={tag.text_content()}$"))
    expect(page.locator(".docket")).to_have_count(1)
    # overrule: the totals show it
    before, was = foot(page), supported(page)
    left = page.locator(".decision select").filter(has=page.locator("option:text-is('automatic: leave it')"))
    number = left.filter(has=page.locator("option[value='bed-or-part']")).first.get_attribute("aria-label")
    page.get_by_label(number).select_option("bed-or-part")
    settled(page)
    overrules = {number.rsplit(" ", 1)[-1]: "bed-or-part"}
    assert sheet_of(page)["choices"]["overrules"] == overrules
    assert foot(page) != before and "decided by you" in page.inner_text(".undersides")
    assert supported(page) == was + 1
    struck = page.locator(".foot .before").all_inner_texts()
    assert any(f"{was} of {len(numbers)}" in text for text in struck) and len(struck) >= 2
    page.get_by_role("button", name="Take back 1 decision of yours").click()
    settled(page)
    assert sheet_of(page)["choices"]["overrules"] == {} and supported(page) == was
    page.locator(".foot").get_by_role("button", name="Undo").click()  # the position may need no other support
    settled(page)
    assert sheet_of(page)["choices"]["overrules"] == overrules and supported(page) == was + 1
    # supports, layer by layer
    show(page, "supports")
    assert colours(page, "#supports")["brick"] > 80
    page.focus("#layer-slider")
    page.keyboard.press("Home")
    page.wait_for_url(re.compile(r"layer=0"))
    still(page)
    assert "Layer 1 from above" in page.inner_text("#supports .layer-plate figcaption")
    assert page.get_attribute("#layer-slider", "aria-valuetext").startswith("layer 1 of ")
    # release
    show(page, "release")
    assert page.locator(".step").count() == page.locator("table.pieces tbody tr").count() >= 1
    page.locator(".step").first.click()
    expect(page).to_have_url(re.compile("step=1"))
    still(page)
    assert "wear eye protection" in page.inner_text("#release").lower()
    # totals side by side
    show(page, "totals")
    names = page.locator(".standings tbody th").all_inner_texts()
    assert [name.lstrip("▶ ") for name in names] == [
        "no support",
        "all that can, from the bed",
        "all, from bed or part",
        "chosen",
        "chosen, as built",
    ]
    # hand over
    show(page, "files")
    page.get_by_role("button", name="Write the files").click()
    page.wait_for_selector(".files a")
    with page.expect_download() as download:
        page.get_by_role("link", name="print.3mf", exact=True).click()
    assert zipfile.is_zipfile(download.value.path())
    with page.expect_download() as download:
        page.get_by_role("link", name="All in one archive").click()
    with zipfile.ZipFile(download.value.path()) as files:
        held = {name.rsplit("/", 1)[-1] for name in files.namelist()}
        plan = json.loads(files.read(next(n for n in files.namelist() if n.endswith("plan.json"))))
    assert {"plan.json", "print.3mf", "part.stl", "settings.md", "report.html"} <= held
    assert plan["part"]["turn_deg"] == pytest.approx(turn)
    time_text = page.locator(".foot-figures b").first.inner_text()
    total_s = plan["part_cost"]["time_s"] + plan["support_cost"]["time_s"]
    assert time_text == page.evaluate(
        "async (t) => (await import('/assets/js/words.js')).duration(t)", total_s
    )


def test_a_real_part_dropped_on_the_page(browse):
    page = browse()
    drop(page, DATA / "odri_upper_leg_metres.stl")
    settled(page)
    assert page.inner_text("h1").startswith("odri_upper_leg")
    assert page.locator(".undersides tbody tr[data-underside]").count() >= 1
    show(page, "undersides")
    page.locator("#undersides .tag").first.click()
    other = page.locator(".option input:not(:checked)").first
    wanted = other.get_attribute("value")
    other.check()
    settled(page)
    assert list(sheet_of(page)["choices"]["overrules"].values()) == [wanted]
    show(page, "files")
    page.get_by_role("button", name="Write the files").click()
    page.wait_for_selector(".files a")


def test_reload_back_undo_and_redo(browse, tmp_path):
    part = bracket()
    write_stl(tmp_path / "bracket.stl", part.vertices, part.faces, part.name)
    page = browse()
    drop(page, tmp_path / "bracket.stl")
    settled(page)
    show(page, "undersides")
    page.locator(".undersides .number").first.click()
    page.wait_for_selector(".docket")
    address = page.url
    page.reload()
    page.wait_for_selector(".docket")
    still(page)
    assert page.url.startswith(address)  # the address keeps what is looked at
    page.locator(".undersides .number").first.click()
    page.wait_for_selector(".docket", state="detached")
    page.go_back()
    page.wait_for_selector(".docket")
    page.get_by_label("scale ×").fill("1.5")
    page.get_by_label("scale ×").press("Enter")
    settled(page)
    assert sheet_of(page)["choices"]["scale"] == 1.5
    page.locator("h1").focus()
    page.keyboard.press("Control+z")
    settled(page)
    assert sheet_of(page)["choices"]["scale"] == 1.0
    page.keyboard.press("Control+Shift+Z")
    settled(page)
    assert sheet_of(page)["choices"]["scale"] == 1.5
    assert page.get_by_label("scale ×").input_value() == "1.5"


def test_two_people_on_one_sheet(browse, bench):
    first = browse()
    begin(first, "table")
    settled(first)
    second = browse(f"/sheets/{sheet_id(first)}")
    second.wait_for_selector("h1")
    # the second edits while it does not hear of the first's edit
    second.route("**/events", lambda route: route.abort())
    second.reload()
    second.wait_for_selector("h1")
    second.faults.clear()
    first.get_by_label("Note to the operator").fill("grey filament")
    first.get_by_label("Note to the operator").blur()
    settled(first)
    second.get_by_label("Note to the operator").fill("black filament")
    second.get_by_label("Note to the operator").blur()
    # what is written stays in its field, beside what the other wrote
    theirs = second.locator(".field-said.theirs")
    expect(theirs).to_contain_text("grey filament")
    expect(second.locator("#note-field")).to_have_value("black filament")
    assert sheet_of(second)["note"] == "grey filament"
    theirs.get_by_role("button", name="Put mine in its place").click()
    first.wait_for_function("() => document.getElementById('note-field').value === 'black filament'")
    assert sheet_of(second)["note"] == "black filament"
    # what is chosen is asked about
    first.get_by_label("Decision on number 1").select_option("leave")
    settled(first)
    second.get_by_label("Decision on number 1").select_option("bed-or-part")
    box = second.get_by_role("alertdialog")
    box.wait_for()
    row = box.get_by_role("row", name="the decision on an underside (1)")
    expect(box).to_contain_text("Both of you changed the same thing", use_inner_text=True)
    expect(row.locator("td")).to_have_text(["from bed or part", "leave it"])
    assert sheet_of(second)["choices"]["overrules"] == {"1": "leave"}
    second.get_by_role("button", name="Put mine in place of theirs").click()
    box.wait_for(state="detached")
    expect(first.get_by_label("Decision on number 1")).to_have_value("bed-or-part")
    assert sheet_of(second)["choices"]["overrules"] == {"1": "bed-or-part"}
    second.faults.clear()  # the answer 409 and the streams that were cut off


def test_what_is_no_part_is_refused_in_words(browse, tmp_path):
    page = browse()
    path = tmp_path / "notes.stl"
    path.write_bytes(b"these are no triangles")
    drop(page, path)
    page.wait_for_selector("#arrived .mind")
    still(page)
    assert "notes" in page.inner_text("#arrived .mind")
    assert page.locator("#arrived").get_attribute("class").split()[1] == "failed"
    assert page.locator("#arrived").get_by_role("button", name="Try again").count() == 1


def test_without_the_bench_the_sheet_stays_and_says_so(browse, bench):
    page = browse()
    begin(page, "pulley block")
    settled(page)
    page.context.set_offline(True)
    page.get_by_label("scale ×").fill("2")
    page.get_by_label("scale ×").press("Enter")
    page.wait_for_selector(".notice.away")
    page.get_by_label("Decision on number 1").select_option("bed-or-part")
    page.get_by_role("button", name="Try again").wait_for()
    still(page)
    assert "What you see stays" in page.inner_text(".notice.away")
    assert page.locator(".undersides tbody tr").count() >= 1
    page.context.set_offline(False)
    page.wait_for_selector(".notice.away", state="detached")
    settled(page)
    assert sheet_of(page)["choices"]["scale"] == 2  # what was written is sent by itself
    assert sheet_of(page)["choices"]["overrules"] == {}
    page.get_by_role("button", name="Try again").click()
    settled(page)
    assert sheet_of(page)["choices"]["overrules"] == {"1": "bed-or-part"}
    page.faults.clear()  # connections refused

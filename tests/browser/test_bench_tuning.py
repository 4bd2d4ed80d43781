"""From test piece to tuned process on the page, recorded on a phone; then the ledger."""

from __future__ import annotations

import io
import re

import pytest
from PIL import Image

from browser.bench_page import begin, settled, sheet_of, show
from browser.rest import still
from browser.test_bench_access import SERIOUS, judged
from browser.test_report import CONTRAST

pytestmark = pytest.mark.browser
PHONE = {"viewport": {"width": 390, "height": 800}, "has_touch": True, "is_mobile": True}


def make(page, kind):
    page.locator("#make-kind").select_option(kind)
    page.get_by_role("button", name="Make the piece").click()
    page.wait_for_url(re.compile("/tuning/pieces/"))
    page.wait_for_selector(".cell-form")


def form_of(page, cell):
    """What is said of one cell, once it is its turn."""
    page.wait_for_selector(f"h3:text-is('Cell {cell}')")
    return page.inner_text(".cell-form")


def read_off(page, cell, let_go=None, finish=None, **numbers):
    """Fill in one cell and keep it."""
    form_of(page, cell)
    if let_go:
        page.locator(f".grade input[value={let_go}]").check()
    if finish:
        page.locator(f".grade input[value='{finish}']").check()
    for label, value in numbers.items():
        page.get_by_label(re.compile(f"^{label}", re.I)).fill(str(value))
    page.get_by_role("button", name=f"Keep this reading of {cell}").click()


def cells_of(page):
    return page.locator(".cells button").evaluate_all("(b) => b.map((one) => one.childNodes[0].data)")


def test_a_piece_is_made_read_off_on_a_phone_tuned_and_used_in_a_plan(browse, bench):
    scheduler = browse("/tuning")
    scheduler.wait_for_selector("h2:text('Test pieces')")
    make(scheduler, "gap-interface")
    phone = browse(scheduler.url.removeprefix(scheduler.base), **PHONE)
    phone.wait_for_selector(".cell-form")
    recorded = 0
    for k, cell in enumerate(cells_of(phone)):  # a piece of which the wide gaps come off
        gap = float(re.search(r"air gap ([\d.]+)", form_of(phone, cell)).group(1))
        let_go = "fused" if gap < 0.3 else "tool" if gap < 0.5 else "hand"
        read_off(phone, cell, let_go, 4 if gap < 0.5 else 3, **({"thickness": "0.75"} if k == 0 else {}))
        phone.wait_for_selector(f".cell.done:has-text('{cell}')")
        recorded += 1
    still(phone)
    assert f"{recorded} of {recorded} recorded" in phone.inner_text(".recording")
    assert [one for one in judged(phone) if one[1] in SERIOUS] == []
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390
    # more readings from a second kind, until there are twenty
    scheduler.get_by_role("link", name="To what is to be set").click()
    make(scheduler, "overhang-fan")
    for cell in cells_of(scheduler):
        angle = float(re.search(r"([\d.]+)° from", form_of(scheduler, cell)).group(1))
        read_off(scheduler, cell, finish=5 if angle < 45 else 4 if angle < 55 else 3 if angle < 65 else 2)
        scheduler.wait_for_selector(f".cell.done:has-text('{cell}')")
        recorded += 1
    scheduler.goto(f"{scheduler.base}/tuning")
    scheduler.wait_for_selector(f"text=/{recorded}\\sreadings of this machine/")
    scheduler.get_by_role("button", name="Work out what to set").click()
    scheduler.wait_for_selector(".advice")
    still(scheduler)
    assert "limit angle" in scheduler.inner_text(".advice") and "air gap" in scheduler.inner_text(".advice")
    assert scheduler.locator("tr.chosen").count() == 1  # one gap is recommended
    assert "▶" in scheduler.inner_text("tr.chosen")
    # every piece of advice leads to the readings behind it, and those alone
    behind = scheduler.get_by_role("link", name=re.compile("behind limit angle$"))
    count = int(re.match(r"\d+", behind.inner_text()).group())
    behind.click()
    scheduler.wait_for_selector("text=Show the whole ledger")
    still(scheduler)
    assert scheduler.locator(".readings tbody tr").count() == min(count, 50) > 2
    scheduler.go_back()
    scheduler.wait_for_selector(".advice")
    scheduler.get_by_text("Curves with intervals, and what was read").click()
    curves = scheduler.frame_locator(".curves-page")
    curves.locator("svg").first.wait_for()
    assert [one for one in judged(scheduler) if one[1] in SERIOUS] == []
    assert scheduler.evaluate(CONTRAST) == []
    # the next test, from what was read
    assert scheduler.get_by_role("button", name=re.compile("^Make it")).count() >= 1
    # kept, and used in a plan
    scheduler.get_by_label("Keep these settings as the process").fill("museum-pla")
    scheduler.get_by_role("button", name="Keep it").click()
    scheduler.wait_for_selector("text=museum-pla can now be chosen on any work order")
    scheduler.get_by_role("link", name="Work orders").click()
    scheduler.wait_for_selector(".demo-parts button")
    begin(scheduler, "lamp bracket")
    scheduler.locator("#process-name").select_option("museum-pla")
    settled(scheduler)
    assert sheet_of(scheduler)["choices"]["process"] == "museum-pla"
    assert "museum-pla" in scheduler.inner_text(".block")
    scheduler.faults.clear()  # the frame of the curves is sandboxed and says so


def test_a_reading_waits_for_the_bench_and_is_recorded_once(browse, bench):
    page = browse("/tuning")
    page.wait_for_selector("h2:text('Test pieces')")
    make(page, "bridge-ladder")
    code = page.url.split("/pieces/")[1].split("?")[0]
    first, second = cells_of(page)[:2]
    page.context.set_offline(True)
    read_off(page, first, finish=3)
    page.wait_for_selector("text=1 on the way")
    page.context.set_offline(False)
    page.wait_for_selector(f".cell.done:has-text('{first}')")
    read_off(page, second, finish=4)
    page.wait_for_selector(f".cell.done:has-text('{second}')")
    kept = bench.client.get(f"/api/coupons/{code}").json()["readings"]
    assert sorted(one["cell"] for one in kept) == sorted([first, second])
    page.faults.clear()  # connections refused


def test_a_print_in_the_ledger_with_photograph_correction_and_comparison(browse, bench, tmp_path):
    page = browse()
    begin(page, "table")
    settled(page)
    show(page, "files")
    page.get_by_role("button", name="Record that it was printed").click()
    page.wait_for_selector("h2:text('Photographs')")
    first = page.url
    picture = tmp_path / "table.jpg"
    Image.new("RGB", (320, 200), (150, 110, 70)).save(picture)
    page.set_input_files("#print-photo", picture)
    page.wait_for_selector(".gallery img")
    assert page.eval_on_selector(".gallery img", "(e) => e.decode().then(() => e.naturalWidth)") == 320
    read_off(page, cells_of(page)[0], "hand", 4)
    page.wait_for_selector(".readings tbody tr")
    page.get_by_role("button", name=re.compile("^Correct")).click()
    page.locator(".docket select[name=finish]").select_option("3")
    page.get_by_label("Reason").fill("held to the light again")
    page.get_by_role("button", name="Keep the correction").click()
    page.wait_for_selector(".readings tbody td:has-text('finish 3')")
    page.goto(f"{page.base}/ledger?search=table")
    page.wait_for_selector("a:text-matches('^print')")
    assert [one for one in judged(page) if one[1] in SERIOUS] == []
    # the same part printed again, beside the first
    page.go_back()
    made = bench.client.get("/api/sheets?search=table").json()["sheets"][0]["id"]
    again = bench.client.post("/api/prints", json={"sheet": made, "note": "second try"}).json()["id"]
    page.goto(f"{first.split('?')[0]}?with={again}")
    page.wait_for_selector(".differs")
    still(page)
    assert "second try" in page.inner_text(".block")
    assert [one for one in judged(page) if one[1] in SERIOUS] == []
    assert page.evaluate(CONTRAST) == []
    text = io.StringIO(bench.client.get("/api/ledger/export.csv").text).read()
    tray = tmp_path / "tray.csv"
    tray.write_text(text, encoding="utf-8")
    page.goto(f"{page.base}/ledger")
    page.wait_for_selector("#import-field", state="attached")
    page.set_input_files("#import-field", tray)
    page.get_by_text("would be brought in").wait_for()
    page.get_by_role("button", name="Leave it").click()

"""The tray: many files at once, what each work order comes to, several at once, everything by name."""

from __future__ import annotations

import base64
import io
import re
import time
import zipfile

import pytest

from bench.benches import demo, upload, wait
from browser.bench_page import begin, settled
from browser.rest import still
from falsework.files.stl import write_stl
from falsework.part.demo import demo_parts

pytestmark = pytest.mark.browser

DROP = """([text, names]) => {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0)), moved = new DataTransfer();
  for (const name of names) moved.items.add(new File([bytes], name));
  for (const type of ['dragenter', 'dragover', 'drop']) {
    const how = { bubbles: true, cancelable: true, dataTransfer: moved };
    document.body.dispatchEvent(new DragEvent(type, how));
  }
}"""
MANY = 12


def in_order(title: str) -> list[tuple[int, int, str]]:
    """As people sort: number 10 comes after number 9."""
    found = re.findall(r"(\d+)|(\D+)", title.lower())
    return [(0, int(digits), "") if digits else (1, 0, words) for digits, words in found]


@pytest.fixture(scope="module")
def table(tmp_path_factory) -> str:
    path = tmp_path_factory.mktemp("part") / "table.stl"
    part = demo_parts()["table"]()
    write_stl(path, part.vertices, part.faces, part.name)
    return base64.b64encode(path.read_bytes()).decode()


def brought(bench, names):
    """The tray's orders of those names."""
    return [row for row in bench.client.get("/api/sheets").json()["sheets"] if row["part_name"] in names]


def test_twelve_files_dropped_at_once_are_all_planned_and_a_second_tab_opens_meanwhile(browse, bench, table):
    page = browse()
    page.wait_for_selector("h1")
    names = [f"table {k}.stl" for k in range(MANY)]
    page.evaluate(DROP, [table, names])
    page.wait_for_selector(".notice progress, .order")
    other = page.context.new_page()
    began = time.monotonic()
    other.goto(f"{page.base}/tuning")
    other.wait_for_selector("h1")
    assert time.monotonic() - began < 30  # not after the others' connections have been given up
    other.close()
    until = time.monotonic() + 120.0
    while time.monotonic() < until and len(mine := brought(bench, names)) < MANY:
        page.wait_for_timeout(200)  # other tests' orders may be in the tray as well
    page.wait_for_function(f"() => document.querySelectorAll('.order').length >= {MANY}")
    assert page.url.rstrip("/").endswith(page.base.partition("//")[2])  # still in the tray
    sheets = mine
    assert sorted(row["part_name"] for row in sheets) == sorted(names)
    for row in sheets:
        wait(bench.client, row["id"], "release")
    page.wait_for_function("() => document.querySelectorAll('.tray-state.running').length === 0")
    told = page.inner_text(f"[data-key='{sheets[0]['id']}']")
    assert "ready to print" in told and "¤" in told and "min" in told


def test_pages_left_at_once_leave_no_stream_behind(browse, bench):
    made = demo(bench.client, "table")["id"]
    page = browse()
    page.wait_for_selector(".order-link")
    page.evaluate(
        """(id) => { for (let k = 0; k < 8; k++) {
             history.pushState(null, '', k % 2 ? '/' : `/sheets/${id}`);
             dispatchEvent(new PopStateEvent('popstate'));
           } }""",
        made,
    )
    still(page)
    page.goto(f"{page.base}/sheets/{made}")
    settled(page)
    watched = bench.client.get(f"/api/sheets/{made}").json()
    assert watched["id"] == made
    page.wait_for_function("() => !document.body.innerText.includes('browsers have this sheet open')")


def test_several_are_compared_and_their_files_taken_as_one_archive(browse, bench):
    ids = [demo(bench.client, part)["id"] for part in ("mooring cleat", "table")]
    for sheet in ids:
        wait(bench.client, sheet, "release")
    page = browse()
    for sheet in ids:
        page.locator(f"[data-key='{sheet}'] input").check()
    page.get_by_role("link", name="Compare the two").click()
    page.wait_for_selector(".compared tr.sum")
    still(page)
    assert page.locator(".compared b:text('less')").count() >= 2
    assert "part" in page.inner_text(".differing")
    page.go_back()
    for sheet in ids:
        page.locator(f"[data-key='{sheet}'] input").check()
    with page.expect_download() as coming:
        page.get_by_role("button", name="Take the files").click()
    packed = zipfile.ZipFile(io.BytesIO(coming.value.path().read_bytes()))
    folders = {name.split("/")[0] for name in packed.namelist()}
    assert len(folders) == 2 and all(f"{folder}/print.3mf" in packed.namelist() for folder in folders)


def test_sorting_filtering_and_keys(browse, bench):
    for part in ("table", "mooring cleat"):
        wait(bench.client, demo(bench.client, part)["id"], "release")
    broken = upload(bench.client, b"a letter to the harbour master", "letter.stl")
    wait(bench.client, broken["id"], "part", "failed")
    page = browse()
    page.locator(".tray select").nth(0).select_option("title")
    still(page)
    titles = page.locator(".order-link").all_inner_texts()
    assert titles == sorted(titles, key=in_order)
    assert "sort=title" in page.url
    page.locator(".order-link").first.focus()
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.textContent") == titles[1]
    page.keyboard.press("x")
    assert page.locator(".order.picked").count() == 1
    page.locator(".tray select").nth(1).select_option("failed")
    still(page)
    assert page.locator(".tray-state.done").count() == 0 < page.locator(".tray-state.failed").count()


def test_everything_is_done_by_name(browse):
    page = browse()
    begin(page, "table")
    settled(page)
    page.keyboard.press("Control+k")
    page.locator(".palette[open] input").fill("go tun")
    page.keyboard.press("Enter")
    page.wait_for_url("**/tuning")
    page.keyboard.press("/")
    page.keyboard.type("work ord")
    page.keyboard.press("Enter")
    page.wait_for_selector(".order-link")


def test_names_of_archives_are_legal_everywhere(browse, bench):
    sheet = demo(bench.client, "table")
    told = bench.client.patch(
        f"/api/sheets/{sheet['id']}", json={"version": sheet["version"], "title": 'CON: b? "gull"…'}
    )
    assert told.status_code == 200
    bench.client.post(f"/api/sheets/{sheet['id']}/stages/files")
    wait(bench.client, sheet["id"], "files")
    answer = bench.client.get(f"/api/sheets/{sheet['id']}/files.zip")
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert all(not re.search(r'[<>:"\\|?*]', name) for name in names)
    assert {name.split("/")[0] for name in names} == {"CON- b- -gull-…"}

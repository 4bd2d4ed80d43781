"""The bench's page for everybody: axe-core finds nothing serious, text has contrast, keys reach all."""

from __future__ import annotations

from importlib.resources import files

import pytest
from playwright.sync_api import expect

from bench.benches import change, read, upload, wait
from browser.bench_page import begin, settled, sheet_id, show
from browser.rest import still
from browser.test_report import CONTRAST
from solids import bracket
from stl_bytes import binary_stl

pytestmark = pytest.mark.browser
AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


SERIOUS = ("serious", "critical")


def judged(page):
    """What axe-core has against the page as it is: id, how bad, where."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE)
    still(page)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
    return [(one["id"], one["impact"], [node["html"][:90] for node in one["nodes"]]) for one in found]


@pytest.fixture(scope="module")
def made(bench):
    """A sheet with everything on it, made without the page."""
    part = bracket()
    sheet = upload(bench.client, binary_stl(part.vertices[part.faces]), "bracket.stl", unit="mm")
    wait(bench.client, sheet["id"], "release")
    sheet = read(bench.client, sheet["id"])
    change(bench.client, sheet, choices={"overrules": {"1": "leave"}})
    for stage in ("lies", "files"):
        bench.client.post(f"/api/sheets/{sheet['id']}/stages/{stage}", json={})
        wait(bench.client, sheet["id"], stage)
    return sheet["id"]


def test_a_whole_sheet_has_no_serious_fault(browse, made):
    page = browse(f"/sheets/{made}/undersides?n=2")
    settled(page)
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for scheme, width in (("light", 1200), ("dark", 1200), ("light", 390)):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 800})
        show(page, "lie")
        assert judged(page) == []
        assert page.evaluate(CONTRAST) == []  # WCAG 2.2, 1.4.3: at least 4.5 to 1
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_tray_has_no_serious_fault(browse, made):
    page = browse("/")
    page.wait_for_selector(".tray-list")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        still(page)
        assert judged(page) == []
        assert page.evaluate(CONTRAST) == []


def test_an_address_with_nothing_behind_it_says_so(browse):
    page = browse("/nowhere/at/all")
    page.wait_for_selector("h1:text('There is nothing at this address')")
    assert judged(page) == []
    page.goto(f"{page.base}/sheets/0000")
    page.wait_for_selector("h1:text('This work order is not here')")
    page.faults.clear()  # the answer 404


REACHABLE = """() => {
  const some = 'main :is(button, select, input, textarea, a[href], canvas[tabindex])';
  const can = (e) => !e.disabled && e.tabIndex >= 0 && e.type !== 'radio' && e.checkVisibility();
  return [...document.querySelectorAll(some)].filter(can).length;
}"""
FOCUSED = """() => {
  const e = document.activeElement;
  if (!document.querySelector('main').contains(e)) return null;
  if (e.seen) return 'again';
  e.seen = true;
  const ring = e.matches('.point') ? e.querySelector('.reach') : null;
  const shown = getComputedStyle(ring || e)[ring ? 'stroke' : 'outlineStyle'];
  return { what: e.outerHTML.slice(0, 90), shown: shown !== 'none' };
}"""


def test_every_control_of_a_sheet_is_reached_by_tabbing(browse, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    wanted, reached = page.evaluate(REACHABLE), []
    for _ in range(3 * wanted):
        page.keyboard.press("Tab")
        found = page.evaluate(FOCUSED)
        if found == "again":
            break
        if found is not None:
            reached.append(found)
    assert [one for one in reached if not one["shown"]] == []  # the focus is seen
    assert len(reached) >= wanted


def test_the_figure_is_turned_by_keyboard_and_the_address_keeps_the_look(browse, made):
    page = browse(f"/sheets/{made}/supports")
    settled(page)
    show(page, "supports")
    canvas = page.locator("#supports .stage-canvas").first
    canvas.focus()
    before = canvas.screenshot()
    for key in ("ArrowLeft", "ArrowLeft", "ArrowDown", "+"):
        page.keyboard.press(key)
    page.wait_for_url("**/supports?look=*")
    still(page)
    turned = canvas.screenshot()
    assert turned != before
    address = page.url
    page.reload()
    settled(page)
    show(page, "supports")
    assert page.url == address
    assert page.evaluate("new URL(location).searchParams.get('look')").startswith("20,20,1.15")


def test_it_prints_without_its_controls(browse, made):
    page = browse(f"/sheets/{made}")
    settled(page)
    show(page, "undersides")
    page.emulate_media(media="print")
    expect(page.locator(".foot")).to_be_hidden()
    expect(page.locator("header.bar")).to_be_hidden()
    expect(page.locator(".plate-tools").first).to_be_hidden()
    expect(page.locator("#undersides .stage-overlay text").first).to_be_visible()
    pdf = page.pdf(format="A4", print_background=True)
    sheets = pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page/") or pdf.count(b"/Type/Page/")
    assert 3 <= sheets <= 12
    page.emulate_media(media="screen")


def test_without_webgl_the_tables_remain(browse, made):
    page = browse()
    page.add_init_script(
        """const get = HTMLCanvasElement.prototype.getContext;
           HTMLCanvasElement.prototype.getContext = function (kind, ...more) {
             return kind.startsWith('webgl') ? null : get.call(this, kind, ...more);
           };"""
    )
    page.goto(f"{page.base}/sheets/{made}/undersides")
    settled(page)
    show(page, "undersides")
    expect(page.locator("#undersides figcaption").first).to_contain_text("need WebGL 2", use_inner_text=True)
    assert page.locator(".undersides tbody tr").count() >= 3
    assert sheet_id(page) == made
    assert all("WebGL" in fault for fault in page.faults), page.faults
    page.faults.clear()


def test_a_sheet_can_be_begun_by_keyboard(browse):
    page = browse()
    page.wait_for_selector(".demo-parts button")
    with page.expect_file_chooser():
        page.get_by_role("button", name="Choose files…").press("Enter")
    page.locator(".demo-parts").get_by_role("button", name="table", exact=True).press("Enter")
    page.wait_for_selector("#arrived.ready")
    still(page)
    assert page.evaluate("document.activeElement.id") == "place"
    begin_again = page.get_by_role("link", name="Work orders")
    begin_again.press("Enter")
    page.wait_for_selector(".demo-parts button")
    begin(page, "table")

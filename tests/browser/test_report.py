"""The work order in a real browser: nothing is fetched, nothing fails, the solid view works by keyboard."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect

from browser.rest import PATIENCE_MS, WATCH, still
from falsework.report import report_html
from plans import bracket_plan

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_html(bracket_plan()), encoding="utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def opened(chromium, address):
    """The page, opened once: each test leaves it as it was."""
    context = chromium.new_context(viewport={"width": 620, "height": 700}, reduced_motion="reduce")
    context.add_init_script(WATCH)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.faults, page.fetched = [], []
    page.on("console", lambda m: page.faults.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: page.faults.append(str(e)))
    page.on("request", lambda r: page.fetched.append(r.url))
    page.goto(address)
    page.wait_for_selector("#solid:not([hidden])")
    yield page
    context.close()


@pytest.fixture
def page(opened, address):
    yield opened
    assert opened.faults == []
    assert [url for url in opened.fetched if not url.startswith("data:")] == [address]
    opened.set_viewport_size({"width": 620, "height": 700})


def colours(page) -> dict[str, int]:
    """How many pixels of the solid view are paper, blue (the big underside) and red (supports)."""
    page.locator("#stage").scroll_into_view_if_needed()
    still(page)
    shot = page.locator("#stage").screenshot()
    picture = np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)
    red, green, blue = (picture[..., k] for k in range(3))
    return {
        "all": red.size,
        "paper": int(((red > 240) & (green > 240) & (blue > 230)).sum()),
        "blue": int((blue > red + 30).sum()),
        "red": int((red > blue + 45).sum()),
        "sum": int(picture.sum()),
    }


def test_part_undersides_and_supports_are_drawn(page):
    seen = colours(page)
    assert 0.3 * seen["all"] < seen["paper"] < 0.95 * seen["all"]
    assert seen["blue"] > 1000 and seen["red"] > 3000
    assert page.locator("#numbers text").all_text_contents() == ["1"]
    assert not page.locator("#no-solid").is_visible()


def test_toggles_work_by_keyboard(page):
    before = colours(page)
    for name, colour in (("supports", "red"), ("undersides", "blue")):
        page.focus(f"#show-{name}")
        page.keyboard.press("Space")
        assert colours(page)[colour] < 0.05 * before[colour]
    page.focus("#show-part")
    page.keyboard.press("Space")
    gone = colours(page)
    assert gone["paper"] == pytest.approx(gone["all"], rel=0.02)  # the number's tag is left
    page.focus("#show-numbers")
    page.keyboard.press("Space")
    assert colours(page)["paper"] > gone["paper"]
    assert page.locator("#numbers text").count() == 0
    for name in ("supports", "undersides", "part", "numbers"):
        page.focus(f"#show-{name}")
        page.keyboard.press("Space")
    assert colours(page) == before


def test_the_cut_slider_works_by_keyboard(page):
    before = colours(page)
    page.focus("#cut")
    page.keyboard.press("Home")
    still(page)
    assert page.inner_text("#cut-mm") == "0.0 mm"
    assert colours(page)["paper"] > before["paper"]
    page.keyboard.press("PageUp")
    page.keyboard.press("ArrowRight")
    still(page)
    layers = int(page.eval_on_selector("#cut", "(e) => e.value"))
    assert page.inner_text("#cut-mm") == f"{layers * 0.2:.1f} mm"
    assert page.get_attribute("#cut", "aria-valuetext") == page.inner_text("#cut-mm")
    page.keyboard.press("End")
    still(page)
    assert page.inner_text("#cut-mm") == "nothing cut"
    assert colours(page) == before


def test_arrow_keys_turn_the_view_and_0_puts_it_back(page):
    before = colours(page)
    page.focus("#stage")
    for key in ("ArrowLeft", "ArrowUp", "+"):
        page.keyboard.press(key)
    assert colours(page)["sum"] != before["sum"]
    page.keyboard.press("0")
    assert colours(page)["sum"] == before["sum"]
    page.get_by_role("button", name="above").press("Enter")
    from_above = colours(page)
    assert from_above["blue"] < 0.3 * before["blue"]  # undersides are not seen from above
    page.focus("#stage")
    page.keyboard.press("0")
    assert colours(page) == before


def test_every_control_can_be_reached_by_tabbing(page):
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.textContent"))
    assert {
        "stage",
        "show-part",
        "show-undersides",
        "show-supports",
        "show-numbers",
        "cut",
        "below",
    } <= reached


def test_the_page_is_no_wider_than_the_screen_and_no_table_hides_its_last_columns(page):
    hidden = "(which) => [...document.querySelectorAll('.scroll')].filter("
    hidden += "(e) => e.querySelector(which) && e.scrollWidth > e.clientWidth).map((e) => e.ariaLabel)"
    for width, tables in ((360, ".undersides"), (760, None), (1280, "table"), (1400, "table")):
        page.set_viewport_size({"width": width, "height": 800})
        still(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert tables is None or page.evaluate(hidden, tables) == []


CONTRAST = """() => {
  const canvas = new OffscreenCanvas(1, 1).getContext('2d', { willReadFrequently: true });
  const rgb = (css) => { canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = css; canvas.fillRect(0, 0, 1, 1);
    return [...canvas.getImageData(0, 0, 1, 1).data]; };
  const light = (c) => c.slice(0, 3).map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const poor = [];
  document.querySelectorAll('details').forEach((d) => { d.open = true; });
  const walker = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent.trim(), element = walker.currentNode.parentElement;
    if (!text || element.closest('script, style, .unseen, svg title')) continue;
    const style = getComputedStyle(element), svg = element.closest('svg');
    let back = element, ground = [0, 0, 0, 0];
    for (; back && ground[3] === 0; back = back.parentElement)
      ground = rgb(getComputedStyle(back).backgroundColor);
    const a = light(rgb(svg ? style.fill : style.color)), b = light(ground);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) poor.push([text.slice(0, 30), ratio.toFixed(2)]);
  }
  return poor;
}"""


def test_all_text_has_enough_contrast(page):
    # WCAG 2.2, 1.4.3: at least 4.5 to 1
    for scheme in ("dark", "light"):
        page.emulate_media(color_scheme=scheme)
        still(page)
        assert page.evaluate(CONTRAST) == []


def test_without_webgl_the_pictures_remain(chromium, address):
    context = chromium.new_context()
    context.set_default_timeout(PATIENCE_MS)
    context.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
    page = context.new_page()
    page.goto(address)
    expect(page.locator("#no-solid")).to_be_visible()
    expect(page.locator("#solid")).to_be_hidden()
    expect(page.locator("figure.picture")).to_have_count(6)
    context.close()


def test_it_prints_on_a_few_sheets(page):
    page.emulate_media(media="print")
    pdf = page.pdf(format="A4", print_background=True)
    sheets = pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page/") or pdf.count(b"/Type/Page/")
    assert 3 <= sheets <= 8
    expect(page.locator("#solid")).to_be_hidden()
    page.emulate_media(media="screen")

"""What the machine will do: a program dropped on the sheet, its findings in table and figure."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path
from urllib.parse import unquote

import pytest
from playwright.sync_api import expect

from bench.benches import read, wait
from browser.bench_page import begin, drop, settled, sheet_of, show
from browser.rest import still
from browser.test_bench_access import SERIOUS, judged
from browser.test_bench_job import colours
from browser.test_report import CONTRAST
from falsework.auditing import Audit
from falsework.part.demo import demo_parts
from falsework.planning import plan
from programs import Writer, of_plan

pytestmark = pytest.mark.browser
PART = "table"


@pytest.fixture(scope="module")
def programs(tmp_path_factory) -> dict[str, Path]:
    """Programs that print the demo part's plan: as planned; with fused supports; and what is none."""
    planned = plan(demo_parts()[PART](), standing="bed", release=False)
    folder = tmp_path_factory.mktemp("programs")
    how = {"spacing": 3.0, "turn_deg": 90.0, "shift": (205.0, 12.0)}

    def stray(writer, layer, z, height):
        if layer == 12:
            writer.path([(40.0, 40.0), (52.0, 40.0)])

    texts = {
        "sound": of_plan(planned, **how).end().bytes(),
        "fused": of_plan(planned, Writer(fan=0.4), support_shift=2, extra=stray, **how).end().bytes(),
        "none": b"a letter to the harbour master\n" * 40,
    }
    out = {}
    for name, text in texts.items():
        out[name] = folder / f"{name}.gcode"
        out[name].write_bytes(text)
    return out


@pytest.fixture(scope="module")
def made(bench, programs) -> str:
    """A sheet with an audited program, made without the page."""
    task = bench.client.post(f"/api/demo/{PART}").json()
    while task["state"] != "done":
        task = bench.client.get(f"/api/tasks/{task['id']}").json()
    id = task["result"]["sheet"]
    wait(bench.client, id, "part")
    data = programs["fused"].read_bytes()
    kept = bench.client.post("/api/programs", params={"name": "fused.gcode"}, content=data).json()
    program = {"digest": kept["digest"], "name": kept["name"]}
    body = {
        "version": read(bench.client, id)["version"],
        "program": program,
        "choices": {"standing": "bed"},
    }
    assert bench.client.patch(f"/api/sheets/{id}", json=body).status_code == 200
    bench.client.post(f"/api/sheets/{id}/stages/audit")
    wait(bench.client, id, "audit")
    return id


def audited(page) -> Audit:
    """The audit that the sheet shows."""
    page.wait_for_selector("#program.ready .planned-found")
    still(page)
    key = sheet_of(page)["stages"]["audit"]["key"]
    text = page.evaluate("(key) => fetch(`/api/results/${key}/audit.json`).then((r) => r.text())", key)
    return Audit.from_json(text)


def hot(page, number: int) -> None:
    """That finding's row is marked, and no other."""
    expect(page.locator("#program .findings tr.hot")).to_have_attribute("data-audited", str(number))


def test_a_program_dropped_on_the_sheet_is_audited_and_shown(browse, programs):
    page = browse()
    page.set_viewport_size({"width": 1200, "height": 760})  # in a lower window the figure lies over the rows
    begin(page, PART)
    settled(page)
    page.locator("[data-key='alternative-bed'] button").click()
    settled(page)
    show(page, "program")
    assert "nothing is sent to a machine" in page.inner_text("#program")
    assert page.locator("#program .drop-here").count() == 1
    drop(page, programs["fused"])
    found = audited(page)
    assert page.url.endswith("/program") or "/program?" in page.url
    assert found.program == "fused.gcode" and found.placement is not None
    # the answer and what it rests on, each with its picture and a way to its place
    said = page.inner_text("#program")
    assert found.verdict in said and found.worst is not None
    reasons = page.locator("#program .reasons > li")
    assert reasons.count() == len(found.answer.groups) <= 5
    for k, group in enumerate(found.answer.groups):
        text = reasons.nth(k).inner_text()
        assert group.says[1:] in text and group.cure[1:] in text and group.level.value in text
        placed = found.findings[group.findings[0] - 1].place is not None
        expect(reasons.nth(k).locator(".around")).to_have_count(int(placed))
    # the rest is folded: how many of each level, what it comes to beside the plan, undersides
    assert not page.locator("#program .findings").is_visible()
    page.locator("#program [data-key='findings'] summary").click()
    said = page.inner_text("#program")
    count = sum(f.level is found.worst for f in found.findings)
    first = "(to )?" + found.worst.value.split(":")[0]  # of several: 'to stop for'
    assert re.search(rf"{count}\s{first}", said)
    assert page.locator(".planned-found tbody tr").count() >= 8
    assert page.locator(".undersides-found tbody tr").count() == len(found.undersides)
    numbers = page.locator(".findings tbody tr").evaluate_all("(rows) => rows.map((r) => r.dataset.audited)")
    assert numbers == [str(f.number) for f in found.findings]
    # table and figure point at each other
    fused = next(f for f in found.findings if f.kind == "no gap")
    assert fused.place is not None
    row = page.locator(f".findings tr[data-audited='{fused.number}']")
    row.hover()
    expect(page.locator("#program .tag.hot")).to_have_text(str(fused.number))
    page.mouse.move(5, 5)
    tag = page.locator("#program .tag", has_text=re.compile(f"^{fused.number}$"))
    tag.hover()
    hot(page, fused.number)
    before = colours(page, "#program")
    tag.click()
    page.wait_for_selector("#program .findings .around")
    still(page)
    assert page.url.endswith(f"/program?finding={fused.number}")
    # the figure is cut there and shows the strands it is about; the row says where it is
    after = colours(page, "#program")
    assert after["drawn"] < before["drawn"] and page.locator("#program .outline").count() == 1
    assert page.locator("#program .tag.chosen").text_content() == str(fused.number)
    where = page.inner_text(f"#finding-{fused.number}")
    assert f"Layer {fused.place.layer}, height {fused.place.z_mm:.2f}".rstrip("0") in where
    assert f"lines {fused.place.lines[0]} to {fused.place.lines[1]}" in where
    assert page.locator("#program .findings .around .tone-marked").count() >= 1
    # by keys: in the figure, and in the table
    page.locator("#program canvas").focus()
    page.keyboard.press("PageDown")
    onward = fused.number + 1
    assert onward < len(found.findings)
    page.wait_for_url(re.compile(rf"finding={onward}\b"))
    expect(page.locator("#spoken")).to_contain_text(f"Finding {onward}")
    still(page)  # the strands about the finding come later, and the table with them
    page.locator(f".findings tr[data-audited='{onward}'] .number").focus()
    page.keyboard.press("ArrowDown")
    hot(page, onward + 1)
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(rf"finding={onward + 1}\b"))
    # reload and back
    page.reload()
    page.wait_for_selector(f"#finding-{onward + 1}")
    page.go_back()
    page.wait_for_selector(f"#finding-{onward}")
    # from near: the strand that lies by itself
    alone = next(f for f in found.findings if f.kind == "stray")
    page.locator(f".findings tr[data-audited='{alone.number}'] .number").click()
    page.wait_for_selector(f"#finding-{alone.number} .around")
    page.get_by_role("button", name="Look at it from near").click()
    page.wait_for_url(re.compile("look="))
    _, rise, grown, *_ = (float(v) for v in unquote(page.url).split("look=")[1].split("&")[0].split(","))
    assert rise == 55 and grown > 2
    assert colours(page, "#program")["tinted"] > 100  # its tone is no grey
    # to take along
    with page.expect_download() as download:
        page.get_by_role("link", name="Take it for programs (JSON)").click()
    assert json.loads(Path(download.value.path()).read_text("utf-8"))["schema"] == "falsework.audit/2"
    with page.expect_download() as download:
        page.get_by_role("link", name="Take the page").click()
    assert found.verdict in unescape(Path(download.value.path()).read_text("utf-8"))


def test_the_section_has_no_serious_fault(browse, made):
    page = browse(f"/sheets/{made}/program?finding=2")
    page.wait_for_selector("#program .findings")
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for scheme, width in (("light", 1200), ("dark", 1200), ("light", 390)):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 800})
        show(page, "program")
        assert [one for one in judged(page) if one[1] in SERIOUS] == []
        assert page.evaluate(CONTRAST) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_another_program_and_another_choice(browse, made, programs):
    page = browse(f"/sheets/{made}/program")
    first = audited(page)
    # the sheet says something else: what was found is of another state, and can be found again
    page.get_by_label("Decision on number 1").select_option("leave")
    settled(page)
    text = page.inner_text("#program")
    assert "These findings are out of date" in text and "the sheet was changed after" in text
    assert page.locator("#program.stale").count() == 1 and first.verdict in text
    assert page.get_by_role("link", name="Take the page").count() == 0
    page.get_by_role("button", name="Audit it again").click()
    page.wait_for_selector("#program.ready .planned-found")
    still(page)
    assert "out of date" not in page.inner_text("#program")
    page.keyboard.press("Control+z")
    settled(page)
    assert audited(page).findings == first.findings
    # another program counts from now on, the first is listed
    drop(page, programs["sound"])
    page.wait_for_function("() => /^sound.gcode,/m.test(document.querySelector('#program').innerText)")
    page.wait_for_selector("#program.ready .planned-found")
    second = audited(page)
    assert second.program == "sound.gcode" and len(second.findings) < len(first.findings)
    page.get_by_text("Earlier programs: 1").click()
    page.get_by_role("button", name=re.compile("Audit this one")).click()
    page.wait_for_function("() => /^fused.gcode,/m.test(document.querySelector('#program').innerText)")
    assert audited(page).findings == first.findings
    assert [one["name"] for one in sheet_of(page)["programs"]] == ["fused.gcode", "sound.gcode"]
    page.locator("h1").focus()
    page.keyboard.press("Control+z")
    page.wait_for_function("() => /^sound.gcode,/m.test(document.querySelector('#program').innerText)")
    assert audited(page).program == "sound.gcode"


def test_what_is_no_program_is_refused_in_words_and_the_rest_goes_on(browse, programs):
    page = browse()
    drop(page, programs["sound"], lands=False)
    page.wait_for_selector(".notice.away")
    still(page)
    assert "Open the work order of the part that it prints" in page.inner_text(".notice.away")
    assert "/sheets/" not in page.url
    page.get_by_role("button", name="Understood").click()
    begin(page, PART)
    settled(page)
    drop(page, programs["none"])
    page.wait_for_selector("#program .mind")
    still(page)
    said = page.inner_text("#program .mind")
    assert "none.gcode" in said and "most of its lines make no sense" in said and "Traceback" not in said
    assert page.locator("#program").get_attribute("class").split()[1] == "failed"
    assert page.get_by_role("button", name="Write the files").is_enabled()
    page.get_by_role("button", name="Take it off this sheet").click()
    page.wait_for_selector("#program .drop-here")
    still(page)
    assert sheet_of(page)["programs"] == []
    # away: the file is not lost
    page.context.set_offline(True)
    page.set_input_files("#program-file", programs["sound"])
    page.wait_for_selector("#program .mind")
    page.context.set_offline(False)
    page.wait_for_selector(".notice.away", state="detached")
    page.get_by_role("button", name="Bring sound.gcode again").click()
    assert audited(page).program == "sound.gcode"
    page.faults.clear()  # connections refused

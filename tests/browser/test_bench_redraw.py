"""Changing the part itself on the bench's page: faces that stay, the changes, the figure, the files."""

from __future__ import annotations

import hashlib
import re

import pytest
from playwright.sync_api import expect

from bench.benches import Served, upload
from browser.bench_page import begin, settled, sheet_of, show
from browser.rest import still
from falsework.cli.app import run
from falsework.files.stl import write_stl
from falsework.part.demo import table

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """One whose ledger knows no readings: on those that other tests leave would rest what is redrawn."""
    served = Served(tmp_path_factory.mktemp("bench") / "data", "--workers", "1")
    yield served
    assert served.stop() == 0


def test_a_table_is_redrawn_and_its_files_are_those_of_the_command(browse, bench, tmp_path, monkeypatch):
    page = browse()
    begin(page, "table")
    settled(page)
    show(page, "redraw")
    settled(page, "faces")
    # a face that is pointed at is dark in the figure, by mouse and by keyboard
    row = page.locator("#redraw [data-face='flat 1']")
    row.hover()
    caption = page.locator("#redraw figcaption")
    expect(caption).to_contain_text("flat 1")
    # asked for, not before
    assert sheet_of(page)["stages"]["redraw"]["state"] == "idle"
    page.get_by_role("button", name="Draw the changes", exact=True).click()
    settled(page, "redraw")
    said = page.inner_text("#redraw")
    assert "Print it in another position" in said and "does not certify a part" in said
    assert page.locator("#redraw .redrawn tbody tr").count() == 1
    # fins take more minutes of hand work than they save: they are made where somebody wants them
    expect(page.locator("#redraw .redrawn")).to_contain_text("drawn-in fins would do")
    page.locator("#redraw summary", has_text="Choose what to do").click()
    fins = page.locator("#redraw label", has_text="drawn-in fins:").get_by_role("radio")
    fins.check()
    # the total moves at once; undone, the menu stays open
    total = page.locator("#redraw p[aria-live]")
    expect(total).to_contain_text("As chosen, about")
    page.get_by_role("button", name="Undo all choices").click()
    expect(total).to_be_empty()
    fins.check()
    settled(page)
    page.get_by_role("button", name=re.compile("^Draw the changes")).click()
    expect(page.locator("#redraw .redrawn")).not_to_contain_text("drawn-in fins would do")  # drawn as chosen
    settled(page, "redraw")
    page.mouse.move(2, 2)
    expect(caption).to_contain_text("Redrawn.", use_inner_text=True)
    page.get_by_role("button", name="Show it as it is").click()
    expect(caption).to_contain_text("As it is.", use_inner_text=True)
    # row and undersides' row point at each other
    page.locator("#redraw .redrawn tbody tr").hover()
    expect(page.locator("#undersides tr[data-underside='1']")).to_have_class(re.compile(r"\bhot\b"))
    # the same files as by command line
    with page.expect_download() as download:
        page.get_by_role("link", name="redrawn.stl").click()
    part = table()
    write_stl(tmp_path / "table.stl", part.vertices, part.faces, "table")
    monkeypatch.chdir(tmp_path)
    assert run(["redraw", "table.stl", "--no-split", "--change", "1=drawn-in fins", "--out", "out"]) == 0
    digests = [
        hashlib.sha256(path.read_bytes()[84:]).hexdigest()  # the header carries the part's name
        for path in (download.value.path(), tmp_path / "out" / "redrawn.stl")
    ]
    assert digests[0] == digests[1]


def test_a_face_that_stays_is_a_choice_like_any_other(browse, bench, tmp_path):
    part = table(78.0)  # of its own: what another test drew of a table is kept here
    write_stl(tmp_path / "table.stl", part.vertices, part.faces, "table")
    sheet = upload(bench.client, (tmp_path / "table.stl").read_bytes(), "table.stl")["id"]
    page = browse(f"/sheets/{sheet}")
    settled(page)
    show(page, "redraw")
    settled(page, "faces")
    page.get_by_role("button", name="Draw the changes", exact=True).click()
    settled(page, "redraw")
    beneath = page.locator("#redraw [data-face]", has_text="looks along -z").first
    name = beneath.get_attribute("data-face")
    beneath.get_by_role("checkbox").check()
    settled(page)
    assert "must stay" in page.locator("#redraw summary").first.inner_text()
    assert sheet_of(page)["choices"]["redrawing"]["keep"] == [name]
    page.get_by_role("button", name=re.compile("^Draw the changes")).click()
    settled(page, "redraw")
    assert "No change that may pay makes an underside hold." in page.inner_text("#redraw")
    page.locator(f"#redraw [data-face='{name}']").get_by_role("checkbox").uncheck()
    settled(page)
    # what was drawn for the same choices before is there again at once
    expect(page.locator("#redraw .redrawn")).to_contain_text("Drawn-in fins: 6 fins")
    still(page)
    assert sheet_of(page)["stages"]["redraw"]["state"] == "ready"

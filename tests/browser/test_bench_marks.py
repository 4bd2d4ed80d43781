"""Marking faces on the figure: by patch, by brush, by keyboard; a load square to a face."""

from __future__ import annotations

import base64

import numpy as np
import pytest
from playwright.sync_api import expect

from browser.bench_page import begin, drop, settled, sheet_of, show
from browser.rest import still
from falsework.files.stl import write_stl
from solids import blocks

pytestmark = pytest.mark.browser


@pytest.fixture
def page(browse):
    page = browse()
    begin(page, "table")
    settled(page)
    page.get_by_text("Mark faces to keep clean").click()
    return page


def centre(page):
    page.locator("#lie .figure .stage-canvas").evaluate("(e) => e.scrollIntoView({ block: 'center' })")
    still(page)
    box = page.locator("#lie .figure .stage-canvas").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def corners_of(page):
    """(faces, 3, 3) the part as it lies, face by face."""
    text = page.evaluate(
        """async (key) => {
          const { buffers } = await import('/assets/js/api.js');
          const { arrays } = await buffers(`/api/results/${key}/part.mesh`);
          const base64 = (a) => {
            const bytes = new Uint8Array(a.buffer, a.byteOffset, a.byteLength);
            return btoa(bytes.reduce((text, b) => text + String.fromCharCode(b), ''));
          };
          return [base64(arrays.positions), base64(arrays.faces)];
        }""",
        sheet_of(page)["stages"]["part"]["key"],
    )
    positions, faces = (base64.b64decode(part) for part in text)
    return np.frombuffer(positions, np.float32).reshape(-1, 3)[np.frombuffer(faces, np.uint32).reshape(-1, 3)]


def marked(page, digest):
    """(faces,) which faces the server keeps as marked, and the normal of each face."""
    assert digest is not None
    bits = page.evaluate(
        """async (digest) =>
          [...new Uint8Array(await (await fetch(`/api/marks/${digest}`)).arrayBuffer())]""",
        digest,
    )
    corners = corners_of(page)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    chosen = np.unpackbits(np.array(bits, np.uint8), bitorder="little")[: len(corners)].astype(bool)
    return chosen, normals


def test_a_smooth_patch_is_marked_to_be_shown_and_taken_back(page):
    page.get_by_label("show face: whole face").check()
    settled(page, "patches")
    x, y = centre(page)
    page.mouse.click(x, y - 40)  # the top of the table, seen from above
    settled(page)
    chosen, normals = marked(page, sheet_of(page)["choices"]["show"]["faces"])
    assert chosen.any() and np.allclose(normals[chosen], [0, 0, 1], atol=1e-5)
    assert (normals[~chosen][:, 2] < 1 - 1e-5).all()  # the whole of the top
    page.mouse.click(x, y - 40)
    settled(page)
    assert sheet_of(page)["choices"]["show"]["faces"] is None


def test_the_brush_marks_what_it_goes_over_and_a_face_is_one_or_the_other(page):
    page.get_by_label("no support: stroke").check()
    x, y = centre(page)
    page.mouse.move(x - 30, y - 40)
    page.mouse.down()
    page.mouse.move(x + 30, y - 40, steps=4)
    page.mouse.up()
    settled(page)
    choices = sheet_of(page)["choices"]
    assert choices["show"]["faces"] is None
    chosen, normals = marked(page, choices["keep_off"])
    assert chosen.any() and (normals[chosen][:, 2] > -0.5).all()  # nothing that is not seen
    page.get_by_label("wipe").check()
    x, y = centre(page)
    page.mouse.move(x - 30, y - 40)
    page.mouse.down()
    page.mouse.move(x + 30, y - 40, steps=4)
    page.mouse.up()
    settled(page)
    assert sheet_of(page)["choices"]["keep_off"] is None


def test_marking_by_keyboard(page):
    page.get_by_label("show face: whole face").check()
    settled(page, "patches")
    centre(page)
    page.focus("#lie .figure .stage-canvas")
    for _ in range(3):
        page.keyboard.press("ArrowUp")
    expect(page.locator("#lie .cursor")).to_have_count(1)
    page.keyboard.press("Enter")
    settled(page)
    chosen, normals = marked(page, sheet_of(page)["choices"]["show"]["faces"])
    assert chosen.any() and np.allclose(normals[chosen], normals[chosen][0], atol=1e-5)


def test_a_load_square_to_a_face_is_drawn_as_an_arrow(page):
    page.get_by_label("load: square to a face").check()
    x, y = centre(page)
    page.mouse.click(x, y - 40)
    settled(page)
    assert sheet_of(page)["choices"]["load_axis"] == pytest.approx([0, 0, 1], abs=1e-5)
    assert page.locator("#lie .arrow.load.head").count() == 2
    page.get_by_label("It will be pulled along").select_option("1,0,0")
    settled(page)
    assert sheet_of(page)["choices"]["load_axis"] == [1, 0, 0]


def test_faces_by_direction(page):
    page.get_by_role("group", name="faces to keep clean look").get_by_label("up, +z").check()
    settled(page)
    assert sheet_of(page)["choices"]["show"]["directions"] == [[0, 0, 1]]
    page.get_by_role("group", name="faces supports must not touch look").get_by_label("down, −z").check()
    settled(page)
    assert sheet_of(page)["choices"]["spare"]["directions"] == [[0, 0, -1]]
    assert sheet_of(page)["command"].endswith(" --spare=-z")
    assert "left: supports must not touch it" in said(page, "#undersides .decision")
    show(page, "lie")
    settled(page, "lies")
    assert "Faces to keep clean" in page.inner_text(".ways")


def decide(page, choices):
    """Somebody else, or a script, decides."""
    page.evaluate(
        """async ([id, version, choices]) => {
          const headers = { 'Content-Type': 'application/json' };
          const body = JSON.stringify({ version, choices });
          const answer = await fetch(`/api/sheets/${id}`, { method: 'PATCH', headers, body });
          if (!answer.ok) throw new Error(await answer.text());
        }""",
        [sheet_of(page)["id"], sheet_of(page)["version"], choices],
    )
    settled(page)


def keep(page, faces):
    """Marks kept by the server; their digest."""
    return page.evaluate(
        """async (bits) => {
          const headers = { 'Content-Type': 'application/octet-stream' };
          const body = new Uint8Array(bits);
          return (await (await fetch('/api/marks', { method: 'POST', headers, body })).json()).digest;
        }""",
        np.packbits(faces, bitorder="little").tolist(),
    )


def said(page, where):
    return page.inner_text(where).replace("\xa0", " ")


def test_what_is_left_for_faces_not_to_be_touched_is_said(browse, tmp_path):
    """A floor under a ceiling, half of it marked; then the whole ceiling."""
    service = blocks(
        ((40, 20, 2), (0, 0, 0)),
        ((5, 20, 22), (0, 0, 0)),
        ((5, 20, 22), (35, 0, 0)),
        ((40, 20, 3), (0, 0, 20)),
    )
    write_stl(tmp_path / "room.stl", service.vertices, service.faces, "room")
    page = browse()
    drop(page, tmp_path / "room.stl")
    settled(page)
    decide(page, {"standing": "bed-or-part", "unit": "mm"})
    assert "must not be touched" not in said(page, "#supports")
    corners = corners_of(page)
    z, x = corners[:, :, 2], corners[:, :, 0] - corners[:, :, 0].min()
    floor = (np.abs(z - 2.0) < 1e-4).all(axis=1) & (x.min(axis=1) > 20 - 1e-3)
    decide(page, {"keep_off": keep(page, floor)})
    assert "300 mm² left: supports must not touch it" in said(page, "#undersides .decision")
    assert "300 mm² could be carried only by standing on them" in said(page, "#supports")
    assert "Left for their sake" in said(page, "#supports")
    assert "would touch faces supports must not touch" in said(page, ".mind")
    assert sheet_of(page)["command"] is None
    page.locator("#undersides").get_by_role("button", name="Number 1: evidence and options").click()
    page.wait_for_selector("#docket-1")
    assert "Of faces supports must not touch: 300 mm² could be carried" in said(page, "#docket-1")

    ceiling = (np.abs(z - 20.0) < 1e-4).all(axis=1)
    decide(page, {"keep_off": keep(page, ceiling)})
    assert (
        page.locator("#undersides .decision option").first.inner_text() == "left: supports must not touch it"
    )
    assert "lies on them altogether and is left" in said(page, "#supports")
    page.locator("#undersides").get_by_label("Decision on number 1").select_option("bed-or-part")
    settled(page)
    assert "carried all the same, by your decision" in said(page, "#supports")
    assert "carried all the same, by your own choice" in said(page, ".mind")
    assert "1 piece of support" in said(page, "#supports")

"""The recording sheet: everything to fill in, one page, self-contained, without hints before the reading."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
import shapely
import typst

from coupon.pieces import piece
from falsework.coupon import CouponKind, PieceLimits, Shape, design_coupon
from falsework.coupon.reading import LET_GO_GRADES
from falsework.coupon.words import FINISH, LET_GO
from falsework.errors import OutputError
from falsework.process import builtin
from falsework.report.coupon import sheet_files, sheet_html, sheet_pdf, typst_sheet
from falsework.report.coupon_figures import calipers_svg, finish_svg, plan_svg
from falsework.report.names import lacking, named

KINDS = pytest.mark.parametrize("kind", list(CouponKind))


@KINDS
def test_the_page_has_a_line_for_every_cell_and_nothing_from_elsewhere(kind: CouponKind) -> None:
    coupon = piece(kind)
    page = sheet_html(coupon)
    assert coupon.code in page and coupon.process.printer.name in page
    for cell in coupon.cells:
        assert f'<th scope="row">{cell.label}</th>' in page
    assert page.count("<tr>") == len(coupon.cells) + 1
    for words in FINISH.values():
        assert words in page
    supported = any(cell.shape in (Shape.ROOF, Shape.LEDGE, Shape.PEG) for cell in coupon.cells)
    assert all((words in page) == supported for words in (LET_GO[way] for way in LET_GO_GRADES))
    assert "fumes" in page.lower() or "vapour" in page
    assert not re.search(r'(?:src|href)="(?!data:)', page)
    assert "<script" not in page
    assert not re.search(r'\sstyle="', page), "the policy would drop it"
    assert f"{coupon.minutes:.0f} min, {coupon.grams:.1f} g" in page


def test_what_a_cell_tries_comes_after_the_lines_to_fill_in() -> None:
    coupon = piece(CouponKind.GAP)
    page = sheet_html(coupon)
    first = min(page.index(words) for words in ("(1 layer)", "(2 layers)", "(3 layers)"))
    assert first > page.index("</table>")


def test_two_batches_have_two_plans_at_one_scale() -> None:
    coupon = piece(CouponKind.BRIDGE)
    page = sheet_html(coupon)
    assert "print-fan-100.3mf, then print-fan-0.3mf" in page
    assert all(batch.code in page for batch in coupon.batches)
    boxes = [
        re.search(r'viewBox="\S+ \S+ (\S+ \S+)"', plan_svg(coupon, k, body)).group(1)
        for k, body in enumerate(coupon.geometry.bodies)
    ]
    assert boxes[0] == boxes[1]


@KINDS
def test_drawings_are_sound_and_hold_no_text(kind: CouponKind) -> None:
    coupon = piece(kind)
    drawings = [plan_svg(coupon, k, body) for k, body in enumerate(coupon.geometry.bodies)]
    drawings += [finish_svg(k) for k in FINISH] + [calipers_svg(shape) for shape in Shape]
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.tag.endswith("svg")
        assert not list(root.iter("{http://www.w3.org/2000/svg}text"))


def test_the_plan_is_drawn_from_the_mesh() -> None:
    coupon = piece(CouponKind.GAP)
    body = coupon.geometry.bodies[0]
    paths = re.findall(r'<path d="(M[^"]*z)"', plan_svg(coupon, 0, body))
    rings = [
        [tuple(map(float, pair.split())) for pair in ring.split("L")] for ring in paths[0][1:-1].split("zM")
    ]
    drawn = shapely.unary_union([shapely.Polygon(ring) for ring in rings[:1]])
    (x0, y0, x1, y1), (low, high) = drawn.bounds, body.part.bounds_mm
    assert (x0, -y1, x1, -y0) == pytest.approx((low[0], low[1], high[0], high[1]), abs=0.01)


@KINDS
def test_the_pdf_is_one_tagged_leaf_and_always_the_same(kind: CouponKind) -> None:
    coupon = piece(kind)
    pdf = sheet_pdf(coupon)
    assert pdf.startswith(b"%PDF-") and pdf == sheet_pdf(coupon)
    assert b"/StructTreeRoot" in pdf and b"pdfuaid" in pdf
    assert pages(pdf) == 2


@KINDS
def test_the_sheet_is_for_gloved_hands_and_arms_length(kind: CouponKind) -> None:
    """Rows of 8 mm or more, no text under 10 pt, and the front used to its foot."""
    source, inputs = typst_sheet(piece(kind))
    told = json.loads(typst.query(source, "<rows>", field="value", one=True, sys_inputs=inputs))
    assert told["row_mm"] >= 8.0 - 1e-6
    assert told["rows_mm"] + told["lines_mm"] == pytest.approx(told["free_mm"], abs=2.0)
    sizes = [float(size) for size in re.findall(r"(?:size|smallest)\W{1,4}([\d.]+)pt", source.decode())]
    assert len(sizes) >= 5 and min(sizes) >= 10.0
    style = re.search("<style>(.*?)</style>", sheet_html(piece(kind)), re.S).group(1)
    points = [float(size) for size in re.findall(r"([\d.]+)pt\b", style)]
    assert len(points) >= 4 and min(points) >= 10.0
    assert float(re.search(r"--row: ([\d.]+)mm", style).group(1)) >= 8.0


def test_every_drawing_says_of_what_it_is() -> None:
    """A plan has each label twice, large and as on the piece; other drawings the labels of their cells."""
    coupon = piece(CouponKind.CONFIRM)
    plan = plan_svg(coupon, 0, coupon.geometry.bodies[0])
    bare = plan_svg(replace(coupon, cells=()), 0, coupon.geometry.bodies[0])
    letters = (plan.count('fill-rule="evenodd"/>') - bare.count('fill-rule="evenodd"/>')) / len(coupon.cells)
    assert letters == 2
    for shape in Shape:
        assert calipers_svg(shape, "AB") != calipers_svg(shape, "AC") != calipers_svg(shape)
    assert len({finish_svg(k) for k in FINISH}) == 5


def test_a_name_of_usual_letters_stays_text_and_any_other_is_a_picture() -> None:
    assert named('Möwe & "Ключ" <b>') == "Möwe &amp; &#34;Ключ&#34; &lt;b&gt;"
    picture = named('นางนวล"><script>')
    assert "<script" not in picture and picture.startswith('<img class="name" alt="นางนวล&#34;')
    assert b"<path" in base64.b64decode(picture.split("base64,")[1].split('"')[0])
    assert named("gull\udcff<b>") == "gull\udcff&lt;b&gt;"  # no letter at all
    assert lacking("gull นก \U0010fffe\U0010fffe") == "\U0010fffe"  # which no font has


def pages(pdf: bytes) -> int:
    """Number of pages, from the page tree."""
    return max(int(count) for count in re.findall(rb"/Type/Pages/Count (\d+)", pdf))


def test_a_piece_with_as_many_cells_as_there_are_letters_still_has_a_sheet() -> None:
    process = builtin("pla-0.8")
    cells = piece(CouponKind.BRIDGE, "pla-0.8").cells
    wanted = [replace(c.condition, span_mm=c.condition.span_mm + k / 10) for k in range(3) for c in cells]
    coupon = design_coupon(CouponKind.BRIDGE, process, cells=wanted, limits=PieceLimits(500, 500))
    assert len(coupon.cells) == 23
    assert any("no more letters" in one.why for one in coupon.left_out)
    files = sheet_files(coupon)
    assert set(files) == {"sheet.html", "sheet.pdf"}
    assert pages(files["sheet.pdf"]) <= 2


def test_names_that_look_like_markup_are_only_names() -> None:
    process = builtin("pla-0.4")
    odd = replace(
        process,
        name="<b>#emph[x] $a$ \\ @b</b>",
        printer=replace(process.printer, name='"><script>alert(1)</script> #panic() <lamp> *a*'),
    )
    coupon = design_coupon(CouponKind.OVERHANG, odd)
    page = sheet_html(coupon)
    assert "<script" not in page and "&lt;b&gt;" in page
    assert sheet_pdf(coupon).startswith(b"%PDF-")


def test_a_piece_read_from_a_file_has_no_sheet() -> None:
    with pytest.raises(OutputError, match="holds no geometry"):
        sheet_html(replace(piece(CouponKind.GAP), geometry=None))


@pytest.mark.parametrize("name", ["三号机 北窗", "プリンタ", "เครื่อง 2", "🦀 crab", "प्रिंटर", "한국"])
def test_names_in_any_script_stand_on_the_sheet(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    coupon = piece(CouponKind.OVERHANG)
    process = replace(coupon.process, printer=replace(coupon.process.printer, name=name))
    coupon = replace(coupon, process=process)
    page = sheet_html(coupon)
    picture = f'<img class="name" alt="{name}" src="data:image/svg+xml;base64,'
    missing = lacking(name)  # Chinese, Japanese and Korean ones, on a machine that has no such font
    assert (picture in page) == (not missing) and name in page
    assert set(missing) <= set("三号机北窗プリンタ한국")
    assert sheet_pdf(coupon).startswith(b"%PDF")
    monkeypatch.setattr("falsework.report.names._FONT_PACKAGES", ())  # none at hand: no reason to fail
    assert sheet_pdf(coupon).startswith(b"%PDF")
